# SPDX-License-Identifier: GPL-3.0-or-later
"""A check as a person reads it: each jump's moments and measures, then what is off in it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TextIO

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from leapwright.checked import Checked
from leapwright.cli.tables import console_on, simple_table
from leapwright.findings import FIX_WORDS, Finding
from leapwright.found import FoundJump

__all__ = ["show_checked"]

_MARKS = {"error": "!!", "warning": "!", "note": "-"}
_STYLES = {"error": "bold red", "warning": "yellow", "note": ""}
_MOMENTS = (
    ("crouch", "push", "push", "up"),
    ("takeoff", "rise", "jump", "up"),
    ("apex", "fall", "fall", "down"),
    ("land", "absorb", "absorb", "down"),
    ("low", "", "", ""),
)
_SURE = 0.05
"""Frames of uncertainty that are worth a word."""


def show_checked(told: Checked, *, out: TextIO) -> None:
    """Print a check.

    Parameters
    ----------
    told : Checked
    out : file
    """
    console = console_on(out)
    console.print(Text(_head(told), style="bold"), soft_wrap=True)
    if not told.jumps:
        reason = told.reason or "no jump"
        console.print(Text(f"{reason[0].upper()}{reason[1:]}."), soft_wrap=True)
        return
    for jump in told.jumps:
        console.print()
        _print_jump(console, jump, told.of(jump.number))
    console.print()
    console.print(Text(_sum(told.findings), style="bold"), soft_wrap=True)


def _head(told: Checked) -> str:
    count = len(told.jumps)
    jumps = "1 jump" if count == 1 else f"{count or 'no'} jumps"
    rate = f"{float(told.frame_rate):.5g} fps"
    source = {
        "control": "COG at its control",
        "segments": "COG from a person's segments",
        "mesh": "COG from the mesh",
    }.get(told.cog_from, "")
    parts = [f"{told.rig} in {Path(told.file).name}", jumps, rate, source]
    return ", ".join(part for part in parts if part)


def _print_jump(console: Console, jump: FoundJump, findings: Sequence[Finding]) -> None:
    console.print(Text(_sentence(jump), style="bold"))
    console.print(_moment_table(jump))
    for line in _lines(jump):
        console.print(Text(line))
    if findings:
        console.print(Padding(_finding_table(findings), (1, 0, 0, 0)))


def _sentence(jump: FoundJump) -> str:
    h, name = jump.heights, f"Jump {jump.number}"
    if jump.in_place:
        return f"{name}: in place, {_length(h.jump)} of its own."
    text = f"{name}: {_length(h.jump)} high"
    if jump.magnification is not None:
        text += f", {jump.magnification:.2f} times its push of {_length(h.push)}"
    if jump.travel > 0.05 * jump.size:
        text += f", travels {_length(jump.travel)}"
    return text + "."


def _moment_table(jump: FoundJump) -> Table:
    table = simple_table(
        "Moment", "Frame", "±", "Phase from there", "Frames", "Height", numbers=(1, 2, 4, 5)
    )
    if jump.frames.crouch_hold > _SURE:
        hold = jump.moments.crouch - jump.frames.crouch_hold
        frames = _frame(jump.frames.crouch_hold)
        table.add_row("", _frame(hold), "", "crouch hold", frames, "")
    for moment, phase, height, way in _MOMENTS:
        frame = getattr(jump.moments, moment)
        sure = getattr(jump.uncertainty, moment)
        row = [moment.replace("takeoff", "take-off"), _frame(frame)]
        row.append("" if sure < _SURE else f"{sure:.1f}")
        if phase:
            far = getattr(jump.heights, height)
            row += [phase, _frame(getattr(jump.frames, phase)), f"{_length(far)} {way}"]
        table.add_row(*row)
    return table


def _lines(jump: FoundJump) -> Iterator[str]:
    g = jump.gravity
    text = f"Gravity in the air {g.air:.2f} m/s²"
    if abs(g.rise - g.fall) > 0.1 * abs(g.air):
        text += f" (rise {g.rise:.2f}, fall {g.fall:.2f})"
    off = jump.off_arc
    if off.largest > 0.002 * jump.size:
        text += f"; at most {_length(off.largest)} off its arc, on frame {_frame(off.at_frame)}"
    yield text + "."
    timing, push, absorb = jump.timing_magnification, jump.push_force, jump.absorb_force
    parts = []
    if timing is not None and not jump.in_place:
        parts.append(f"rise over push {timing:.2f} in time")
    if push is not None and not jump.in_place:
        parts.append(f"the push takes {push:.1f} body weights")
    if absorb is not None and not jump.in_place:
        parts.append(f"the absorb {absorb:.1f}")
    if parts:
        said = ", ".join(parts)
        yield f"{said[0].upper()}{said[1:]}."
    yield _definitions(jump)


def _definitions(jump: FoundJump) -> str:
    spread = jump.takeoffs
    used = "the arc begins there" if jump.takeoff_by == "arc" else "a foot's last contact"
    others = [
        f"{name} {_frame(frame)}"
        for name, frame in (
            ("last contact", spread.contact),
            ("fastest rise", spread.fastest),
            ("start of the arc", spread.arc),
        )
        if frame is not None
    ]
    frame = _frame(jump.moments.takeoff)
    return f"Take-off {frame}: {used}. By definition: {', '.join(others)}."


def _finding_table(findings: Sequence[Finding]) -> Table:
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for finding in findings:
        severity = finding.severity if finding.intended is None else "intended"
        style = _STYLES.get(severity, "dim")
        body = Text(finding.text)
        body.append(f"\n{_about(finding)}", style="dim")
        table.add_row(
            Text(_MARKS.get(severity, "="), style=style), Text(severity, style=style), body
        )
    return table


def _about(finding: Finding) -> str:
    first, last = (_frame(frame) for frame in finding.frames)
    frames = f"frame {first}" if first == last else f"frames {first} to {last}"
    parts = [finding.id, frames]
    if finding.intended is not None:
        parts.append(f"meant: {finding.intended}")
    elif finding.fix is not None:
        parts.append(f"fix: {FIX_WORDS[finding.fix]}")
    return "; ".join(parts)


def _sum(findings: Sequence[Finding]) -> str:
    counts = Counter(f.severity if f.intended is None else "intended" for f in findings)
    words = {"error": "errors", "warning": "warnings", "note": "notes", "intended": "intended"}
    said = [
        f"{counts[kind]} {kind if counts[kind] == 1 else many}"
        for kind, many in words.items()
        if counts[kind]
    ]
    return f"{', '.join(said)}." if said else "Nothing is off."


def _frame(frame: float) -> str:
    """A frame or a count to the tenth: what is between frames is no surer."""
    return f"{frame:.1f}".removesuffix(".0")


def _length(metres: float) -> str:
    return f"{100 * metres:.1f} cm" if abs(metres) < 1 else f"{metres:.2f} m"
