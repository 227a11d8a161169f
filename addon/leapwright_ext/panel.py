# SPDX-License-Identifier: GPL-3.0-or-later
"""The sidebar tab of the 3D view."""

from __future__ import annotations

from typing import Any

import bpy

from .asking import measured
from .layout import draw_jump, draw_more, write
from .properties import MOMENTS, settings_of
from .readout import length, read_out, units_of
from .resizing import draw_resize
from .retiming import draw_options, draw_retime

__all__ = ["PANELS"]

_SURE_ICONS = {"sure": "CHECKMARK", "likely": "QUESTION", "guess": "ERROR"}


class LEAPWRIGHT_PT_jump(bpy.types.Panel):
    """Rig, poses, what is asked, the live answer, and Block."""

    bl_idname = "LEAPWRIGHT_PT_jump"
    bl_label = "Jump"
    bl_category = "Leapwright"
    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"

    def draw(self, context: Any) -> None:
        """Draw the sections, top to bottom as the work goes."""
        obj = context.object
        if obj is None:
            write(self.layout, "Select the rig or the object that jumps.", region=context.region)
            return
        settings = settings_of(obj)
        self.layout.label(
            text=obj.name, icon="OUTLINER_OB_" + obj.type if obj.pose else "OBJECT_DATA"
        )
        for name, title, draw in (
            ("rig", "Rig", _draw_rig),
            ("poses", "Poses", _draw_poses),
            ("ask", "Ask", _draw_ask),
            ("frames", "Frames", _draw_frames),
        ):
            header, body = self.layout.panel(f"LEAPWRIGHT_{name}")
            header.label(text=title)
            if body is not None:
                draw(body, context, settings)
        block = self.layout.column()
        block.scale_y = 1.4
        block.operator("leapwright.block", icon="KEYFRAME_HLT")
        self.layout.operator("leapwright.spline", icon="IPO_BEZIER")
        header, body = self.layout.panel("LEAPWRIGHT_retime", default_closed=True)
        header.label(text="Retime")
        if body is not None:
            draw_retime(body, context)
            draw_resize(body, context)
            draw_options(body, context)


def _draw_rig(layout: Any, context: Any, settings: Any) -> None:
    obj = context.object
    layout.operator("leapwright.find_controls", icon="VIEWZOOM")
    if obj.pose is not None:
        column = layout.column()
        column.use_property_split = True
        column.use_property_decorate = False
        column.prop_search(settings, "root", obj.pose, "bones")
        column.prop_search(settings, "cog", obj.pose, "bones")
        column.prop(settings, "feet")
    for line in settings.found.splitlines():
        icon = _SURE_ICONS.get(line.partition(":")[0], "ERROR")
        write(layout, line, region=context.region, icon=icon)


def _draw_poses(layout: Any, context: Any, settings: Any) -> None:
    column = layout.column(align=True)
    for index, (moment, name) in enumerate(MOMENTS.items()):
        row = column.split(factor=0.3, align=True)
        row.label(text=name)
        row = row.row(align=True)
        if settings.posed[index]:
            row.prop(settings, "pose_frames", index=index, text="")
            row.operator("leapwright.mark_pose", text="", icon="KEYFRAME_HLT").moment = moment
            row.operator("leapwright.clear_pose", text="", icon="X").moment = moment
        else:
            mark = row.operator("leapwright.mark_pose", text="Mark current frame", icon="KEYFRAME")
            mark.moment = moment
    if any(settings.posed):
        _draw_measured(layout, context, settings)


def _draw_measured(layout: Any, context: Any, settings: Any) -> None:
    units = units_of(context.scene)
    said = measured(settings)
    column = layout.column(align=True)
    for name in ("push_height", "landing_level", "travel"):
        value = getattr(said, f"{name}_m")
        if value is None:
            continue
        row = column.split(factor=0.5)
        row.label(text=name.replace("_", " ").capitalize())
        row.label(text=length(value, units))
    layout.operator("leapwright.read_poses", icon="FILE_REFRESH")


def _draw_ask(layout: Any, context: Any, settings: Any) -> None:
    draw_jump(layout, settings)
    header, body = layout.panel("LEAPWRIGHT_more", default_closed=True)
    header.label(text="More")
    if body is not None:
        draw_more(body, settings)


def _draw_frames(layout: Any, context: Any, settings: Any) -> None:
    shown = read_out(settings, context.scene)
    if shown.problem:
        write(layout, shown.problem, region=context.region, icon="INFO")
        return
    row = layout.split(factor=0.62)
    for lines in (shown.phases, shown.moments):
        column = row.column(align=True)
        column.scale_y = 0.8
        for line in lines:
            column.label(text=line)
    for line in shown.changes:
        write(layout, line, region=context.region)
    for line in shown.warnings:
        write(layout, line, region=context.region, icon="ERROR")


PANELS = (LEAPWRIGHT_PT_jump,)
