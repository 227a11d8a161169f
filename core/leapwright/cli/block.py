# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright block``: write a planned jump onto a rig in a .blend file."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping
from enum import StrEnum
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TextIO

import typer

from leapwright.bpy_missing import explain
from leapwright.cli import lengths, tables
from leapwright.cli import plan as flags
from leapwright.cli.plan import LengthUnit, ask_of, quoting
from leapwright.errors import ClashError, FileError, HostError, InputError, KeysInTheWayError
from leapwright.units import frame_rate_of

if TYPE_CHECKING:
    from types import ModuleType

__all__ = ["block"]

RIG, POSES, WRITING = "The rig", "Poses and keys", "Files"
MOST_LINES = 20
"""Lines of a list of keys in the way; more are counted."""


class Air(StrEnum):
    """What carries the feet in the air."""

    root = "root"
    feet = "feet"


class After(StrEnum):
    """What becomes of later keys."""

    keep = "keep"
    shift = "shift"


def _option(flag: str, metavar: str, panel: str, words: str) -> Any:
    return typer.Option(
        flag, metavar=metavar, rich_help_panel=panel, help=words, show_default=False
    )


def _switch(flag: str, panel: str, words: str) -> Any:
    return typer.Option(flag, rich_help_panel=panel, help=words)


def block(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", show_default=False, help="The .blend file.")
    ],
    rig: Annotated[
        str, _option("--rig", "NAME", RIG, "The rig's object: an armature, or any object.")
    ],
    rig_file: Annotated[
        Path | None,
        _option("--rig-file", "TOML", RIG, "A rig file that says what the controls are."),
    ] = None,
    root: Annotated[str | None, _option("--root", "CONTROL", RIG, "The root.")] = None,
    cog: Annotated[str | None, _option("--cog", "CONTROL", RIG, "The COG control.")] = None,
    feet: Annotated[
        list[str] | None, _option("--feet", "CONTROL", RIG, "A foot control. Repeatable.")
    ] = None,
    pose: Annotated[
        list[str] | None,
        _option("--pose", "MOMENT=FRAME", POSES, "The frame a moment is posed on now. Repeatable."),
    ] = None,
    stepped: Annotated[bool, _switch("--stepped", POSES, "Stepped keys, no splines.")] = False,
    air: Annotated[
        Air | None,
        typer.Option(
            "--air",
            rich_help_panel=POSES,
            show_default=False,
            help="Move the root in the air, or COG control and feet. Default: as the rig is built.",
        ),
    ] = None,
    after: Annotated[
        After,
        typer.Option(
            "--after", rich_help_panel=POSES, help="Keep later keys where they are, or shift them."
        ),
    ] = After.keep,
    replace: Annotated[
        bool, _switch("--replace", POSES, "Replace other keys that stand in the jump's span.")
    ] = False,
    no_markers: Annotated[
        bool, _switch("--no-markers", POSES, "No timeline markers for the moments.")
    ] = False,
    jump_height: flags.JumpHeight = None,
    rise_frames: flags.RiseFrames = None,
    air_frames: flags.AirFrames = None,
    takeoff_speed: flags.TakeoffSpeed = None,
    push_height: flags.PushHeight = None,
    push_frames: flags.PushFrames = None,
    magnification: flags.Magnification = None,
    landing_level: flags.LandingLevel = None,
    travel: flags.Travel = None,
    foot_travel: flags.FootTravel = None,
    heading: flags.Heading = None,
    running: flags.Running = None,
    carry_on: flags.CarryOn = None,
    absorb_height: flags.AbsorbHeight = None,
    absorb_frames: flags.AbsorbFrames = None,
    anticipation_frames: flags.AnticipationFrames = None,
    recover_frames: flags.RecoverFrames = None,
    crouch_hold_frames: flags.CrouchHoldFrames = None,
    fps: Annotated[
        str | None,
        _option("--fps", "RATE", flags.FRAMES, "Refuse unless the scene has this frame rate."),
    ] = None,
    gravity: Annotated[
        str | None,
        _option(
            "--gravity", "G", flags.FRAMES, "In m/s², a body like moon, or scene. Default 9.80665."
        ),
    ] = None,
    keep: Annotated[
        flags.Keep | None,
        typer.Option(
            "--keep",
            rich_help_panel=flags.FRAMES,
            show_default=False,
            help="What stays as asked when whole frames make something give. Default poses where "
            "crouch and take-off are posed, else gravity.",
        ),
    ] = None,
    twos: flags.Twos = False,
    shot_start: Annotated[
        str | None,
        _option(
            "--shot-start",
            "FRAME",
            flags.FRAMES,
            "The shot's first frame; twos count from it. Default: the scene's start.",
        ),
    ] = None,
    subframes: flags.Subframes = False,
    pin: flags.Pin = None,
    out: Annotated[Path | None, _option("-o", "OUT", WRITING, "The .blend file to write.")] = None,
    in_place: Annotated[
        bool, _switch("--in-place", WRITING, "Write FILE itself and keep a backup of it.")
    ] = False,
    dry_run: Annotated[
        bool, _switch("--dry-run", WRITING, "Show which keys would be written; write nothing.")
    ] = False,
    unit: flags.Unit = LengthUnit.m,
    as_json: flags.Json = False,
) -> None:
    """Block a jump onto a rig: poses go to the frames of the plan, the COG onto its path.

    Say what is known as for plan. Push, landing level and travel are read from the poses.
    """
    typed = dict(locals())
    ask = _block_ask(typed)
    target = _target(file, out, in_place=in_place, dry_run=dry_run)
    data, blender = _load_blender()
    shot = blender.open_shot(file)
    tables.warn(shot.warnings)
    _check_rate(fps, shot.frame_rate)
    try:
        result = shot.rig(rig).block(**ask)
    except KeysInTheWayError as error:
        raise KeysInTheWayError(_with_list(error), error.keys) from None
    except InputError as error:
        raise quoting(error, typed) from None
    if not dry_run:
        shot.save(target, in_place=in_place)
    if as_json:
        print(json.dumps(result.to_json(), indent=2), file=data)
    else:
        tables.show_plan(result.jump, unit=unit.value, out=data)
        tables.show_keys(result, out=data)
    data.flush()
    tables.warn(result.warnings)
    print("Nothing was written (dry run)." if dry_run else f"Wrote {target}", file=sys.stderr)


