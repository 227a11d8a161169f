# SPDX-License-Identifier: GPL-3.0-or-later
"""Curve modifiers through a map of time: the numbers of theirs that are frames.

What can follow the map exactly does; the rest is left or kept in proportion, and said.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from contextlib import ExitStack
from typing import Any, NamedTuple

import numpy as np

from leapwright.timemap import TimeMap
from leapwright_blender.span import (
    TOUCH,
    go_to,
    inner_bends,
    length_after,
    moves,
    nearest_frame,
    straight,
)

__all__ = ["bears_time", "retime_modifier", "untimed"]

Numbers = dict[str, float]

FAR = 1e6
"""Frames beyond any shot that the host still takes."""

_RANGE = ("frame_start", "frame_end", "blend_in", "blend_out")
_OWN = {
    "STEPPED": ("frame_offset", "frame_step"),
    "NOISE": ("offset", "scale", "phase"),
    "FNGENERATOR": ("phase_multiplier", "phase_offset"),
}

SEEN = 1e-4
"""How far off its neighbours' line, as a part of their size, a point makes a corner."""


class _Point(NamedTuple):
    """A control point of an envelope."""

    frame: float
    low: float
    high: float


def bears_time(modifier: Any) -> bool:
    """Say whether a modifier has numbers that are frames."""
    if modifier.type == "ENVELOPE" and len(modifier.control_points):
        return True
    return modifier.use_restricted_range or modifier.type in _OWN


def untimed(modifier: Any, named: str) -> str:
    """Say what of a modifier cannot follow any map, or needs nothing; "" for the others."""
    if modifier.type == "GENERATOR":
        return f"{named} is a function of the frame: it is left as it is"
    if modifier.type == "CYCLES":
        return f"{named} repeats the keys and so follows them, outside their frames too"
    return ""


def retime_modifier(
    modifier: Any, time_map: TimeMap, named: str, undo: ExitStack, *, exact: bool = False
) -> tuple[bool, list[str]]:
    """Send the frames of one modifier through a map.

    Parameters
    ----------
    modifier : bpy.types.FModifier
    time_map : TimeMap
    named : str
        What it is called in messages.
    undo : ExitStack
        Takes what puts the modifier back.
    exact : bool
        Also stretch the steps of a stepped modifier, and let an envelope bend with the map by a
        point of its own there (taken out again where it is of no more use).

    Returns
    -------
    bool
        Whether anything changed.
    list of str
        What could not be mapped exactly, a sentence each.
    """
    first, last = _active(modifier)
    if not moves(time_map, first, last):
        return False, []
    said = [told] if (told := untimed(modifier, named)) else []
    old = _numbers(modifier)
    new = old | _new_range(modifier, time_map, named, said)
    kind = _KINDS.get(modifier.type)
    if kind is not None:
        new |= kind(modifier, time_map, named, exact, said)
    changed = any(np.float32(new[name]) != np.float32(old[name]) for name in old)
    if changed:
        undo.callback(_set_numbers, modifier, old)
        _set_numbers(modifier, new)
    if modifier.type == "ENVELOPE":
        changed |= _retime_envelope(modifier, time_map, named, undo, exact, said)
    return changed, said


def _active(modifier: Any) -> tuple[float, float]:
    """Frames on which a modifier does anything.

    A stepped one has one pair of frames for the restricted range and for its own.
    """
    stepped = modifier.type == "STEPPED"
    ranged = modifier.use_restricted_range
    starts = ranged or (stepped and modifier.use_frame_start)
    ends = ranged or (stepped and modifier.use_frame_end)
    return (
        modifier.frame_start if starts else -math.inf,
        modifier.frame_end if ends else math.inf,
    )


def _numbers(modifier: Any) -> Numbers:
    return {name: getattr(modifier, name) for name in (*_RANGE, *_OWN.get(modifier.type, ()))}


def _set_numbers(modifier: Any, numbers: Numbers) -> None:
    # The host holds blends inside the range and the start before the end, at each single step.
    modifier.frame_end, modifier.frame_start = FAR, -FAR
    for name in (*_RANGE[2:], *_RANGE[:2], *_OWN.get(modifier.type, ())):
        setattr(modifier, name, numbers[name])


def _new_range(modifier: Any, time_map: TimeMap, named: str, said: list[str]) -> Numbers:
    first, last = _active(modifier)
    new: Numbers = {}
    if math.isfinite(first):
        new["frame_start"] = go_to(time_map, first)
    if math.isfinite(last):
        new["frame_end"] = go_to(time_map, last)
    if not modifier.use_restricted_range:
        return new
    fade_in, fade_out = modifier.blend_in, modifier.blend_out
    new["blend_in"] = length_after(time_map, first, fade_in)
    new["blend_out"] = length_after(time_map, last - fade_out, fade_out)
    for name, start, length in (("in", first, fade_in), ("out", last - fade_out, fade_out)):
        if inner_bends(time_map, start, start + length).size:
            said.append(f"{named} blends {name} evenly over a bend of the retime")
    return new


