# SPDX-License-Identifier: GPL-3.0-or-later
"""More keys on curves, whose shape stays as it is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from leapwright.curves import MERGE_FRAMES, Curves, Handle, Interpolation, Kind, merge, select
from leapwright.errors import InputError
from leapwright.few import are_few, put_back
from leapwright.playback import blossom, controls, keys_before, parameter
from leapwright.units import finite

__all__ = ["Added", "insert_at", "insert_keys", "keys_like", "off_line", "retyped", "stays_aligned"]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

IN_LINE = 2e-6
"""How far, as a part of the handle's height, the host may move an ALIGNED handle unnoticed."""


def insert_keys(
    curves: Curves,
    which: npt.ArrayLike,
    frames: npt.ArrayLike,
    *,
    kind: Kind = Kind.BREAKDOWN,
) -> Curves:
    """Add keys on the frames to the channels; every channel keeps its shape.

    Parameters
    ----------
    which : bool[C] or int[N]
        The channels, as a mask or as indices. One without keys stays without.
    frames : array_like of F floats
        Where the keys go. A frame closer than `MERGE_FRAMES` to a key of a channel adds none there.
    kind : Kind
        Of the new keys.

    Returns
    -------
    Curves
        The same channels. A new key has the interpolation of the segment it splits and ALIGNED
        handles where they are in line, else FREE ones. Beside a new key, AUTO and AUTO_CLAMPED
        handles on both sides of a key and VECTOR handles that face it become FREE, for the host
        would make them anew; ALIGNED ones stay ALIGNED where their direction stays. Outside the
        keys a new key has the held value.

    Raises
    ------
    InputError
        A frame lies inside a segment of an easing interpolation (it is named): its shape is no
        Bezier curve. Or two frames are closer than `MERGE_FRAMES`.

    Notes
    -----
    Bezier segments are split by de Casteljau's construction (as a blossom, so that many keys may
    split one segment). Handles longer than the interval are taken as the host plays them. Where
    two such long handles leave a piece that no pair of handles can play, one more key at the
    segment's steepest point is added.

    Examples
    --------
    >>> from leapwright.curves import Channel
    >>> hop = Curves.checked([Channel("location", 2)], [0, 2], [1, 13], [0.0, 1.2],
    ...                      right=[[5, 0], [17, 1.2]], left=[[-3, 0], [9, 1.2]])
    >>> insert_keys(hop, [0], [7]).value.tolist()
    [0.0, 0.6000000238418579, 1.2000000476837158]
    """
    chosen, wanted = _channels(curves, which), _apart(frames)
    home, frame = np.repeat(chosen, len(wanted)), np.tile(wanted, len(chosen))
    return insert_at(curves, home, frame, kind=kind)


def insert_at(
    curves: Curves, channels: Ints, frames: Floats, *, kind: Kind = Kind.BREAKDOWN
) -> Curves:
    """Add single keys, each at its own channel and frame; else as `insert_keys`.

    Parameters
    ----------
    channels : int64[N]
        Index of each new key's channel.
    frames : float64[N]
        Its frame. One closer than `MERGE_FRAMES` to a key or to one before it adds none.
    """
    which = np.unique(channels)
    if are_few(curves, which):
        few = select(curves, which)
        grown = _inserted(few, np.searchsorted(which, channels), frames, kind)
        return curves if grown is few else put_back(curves, which, grown)
    return _inserted(curves, channels, frames, kind)


def _inserted(curves: Curves, channels: Ints, frames: Floats, kind: Kind) -> Curves:
    home, frame = _missing(curves, channels, frames)
    if not home.size:
        return curves
    before = keys_before(curves, home, frame)
    early = before < curves.starts[home]
    held = early | (before == curves.starts[home + 1] - 1)
    _refuse_easings(curves, before[~held])
    parent, frame_in, u = _playable(curves, before[~held], frame[~held])
    end = np.where(early, curves.starts[home], before)[held]
    at, like = np.r_[frame[held], frame_in], np.r_[end, parent]
    inside = _controls(curves, parent)
    value = np.r_[curves.value[end], blossom(inside, u, u, u)[:, 1]]
    added = keys_like(curves, like, at, value, kind)
    merged = merge(curves, added.curves, replace=False)
    new = merged.added[added.place]
    split = _Split(curves, merged.kept, new[len(end) :], parent, u)
    left, right = merged.curves.left.copy(), merged.curves.right.copy()
    _bend(left, right, split)
    _flatten(left, right, merged.curves, new[: len(end)])
    result = replace(merged.curves, left=left, right=right)
    return retyped(result, new, new[: len(end)])


