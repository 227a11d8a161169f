# SPDX-License-Identifier: GPL-3.0-or-later
"""Curves through a map of time: keys, handles and periods."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from leapwright.curves import (
    MERGE_FRAMES,
    Curves,
    Handle,
    Interpolation,
    Kind,
    remove_keys,
    select,
)
from leapwright.errors import InputError
from leapwright.insert import insert_at, stays_aligned
from leapwright.join import join_keys
from leapwright.playback import evaluate, keys_before
from leapwright.timemap import TimeMap
from leapwright.units import finite
from leapwright.wholekeys import Away, kept_keys, onto_arc, places, replaced, whole_frames

__all__ = ["Merge", "Miss", "Warped", "largest_miss", "warp"]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

BLOCK = 64
"""Channels whose shapes are compared at once."""

ALIKE = 1e-6
"""Two sides of a key whose stretches differ by less than this part are stretched alike."""


class Merge(NamedTuple):
    """Two keys that came onto one frame: channel, frame before of the one kept and the other."""

    channel: str
    kept: float
    away: float


class Miss(NamedTuple):
    """Where the shape differs most: by how much, in the channel's unit and as a part of its range,
    on which channel, at which frame after. The channel is "" where nothing differs."""

    value: float
    share: float
    channel: str
    frame: float


@dataclass(frozen=True, slots=True, eq=False)
class Warped:
    """What `warp` made.

    Attributes
    ----------
    curves : Curves
        The same channels.
    moved : int
        Keys whose frame changed.
    split : bool[K]
        Keys of the result that were added at a bend.
    merged : tuple of Merge
        Keys that gave way to another one on their frame.
    joined : tuple of (str, float)
        Channel and frame before of breakdowns on a bend that nothing needs any more, taken out
        where the shape is to be exact: what an earlier map had to split.
    unsplit : tuple of (str, float)
        Channel and first frame (before) of easing segments that a bend runs through: their shape
        is bent by being stretched as a whole.
    changed : bool[K]
        Keys of the result of which anything changed.
    fixed : bool[K]
        Keys whose ALIGNED handles were set and must be written as they are.
    """

    curves: Curves
    moved: int
    split: Bools
    merged: tuple[Merge, ...]
    joined: tuple[tuple[str, float], ...]
    unsplit: tuple[tuple[str, float], ...]
    changed: Bools
    fixed: Bools


def warp(
    curves: Curves,
    time_map: TimeMap,
    *,
    exact: bool = False,
    subframes: bool = False,
    physics: npt.ArrayLike = (),
    air: tuple[float, float] | None = None,
    moments: Mapping[float, float] | None = None,
) -> Warped:
    """Send keys and handles through a map of time.

    Tidy unless told otherwise: no new keys but on physics channels, every moved key on a whole
    frame with its value, adjacent keys of a pair still adjacent, handle types kept where both
    sides of a key are stretched alike.

    Parameters
    ----------
    curves : Curves
        Whole channels.
    time_map : TimeMap
        Frames before to frames after.
    exact : bool
        Split every segment at the map's bends and leave keys where the map puts them, so that
        every channel keeps its shape.
    subframes : bool
        Leave keys where the map puts them.
    physics : bool[C] or int[N]
        Channels of the COG and root: split at bends in any case; their keys in the air, moved to
        whole frames, stay on their arc.
    air : (float, float)
        Take-off and land before, for the physics channels.
    moments : mapping of float to float
        Frames before and after of moments, besides the map's knots (say the apex key). Their keys
        go there; of two keys that come onto one frame, a moment's is kept.

    Returns
    -------
    Warped

    Raises
    ------
    InputError
        `physics` does not name channels, or a number is not finite.

    Notes
    -----
    A handle's time is stretched as the interval it lies in; its slope by the map's slope at its
    key. Without rounding these are one, and the segment keeps its shape. AUTO handles stay AUTO
    where both sides of the key are stretched alike, for then the host makes the same ones; else
    they become ALIGNED where they are in line, and FREE at a bend.

    Examples
    --------
    >>> from leapwright.curves import Channel
    >>> hop = Curves.checked([Channel("location", 2)], [0, 3], [1, 13, 25], [0, 1.2, 0])
    >>> warp(hop, TimeMap.of([1, 25], [1, 17])).curves.frame.tolist()
    [1.0, 9.0, 17.0]
    """
    chosen = _mask(curves, physics)
    firm = _firm(time_map, moments or {})
    count = len(curves.frame)
    if time_map.is_identity or not count:
        nothing = np.zeros(count, bool)
        return Warped(curves, 0, nothing, (), (), (), nothing, nothing)
    # Only keys near the bends are more than shifted.
    near = _near_bends(curves, time_map)
    part = curves if near.all() else remove_keys(curves, ~near)
    bent = _bent(part, time_map, chosen, firm, exact=exact, whole=not (exact or subframes), air=air)
    return bent if part is curves else _spliced(curves, near, bent, time_map)


def _bent(
    curves: Curves,
    time_map: TimeMap,
    chosen: Bools,
    firm: tuple[Floats, Floats],
    *,
    exact: bool,
    whole: bool,
    air: tuple[float, float] | None,
) -> Warped:
    """Send all keys through the map, each with all that may happen to it."""
    cut, unsplit = _cut(curves, time_map, np.ones_like(chosen) if exact else chosen)
    ready, source = cut, cut.frame
    merged: list[Away] = []
    if whole and air is not None and chosen.any():
        arc = onto_arc(cut, time_map, chosen, air, firm)
        ready, merged = arc.curves, arc.away
        source = _before_sliding(ready, arc.home, arc.was, arc.now)
    frame = whole_frames(ready, time_map, firm) if whole else time_map.apply(ready.frame)
    keep, gone = kept_keys(ready, frame, time_map, firm[0])
    kept = ready if keep.all() else remove_keys(ready, ~keep)
    made, redone = _stretched(kept, frame[keep], time_map)
    source, joined = source[keep], np.zeros(len(made.frame), bool)
    if exact:
        made, joined = join_keys(made, _needless(made, curves, source, time_map))
    away = [(kept.channel_of_key()[k], source[k]) for k in np.flatnonzero(joined)]
    redone, source = _beside(redone, joined)[~joined], source[~joined]
    old = places(curves, made.channel_of_key(), source)
    split = old < 0
    changed = split | redone | _differs(made, curves, old)
    aligned = (made.left_type == Handle.ALIGNED) | (made.right_type == Handle.ALIGNED)
    labels = {c: curves.channels[c].label for c, *_ in [*merged, *gone, *away]}
    return Warped(
        curves=made,
        moved=int(np.count_nonzero(~split & (source != made.frame))),
        split=split,
        merged=tuple(Merge(labels[c], *pair) for c, *pair in [*merged, *gone]),
        joined=tuple((labels[c], float(f)) for c, f in away),
        unsplit=unsplit,
        changed=changed,
        fixed=changed & aligned,
    )


def _near_bends(curves: Curves, time_map: TimeMap) -> Bools:
    """Keys between the outer bends and two beyond, on each side of each channel: what happens to
    the others is a shift."""
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


def _spliced(curves: Curves, near: Bools, bent: Warped, time_map: TimeMap) -> Warped:
    """Put the keys near the bends back among the others, which shift."""
    lead, tail = (float(time_map.target[i] - time_map.source[i]) for i in (0, -1))
    bends = time_map.bends()
    by = np.where(curves.frame <= bends[0], lead, tail) if bends.size else np.full(len(near), tail)
    far = np.flatnonzero(~near & (by != 0))
    shifted = {n: getattr(curves, n).copy() for n in ("frame", "left", "right") if far.size}
    for name, array in shifted.items():
        column = array if name == "frame" else array[:, 0]
        column[far] = column[far] + by[far]
    made, place, others = replaced(curves, shifted, near, bent.curves)
    moved = bent.moved + far.size
    split, changed, fixed = (np.zeros(len(made.frame), bool) for _ in range(3))
    split[place], changed[place], fixed[place] = bent.split, bent.changed, bent.fixed
    changed[others] = by[~near] != 0
    return replace(bent, curves=made, moved=moved, split=split, changed=changed, fixed=fixed)


def largest_miss(before: Curves, after: Curves, time_map: TimeMap) -> Miss:
    """Find where a channel's shape after differs most from its shape before, through the map.

    Looked for on every whole and half frame (after) from the keys before the first bend to those
    after the last. Stepped segments have no shape and are passed over. The largest part of a channel's range counts.

    Parameters
    ----------
    before, after : Curves
        The same channels.
    """
    nothing = Miss(0.0, 0.0, "", 0.0)
    bends = time_map.bends()
    if not bends.size:
        return nothing
    best = nothing
    # A few channels at a time keep the table of samples small.
    for start in range(0, len(before.channels), BLOCK):
        these = np.arange(start, min(start + BLOCK, len(before.channels)))
        was, now = select(before, these), select(after, these)
        if not (len(was.frame) and len(now.frame)):
            continue
        # From the keys before the first bend to those after the last: the rest is a shift.
        ends = was.frame[_near_bends(was, time_map)]
        low, high = time_map.apply([ends.min(initial=bends[0]), ends.max(initial=bends[-1])])
        frames = np.arange(np.floor(low), np.ceil(high) + 0.5, 0.5)
        source = time_map.invert(frames)
        miss = np.abs(evaluate(was, source) - evaluate(now, frames))
        miss[_stepped(was, source) | _stepped(now, frames) | np.isnan(miss)] = 0.0
        share = miss / _spread(was)[:, None]
        c, f = np.unravel_index(int(np.argmax(share)), share.shape)
        if share[c, f] > best.share:
            label = was.channels[c].label
            best = Miss(float(miss[c, f]), float(share[c, f]), label, float(frames[f]))
    return best


def _stepped(curves: Curves, frames: Floats) -> Bools:
    """Where a channel is in a constant segment, bool[C, F]."""
    home = np.arange(len(curves.channels))[:, None]
    key = np.clip(keys_before(curves, home, frames), 0, len(curves.frame) - 1)
    return np.asarray(curves.interpolation[key] == Interpolation.CONSTANT)


def _spread(curves: Curves) -> Floats:
    """Range of each channel's keys; 1 where they are all of one value."""
    full = np.flatnonzero(np.diff(curves.starts))
    spread = np.ones(len(curves.channels))
    if full.size:
        starts = curves.starts[full]
        value = curves.value.astype(np.float64)
        spread[full] = np.maximum.reduceat(value, starts) - np.minimum.reduceat(value, starts)
    return np.where(spread > 0, spread, 1.0)


