# SPDX-License-Identifier: GPL-3.0-or-later
"""What is asked of a jump, drawn: the tab and the panel of the last operation have the same."""

from __future__ import annotations

from typing import Any

import bpy

from .entry import draw_length, length, units_of
from .layout import said, split_column, write
from .moments import MOMENTS, posed_frames

__all__ = ["draw_jump", "draw_more", "draw_pins"]


def draw_jump(layout: Any, values: Any, *, region: Any) -> None:
    """Draw what is asked of the jump."""
    column = split_column(layout)
    column.prop(values, "air_measure")
    _measure(column, values, values.air_measure)
    column.separator(factor=0.5)
    column.prop(values, "push_measure")
    if values.push_measure != "poses":
        _measure(column, values, values.push_measure)
    column.separator(factor=0.5)
    _draw_landing(column, values, region=region)
    column.separator(factor=0.5)
    column.prop(values, "gravity_from")
    if values.gravity_from == "number":
        column.prop(values, "gravity", text="m/s²")
    elif values.gravity_from == "body":
        column.prop(values, "body")
    if values.chain:
        said(column, "Starts", "in the last low")
    # The whole width: beside a heading these are cut off in a narrow sidebar.
    ticks = layout.row()
    ticks.prop(values, "twos")
    ticks.prop(values, "stepped")


def _measure(column: Any, values: Any, name: str) -> None:
    """Draw a measure below its choice."""
    if name in ("jump_height", "push_height"):
        draw_length(column, values, name)
    else:
        column.prop(values, name)


def _draw_landing(column: Any, values: Any, *, region: Any) -> None:
    if {"takeoff", "land"} <= posed_frames(values).keys():
        said(column, "Landing", "from the poses")
        return
    column.prop(values, "landing")
    if values.landing == "object":
        if isinstance(values, bpy.types.Operator):
            column.prop_search(values, "ground", bpy.context.scene, "objects", text="Land on")
        else:
            column.prop(values, "ground")
        column.prop(values, "to_middle")
    elif values.landing == "level":
        draw_length(column, values, "landing_level")
    if values.landing == "level" or (values.landing == "object" and not values.to_middle):
        draw_length(column, values, "travel")
    elif not isinstance(values, bpy.types.Operator):
        _draw_aimed(column, values, region=region)


def _draw_aimed(column: Any, values: Any, *, region: Any) -> None:
    """Tell how far and how high what is pointed at is."""
    from leapwright.errors import LeapwrightError

    from .aiming import aimed

    try:
        there = aimed(values, bpy.context.scene)
    except LeapwrightError as error:
        write(column, str(error), region=region, icon="ERROR")
        there = None
    if there is not None:
        units = units_of(bpy.context.scene)
        said(column, "Level", length(there.landing_level, units))
        said(column, "Foot travel", length(there.foot_travel, units))
    column.operator("leapwright.measure_landing", text="Measure landing", icon="FILE_REFRESH")


def draw_pins(layout: Any, values: Any) -> None:
    """Draw the pins, folded away."""
    header, body = layout.panel("LEAPWRIGHT_pins", default_closed=True)
    count = sum(values.pinned)
    header.label(text=f"Pins ({count})" if count else "Pins")
    if body is None:
        return
    column = body.column(align=True)
    for index, name in enumerate(MOMENTS.values()):
        row = column.split(factor=0.5, align=True)
        row.prop(values, "pinned", index=index, text=name)
        frame = row.row(align=True)
        frame.enabled = values.pinned[index]
        frame.prop(values, "pin_frames", index=index, text="")


def draw_more(layout: Any, values: Any) -> None:
    """Draw what is seldom asked, folded away."""
    header, body = layout.panel("LEAPWRIGHT_more", default_closed=True)
    header.label(text="More")
    if body is None:
        return
    column = split_column(body)
    for name in ("keep", "key", "after", "anticipation_frames", "recover_frames", "within"):
        column.prop(values, name)
    feet = body.column(align=True)
    feet.label(text="Foot offsets")
    feet.prop(values, "foot", text="", placeholder="foot.L=release-4,plant+0")
    ticks = body.column(align=True)
    for name in ("chain", "running_measured", "props", "replace"):
        ticks.prop(values, name)
