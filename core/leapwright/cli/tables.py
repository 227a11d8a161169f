# SPDX-License-Identifier: GPL-3.0-or-later
"""What a person reads: tables on standard output, warnings on standard error.

Colour only on a terminal, and nothing is cut: in a narrow window cells go over several lines.
"""

from __future__ import annotations

import re
import sys
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, TextIO

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from leapwright.changes import Alternative, say
from leapwright.chart import Chart
from leapwright.jump import Frames, Jump
from leapwright.units import METRES_PER_UNIT

__all__ = [
    "console_on",
    "control_of",
    "count_text",
    "show_chart",
    "show_keys",
    "show_plan",
    "show_resized",
    "show_retimed",
    "show_splined",
    "simple_table",
    "warn",
]

ABSENT = "–"
LEAST_PERCENT = 0.05
"""Smaller changes are not said of an alternative."""

_DECIMALS = {"m": 3, "cm": 1, "mm": 0, "ft": 2, "in": 1, "yd": 3}

# Moment, the phase that leads away from it, and that phase's name in `Frames`.
_ROWS = (
    ("start", "anticipation", "anticipation"),
    ("", "crouch hold", "crouch_hold"),
    ("crouch", "push", "push"),
    ("takeoff", "rise", "rise"),
    ("apex", "fall", "fall"),
    ("land", "absorb", "absorb"),
    ("low", "recover", "recover"),
    ("end", "", ""),
)


def show_plan(jump: Jump, *, unit: str, out: TextIO) -> None:
    """Print the answer in a sentence, its frames, its measures and the other answers."""
    console = console_on(out)
    console.print(Text(_sentence(jump, unit), style="bold"), soft_wrap=True)
    console.print(_frame_table(jump))
    console.print(_measure_table(jump, unit))
    if len(jump.alternatives) > 1:
        console.print(_alternative_table(jump))


def show_chart(chart: Chart, *, unit: str, out: TextIO) -> None:
    """Print the rows of a chart, lengths in `unit`."""
    table = simple_table(
        "Rise frames", f"Height {unit}", "Take-off m/s", "Air frames", f"Step {unit}"
    )
    digits = _DECIMALS[unit] + 1
    rows = zip(
        chart.rise_frames,
        chart.height_m / METRES_PER_UNIT[unit],
        chart.takeoff_speed_m_s,
        chart.air_frames,
        chart.step_m / METRES_PER_UNIT[unit],
        strict=True,
    )
    for rise, height, speed, air, step in rows:
        table.add_row(
            f"{rise:g}", f"{height:.{digits}f}", f"{speed:.3f}", f"{air:g}", f"{step:.{digits}f}"
        )
    console_on(out).print(table)


def show_keys(result: Any, *, out: TextIO) -> None:
    """Print which keys a block wrote, what became of those there were, and what was measured."""
    console = console_on(out)
    _print_keys(console, result.keyed)
    for line in result.controls_text:
        console.print(Text(line), soft_wrap=True)
    if result.props:
        console.print(Text(f"Along with it: {', '.join(result.props)}."), soft_wrap=True)
    if result.measured is not None:
        for line in _measured_lines(result.measured):
            console.print(Text(line), soft_wrap=True)


def show_splined(result: Any, *, out: TextIO) -> None:
    """Print which keys became splines, and each jump measured."""
    console = console_on(out)
    for number, moments in enumerate(result.moments, start=1):
        listed = ", ".join(
            f"{name.replace('takeoff', 'take-off')} {count_text(frame)}"
            for name, frame in moments.items()
        )
        console.print(Text(f"Jump {number}: {listed}.", style="bold"), soft_wrap=True)
    _print_keys(console, result.keyed)
    if result.stepped:
        console.print(Text(f"Still stepped: {', '.join(result.stepped)}."), soft_wrap=True)
    for measured in result.measured:
        for line in _measured_lines(measured):
            console.print(Text(line), soft_wrap=True)


def show_retimed(result: Any, *, out: TextIO) -> None:
    """Print a retime: frames before and after, what it means, the keys, the other answers."""
    console = console_on(out)
    solved = result.solved
    console.print(Text(_retime_sentence(solved), style="bold"), soft_wrap=True)
    console.print(_retime_table(solved))
    for line in _retime_lines(result):
        console.print(Text(line), soft_wrap=True)
    if len(solved.alternatives) > 1:
        table = simple_table("", "Answer", numbers=(0,))
        for rank, other in enumerate(solved.alternatives, start=1):
            table.add_row(str(rank), Text(other.words), style="bold" if rank == 1 else "")
        console.print(table)


