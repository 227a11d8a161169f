# SPDX-License-Identifier: GPL-3.0-or-later
"""Volumes of closed triangle meshes, and how much of one each bone carries.

All by the divergence theorem: a solid is the signed sum of tetrahedra from any origin to its
triangles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import InputError
from .surface import directed_edges, read_mesh

__all__ = ["Shares", "Solid", "share", "solid"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# Bones that hold less than this part of a mesh are counted with their neighbour on the skin.
_LEAST = 1e-6
# Bones looked at for a point of the skin, to tell which bones are neighbours.
_HOLDERS = 4


@dataclass(frozen=True, slots=True, eq=False)
class Solid:
    """Volume and centre of a closed mesh.

    Parameters
    ----------
    volume : float
        Negative for a mesh that is inside out.
    centre : ndarray, shape (3,)
        Centre of the volume; of the corners where there is no volume.
    """

    volume: float
    centre: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Shares:
    """A mesh shared out to bones.

    Parameters
    ----------
    volumes : ndarray, shape (bones,)
        They add up to the volume of the mesh.
    moments : ndarray, shape (bones, 3)
        Volume times centre, by bone.
    """

    volumes: Floats
    moments: Floats

    @property
    def centres(self) -> Floats:
        """Centre by bone, shape (bones, 3); 0 where a bone has no volume."""
        held = self.volumes != 0
        size = np.where(held, self.volumes, 1.0)[:, None]
        return np.where(held[:, None], self.moments / size, 0.0)


def solid(points: ArrayLike, triangles: ArrayLike) -> Solid:
    """Signed volume and centre of a closed triangle mesh.

    Parameters
    ----------
    points : array_like, shape (points, 3)
    triangles : array_like of int, shape (triangles, 3)
        Corners against the clock, seen from outside.

    Returns
    -------
    Solid

    Raises
    ------
    InputError
        Wrong shapes, places that are not finite, corners that are not there.

    Examples
    --------
    >>> corners = [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]]
    >>> found = solid(corners, [[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]])
    >>> print(f"{6 * found.volume:.3f} {found.centre[0]:.3f}")
    1.000 0.250
    """
    at, corners = read_mesh(points, triangles)
    origin = _middle(at, corners)
    volumes, moments = _cones(at[corners] - origin)
    volume = float(volumes.sum())
    if volume == 0.0:
        return Solid(0.0, origin)
    return Solid(volume, origin + moments.sum(axis=0) / volume)


def share(points: ArrayLike, triangles: ArrayLike, weights: ArrayLike) -> Shares:
    """Share the volume of a closed mesh out to bones by its skin weights.

    Parameters
    ----------
    points : array_like, shape (points, 3)
    triangles : array_like of int, shape (triangles, 3)
    weights : array_like, shape (points, bones)
        Not negative; each point's are scaled to add up to 1.

    Returns
    -------
    Shares
        Exact for parts that are skinned to one bone and closed.

    Raises
    ------
    InputError
        As `solid`; a point without weights.

    Notes
    -----
    Each tetrahedron goes to the bones of its triangle's corners. A bone's triangles alone are an
    open surface, so its volume would hang on the origin. So each cut is closed: bones are put in a
    tree by how much skin they share; all triangles beyond a branch, by weight, have a closed line
    as their edge, and a cone from the middle of that line closes them. What lies beyond the
    branch is counted there and taken off on the near side, so the sum stays the mesh's.

    Examples
    --------
    >>> corners = [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]]
    >>> found = share(corners, [[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]], [[1, 1]] * 4)
    >>> print((12 * found.volumes).round(3).tolist())
    [1.0, 1.0]
    """
    at, corners = read_mesh(points, triangles)
    held = _weights(weights, len(at))
    origin = _middle(at, corners)
    own = at - origin
    volumes, moments = _cones(own[corners])
    edges = _edges(corners, len(at))
    branches = _tree(own, edges, held)
    beyond = held.copy()
    taken = np.zeros(held.shape[1])
    shifted = np.zeros((held.shape[1], 3))
    for bone, above in reversed(branches):
        part = beyond[:, bone][corners].mean(axis=1)
        taken[bone], shifted[bone] = part @ volumes, part @ moments
        if above < 0:
            continue
        cap, shift = _cut(own, edges, part)
        taken[bone] += cap
        shifted[bone] += shift
        beyond[:, above] += beyond[:, bone]
    # What lies beyond is not a bone's own.
    size, moment = taken.copy(), shifted.copy()
    for bone, above in branches:
        if above >= 0:
            size[above] -= taken[bone]
            moment[above] -= shifted[bone]
    _fold(size, moment, branches)
    return Shares(size, moment + size[:, None] * origin)


def _fold(size: Floats, moment: Floats, branches: list[tuple[int, int]]) -> None:
    """Give what nothing (or less) is left of to its neighbour, so that every mass is above 0."""
    sign = np.sign(size.sum()) or 1.0
    least = _LEAST * abs(size.sum())
    links = {bone: above for bone, above in branches if above >= 0}
    for bone, _ in reversed(branches):
        if sign * size[bone] >= least or bone not in links:
            continue
        size[links[bone]] += size[bone]
        moment[links[bone]] += moment[bone]
        size[bone], moment[bone] = 0.0, 0.0
    for bone, above in branches:
        if above >= 0 or sign * size[bone] >= least:
            continue
        heavy = int(np.argmax(sign * size))
        if heavy != bone:
            size[heavy] += size[bone]
            moment[heavy] += moment[bone]
            size[bone], moment[bone] = 0.0, 0.0


@dataclass(frozen=True, slots=True, eq=False)
class _Edges:
    """Edges without direction; for each triangle's three: which one, and which way (±1)."""

    first: Ints
    second: Ints
    where: Ints
    sign: Floats


