# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright check``: what is off in the jumps of a shot or of a recording."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Mapping
from dataclasses import replace
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, TextIO

import typer

from leapwright.checked import Checked, Meant, check_track
from leapwright.cli import lengths, shots, tables
from leapwright.cli import plan as flags
from leapwright.cli.check_table import show_checked
from leapwright.cli.progress import with_progress
from leapwright.cli.shots import option
from leapwright.errors import ClashError, FileError, InputError
from leapwright.recording import read_recording
from leapwright.style import Style
from leapwright.units import STANDARD_GRAVITY

__all__ = ["CogFrom", "FailOn", "check", "check_ask", "check_file", "failing", "meant_so"]

READING, JUDGING, OUTPUT = "How it is read", "How it is judged", "Output"
_RANK = {"note": 0, "warning": 1, "error": 2}


class CogFrom(StrEnum):
    """What the COG is measured with."""

    control = "control"
    segments = "segments"
    mesh = "mesh"


class FailOn(StrEnum):
    """The severity from which on the exit code is 1."""

    note = "note"
    warning = "warning"
    error = "error"


File = Annotated[
    Path,
    typer.Argument(metavar="FILE", show_default=False, help="A .blend file, or a .bvh recording."),
]
RigName = Annotated[
    str | None,
    option("--rig", "NAME", shots.RIG, "The rig's object; may be left out where there is one."),
]


def check(
    file: File,
    rig: RigName = None,
    rig_file: shots.RigFile = None,
    root: shots.Root = None,
    cog: shots.Cog = None,
    feet: shots.Feet = None,
    action: Annotated[
        str | None,
        option("--action", "NAME", READING, "Check this action, played alone. .blend only."),
    ] = None,
    scale: Annotated[
        str | None,
        option(
            "--scale",
            "METRES",
            READING,
            "Metres in one unit of a .bvh file. Default: guessed from the skeleton's height.",
        ),
    ] = None,
    cog_from: Annotated[
        CogFrom | None,
        typer.Option(
            "--cog-from",
            rich_help_panel=READING,
            show_default=False,
            help="What the COG is measured with. Default: as it was blocked; else segments for "
            "people, mesh, control.",
        ),
    ] = None,
    ground: Annotated[
        str | None,
        option(
            "--ground",
            "OBJECT",
            READING,
            "The object that is the floor. Default: where the soles rest. .blend only.",
        ),
    ] = None,
    gravity: Annotated[
        str | None,
        option(
            "--gravity",
            "G",
            JUDGING,
            "What is true: m/s², a body like moon, or scene. Default: as it was blocked, else "
            "9.80665.",
        ),
    ] = None,
    style: Annotated[
        str | None,
        option(
            "--style",
            "fall=N,push=N,hang=N",
            JUDGING,
            "The show's style: gravity of the fall over the rise's, time of the push over the "
            "true one's, frames that the top hangs. Default: as it was blocked.",
        ),
    ] = None,
    twos: Annotated[
        bool,
        shots.switch("--twos", JUDGING, "Judge counts to two frames, not to one."),
    ] = False,
    intended: Annotated[
        list[str] | None,
        option(
            "--intended",
            "FINDING=REASON",
            JUDGING,
            "A finding that is meant: it becomes a note. FINDING@2 is the second jump's alone. "
            "Repeatable.",
        ),
    ] = None,
    limit: Annotated[
        list[str] | None,
        option(
            "--limit",
            "NAME=NUMBER",
            JUDGING,
            "Another threshold for a finding. Repeatable.",
        ),
    ] = None,
    fail_on: Annotated[
        FailOn,
        typer.Option(
            "--fail-on",
            rich_help_panel=OUTPUT,
            help="End with 1 from this severity on.",
        ),
    ] = FailOn.warning,
    plot: Annotated[
        Path | None,
        option("--plot", "OUT", OUTPUT, "Draw the height over frames: an .svg or .png file."),
    ] = None,
    as_json: flags.Json = False,
) -> None:
    """Find the jumps in an animation and say what is off in them.

    Take-off is where the arc of the air begins, if the feet leave then within its uncertainty;
    else the last frame with a foot on the floor. Other definitions are said below each jump.
    """
    typed = dict(locals())
    _drawable(plot)
    data, told = check_file(file, typed)
    if plot is not None:
        from leapwright.report.height_plot import save_height_plot

        save_height_plot(told.to_json(track=True), plot)
    if as_json:
        print(json.dumps(told.to_json(), indent=2), file=data)
    else:
        show_checked(told, out=data)
    data.flush()
    tables.warn(told.warnings)
    if plot is not None:
        print(f"Wrote {plot}", file=sys.stderr)
    if failing(told, fail_on):
        raise typer.Exit(1)


def check_file(file: Path, typed: Mapping[str, Any]) -> tuple[TextIO, Checked]:
    """Check what is in a .blend or .bvh file; gives the stream for data, too.

    Parameters
    ----------
    file : Path
    typed : mapping of str to object
        Flags by argument name, as of `check`.

    Raises
    ------
    FileError
        It is not there, or no such file.
    """
    if not file.exists():
        raise FileError(f"{file}: there is no such file")
    if file.is_dir():
        raise FileError(f"{file}: this is a folder, not a file to check")
    if file.suffix.lower() == ".bvh":
        return sys.stdout, _recording(file, typed)
    return _shot(file, typed)


