# SPDX-License-Identifier: GPL-3.0-or-later
"""The way of the centre of gravity: one cubic in time between neighbouring moments.

A phase is a parabola or one cubic, so position and velocity at the moments say all of it: the
path is a piecewise cubic Hermite spline, and its Bezier handles lie at thirds of each phase.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.errors import InputError

__all__ = ["Motion", "Path", "handles_at_thirds"]

Floats = NDArray[np.float64]

SNAP = 1e-9
"""Seconds by which a time may fall short of a moment, from rounding, and still be at it."""


class Motion(NamedTuple):
    """Where a path is at given times.

    Attributes
    ----------
    position, velocity, acceleration : ndarray, shape (..., F, D)
        m, m/s, m/s². At a moment the acceleration is that of the phase that begins there.
    """

    position: Floats
    velocity: Floats
    acceleration: Floats


@dataclass(frozen=True, slots=True)
class Path:
    """Piecewise cubic motion through moments, continuous in position and speed.

    Parameters
    ----------
    times : ndarray, shape (..., K)
        Seconds, not decreasing. Two equal times are a phase that is absent.
    position, velocity : ndarray, shape (..., K, D)
        m and m/s at those times.

    Notes
    -----
    Between two knots the motion is the cubic Hermite interpolant; for a parabola its cubic term
    vanishes. Before the first knot and after the last it goes on with the speed it has there.

    Examples
    --------
    >>> path = Path(np.array([0.0, 1.0]), np.array([[0.0], [0.0]]), np.array([[4.9], [-4.9]]))
    >>> path.at(0.5).position.round(6).tolist()
    [[1.225]]
    """

    times: Floats
    position: Floats
    velocity: Floats

    def __post_init__(self) -> None:
        if self.position.shape != self.velocity.shape or (
            self.position.shape[:-1] != self.times.shape
        ):
            raise InputError(
                "position and velocity must have the shape of times and one axis more, got "
                f"{self.position.shape}, {self.velocity.shape} and {self.times.shape}",
                "position",
            )
        if np.any(np.diff(self.times, axis=-1) < 0):
            raise InputError("times must not decrease", "times")

    @property
    def coefficients(self) -> Floats:
        """Coefficients of each phase, shape (..., K-1, 4, D): powers 0 to 3 of the seconds since
        the phase began."""
        span = np.diff(self.times, axis=-1)[..., None]
        inverse = np.divide(1.0, span, out=np.zeros_like(span), where=span > 0)
        p0, p1 = self.position[..., :-1, :], self.position[..., 1:, :]
        v0, v1 = self.velocity[..., :-1, :], self.velocity[..., 1:, :]
        slope = (p1 - p0) * inverse
        quadratic = (3 * slope - 2 * v0 - v1) * inverse
        cubic = (v0 + v1 - 2 * slope) * inverse**2
        return np.stack([p0, v0, quadratic, cubic], axis=-2)

    def at(self, times: ArrayLike) -> Motion:
        """Position, velocity and acceleration at `times`.

        Parameters
        ----------
        times : array_like, shape (F,) or (..., F)
            Seconds on the clock of `self.times`. A single number counts as F = 1.

        Returns
        -------
        Motion
            Arrays of shape (..., F, D).
        """
        t = np.atleast_1d(np.asarray(times, dtype=np.float64))
        batch = self.times.shape[:-1]
        t = np.broadcast_to(t, batch + t.shape[-1:])
        inner = self.times[..., 1:-1]
        phase = np.sum(t[..., :, None] >= inner[..., None, :] - SNAP, axis=-1)
        picked = np.take_along_axis(self.coefficients, phase[..., None, None], axis=-3)
        start = np.take_along_axis(self.times[..., :-1], phase, axis=-1)
        u = np.clip(t, self.times[..., :1], self.times[..., -1:]) - start
        beyond = t - np.clip(t, self.times[..., :1], self.times[..., -1:])
        return _evaluate(picked, u[..., None], beyond[..., None])

    def transformed(self, matrix: Floats, offset: Floats) -> Path:
        """The same motion seen through x ↦ matrix x + offset: still one cubic a phase.

        Parameters
        ----------
        matrix : ndarray, shape (E, D)
        offset : ndarray, shape (E,)
        """
        return Path(self.times, self.position @ matrix.T + offset, self.velocity @ matrix.T)


def _evaluate(picked: Floats, u: Floats, beyond: Floats) -> Motion:
    c0, c1, c2, c3 = (picked[..., power, :] for power in range(4))
    velocity = c1 + u * (2 * c2 + u * 3 * c3)
    position = c0 + u * (c1 + u * (c2 + u * c3)) + beyond * velocity
    acceleration = np.where(beyond == 0, 2 * c2 + 6 * c3 * u, 0.0)
    return Motion(position, velocity, acceleration)


def handles_at_thirds(
    frames: ArrayLike,
    values: ArrayLike,
    slopes: ArrayLike,
    *,
    slopes_after: ArrayLike | None = None,
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Bezier keys that reproduce a piecewise cubic, in the host's single precision.

    Parameters
    ----------
    frames : array_like, shape (K,)
        Frames of the keys, increasing.
    values, slopes : array_like, shape (K,)
        Value and slope (per frame) there.
    slopes_after : array_like, shape (K,), optional
        Slope with which each key is left, where the motion has a corner; `slopes` is then the one
        with which it is reached.

    Returns
    -------
    key, left, right : ndarray of float32, shape (K, 2)
        (frame, value) of the keys and their handles. The outer two handles are as long as their
        neighbours'.

    Notes
    -----
    A Bezier segment whose handles stand at one third and two thirds of the interval is that
    polynomial in time (Bernstein form). A handle's frame is rounded to single precision, so its
    value is moved along the curve's slope at the handle's own time by what the rounding took.

    Examples
    --------
    >>> key, left, right = handles_at_thirds([0, 3], [0, 9], [0, 6])   # x squared
    >>> right[0].tolist(), left[1].tolist()
    ([1.0, 0.0], [2.0, 3.0])
    """
    x = np.asarray(frames, dtype=np.float64)
    y = np.asarray(values, dtype=np.float64)
    arriving = np.asarray(slopes, dtype=np.float64)
    leaving = arriving if slopes_after is None else np.asarray(slopes_after, dtype=np.float64)
    key_x = x.astype(np.float32)
    key_y = y + arriving * (key_x - x)
    span = np.diff(x) if x.size > 1 else np.ones(1)
    before = np.concatenate([span[:1], span])[: x.size]
    after = np.concatenate([span, span[-1:]])[: x.size]
    secant = np.diff(y) / span if x.size > 1 else np.empty(0)
    # Slope of the cubic a third of the way: 4/3 secant, 0 of the key's own, -1/3 of the other
    # end's. Outside the first and last key it is the key's own.
    toward_next = np.append(4 / 3 * secant - arriving[1:] / 3, leaving[-1:])
    toward_last = np.insert(4 / 3 * secant - leaving[:-1] / 3, 0, arriving[:1])
    right = _handle(x, y, leaving, after / 3, toward_next)
    left = _handle(x, y, arriving, -before / 3, toward_last)
    return np.stack([key_x, key_y.astype(np.float32)], axis=-1), left, right


def _handle(x: Floats, y: Floats, m: Floats, reach: Floats, slope: Floats) -> NDArray[np.float32]:
    exact = x + reach
    rounded = exact.astype(np.float32)
    value = y + m * reach + slope * (rounded - exact)
    return np.stack([rounded, value.astype(np.float32)], axis=-1)
