# SPDX-License-Identifier: GPL-3.0-or-later
"""Lines and marks as triangles in pixels; a shape of many places is one array.

As few corners as will do, each shared by its triangles: all are drawn at every redraw.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "NOTHING",
    "Shape",
    "cog_marks",
    "crosses",
    "dashes",
    "diamonds",
    "discs",
    "joined",
    "lines",
    "strokes",
]

Floats = NDArray[np.float32]
Places = NDArray[np.float64]

SIDES = 8
"""Corners of a round mark."""

STRAIGHT = 0.15
"""Pixels that a place may be off the straight way between its neighbours, to be left out."""

SHARP = 0.3
"""Cosine of a turn that is too sharp for one pair of corners."""


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """Triangles over shared corners.

    Attributes
    ----------
    corners : ndarray, shape (C, 2)
        Pixels.
    triangles : ndarray, shape (T, 3)
        Indices of corners.
    """

    corners: Floats
    triangles: NDArray[np.int32]


NOTHING = Shape(np.zeros((0, 2), np.float32), np.zeros((0, 3), np.int32))


def joined(shapes: list[Shape]) -> Shape:
    """Give several shapes as one; later ones are above."""
    if not shapes:
        return NOTHING
    before = np.cumsum([0, *(len(s.corners) for s in shapes[:-1])])
    return Shape(
        np.concatenate([s.corners for s in shapes]),
        np.concatenate([s.triangles + n for s, n in zip(shapes, before, strict=True)]).astype(
            np.int32
        ),
    )


def lines(start: Places, end: Places, width: float) -> Shape:
    """Give straight strokes between places of shape (N, 2); those that are not finite are none."""
    known = np.isfinite(start).all(axis=1) & np.isfinite(end).all(axis=1)
    a, b = start[known], end[known]
    across = _normals(b - a) * (width / 2)
    return _copies(np.stack([a - across, a + across, b + across, b - across], axis=1))


def strokes(places: Places, *widths: float) -> tuple[Shape, ...]:
    """Give a stroke of each width through places of shape (N, 2), joined where it turns gently.

    It has gaps where places are not finite. Places that add nothing that is seen are left out.
    """
    a, b = _segments(places)
    if not len(a):
        return (NOTHING,) * len(widths)
    first = _normals(b - a)
    last = first.copy()
    both = first[:-1] + first[1:]
    square = np.einsum("ij,ij->i", both, both)
    # Of unit vectors: the square of their sum is 2 + 2 cosines.
    gentle = (square > 2 + 2 * SHARP) & (b[:-1] == a[1:]).all(axis=1)
    # The corner of both edges lies 1 / cos(half the turn) out along the middle of both normals.
    first[1:][gentle] = both[gentle] * (2 / square[gentle])[:, None]
    # A segment that is joined to the next ends in the pair of corners that the next begins with.
    free = ~np.append(gentle, False)
    p = 2 * np.arange(len(a))
    q = np.where(free, 2 * (len(a) + np.cumsum(free) - 1), p + 2)
    middle = np.concatenate([a, b[free]])[:, None]
    aside = np.concatenate([first, last[free]])[:, None] * [[-0.5], [0.5]]
    triangles = np.stack([p, p + 1, q, p + 1, q + 1, q], axis=1).reshape(-1, 3).astype(np.int32)
    return tuple(
        Shape((middle + width * aside).reshape(-1, 2).astype(np.float32), triangles)
        for width in widths
    )


def dashes(ends: Places, *widths: float, dash: float, gap: float) -> tuple[Shape, ...]:
    """Give dashed strokes of each width, with short ticks as floors have.

    Parameters
    ----------
    ends : ndarray, shape (N, 2, 2)
        Both ends of each stroke.
    widths : float
    dash, gap : float
        Pixels.
    """
    parts: list[Places] = []
    for start, end in ends:
        way = end - start
        long = float(np.hypot(*way))
        if not np.isfinite(long) or long < 1:
            continue
        along = way / long
        at = np.arange(0.0, min(long, 4000.0), dash + gap)[:, None]
        first, last = start + at * along, start + np.minimum(at + dash, long) * along
        down = np.array([along[1], -along[0]])
        down = down if down[1] <= 0 else -down
        parts.append(np.stack([first, last, first + (down - along) * dash / 2], axis=1))
    if not parts:
        return (NOTHING,) * len(widths)
    first, last, below = np.concatenate(parts).transpose(1, 0, 2)
    return tuple(
        joined([lines(first, last, width), lines(first, below, max(width * 0.6, 1.0))])
        for width in widths
    )


def discs(places: Places, radius: float) -> Shape:
    """Give round dots at places of shape (N, 2)."""
    angle = np.arange(SIDES) * (2 * np.pi / SIDES)
    return _marks(places, np.stack([np.cos(angle), np.sin(angle)], axis=1) * radius)


def diamonds(places: Places, radius: float, width: float) -> Shape:
    """Give hollow diamonds at places of shape (N, 2)."""
    corner = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0]])
    # The sides are slanted: along an axis their width is √2 times as much.
    half = width / np.sqrt(2)
    return _rings(places, corner * (radius - half), corner * (radius + half))


def crosses(places: Places, radius: float, width: float) -> Shape:
    """Give slanted crosses at places of shape (N, 2)."""
    arm = np.array([1.0, 1.0]) * radius / np.sqrt(2)
    aside = np.array([-1.0, 1.0]) * width / (2 * np.sqrt(2))
    bar = np.array([-arm - aside, -arm + aside, arm + aside, arm - aside])
    return joined([_marks(places, bar), _marks(places, bar * [1.0, -1.0])])


def cog_marks(places: Places, radius: float, width: float) -> Shape:
    """Give the mark of a centre of gravity: a ring of which two opposite quarters are filled."""
    parts = []
    for quarter in (0, 2):
        angle = np.linspace(0, np.pi / 2, SIDES // 2 + 1) + quarter * np.pi / 2
        rim = np.stack([np.cos(angle), np.sin(angle)], axis=1) * radius
        parts.append(_marks(places, np.concatenate([[[0.0, 0.0]], rim])))
    every = np.arange(2 * SIDES) * (np.pi / SIDES)
    ring = np.stack([np.cos(every), np.sin(every)], axis=1)
    parts.append(_rings(places, ring * (radius - width / 2), ring * (radius + width / 2)))
    return joined(parts)


def _segments(places: Places) -> tuple[Places, Places]:
    """Both ends of each piece of a way that is seen."""
    cells = np.rint(places)
    fresh = np.ones(len(places), bool)
    # What is not known equals nothing and stays: it ends a piece.
    fresh[1:] = (cells[1:] != cells[:-1]).any(axis=1)
    kept = _bent(_bent(places[fresh]))
    known = np.isfinite(kept).all(axis=1)
    seen = known[:-1] & known[1:]
    return kept[:-1][seen], kept[1:][seen]


def _bent(places: Places) -> Places:
    """A way without every other place where it goes straight on."""
    if len(places) < 3:
        return places
    come, go = places[1:-1] - places[:-2], places[2:] - places[1:-1]
    off = np.abs(come[:, 0] * go[:, 1] - come[:, 1] * go[:, 0])
    on = np.einsum("ij,ij->i", come, go) > 0
    straight = on & (off < STRAIGHT * np.hypot(*(come + go).T))
    straight[1::2] = False
    return places[~np.concatenate([[False], straight, [False]])]


def _normals(along: Places) -> Places:
    """Unit vectors to the left, shape (N, 2); none for no way."""
    long = np.hypot(along[:, 0], along[:, 1])[:, None]
    left = np.stack([-along[:, 1], along[:, 0]], axis=1)
    return np.asarray(left / np.where(long > 1e-9, long, np.inf), np.float64)


def _marks(places: Places, corners: Places) -> Shape:
    """A convex mark with these corners at each place that is known."""
    middle = places[np.isfinite(places).all(axis=1)]
    return _copies(middle[:, None] + corners)


def _rings(places: Places, inner: Places, outer: Places) -> Shape:
    """A closed band between two outlines at each place that is known."""
    middle = places[np.isfinite(places).all(axis=1)]
    count = len(inner)
    i = np.arange(count)
    j = (i + 1) % count
    band = np.concatenate(
        [np.stack([i, i + count, j], axis=1), np.stack([i + count, j + count, j], axis=1)]
    )
    return _copies(middle[:, None] + np.concatenate([inner, outer]), band)


def _copies(corners: Places, triangles: NDArray[np.int_] | None = None) -> Shape:
    """The same triangles for each row of corners, shape (N, C, 2); else a fan over a convex row."""
    rows, count = corners.shape[:2]
    if triangles is None:
        i = np.arange(1, count - 1)
        triangles = np.stack([np.zeros_like(i), i, i + 1], axis=1)
    every = triangles + count * np.arange(rows)[:, None, None]
    return Shape(corners.reshape(-1, 2).astype(np.float32), every.reshape(-1, 3).astype(np.int32))
