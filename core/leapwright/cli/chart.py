# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright chart``: the table of rise frames against height, speed and spacing."""

from __future__ import annotations

import json
import sys
from typing import Annotated

import typer

import leapwright
from leapwright.answer import chart_answer
from leapwright.cli import lengths, tables
from leapwright.cli.plan import Fps, Gravity, Json, LengthUnit, Unit, ask_of, quoting
from leapwright.errors import InputError

__all__ = ["chart"]


def chart(
    rise_frames: Annotated[
        str,
        typer.Option(
            "--rise-frames",
            metavar="LIST",
            rich_help_panel="Frames",
            help="Rows of the table: 8, or 4,8,12, or 1-24.",
        ),
    ] = "1-24",
    fps: Fps = None,
    gravity: Gravity = None,
    unit: Unit = LengthUnit.m,
    as_json: Json = False,
) -> None:
    """Print how high a rise of so many frames is, how fast it leaves, and its spacing.

    Step is what the COG moves in the frame that many frames from the apex.
    """
    typed = dict(locals())
    try:
        rows = leapwright.chart(
            lengths.frame_list(rise_frames, "rise_frames"),
            **ask_of({"fps": fps, "gravity": gravity}),
        )
    except InputError as error:
        raise quoting(error, typed) from None
    if as_json:
        print(json.dumps(chart_answer(rows), indent=2))
        return
    tables.show_chart(rows, unit=unit.value, out=sys.stdout)
