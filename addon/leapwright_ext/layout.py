# SPDX-License-Identifier: GPL-3.0-or-later
"""Pieces of layout that the panel and the Block operator share."""

from __future__ import annotations

import textwrap
from typing import Any

import bpy

from .properties import ground_name, posed_frames

__all__ = ["draw_jump", "draw_more", "write"]


def draw_jump(layout: Any, values: Any) -> None:
    """Draw what is asked of the jump."""
    column = layout.column()
    column.use_property_split = True
    column.use_property_decorate = False
    column.prop(values, "air_measure")
    column.prop(values, values.air_measure)
    column.separator(factor=0.5)
    column.prop(values, "push_measure")
    if values.push_measure != "poses":
        column.prop(values, values.push_measure)
    column.separator(factor=0.5)
    if not {"takeoff", "land"} <= posed_frames(values).keys():
        if ground := ground_name(values):
            _said(column, "Landing level", f"top of {ground}")
        else:
            column.prop(values, "landing_level")
        column.prop(values, "travel")
        column.separator(factor=0.5)
    if values.chain:
        _said(column, "Starts", "in the last low")
    else:
        column.prop(values, "placed_by")
        if values.placed_by == "takeoff":
            column.prop(values, "takeoff_frame")
    # The whole width: beside a heading these are cut off in a narrow sidebar.
    ticks = layout.row()
    ticks.prop(values, "twos")
    ticks.prop(values, "stepped")


def draw_more(layout: Any, values: Any) -> None:
    """Draw what is seldom asked."""
    column = layout.column()
    column.use_property_split = True
    column.use_property_decorate = False
    column.prop(values, "keep")
    column.prop(values, "key")
    column.prop(values, "after")
    column.separator(factor=0.5)
    if isinstance(values, bpy.types.Operator):
        column.prop_search(values, "ground", bpy.context.scene, "objects", text="Land on")
    else:
        column.prop(values, "ground")
    column.prop(values, "within")
    feet = layout.column(align=True)
    feet.label(text="Foot offsets")
    feet.prop(values, "foot", text="", placeholder="foot.L=release-4,plant+0")
    ticks = layout.column(align=True)
    for name in ("chain", "running_measured", "props", "replace"):
        ticks.prop(values, name)


def _said(layout: Any, name: str, text: str) -> None:
    """Write a value that is given elsewhere, in the place where it would be entered."""
    row = layout.split(factor=0.4)
    left = row.row()
    left.alignment = "RIGHT"
    left.label(text=name)
    row.label(text=text)


def write(layout: Any, text: str, *, region: Any, icon: str = "NONE") -> None:
    """Write a sentence, broken to the width of the sidebar."""
    scale = bpy.context.preferences.system.ui_scale
    # Letters of the interface are some 6 points wide; icon and margins take about 60.
    fits = max(16, int((region.width / scale - 60) / 6))
    column = layout.column(align=True)
    column.scale_y = 0.75
    for number, line in enumerate(textwrap.wrap(text, fits)):
        column.label(text=line, icon="BLANK1" if number and icon != "NONE" else icon)