def _block_ask(typed: Mapping[str, Any]) -> dict[str, Any]:
    """Keyword arguments of a rig's ``block``; what was not typed is absent."""
    ask = ask_of({name: value for name, value in typed.items() if name != "fps"})
    for name in ("rig_file", "root", "cog", "feet"):
        if typed[name]:
            ask[name] = typed[name]
    if typed["pose"]:
        ask["poses"] = lengths.moment_frames(typed["pose"], "poses")
    if typed["air"] is not None:
        ask["air"] = typed["air"].value
    ask["after"] = typed["after"].value
    ask["markers"] = not typed["no_markers"]
    for name in ("stepped", "replace", "dry_run"):
        ask[name] = typed[name]
    if typed["fps"] is not None:
        frame_rate_of(typed["fps"])
    return ask


def _target(file: Path, out: Path | None, *, in_place: bool, dry_run: bool) -> Path:
    """The file to write, refused early where it cannot be meant or cannot be there."""
    if out is not None and in_place:
        raise ClashError(
            "-o and in_place each say which file to write: give one of them", ("in_place",)
        )
    if out is None and not in_place and not dry_run:
        raise InputError(
            "say where to write: -o OUT, in_place, or dry_run to write nothing", "in_place"
        )
    if not file.exists():
        raise FileError(f"{file}: there is no such file")
    if file.is_dir():
        raise FileError(f"{file}: this is a folder, not a .blend file")
    target = file if out is None else out
    if out is not None:
        if out.exists() and out.samefile(file):
            raise InputError(
                f"-o {out} is the file that is read: use in_place for that", "in_place"
            )
        if out.is_dir():
            raise FileError(f"{out}: this is a folder, not a file to write")
        if not out.absolute().parent.is_dir():
            raise FileError(f"{out}: there is no folder {out.parent}")
    return target


def _load_blender() -> tuple[TextIO, ModuleType]:
    """The stream for data, and the Blender layer. What bpy prints of itself is dropped from here
    on: what matters of it comes back as our errors and warnings."""
    from leapwright_blender.stdout import quiet_stdout

    data = quiet_stdout()
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.close(nowhere)
    try:
        import bpy  # noqa: F401
    except ImportError as error:
        # A line that tells what to install; the rest of the explanation stays below it.
        raise HostError(_one_line(explain(error))) from None
    import leapwright_blender

    return data, leapwright_blender


def _one_line(text: str) -> str:
    return " ".join(line.strip() for line in text.splitlines())


def _check_rate(fps: str | None, frame_rate: Fraction) -> None:
    """A rate that was typed must be the scene's; 23.976 is 24000/1001."""
    if fps is None:
        return
    asked, scene = float(frame_rate_of(fps)), float(frame_rate)
    if abs(asked - scene) > 1e-5 * scene:
        raise InputError(
            f"frame_rate must be the scene's, {scene:.6g} frames a second, got {fps!r}",
            "frame_rate",
        )


def _with_list(error: KeysInTheWayError) -> str:
    """The message, and below it which controls have keys in the way, on which frames."""
    frames: dict[str, set[float]] = {}
    for channel, frame in error.keys:
        frames.setdefault(tables.control_of(channel)[0], set()).add(frame)
    controls: dict[str, list[str]] = {}
    for control, those in frames.items():
        controls.setdefault(", ".join(f"{f:g}" for f in sorted(those)), []).append(control)
    lines = [f"  frames {those}: {', '.join(names)}" for those, names in controls.items()]
    more = len(lines) - MOST_LINES
    if more > 0:
        lines = [*lines[:MOST_LINES], f"  and others, {more} such lines more"]
    return "\n".join([f"{error.message} (--replace, or --after shift)", *lines])