def _stepped(modifier: Any, time_map: TimeMap, named: str, exact: bool, said: list[str]) -> Numbers:
    first, last = _active(modifier)
    offset, step = modifier.frame_offset, modifier.frame_step
    line = straight(time_map, first, last)
    if line is not None and (exact or line.slope == 1):
        return {"frame_offset": line(offset), "frame_step": step * line.slope}
    # On twos stays on twos: the steps keep their length, and begin where their first one goes.
    said.append(f"{named} still holds for {step:g} frames")
    anchor = min(max(offset, first), last)
    shift = go_to(time_map, anchor) - anchor
    return {"frame_offset": offset + (shift if exact else nearest_frame(shift))}


def _noise(modifier: Any, time_map: TimeMap, named: str, exact: bool, said: list[str]) -> Numbers:
    line = straight(time_map, *_active(modifier))
    if line is None:
        said.append(f"{named} runs as before: the retime bends inside it")
        return {}
    new = {"offset": line(modifier.offset), "scale": modifier.scale * line.slope}
    # The older noise is cut from a solid whose depth is scaled along with the time.
    if line.slope != 1 and getattr(modifier, "use_legacy_noise", True):
        new["phase"] = modifier.phase * line.slope
        said.append(f"{named} keeps its pace, not every bump: the host scales it otherwise")
    return new


def _wave(modifier: Any, time_map: TimeMap, named: str, exact: bool, said: list[str]) -> Numbers:
    line = straight(time_map, *_active(modifier))
    if line is None:
        said.append(f"{named} runs as before: the retime bends inside it")
        return {}
    rate = modifier.phase_multiplier / line.slope
    return {
        "phase_multiplier": rate,
        "phase_offset": modifier.phase_offset - rate * line.shift,
    }


_KINDS: dict[str, Callable[[Any, TimeMap, str, bool, list[str]], Numbers]] = {
    "STEPPED": _stepped,
    "NOISE": _noise,
    "FNGENERATOR": _wave,
}


def _retime_envelope(
    modifier: Any, time_map: TimeMap, named: str, undo: ExitStack, exact: bool, said: list[str]
) -> bool:
    old = [_Point(p.frame, p.min, p.max) for p in modifier.control_points]
    before = _with_bends(old, time_map)
    if exact:
        new = _without_idle(before, [_moved(p, time_map) for p in before], time_map)
    else:
        new = [_moved(p, time_map) for p in old]
        if len(before) > len(old):
            said.append(f"{named} bends at its own points only, not where the retime does")
    if [_single(p) for p in new] == [_single(p) for p in old]:
        return False
    undo.callback(_set_points, modifier, old)
    _set_points(modifier, new)
    return True


def _moved(point: _Point, time_map: TimeMap) -> _Point:
    return point._replace(frame=go_to(time_map, point.frame))


def _with_bends(points: list[_Point], time_map: TimeMap) -> list[_Point]:
    """Points, and those that a bend needs between two of them that differ."""
    frames = np.array([p.frame for p in points])
    made = []
    for bend in time_map.bends().tolist():
        after = int(np.searchsorted(frames, bend))
        if not 0 < after < len(points) or np.abs(frames - bend).min() <= TOUCH:
            continue
        one, two = points[after - 1], points[after]
        if one[1:] != two[1:]:
            made.append(_between(one, two, bend))
    return sorted([*points, *made])


def _without_idle(before: list[_Point], after: list[_Point], time_map: TimeMap) -> list[_Point]:
    """Points but those at a bend that were a corner and are none any more."""
    bends = time_map.bends()
    kept: list[int] = []
    for i, point in enumerate(before):
        inner = bool(kept) and i + 1 < len(before)
        if inner and bends.size and np.abs(bends - point.frame).min() <= TOUCH:
            was = _corner(before[kept[-1]], point, before[i + 1])
            now = _corner(after[kept[-1]], after[i], after[i + 1])
            if now <= SEEN < was:
                continue
        kept.append(i)
    return [after[i] for i in kept]


def _corner(one: _Point, point: _Point, two: _Point) -> float:
    """How far a point lies off the line through its neighbours, as a part of their size."""
    line = _between(one, two, point.frame)
    size = max(1e-9, *(abs(v) for p in (one, point, two) for v in p[1:]))
    return max(abs(line.low - point.low), abs(line.high - point.high)) / size


def _between(one: _Point, two: _Point, frame: float) -> _Point:
    u = (frame - one.frame) / (two.frame - one.frame)
    return _Point(frame, one.low + u * (two.low - one.low), one.high + u * (two.high - one.high))


def _set_points(modifier: Any, points: list[_Point]) -> None:
    held = modifier.control_points
    if len(held) != len(points):
        while len(held):
            held.remove(held[0])
        for i in range(len(points)):
            held.add(i)
    # Not point by point: the host may end when a number of one point is set.
    for name, column in zip(("frame", "min", "max"), zip(*points, strict=True), strict=True):
        held.foreach_set(name, np.array(column, np.float32))


def _single(point: _Point) -> tuple[float, ...]:
    return tuple(float(np.float32(v)) for v in point)
