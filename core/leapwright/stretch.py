# SPDX-License-Identifier: GPL-3.0-or-later
"""Keys put on other frames by a map of time: their handles, types and periods."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from leapwright.curves import MERGE_FRAMES, Curves, Handle, Interpolation
from leapwright.insert import stays_aligned
from leapwright.timemap import TimeMap

__all__ = ["on_knots", "stretched"]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]

ALIKE = 1e-6
"""Two sides of a key whose stretches differ by less than this part are stretched alike."""


def stretched(curves: Curves, frame: Floats, time_map: TimeMap) -> tuple[Curves, Bools]:
    """Put keys on the frames and stretch their handles.

    A handle's time is stretched as the interval it lies in, its slope as the map's slope at its
    key. AUTO handles that the host would make otherwise become ALIGNED, and ALIGNED ones that are
    not in line any more FREE. The period of an elastic segment is stretched too.

    Parameters
    ----------
    frame : float64[K]
        Where each key goes, in order.
    time_map : TimeMap
        For its slopes.

    Returns
    -------
    curves : Curves
    touched : bool[K]
        Keys that were moved or stretched on a side.
    """
    old, new32 = curves.frame.astype(np.float64), frame.astype(np.float32)
    new = new32.astype(np.float64)
    inside = np.diff(curves.channel_of_key()) == 0
    slope_l, slope_r, ratio_l, ratio_r = _ratios(old, new32, inside, time_map)
    shift = new32 != curves.frame
    value = curves.value.astype(np.float64)
    left = _stretch(curves.left, old, new, value, ratio_l, slope_l, curves.left_type)
    right = _stretch(curves.right, old, new, value, ratio_r, slope_r, curves.right_type)
    moved_l, moved_r = shift | (ratio_l != 1), shift | (ratio_r != 1)
    made: dict[str, Any] = {
        "frame": new32,
        "left": _single(new, value, left, right, inside, moved_l, curves.left, side=-1),
        "right": _single(new, value, right, left, inside, moved_r, curves.right, side=1),
    }
    elastic = curves.interpolation == Interpolation.ELASTIC
    if elastic.any():
        made["period"] = np.where(elastic, curves.period * ratio_r, curves.period).astype("f4")
    bent = (ratio_l != 1) | (ratio_r != 1)
    result = replace(curves, **made)
    return _typed(result, bent, ratio_l, ratio_r, slope_l == slope_r), moved_l | moved_r


def _ratios(
    old: Floats, new32: Singles, inside: Bools, time_map: TimeMap
) -> tuple[Floats, Floats, Floats, Floats]:
    """The map's slope on both sides of each key, and what the intervals there are stretched by."""
    at = on_knots(old, time_map)
    slope_l, slope_r = time_map.slope(at, "before"), time_map.slope(at, "after")
    gap, gap_new = np.diff(old), np.diff(new32.astype(np.float64))
    between = slope_r[:-1]
    # Rounding to single precision is no stretch.
    room = 4 * np.spacing(np.abs(new32[1:]) + 1)
    exact = (between == slope_l[1:]) & (np.abs(gap_new - between * gap) <= room)
    ratio = np.where(exact, between, gap_new / np.where(inside, gap, 1.0))
    ratio_l, ratio_r = slope_l.copy(), slope_r.copy()
    np.copyto(ratio_l[1:], ratio, where=inside)
    np.copyto(ratio_r[:-1], ratio, where=inside)
    return slope_l, slope_r, ratio_l, ratio_r


def on_knots(frame: Floats, time_map: TimeMap) -> Floats:
    """Give the frames, those beside a knot put on it: a key there is the knot's."""
    knots = time_map.source
    for knot in knots:
        near = np.abs(frame - knot) < MERGE_FRAMES
        if near.any():
            frame = np.where(near, knot, frame)
    return frame


def _stretch(
    handle: Singles,
    old: Floats,
    new: Floats,
    value: Floats,
    ratio: Floats,
    slope: Floats,
    kind: npt.NDArray[np.int32],
) -> tuple[Floats, Floats]:
    """Frame and height over the key of handles."""
    dx = (handle[:, 0] - old) * ratio
    dy = handle[:, 1] - value
    # VECTOR handles point at their neighbour: the host makes them anew just so.
    level = np.where(kind == Handle.VECTOR, 1.0, ratio / slope)
    return new + dx, dy * level


def _single(
    key: Floats,
    value: Floats,
    near: tuple[Floats, Floats],
    far: tuple[Floats, Floats],
    inside: Bools,
    moved: Bools,
    old: Singles,
    *,
    side: int,
) -> Singles:
    """Handles in single precision; those that were not moved keep their bytes.

    What rounding takes from their time is taken from their height, along the curve's slope a third
    of the way (as in `path.handles_at_thirds`): 3 p2 + p3 - 4 p0, seen from their key.
    """
    x, y = near
    run, rise = x - key, y.copy()
    a, b = (slice(1, None), slice(None, -1)) if side < 0 else (slice(None, -1), slice(1, None))
    np.copyto(run[a], 3 * far[0][b] + key[b] - 4 * key[a], where=inside)
    np.copyto(rise[a], 3 * far[1][b] + 4 * (value[b] - value[a]), where=inside)
    rounded = x.astype(np.float32)
    # Flat handles stay flat to the last bit.
    quick = (run * side > 1e-3) & (y != 0)
    slope = np.divide(rise, run, out=np.zeros_like(run), where=quick)
    made = np.empty_like(old)
    made[:, 0] = rounded
    made[:, 1] = value + y + slope * (rounded - x)
    return made if moved.all() else np.where(moved[:, None], made, old)


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
    # An ALIGNED handle beside a FREE one is left alone by the host.
    bound = ((left == Handle.ALIGNED) & (right != Handle.FREE)) | (
        (right == Handle.ALIGNED) & (left != Handle.FREE)
    )
    tolerance = np.where(smooth[key[bound]], 1e-5, 2e-6)
    bound[bound] = ~stays_aligned(curves, key[bound], tolerance=tolerance)
    for side in (left, right):
        side[bound & (side == Handle.ALIGNED)] = Handle.FREE
    left_type, right_type = curves.left_type.copy(), curves.right_type.copy()
    left_type[key], right_type[key] = left, right
    return replace(curves, left_type=left_type, right_type=right_type)