def stays_aligned(
    curves: Curves, keys: Ints | None = None, *, tolerance: npt.ArrayLike = IN_LINE
) -> Bools:
    """Say at which keys ALIGNED handles are so much in line that the host leaves them.

    Parameters
    ----------
    keys : int64[N]
        Only these keys; all of them unless given.
    tolerance : float or float64[N]
        How far a handle's height may move, as a part of the values about the key.

    Returns
    -------
    bool[N]

    Notes
    -----
    The host turns the right handle into the line of the left one and keeps its length.
    """
    at = np.arange(len(curves.frame)) if keys is None else keys
    value = curves.value[at]
    size = np.abs(value) + np.abs(curves.left[at, 1] - value) + np.abs(curves.right[at, 1] - value)
    return np.asarray(off_line(curves, at) <= tolerance * size)


def off_line(curves: Curves, keys: Ints) -> Floats:
    """Give how far each key's right handle is over or under the line of its left one, float64[N].

    Infinite where the left handle has no length in time.
    """
    frame, value = curves.frame[keys].astype(np.float64), curves.value[keys].astype(np.float64)
    back, below = frame - curves.left[keys, 0], value - curves.left[keys, 1]
    ahead, above = curves.right[keys, 0] - frame, curves.right[keys, 1] - value
    slope = np.divide(below, back, out=np.full(back.shape, np.inf), where=back > 0)
    with np.errstate(invalid="ignore"):
        off: Floats = np.abs(above - slope * ahead)
    return np.where(np.isnan(off), np.inf, off)


# What is asked


def _channels(curves: Curves, which: npt.ArrayLike) -> Ints:
    chosen, count = np.asarray(which), len(curves.channels)
    if chosen.dtype == np.bool_ and chosen.shape == (count,):
        return np.flatnonzero(chosen)
    if chosen.size == 0:
        return np.empty(0, np.int64)
    bad = chosen.dtype.kind not in "iu" or chosen.ndim > 1
    if bad or (chosen < 0).any() or (chosen >= count).any():
        raise InputError(
            f"`which` must be {count} booleans or channels from 0 to {count - 1}, got {which!r}",
            "which",
        )
    return np.unique(chosen).astype(np.int64)


def _apart(frames: npt.ArrayLike) -> Floats:
    """The frames as the host holds them, each once."""
    wanted = np.unique(finite(frames, "frames", "").astype(np.float32)).astype(np.float64)
    close = np.flatnonzero(np.diff(wanted) < MERGE_FRAMES)
    if close.size:
        a, b = wanted[close[0]], wanted[close[0] + 1]
        raise InputError(f"`frames` must be {MERGE_FRAMES} apart, got {a:g} and {b:g}", "frames")
    return wanted


def _missing(curves: Curves, channels: Ints, frames: Floats) -> tuple[Ints, Floats]:
    """Channel and frame of every key that is wanted and not there yet, in order."""
    full = np.diff(curves.starts)[channels] > 0
    home, frame = channels[full], frames[full].astype(np.float32).astype(np.float64)
    if not home.size:
        return home, frame
    order = np.lexsort((frame, home))
    home, frame = home[order], frame[order]
    alone = np.r_[True, (np.diff(home) != 0) | (np.diff(frame) >= MERGE_FRAMES)]
    home, frame = home[alone], frame[alone]
    before = keys_before(curves, home, frame)
    first, last = curves.starts[home], curves.starts[home + 1] - 1
    near = [np.abs(curves.frame[np.clip(before + i, first, last)] - frame) for i in (0, 1)]
    free = np.minimum(*near) >= MERGE_FRAMES
    return home[free], frame[free]


def _refuse_easings(curves: Curves, parent: Ints) -> None:
    bad = parent[curves.interpolation[parent] > Interpolation.BEZIER]
    if bad.size:
        name = curves.channels[int(curves.channel_of_key()[bad[0]])].label
        easing = Interpolation(int(curves.interpolation[bad[0]])).name
        raise InputError(
            "`frames` must lie in constant, linear or Bezier segments, "
            f"got one in the {easing} segment from frame {curves.frame[bad[0]]:g} of {name}",
            "frames",
        )


@dataclass(frozen=True, slots=True)
class Added:
    """New keys as curves, and where each of them is in there."""

    curves: Curves
    place: Ints


