# SPDX-License-Identifier: GPL-3.0-or-later
"""Which key goes where: posed keys to the frames of their moments, the path's keys beside them,
and an account of what was there before. Arrays only; nothing is written here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import (
    MERGE_FRAMES,
    Channel,
    Curves,
    Handle,
    Interpolation,
    Kind,
    channel,
    concat,
    merge,
    move_keys,
    remove_keys,
    select,
    shift_keys,
)
from leapwright.errors import ClashError
from leapwright.path import handles_at_thirds
from leapwright.playback import evaluate
from leapwright_blender.course import Course
from leapwright_blender.ride import Ride

__all__ = ["KINDS", "Schedule", "Shift", "arrange", "make_room", "on_frames", "ride_curves"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SAME_VALUE = 1e-7

KINDS = {
    "start": Kind.KEYFRAME,
    "hold": Kind.MOVING_HOLD,
    "crouch": Kind.EXTREME,
    "takeoff": Kind.KEYFRAME,
    "apex": Kind.EXTREME,
    "land": Kind.KEYFRAME,
    "low": Kind.EXTREME,
    "end": Kind.KEYFRAME,
    "release": Kind.KEYFRAME,
    "plant": Kind.KEYFRAME,
    "": Kind.BREAKDOWN,
}
"""Kind of a key that no pose brings along, by its moment; without one it is a breakdown."""


@dataclass(frozen=True, slots=True)
class Shift:
    """Keys after frame `after` go back by `by` frames; none do where that is 0."""

    after: float = float("inf")
    by: float = 0.0


@dataclass(frozen=True, slots=True)
class Schedule:
    """Curves to write, and what becomes of the keys that were there.

    Attributes
    ----------
    curves : Curves
        Whole channels.
    old : Curves
        The same channels as they were, as far as they had keys.
    went : ndarray, shape (K,)
        Frame that each key of `old` goes to; NaN for one that gives way.
    in_the_way : tuple of (str, float)
        Channel and frame of keys that would have to give way and may not: then nothing may be
        written.
    """

    curves: Curves
    old: Curves
    went: Floats
    in_the_way: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class _Sorting:
    """What each key of the touched channels is, and where it goes: `pose` is a pose's key,
    `posed` also a breakdown between poses, `carrying` is on a channel that carries the path."""

    pose: Bools
    posed: Bools
    target: Floats
    carrying: Bools


def arrange(
    base: Curves,
    poses: Mapping[str, float],
    course: Course,
    rides: Sequence[Ride],
    *,
    stepped: bool,
    shift: Shift,
    replace: bool,
    superseded: Bools | None = None,
) -> Schedule:
    """Lay out the keys of a jump.

    Parameters
    ----------
    base : Curves
        All channels of one data-block as they are.
    poses : mapping of moment to frame
        Where the poses are now.
    rides : sequence of Ride
        The locations that carry the path.
    stepped : bool
        Constant interpolation on every key of the jump.
    shift : Shift
        Later keys that are pushed back to make room.
    replace : bool
        Whether keys in the way give way.
    superseded : ndarray of bool, shape (K,), optional
        Keys of a jump that this one stands for: they give way without asking.
    """
    old_jump = np.zeros(len(base.frame), dtype=bool) if superseded is None else superseded
    sources = np.array(list(poses.values()), dtype=np.float64)
    targets = _targets(poses, course)
    ride_channels = [c for ride in rides for c in ride.channels]
    shifted, later = _shifted(base, shift)
    named = [i for i, _ in enumerate(base.channels) if _touched(base, i, sources, ride_channels)]
    stale = set(base.channel_of_key()[old_jump].tolist())
    names = sorted({*named, *stale})
    others = [i for i in later if i not in names]
    touched, old = select(shifted, names), select(base, names)
    sorting = _sort(old, sources, targets, ride_channels)
    mine = np.isin(base.channel_of_key(), names)
    expected = old_jump[mine] & ~sorting.pose
    in_jump = np.isin(np.array(names, dtype=np.int64)[old.channel_of_key()], named)
    blocked = (_in_the_way(touched, sorting, sources, course) & in_jump) | expected
    blocked |= _collided(old, sorting, blocked)
    asked = blocked & ~expected
    kept = sorting.posed & ~blocked
    moved = _move(remove_keys(touched, ~kept | sorting.carrying), sorting, blocked)
    moved = _completed(moved, old, poses, targets, course)
    if stepped:
        moved = _constant(moved)
    rest = remove_keys(touched, sorting.posed | blocked)
    jump = concat([_without_empty(moved), *ride_curves(rides, old, poses, stepped)])
    may = replace or not asked.any()
    merged = merge(rest, jump, replace=False).curves if may else rest
    written = merged if not others else concat([merged, select(shifted, others)])
    went = np.where(sorting.posed, sorting.target, touched.frame.astype(np.float64))
    went[blocked] = np.nan
    if others:
        old = concat([old, select(base, others)])
        went = np.concatenate([went, select(shifted, others).frame.astype(np.float64)])
    return Schedule(written, old, went, () if replace else _listed(old, asked))


def _targets(poses: Mapping[str, float], course: Course) -> Floats:
    missing = [moment for moment in poses if moment not in course.knots]
    if missing:
        phase = {"start": "anticipation", "end": "recover"}.get(missing[0], missing[0])
        raise ClashError(
            f"{missing[0]} is posed, but this jump has no {phase}", ("poses", f"{phase}_frames")
        )
    return np.array([course.frames[course.index(moment)] for moment in poses])


def make_room(
    poses: Mapping[str, float], course: Course, after: str, *, since: float | None = None
) -> Shift:
    """Which keys a jump pushes back, and how far.

    Parameters
    ----------
    after : {"keep", "shift"}
    since : float, optional
        Last frame of the jumps that this one stands for: what comes later comes after that.
    """
    if after != "shift":
        return Shift()
    first, last = float(course.frames[0]), float(course.frames[-1])
    ends = [*poses.values(), *([] if since is None else [since])]
    shift = (
        Shift(max(ends), last - max(ends))
        if ends
        else Shift(first - 2 * MERGE_FRAMES, last - first + 1)
    )
    return shift if shift.by > 0 else Shift()


def _shifted(base: Curves, shift: Shift) -> tuple[Curves, list[int]]:
    """Curves with later keys pushed back, and the channels it moved."""
    later = base.frame > shift.after + MERGE_FRAMES
    if not later.any():
        return base, []
    return shift_keys(base, later, shift.by), sorted(set(base.channel_of_key()[later].tolist()))


def _touched(base: Curves, i: int, sources: Floats, ours: Sequence[Channel]) -> bool:
    """A channel takes part when a pose is keyed on it or when it carries the path."""
    if base.channels[i] in ours:
        return True
    return bool(on_frames(base.frame[base.starts[i] : base.starts[i + 1]], sources).any())


def on_frames(frames: NDArray[np.float32], sources: Floats) -> Bools:
    """Which of some keys' frames are, to the host, one of `sources`."""
    return np.asarray((np.abs(frames[:, None] - sources[None, :]) < MERGE_FRAMES).any(axis=1))