def show_resized(result: Any, *, out: TextIO) -> None:
    """Print a resize: frames and heights before and after, the keys, the other answers."""
    console = console_on(out)
    console.print(Text(_resize_sentence(result), style="bold"), soft_wrap=True)
    console.print(_retime_table(result))
    for line in _resize_lines(result):
        console.print(Text(line), soft_wrap=True)
    if len(result.solved.jump.alternatives) > 1:
        console.print(_alternative_table(result.solved.jump))


def _resize_sentence(result: Any) -> str:
    was, jump = result.before.heights, result.solved.jump
    asked = result.asked.get("jump_height")
    if "times_height" in result.asked:
        asked = result.asked["times_height"] * was.jump
    said = "" if asked is None else f" (asked {asked:.3f})"
    return (
        f"The jump is {jump.jump_height:.3f} m high{said}, before {was.jump:.3f} m: "
        f"{result.solved.times_height:.2f} times the height."
    )


def _resize_lines(result: Any) -> Iterator[str]:
    solved, jump, was = result.solved, result.solved.jump, result.before.heights
    yield (
        f"Gravity {solved.gravity:.2f} m/s² stays; magnification {was.magnification:.2f}, "
        f"now {jump.magnification:.2f}."
    )
    yield (
        f"The push takes {jump.push_force:.1f} and the absorb {jump.absorb_force:.1f} body weights "
        "on average."
    )
    if max(result.travel_before_m, jump.travel) > 0.0005:
        yield f"Travel {result.travel_before_m:.3f} m, now {jump.travel:.3f} m."
    yield from _moved_key_lines(result)
    yield from _flight_lines(result)
    if result.largest_distance_m is not None:
        yield (
            f"The COG is at most {result.largest_distance_m:.1e} m from its new way "
            f"(frame {count_text(result.at_frame)})."
        )


def _retime_sentence(solved: Any) -> str:
    answer = solved.answer
    if answer.unchanged:
        return "Nothing changes: no whole-frame answer is nearer."
    return f"{answer.words[0].upper()}{answer.words[1:]}."


def _retime_table(solved: Any) -> Table:
    table = simple_table(
        "Moment", "Before", "After", "Phase from there", "Before", "After", numbers=(1, 2, 4, 5)
    )
    before, after = dict(solved.moments_before), dict(solved.moments_after)
    for moment, phase, name in _ROWS:
        was = getattr(solved.frames_before, name) if name else None
        now = getattr(solved.frames_after, name) if name else None
        absent = before.get(moment) is None if moment else not was
        if absent:
            continue
        table.add_row(
            moment.replace("takeoff", "take-off"),
            count_text(before[moment]) if moment else "",
            count_text(after[moment]) if moment and after.get(moment) is not None else "",
            phase if was else "",
            count_text(was) if was else "",
            count_text(now) if was and now is not None else "",
        )
    return table


def _retime_lines(result: Any) -> Iterator[str]:
    solved, answer = result.solved, result.solved.answer
    asked = f" (asked {solved.snappiness_asked:.3g})" if solved.snappiness_asked != 1 else ""
    yield (
        f"Snappiness {answer.snappiness:.3g}{asked}; it reads as a character "
        f"{answer.reads_as_size:.2f} times the size."
    )
    if solved.magnification is not None:
        timing = ""
        if solved.timing_before is not None and answer.timing is not None:
            timing = f"; rise over push {solved.timing_before:.2f}, now {answer.timing:.2f}"
        yield f"Magnification {solved.magnification:.2f} stays{timing}."
    if solved.physics_before is not None and answer.physics is not None:
        was, now = solved.physics_before, answer.physics
        text = f"Gravity {was.rise_gravity:.2f}, now {now.rise_gravity:.2f} m/s²"
        if (
            abs(was.fall_gravity - was.rise_gravity) > 0.01
            or abs(now.fall_gravity - now.rise_gravity) > 0.01
        ):
            text += f"; in the fall {was.fall_gravity:.2f}, now {now.fall_gravity:.2f}"
        yield text + "."
    if answer.speed_step is not None and abs(answer.speed_step) > 0.005:
        yield (
            f"The speed steps by {answer.speed_step:+.0%} at take-off: whole frames shrank push "
            "and air a little differently."
        )
    yield from _moved_key_lines(result)
    yield from _flight_lines(result)


def _moved_key_lines(result: Any) -> Iterator[str]:
    keys = result.keys
    yield (
        f"Keys: {keys.moved} moved, {keys.split} added at bends, {len(keys.merged)} merged, "
        f"on {keys.channels} channels."
    )
    for channel, kept, away in keys.merged:
        yield f"  {channel}: the key of {count_text(away)} gave way to that of {count_text(kept)}"
    miss = keys.largest_miss
    if miss.channel:
        yield (
            f"Largest miss in shape: {miss.share:.1%} of the range of {miss.channel} "
            f"(frame {count_text(miss.frame)})."
        )
    if result.props:
        yield f"Along with it: {', '.join(result.props)}."