def keys_like(curves: Curves, like: Ints, frame: Floats, value: Floats, kind: Kind) -> Added:
    """Make keys with the settings of the keys `like`, in the channels of those."""
    home = curves.channel_of_key()[like]
    order = np.lexsort((frame, home))
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    channels, starts = np.unique(home[order], return_index=True)
    alike: dict[str, Any] = {
        name: getattr(curves, name)[like[order]]
        for name in ("interpolation", "easing", "back", "amplitude", "period")
    }
    return Added(
        Curves.checked(
            [curves.channels[c] for c in channels],
            np.r_[starts, len(order)],
            frame[order],
            value[order],
            kind=kind,
            **alike,
        ),
        place,
    )


# Pieces of segments


@dataclass(frozen=True, slots=True)
class _Split:
    """Segments of `curves` and the keys that split them: `new` (in the result) at `u` of the
    segment from key `parent`; `kept` is where the old keys are in the result."""

    curves: Curves
    kept: Ints
    new: Ints
    parent: Ints
    u: Floats


def _controls(curves: Curves, parent: Ints) -> Floats:
    """Control points of the segments from `parent`, [N, 4, 2], of whatever interpolation."""
    points = controls(curves, parent, parent + 1)
    thirds = points[:, :1] + (points[:, 3:] - points[:, :1]) * np.arange(4)[:, None] / 3
    mode = curves.interpolation[parent]
    points = np.where((mode == Interpolation.BEZIER)[:, None, None], points, thirds)
    flat = mode == Interpolation.CONSTANT
    points[flat, :, 1] = points[flat, :1, 1]
    return points


def _playable(curves: Curves, parent: Ints, frame: Floats) -> tuple[Ints, Floats, Floats]:
    """Segment, frame and parameter of each new key, with one more where a piece needs it.

    A piece's handle may be longer than the piece, and the host would shorten it. Then time goes
    slowest inside it; cut there too and no handle is too long.
    """
    points = _controls(curves, parent)
    u = parameter(points, frame)
    slowest = _slowest(points)
    # Near a place where time stands still a frame says too little: one such key is taken for it.
    spacing = np.spacing(frame.astype(np.float32))
    there = np.abs(blossom(points, slowest, slowest, slowest)[:, 0] - frame) <= spacing
    u = np.where(there, slowest, u)
    order = np.lexsort((u, parent))
    parent, frame, u, points = parent[order], frame[order], u[order], points[order]
    first = np.r_[True, np.diff(parent) != 0][: len(parent)]
    last = np.r_[first[1:], True][: len(parent)]
    # Every piece that ends at a new key, then every one from the last new key on.
    start = np.r_[np.where(first, 0.0, np.r_[0.0, u[:-1]][: len(u)]), u[last]]
    stop = np.r_[u, np.ones(np.count_nonzero(last))]
    of = np.r_[np.arange(len(u)), np.flatnonzero(last)]
    piece = np.stack([blossom(points[of], *us) for us in _rounds(start, stop)], axis=1)[:, :, 0]
    slack = 1e-9 * (points[of, 3, 0] - points[of, 0, 0])
    long = (piece[:, 1] > piece[:, 3] + slack) | (piece[:, 2] < piece[:, 0] - slack)
    start, stop, of, piece = start[long], stop[long], of[long], piece[long]
    middle = np.clip(slowest[order][of], start, stop)
    where = blossom(points[of], middle, middle, middle)[:, 0].astype(np.float32).astype(np.float64)
    apart = np.minimum(where - piece[:, 0], piece[:, 3] - where) >= MERGE_FRAMES
    return (
        np.r_[parent, parent[of][apart]],
        np.r_[frame, where[apart]],
        np.r_[u, middle[apart]],
    )


def _slowest(points: Floats) -> Floats:
    """Parameter at which time goes slowest along each segment, 0 or 1 where that is an end."""
    x = points[:, :, 0]
    # Where x'' = 0; the second differences of the control points are its ends.
    d0, d1 = x[:, 2] - 2 * x[:, 1] + x[:, 0], x[:, 3] - 2 * x[:, 2] + x[:, 1]
    inside = (d0 < 0) & (d1 > 0)
    return np.where(inside, d0 / np.where(inside, d0 - d1, 1.0), np.where(d0 + d1 < 0, 1.0, 0.0))


def _bend(left: Singles, right: Singles, split: _Split) -> None:
    """Give both handles of every piece, in place."""
    fresh, at = np.zeros(len(left) + 1, bool), np.zeros(len(left) + 1)
    fresh[split.new], at[split.new] = True, split.u
    parents = np.unique(split.parent)
    start = np.r_[split.new, split.kept[parents]]
    parent = np.r_[split.parent, parents]
    u0 = at[start]
    u1 = np.where(fresh[start + 1], at[start + 1], 1.0)
    points = _controls(split.curves, parent)
    piece = np.stack([blossom(points, *us) for us in _rounds(u0, u1)], axis=1)
    # Handles that are not played stay as they are on the old keys.
    played = split.curves.interpolation[parent] == Interpolation.BEZIER
    out, back = played | fresh[start], played | fresh[start + 1]
    right[start[out]] = _single(piece[out], 1)
    left[start[back] + 1] = _single(piece[back], 2)