# What is asked


def _mask(curves: Curves, physics: npt.ArrayLike) -> Bools:
    chosen, count = np.asarray(physics), len(curves.channels)
    if chosen.dtype == np.bool_ and chosen.shape == (count,):
        return chosen
    mask = np.zeros(count, bool)
    if chosen.size:
        bad = chosen.dtype.kind not in "iu" or chosen.ndim > 1
        if bad or (chosen < 0).any() or (chosen >= count).any():
            raise InputError(
                f"`physics` must be {count} booleans or channels from 0 to {count - 1}, "
                f"got {physics!r}",
                "physics",
            )
        mask[chosen] = True
    return mask


def _firm(time_map: TimeMap, moments: Mapping[float, float]) -> tuple[Floats, Floats]:
    """Frames of moments before and after, in order: the map's knots and what was said."""
    said = {float(a): float(b) for a, b in moments.items()}
    finite([*said, *said.values()], "moments", "frames")
    whole = np.abs(time_map.target - np.round(time_map.target)) < 1e-9
    knots = dict(zip(time_map.source[whole].tolist(), time_map.target[whole].tolist(), strict=True))
    both = sorted({**knots, **said}.items())
    return np.array([a for a, _ in both]), np.array([b for _, b in both])


# Bends


def _cut(
    curves: Curves, time_map: TimeMap, channels: Bools
) -> tuple[Curves, tuple[tuple[str, float], ...]]:
    """Split the segments of the channels at the map's bends, and name those that cannot be."""
    bends, home = time_map.bends(), np.flatnonzero(channels & (np.diff(curves.starts) > 1))
    home, bend = np.repeat(home, bends.size), np.tile(bends, home.size)
    if not home.size:
        return curves, ()
    key = keys_before(curves, home, bend)
    inside = (key >= curves.starts[home]) & (key < curves.starts[home + 1] - 1)
    home, bend, key = home[inside], bend[inside], key[inside]
    mode = curves.interpolation[key]
    on_key = np.minimum(bend - curves.frame[key], curves.frame[key + 1] - bend) < MERGE_FRAMES
    eased = (mode > Interpolation.BEZIER) & ~on_key
    values = curves.value[key], curves.value[key + 1]
    flat = values[0] == values[1]
    bent = (curves.right[key, 1] != values[0]) | (curves.left[key + 1, 1] != values[1])
    flat &= (mode != Interpolation.BEZIER) | ~bent
    wanted = ~eased & ~flat & (mode != Interpolation.CONSTANT)
    labels = [curves.channels[c].label for c in home[eased]]
    unsplit = tuple(zip(labels, curves.frame[key[eased]].tolist(), strict=True))
    return insert_at(curves, home[wanted], bend[wanted]), unsplit