def _flight_lines(result: Any) -> Iterator[str]:
    for name, flight in (("before", result.before), ("after", result.after)):
        if flight is not None:
            heights = flight.heights
            push = "" if heights.push is None else f"push {heights.push:.4f} m, "
            yield f"Measured {name}: {push}jump {heights.jump:.4f} m."


def _print_keys(console: Console, keyed: Sequence[Any]) -> None:
    table = simple_table("Control", "Channels", "Frames", "Keys", numbers=())
    for row in _key_rows(keyed):
        table.add_row(*(Text(cell) for cell in row))
    console.print(table)
    totals = Counter(dict.fromkeys(_BECAME, 0))
    totals.update(_counts(keyed))
    text = ", ".join(f"{number} {what}" for what, number in totals.items())
    console.print(Text(f"Keys: {text}."), soft_wrap=True)


_BECAME = ("moved", "replaced", "added", "left")


def _counts(keyed: Iterable[Any]) -> Counter[str]:
    return Counter({what: sum(getattr(k, what) for k in keyed) for what in _BECAME})


def _key_rows(keyed: Iterable[Any]) -> list[tuple[str, str, str, str]]:
    """A row for all controls to which the same happened: names, channels, frames, counts."""
    by_control: dict[tuple[str, tuple[float, ...]], list[Any]] = {}
    for k in keyed:
        by_control.setdefault((control_of(k.channel)[0], tuple(k.frames)), []).append(k)
    alike: dict[tuple[str, str], dict[str, Counter[str]]] = {}
    for (control, frames), group in by_control.items():
        channels = dict.fromkeys(control_of(k.channel)[1] for k in group)
        same = alike.setdefault((", ".join(channels), _frames_text(frames)), {})
        same[control] = _counts(group)
    rows = []
    for (names, frames_text), controls in alike.items():
        total: Counter[str] = sum(controls.values(), Counter())
        text = ", ".join(f"{n} {what}" for what, n in total.items())
        rows.append((", ".join(controls), names, frames_text, text))
    return rows


def control_of(channel: str) -> tuple[str, str]:
    """The control and the property of a channel's path.

    Examples
    --------
    >>> control_of('pose.bones["paw.L"].location[2]'), control_of("rotation_euler[0]")
    (('paw.L', 'location'), ('object', 'rotation_euler'))
    """
    whose = re.match(r"(?!pose\.bones\[|\[)(.+?): (.+)", channel)
    if whose:
        control, name = control_of(whose[2])
        return (whose[1] if control == "object" else f"{whose[1]}: {control}"), name
    bone = re.match(r'pose\.bones\["((?:[^"\\]|\\.)*)"\]\.?(.*)', channel)
    control, path = (bone[1], bone[2]) if bone else ("object", channel)
    return control, re.sub(r"\[\d+\]$", "", path)


def _measured_lines(measured: Any) -> Iterator[str]:
    yield (
        f"Measured: push {measured.push_height_m:.4f} m, jump {measured.jump_height_m:.4f} m, "
        f"at most {measured.largest_distance_m:.1e} m from the plan (frame {measured.at_frame:g})."
    )
    if measured.sole_miss_m is not None:
        yield f"Planted soles: at most {measured.sole_miss_m * 1000:.1f} mm off their places."
    changed = measured.posed_values_changed
    if not changed:
        yield "No posed value changed."
    else:
        yield "Posed values that changed, of the channels that carry the path in the air:"
    for change in changed:
        where = f"{change.moment.replace('takeoff', 'take-off')}, frame {change.frame:g}"
        yield f"  {change.channel} at {where}: {change.before:.4f} to {change.after:.4f}"


def warn(warnings: Iterable[str]) -> None:
    """Say warnings on standard error, a line each."""
    for warning in warnings:
        print(f"leapwright: note: {warning}", file=sys.stderr)


def console_on(out: TextIO) -> Console:
    """Where a person reads: nothing is marked up but by us."""
    # Rich itself sees whether `out` is a terminal, and knows NO_COLOR and COLUMNS.
    return Console(file=out, highlight=False, markup=False, emoji=False, soft_wrap=False)


def simple_table(*columns: str, numbers: Sequence[int] | None = None) -> Table:
    """A table with the columns `numbers` (default: all) set to the right."""
    table = Table(box=box.SIMPLE_HEAD, header_style="bold", pad_edge=False)
    for i, column in enumerate(columns):
        right = numbers is None or i in numbers
        table.add_column(column, justify="right" if right else "left", overflow="fold")
    return table