def failing(told: Checked, fail_on: FailOn) -> bool:
    """Whether something is as grave as that; what is intended never is.

    Parameters
    ----------
    told : Checked
    fail_on : FailOn
    """
    least = _RANK[fail_on.value]
    return any(_RANK[f.severity] >= least for f in told.findings if f.intended is None)


def meant_so(texts: Iterable[str]) -> dict[str, str]:
    """Read texts like ``falls_faster=style of the show``.

    Parameters
    ----------
    texts : iterable of str
    """
    meant = {}
    for text in texts:
        finding, equals, reason = text.partition("=")
        if not equals or not reason.strip():
            raise InputError(f"intended must be FINDING=REASON, got {text!r}", "intended")
        meant[finding.strip()] = reason.strip()
    return meant


def _style(text: str) -> Style:
    """Read a text like ``fall=1.4,hang=4``."""
    values = {}
    for part in text.split(","):
        name, equals, number = (piece.strip() for piece in part.partition("="))
        if not equals or name not in ("fall", "push", "hang"):
            raise InputError(f"style must be like fall=1.4,push=1,hang=4, got {text!r}", "style")
        values[name] = lengths.number(number, "style")
    return Style(**values)


def _limits(texts: Iterable[str]) -> dict[str, float]:
    limits = {}
    for text in texts:
        name, equals, number = (piece.strip() for piece in text.partition("="))
        if not equals:
            raise InputError(f"limit must be NAME=NUMBER, got {text!r}", "limit")
        limits[name] = lengths.number(number, "limit")
    return limits


def _drawable(plot: Path | None) -> None:
    if plot is None:
        return
    if plot.suffix.lower() not in (".svg", ".png"):
        raise InputError(f"plot must be an .svg or .png file, got {str(plot)!r}", "plot")
    if not plot.absolute().parent.is_dir():
        raise FileError(f"{plot}: there is no folder {plot.parent}")


def _recording(file: Path, typed: Mapping[str, Any]) -> Checked:
    for name in ("rig_file", "root", "cog", "feet", "action", "ground"):
        if typed[name]:
            raise ClashError(f"{name} is for .blend files; {file.name} is a recording", (name,))
    if typed["gravity"] == "scene":
        raise InputError("gravity must not be scene: a recording has none", "gravity")
    try:
        text = file.read_text(encoding="utf-8", errors="replace")
    except OSError as error:
        raise FileError(f"cannot read {file}: {error.strerror}") from error
    scale = typed["scale"]
    try:
        clip = read_recording(
            text,
            scale=None if scale is None else lengths.number(scale, "scale"),
            cog_from=typed["cog_from"] and typed["cog_from"].value,
        )
    except InputError as error:
        if error.argument == "text":
            raise FileError(f"{file}: {error.message.removeprefix('text ')}") from None
        raise
    if typed["rig"] not in (None, clip.name):
        raise InputError(f"rig must be {clip.name!r} in {file.name}, got {typed['rig']!r}", "rig")
    gravity = typed["gravity"]
    return check_track(
        clip.track,
        file=str(file),
        rig=clip.name,
        cog_from=clip.cog_from,
        meant=Meant(
            gravity=STANDARD_GRAVITY if gravity is None else lengths.gravity(gravity),
            style=Style() if typed["style"] is None else _style(typed["style"]),
            intended=meant_so(typed["intended"] or ()),
            twos=typed["twos"],
        ),
        limits=_limits(typed["limit"] or ()),
        warnings=clip.warnings,
    )


def _shot(file: Path, typed: Mapping[str, Any]) -> tuple[TextIO, Checked]:
    if typed["scale"] is not None:
        raise InputError("scale is for .bvh files: a .blend file has units of its own", "scale")
    ask = check_ask(typed)
    data, blender = shots.load_blender()
    shot = blender.open_shot(file, runner=with_progress)
    told = shot.the_rig(typed["rig"]).check(**ask)
    return data, replace(told, file=str(file), warnings=(*shot.warnings, *told.warnings))


def check_ask(typed: Mapping[str, Any]) -> dict[str, Any]:
    """Keyword arguments of a rig's ``check``; what was not typed is absent.

    Parameters
    ----------
    typed : mapping of str to object
        Flags by argument name, texts as they were typed.
    """
    ask: dict[str, Any] = {
        name: typed[name]
        for name in ("rig_file", "root", "cog", "feet", "action", "ground")
        if typed[name]
    }
    if typed["cog_from"] is not None:
        ask["cog_from"] = typed["cog_from"].value
    if typed["gravity"] is not None:
        ask["gravity"] = lengths.gravity(typed["gravity"])
    if typed["style"] is not None:
        ask["style"] = _style(typed["style"])
    if typed["twos"]:
        ask["twos"] = True
    ask["intended"] = meant_so(typed["intended"] or ())
    ask["limits"] = _limits(typed["limit"] or ())
    return ask
