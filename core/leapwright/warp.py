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
)
from leapwright.errors import InputError
from leapwright.few import last_keys
from leapwright.insert import insert_at, off_line
from leapwright.join import join_keys
from leapwright.soften import soften
from leapwright.stretch import on_knots, stretched
from leapwright.timemap import TimeMap
from leapwright.units import finite
from leapwright.wholekeys import (
    Away,
    kept_keys,
    near_bends,
    onto_arc,
    places,
    replaced,
    whole_frames,
)

__all__ = ["Merge", "Warped", "warp"]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


SURE = 4e-6
"""Height, for values up to 1, by which the host may turn a handle that is to stay as written."""


class Merge(NamedTuple):
    """Two keys that came onto one frame: channel, frame before of the one kept and the other."""

    channel: str
    kept: float
    away: float


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
    softened : tuple of (str, float)
        Channel and first frame (before) of easing segments that were drawn as Bezier segments to
        be split.
    unsplit : tuple of (str, float)
        The same of easing segments that should be split and were stretched as a whole: all but
        the ELASTIC ones are split where the shape is to be exact.
    changed : bool[K]
        Keys of the result of which anything changed.
    fixed : bool[K]
        Keys whose ALIGNED handles were set, so well in line that the host must leave them.
    """

    curves: Curves
    moved: int
    split: Bools
    merged: tuple[Merge, ...]
    joined: tuple[tuple[str, float], ...]
    softened: tuple[tuple[str, float], ...]
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
        return Warped(curves, 0, nothing, (), (), (), (), nothing, nothing)
    # Only keys near the bends are more than shifted.
    near = near_bends(curves, time_map)
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
    channels = np.ones_like(chosen) if exact else chosen
    drawn, softened = _drawn(curves, time_map, channels) if exact else (curves, ())
    cut, unsplit = _cut(drawn, time_map, channels)
    ready, source = cut, cut.frame
    merged: list[Away] = []
    if whole and air is not None and chosen.any():
        arc = onto_arc(cut, time_map, chosen, air, firm)
        ready, merged = arc.curves, arc.away
        source = _before_sliding(ready, arc.home, arc.was, arc.now)
    frame = whole_frames(ready, time_map, firm) if whole else time_map.apply(ready.frame)
    keep, gone = kept_keys(ready, frame, time_map, firm[0])
    kept = ready if keep.all() else remove_keys(ready, ~keep)
    made, redone = stretched(kept, frame[keep], time_map)
    source, joined = source[keep], np.zeros(len(made.frame), bool)
    if exact:
        made, joined = join_keys(made, _needless(made, curves, source, time_map))
    away = [(kept.channel_of_key()[k], source[k]) for k in np.flatnonzero(joined)]
    redone, source = _beside(redone, joined)[~joined], source[~joined]
    old = _old_keys(curves, made, source)
    split = old < 0
    changed = split | redone | _differs(made, curves, old)
    left, right = made.left_type, made.right_type
    # Beside a handle that the host makes anew an ALIGNED one follows.
    still = [(side == Handle.FREE) | (side == Handle.ALIGNED) for side in (left, right)]
    fixed = changed & still[0] & still[1] & (left + right != Handle.FREE)
    key = np.flatnonzero(fixed)
    fixed[key] = off_line(made, key) <= SURE * np.maximum(1.0, np.abs(made.value[key]))
    labels = {c: curves.channels[c].label for c, *_ in [*merged, *gone, *away]}
    return Warped(
        curves=made,
        moved=int(np.count_nonzero(~split & (source != made.frame))),
        split=split,
        merged=tuple(Merge(labels[c], *pair) for c, *pair in [*merged, *gone]),
        joined=tuple((labels[c], float(f)) for c, f in away),
        softened=softened,
        unsplit=unsplit,
        changed=changed,
        fixed=fixed,
    )


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


def _through(curves: Curves, time_map: TimeMap, channels: Bools) -> tuple[Ints, Floats, Ints]:
    """Channel and frame of every bend that is inside a segment, and the key that begins it."""
    bends, home = time_map.bends(), np.flatnonzero(channels & (np.diff(curves.starts) > 1))
    home, bend = np.repeat(home, bends.size), np.tile(bends, home.size)
    if not home.size:
        return home, bend, home
    key = last_keys(curves, home, bend)
    inside = (key >= curves.starts[home]) & (key < curves.starts[home + 1] - 1)
    home, bend, key = home[inside], bend[inside], key[inside]
    near = np.minimum(bend - curves.frame[key], curves.frame[key + 1] - bend) < MERGE_FRAMES
    return home[~near], bend[~near], key[~near]


def _drawn(
    curves: Curves, time_map: TimeMap, channels: Bools
) -> tuple[Curves, tuple[tuple[str, float], ...]]:
    """Draw easing segments that a bend runs through as Bezier segments, and name them."""
    key = np.unique(_through(curves, time_map, channels)[2])
    mode = curves.interpolation[key]
    key = key[(mode > Interpolation.BEZIER) & (mode != Interpolation.ELASTIC)]
    labels = [curves.channels[c].label for c in curves.channel_of_key()[key]]
    names = tuple(zip(labels, curves.frame[key].tolist(), strict=True))
    return soften(curves, key), names


def _cut(
    curves: Curves, time_map: TimeMap, channels: Bools
) -> tuple[Curves, tuple[tuple[str, float], ...]]:
    """Split the segments of the channels at the map's bends, and name those that cannot be."""
    home, bend, key = _through(curves, time_map, channels)
    if not home.size:
        return curves, ()
    mode = curves.interpolation[key]
    eased = mode > Interpolation.BEZIER
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
    on_bend = np.isin(on_knots(source.astype(np.float64), time_map), time_map.bends())
    old = places(curves, made.channel_of_key(), source) >= 0
    return np.asarray(on_bend & old & (made.kind == Kind.BREAKDOWN))


def _beside(redone: Bools, gone: Bools) -> Bools:
    """Keys touched, and those beside one that went."""
    return np.asarray(redone | np.r_[gone[1:], False] | np.r_[False, gone[:-1]])


def _old_keys(curves: Curves, made: Curves, source: Singles) -> Ints:
    """The key of `curves` that each key of `made`, from frame `source`, was; -1 for new ones."""
    home, count = made.channel_of_key(), np.diff(made.starts)
    alike = count == np.diff(curves.starts)
    old = np.arange(len(home)) + np.repeat((curves.starts - made.starts)[:-1], count)
    same = alike[home]
    same[same] = curves.frame[old[same]] == source[same]
    alike[home[~same]] = False
    rest = np.flatnonzero(~alike[home])
    if rest.size:
        old[rest] = places(curves, home[rest], source[rest])
    return old


def _before_sliding(curves: Curves, home: Ints, was: Floats, now: Floats) -> Singles:
    """Each key's frame before it slid along the arc."""
    frame = curves.frame.copy()
    frame[places(curves, home, now)] = was
    return frame


def _differs(made: Curves, curves: Curves, old: Ints) -> Bools:
    """Keys of which a type or handle is not that of the old key."""
    at = np.maximum(old, 0)
    differs = old < 0
    for name in ("left_type", "right_type", "interpolation", "kind"):
        differs |= getattr(made, name) != getattr(curves, name)[at]
    for name in ("left", "right"):
        now, was = getattr(made, name), getattr(curves, name)
        differs |= (now[:, 0] != was[at, 0]) | (now[:, 1] != was[at, 1])
    return differs
