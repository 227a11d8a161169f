# SPDX-License-Identifier: GPL-3.0-or-later
"""Feet on the floor and feet clear of it, from where the soles are."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.fit import jitter
from leapwright.track import Track

__all__ = ["Clear", "Feet", "feet_of", "turning_points"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

TOUCH = 0.01
"""A sole within this height of its floor is on it; m for a body whose COG stands 1 m up."""

CLEAR = 0.03
"""The feet must come this far off the floor between two contacts; m for such a body."""


@dataclass(frozen=True, slots=True)
class Clear:
    """A stretch in which no foot is on the floor.

    Attributes
    ----------
    last, first : int
        Row of the last contact before it and of the first contact after.
    height : float
        How far the lowest sole comes off the floor, m; NaN where only flags are known.
    """

    last: int
    first: int
    height: float


@dataclass(frozen=True, slots=True)
class Feet:
    """What the feet do.

    Attributes
    ----------
    on : ndarray of bool, shape (S, K)
        Where each sole is on its floor.
    above : ndarray, shape (S, K), or None
        Height of each sole above the floor it stands on, stood on last, or comes to, m.
    clear : tuple of Clear
        In order of time.
    size : float
        Height of the COG above the floor when it stands, m.
    """

    on: Bools
    above: Floats | None
    clear: tuple[Clear, ...]
    size: float


def feet_of(track: Track, *, ground: ArrayLike | None = None) -> Feet | None:
    """Find where the feet are on the floor, on the frames the track knows.

    Parameters
    ----------
    track : Track
    ground : float or array_like, shape (F,) or (S, F), optional
        Height of the floor below the soles, m. Without it the floor is where the soles rest.

    Returns
    -------
    Feet or None
        None where nothing is known of the feet. K is the number of frames in `Track.known`.

    Notes
    -----
    Without a ground the soles' own valleys say where the floor is: between two of them the lowest
    sole rises and sinks by at least `CLEAR`, so each landing may have a level of its own.
    """
    if not track.has_feet:
        return None
    rows = track.known()
    if track.soles is None:
        assert track.contacts is not None
        on = track.contacts[:, rows]
        return Feet(on, None, _stretches(on, None), _size(track.cog[rows, 2], None))
    height = track.soles[:, rows, 2]
    if ground is None:
        rest, lowest = _rest_heights(height)
        size = _size(track.cog[rows, 2], lowest)
        above = height - rest[:, None] - _floor(lowest, size, _keyed(track, rows))
    else:
        floor = np.broadcast_to(np.asarray(ground, dtype=np.float64), track.soles.shape[:2])
        above = height - floor[:, rows]
        size = _size(track.cog[rows, 2], (height - above).min(axis=0))
    noise = 4 * jitter(height)
    on = above <= max(TOUCH * size, noise)
    if track.contacts is not None:
        on = track.contacts[:, rows]
    return Feet(on, above, _stretches(on, above, least=max(CLEAR * size, 2 * noise)), size)


def turning_points(values: Floats, *, least: float) -> tuple[NDArray[np.intp], bool]:
    """Highest and lowest rows of a curve that swings by at least `least`.

    Returns
    -------
    rows : ndarray
        In turn low and high (or high and low); the first and the last row are among them.
    first_is_low : bool

    Examples
    --------
    >>> rows, low = turning_points(np.array([0, 0.1, 0, 2, 1.9, 2, 0.0]), least=0.5)
    >>> rows.tolist(), low
    ([0, 3, 6], True)
    """
    inner = np.flatnonzero(np.diff(np.sign(np.diff(values)), prepend=0) != 0)
    candidates = np.unique(np.concatenate([[0], inner, inner + 1, [len(values) - 1]]))
    candidates = candidates[candidates < len(values)]
    kept: list[int] = []
    low = high = int(candidates[0])
    up: bool | None = None
    for row in candidates.tolist():
        value = values[row]
        if up is not False and value > values[high]:
            high = row
        if up is not True and value < values[low]:
            low = row
        if up is not True and value - values[low] >= least:
            kept.append(low)
            up, high = True, row
        elif up is not False and values[high] - value >= least:
            kept.append(high)
            up, low = False, row
    if up is not None:
        kept.append(high if up else low)
    first_is_low = len(kept) > 1 and bool(values[kept[0]] < values[kept[1]])
    return np.asarray(kept, dtype=np.intp), first_is_low


def _rest_heights(height: Floats) -> tuple[Floats, Floats]:
    """How high each point of the soles is when it is down, above the lowest of them, (S,); and
    the height of the lowest point over time once that is taken away, (K,).

    Ankles and markers count as points too: an ankle is down when it is as low as it gets.
    """
    down: Floats = np.asarray(np.quantile(height, 0.05, axis=1))
    rest = down - np.min(down)
    return rest, np.min(height - np.expand_dims(rest, 1), axis=0)


def _keyed(track: Track, rows: NDArray[np.intp]) -> Bools:
    """Which known frames carry a key, where there are few enough for a key to be a pose."""
    if track.keys is None or len(track.keys) > len(rows) / 2:
        return np.ones(len(rows), dtype=bool)
    return np.asarray(np.isin(np.rint(track.frames[rows]), np.rint(track.keys)))


def _floor(lowest: Floats, size: float, keyed: Bools) -> Floats:
    """Level of the floor over time, (K,): that of the valley stood in, of the last one until the
    feet are highest, and of the next one from there.

    Between keys a foot may sink into the floor or drag above it: poses on keys say where it is.
    """
    rows, first_is_low = turning_points(lowest, least=CLEAR * size)
    if len(rows) < 2:
        return np.full(len(lowest), _level(lowest, 2 * TOUCH * size, keyed))
    tops = rows[1::2] if first_is_low else rows[0::2]
    edges = np.concatenate([[0], tops, [len(lowest)]])
    floor = np.empty(len(lowest))
    for start, stop in pairwise(edges.tolist()):
        if stop > start:
            floor[start:stop] = _level(
                lowest[start : stop + 1], 2 * TOUCH * size, keyed[start : stop + 1]
            )
    return floor


def _level(lowest: Floats, within: float, keyed: Bools) -> float:
    """Where the feet rest in a valley.

    With poses on keys: the height of most of them, or of most frames where that is a draw.
    Without: the lowest height taken more than half as often as any in the lower half; a foot that
    sinks for a frame does not move the floor, nor do feet that hover at the top.
    """
    every = np.sort(lowest)
    posed = not np.all(keyed) and bool(np.any(keyed))
    height = np.sort(lowest[keyed]) if posed else every
    height = height[height <= (every[0] + every[-1]) / 2 + within]
    if not len(height):
        return float(every[0])
    stops = np.searchsorted(height, height + within, side="right")
    count = (stops - np.arange(len(height))).astype(np.float64)
    if posed:
        frames = np.searchsorted(every, height + within, side="right")
        count += (frames - np.searchsorted(every, height)) / (len(every) + 1)
        first = int(np.argmax(count))
    else:
        first = int(np.argmax(count > count.max() / 2))
    return float(np.median(height[first : stops[first]]))


def _stretches(on: Bools, above: Floats | None, *, least: float = 0.0) -> tuple[Clear, ...]:
    """Stretches without contact, with a contact at both ends."""
    down = on.any(axis=0)
    change = np.diff(down.astype(np.int8))
    leave, back = np.flatnonzero(change < 0), np.flatnonzero(change > 0) + 1
    if len(back) and len(leave) and back[0] <= leave[0]:
        back = back[1:]
    lowest = None if above is None else above.min(axis=0)
    found = []
    for last, first in zip(leave.tolist(), back.tolist(), strict=False):
        height = np.nan if lowest is None else float(np.max(lowest[last : first + 1]))
        if not height < least:
            found.append(Clear(last, first, height))
    return tuple(found)


def _size(cog: Floats, floor: Floats | None) -> float:
    if floor is None:
        return 1.0
    size = float(np.median(cog - floor))
    # A COG at or below the soles says nothing of the body's size.
    return size if size > 1e-3 else 1.0
