# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright resize``: a jump made higher or farther, its gravity kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

import typer

from leapwright.cli import lengths, shots, tables
from leapwright.cli import plan as flags
from leapwright.cli.plan import quoting
from leapwright.cli.retime import JUMP, KEYS, Gives
from leapwright.cli.shots import option, switch
from leapwright.errors import InputError

__all__ = ["resize"]

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
            JUMP,
            "Where a moment is now: crouch, take-off and land at least. Default: as remembered, "
            "else where the COG turns and the soles leave and land. Repeatable.",
        ),
    ] = None,
    jump: Annotated[
        int | None,
        typer.Option(
            "--jump",
            metavar="N",
            rich_help_panel=JUMP,
            show_default=False,
            help="Which of several remembered jumps, from 1.",
        ),
    ] = None,
    pin: Annotated[
        list[str] | None,
        option("--pin", "MOMENT=FRAME", JUMP, "A moment that lands on a frame. Repeatable."),
    ] = None,
    before: Annotated[
        Gives,
        typer.Option(
            "--before",
            rich_help_panel=JUMP,
            help="Earlier keys shift with the jump, or stay while the anticipation gives.",
        ),
    ] = Gives.shift,
    after: Annotated[
        Gives,
        typer.Option(
            "--after",
            rich_help_panel=JUMP,
            help="Later keys shift with the jump, or stay while the recover gives.",
        ),
    ] = Gives.shift,
    twos: flags.Twos = False,
    shot_start: Annotated[
        str | None,
        option(
            "--shot-start",
            "FRAME",
            flags.FRAMES,
            "The shot's first frame; twos count from it. Default: the scene's start.",
        ),
    ] = None,
    subframes: Annotated[
        bool, switch("--subframes", KEYS, "Exactly as asked, keys between frames.")
    ] = False,
    exact_shape: Annotated[
        bool,
        switch("--exact-shape", KEYS, "Split curves where time bends, so that no shape changes."),
    ] = False,
    no_props: shots.NoProps = False,
    no_markers: Annotated[
        bool, switch("--no-markers", KEYS, "Leave our timeline markers where they are.")
    ] = False,
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
    ask = _ask(typed)
    target = shots.target_of(file, out, in_place=in_place, dry_run=dry_run)
    data, blender = shots.load_blender()
    shot = blender.open_shot(file)
    tables.warn(shot.warnings)
    try:
        result = shot.rig(rig).resize(**ask)
    except InputError as error:
        raise quoting(error, typed) from None
    if not dry_run:
        shot.save(target, in_place=in_place)
    shots.tell(result, None if as_json else tables.show_resized, data)
    shots.say_where(target, dry_run=dry_run)


def _ask(typed: Mapping[str, Any]) -> dict[str, Any]:
    """Keyword arguments of a rig's ``resize``; what was not typed is absent."""
    readers = {
        "jump_height": lengths.length,
        "times_height": lengths.number,
        "travel": lengths.length,
        "heading": lengths.number,
        "shot_start": lengths.count,
    }
    ask: dict[str, Any] = {
        name: read(typed[name], name) for name, read in readers.items() if typed[name] is not None
    }
    for name in ("rig_file", "root", "cog", "feet", "jump"):
        if typed[name]:
            ask[name] = typed[name]
    if typed["moment"]:
        ask["moments"] = lengths.moment_frames(typed["moment"], "moments")
    if typed["pin"]:
        ask["pins"] = lengths.moment_frames(typed["pin"], "pins")
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
