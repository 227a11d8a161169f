# SPDX-License-Identifier: GPL-3.0-or-later
"""Surfaces of triangles: in pieces, open, inside out; what lies inside of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import InputError

__all__ = [
    "boundary_edges",
    "close_holes",
    "directed_edges",
    "inside",
    "oriented",
    "pieces",
    "read_mesh",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# How many numbers are worked on at a time.
_CHUNK = 2_000_000


def read_mesh(points: ArrayLike, triangles: ArrayLike) -> tuple[Floats, Ints]:
    """A mesh as arrays, checked.

    Parameters
    ----------
    points : array_like, shape (points, 3)
    triangles : array_like of int, shape (triangles, 3)

    Raises
    ------
    InputError
        Wrong shapes, places that are not finite, corners that are not there.
    """
    at = np.array(points, dtype=np.float64)
    corners = np.array(triangles, dtype=np.int64)
    if at.ndim != 2 or at.shape[1] != 3 or not np.all(np.isfinite(at)):
        raise InputError(
            f"`points` must be finite, of shape (points, 3), got shape {at.shape}", "points"
        )
    if corners.ndim != 2 or corners.shape[1] != 3 or not len(corners):
        raise InputError(
            f"`triangles` must be of shape (triangles, 3), got {corners.shape}", "triangles"
        )
    if np.min(corners) < 0 or np.max(corners) >= len(at):
        raise InputError(
            f"`triangles` must name points 0 to {len(at) - 1}, got {np.min(corners)} to "
            f"{np.max(corners)}",
            "triangles",
        )
    return at, corners


def directed_edges(triangles: Ints) -> Ints:
    """The three edges of each triangle, one after the other, in their direction.

    Parameters
    ----------
    triangles : ndarray of int, shape (triangles, 3)

    Returns
    -------
    ndarray of int, shape (3 * triangles, 2)
    """
    return np.asarray(triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2))


def boundary_edges(triangles: ArrayLike) -> Ints:
    """Directed edges at which a mesh is open, shape (edges, 2).

    An edge counts as often as it is not met by one of the other direction, so a mesh whose
    triangles do not agree on the outside is open, too: see `oriented`.

    Examples
    --------
    >>> boundary_edges([[0, 1, 2], [2, 1, 3]]).tolist()
    [[0, 1], [1, 3], [2, 0], [3, 2]]
    """
    corners = np.array(triangles, dtype=np.int64).reshape(-1, 3)
    edges = directed_edges(corners)
    edges = edges[edges[:, 0] != edges[:, 1]]
    if not len(edges):
        return np.empty((0, 2), dtype=np.int64)
    base = int(edges.max()) + 1
    low, high = edges.min(axis=1), edges.max(axis=1)
    keys, where = np.unique(low * base + high, return_inverse=True)
    signs = np.where(edges[:, 0] == low, 1.0, -1.0)
    net = np.rint(np.bincount(where.reshape(-1), weights=signs)).astype(np.int64)
    pairs = np.stack([keys // base, keys % base], axis=1)
    pairs = np.where((net < 0)[:, None], pairs[:, ::-1], pairs)
    found = np.repeat(pairs, np.abs(net), axis=0)
    return np.asarray(found[np.lexsort((found[:, 1], found[:, 0]))])


def close_holes(
    points: ArrayLike, triangles: ArrayLike, weights: ArrayLike
) -> tuple[Floats, Ints, Floats, int]:
    """Close each hole of a mesh with a fan to its middle.

    Parameters
    ----------
    points : array_like, shape (points, 3)
    triangles : array_like of int, shape (triangles, 3)
    weights : array_like, shape (points, bones)

    Returns
    -------
    points, triangles, weights : ndarray
        With one point more for each hole; its weights are the mean of the hole's.
    holes : int

    Examples
    --------
    >>> corners = [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]]
    >>> at, closed, _, holes = close_holes(corners, [[0, 1, 3], [0, 3, 2], [1, 2, 3]], [[1]] * 4)
    >>> holes, len(closed), len(boundary_edges(closed))
    (1, 6, 0)
    """
    at, corners = read_mesh(points, triangles)
    held = np.array(weights, dtype=np.float64)
    edges = boundary_edges(corners)
    if not len(edges):
        return at, corners, held, 0
    labels = _connected(edges, len(at))
    holes, which = np.unique(labels[edges[:, 0]], return_inverse=True)
    which = which.reshape(-1)
    long = np.linalg.norm(at[edges[:, 1]] - at[edges[:, 0]], axis=1)
    size = np.maximum(np.bincount(which, weights=long), 1e-300)

    def mean(values: Floats) -> Floats:
        half = 0.5 * (values[edges[:, 0]] + values[edges[:, 1]]) * long[:, None]
        total = np.zeros((len(holes), values.shape[1]))
        np.add.at(total, which, half)
        return np.asarray(total / size[:, None])

    fans = np.stack([edges[:, 1], edges[:, 0], len(at) + which], axis=1)
    return (
        np.concatenate([at, mean(at)]),
        np.concatenate([corners, fans]),
        np.concatenate([held, mean(held)]),
        len(holes),
    )


def pieces(triangles: ArrayLike) -> Ints:
    """Number of the connected piece of each triangle, from 0, shape (triangles,).

    Examples
    --------
    >>> pieces([[0, 1, 2], [5, 6, 7], [2, 1, 3]]).tolist()
    [0, 1, 0]
    """
    corners = np.array(triangles, dtype=np.int64).reshape(-1, 3)
    if not len(corners):
        return np.empty(0, dtype=np.int64)
    labels = _connected(directed_edges(corners), int(np.max(corners)) + 1)
    _, numbers = np.unique(labels[corners[:, 0]], return_inverse=True)
    return np.asarray(numbers.reshape(-1), dtype=np.int64)


def oriented(triangles: ArrayLike) -> tuple[Ints, int]:
    """Turn triangles so that neighbours agree on which side is out.

    Returns
    -------
    triangles : ndarray of int, shape (triangles, 3)
        Each piece as most of it was.
    turned : int
        How many were turned; 0 where all agreed.

    Examples
    --------
    >>> oriented([[0, 1, 2], [1, 2, 3]])[1]
    1
    """
    corners = np.array(triangles, dtype=np.int64).reshape(-1, 3)
    count = len(corners)
    edges = directed_edges(corners)
    low, high = edges.min(axis=1), edges.max(axis=1)
    base = int(np.max(corners, initial=0)) + 1
    keys = low * base + high
    order = np.argsort(keys, kind="stable")
    _, starts, uses = np.unique(keys[order], return_index=True, return_counts=True)
    pairs = starts[uses == 2]
    one, other = order[pairs], order[pairs + 1]
    # Neighbours agree when they run along their edge in opposite directions.
    agree = np.where(edges[one, 0] != edges[other, 0], 1, -1)
    if np.all(agree == 1):
        return corners, 0
    a, b = one // 3, other // 3
    way = np.zeros(count, dtype=np.int64)
    group = _connected(np.stack([a, b], axis=1), count)
    way[np.unique(group)] = 1
    while True:
        to_b, to_a = (way[a] != 0) & (way[b] == 0), (way[b] != 0) & (way[a] == 0)
        if not np.any(to_b | to_a):
            break
        way[b[to_b]] = way[a[to_b]] * agree[to_b]
        way[a[to_a]] = way[b[to_a]] * agree[to_a]
    most = np.bincount(group, weights=way, minlength=count) < 0
    way = np.where(most[group], -way, way)
    turned = np.where((way < 0)[:, None], corners[:, ::-1], corners)
    return turned, int(np.count_nonzero(way < 0))


def inside(points: ArrayLike, triangles: ArrayLike, places: ArrayLike) -> NDArray[np.bool_]:
    """Whether places lie inside a closed mesh, shape (places,): its winding number is not 0.

    Examples
    --------
    >>> corners = [[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]]
    >>> faces = [[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]]
    >>> inside(corners, faces, [[0.1, 0.1, 0.1], [1, 1, 1]]).tolist()
    [True, False]
    """
    at, corners = read_mesh(points, triangles)
    asked = np.array(places, dtype=np.float64).reshape(-1, 3)
    turns = np.empty(len(asked))
    step = max(1, _CHUNK // max(9 * len(corners), 1))
    for start in range(0, len(asked), step):
        some = asked[start : start + step]
        turns[start : start + step] = _winding(at[corners], some)
    return np.asarray(np.abs(turns) > 0.5)


def _winding(triangles: Floats, places: Floats) -> Floats:
    """Solid angle over 4π (A. van Oosterom and J. Strackee, 1983)."""
    a, b, c = np.moveaxis(triangles[None] - places[:, None, None], 2, 0)
    la, lb, lc = (np.linalg.norm(v, axis=-1) for v in (a, b, c))
    above = np.einsum("...i,...i", a, np.cross(b, c))
    below = (
        la * lb * lc
        + np.einsum("...i,...i", a, b) * lc
        + np.einsum("...i,...i", b, c) * la
        + np.einsum("...i,...i", c, a) * lb
    )
    return np.asarray(2.0 * np.arctan2(above, below).sum(axis=1) / (4.0 * np.pi))


def _connected(edges: Ints, count: int) -> Ints:
    """The least number of each point's connected part."""
    labels = np.arange(count)
    while True:
        low = np.minimum(labels[edges[:, 0]], labels[edges[:, 1]])
        before = labels.copy()
        np.minimum.at(labels, labels[edges[:, 0]], low)
        np.minimum.at(labels, labels[edges[:, 1]], low)
        labels = labels[labels]
        if np.array_equal(labels, before):
            return labels
