# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright plan``, and the flags that say what a jump is: ``block`` takes them too."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Mapping
from enum import StrEnum
from typing import Annotated, Any

import typer

import leapwright
from leapwright.answer import plan_answer
from leapwright.cli import lengths, tables
from leapwright.errors import InputError

__all__ = ["Keep", "LengthUnit", "ask_of", "plan"]

AIR, PUSH, LANDING = "How high: one of", "The push: one of", "Landing, travel and pauses"
FRAMES, OUTPUT = "Frames", "Output"


class Keep(StrEnum):
    """What stays as asked."""

    gravity = "gravity"
    poses = "poses"
    heights = "heights"


class LengthUnit(StrEnum):
    """Units of the tables."""

    m = "m"
    cm = "cm"
    mm = "mm"
    ft = "ft"
    inch = "in"
    yd = "yd"


def _option(flag: str, metavar: str, panel: str, words: str) -> Any:
    return typer.Option(
        flag, metavar=metavar, rich_help_panel=panel, help=words, show_default=False
    )


Text = str | None
JumpHeight = Annotated[
    Text,
    _option("--jump-height", "LENGTH", AIR, "COG rise from take-off to apex: 4ft, 1.2m, 1ft6in."),
]
RiseFrames = Annotated[
    Text, _option("--rise-frames", "FRAMES", AIR, "Frames from take-off to apex.")
]
AirFrames = Annotated[Text, _option("--air-frames", "FRAMES", AIR, "Frames from take-off to land.")]
TakeoffSpeed = Annotated[
    Text, _option("--takeoff-speed", "SPEED", AIR, "Upward speed at take-off: 4m/s.")
]
PushHeight = Annotated[
    Text, _option("--push-height", "LENGTH", PUSH, "COG rise from crouch to take-off.")
]
PushFrames = Annotated[
    Text, _option("--push-frames", "FRAMES", PUSH, "Frames from crouch to take-off.")
]
Magnification = Annotated[
    Text, _option("--magnification", "NUMBER", PUSH, "Jump height over push height.")
]
LandingLevel = Annotated[
    Text,
    _option(
        "--landing-level",
        "LENGTH",
        LANDING,
        "COG at land minus COG at take-off; below 0 is a drop.",
    ),
]
Travel = Annotated[
    Text, _option("--travel", "LENGTH", LANDING, "Horizontal way of the COG in the air.")
]
FootTravel = Annotated[
    Text, _option("--foot-travel", "LENGTH", LANDING, "From planted feet to planted feet.")
]
Heading = Annotated[
    Text, _option("--heading", "DEGREES", LANDING, "Direction from above: 0 is +X, 90 is +Y.")
]
Running = Annotated[
    Text, _option("--running", "SPEED", LANDING, "The character comes running at this speed.")
]
CarryOn = Annotated[
    bool | None,
    typer.Option(
        "--carry-on/--stop",
        rich_help_panel=LANDING,
        show_default=False,
        help="After landing keep the travel speed, or stop; who comes running carries on.",
    ),
]
AbsorbHeight = Annotated[
    Text, _option("--absorb-height", "LENGTH", LANDING, "COG drop from land to low.")
]
AbsorbFrames = Annotated[
    Text, _option("--absorb-frames", "FRAMES", LANDING, "Frames from land to low.")
]
AnticipationFrames = Annotated[
    Text,
    _option("--anticipation-frames", "FRAMES", LANDING, "Frames from start to crouch; 0: none."),
]
RecoverFrames = Annotated[
    Text, _option("--recover-frames", "FRAMES", LANDING, "Frames from low to end; 0: none.")
]
CrouchHoldFrames = Annotated[
    Text, _option("--crouch-hold-frames", "FRAMES", LANDING, "Frames the crouch is held.")
]
Fps = Annotated[
    Text, _option("--fps", "RATE", FRAMES, "Frames a second: 24, 23.976, 30000/1001. Default 24.")
]
Gravity = Annotated[
    Text,
    _option("--gravity", "G", FRAMES, "In m/s², or a body like moon or mars. Default 9.80665."),
]
KeepOption = Annotated[
    Keep | None,
    typer.Option(
        "--keep",
        rich_help_panel=FRAMES,
        show_default=False,
        help="What stays as asked when whole frames make something give. Default gravity.",
    ),
]
Twos = Annotated[bool, typer.Option("--twos", rich_help_panel=FRAMES, help="Every moment on twos.")]
ShotStart = Annotated[
    Text,
    _option(
        "--shot-start", "FRAME", FRAMES, "The shot's first frame; twos count from it. Default 1."
    ),
]
Subframes = Annotated[
    bool, typer.Option("--subframes", rich_help_panel=FRAMES, help="Answer in fractional frames.")
]
Pin = Annotated[
    list[str] | None,
    _option(
        "--pin",
        "MOMENT=FRAME",
        FRAMES,
        "Put a moment on a frame: start, crouch, takeoff, apex, land, low or end. Repeatable.",
    ),
]
Unit = Annotated[
    LengthUnit,
    typer.Option("--unit", rich_help_panel=OUTPUT, help="Unit of the lengths in the table."),
]
Json = Annotated[
    bool, typer.Option("--json", rich_help_panel=OUTPUT, help="Print JSON, in metres and seconds.")
]