def _edges(corners: Ints, count: int) -> _Edges:
    edges = directed_edges(corners)
    low, high = edges.min(axis=1), edges.max(axis=1)
    keys, where = np.unique(low * count + high, return_inverse=True)
    sign = np.where(edges[:, 0] == low, 1.0, -1.0)
    return _Edges(keys // count, keys % count, where.reshape(-1), sign)


def _cut(at: Floats, edges: _Edges, part: Floats) -> tuple[float, Floats]:
    """Volume and moment of the cone that closes weighted triangles along their edge."""
    # The two directions of an edge between triangles of one weight cancel.
    weights = np.repeat(part, 3) * edges.sign
    flow = np.bincount(edges.where, weights=weights, minlength=len(edges.first))
    on = np.abs(flow) > 1e-12
    if not np.any(on):
        return 0.0, np.zeros(3)
    first, second = at[edges.first[on]], at[edges.second[on]]
    long = np.abs(flow[on]) * np.linalg.norm(second - first, axis=1)
    if long.sum() == 0.0:
        return 0.0, np.zeros(3)
    apex = long @ (0.5 * (first + second)) / long.sum()
    # Against the triangles' own direction, so that the whole is closed.
    cone = np.stack([second, first, np.broadcast_to(apex, first.shape)], axis=1)
    volumes, moments = _cones(cone)
    return float(flow[on] @ volumes), flow[on] @ moments


def _tree(at: Floats, edges: _Edges, held: Floats) -> list[tuple[int, int]]:
    """Bones and the neighbour that each hangs on (-1: none), neighbours first.

    The strongest tree over how much skin two bones share (Prim).
    """
    long = np.linalg.norm(at[edges.second] - at[edges.first], axis=1)
    bones = held.shape[1]
    # The few bones that hold a point most tell its neighbours.
    most = np.argsort(-held, axis=1, kind="stable")[:, :_HOLDERS]
    value = np.take_along_axis(held, most, axis=1)
    first, second = edges.first, edges.second
    pairs = most[first][:, :, None] * bones + most[second][:, None, :]
    skin = long[:, None, None] * value[first][:, :, None] * value[second][:, None, :]
    touch = np.bincount(pairs.reshape(-1), skin.reshape(-1), bones**2).reshape(bones, bones)
    touch = touch + touch.T
    order = np.argsort(-held.sum(axis=0), kind="stable").tolist()
    found: list[tuple[int, int]] = []
    left = set(order)
    best, to = np.zeros(bones), np.full(bones, -1)
    while left:
        near = max(left, key=lambda b: (best[b], -order.index(b)))
        found.append((near, int(to[near]) if best[near] > 0 else -1))
        left.discard(near)
        better = touch[near] > best
        best = np.where(better, touch[near], best)
        to = np.where(better, near, to)
    return found


# --- Small pieces --------------------------------------------------------------------------------


def _weights(weights: ArrayLike, count: int) -> Floats:
    held = np.array(weights, dtype=np.float64)
    if held.ndim != 2 or held.shape[0] != count or not np.all(held >= 0):
        raise InputError(
            f"`weights` must not be negative, of shape ({count}, bones), got shape {held.shape}",
            "weights",
        )
    total = held.sum(axis=1, keepdims=True)
    if not np.all(total > 0):
        bare = int(np.argmin(total))
        raise InputError(
            f"`weights` must be above 0 somewhere for each point; {bare}'s are not", "weights"
        )
    return np.asarray(held / total)


def _middle(at: Floats, corners: Ints) -> Floats:
    """An origin near the mesh: far from it, digits are lost."""
    used = at[np.unique(corners)]
    return np.asarray(0.5 * (used.min(axis=0) + used.max(axis=0)))


def _cones(triangles: Floats) -> tuple[Floats, Floats]:
    """Signed volume and moment of the tetrahedra from 0 to triangles ``[n, 3, 3]``."""
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    volumes = np.einsum("ni,ni->n", a, np.cross(b, c)) / 6.0
    return volumes, volumes[:, None] * (a + b + c) / 4.0
