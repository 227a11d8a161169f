# SPDX-License-Identifier: GPL-3.0-or-later
"""From a stepped pass to splines on the curves of one data-block: no new key, no other value."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import (
    MERGE_FRAMES,
    Channel,
    Curves,
    Handle,
    Interpolation,
    channel,
    concat,
    merge,
    select,
)
from leapwright_blender.course import Course
from leapwright_blender.ride import Ride
from leapwright_blender.schedule import Schedule, ride_curves

__all__ = ["splined"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SAME_VALUE = 1e-7


def splined(
    base: Curves,
    course: Course,
    rides: Sequence[Ride],
    *,
    handle: Handle,
    stays_stepped: Callable[[Channel], bool],
    closed: Collection[Channel] = (),
) -> Schedule:
    """Turn a stepped jump into splines.

    Parameters
    ----------
    base : Curves
        All channels of one data-block as they are.
    rides : sequence of Ride
        The locations that carry the path. Breakdowns on them stay: in the air on the arc, on the
        ground with their values.
    handle : Handle
        For the keys of all other channels.
    stays_stepped : callable
        Says of a channel that it switches and never glides.
    closed : collection of Channel
        Channels that are left alone.
    """
    carrying = {c for ride in rides for c in ride.channels}
    named = [
        i
        for i, c in enumerate(base.channels)
        if c in carrying or (c not in closed and not stays_stepped(c))
    ]
    old = select(base, named)
    first, last = float(course.frames[0]), float(course.frames[-1])
    made: list[Curves] = []
    for ride in rides:
        full = _with_breakdowns(_as_keyed(ride, old), old, course)
        for keys in ride_curves([full], old, {k: course.frame(k) for k in course.knots}, False):
            name = keys.channels[0]
            if name in old.channels:
                there = channel(old, old.channels.index(name))
                keys = merge(there, keys, replace=True).curves
            made.append(keys)
    others = select(old, [i for i, c in enumerate(old.channels) if c not in carrying])
    glided, changed = _glided(others, course, first, last, handle)
    written = concat([select(glided, np.flatnonzero(changed)), *made])
    kept = [i for i, c in enumerate(old.channels) if c in written.channels]
    before = select(old, kept)
    return Schedule(written, before, before.frame.astype(np.float64), ())


def _as_keyed(ride: Ride, old: Curves) -> Ride:
    """The ride without knots that have no key now and that it goes through anyway."""
    mine = [old.channels.index(c) for c in ride.channels if c in old.channels]
    there = select(old, mine).frame.astype(np.float64)
    for i in range(len(ride.knots) - 2, 0, -1):
        if there.size and np.abs(there - ride.frames[i]).min() < MERGE_FRAMES:
            continue
        less = _without(ride, i)
        played = less.play(ride.frames[i : i + 1])
        same = (
            np.allclose(played.value[0], ride.values[i], atol=SAME_VALUE)
            and np.allclose(played.before[0], ride.slopes[i], atol=SAME_VALUE)
            and np.allclose(played.after[0], ride.slopes_after[i], atol=SAME_VALUE)
        )
        ride = less if same else ride
    return ride


def _without(ride: Ride, i: int) -> Ride:
    return Ride(
        ride.control,
        (*ride.knots[:i], *ride.knots[i + 1 :]),
        np.delete(ride.frames, i),
        np.delete(ride.values, i, axis=0),
        np.delete(ride.slopes, i, axis=0),
        np.delete(ride.slopes_after, i, axis=0),
    )


def _with_breakdowns(ride: Ride, old: Curves, course: Course) -> Ride:
    """The ride with a knot on every key that its channels have besides the moments'."""
    mine = [old.channels.index(c) for c in ride.channels if c in old.channels]
    if not mine:
        return ride
    there = np.unique(select(old, mine).frame.astype(np.float64))
    inside = (there > ride.frames[0]) & (there < ride.frames[-1])
    away = np.abs(there[:, None] - ride.frames[None, :]).min(axis=1) > MERGE_FRAMES
    extra = there[inside & away]
    if not extra.size:
        return ride
    played = ride.play(extra)
    values, before, after = played
    for axis, name in enumerate(ride.channels):
        if name not in old.channels:
            continue
        keys = channel(old, old.channels.index(name))
        on_ground = ~_in_air(course, extra)
        for i in np.flatnonzero(on_ground):
            at = np.flatnonzero(np.abs(keys.frame - extra[i]) < MERGE_FRAMES)
            if at.size:
                values[i, axis] = keys.value[at[0]]
    frames = np.concatenate([ride.frames, extra])
    order = np.argsort(frames)
    names = [*ride.knots, *("" for _ in extra)]
    joined = Ride(
        ride.control,
        tuple(names[i] for i in order),
        frames[order],
        np.concatenate([ride.values, values])[order],
        np.concatenate([ride.slopes, before])[order],
        np.concatenate([ride.slopes_after, after])[order],
    )
    return _eased(joined, course)


