# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright retime``: a jump's time changed, its magnification kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from leapwright.cli import change, lengths, shots, tables
from leapwright.cli import plan as flags
from leapwright.cli.shots import option, switch
from leapwright.errors import InputError

__all__ = ["retime", "retime_ask"]

TIME = "What changes"
COUNTS = ("rise_frames", "air_frames", "push_frames", "fall_frames", "hang_frames", "absorb_frames")


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
            change.JUMP,
            "Where a moment is now. Default: as remembered, else found as by check. Repeatable.",
        ),
    ] = None,
    jump: change.JumpNumber = None,
    pin: change.Pin = None,
    phases: Annotated[
        str | None,
        option(
            "--phases",
            "PHASE,PHASE",
            change.JUMP,
            "What changes: anticipation, push, air, absorb, recover. Default push,air,absorb.",
        ),
    ] = None,
    before: change.Before = change.Gives.shift,
    after: change.After = change.Gives.shift,
    twos: flags.Twos = False,
    shot_start: shots.ShotStart = None,
    subframes: change.Subframes = False,
    exact_shape: change.ExactShape = False,
    selected: Annotated[
        bool,
        switch("--selected", change.KEYS, "Only the selected controls, not the whole character."),
    ] = False,
    no_props: shots.NoProps = False,
    no_markers: change.NoMarkers = False,
    out: shots.Out = None,
    in_place: shots.InPlace = False,
    dry_run: shots.DryRun = False,
    as_json: flags.Json = False,
) -> None:
    """Retime a jump: push and air change together, on whole frames, poses unchanged.

    The crouch keeps its frame and later keys shift, unless told otherwise.
    """
    typed = dict(locals())
    shots.do(typed, "retime", retime_ask(typed), tables.show_retimed)


def retime_ask(typed: Mapping[str, Any]) -> dict[str, Any]:
    """Keyword arguments of a rig's ``retime``; what was not typed is absent.

    Parameters
    ----------
    typed : mapping of str to object
        Flags by argument name, texts as they were typed.
    """
    ask = change.asked(typed)
    for name in COUNTS:
        if typed[name] is not None:
            ask[name] = lengths.count(typed[name], name)
    if typed["snappiness"] is not None:
        ask["snappiness"] = lengths.number(typed["snappiness"], "snappiness")
    if typed["phases"] is not None:
        ask["phases"] = [part.strip() for part in typed["phases"].split(",")]
    if typed["gravity"] is not None and not typed["to_gravity"]:
        raise InputError("gravity says what is true for --to-gravity: give that too", "gravity")
    if typed["to_gravity"]:
        given = typed["gravity"]
        ask["to_gravity"] = True if given is None else lengths.gravity(given)
    if typed["selected"]:
        ask["selected"] = True
    return ask
