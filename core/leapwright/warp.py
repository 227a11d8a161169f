# SPDX-License-Identifier: GPL-3.0-or-later
"""Curves through a map of time: keys, handles and periods."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from leapwright.curves import MERGE_FRAMES, Curves, Handle, Interpolation, Kind, remove_keys
from leapwright.errors import InputError
from leapwright.insert import insert_at, stays_aligned
from leapwright.playback import evaluate, keys_before
from leapwright.timemap import TimeMap
from leapwright.units import finite
from leapwright.wholekeys import kept_keys, onto_arc, whole_frames

__all__ = ["Merge", "Miss", "Warped", "largest_miss", "warp"]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

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
    moments: npt.ArrayLike = (),
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
    moments : array_like of floats
        Frames before that are moments besides the map's knots (say the apex). Of two keys that
        come onto one frame, a moment's is kept.

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
    firm = np.union1d(time_map.source, finite(moments, "moments", "frames"))
    first, last = time_map.reach
    if first > last or not curves.frame.size:
        nothing = np.zeros(len(curves.frame), bool)
        return Warped(curves, 0, nothing, (), (), nothing, nothing)
    cut, unsplit = _cut(curves, time_map, np.ones_like(chosen) if exact else chosen)
    merged: list[tuple[int, float, float]] = []
    whole = not (exact or subframes)
    if whole and air is not None and chosen.any():
        cut, gone = onto_arc(cut, time_map, chosen, air, firm)
        merged += gone
    frame = whole_frames(cut, time_map, firm) if whole else time_map.apply(cut.frame)
    keep, gone = kept_keys(cut, frame, time_map, firm)
    merged += gone
    kept = cut if keep.all() else remove_keys(cut, ~keep)
    made, redone = _stretched(kept, frame[keep], time_map)
    old = _places(made, curves, kept.frame)
    split = old < 0
    frame_was = np.where(split, np.inf, curves.frame[np.maximum(old, 0)])
    changed = split | redone | _differs(made, curves, old)
    aligned = (made.left_type == Handle.ALIGNED) | (made.right_type == Handle.ALIGNED)
    labels = [curves.channels[c].label for c, _, _ in merged]
    return Warped(
        curves=made,
        moved=int(np.count_nonzero(~split & (frame_was != made.frame))),
        split=split,
        merged=tuple(Merge(n, *m[1:]) for n, m in zip(labels, merged, strict=True)),
        unsplit=unsplit,
        changed=changed,
        fixed=changed & aligned,
    )