def _needless(made: Curves, curves: Curves, source: Singles, time_map: TimeMap) -> Bools:
    """Breakdowns on a bend that were there before: they may be of an earlier split."""
    on_bend = np.isin(_snapped(source.astype(np.float64), time_map), time_map.bends())
    old = places(curves, made.channel_of_key(), source) >= 0
    return np.asarray(on_bend & old & (made.kind == Kind.BREAKDOWN))


def _beside(redone: Bools, gone: Bools) -> Bools:
    """Keys touched, and those beside one that went."""
    return np.asarray(redone | np.r_[gone[1:], False] | np.r_[False, gone[:-1]])


def _before_sliding(curves: Curves, home: Ints, was: Floats, now: Floats) -> Singles:
    """Each key's frame before it slid along the arc."""
    frame = curves.frame.copy()
    frame[places(curves, home, now)] = was
    return frame


# Keys and handles


def _stretched(curves: Curves, frame: Floats, time_map: TimeMap) -> tuple[Curves, Bools]:
    """Put keys on the frames and stretch their handles; say which keys were touched."""
    old, new32 = curves.frame.astype(np.float64), frame.astype(np.float32)
    new = new32.astype(np.float64)
    at = _snapped(old, time_map)
    slope_l, slope_r = time_map.slope(at, "before"), time_map.slope(at, "after")
    inside = np.diff(curves.channel_of_key()) == 0
    gap, gap_new = np.diff(old), np.diff(new)
    # Rounding to single precision is no stretch.
    straight = slope_r[:-1] == slope_l[1:]
    near = np.abs(gap_new - slope_r[:-1] * gap) <= 4 * np.spacing(np.abs(new32[1:]) + 1)
    ratio = np.where(straight & near, slope_r[:-1], gap_new / np.where(inside, gap, 1.0))
    ratio_l = np.r_[slope_l[:1], np.where(inside, ratio, slope_l[1:])]
    ratio_r = np.r_[np.where(inside, ratio, slope_r[:-1]), slope_r[-1:]]
    shift = new32 != curves.frame
    key, key_new = (np.stack([x, curves.value], -1) for x in (old, new))
    sides = []
    for handle, stretch, slope, kind in (
        (curves.left, ratio_l, slope_l, curves.left_type),
        (curves.right, ratio_r, slope_r, curves.right_type),
    ):
        # VECTOR handles point at their neighbour: the host makes them anew just so.
        level = np.where(kind == Handle.VECTOR, 1.0, stretch / slope)
        sides.append(key_new + (handle - key) * np.stack([stretch, level], -1))
    left, right = _single(key_new, sides[0], sides[1], inside)
    for made_handle, was, stretch in ((left, curves.left, ratio_l), (right, curves.right, ratio_r)):
        still = ~shift & (stretch == 1)
        made_handle[still] = was[still]
    elastic = curves.interpolation == Interpolation.ELASTIC
    period = np.where(elastic, curves.period * ratio_r, curves.period).astype(np.float32)
    made = replace(curves, frame=new32, left=left, right=right, period=period)
    bent = (ratio_l != 1) | (ratio_r != 1)
    return _typed(made, bent, ratio_l, ratio_r, slope_l == slope_r), shift | bent


