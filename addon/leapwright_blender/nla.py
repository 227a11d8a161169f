# SPDX-License-Identifier: GPL-3.0-or-later
"""NLA strips that play beside a character's action, through a map of time.

A strip plays an action of its own, in its own time: the strip is moved and scaled, its action is
not touched. The keys of its influence and of its time are on the scene's frames and are mapped.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any

import numpy as np

from leapwright.curves import Channel, Curves
from leapwright.timemap import TimeMap
from leapwright.warp import warp
from leapwright_blender.read import read_keys
from leapwright_blender.span import go_to, inner_bends, length_after, moves

# One writer of keys serves all; these are curves of a strip, not of a data-block.
from leapwright_blender.write import put_keys

__all__ = ["left_strips", "retime_strips", "strips_in_time"]


@dataclass(frozen=True, slots=True)
class _Bounds:
    """Where a strip lies, how its action is stretched, and how it fades."""

    scale: float
    start: float
    end: float
    blend_in: float
    blend_out: float


def strips_in_time(id_block: Any) -> list[Any]:
    """List the strips of all tracks that are played.

    A muted strip among them keeps its place between its neighbours.
    """
    return [s for track in _tracks(id_block) if not _of_library(track) for s in track.strips]


def left_strips(id_block: Any, whose: str) -> list[str]:
    """Say which strips are left as they are, and why."""
    data = id_block.animation_data
    if data is None:
        return []
    played = {track.name for track in _tracks(id_block)}
    said = []
    for track in data.nla_tracks:
        if track.name not in played:
            why = "its track is not played"
        elif _of_library(track):
            why = "it comes from the library"
        else:
            continue
        said += [f"NLA strip “{s.name}” of {whose} is left: {why}" for s in track.strips]
    return said


def retime_strips(
    id_block: Any,
    time_map: TimeMap,
    whose: str,
    undo: ExitStack,
    *,
    exact: bool = False,
    subframes: bool = False,
) -> tuple[int, list[str]]:
    """Send the strips that play with a data-block through a map.

    Parameters
    ----------
    id_block : bpy.types.ID
        What the strips move.
    time_map : TimeMap
    whose : str
        What it is called in messages.
    undo : ExitStack
        Takes what puts the strips back.
    exact, subframes : bool
        For the keys of animated influence and time, as in `warp`.

    Returns
    -------
    int
        Strips of which anything changed, those inside meta strips too.
    list of str
        What could not be mapped exactly, a sentence each.
    """
    changed, said = 0, []
    for track in (t for t in _tracks(id_block) if not _of_library(t)):
        old = {strip: _bounds(strip) for top in track.strips for strip in _family(top)}
        new = {strip: _bounds_after(strip, time_map) for strip in old}
        told = [_stretched(strip, time_map, whose) for strip in old]
        said += [sentence for sentence in told if sentence]
        moved = {strip for strip in old if not _same(new[strip], old[strip])}
        # One strip's scale pushes its neighbours, so a whole track is written.
        if moved:
            undo.callback(_set_all, old)
            _set_all(new)
        for strip in old:
            named = f"NLA strip “{strip.name}” of {whose}"
            if _retime_keys(strip, time_map, named, undo, said, exact=exact, subframes=subframes):
                moved.add(strip)
        changed += len(moved)
    return changed, said


def _tracks(id_block: Any) -> list[Any]:
    """Tracks that are played."""
    data = id_block.animation_data
    if data is None or not data.use_nla:
        return []
    alone = [track for track in data.nla_tracks if track.is_solo]
    return alone or [track for track in data.nla_tracks if not track.mute]


def _of_library(track: Any) -> bool:
    """Whether a track of an override is the linked rig's: changes to it are not saved."""
    return track.id_data.override_library is not None and track.is_override_data


def _family(strip: Any) -> Iterator[Any]:
    """A strip and, if it is a meta strip, all inside; outer ones first."""
    yield strip
    for child in strip.strips:
        yield from _family(child)


