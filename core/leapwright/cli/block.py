# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright block``: write a planned jump onto a rig in a .blend file."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Annotated, Any, TextIO

import typer

from leapwright.cli import lengths, shots, tables
from leapwright.cli import plan as flags
from leapwright.cli.plan import LengthUnit, ask_of
from leapwright.cli.shots import option, switch
from leapwright.offsets import foot_offsets
from leapwright.units import frame_rate_of

__all__ = ["block", "block_ask"]

POSES = "Poses and keys"


class Air(StrEnum):
    """What carries the feet in the air."""

    root = "root"
    feet = "feet"


class Key(StrEnum):
    """What is keyed at every moment."""

    touched = "touched"
    selected = "selected"
    all = "all"


class After(StrEnum):
    """What becomes of later keys."""

    keep = "keep"
    shift = "shift"


class CogFrom(StrEnum):
    """What the COG is measured with."""

    control = "control"
    segments = "segments"
    mesh = "mesh"


def block(
    file: shots.Shot,
    rig: shots.RigName,
    rig_file: shots.RigFile = None,
    root: shots.Root = None,
    cog: shots.Cog = None,
    feet: shots.Feet = None,
    no_props: shots.NoProps = False,
    pose: Annotated[
        list[str] | None,
        option("--pose", "MOMENT=FRAME", POSES, "The frame a moment is posed on now. Repeatable."),
    ] = None,
    stepped: Annotated[bool, switch("--stepped", POSES, "Stepped keys, no splines.")] = False,
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
        bool, switch("--replace", POSES, "Replace other keys that stand in the jump's span.")
    ] = False,
    key: Annotated[
        Key | None,
        typer.Option(
            "--key",
            rich_help_panel=POSES,
            show_default=False,
            help="Key at every moment, so that each is a whole pose: every keyed channel, the "
            "selected controls, or all controls.",
        ),
    ] = None,
    foot: Annotated[
        list[str] | None,
        option(
            "--foot",
            "NAME=release-4,plant+0",
            POSES,
            "A foot that leaves before take-off, or plants after land: frames from there. "
            "Patterns like front* are allowed. Repeatable.",
        ),
    ] = None,
    chain: Annotated[
        bool, switch("--chain", POSES, "Begin in the low of the jump that the rig remembers.")
    ] = False,
    again: Annotated[
        bool,
        switch(
            "--again", POSES, "Block the remembered jump once more, with what is typed changed."
        ),
    ] = False,
    within: Annotated[
        str | None,
        option(
            "--within",
            "LENGTH",
            POSES,
            "How far soles of FK legs may be off their places between keys, and a measured COG "
            "off its arc. Default 5 mm.",
        ),
    ] = None,
    cog_from: Annotated[
        CogFrom | None,
        typer.Option(
            "--cog-from",
            rich_help_panel=POSES,
            show_default=False,
            help="Measure the COG, and put it on the arc, by its control, a person's segments or "
            "the mesh. Default control.",
        ),
    ] = None,
    no_markers: Annotated[
        bool, switch("--no-markers", POSES, "No timeline markers for the moments.")
    ] = False,
    jump_height: flags.JumpHeight = None,
    rise_frames: flags.RiseFrames = None,
    air_frames: flags.AirFrames = None,
    takeoff_speed: flags.TakeoffSpeed = None,
    push_height: flags.PushHeight = None,
    push_frames: flags.PushFrames = None,
    magnification: flags.Magnification = None,
    landing_level: flags.LandingLevel = None,
    ground: Annotated[
        str | None,
        option("--ground", "OBJECT", flags.LANDING, "Land on top of this object, foot by foot."),
    ] = None,
    travel: flags.Travel = None,
    foot_travel: flags.FootTravel = None,
    heading: flags.Heading = None,
    running: Annotated[
        str | None,
        option(
            "--running",
            "SPEED",
            flags.LANDING,
            "The character comes running at this speed; `measured` takes that of the keys before.",
        ),
    ] = None,
    carry_on: flags.CarryOn = None,
    absorb_height: flags.AbsorbHeight = None,
    absorb_frames: flags.AbsorbFrames = None,
    anticipation_frames: flags.AnticipationFrames = None,
    recover_frames: flags.RecoverFrames = None,
    crouch_hold_frames: flags.CrouchHoldFrames = None,
    fps: Annotated[
        str | None,
        option("--fps", "RATE", flags.FRAMES, "Refuse unless the scene has this frame rate."),
    ] = None,
    gravity: Annotated[
        str | None,
        option(
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
    shot_start: shots.ShotStart = None,
    subframes: flags.Subframes = False,
    pin: flags.Pin = None,
    out: shots.Out = None,
    in_place: shots.InPlace = False,
    dry_run: shots.DryRun = False,
    unit: flags.Unit = LengthUnit.m,
    as_json: flags.Json = False,
) -> None:
    """Block a jump onto a rig: poses go to the frames of the plan, the COG onto its path.

    Say what is known as for plan. Push, landing level and travel are read from the poses.
    """
    typed = dict(locals())

    def show(result: Any, *, out: TextIO) -> None:
        tables.show_plan(result.jump, unit=unit.value, out=out)
        tables.show_keys(result, out=out)

    shots.do(typed, "block_again" if again else "block", block_ask(typed), show)


def block_ask(typed: Mapping[str, Any]) -> dict[str, Any]:
    """Keyword arguments of a rig's ``block``; what was not typed is absent.

    Parameters
    ----------
    typed : mapping of str to object
        Flags by argument name, texts as they were typed.
    """
    measured = typed["running"] == "measured"
    left_out = ("fps", "running") if measured else ("fps",)
    ask = ask_of({name: value for name, value in typed.items() if name not in left_out})
    if measured:
        ask["running"] = "measured"
    for name in ("rig_file", "root", "cog", "feet", "ground"):
        if typed[name]:
            ask[name] = typed[name]
    if typed["pose"]:
        ask["poses"] = lengths.moment_frames(typed["pose"], "poses")
    if typed["foot"]:
        ask["foot"] = foot_offsets(typed["foot"])
    if typed["within"] is not None:
        ask["within"] = lengths.length(typed["within"], "within")
    for name in ("air", "key", "cog_from"):
        if typed[name] is not None:
            ask[name] = typed[name].value
    if typed["after"] is not After.keep:
        ask["after"] = typed["after"].value
    for name in ("twos", "subframes"):
        if not ask[name]:
            del ask[name]
    # Switches that are off are left out, so that --again keeps what was asked before.
    for name in ("stepped", "replace", "dry_run", "chain"):
        if typed[name]:
            ask[name] = True
    for flag, name in (("no_markers", "markers"), ("no_props", "props")):
        if typed[flag]:
            ask[name] = False
    if typed["fps"] is not None:
        frame_rate_of(typed["fps"])
    return ask
