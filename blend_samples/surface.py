# SPDX-License-Identifier: GPL-3.0-or-later
"""Smooth bodies from rounded cones: a distance field on a grid, and the net of quads on its zero.

Everything is numpy on arrays of points ``(n, 3)``; nothing here knows Blender.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Points = NDArray[np.float64]
Field = Callable[[Points], NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class Limb:
    """A cone with round ends from ``start`` to ``end`` that belongs to one bone.

    ``flat`` above 1 squeezes it along Y (ears); ``blend`` is how softly it joins its neighbours.
    """

    bone: str
    start: tuple[float, float, float]
    end: tuple[float, float, float]
    radius_start: float
    radius_end: float
    blend: float = 0.05
    flat: float = 1.0


def limb_distance(limb: Limb, points: Points) -> NDArray[np.float64]:
    """Distance from each point to the surface of one limb, negative inside."""
    start, end = np.array(limb.start), np.array(limb.end)
    axis = end - start
    along = np.clip((points - start) @ axis / max(float(axis @ axis), 1e-12), 0.0, 1.0)
    away = points - (start + along[:, None] * axis)
    away[:, 1] *= limb.flat
    radius = limb.radius_start + (limb.radius_end - limb.radius_start) * along
    # Squeezed distances overstate the depth along Y; dividing keeps them near true.
    return (np.linalg.norm(away, axis=1) - radius) / (0.5 + 0.5 * limb.flat)


def body_field(limbs: Sequence[Limb], floor: float | None) -> Field:
    """One field for all limbs, joined softly; nothing is left below ``floor``."""

    def field(points: Points) -> NDArray[np.float64]:
        joined = limb_distance(limbs[0], points)
        for limb in limbs[1:]:
            joined = _soft_union(joined, limb_distance(limb, points), limb.blend)
        if floor is None:
            return joined
        return -_soft_union(-joined, points[:, 2] - floor, 0.02)

    return field


def _soft_union(
    a: NDArray[np.float64], b: NDArray[np.float64], width: float
) -> NDArray[np.float64]:
    share = np.maximum(width - np.abs(a - b), 0.0) / width
    return np.minimum(a, b) - share * share * width / 4


def net(field: Field, low: Points, high: Points, step: float) -> tuple[Points, NDArray[np.int64]]:
    """Closed quads on the zero of a field inside a box, facing outwards.

    One point per grid cell that the surface crosses (the mean of its edge crossings), one quad per
    grid edge that it crosses; the points are then drawn onto the surface.
    """
    axes = [np.arange(low[i], high[i] + step, step) for i in range(3)]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1)
    values = field(grid.reshape(-1, 3)).reshape(grid.shape[:3])
    points, index = _cell_points(values, grid, step)
    quads = np.concatenate([_edge_quads(values, index, axis) for axis in range(3)])
    for _ in range(4):
        points = points - 0.9 * field(points)[:, None] * _gradient(field, points)
    return points, quads


def _cell_points(
    values: NDArray[np.float64], grid: NDArray[np.float64], step: float
) -> tuple[Points, NDArray[np.int64]]:
    shape = tuple(n - 1 for n in values.shape)
    total = np.zeros((*shape, 3))
    count = np.zeros(shape)
    corners = [np.array(c) for c in np.ndindex(2, 2, 2)]
    for a in corners:
        for axis in np.flatnonzero(a == 0):
            b = a.copy()
            b[axis] = 1
            va, vb = _shift(values, a), _shift(values, b)
            crosses = (va < 0) != (vb < 0)
            part = np.where(crosses, va / np.where(crosses, va - vb, 1.0), 0.0)
            offset = np.broadcast_to(a * step, total.shape).copy()
            offset[..., axis] += part * step
            total += np.where(crosses[..., None], offset, 0.0)
            count += crosses
    used = count > 0
    index = np.full(shape, -1, dtype=np.int64)
    index[used] = np.arange(int(used.sum()))
    return grid[:-1, :-1, :-1][used] + total[used] / count[used][:, None], index


def _shift(values: NDArray[np.float64], corner: NDArray[np.int64]) -> NDArray[np.float64]:
    i, j, k = (slice(c, n - 1 + c) for c, n in zip(corner, values.shape, strict=True))
    return values[i, j, k]


def _edge_quads(
    values: NDArray[np.float64], index: NDArray[np.int64], axis: int
) -> NDArray[np.int64]:
    values, index = np.moveaxis(values, axis, 0), np.moveaxis(index, axis, 0)
    inside = values < 0
    crosses = inside[:-1, 1:-1, 1:-1] != inside[1:, 1:-1, 1:-1]
    i, j, k = np.nonzero(crosses)
    j, k = j + 1, k + 1
    quads = np.stack(
        [index[i, j - 1, k - 1], index[i, j, k - 1], index[i, j, k], index[i, j - 1, k]], axis=1
    )
    # Moving an axis to the front mirrors the frame for Y only.
    flip = inside[i, j, k] == (axis == 1)
    quads[flip] = quads[flip][:, ::-1]
    return quads


def _gradient(field: Field, points: Points, step: float = 1e-4) -> Points:
    slopes = [
        (field(points + step * axis) - field(points - step * axis)) / (2 * step)
        for axis in np.eye(3)
    ]
    slope = np.stack(slopes, axis=1)
    return slope / np.maximum(np.linalg.norm(slope, axis=1, keepdims=True), 1e-9)


def ray_out(field: Field, origins: Points, directions: Points, reach: float = 0.5) -> Points:
    """Where rays from inside a body leave it."""
    low, high = np.zeros(len(origins)), np.full(len(origins), reach)
    for _ in range(40):
        middle = (low + high) / 2
        outside = field(origins + middle[:, None] * directions) > 0
        low, high = np.where(outside, low, middle), np.where(outside, middle, high)
    return origins + ((low + high) / 2)[:, None] * directions


def tube(
    path: Points, out: Points, width: float, thickness: float, sides: int = 8
) -> tuple[Points, NDArray[np.int64]]:
    """A closed loop of oval section along ``path``; ``out`` points away from the body."""
    along = np.roll(path, -1, axis=0) - np.roll(path, 1, axis=0)
    across = np.cross(along, out)
    across /= np.linalg.norm(across, axis=1, keepdims=True)
    angle = np.arange(sides) * 2 * np.pi / sides
    ring = (
        path[:, None]
        + thickness * np.cos(angle)[None, :, None] * out[:, None]
        + width * np.sin(angle)[None, :, None] * across[:, None]
    )
    n = len(path)
    i, j = np.meshgrid(np.arange(n), np.arange(sides), indexing="ij")
    i2, j2 = (i + 1) % n, (j + 1) % sides
    quads = np.stack(
        [i * sides + j, i2 * sides + j, i2 * sides + j2, i * sides + j2], axis=-1
    ).reshape(-1, 4)
    points = ring.reshape(-1, 3)
    if volume(points, quads) < 0:
        quads = quads[:, ::-1]
    return points, quads


def bead(
    centre: Sequence[float], radii: Sequence[float], power: float = 1.0, rings: int = 10
) -> tuple[Points, NDArray[np.int64]]:
    """A closed round body; ``power`` below 1 makes it boxy with round corners."""
    side = np.linspace(-1, 1, rings + 1)
    u, v = np.meshgrid(side, side, indexing="ij")
    faces, blocks, start = [], [], 0
    n = rings + 1
    cell = np.arange(n * n).reshape(n, n)
    square = np.stack([cell[:-1, :-1], cell[1:, :-1], cell[1:, 1:], cell[:-1, 1:]], -1)
    for axis in range(3):
        for sign in (-1.0, 1.0):
            block = np.empty((n, n, 3))
            block[..., axis] = sign
            block[..., (axis + 1) % 3] = np.tan(u * np.pi / 4)
            block[..., (axis + 2) % 3] = np.tan(v * np.pi / 4)
            blocks.append(block.reshape(-1, 3))
            quads = square.reshape(-1, 4) + start
            faces.append(quads if sign > 0 else quads[:, ::-1])
            start += n * n
    points, quads = _weld(np.concatenate(blocks), np.concatenate(faces))
    points /= np.linalg.norm(points, axis=1, keepdims=True)
    points = np.sign(points) * np.abs(points) ** power
    return points * np.array(radii) + np.array(centre), quads


def _weld(points: Points, quads: NDArray[np.int64]) -> tuple[Points, NDArray[np.int64]]:
    _, first, back = np.unique(
        np.round(points, 6) + 0.0, axis=0, return_index=True, return_inverse=True
    )
    return points[first], back.reshape(-1)[quads]


def closed(quads: NDArray[np.int64]) -> bool:
    """Whether every edge has exactly two faces."""
    edges = np.concatenate([quads[:, [i, (i + 1) % 4]] for i in range(4)])
    _, count = np.unique(np.sort(edges, axis=1), axis=0, return_counts=True)
    return bool((count == 2).all())


def volume(points: Points, quads: NDArray[np.int64]) -> float:
    """Volume of a closed mesh, m³; positive when its faces look outwards."""
    return float(_tetrahedra(points, quads)[0].sum())


def centroid(points: Points, quads: NDArray[np.int64]) -> Points:
    """Centre of the volume of a closed mesh."""
    volumes, centres = _tetrahedra(points, quads)
    return np.asarray((volumes[:, None] * centres).sum(axis=0) / volumes.sum())


def _tetrahedra(points: Points, quads: NDArray[np.int64]) -> tuple[NDArray[np.float64], Points]:
    triangles = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    a, b, c = (points[triangles[:, i]] for i in range(3))
    return np.einsum("ij,ij->i", a, np.cross(b, c)) / 6, (a + b + c) / 4