def _bounds(strip: Any) -> _Bounds:
    return _Bounds(strip.scale, strip.frame_start, strip.frame_end, strip.blend_in, strip.blend_out)


def _bounds_after(strip: Any, time_map: TimeMap) -> _Bounds:
    old = _bounds(strip)
    start, end = go_to(time_map, old.start), go_to(time_map, old.end)
    length = length_after(time_map, old.start, old.end - old.start)
    timed = strip.type == "CLIP" and old.end > old.start
    return _Bounds(
        scale=old.scale * (length / (old.end - old.start)) if timed else old.scale,
        start=start,
        end=end,
        blend_in=length_after(time_map, old.start, old.blend_in),
        blend_out=length_after(time_map, old.end - old.blend_out, old.blend_out),
    )


def _same(one: _Bounds, two: _Bounds) -> bool:
    pairs = ((getattr(one, name), getattr(two, name)) for name in _Bounds.__slots__)
    return all(np.float32(a) == np.float32(b) for a, b in pairs)


def _stretched(strip: Any, time_map: TimeMap, whose: str) -> str:
    """Say that a strip cannot bend with the map, where it would have to."""
    named = f"NLA strip “{strip.name}” of {whose}"
    start, end = strip.frame_start, strip.frame_end
    if not moves(time_map, start, end):
        return ""
    if strip.type == "META" or (strip.use_animated_time and _keyed(strip)):
        fades = ((start, start + strip.blend_in), (end - strip.blend_out, end))
        bent = any(inner_bends(time_map, *fade).size for fade in fades)
        return f"{named} fades evenly over a bend of the retime" if bent else ""
    if inner_bends(time_map, start, end).size:
        return f"{named} is only stretched as a whole: the retime bends inside it"
    return ""


def _keyed(strip: Any) -> list[Any]:
    return [curve for curve in strip.fcurves if len(curve.keyframe_points)]


def _retime_keys(
    strip: Any,
    time_map: TimeMap,
    named: str,
    undo: ExitStack,
    said: list[str],
    *,
    exact: bool,
    subframes: bool,
) -> bool:
    """Send the keys of a strip's influence and time through the map."""
    curves = _keyed(strip)
    before = read_keys([Channel(c.data_path, c.array_index) for c in curves], curves)
    made = warp(before, time_map, exact=exact, subframes=subframes)
    said += [
        f"{named}: the key of {m.channel} at {m.away:g} gave way to the one at {m.kept:g}"
        for m in made.merged
    ]
    said += [f"{named}: {channel} eases from {f:g} over a bend" for channel, f in made.unsplit]
    if not made.changed.any() and len(made.curves.frame) == len(before.frame):
        return False
    undo.callback(_set_keys, before, curves)
    _set_keys(made.curves, curves)
    return True


def _set_keys(curves: Curves, targets: list[Any]) -> None:
    put_keys(curves, targets)


def _set_all(wanted: dict[Any, _Bounds]) -> None:
    """Give the strips of a track their bounds; outer ones come before those inside them."""
    inside = {strip: bounds for strip, bounds in wanted.items() if strip.type != "META"}
    # A meta strip stretches what is in it.
    for strip in (s for s in wanted if s not in inside):
        strip.frame_start_raw, strip.frame_end_raw = wanted[strip].start, wanted[strip].end
    # Setting a scale moves the end, and the neighbours with it; raw bounds heed nothing.
    for strip, bounds in inside.items():
        if strip.scale != np.float32(bounds.scale):
            strip.scale = bounds.scale
    for strip, bounds in inside.items():
        strip.frame_start_raw, strip.frame_end_raw = bounds.start, bounds.end
    for strip, bounds in wanted.items():
        # The host holds each blend inside what the other leaves.
        strip.blend_in = strip.blend_out = 0.0
        strip.blend_in, strip.blend_out = bounds.blend_in, bounds.blend_out
