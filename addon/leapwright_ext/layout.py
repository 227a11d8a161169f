# SPDX-License-Identifier: GPL-3.0-or-later
"""Pieces of layout that the panel and the Block operator share."""

from __future__ import annotations

import textwrap
from typing import Any

import bpy

from .properties import posed_frames

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
        column.prop(values, "landing_level")
        column.prop(values, "travel")
        column.separator(factor=0.5)
    column.prop(values, "placed_by")
    if values.placed_by == "takeoff":
        column.prop(values, "takeoff_frame")
    ticks = column.row(heading="Keys")
    ticks.prop(values, "twos")
    ticks.prop(values, "stepped")


def draw_more(layout: Any, values: Any) -> None:
    """Draw what is seldom asked."""
    column = layout.column()
    column.use_property_split = True
    column.use_property_decorate = False
    column.prop(values, "keep")
    column.prop(values, "after")
    column.prop(values, "replace")


def write(layout: Any, text: str, *, region: Any, icon: str = "NONE") -> None:
    """Write a sentence, broken to the width of the sidebar."""
    scale = bpy.context.preferences.system.ui_scale
    # Letters of the interface are some 6 points wide; icon and margins take about 60.
    fits = max(16, int((region.width / scale - 60) / 6))
    column = layout.column(align=True)
    column.scale_y = 0.75
    for number, line in enumerate(textwrap.wrap(text, fits)):
        column.label(text=line, icon="BLANK1" if number and icon != "NONE" else icon)
