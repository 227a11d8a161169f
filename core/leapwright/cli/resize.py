# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright resize``: a jump made higher or farther, its gravity kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from leapwright.cli import change, lengths, shots, tables
from leapwright.cli import plan as flags
from leapwright.cli.shots import option

__all__ = ["resize", "resize_ask"]

SIZE = "How high, how far"


def resize(
    file: shots.Shot,
    rig: shots.RigName,
    rig_file: shots.RigFile = None,
    root: shots.Root = None,
    cog: shots.Cog = None,
    feet: shots.Feet = None,
    jump_height: Annotated[
        str | None, option("--jump-height", "LENGTH", SIZE, "COG rise from take-off to apex.")
    ] = None,
    times_height: Annotated[
        str | None,
        option("--times-height", "NUMBER", SIZE, "How many times the height before; 1.44."),
    ] = None,
    travel: Annotated[
        str | None,
        option("--travel", "LENGTH", SIZE, "Horizontal way of the COG in the air. Default: kept."),
    ] = None,
    heading: Annotated[
        str | None,
        option("--heading", "DEGREES", SIZE, "Where it goes: 0 is +X, 90 is +Y. Default: kept."),
    ] = None,
    moment: Annotated[
        list[str] | None,
        option(
            "--moment",
            "MOMENT=FRAME",
            change.JUMP,
            "Where a moment is now: crouch, take-off and land at least. Default: as remembered, "
            "else found as by check. Repeatable.",
        ),
    ] = None,
    jump: change.JumpNumber = None,
    pin: change.Pin = None,
    before: change.Before = change.Gives.shift,
    after: change.After = change.Gives.shift,
    twos: flags.Twos = False,
    shot_start: shots.ShotStart = None,
    subframes: change.Subframes = False,
    exact_shape: change.ExactShape = False,
    no_props: shots.NoProps = False,
    no_markers: change.NoMarkers = False,
    out: shots.Out = None,
    in_place: shots.InPlace = False,
    dry_run: shots.DryRun = False,
    as_json: flags.Json = False,
) -> None:
    """Make a jump higher or farther: gravity stays, times go with the root of the height.

    Take-off, crouch and landing poses stay as they are, at their heights. The COG's push, air and
    absorb are laid anew; where it lands elsewhere, later keys of what carries it move along.
    """
    typed = dict(locals())
    shots.do(typed, "resize", resize_ask(typed), tables.show_resized)


def resize_ask(typed: Mapping[str, Any]) -> dict[str, Any]:
    """Keyword arguments of a rig's ``resize``; what was not typed is absent.

    Parameters
    ----------
    typed : mapping of str to object
        Flags by argument name, texts as they were typed.
    """
    readers = {
        "jump_height": lengths.length,
        "times_height": lengths.number,
        "travel": lengths.length,
        "heading": lengths.number,
    }
    ask = change.asked(typed)
    for name, read in readers.items():
        if typed[name] is not None:
            ask[name] = read(typed[name], name)
    return ask