def _in_air(course: Course, frames: Floats) -> Bools:
    return np.asarray((frames > course.frame("takeoff")) & (frames < course.frame("land")))


def _eased(ride: Ride, course: Course) -> Ride:
    """Slopes of breakdowns on the ground: between their neighbours and never beyond them."""
    slopes, after = ride.slopes.copy(), ride.slopes_after.copy()
    for i in np.flatnonzero([not name for name in ride.knots]):
        if _in_air(course, ride.frames[i : i + 1])[0]:
            continue
        secant = np.diff(ride.values[i - 1 : i + 2], axis=0)
        secant /= np.diff(ride.frames[i - 1 : i + 2])[:, None]
        same = secant[0] * secant[1] > 0
        total = np.where(same, secant[0] + secant[1], 1.0)
        slope = np.where(same, 2 * secant[0] * secant[1] / total, 0.0)
        slopes[i] = after[i] = slope
    return replace(ride, slopes=slopes, slopes_after=after)


def _glided(
    curves: Curves, course: Course, first: float, last: float, handle: Handle
) -> tuple[Curves, Bools]:
    """Stepped keys of the span as splines, and which channels had any."""
    frame = curves.frame
    home = curves.channel_of_key()
    final = np.zeros(len(frame), dtype=bool)
    ends = curves.starts[1:][np.diff(curves.starts) > 0] - 1
    final[ends] = True
    inside = (frame >= first - MERGE_FRAMES) & (frame < last - MERGE_FRAMES)
    inside |= (np.abs(frame - last) < MERGE_FRAMES) & final
    stepped = inside & (curves.interpolation == Interpolation.CONSTANT)
    following = np.append(stepped[:-1] & (home[:-1] == home[1:]), False)
    reached = np.append(False, following[:-1]) if len(frame) else stepped
    interpolation = curves.interpolation.copy()
    interpolation[stepped] = Interpolation.BEZIER
    interpolation[stepped & _held(curves, course)] = Interpolation.LINEAR
    left_type, right_type = curves.left_type.copy(), curves.right_type.copy()
    right_type[stepped], left_type[reached] = handle, handle
    # A key with a stepped side and a side of its own keeps no AUTO on one side alone.
    left_type[stepped & ~reached & (left_type != Handle.FREE)] = handle
    left, right = _level_handles(curves, home)
    changed = np.zeros(len(curves.channels), dtype=bool)
    changed[home[stepped]] = True
    return (
        replace(
            curves,
            interpolation=interpolation,
            left_type=left_type,
            right_type=right_type,
            left=np.where(reached[:, None], left, curves.left).astype(np.float32),
            right=np.where(stepped[:, None], right, curves.right).astype(np.float32),
        ),
        changed,
    )


def _held(curves: Curves, course: Course) -> Bools:
    """First keys of a crouch hold whose second key has the same value: nothing moves there."""
    if "hold" not in course.knots or not len(curves.frame):
        return np.zeros(len(curves.frame), dtype=bool)
    at = np.abs(curves.frame - course.frame("hold")) < MERGE_FRAMES
    home = curves.channel_of_key()
    next_same = np.append(
        (home[1:] == home[:-1]) & (np.abs(np.diff(curves.value)) < SAME_VALUE), False
    )
    return np.asarray(at & next_same)


def _level_handles(curves: Curves, home: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Level handles a third of the way to the neighbours; the host makes AUTO ones anew."""
    frame, value = curves.frame.astype(np.float64), curves.value.astype(np.float64)
    gap = np.diff(frame)
    joined = home[1:] == home[:-1]
    after = np.append(np.where(joined, gap, 3.0), 3.0)[: len(frame)] / 3
    before = np.insert(np.where(joined, gap, 3.0), 0, 3.0)[: len(frame)] / 3
    return np.stack([frame - before, value], -1), np.stack([frame + after, value], -1)
