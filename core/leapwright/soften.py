# SPDX-License-Identifier: GPL-3.0-or-later
"""Easing segments as Bezier segments of the same shape, so that they can be split."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from leapwright.curves import Curves, Easing, Interpolation, Kind, merge
from leapwright.easing import AUTO_IS_OUT, BOUNCES, eased
from leapwright.errors import InputError
from leapwright.insert import keys_like, retyped

__all__ = ["soften"]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]

PIECES = {
    Interpolation.BACK: 1,
    Interpolation.CUBIC: 1,
    Interpolation.EXPO: 12,
    Interpolation.QUAD: 1,
    Interpolation.QUART: 4,
    Interpolation.QUINT: 6,
    Interpolation.SINE: 3,
}
"""Cubics that come within a ten-thousandth of the height of each easing, for one end."""


def soften(curves: Curves, keys: Ints) -> Curves:
    """Make Bezier segments of easing segments.

    Parameters
    ----------
    keys : int64[N]
        Keys that begin the segments, in order; the last key of a channel begins none.

    Returns
    -------
    Curves
        With breakdowns inside the segments where one cubic is not enough; the shape is kept to a
        ten-thousandth of a segment's height.

    Raises
    ------
    InputError
        A segment is ELASTIC (it would take several keys a frame), or no easing.

    Notes
    -----
    A piece is the cubic through four points of the easing, a third of the piece apart. The
    circular easing has an upright end that no function of time follows: it is drawn as arcs.
    """
    modes = curves.interpolation[keys]
    if not keys.size:
        return curves
    if not np.isin(modes, [*PIECES, Interpolation.CIRC, Interpolation.BOUNCE]).all():
        raise InputError("`keys` must begin easing segments other than ELASTIC", "keys")
    auto = np.where(np.isin(modes, AUTO_IS_OUT), Easing.EASE_OUT, Easing.EASE_IN)
    sides = np.where(curves.easing[keys] == Easing.AUTO, auto, curves.easing[keys])
    # One row a piece: the key it is of, whether it is that segment's first or last, its points.
    rows: list[tuple[Ints, npt.NDArray[np.bool_], npt.NDArray[np.bool_], Floats]] = []
    for mode, side in sorted(set(zip(modes.tolist(), sides.tolist(), strict=True))):
        start = keys[(modes == mode) & (sides == side)]
        points = (_arcs if mode == Interpolation.CIRC else _cubics)(curves, start, mode, side)
        count = points.shape[1]
        at = np.tile(np.arange(count), len(start))
        rows.append((np.repeat(start, count), at == 0, at == count - 1, points.reshape(-1, 4, 2)))
    of, first, last, points = (np.concatenate(column) for column in zip(*rows, strict=True))
    inner = ~first
    added = keys_like(curves, of[inner], points[inner, 0, 0], points[inner, 0, 1], Kind.BREAKDOWN)
    merged = merge(curves, added.curves, replace=False)
    new = merged.added[added.place]
    begin, end = merged.kept[of], merged.kept[of + 1]
    begin[inner] = new
    end[~last] = begin[np.flatnonzero(~last) + 1]
    left, right = merged.curves.left.copy(), merged.curves.right.copy()
    right[begin], left[end] = points[:, 1], points[:, 2]
    interpolation = merged.curves.interpolation.copy()
    interpolation[begin] = Interpolation.BEZIER
    result = replace(merged.curves, left=left, right=right, interpolation=interpolation)
    result = retyped(result, new, new[:0])
    # One cubic adds no key, but its handles are new all the same.
    left_type, right_type = result.left_type.copy(), result.right_type.copy()
    for key in (merged.kept[keys], merged.kept[keys + 1]):
        left_type[key] = right_type[key] = 0
    return replace(result, left_type=left_type, right_type=right_type)


def _cubics(curves: Curves, start: Ints, mode: int, side: int) -> Floats:
    """Pieces of functions of time, [N, P, 4, 2]."""
    if mode == Interpolation.BOUNCE:
        half = np.r_[0.0, 1 - BOUNCES[::-1], 1.0]
    else:
        half = np.linspace(0, 1, PIECES[Interpolation(mode)] + 1)
    if side == Easing.EASE_OUT:
        half = 1 - half[::-1]
    u = half if side != Easing.EASE_IN_OUT else np.r_[half / 2, 1 - half[-2::-1] / 2]
    t0, t1 = curves.frame[start].astype(np.float64), curves.frame[start + 1].astype(np.float64)
    knot = (t0[:, None] + u * (t1 - t0)[:, None]).astype(np.float32).astype(np.float64)
    knot[:, -1] = t1
    time = knot[:, :-1, None] + np.diff(knot)[:, :, None] * np.arange(4) / 3
    key = np.broadcast_to(start[:, None, None], time.shape).ravel()
    f = eased(curves, key, key + 1, time.ravel()).reshape(time.shape)
    one = (-5 * f[..., 0] + 18 * f[..., 1] - 9 * f[..., 2] + 2 * f[..., 3]) / 6
    two = (2 * f[..., 0] - 9 * f[..., 1] + 18 * f[..., 2] - 5 * f[..., 3]) / 6
    return np.stack([time, np.stack([f[..., 0], one, two, f[..., 3]], axis=-1)], axis=-1)


def _arcs(curves: Curves, start: Ints, mode: int, side: int) -> Floats:
    """Pieces of the circular easing, [N, P, 4, 2]: eighths of a circle, or of an ellipse."""
    angle = np.array([0.0, 0.25]) * np.pi
    reach = 4 / 3 * np.tan(np.pi / 16)

    def on(a: Floats) -> Floats:
        return np.stack([np.sin(a), 1 - np.cos(a)], axis=-1)

    def along(a: Floats) -> Floats:
        return np.asarray(np.stack([np.cos(a), np.sin(a)], axis=-1) * reach)

    ends = angle + np.pi / 4
    arc = np.stack([on(angle), on(angle) + along(angle), on(ends) - along(ends), on(ends)], axis=1)
    turned = 1 - arc[::-1, ::-1]
    if side == Easing.EASE_OUT:
        arc = turned
    elif side == Easing.EASE_IN_OUT:
        arc = np.concatenate([arc / 2, 0.5 + turned / 2])
    p0, p3 = (
        np.stack([curves.frame[k], curves.value[k]], axis=-1).astype(np.float64)
        for k in (start, start + 1)
    )
    return np.asarray(p0[:, None, None] + arc * (p3 - p0)[:, None, None])
