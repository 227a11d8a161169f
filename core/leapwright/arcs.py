# SPDX-License-Identifier: GPL-3.0-or-later
"""Heights of crouch, push, air, absorb and low as rows of a linear model.

For given moments (frames) every height is a weighted sum of a few numbers: the crouch's height,
those of the air, the low's height. Each function gives the weights.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["Arc", "Rows", "air_rows", "design"]

Floats = NDArray[np.float64]
Arc = Literal["one", "two", "hang"]

Rows = Callable[[Floats], Floats]


def air_rows(knots: Floats, arc: Arc) -> tuple[Rows, Rows, int]:
    """Weights of the air's heights and speeds at given frames, and how many numbers they take.

    One parabola: powers 0 to 2 of the part of the air that is over. Two: height of the top,
    gravity of rise, of fall. Hang: height of the rise's top, its gravity; the same of the fall.
    """
    o, land = knots[1], knots[2]
    if arc == "one":
        span = land - o

        def height(t: Floats) -> Floats:
            s = (t - o) / span
            return np.stack([np.ones_like(s), s, s * s], axis=-1)

        def speed(t: Floats) -> Floats:
            s = (t - o) / span
            return np.asarray(np.stack([0 * s, np.ones_like(s), 2 * s], axis=-1) / span)

        return height, speed, 3
    if arc == "two":
        top = knots[4]

        def height(t: Floats) -> Floats:
            d = t - top
            up, down = np.minimum(d, 0), np.maximum(d, 0)
            return np.stack([np.ones_like(d), -up * up / 2, -down * down / 2], axis=-1)

        def speed(t: Floats) -> Floats:
            d = t - top
            return np.stack([0 * d, -np.minimum(d, 0), -np.maximum(d, 0)], axis=-1)

        return height, speed, 3
    return _hanging(o, land, knots[4], knots[5])


def _hanging(o: float, land: float, up: float, down: float) -> tuple[Rows, Rows, int]:
    """Rise and fall with a top of their own each; between the quarters nearest to them a cubic."""
    first, last = up - (up - o) / 4, down + (land - down) / 4
    span = last - first

    def sides(t: Floats) -> tuple[Floats, Floats]:
        zero = np.zeros_like(t)
        a, b = t - up, t - down
        left = np.stack([zero + 1, -a * a / 2, zero, zero], axis=-1)
        right = np.stack([zero, zero, zero + 1, -b * b / 2], axis=-1)
        return left, right

    def slopes(t: Floats) -> tuple[Floats, Floats]:
        zero = np.zeros_like(t)
        left = np.stack([zero, -(t - up), zero, zero], axis=-1)
        right = np.stack([zero, zero, zero, -(t - down)], axis=-1)
        return left, right

    ends = np.array([first, last])
    p0, p1 = sides(ends)[0][0], sides(ends)[1][1]
    v0, v1 = slopes(ends)[0][0] * span, slopes(ends)[1][1] * span

    def height(t: Floats) -> Floats:
        left, right = sides(t)
        u = np.clip((t - first) / span, 0, 1)[:, None]
        h01, h10, h11 = u * u * (3 - 2 * u), u * (1 - u) ** 2, u * u * (u - 1)
        middle = (1 - h01) * p0 + h10 * v0 + h01 * p1 + h11 * v1
        return np.where((t <= first)[:, None], left, np.where((t >= last)[:, None], right, middle))

    def speed(t: Floats) -> Floats:
        left, right = slopes(t)
        return np.where((t <= (first + last) / 2)[:, None], left, right)

    return height, speed, 4


def design(t: Floats, knots: Floats, arc: Arc) -> Floats:
    """Weights of the heights at frames `t`, (N, 2 + numbers of the air).

    Moments are crouch, take-off, land, low, and the top (two: of rise and of fall) of a styled
    arc. Push and absorb are cubics at rest where they meet crouch and low; at the air's ends they
    have its height and speed.
    """
    c, o, land, w = knots[:4]
    height, speed, count = air_rows(knots, arc)
    c, w = min(c, o - 1e-9), max(w, land + 1e-9)
    rows = np.zeros((len(t), count + 2))
    ends = np.array([o, land])
    (z_o, z_l), (v_o, v_l) = height(ends), speed(ends)
    u = np.clip((t - c) / (o - c), 0, 1)[:, None]
    push = u * u * (3 - 2 * u) * z_o + (o - c) * u * u * (u - 1) * v_o
    s = np.clip((t - land) / (w - land), 0, 1)[:, None]
    flat = s * s * (3 - 2 * s)
    absorb = (1 - flat) * z_l + (w - land) * s * (1 - s) ** 2 * v_l
    before, after = (t < o), (t > land)
    rows[:, 1:-1] = np.where(before[:, None], push, np.where(after[:, None], absorb, height(t)))
    rows[:, 0] = np.where(before, 1 - (u * u * (3 - 2 * u))[:, 0], 0)
    rows[:, -1] = np.where(after, flat[:, 0], 0)
    return rows