def _sentence(jump: Jump, unit: str) -> str:
    push, rise, fall = map(count_text, (jump.frames.push, jump.frames.rise, jump.frames.fall))
    return (
        f"Push {push}, rise {rise}, fall {fall}: "
        f"a jump of {_length(jump.jump_height, unit)} {unit} "
        f"from a push of {_length(jump.push_height, unit)} {unit} "
        f"at {float(jump.frame_rate):.5g} fps."
    )


def _frame_table(jump: Jump) -> Table:
    table = simple_table("Moment", "Frame", "Phase from there", "Asked", "Got", numbers=(1, 3, 4))
    moments = dict(jump.moments)
    for moment, phase, name in _ROWS:
        frame = moments.get(moment)
        got = getattr(jump.frames, name) if name else None
        if (moment and frame is None) or (not moment and not got):
            continue
        row = [
            moment.replace("takeoff", "take-off"),
            "" if frame is None else count_text(frame),
            phase if got else "",
            f"{getattr(jump.subframes, name):.2f}" if got else "",
            count_text(got) if got else "",
        ]
        table.add_row(*row, style="bold" if moment in ("crouch", "takeoff", "apex", "land") else "")
    return table


def _measure_table(jump: Jump, unit: str) -> Table:
    """Measures asked and got; what nobody asked has no number under asked."""
    table = simple_table("Measure", "Asked", "Got", "Unit", numbers=(1, 2))
    changed = {change.what: change.asked for change in jump.changes}

    def row(name: str, got: float, unit_name: str, asked: float | None) -> None:
        def said(value: float) -> str:
            if unit_name == unit:
                return _length(value, unit)
            return f"{value:.2f}"

        table.add_row(name, ABSENT if asked is None else said(asked), said(got), unit_name)

    def asked_or(name: str, key: str, got: float) -> float | None:
        return changed.get(key, got if name in jump.asked else None)

    row("jump height", jump.jump_height, unit, changed.get("jump_height_m", jump.jump_height))
    row("push height", jump.push_height, unit, changed.get("push_height_m", jump.push_height))
    row("magnification", jump.magnification, "", changed.get("magnification", jump.magnification))
    if jump.landing_level:
        row("landing level", jump.landing_level, unit, jump.landing_level)
        row("fall height", jump.fall_height, unit, None)
    row("absorb height", jump.absorb_height, unit, jump.asked.get("absorb_height"))
    if jump.travel or jump.foot_travel:
        row("travel", jump.travel, unit, asked_or("travel", "travel_m", jump.travel))
        foot = asked_or("foot_travel", "foot_travel_m", jump.foot_travel)
        row("foot travel", jump.foot_travel, unit, foot)
        row("travel speed", jump.travel_speed, "m/s", jump.asked.get("running"))
    row("take-off speed", jump.takeoff_speed, "m/s", jump.asked.get("takeoff_speed"))
    row("landing speed", jump.landing_speed, "m/s", None)
    row("push force", jump.push_force, "body weights", None)
    row("absorb force", jump.absorb_force, "body weights", None)
    row("gravity", jump.gravity, "m/s²", changed.get("gravity_m_s2", jump.gravity))
    return table


def _alternative_table(jump: Jump) -> Table:
    table = simple_table("", "Push", "Rise", "Fall", "What gives", numbers=(0, 1, 2, 3))
    for rank, alternative in enumerate(jump.alternatives, start=1):
        frames: Frames = alternative.frames
        counts = (count_text(n) for n in (frames.push, frames.rise, frames.fall))
        words = _what_gives(alternative)
        table.add_row(str(rank), *counts, Text(words), style="bold" if rank == 1 else "")
    return table


def _what_gives(alternative: Alternative) -> str:
    """The changes in words, without the counts (they have columns) and what rounds to no change."""
    changes = tuple(
        change
        for change in alternative.changes
        if not change.what.endswith("_frames") and abs(change.percent) >= LEAST_PERCENT
    )
    return say(changes, odd=alternative.words.startswith("top between"))


def _frames_text(frames: Iterable[float]) -> str:
    return ", ".join(count_text(frame) for frame in frames)


def count_text(frames: float) -> str:
    """A frame or a count, to the hundredth at most: 12, 12.5, 11.97."""
    return f"{frames:.2f}".rstrip("0").rstrip(".")


def _length(metres: float, unit: str) -> str:
    return f"{metres / METRES_PER_UNIT[unit]:.{_DECIMALS[unit]}f}"
