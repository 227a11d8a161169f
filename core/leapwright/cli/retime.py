# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright retime``: a jump's time changed, its magnification kept."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Annotated, Any

import typer

from leapwright.cli import lengths, shots, tables
from leapwright.cli import plan as flags
from leapwright.cli.plan import quoting
from leapwright.cli.shots import option, switch
from leapwright.errors import InputError

__all__ = ["retime"]

TIME, JUMP, KEYS = "What changes", "The jump", "Keys"
COUNTS = ("rise_frames", "air_frames", "push_frames", "fall_frames", "hang_frames", "absorb_frames")


class Gives(StrEnum):
    """What becomes of the rest of the shot."""

    shift = "shift"
    stretch = "stretch"


def _count(flag: str, words: str) -> Any:
    return option(flag, "FRAMES", TIME, words)


def retime(
    file: shots.Shot,
    rig: shots.RigName,
    rig_file: shots.RigFile = None,
    root: shots.Root = None,
    cog: shots.Cog = None,
    feet: shots.Feet = None,
    snappiness: Annotated[
        str | None, option("--snappiness", "NUMBER", TIME, "Divide times by this; 1.5 is snappier.")
    ] = None,
    rise_frames: Annotated[str | None, _count("--rise-frames", "Frames of the rise.")] = None,
    air_frames: Annotated[str | None, _count("--air-frames", "Frames of the air.")] = None,
    push_frames: Annotated[str | None, _count("--push-frames", "Frames of the push.")] = None,
    fall_frames: Annotated[
        str | None, _count("--fall-frames", "Frames of the fall, apart from the rise: a style.")
    ] = None,
    absorb_frames: Annotated[
        str | None, _count("--absorb-frames", "Frames from land to low.")
    ] = None,
    hang_frames: Annotated[
        str | None, _count("--hang-frames", "Frames that the top hangs longer: a style.")
    ] = None,
    to_gravity: Annotated[
        bool, switch("--to-gravity", TIME, "Give the air true gravity (see --gravity).")
    ] = False,
    gravity: Annotated[
        str | None,
        option(
            "--gravity",
            "G",
            TIME,
            "What is true: m/s², a body like moon, or scene. Default 9.80665.",
        ),
    ] = None,
    moment: Annotated[
        list[str] | None,
        option(
            "--moment",
            "MOMENT=FRAME",
            JUMP,
            "Where a moment is now. Default: as remembered, else where the COG turns and the soles "
            "leave and land. Repeatable.",
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
    phases: Annotated[
        str | None,
        option(
            "--phases",
            "PHASE,PHASE",
            JUMP,
            "What changes: anticipation, push, air, absorb, recover. Default push,air,absorb.",
        ),
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
    selected: Annotated[
        bool, switch("--selected", KEYS, "Only the selected controls, not the whole character.")
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
    """Retime a jump: push and air change together, on whole frames, poses unchanged.

    The crouch keeps its frame and later keys shift, unless told otherwise.
    """
    typed = dict(locals())
    ask = _ask(typed)
    target = shots.target_of(file, out, in_place=in_place, dry_run=dry_run)
    data, blender = shots.load_blender()
    shot = blender.open_shot(file)
    tables.warn(shot.warnings)
    try:
        result = shot.rig(rig).retime(**ask)
    except InputError as error:
        raise quoting(error, typed) from None
    if not dry_run:
        shot.save(target, in_place=in_place)
    shots.tell(result, None if as_json else tables.show_retimed, data)
    shots.say_where(target, dry_run=dry_run)


def _ask(typed: Mapping[str, Any]) -> dict[str, Any]:
    """Keyword arguments of a rig's ``retime``; what was not typed is absent."""
    ask: dict[str, Any] = {
        name: lengths.count(typed[name], name) for name in COUNTS if typed[name] is not None
    }
    if typed["snappiness"] is not None:
        ask["snappiness"] = lengths.number(typed["snappiness"], "snappiness")
    for name in ("rig_file", "root", "cog", "feet", "jump"):
        if typed[name]:
            ask[name] = typed[name]
    if typed["moment"]:
        ask["moments"] = lengths.moment_frames(typed["moment"], "moments")
    if typed["pin"]:
        ask["pins"] = lengths.moment_frames(typed["pin"], "pins")
    if typed["phases"] is not None:
        ask["phases"] = [part.strip() for part in typed["phases"].split(",")]
    if typed["shot_start"] is not None:
        ask["shot_start"] = lengths.count(typed["shot_start"], "shot_start")
    if typed["gravity"] is not None and not typed["to_gravity"]:
        raise InputError("gravity says what is true for --to-gravity: give that too", "gravity")
    if typed["to_gravity"]:
        given = typed["gravity"]
        ask["to_gravity"] = True if given is None else lengths.gravity(given)
    for name in ("before", "after"):
        if typed[name] is not Gives.shift:
            ask[name] = typed[name].value
    for name in ("twos", "subframes", "exact_shape", "selected", "dry_run"):
        if typed[name]:
            ask[name] = True
    for flag, name in (("no_props", "props"), ("no_markers", "markers")):
        if typed[flag]:
            ask[name] = False
    return ask
