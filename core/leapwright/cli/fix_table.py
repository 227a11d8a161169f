# SPDX-License-Identifier: GPL-3.0-or-later
"""A fix as a person reads it: every jump before and after, the fixes, what became of the keys."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, TextIO

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from leapwright.checked import Checked
from leapwright.cli.tables import console_on, control_of, simple_table
from leapwright.findings import FINDINGS, FIX_WORDS
from leapwright.found import FoundJump

__all__ = ["show_fixed", "show_on_arc"]

_MOMENTS = ("crouch", "takeoff", "apex", "land", "low")
_GRAVE = ("warning", "error")


def show_fixed(result: Any, *, out: TextIO) -> None:
    """Print a fix.

    Parameters
    ----------
    result : leapwright_blender.fixed.Fixed
    out : file
    """
    console = console_on(out)
    console.print(Text(_head(result), style="bold"), soft_wrap=True)
    if not result.before.jumps:
        return
    after = {jump.number: jump for jump in result.after.jumps}
    for jump in result.before.jumps:
        console.print()
        console.print(_jump_table(jump, after.get(jump.number), result.before, result.after))
        lines = [one for one in result.done if one.jump == jump.number]
        if lines:
            console.print(Padding(_fix_table(lines), (1, 0, 0, 0)))
    if result.keys:
        console.print()
        console.print(_key_table(result.keys))
        console.print(Text(_key_sum(result.keys)), soft_wrap=True)
    _print_left(console, result.left)


def show_on_arc(result: Any, *, out: TextIO) -> None:
    """Print what keeping the COG on its arc did.

    Parameters
    ----------
    result : leapwright_blender.on_arc.OnArc
    out : file
    """
    console = console_on(out)
    listed = ", ".join(
        f"{name.replace('takeoff', 'take-off')} {frame:g}" for name, frame in result.moments.items()
    )
    console.print(Text(f"{listed}.", style="bold"), soft_wrap=True)
    console.print(Text(f"COG from {result.cog_from}: {result.why}."))
    table = simple_table("", "Before", "After", numbers=(1, 2))
    table.add_row(
        "farthest off its arc", _length(result.before.largest_m), _length(result.after.largest_m)
    )
    table.add_row("on frame", f"{result.before.at_frame:g}", f"{result.after.at_frame:g}")
    console.print(table)
    keys = simple_table("Channel", "Keys", numbers=())
    for one in result.keys:
        parts = [
            f"{len(frames)} {word}{_frames(frames)}"
            for frames, word in (
                ([f for f, _, _ in one.changed], "changed"),
                (one.added, "added"),
                (one.left, "left"),
            )
            if frames
        ]
        keys.add_row(Text(one.channel), ", ".join(parts))
    if result.keys:
        console.print(keys)


def _head(result: Any) -> str:
    before = result.before
    count = len(before.jumps)
    if not count:
        reason = before.reason or "no jump"
        return f"{reason[0].upper()}{reason[1:]}."
    jumps = "1 jump" if count == 1 else f"{count} jumps"
    was = sum(f.severity in _GRAVE for f in before.findings)
    now = sum(f.severity in _GRAVE for f in result.after.findings)
    if not result.done:
        if was:
            return f"{before.rig}: {jumps}; {was} findings, none that can be fixed here."
        return f"{before.rig}: {jumps}, nothing to fix."
    return f"{before.rig}: {jumps}; {was} findings before, {now or 'none'} after."


def _jump_table(was: FoundJump, now: FoundJump | None, before: Checked, after: Checked) -> Table:
    table = simple_table(f"Jump {was.number}", "Before", "After", numbers=(1, 2))
    pairs = (_values(was), {}) if now is None else (_values(was), _values(now))
    for name, value in pairs[0].items():
        new = pairs[1].get(name, "")
        table.add_row(name, value, new, style="" if new == value else "bold")
    kinds: dict[str, None] = {}
    for told in (before, after):
        kinds.update(dict.fromkeys(f.id for f in told.of(was.number) if f.severity in _GRAVE))
    for kind in kinds:
        old, new = (_there(told, was.number, kind) for told in (before, after))
        table.add_row(Text(FINDINGS[kind]), old, new, style="yellow" if new != "–" else "")
    return table


def _values(jump: FoundJump) -> dict[str, str]:
    said = {
        name.replace("takeoff", "take-off"): _frame(getattr(jump.moments, name))
        for name in _MOMENTS
    }
    said["push height"] = _length(jump.heights.push)
    said["jump height"] = _length(jump.heights.jump)
    said["gravity in the air"] = f"{jump.gravity.air:.2f} m/s²"
    said["farthest off its arc"] = _length(jump.off_arc.largest)
    return said


def _there(told: Checked, number: int, kind: str) -> str:
    found = [f for f in told.of(number) if f.id == kind and f.severity in _GRAVE]
    if not found:
        return "–"
    return found[0].severity if len(found) == 1 else f"{len(found)} {found[0].severity}s"


def _fix_table(done: Sequence[Any]) -> Table:
    table = simple_table("", "Fix", "What it does", numbers=())
    for one in done:
        mark = "+" if one.written else "!"
        text = Text(one.text) if one.written else Text(f"not written: {one.text}", style="yellow")
        table.add_row(mark, FIX_WORDS[one.fix], text)
    return table


def _key_table(keys: Sequence[Any]) -> Table:
    """One row for all channels to which the same happened."""
    rows: dict[tuple[str, str], list[str]] = {}
    for one in keys:
        control, channel = control_of(one.channel)
        rows.setdefault((control, "; ".join(_became(one))), []).append(channel)
    merged: dict[tuple[tuple[str, ...], str], list[str]] = {}
    for (control, became), channels in rows.items():
        merged.setdefault((tuple(channels), became), []).append(control)
    table = simple_table("Control", "Channels", "Keys", numbers=(1,))
    for (names, became), controls in merged.items():
        table.add_row(Text(", ".join(controls)), Text(str(len(names))), Text(became))
    return table


def _became(one: Any) -> Iterator[str]:
    if one.moved:
        yield "moved " + ", ".join(f"{a:g} to {b:g}" for a, b in one.moved)
    if one.added:
        yield "added" + _frames(one.added)
    if one.changed:
        yield "changed" + _frames(one.changed)
    if one.reshaped:
        yield "the way between them"
    yield f"{one.left} left"


def _key_sum(keys: Sequence[Any]) -> str:
    counts = (
        (sum(len(one.moved) for one in keys), "moved"),
        (sum(len(one.added) for one in keys), "added"),
        (sum(len(one.changed) for one in keys), "changed"),
        (sum(one.left for one in keys), "left"),
    )
    return f"Keys: {', '.join(f'{n} {word}' for n, word in counts)}; {len(keys)} channels."


def _print_left(console: Console, left: Sequence[Any]) -> None:
    if not left:
        return
    console.print()
    console.print(Text("Left:", style="bold"))
    table = simple_table("Jump", "Finding", "", numbers=(0,))
    for finding in left:
        whose = "" if finding.fix else " It is for the animator: there is no fix for it."
        table.add_row(str(finding.jump), Text(FINDINGS[finding.id]), Text(f"{finding.text}{whose}"))
    console.print(table)


def _frames(frames: Sequence[float]) -> str:
    return " " + ", ".join(f"{frame:g}" for frame in frames)


def _frame(frame: float) -> str:
    return f"{frame:.1f}".removesuffix(".0")


def _length(metres: float) -> str:
    return f"{100 * metres:.1f} cm" if abs(metres) < 1 else f"{metres:.2f} m"
