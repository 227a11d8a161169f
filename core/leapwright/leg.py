# SPDX-License-Identifier: GPL-3.0-or-later
"""A leg of two pieces, bent and aimed so that its ankle is where it is wanted.

The knee bends the way it is bent in the pose; then the whole leg turns by the smallest rotation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from leapwright.errors import InputError

__all__ = ["Bent", "bend", "rotation_about", "smallest_rotation"]

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

STRAIGHT = 1e-3
"""A knee bent less than this, in radians, does not show which way it bends."""

OVERSTRETCHED = 0.05
"""A knee bent by less than this the wrong way, in radians, is a straight one: it bends the right
way again, or legs that are posed a little too straight would break."""

_TINY = 1e-150


@dataclass(frozen=True, slots=True, eq=False)
class Bent:
    """How legs turn, and where that falls short.

    Attributes
    ----------
    thigh, shin : float64[F, 3, 3]
        Rotations of the world, about the hip and about the knee where it then is.
    knee : float64[F, 3]
        Where the knee is then.
    short : float64[F]
        Length by which the target is out of reach; the leg is then straight and aimed at it.
        Below 0: by how much the leg cannot be folded; 0 where the ankle meets its target.
    """

    thigh: Floats
    shin: Floats
    knee: Floats
    short: Floats


def bend(
    hip: npt.ArrayLike,
    knee: npt.ArrayLike,
    ankle: npt.ArrayLike,
    target: npt.ArrayLike,
    *,
    axis: npt.ArrayLike,
) -> Bent:
    """Bend and aim legs so that their ankles meet their targets.

    Parameters
    ----------
    hip, knee, ankle : array_like, shape (F, 3)
        The leg as posed, one row a frame; any unit of length. One row stands for all.
    target : array_like, shape (F, 3)
        Where the ankle is wanted.
    axis : array_like, shape (F, 3) or (3,)
        What the shin turns about, by the right hand, where the knee is straight in the pose, or
        bent against it by a few degrees at most.

    Returns
    -------
    Bent
        No turn at all where the ankle is on its target. A target on the hip gives no direction:
        the leg folds as it stands.

    Raises
    ------
    InputError
        Shapes that do not fit, numbers that are not finite, or a thigh or shin of no length.

    Notes
    -----
    With thigh a, shin b and distance d, the angle between thigh and shin is
    2 atan(√((a + b)² − d²) / √(d² − (a − b)²)): the law of cosines, exact near straight and
    folded legs too.

    Examples
    --------
    >>> bent = bend([[0, 0, 2]], [[0, -0.1, 1]], [[0, 0, 0]], [[0, 0, 0.5]], axis=[1, 0, 0])
    >>> shin = bent.shin[0] @ [0, 0.1, -1]
    >>> (bent.knee[0] + shin).round(9).tolist(), float(bent.short[0])
    ([0.0, 0.0, 0.5], 0.0)
    """
    h, k, e, t, about = _door(hip, knee, ankle, target, axis)
    thigh, shin, wanted = k - h, e - k, t - h
    a, b, d = _length(thigh), _length(shin), _length(wanted)
    reached = np.clip(d, np.abs(a - b), a + b)
    normal, shown = _normal(thigh, shin, about)
    # A knee that shows no side is made quite straight first, then bent from there.
    line = np.where(shown[:, None], shin, thigh)
    now = np.arctan2(_dot(np.cross(thigh, line), normal), _dot(thigh, line))
    far = np.sqrt(np.maximum((a + b) ** 2 - reached**2, 0.0))
    near = np.sqrt(np.maximum(reached**2 - (a - b) ** 2, 0.0))
    turn = rotation_about(normal, 2 * np.arctan2(far, near) - now)
    fold = turn @ smallest_rotation(shin, line, spare=normal)
    # The leg as it stands is not turned by the rounding of its own angle.
    there = (wanted == e - h).all(axis=1)
    fold[there] = np.eye(3)
    aim = smallest_rotation(thigh + _turned(fold, shin), wanted, spare=normal)
    return Bent(aim, aim @ fold, h + _turned(aim, thigh), d - reached)


def rotation_about(axis: Floats, angle: Floats) -> Floats:
    """Rotations about axes of length 1 by angles in radians, float64[F, 3, 3].

    Examples
    --------
    >>> rotation_about(np.array([[0.0, 0, 1]]), np.array([np.pi / 2]))[0].round(6).tolist()
    [[0.0, -1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]
    """
    half = np.sin(angle / 2)
    cross = _cross_matrix(axis)
    sine, versine = np.sin(angle), 2 * half * half
    return np.asarray(
        np.eye(3) + sine[:, None, None] * cross + versine[:, None, None] * (cross @ cross)
    )


def smallest_rotation(start: Floats, stop: Floats, *, spare: Floats) -> Floats:
    """Smallest rotations that turn directions onto others, float64[F, 3, 3].

    Parameters
    ----------
    start, stop : float64[F, 3]
        Directions of any length; where one has none, nothing turns.
    spare : float64[F, 3]
        What to turn about, length 1, where they are opposite and any axis would do.

    Examples
    --------
    >>> x, y = np.eye(3)[[0]], np.eye(3)[[1]]
    >>> (smallest_rotation(x, y, spare=x)[0] @ x[0]).round(9).tolist()
    [0.0, 1.0, 0.0]
    """
    u, v = _unit(start), _unit(stop)
    behind = _dot(u, v) < 0
    cross = np.cross(u, v)
    # Nearly opposite, the cross product shows no axis: the spare one, square to the start, does.
    axis = np.where((_length(cross) < 1e-9)[:, None], spare, cross)
    # Half a turn first where the stop is behind: what is left is small, and exact.
    half = rotation_about(_square(u, axis), np.where(behind, np.pi, 0.0))
    near = np.where(behind[:, None], -u, u)
    rest = np.cross(near, v)
    return rotation_about(_unit(rest), np.arctan2(_length(rest), _dot(near, v))) @ half


# --- Vectors by rows ---------------------------------------------------------------------------


def _dot(u: Floats, v: Floats) -> Floats:
    return np.asarray(np.einsum("fi,fi->f", u, v))


def _length(v: Floats) -> Floats:
    return np.asarray(np.linalg.norm(v, axis=1))


def _unit(v: Floats) -> Floats:
    length = _length(v)[:, None]
    return np.asarray(np.where(length > _TINY, v / np.maximum(length, _TINY), 0.0))


def _turned(rotation: Floats, v: Floats) -> Floats:
    return np.asarray(np.einsum("fij,fj->fi", rotation, v))


def _cross_matrix(axis: Floats) -> Floats:
    x, y, z = axis.T
    zero = np.zeros_like(x)
    rows = [[zero, -z, y], [z, zero, -x], [-y, x, zero]]
    return np.moveaxis(np.array(rows), -1, 0)


def _square(u: Floats, wanted: Floats) -> Floats:
    """Directions square to `u`: as near to the wanted ones as they go, else any."""
    axis = wanted - _dot(wanted, u)[:, None] * u
    least = np.eye(3)[np.abs(u).argmin(axis=1)]
    lost = _length(axis) <= 1e-6 * _length(wanted)
    return _unit(np.where(lost[:, None], np.cross(u, least), axis))


def _normal(thigh: Floats, shin: Floats, axis: Floats) -> tuple[Floats, Mask]:
    """What the knee bends about, and whether the pose shows it."""
    cross = np.cross(_unit(thigh), _unit(shin))
    about = _square(_unit(thigh), axis)
    straight = (_dot(cross, about) < 0) & (_dot(thigh, shin) > 0)
    shown = _length(cross) > np.sin(np.where(straight, OVERSTRETCHED, STRAIGHT))
    return np.where(shown[:, None], _unit(cross), about), shown


def _door(*given: npt.ArrayLike) -> tuple[Floats, ...]:
    names = ("hip", "knee", "ankle", "target", "axis")
    rows = [np.atleast_2d(np.asarray(g, np.float64)) for g in given]
    for name, row in zip(names, rows, strict=True):
        if row.ndim != 2 or row.shape[1] != 3 or not np.isfinite(row).all():
            raise InputError(f"`{name}` must be finite rows of 3, got shape {row.shape}", name)
    counts = {len(row) for row in rows if len(row) != 1} or {1}
    if len(counts) > 1:
        shapes = ", ".join(str(row.shape) for row in rows)
        raise InputError(f"`hip` to `axis` must have as many rows each, got {shapes}", "hip")
    rows = [np.broadcast_to(row, (*counts, 3)) for row in rows]
    hip, knee, ankle, _, axis = rows
    for name, piece in (("knee", knee - hip), ("ankle", ankle - knee), ("axis", axis)):
        if (_length(piece) <= _TINY).any():
            raise InputError(f"`{name}` must be apart from what is above it, got no length", name)
    return tuple(rows)