def _rounds(u0: Floats, u1: Floats) -> tuple[tuple[Floats, Floats, Floats], ...]:
    return (u0, u0, u0), (u0, u0, u1), (u0, u1, u1), (u1, u1, u1)


def _single(piece: Floats, which: int) -> Singles:
    """Handle 1 or 2 of pieces in single precision: what rounding takes from its time is taken
    from its height too, along the curve's slope a third of the way (as in handles_at_thirds)."""
    weights = np.array([4.0, 0.0, -3.0, -1.0] if which == 1 else [1.0, 3.0, 0.0, -4.0])
    speed = -(weights[:, None] * piece).sum(axis=1)
    frame = piece[:, which, 0].astype(np.float32)
    steep = speed[:, 0] <= 1e-3 * (piece[:, 3, 0] - piece[:, 0, 0])
    slope = np.where(steep, 0.0, speed[:, 1] / np.where(steep, 1.0, speed[:, 0]))
    height = piece[:, which, 1] + slope * (frame - piece[:, which, 0])
    return np.stack([frame, height.astype(np.float32)], axis=-1)


def _flatten(left: Singles, right: Singles, curves: Curves, held: Ints) -> None:
    """Lay the handles of keys outside the old range, and those that face them, flat, in place."""
    home, last = curves.channel_of_key(), len(curves.frame) - 1
    near = np.unique(np.clip(np.r_[held - 1, held, held], 0, last))
    near = near[(near < last) & (home[near] == home[np.minimum(near + 1, last)])]
    isheld = np.zeros(last + 1, bool)
    isheld[held] = True
    near = near[isheld[near] | isheld[near + 1]]
    third = (curves.frame[near + 1].astype(np.float64) - curves.frame[near]) / 3
    right[near] = np.stack([curves.frame[near] + third, curves.value[near]], -1)
    left[near + 1] = np.stack([curves.frame[near + 1] - third, curves.value[near + 1]], -1)
    # The outer handle of the outermost key, as long as its inner one.
    outer = held[(held == curves.starts[home[held]])]
    left[outer] = 2 * np.stack([curves.frame, curves.value], -1)[outer] - right[outer]
    outer = held[(held == curves.starts[home[held] + 1] - 1)]
    right[outer] = 2 * np.stack([curves.frame, curves.value], -1)[outer] - left[outer]


def retyped(curves: Curves, new: Ints, held: Ints) -> Curves:
    """Set the handle types at new keys and beside them, so that the host leaves every handle."""
    home = curves.channel_of_key()
    same = np.diff(home) == 0
    fresh = np.zeros(len(home), bool)
    fresh[new] = True
    faces_next = ~fresh & np.r_[same & fresh[1:], False]
    faces_last = ~fresh & np.r_[False, same & fresh[:-1]]
    beside = faces_next | faces_last
    bent = curves.interpolation == Interpolation.BEZIER
    left_type, right_type = curves.left_type.copy(), curves.right_type.copy()
    for types, facing, curved in (
        (left_type, faces_last, np.r_[False, bent[:-1]]),
        (right_type, faces_next, bent),
    ):
        made_anew = np.isin(types, (Handle.AUTO, Handle.AUTO_CLAMPED)) & beside
        types[made_anew | ((types == Handle.VECTOR) & facing & curved)] = Handle.FREE
    in_line = stays_aligned(curves)
    left_type[fresh] = right_type[fresh] = Handle.ALIGNED
    turned = (fresh | beside) & ~in_line
    turned &= (left_type == Handle.ALIGNED) & (right_type == Handle.ALIGNED)
    right_type[turned] = Handle.FREE
    left_type[turned & (fresh | faces_last)] = Handle.FREE
    # Outside the keys no easing was played, and none may begin now.
    interpolation = curves.interpolation.copy()
    outside = np.unique(np.r_[held, np.maximum(held - 1, 0)])
    outside = outside[fresh[outside] | faces_next[outside]]
    interpolation[outside] = np.minimum(interpolation[outside], Interpolation.BEZIER)
    return replace(curves, left_type=left_type, right_type=right_type, interpolation=interpolation)
