# SPDX-License-Identifier: GPL-3.0-or-later
"""Lines and marks as triangles in pixels; a shape of many places is one array.

Every function gives corners, shape (T, 3, 2). As few as will do: they are drawn at every redraw.
"""

from __future__ import annotations

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
]

Floats = NDArray[np.float32]
Places = NDArray[np.float64]
Shape = Floats

SIDES = 8
"""Corners of a round mark."""

NOTHING: Shape = np.zeros((0, 3, 2), np.float32)


def joined(shapes: list[Shape]) -> Shape:
    """Give several shapes as one."""
    return np.concatenate(shapes) if shapes else NOTHING


def lines(start: Places, end: Places, width: float) -> Shape:
    """Give straight strokes between places of shape (N, 2); those that are not finite are none."""
    known = np.isfinite(start).all(axis=1) & np.isfinite(end).all(axis=1)
    a, b = (np.asarray(p[known], dtype=np.float64) for p in (start, end))
    along = b - a
    long = np.linalg.norm(along, axis=1, keepdims=True)
    along = np.divide(along, long, out=np.zeros_like(along), where=long > 1e-9)
    across = np.stack([-along[:, 1], along[:, 0]], axis=1) * (width / 2)
    p, q, r, s = a - across, a + across, b - across, b + across
    corners = [np.stack([p, q, r], axis=1), np.stack([q, s, r], axis=1)]
    return np.concatenate(corners).astype(np.float32)


def dashes(start: Places, end: Places, width: float, *, dash: float, gap: float) -> Shape:
    """Give one dashed stroke between places of shape (2,), with short ticks as floors have."""
    way = end - start
    long = float(np.hypot(*way))
    if not np.isfinite(long) or long < 1:
        return NOTHING
    along = way / long
    at = np.arange(0.0, min(long, 4000.0), dash + gap)[:, None]
    first, last = start + at * along, start + np.minimum(at + dash, long) * along
    down = np.array([along[1], -along[0]])
    down = down if down[1] <= 0 else -down
    slanted = (down - along) * dash / 2
    ticks = lines(first, first + slanted, max(width * 0.6, 1.0))
    return joined([lines(first, last, width), ticks])


def discs(places: Places, radius: float) -> Shape:
    """Give round dots at places of shape (N, 2)."""
    angle = np.linspace(0, 2 * np.pi, SIDES + 1)
    circle = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return _round(places, circle, radius)


def diamonds(places: Places, radius: float, width: float) -> Shape:
    """Give hollow diamonds at places of shape (N, 2)."""
    corner = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, 0.0], [0.0, -1.0], [1.0, 0.0]]) * radius
    sides = [lines(places + corner[i], places + corner[i + 1], width) for i in range(4)]
    return joined(sides)


def crosses(places: Places, radius: float, width: float) -> Shape:
    """Give slanted crosses at places of shape (N, 2)."""
    arm = np.array([1.0, 1.0]) * radius / np.sqrt(2)
    other = arm * [1.0, -1.0]
    return joined(
        [lines(places - arm, places + arm, width), lines(places - other, places + other, width)]
    )


def cog_marks(places: Places, radius: float, width: float) -> Shape:
    """Give the mark of a centre of gravity: a ring of which two opposite quarters are filled."""
    parts = []
    for quarter in (0, 2):
        angle = np.linspace(0, np.pi / 2, SIDES // 4 + 1) + quarter * np.pi / 2
        arc = np.stack([np.cos(angle), np.sin(angle)], axis=1)
        parts.append(_round(places, arc, radius))
    angle = np.linspace(0, 2 * np.pi, 2 * SIDES + 1)
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1) * radius
    parts += [lines(places + ring[i], places + ring[i + 1], width) for i in range(2 * SIDES)]
    return joined(parts)


def _round(places: Places, rim: NDArray[np.float64], radius: float) -> Shape:
    """Fans from each place to a rim of unit radius."""
    middle = np.asarray(places[np.isfinite(places).all(axis=1)], dtype=np.float64)[:, None]
    p, q = middle + rim[:-1] * radius, middle + rim[1:] * radius
    fan = np.stack([np.broadcast_to(middle, p.shape), p, q], axis=2)
    return fan.reshape(-1, 3, 2).astype(np.float32)