def _sort(curves: Curves, sources: Floats, targets: Floats, ours: Sequence[Channel]) -> _Sorting:
    frame = curves.frame.astype(np.float64)
    mine = np.array([c in ours for c in curves.channels], dtype=bool)[curves.channel_of_key()]
    if not sources.size:
        none = np.zeros(len(frame), dtype=bool)
        return _Sorting(none, none, frame, mine)
    posed = on_frames(curves.frame, sources)
    inside = (frame > sources[0]) & (frame < sources[-1])
    # Breakdowns ride proportionally inside their phase, on whole frames; on the channels of the
    # path there is nothing between the moments but the path.
    ride = np.rint(np.interp(frame, sources, targets))
    exact = np.interp(frame, sources, targets)
    target = np.where(posed, np.where(np.abs(exact - ride) < MERGE_FRAMES, ride, exact), ride)
    return _Sorting(posed, posed | (inside & ~mine), target, mine)


def _in_the_way(curves: Curves, sorting: _Sorting, sources: Floats, course: Course) -> Bools:
    first, last = course.frames[0] - MERGE_FRAMES, course.frames[-1] + MERGE_FRAMES
    within = (curves.frame >= first) & (curves.frame <= last)
    if sources.size:
        # What stood between the poses on a channel that carries the path has no place on it.
        between = (curves.frame > sources[0]) & (curves.frame < sources[-1])
        within |= between & sorting.carrying
    return np.asarray(within & ~sorting.posed)


def _collided(curves: Curves, sorting: _Sorting, gone: Bools) -> Bools:
    """Breakdowns that would come to stand on another key of the jump: of all that come to one
    frame the pose stays, else the first."""
    home = curves.channel_of_key()
    bad = np.zeros(len(home), dtype=bool)
    moving = np.flatnonzero(sorting.posed & ~sorting.carrying & ~gone)
    apart = (np.diff(home[moving]) != 0) | (np.diff(sorting.target[moving]) >= MERGE_FRAMES)
    place = np.concatenate([np.zeros(min(1, len(moving)), np.int64), np.cumsum(apart)])
    order = np.lexsort((moving, ~sorting.pose[moving], place))
    again = np.diff(place[order], prepend=-1) == 0
    bad[moving[order[again]]] = True
    return bad


def _move(curves: Curves, sorting: _Sorting, blocked: Bools) -> Curves:
    chosen = sorting.posed & ~sorting.carrying & ~blocked
    return move_keys(curves, np.ones(len(curves.frame), dtype=bool), sorting.target[chosen])


def _completed(
    moved: Curves,
    old: Curves,
    poses: Mapping[str, float],
    targets: Floats,
    course: Course,
) -> Curves:
    """Add what a pose shows but has no key for, and the second key of a crouch hold."""
    parts = []
    values = evaluate(old, list(poses.values())) if poses else np.zeros((len(old.channels), 0))
    hold = course.frames[course.index("hold")] if "hold" in course.knots else None
    for i, name in enumerate(moved.channels):
        one = channel(moved, i)
        if not one.frame.size:
            continue
        still = np.ptp(values[i]) < SAME_VALUE
        for (moment, _), target, value in zip(poses.items(), targets, values[i], strict=True):
            at = np.abs(one.frame - target) < MERGE_FRAMES
            if not at.any() and not still:
                parts.append(_new_key(name, target, value, KINDS[moment]))
            if moment == "crouch" and hold is not None and (at.any() or not still):
                parts.append(_held_key(one, at, name, hold, value))
    if not parts:
        return moved
    return merge(moved, _by_channel(parts), replace=False).curves


