# SPDX-License-Identifier: GPL-3.0-or-later
"""Pieces of layout that several panels and operators share."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from functools import lru_cache
from typing import Any

import bpy

from .subject import subject
from .working import draw_progress

__all__ = ["Tab", "action", "said", "split_column", "table", "write"]


class Tab:
    """A panel of the sidebar tab, about the rig at hand."""

    bl_category = "Leapwright"
    bl_space_type: Any = "VIEW_3D"
    bl_region_type: Any = "UI"

    @classmethod
    def poll(cls: Any, context: Any) -> bool:
        """Only the first panel says that there is no rig."""
        return subject(context) is not None


def split_column(layout: Any) -> Any:
    """Give a column with names left and values right, as the host has them."""
    column = layout.column()
    column.use_property_split = True
    column.use_property_decorate = False
    return column


def action(layout: Any, operator: str, *, text: str, icon: str = "NONE", big: bool = False) -> Any:
    """Draw a button, a big one for what a panel is there for; how far it is while it works."""
    column = layout.column()
    if big:
        column.scale_y = 1.4
    draw_progress(column, operator)
    return column.operator(operator, text=text, icon=icon)


def said(layout: Any, name: str, text: str) -> None:
    """Write a value that is given elsewhere, in the place where it would be entered."""
    row = layout.split(factor=0.4)
    left = row.row()
    left.alignment = "RIGHT"
    left.label(text=name)
    row.label(text=text)


def table(
    layout: Any, rows: Iterable[tuple[str, ...]], *, widths: tuple[float, ...] = (0.46, 0.5)
) -> None:
    """Write rows of text with their columns below each other.

    Parameters
    ----------
    layout : bpy.types.UILayout
    rows : iterable of tuple of str
        All of the same length.
    widths : tuple of float
        Of what is left of the width, the share of each column but the last.
    """
    every = list(rows)
    part = layout
    for number in range(max(map(len, every), default=0)):
        # Column by column: that takes the host half as long as row by row.
        part = part.split(factor=widths[number]) if number < len(widths) else part
        column = part.column(align=True)
        column.scale_y = 0.8
        for row in every:
            column.label(text=row[number])


def write(layout: Any, text: str, *, region: Any, icon: str = "NONE", margin: float = 60) -> None:
    """Write a sentence, broken to the width of the sidebar less a margin in points."""
    scale = bpy.context.preferences.system.ui_scale
    # Letters of the interface are some 6 points wide; icon and margins take about 60.
    fits = max(14, int((region.width / scale - margin) / 6))
    column = layout.column(align=True)
    column.scale_y = 0.75
    for number, line in enumerate(_broken(text, fits)):
        column.label(text=line, icon="BLANK1" if number and icon != "NONE" else icon)


@lru_cache(maxsize=128)
def _broken(text: str, letters: int) -> tuple[str, ...]:
    """The lines of a sentence; the same one is drawn over and over."""
    return tuple(textwrap.wrap(text, letters))