READERS: Mapping[str, Callable[[str, str], Any]] = {
    "jump_height": lengths.length,
    "rise_frames": lengths.count,
    "air_frames": lengths.count,
    "takeoff_speed": lengths.speed,
    "push_height": lengths.length,
    "push_frames": lengths.count,
    "magnification": lengths.number,
    "landing_level": lengths.length,
    "travel": lengths.length,
    "foot_travel": lengths.length,
    "heading": lengths.number,
    "running": lengths.speed,
    "absorb_height": lengths.length,
    "absorb_frames": lengths.count,
    "anticipation_frames": lengths.count,
    "recover_frames": lengths.count,
    "crouch_hold_frames": lengths.count,
    "gravity": lengths.gravity,
    "shot_start": lengths.count,
}


def ask_of(typed: Mapping[str, Any]) -> dict[str, Any]:
    """The keyword arguments of `leapwright.plan` that the flags say; what was not typed is absent.

    Parameters
    ----------
    typed : mapping of str to object
        Flags by argument name, texts as they were typed.
    """
    given = {name: value for name, value in typed.items() if value is not None}
    ask = {name: READERS[name](given[name], name) for name in READERS if name in given}
    for name in ("carry_on", "twos", "subframes"):
        if name in given:
            ask[name] = given[name]
    if "fps" in given:
        ask["frame_rate"] = given["fps"]
    if "keep" in given:
        ask["keep"] = given["keep"].value
    if given.get("pin"):
        ask["pins"] = lengths.moment_frames(given["pin"], "pins")
    return ask


def quoting(error: InputError, typed: Mapping[str, Any]) -> InputError:
    """The error with the text as it was typed, where the message has a number made of it."""
    text = typed.get(error.argument)
    if isinstance(text, str) and not text.isdigit() and text not in error.message:
        error.message += f" (typed {text!r})"
    return error


def plan(
    jump_height: JumpHeight = None,
    rise_frames: RiseFrames = None,
    air_frames: AirFrames = None,
    takeoff_speed: TakeoffSpeed = None,
    push_height: PushHeight = None,
    push_frames: PushFrames = None,
    magnification: Magnification = None,
    landing_level: LandingLevel = None,
    travel: Travel = None,
    foot_travel: FootTravel = None,
    heading: Heading = None,
    running: Running = None,
    carry_on: CarryOn = None,
    absorb_height: AbsorbHeight = None,
    absorb_frames: AbsorbFrames = None,
    anticipation_frames: AnticipationFrames = None,
    recover_frames: RecoverFrames = None,
    crouch_hold_frames: CrouchHoldFrames = None,
    fps: Fps = None,
    gravity: Gravity = None,
    keep: KeepOption = None,
    twos: Twos = False,
    shot_start: ShotStart = None,
    subframes: Subframes = False,
    pin: Pin = None,
    unit: Unit = LengthUnit.m,
    as_json: Json = False,
) -> None:
    """Plan a jump: which frames it takes, asked and got side by side.

    Give one measure of the height and one of the push; everything else has a default.
    """
    typed = dict(locals())
    try:
        jump = leapwright.plan(**ask_of(typed))
    except InputError as error:
        raise quoting(error, typed) from None
    if as_json:
        print(json.dumps(plan_answer(jump), indent=2))
        return
    tables.show_plan(jump, unit=unit.value, out=sys.stdout)
    tables.warn(jump.warnings)
