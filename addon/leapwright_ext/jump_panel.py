# SPDX-License-Identifier: GPL-3.0-or-later
"""Jump: what is asked, the live answer beside it, and Block."""

from __future__ import annotations

import json
from functools import lru_cache
from typing import Any

import bpy

from .jump_layout import draw_jump, draw_more, draw_pins
from .layout import Tab, action, table, write
from .preview import draw_preview
from .properties import settings_of
from .readout import Readout, read_out
from .subject import subject

__all__ = ["PANELS"]


class LEAPWRIGHT_PT_jump(Tab, bpy.types.Panel):
    """What is asked of the jump, what whole frames give, and the button."""

    bl_idname = "LEAPWRIGHT_PT_jump"
    bl_label = "Jump"
    bl_order = 2

    def draw(self, context: Any) -> None:
        """Draw the ask, the answer and the buttons."""
        layout, settings = self.layout, settings_of(subject(context))
        draw_jump(layout, settings, region=context.region)
        draw_pins(layout, settings)
        draw_more(layout, settings)
        box = layout.box()
        shown = read_out(settings, context.scene)
        if shown.problem:
            write(box, shown.problem, region=context.region, icon="INFO")
        else:
            _draw_answer(box, shown, settings, region=context.region)
        if settings.preview:
            draw_preview(layout, _read(settings.preview), region=context.region)
        action(layout, "leapwright.plan", text="Preview", icon="HIDE_OFF")
        action(layout, "leapwright.block", text="Block", icon="KEYFRAME_HLT", big=True)
        action(layout, "leapwright.spline", text="Spline", icon="IPO_BEZIER")


@lru_cache(maxsize=4)
def _read(preview: str) -> dict[str, Any]:
    """A preview; the same text is read once only."""
    said: dict[str, Any] = json.loads(preview)
    return said


def _draw_answer(layout: Any, shown: Readout, settings: Any, *, region: Any) -> None:
    """Asked and given side by side; below, what gave, and other answers to click."""
    table(layout, [("Frames", "Asked", "Given"), *shown.phases])
    if shown.changes:
        layout.separator(factor=0.3)
        table(layout, shown.changes, widths=(0.42, 0.5))
    for line in shown.warnings:
        write(layout, line, region=region, icon="ERROR")
    header, body = layout.panel("LEAPWRIGHT_others", default_closed=True)
    header.label(text=f"Other frames ({len(shown.others)})")
    if body is not None:
        _draw_others(body, shown)
    header, body = layout.panel("LEAPWRIGHT_moments", default_closed=True)
    header.label(text="Moments")
    if body is not None:
        table(body, shown.moments, widths=(0.5,))


def _draw_others(layout: Any, shown: Readout) -> None:
    column = layout.column(align=True)
    for other in shown.others:
        there = (other.push, other.air) == shown.given
        button = column.operator(
            "leapwright.pick_frames",
            text=f"{other.push:g} + {other.air:g}: {other.words}",
            icon="RADIOBUT_ON" if there else "RADIOBUT_OFF",
            depress=there,
        )
        button.push, button.air = other.push, other.air


PANELS = (LEAPWRIGHT_PT_jump,)
