# SPDX-License-Identifier: GPL-3.0-or-later
"""What the verbs that change a jump share: which jump, what gives around it, what of its keys."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Annotated, Any

import typer

from leapwright.cli import lengths
from leapwright.cli.shots import option, switch

__all__ = [
    "JUMP", "KEYS", "After", "Before", "ExactShape", "Gives", "JumpNumber", "NoMarkers", "Pin",
    "Subframes", "asked",
]  # fmt: skip

JUMP, KEYS = "The jump", "Keys"


class Gives(StrEnum):
    """What becomes of the rest of the shot."""

    shift = "shift"
    stretch = "stretch"


JumpNumber = Annotated[
    int | None,
    typer.Option(
        "--jump",
        metavar="N",
        rich_help_panel=JUMP,
        show_default=False,
        help="Which of several jumps, from 1.",
    ),
]
Pin = Annotated[
    list[str] | None,
    option("--pin", "MOMENT=FRAME", JUMP, "A moment that lands on a frame. Repeatable."),
]
Before = Annotated[
    Gives,
    typer.Option(
        "--before",
        rich_help_panel=JUMP,
        help="Earlier keys shift with the jump, or stay while the anticipation gives.",
    ),
]
After = Annotated[
    Gives,
    typer.Option(
        "--after",
        rich_help_panel=JUMP,
        help="Later keys shift with the jump, or stay while the recover gives.",
    ),
]
Subframes = Annotated[bool, switch("--subframes", KEYS, "Exactly as asked, keys between frames.")]
ExactShape = Annotated[
    bool,
    switch("--exact-shape", KEYS, "Split curves where time bends, so that no shape changes."),
]
NoMarkers = Annotated[
    bool, switch("--no-markers", KEYS, "Leave our timeline markers where they are.")
]


def asked(typed: Mapping[str, Any]) -> dict[str, Any]:
    """Keyword arguments that these options say; what was not typed is absent."""
    ask: dict[str, Any] = {}
    for name in ("rig_file", "root", "cog", "feet", "jump"):
        if typed[name]:
            ask[name] = typed[name]
    if typed["moment"]:
        ask["moments"] = lengths.moment_frames(typed["moment"], "moments")
    if typed["pin"]:
        ask["pins"] = lengths.moment_frames(typed["pin"], "pins")
    if typed["shot_start"] is not None:
        ask["shot_start"] = lengths.count(typed["shot_start"], "shot_start")
    for name in ("before", "after"):
        if typed[name] is not Gives.shift:
            ask[name] = typed[name].value
    for name in ("twos", "subframes", "exact_shape", "dry_run"):
        if typed[name]:
            ask[name] = True
    for flag, name in (("no_props", "props"), ("no_markers", "markers")):
        if typed[flag]:
            ask[name] = False
    return ask
