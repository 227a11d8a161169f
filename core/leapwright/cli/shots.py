# SPDX-License-Identifier: GPL-3.0-or-later
"""What all verbs that work on a shot share: their options, the file to write, the host."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Mapping
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TextIO

import typer

from leapwright.bpy_missing import explain
from leapwright.cli import plan as flags
from leapwright.cli import tables
from leapwright.cli.progress import with_progress
from leapwright.errors import ClashError, FileError, HostError, InputError, KeysInTheWayError
from leapwright.units import frame_rate_of

if TYPE_CHECKING:
    from types import ModuleType

__all__ = [
    "RIG", "WRITING", "Cog", "DryRun", "Feet", "InPlace", "NoProps", "Out", "RigFile", "RigName",
    "Root", "Shot", "ShotStart", "do", "flush", "load_blender", "option", "switch",
]  # fmt: skip

RIG, WRITING = "The rig", "Files"
MOST_LINES = 20
"""Lines of a list of keys in the way; more are counted."""


def option(flag: str, metavar: str, panel: str, words: str) -> Any:
    """An option that takes a value."""
    return typer.Option(
        flag, metavar=metavar, rich_help_panel=panel, help=words, show_default=False
    )


def switch(flag: str, panel: str, words: str) -> Any:
    """An option that is there or not."""
    return typer.Option(flag, rich_help_panel=panel, help=words)


Shot = Annotated[Path, typer.Argument(metavar="FILE", show_default=False, help="The .blend file.")]
RigName = Annotated[
    str, option("--rig", "NAME", RIG, "The rig's object: an armature, or any object.")
]
RigFile = Annotated[
    Path | None, option("--rig-file", "TOML", RIG, "A rig file that says what the controls are.")
]
Root = Annotated[str | None, option("--root", "CONTROL", RIG, "The root.")]
Cog = Annotated[str | None, option("--cog", "CONTROL", RIG, "The COG control.")]
Feet = Annotated[list[str] | None, option("--feet", "CONTROL", RIG, "A foot control. Repeatable.")]
ShotStart = Annotated[
    str | None,
    option(
        "--shot-start",
        "FRAME",
        flags.FRAMES,
        "The shot's first frame; twos count from it. Default: the scene's start.",
    ),
]
NoProps = Annotated[
    bool, switch("--no-props", RIG, "Leave the keys of props (satchel, ball) where they are.")
]
Out = Annotated[Path | None, option("-o", "OUT", WRITING, "The .blend file to write.")]
InPlace = Annotated[
    bool, switch("--in-place", WRITING, "Write FILE itself and keep a backup of it.")
]
DryRun = Annotated[
    bool, switch("--dry-run", WRITING, "Show which keys would be written; write nothing.")
]


def target_of(file: Path, out: Path | None, *, in_place: bool, dry_run: bool) -> Path:
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


_DATA: list[TextIO] = []
"""Streams for data, kept to the end of the process: closing one would once more write what a reader
that is gone did not take."""


def flush() -> None:
    """Write out what the verb has said."""
    for stream in (sys.stdout, *_DATA):
        stream.flush()


def load_blender() -> tuple[TextIO, ModuleType]:
    """The stream for data, and the Blender layer. What bpy prints of itself is dropped from here
    on: what matters of it comes back as our errors and warnings."""
    from leapwright_blender.stdout import quiet_stdout

    data = quiet_stdout()
    _DATA.append(data)
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


def do(
    typed: Mapping[str, Any],
    verb: str,
    ask: Mapping[str, Any],
    show: Callable[..., None],
    *,
    changed: Callable[[Any], bool] = lambda result: True,
) -> Any:
    """Do a verb on the rig of a shot: open, work, save, tell.

    Parameters
    ----------
    typed : mapping of str to object
        What was typed, by argument name.
    verb : str
        A method of a rig.
    ask : mapping
        Its arguments.
    show : callable
        Prints the result as tables.
    changed : callable
        Whether there is anything to write in place.

    Returns
    -------
    object
        The result.
    """
    dry_run, in_place = typed["dry_run"], typed["in_place"]
    target = target_of(typed["file"], typed["out"], in_place=in_place, dry_run=dry_run)
    data, blender = load_blender()
    shot = blender.open_shot(typed["file"], runner=with_progress)
    tables.warn(shot.warnings)
    if typed.get("fps") is not None:
        check_rate(typed["fps"], shot.frame_rate)
    try:
        result = getattr(shot.rig(typed["rig"]), verb)(**ask)
    except KeysInTheWayError as error:
        raise KeysInTheWayError(with_list(error), error.keys) from None
    except InputError as error:
        raise flags.quoting(error, typed) from None
    idle = in_place and not dry_run and not changed(result)
    if not dry_run and not idle:
        shot.save(target, in_place=in_place)
    tell(result, None if typed["as_json"] else show, data)
    if idle:
        tables.warn(["nothing was changed, so nothing was written"])
    else:
        say_where(target, dry_run=dry_run)
    return result


def tell(result: Any, show: Callable[..., None] | None, data: TextIO) -> None:
    """Print a result, as JSON where nothing is to `show` it, and its warnings."""
    if show is None:
        print(json.dumps(result.to_json(), indent=2), file=data)
    else:
        show(result, out=data)
    data.flush()
    tables.warn(result.warnings)


def say_where(target: Path, *, dry_run: bool) -> None:
    """Say which file was written, the last line of every verb."""
    print("Nothing was written (dry run)." if dry_run else f"Wrote {target}", file=sys.stderr)


def check_rate(fps: str, frame_rate: Fraction) -> None:
    """A rate that was typed must be the scene's; 23.976 is 24000/1001."""
    asked, scene = float(frame_rate_of(fps)), float(frame_rate)
    if abs(asked - scene) > 1e-5 * scene:
        raise InputError(
            f"frame_rate must be the scene's, {scene:.6g} frames a second, got {fps!r}",
            "frame_rate",
        )


def with_list(error: KeysInTheWayError) -> str:
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