def _new_key(name: Channel, frame: float, value: float, kind: Kind) -> Curves:
    return Curves.checked(
        [name],
        [0, 1],
        [frame],
        [value],
        left_type=Handle.AUTO_CLAMPED,
        right_type=Handle.AUTO_CLAMPED,
        interpolation=Interpolation.BEZIER,
        kind=kind,
    )


def _held_key(one: Curves, at: Bools, name: Channel, frame: float, value: float) -> Curves:
    """The first key of a hold: the pose's own key again, held straight until the second."""
    if not at.any():
        key = _new_key(name, frame, value, Kind.MOVING_HOLD)
    else:
        key = remove_keys(one, ~at)
        by = frame - float(key.frame[0])
        key = shift_keys(key, np.ones(1, dtype=bool), by)
    straight = np.full(1, Interpolation.LINEAR, dtype=np.int32)
    kind = np.full(1, Kind.MOVING_HOLD, dtype=np.int32)
    stays = key.interpolation == Interpolation.CONSTANT
    return replace(
        key, interpolation=np.where(stays, key.interpolation, straight).astype(np.int32), kind=kind
    )


def _by_channel(parts: Sequence[Curves]) -> Curves:
    """Join single keys; those of one channel by frame."""
    joined: dict[Channel, Curves] = {}
    for part in parts:
        name = part.channels[0]
        joined[name] = merge(joined[name], part, replace=False).curves if name in joined else part
    return concat(list(joined.values()))


def _constant(curves: Curves) -> Curves:
    constant = np.full(len(curves.frame), Interpolation.CONSTANT, dtype=np.int32)
    return replace(curves, interpolation=constant)


def _without_empty(curves: Curves) -> Curves:
    return select(curves, np.flatnonzero(np.diff(curves.starts)))


def ride_curves(
    rides: Sequence[Ride], old: Curves, poses: Mapping[str, float], stepped: bool
) -> list[Curves]:
    """Keys of rides, channel by channel; a pose's key keeps its kind."""
    kind = Interpolation.CONSTANT if stepped else Interpolation.BEZIER
    made = []
    for ride in rides:
        for axis, name in enumerate(ride.channels):
            key, left, right = handles_at_thirds(
                ride.frames,
                ride.values[:, axis],
                ride.slopes[:, axis],
                slopes_after=ride.slopes_after[:, axis],
            )
            keys = Curves.checked(
                [name],
                [0, len(key)],
                key[:, 0],
                key[:, 1],
                left=left,
                right=right,
                interpolation=kind,
                kind=_kinds(ride, name, old, poses),
            )
            made.append(_joined(keys, old))
    return made


def _joined(keys: Curves, old: Curves) -> Curves:
    """Outside the jump the first and last key keep the handles of what stands there already."""
    name = keys.channels[0]
    if name not in old.channels:
        return keys
    there = channel(old, old.channels.index(name))
    left, left_type = keys.left.copy(), keys.left_type.copy()
    right, right_type = keys.right.copy(), keys.right_type.copy()
    before = np.flatnonzero(np.abs(there.frame - keys.frame[0]) < MERGE_FRAMES)
    if before.size and before[0] > 0:
        left[0], left_type[0] = there.left[before[0]], there.left_type[before[0]]
    after = np.flatnonzero(np.abs(there.frame - keys.frame[-1]) < MERGE_FRAMES)
    interpolation = keys.interpolation.copy()
    if after.size and after[-1] < len(there.frame) - 1:
        right[-1], right_type[-1] = there.right[after[-1]], there.right_type[after[-1]]
        interpolation[-1] = there.interpolation[after[-1]]
    return replace(
        keys,
        left=left,
        left_type=left_type,
        right=right,
        right_type=right_type,
        interpolation=interpolation,
    )


def _kinds(ride: Ride, name: Channel, old: Curves, poses: Mapping[str, float]) -> NDArray[np.int32]:
    """A pose's key keeps its kind; the others get that of their moment."""
    kinds = [KINDS[knot] for knot in ride.knots]
    if name in old.channels:
        source = channel(old, old.channels.index(name))
        for i, knot in enumerate(ride.knots):
            at = np.abs(source.frame - poses.get(knot, np.inf)) < MERGE_FRAMES
            if at.any():
                kinds[i] = Kind(int(source.kind[at][0]))
    return np.array(kinds, dtype=np.int32)


def _listed(curves: Curves, mask: Bools) -> tuple[tuple[str, float], ...]:
    home = curves.channel_of_key()
    return tuple(
        (curves.channels[home[k]].label, float(curves.frame[k])) for k in np.flatnonzero(mask)
    )
