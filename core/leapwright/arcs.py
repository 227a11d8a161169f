# SPDX-License-Identifier: GPL-3.0-or-later
"""Heights of crouch, push, air, absorb and low as rows of a linear model.

For given moments (frames) every height is a weighted sum of a few numbers: the crouch's height,
those of the air, the low's height. Each function gives the weights.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

__all__ = ["Arc", "Ends", "air_rows", "design"]

Floats = NDArray[np.float64]
Arc = Literal["one", "two", "hang"]


class Ends(NamedTuple):
    """Weights of the height and speed at take-off and at land, each (numbers of the air,)."""

    takeoff: Floats
    takeoff_speed: Floats
    land: Floats
    land_speed: Floats


def air_rows(t: Floats, knots: Floats, arc: Arc) -> tuple[Floats, Floats]:
    """Weights of the air's heights and speeds at frames `t`, each (N, numbers of the air).

    One parabola: powers 0 to 2 of the part of the air that is over. Two: height of the top,
    gravity of rise, of fall. Hang: height of the rise's top, its gravity; the same of the fall.
    """
    count = 4 if arc == "hang" else 3
    height, speed = np.zeros((len(t), count)), np.zeros((len(t), count))
    o, land = float(knots[1]), float(knots[2])
    if arc == "one":
        part = (t - o) / (land - o)
        height[:, 0], height[:, 1], height[:, 2] = 1, part, part * part
        speed[:, 1], speed[:, 2] = 1 / (land - o), 2 * part / (land - o)
    elif arc == "two":
        since = t - knots[4]
        up, down = np.minimum(since, 0), np.maximum(since, 0)
        height[:, 0], height[:, 1], height[:, 2] = 1, -up * up / 2, -down * down / 2
        speed[:, 1], speed[:, 2] = -up, -down
    else:
        _hanging(t, o, land, float(knots[4]), float(knots[5]), height, speed)
    return height, speed


def _hanging(
    t: Floats, o: float, land: float, up: float, down: float, height: Floats, speed: Floats
) -> None:
    """Rise and fall with a top of their own each; between the quarters nearest to them the cubic
    that joins them, which is a parabola where their heights allow it."""
    first, last = up - (up - o) / 4, down + (land - down) / 4
    span = last - first
    left, right = t <= first, t >= last
    a, b = t - up, t - down
    u = _clipped((t - first) / span)
    h01, h10, h11 = u * u * (3 - 2 * u), u * (1 - u) ** 2 * span, u * u * (u - 1) * span
    p, q = first - up, last - down
    height[:, 0] = np.where(left, 1, 1 - h01)
    height[:, 1] = np.where(left, -a * a / 2, -(1 - h01) * p * p / 2 - h10 * p)
    height[:, 2] = h01
    height[:, 3] = np.where(right, -b * b / 2, -h01 * q * q / 2 - h11 * q)
    height[right, :2] = 0
    # Speeds are asked for at the air's ends only.
    early = t <= (first + last) / 2
    speed[:, 1] = np.where(early, -a, 0)
    speed[:, 3] = np.where(early, 0, -b)


def design(t: Floats, knots: Floats, arc: Arc) -> tuple[Floats, Ends]:
    """Weights of the heights at increasing frames `t`, (N, 2 + numbers of the air).

    Moments are crouch, take-off, land, low, and the top (two: of rise and of fall) of a styled
    arc. Push and absorb are cubics at rest where they meet crouch and low; at the air's ends they
    have its height and speed.
    """
    c, o, land, w = knots[:4].tolist()
    c, w = min(c, o - 1e-9), max(w, land + 1e-9)
    start, stop = t.searchsorted(o), t.searchsorted(land, side="right")
    height, speed = air_rows(np.concatenate([t[start:stop], [o, land]]), knots, arc)
    ends = Ends(height[-2], speed[-2], height[-1], speed[-1])
    rows = np.zeros((len(t), height.shape[1] + 2))
    u = _clipped((t[:start] - c) / (o - c))
    flat = u * u * (3 - 2 * u)
    rows[:start, 0] = 1 - flat
    rows[:start, 1:-1] = flat[:, None] * ends.takeoff
    rows[:start, 1:-1] += ((o - c) * u * u * (u - 1))[:, None] * ends.takeoff_speed
    rows[start:stop, 1:-1] = height[:-2]
    s = _clipped((t[stop:] - land) / (w - land))
    flat = s * s * (3 - 2 * s)
    rows[stop:, 1:-1] = (1 - flat)[:, None] * ends.land
    rows[stop:, 1:-1] += ((w - land) * s * (1 - s) ** 2)[:, None] * ends.land_speed
    rows[stop:, -1] = flat
    return rows, ends


def _clipped(part: Floats) -> Floats:
    """Between 0 and 1. A fit asks a thousand times for a few frames, where `np.clip` is slow."""
    return np.minimum(np.maximum(part, 0.0), 1.0)