def _snapped(frame: Floats, time_map: TimeMap) -> Floats:
    """Frames, those beside a knot put on it: a key there is the knot's."""
    knots = time_map.source
    place = np.searchsorted(knots, frame)
    for near in (np.maximum(place - 1, 0), np.minimum(place, knots.size - 1)):
        frame = np.where(np.abs(knots[near] - frame) < MERGE_FRAMES, knots[near], frame)
    return frame


def _single(key: Floats, left: Floats, right: Floats, inside: Bools) -> tuple[Singles, Singles]:
    """Handles in single precision: what rounding takes from their time is taken from their height,
    along the curve's slope a third of the way (as in `path.handles_at_thirds`)."""
    speed_l, speed_r = key - left, right - key
    # At a third and two thirds of a cubic: -4 p0 + 3 p2 + p3 and -p0 - 3 p1 + 4 p3.
    speed_r[:-1][inside] = (3 * left[1:] + key[1:] - 4 * key[:-1])[inside]
    speed_l[1:][inside] = (4 * key[1:] - 3 * right[:-1] - key[:-1])[inside]
    made = []
    for handle, speed in ((left, speed_l), (right, speed_r)):
        rounded = handle[:, 0].astype(np.float32)
        # Flat handles stay flat to the last bit.
        quick = (speed[:, 0] > 1e-3) & (handle[:, 1] != key[:, 1])
        slope = np.where(quick, speed[:, 1] / np.where(quick, speed[:, 0], 1.0), 0.0)
        height = handle[:, 1] + slope * (rounded - handle[:, 0])
        made.append(np.stack([rounded, height.astype(np.float32)], axis=-1))
    return made[0], made[1]


