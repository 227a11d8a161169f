# SPDX-License-Identifier: GPL-3.0-or-later
"""Keys on whole frames after a map of time: where each goes, and which gives way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from leapwright.curves import (
    MERGE_FRAMES,
    SAME_FRAME,
    Curves,
    Interpolation,
    Kind,
    remove_keys,
    select,
)
from leapwright.few import last_keys, put_back
from leapwright.insert import insert_at
from leapwright.playback import keys_before
from leapwright.timemap import TimeMap

__all__ = [
    "Away",
    "OnArc",
    "kept_keys",
    "near_bends",
    "onto_arc",
    "places",
    "replaced",
    "whole_frames",
]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

Away = tuple[int, float, float]
"""Channel, frame before of the key that is kept, and of the one that gives way."""

ROUNDING = 1e-4
"""Frames by which single precision may miss a half frame."""


def near_bends(curves: Curves, time_map: TimeMap) -> Bools:
    """Find the keys between the outer bends and two beyond on each side, in each channel.

    What happens to the others is a shift.
    """
    bends = time_map.bends()
    if not bends.size:
        return np.zeros(len(curves.frame), bool)
    before = np.r_[0, np.cumsum(curves.frame <= bends[0])][curves.starts]
    until = np.r_[0, np.cumsum(curves.frame < bends[-1])][curves.starts]
    first, stop = curves.starts[:-1], curves.starts[1:]
    low = np.maximum(first + np.diff(before) - 2, first)
    high = np.minimum(first + np.diff(until) + 2, stop)
    edge = np.bincount(low, minlength=len(curves.frame) + 1)
    edge -= np.bincount(np.maximum(high, low), minlength=len(curves.frame) + 1)
    return np.asarray(np.cumsum(edge)[:-1] > 0)


def whole_frames(curves: Curves, time_map: TimeMap, firm: tuple[Floats, Floats]) -> Floats:
    """Give the whole frame that each key goes to, float64[K].

    Keys on one frame go to one frame, whatever their channel, so poses stay together. Keys that
    only shift, by whole frames, keep their fraction. Two keys of a channel on neighbouring frames,
    with no third beside them, stay neighbours: a switch and what counters it.

    Parameters
    ----------
    firm : (float64[M], float64[M])
        Moments, before and after: they go nowhere else.
    """
    single, at = _singles(curves.frame)
    frames: Floats = single.astype(np.float64)
    exact = time_map.apply(frames)
    shift = exact - frames
    rigid = (time_map.slope(frames, "before") == 1) & (time_map.slope(frames, "after") == 1)
    rigid &= np.abs(shift - np.round(shift)) < 1e-9
    # Ties go to the earlier frame.
    goal = np.where(rigid, exact, np.ceil(exact - 0.5 - ROUNDING))
    near, to = _nearest(firm[0], frames)
    moment = (near <= SAME_FRAME) & np.isfinite(near)
    if firm[0].size:
        goal = np.where(moment, firm[1][to], goal)
    fixed = rigid | moment
    goal = _paired(curves, at, goal, fixed)
    low = np.ceil(np.maximum.accumulate(np.where(fixed, goal, -np.inf)))
    high = np.floor(np.minimum.accumulate(np.where(fixed, goal, np.inf)[::-1])[::-1])
    goal = np.where(fixed, goal, np.maximum(np.minimum(goal, high), low))
    return np.asarray(np.maximum.accumulate(goal)[at])


def _singles(frame: Singles) -> tuple[Singles, Ints]:
    """`np.unique` and its inverse: quick, since most keys are on whole frames."""
    whole = frame == np.rint(frame)
    number = frame[whole].astype(np.int64)
    low, high = np.min(number, initial=0), np.max(number, initial=0)
    if high - low > frame.size + 1000:
        return np.unique(frame, return_inverse=True)
    there = np.zeros(high - low + 1, bool)
    there[number - low] = True
    numbers = (np.flatnonzero(there) + low).astype(np.float32)
    others, at_other = np.unique(frame[~whole], return_inverse=True)
    single = np.sort(np.concatenate([numbers, others]))
    place = np.zeros(there.size, np.int64)
    place[there] = np.searchsorted(single, numbers)
    at = np.empty(frame.size, np.int64)
    at[whole] = place[number - low]
    at[~whole] = np.searchsorted(single, others)[at_other]
    return single, at


def _paired(curves: Curves, at: Ints, goal: Floats, fixed: Bools) -> Floats:
    """Keep lone pairs of neighbouring frames neighbours; what is fixed leads, else the first."""
    step = np.diff(curves.frame.astype(np.float64))
    beside = (np.abs(step - 1) <= SAME_FRAME) & (np.diff(curves.channel_of_key()) == 0)
    alone = beside & ~np.r_[False, beside[:-1]] & ~np.r_[beside[1:], False]
    first = np.flatnonzero(alone)
    i, j = at[first], at[first + 1]
    goal = goal.copy()
    lead = fixed[j] & ~fixed[i]
    goal[i[lead]] = np.ceil(goal[j[lead]]) - 1
    follow = ~fixed[j]
    goal[j[follow]] = np.floor(goal[i[follow]]) + 1
    return goal


def _nearest(sorted_frames: Floats, frames: Floats) -> tuple[Floats, Ints]:
    """Distance to the nearest of some frames, and which it is."""
    if not sorted_frames.size:
        return np.full(frames.shape, np.inf), np.zeros(frames.shape, np.int64)
    place = np.searchsorted(sorted_frames, frames)
    left, right = np.maximum(place - 1, 0), np.minimum(place, sorted_frames.size - 1)
    to_left, to_right = np.abs(frames - sorted_frames[left]), np.abs(sorted_frames[right] - frames)
    return np.minimum(to_left, to_right), np.where(to_left < to_right, left, right)


def kept_keys(
    curves: Curves, frame: Floats, time_map: TimeMap, firm: Floats
) -> tuple[Bools, list[Away]]:
    """Of keys that come onto one frame of a channel keep one: a moment's before others, a key
    before a breakdown, then the one that is nearest to where the map puts it.

    Parameters
    ----------
    frame : float64[K]
        Where each key goes.
    firm : float64[M]
        Moments, before, in order.

    Returns
    -------
    keep : bool[K]
    away : list of Away
    """
    home = curves.channel_of_key()
    close = (np.diff(home) == 0) & (np.diff(frame) < MERGE_FRAMES)
    if not close.any():
        return np.ones(len(home), bool), []
    # Only keys that share their frame with another one are looked at.
    many = np.flatnonzero(np.r_[False, close] | np.r_[close, False])
    group = np.cumsum(np.r_[True, ~close][many]) - 1
    was = curves.frame[many]
    moment = _nearest(firm, was.astype(np.float64))[0] <= SAME_FRAME
    lesser = np.isin(curves.kind[many], (Kind.BREAKDOWN, Kind.JITTER, Kind.GENERATED))
    off = np.abs(time_map.apply(was) - frame[many]).round(4)
    order = np.lexsort((was, off, lesser, ~moment, group))
    best = order[np.r_[True, np.diff(group[order]) != 0]]
    loses = np.ones(len(many), bool)
    loses[best] = False
    keep = np.ones(len(home), bool)
    keep[many[loses]] = False
    return keep, [
        (int(home[many[k]]), float(was[best[group[k]]]), float(was[k]))
        for k in np.flatnonzero(loses)
    ]


def places(curves: Curves, home: Ints, frames: npt.ArrayLike) -> Ints:
    """Give the key of `curves` on each channel and frame, -1 where there is none."""
    wanted = np.asarray(frames, np.float64)
    if not len(curves.frame):
        return np.full(wanted.shape, -1)
    at = np.maximum(last_keys(curves, home, wanted), 0)
    there = (curves.frame[at] == wanted) & (curves.channel_of_key()[at] == home)
    return np.where(there, at, -1)


def replaced(
    curves: Curves, arrays: Mapping[str, Any], mask: Bools, other: Curves
) -> tuple[Curves, Ints, Ints]:
    """Put the keys of `other` where those of `mask` were: one run of keys in each channel.

    Parameters
    ----------
    arrays : mapping of name to array
        Key arrays that stand for those of `curves`.

    Returns
    -------
    curves : Curves
    place, others : int64
        Where the keys of `other` and the ones that stay are in it.
    """
    names = [f.name for f in fields(Curves) if f.name not in ("channels", "starts")]
    ours = {name: arrays.get(name, getattr(curves, name)) for name in names}
    was = np.diff(np.r_[0, np.cumsum(mask)][curves.starts])
    now = np.diff(other.starts)
    if np.array_equal(was, now):
        place, starts = np.flatnonzero(mask), curves.starts
        others = np.flatnonzero(~mask)
        for name, array in ours.items():
            theirs = getattr(other, name)
            if not np.array_equal(array[place], theirs):
                ours[name] = array if name in arrays else array.copy()
                ours[name][place] = theirs
        return replace(curves, **ours), place, others
    starts = np.r_[0, np.cumsum(np.diff(curves.starts) - was + now)]
    shift = starts[:-1] - curves.starts[:-1]
    home = curves.channel_of_key()
    stay = np.flatnonzero(~mask)
    # A key after the run moves up by what the run grew.
    first = curves.starts[:-1] + np.diff(np.r_[0, np.cumsum(_leading(curves, mask))][curves.starts])
    after = stay >= first[home[stay]]
    others = stay + shift[home[stay]] + np.where(after, (now - was)[home[stay]], 0)
    begin = (first + shift)[other.channel_of_key()]
    place = begin + np.arange(len(other.frame)) - other.starts[other.channel_of_key()]
    source = np.empty(int(starts[-1]), np.int64)
    source[others], source[place] = stay, len(mask) + np.arange(len(place))
    for name, array in ours.items():
        ours[name] = np.concatenate([array, getattr(other, name)]).take(source, axis=0)
    return Curves(curves.channels, starts.astype(np.int64), **ours), place, others


def _leading(curves: Curves, mask: Bools) -> Bools:
    """Keys before the run of `mask` in their channel."""
    so_far = np.cumsum(mask)
    start = np.r_[0, so_far][curves.starts[:-1]][curves.channel_of_key()]
    return np.asarray((so_far == start) & ~mask)


@dataclass(frozen=True, slots=True, eq=False)
class OnArc:
    """Curves whose air keys stand where they will be on whole frames; `was` and `now` are the
    frames (before the map) of those of channel `home` that were moved, `away` those that merged."""

    curves: Curves
    home: Ints
    was: Floats
    now: Floats
    away: list[Away]


def onto_arc(
    curves: Curves,
    time_map: TimeMap,
    channels: Bools,
    air: tuple[float, float],
    firm: tuple[Floats, Floats],
) -> OnArc:
    """Move air keys along their curve, so that the map puts them on whole frames.

    The air is one parabola (two where styled), so keys may slide along it: handles beside a moved
    key are laid at thirds of their interval, in the direction they have.

    Parameters
    ----------
    channels : bool[C]
        Channels of the COG and root.
    air : (float, float)
        Take-off and land, before.
    firm : (float64[M], float64[M])
        Moments before and after.
    """
    which = np.flatnonzero(channels)
    goal = whole_frames(curves, time_map, firm)[channels[curves.channel_of_key()]]
    few = select(curves, which)
    arc = _slid(few, goal, time_map, air)
    if arc.curves is few:
        return replace(arc, curves=curves)
    return OnArc(
        put_back(curves, which, arc.curves),
        which[arc.home],
        arc.was,
        arc.now,
        [(int(which[c]), kept, away) for c, kept, away in arc.away],
    )


def _slid(curves: Curves, goal: Floats, time_map: TimeMap, air: tuple[float, float]) -> OnArc:
    """Move air keys, of all channels, to where the map puts them on `goal`."""
    home = curves.channel_of_key()
    frame = curves.frame.astype(np.float64)
    key = np.flatnonzero((frame > air[0] + SAME_FRAME) & (frame < air[1] - SAME_FRAME))
    now = time_map.invert(goal[key]).astype(np.float32).astype(np.float64)
    inside = (now > air[0] + SAME_FRAME) & (now < air[1] - SAME_FRAME)
    slides = inside & (np.abs(now - frame[key]) > ROUNDING)
    key, now = key[slides], now[slides]
    if not key.size:
        return OnArc(curves, home[:0], frame[:0], frame[:0], [])
    more = insert_at(curves, home[key], now)
    new = places(more, home[key], now)
    # A key that stands there already, or will not be put so near to another, takes the place.
    near = keys_before(more, home[key], now + MERGE_FRAMES)
    new = np.where(new < 0, near, new)
    stands = np.ones(len(more.frame), bool)
    stands[places(more, home[key], frame[key])] = False
    taken = stands[new] & (places(curves, home[key], more.frame[new]) >= 0)
    again = np.r_[False, (np.diff(new) == 0)]
    stands[new] = True
    merged = taken | again
    away = [
        (int(home[k]), float(more.frame[n]), float(frame[k]))
        for k, n in zip(key[merged], new[merged], strict=True)
    ]
    kind = more.kind.copy()
    kind[new[~merged]] = curves.kind[key[~merged]]
    slid = np.zeros(len(more.frame), bool)
    slid[new] = True
    cleared = replace(more, kind=kind)
    gone = np.cumsum(~stands)
    left_out = remove_keys(cleared, ~stands)
    return OnArc(
        _rehandled(left_out, slid[stands], gone[stands]),
        home[key[~merged]],
        frame[key[~merged]],
        left_out.frame[np.cumsum(stands)[new[~merged]] - 1].astype(np.float64),
        away,
    )


def _rehandled(curves: Curves, slid: Bools, gone: Ints) -> Curves:
    """Lay handles at thirds of the Bezier intervals that a slid key bounds or a gone key was in."""
    inside = np.diff(curves.channel_of_key()) == 0
    other = slid[:-1] | slid[1:] | (np.diff(gone) > 0)
    bent = curves.interpolation[:-1] == Interpolation.BEZIER
    first = np.flatnonzero(inside & other & bent)
    left, right = curves.left.copy(), curves.right.copy()
    third = (curves.frame[first + 1].astype(np.float64) - curves.frame[first]) / 3
    _lay(right, curves, first, third)
    _lay(left, curves, first + 1, -third)
    return replace(curves, left=left, right=right)


def _lay(handle: Singles, curves: Curves, key: Ints, reach: Floats) -> None:
    place = np.stack([curves.frame[key], curves.value[key]], -1).astype(np.float64)
    out = handle[key] - place
    long = np.abs(out[:, 0]) > 1e-6
    slope = np.where(long, out[:, 1] / np.where(long, out[:, 0], 1.0), 0.0)
    end = (place[:, 0] + reach).astype(np.float32)
    handle[key] = np.stack([end, place[:, 1] + slope * (end - place[:, 0])], -1)
