# SPDX-License-Identifier: GPL-3.0-or-later
"""The program: its verbs, and how every ending is told.

Exit codes: 0 done; 1 a file or the host failed, or keys are in the way; 2 what was asked cannot be.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import sys
import traceback
from collections.abc import Sequence
from typing import Annotated

import typer

from leapwright import __version__
from leapwright.cli import shots
from leapwright.cli.batch import batch
from leapwright.cli.block import block
from leapwright.cli.chart import chart
from leapwright.cli.check import check
from leapwright.cli.cog import cog
from leapwright.cli.fix import fix
from leapwright.cli.plan import plan
from leapwright.cli.resize import resize
from leapwright.cli.retime import retime
from leapwright.cli.sheet import sheet
from leapwright.cli.spline import spline
from leapwright.errors import (
    FileError,
    HostError,
    InputError,
    KeysInTheWayError,
    LeapwrightError,
)

__all__ = ["app", "main", "run"]

FAILED = 1
USAGE = 2

# Both the bundled and the separate click of typer's releases derive its public error from it.
_TyperUsage: type[typer.BadParameter] = typer.BadParameter.__mro__[2]

app = typer.Typer(
    name="leapwright",
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Plans, blocks, retimes and resizes character jumps on whole frames.",
)
app.command()(plan)
app.command()(chart)
app.command()(block)
app.command()(spline)
app.command()(retime)
app.command()(resize)
app.command()(check)
app.command()(fix)
app.command()(cog)
app.command()(batch)
app.command()(sheet)


def _say_version(asked: bool) -> None:
    if asked:
        typer.echo(__version__)
        raise typer.Exit


@app.callback()
def _program(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_say_version, is_eager=True, help="Say which version."),
    ] = False,
) -> None:
    """Plans, blocks, retimes and resizes character jumps on whole frames."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the program and end it; the console script's entry.

    A process that loaded bpy ends here at once: bpy's own way out crashes or hangs.
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A console of an old code page shows ? for ² and goes on.
            stream.reconfigure(errors="replace")
    try:
        code = run(arguments)
    except Exception:
        if "bpy" not in sys.modules:
            raise
        traceback.print_exc()
        code = FAILED
    if "bpy" in sys.modules:
        with contextlib.suppress(OSError):
            shots.flush()
        with contextlib.suppress(OSError):
            sys.stderr.flush()
        os._exit(code)
    return code


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one verb and say on one line what is wrong, if something is.

    Parameters
    ----------
    arguments : sequence of str, optional
        What stands after ``leapwright``; default: the process's own.

    Returns
    -------
    int
        The exit code.
    """
    arguments = sys.argv[1:] if arguments is None else list(arguments)
    try:
        code = app(
            arguments or ["--help"],
            prog_name="leapwright",
            standalone_mode=False,
        )
        shots.flush()
    except LeapwrightError as error:
        _complain(_in_flags(error))
        return FAILED if _is_failure(error) else USAGE
    except _TyperUsage as error:
        message = error.format_message()
        _complain(message.replace("Value error, ", ""))
        return USAGE
    except typer.Abort:
        _complain("stopped")
        return FAILED
    except (BrokenPipeError, SystemExit):
        # Who reads our output has seen enough; what is left is not to be flushed at exit. Typer
        # and rich make a SystemExit of it, and that would let bpy wind down.
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        return FAILED
    if not arguments:
        return USAGE
    return code if isinstance(code, int) else 0


def _complain(message: str) -> None:
    print(f"leapwright: {message.strip()}", file=sys.stderr)


def _is_failure(error: LeapwrightError) -> bool:
    return isinstance(error, FileError | HostError | KeysInTheWayError)


_FLAGS = {
    "frame_rate": "--fps",
    "pins": "--pin",
    "poses": "--pose",
    "moments": "--moment",
    "thresholds": "--limit",
}
_NAMES = (
    "jump_height|rise_frames|air_frames|takeoff_speed|push_height|push_frames|landing_level|"
    "foot_travel|absorb_height|absorb_frames|anticipation_frames|recover_frames|"
    "crouch_hold_frames|frame_rate|shot_start|carry_on|rig_file|dry_run|start_height|"
    "end_height|absorb_limit|cog_ahead|cog_behind|fall_frames|hang_frames|to_gravity|exact_shape|"
    "times_height|cog_from|keep_on_arc"
)
_PLAIN_WORDS = (
    "travel", "heading", "running", "gravity", "keep", "magnification", "foot", "ground", "key",
    "within", "chain", "handle", "moments", "snappiness", "phases", "jump", "before", "after",
    "scale", "action", "intended", "style", "limit", "plot", "rig", "only", "in_place",
)  # fmt: skip
# Not inside a path, a quoted text or another name.
_BEFORE, _AFTER = r"(?<![\w/\\.'\"-])", r"(?![\w/\\'\"-])(?!\.\w)"
_UNDERSCORED = re.compile(f"{_BEFORE}({_NAMES}){_AFTER}")


def _in_flags(error: LeapwrightError) -> str:
    """The message with Python's argument names as the flags that were typed.

    Names that are also plain words, or those of findings, are flags only where the error is about
    them. The mistakes in a file of jobs are in the words of that file.
    """
    if getattr(error, "mistakes", ()):
        return str(error)
    message = _UNDERSCORED.sub(lambda found: _flag(found[1]), str(error))
    message = re.sub(r"`([a-z_]+)`", lambda found: _flag(found[1]), message)
    if not isinstance(error, InputError):
        return message
    for name in error.argument.split(", "):
        if name in _PLAIN_WORDS:
            message = re.sub(f"{_BEFORE}{name}{_AFTER}", _flag(name), message)
        elif name:
            # "pins clash" and the like read well as they are.
            message = re.sub(rf"^{re.escape(name)} must\b", f"{_flag(name)} must", message)
    return message


def _flag(name: str) -> str:
    return _FLAGS.get(name, "--" + name.replace("_", "-"))