def _typed(curves: Curves, bent: Bools, ratio_l: Floats, ratio_r: Floats, smooth: Bools) -> Curves:
    """Handle types that make the host leave the handles of the keys that were stretched."""
    key = np.flatnonzero(bent)
    home = curves.channel_of_key()[key]
    first, last = curves.starts[home], curves.starts[home + 1] - 1
    alike = np.abs(ratio_l[key] - ratio_r[key]) <= ALIKE * ratio_l[key]
    alike |= (key == first) | (key == last)
    left, right = curves.left_type[key], curves.right_type[key]
    for side in (left, right):
        auto = (side == Handle.AUTO) | (side == Handle.AUTO_CLAMPED)
        side[auto & ~alike] = Handle.ALIGNED
    in_line = stays_aligned(curves, key, tolerance=np.where(smooth[key], 1e-5, 2e-6))
    turned = ~in_line & (
        ((left == Handle.ALIGNED) & (right != Handle.FREE))
        | ((right == Handle.ALIGNED) & (left != Handle.FREE))
    )
    for side in (left, right):
        side[turned & (side == Handle.ALIGNED)] = Handle.FREE
    left_type, right_type = curves.left_type.copy(), curves.right_type.copy()
    left_type[key], right_type[key] = left, right
    return replace(curves, left_type=left_type, right_type=right_type)


def _differs(made: Curves, curves: Curves, old: Ints) -> Bools:
    """Keys of which a type or handle is not that of the old key."""
    at = np.maximum(old, 0)
    differs = old < 0
    for name in ("left_type", "right_type", "interpolation", "kind"):
        differs |= getattr(made, name) != getattr(curves, name)[at]
    for name in ("left", "right"):
        differs |= (getattr(made, name) != getattr(curves, name)[at]).any(axis=1)
    return differs
