# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a jump was seen, its crouch and low, its speeds, and the fit between them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from leapwright.fit import NOISE_FLOOR, Fit, Guess, fit_jump
from leapwright.track import Track

__all__ = ["Seen", "Speeds", "Valleys", "fit_seen", "speeds", "top_of", "valleys"]

Floats = NDArray[np.float64]

SUNK = 0.6
"""Part of the absorb that is fitted where the whole of it is no cubic: people sink slowly at the
end."""

HOLD_ROWS = 10
"""Rows of a hold that the fit looks at; more say nothing new."""


@dataclass(frozen=True, slots=True)
class Seen:
    """Where a jump was seen.

    Attributes
    ----------
    last, first : int
        Rows of the last contact and the first again; without feet of fastest rise and fall.
    size : float
        Height of the COG above the floor when it stands, m.
    feet : bool
        Whether feet said so.
    """

    last: int
    first: int
    size: float
    feet: bool


@dataclass(frozen=True, slots=True)
class Valleys:
    """Rows of crouch and low, and of the holds there."""

    hold: int
    crouch: int
    low: int
    rest: int
    wide_crouch: float
    wide_low: float
    edge_crouch: int
    edge_low: int


@dataclass(frozen=True, slots=True)
class Speeds:
    """The COG's speed beside the contacts, as parts of its fastest rise (fall)."""

    fastest: float
    slowest: float
    gained: float
    lost: float
    eased: float


def speeds(t: Floats, z: Floats, seen: Seen, v: Valleys) -> Speeds:
    """How fast the COG is where the feet leave and come back, against its fastest."""
    rows = slice(max(v.crouch - 1, 0), v.low + 2)
    tt, zz = t[rows], z[rows]
    middle, speed = (tt[1:] + tt[:-1]) / 2, np.diff(zz) / np.diff(tt)
    rise, up = top_of(middle, speed)
    fall, down = top_of(middle, -speed)

    def at(row: int) -> float:
        return float(np.interp(t[row], middle, speed))

    gained = lost = eased = 0.0
    if seen.feet and up > 0:
        if rise > t[seen.last + 1]:
            gained = 1 - at(seen.last + 1) / up
        elif rise < t[seen.last]:
            lost = 1 - at(seen.last) / up
    if seen.feet and down > 0 and fall < t[seen.first - 1]:
        eased = 1 + at(seen.first - 1) / down
    return Speeds(rise, fall, gained, lost, eased)


def valleys(z: Floats, seen: Seen, between: tuple[int, int], noise: float) -> Valleys:
    """Crouch and low: the lowest on the way down from take-off into the past and from land on."""
    turn = max(0.01 * seen.size, 5 * noise)
    near = 0.5 * noise + 1e-7
    wide = 3 * noise + 1e-6
    back = z[between[0] : seen.last + 1][::-1]
    deep, hold, breadth, edge = _bottom(back, turn, near, wide)
    ahead = z[seen.first : between[1] + 1]
    low, rest, breadth_low, edge_low = _bottom(ahead, turn, near, wide)
    return Valleys(
        seen.last - hold,
        seen.last - deep,
        seen.first + low,
        seen.first + rest,
        breadth,
        breadth_low,
        seen.last - edge,
        seen.first + edge_low,
    )


def _bottom(way: Floats, turn: float, near: float, wide: float) -> tuple[int, int, float, int]:
    """First row at the bottom of a way down, last row of the hold there, how many rows are in
    doubt, and the first of those."""
    up = way > np.minimum.accumulate(way) + turn
    stop = int(np.argmax(up)) if np.any(up) else len(way)
    way = way[:stop]
    lowest = int(np.argmin(way))
    first = int(np.argmax(way <= way[lowest] + near))
    flat = way <= way[lowest] + wide
    after = np.flatnonzero(~flat[lowest:])
    last = lowest + (int(after[0]) if len(after) else len(way) - lowest) - 1
    before = np.flatnonzero(~flat[: lowest + 1])
    start = int(before[-1]) + 1 if len(before) else 0
    return first, last, float(last - start), start


def fit_seen(
    track: Track, t: Floats, z: Floats, seen: Seen, v: Valleys, noise: float
) -> tuple[Fit | None, bool]:
    """The joint fit, where there are samples for it, and whether it holds to the low."""
    if not v.crouch < seen.last < seen.first < v.low:
        return None, False
    start, stop = max(v.hold, v.crouch - HOLD_ROWS), min(v.rest, v.low + HOLD_ROWS)
    # Blocked poses say where and when, not how between.
    if track.stepped and float(np.median(np.diff(t[start : stop + 1]))) > 2.5:
        return None, False
    pull = 1.0 if seen.feet else 1.5
    guess = Guess(
        float(t[v.crouch]),
        float(t[seen.last]),
        float(t[seen.first]),
        float(t[v.low]),
        (max(1.0, 0.75 * v.wide_crouch), pull, pull, max(1.0, 0.75 * v.wide_low)),
    )
    edge = min(v.edge_crouch, seen.last - 1), max(v.edge_low, seen.first + 1)
    other = None
    if edge != (v.crouch, v.low):
        other = float(t[edge[0]]), float(t[edge[1]])
    whole = fit_jump(t[start : stop + 1], z[start : stop + 1], guess, noise=noise, other=other)
    if whole.noise <= 3 * max(noise, NOISE_FLOOR):
        return whole, True
    deep = z[seen.first] - SUNK * (z[seen.first] - z[v.low])
    sunk = seen.first + int(np.argmax(z[seen.first : v.low + 1] <= deep))
    if sunk - seen.first < 2 or v.low - sunk < 2:
        sunk = seen.first
    guess = replace(guess, pull=(*guess.pull[:3], 100.0))
    part = fit_jump(t[start : sunk + 1], z[start : sunk + 1], guess, noise=noise)
    return (part, False) if part.noise < 0.7 * whole.noise else (whole, True)


def top_of(t: Floats, z: Floats) -> tuple[float, float]:
    """Frame and height of the top: of the parabola through the highest sample and its
    neighbours."""
    i = int(np.argmax(z))
    if i in (0, len(z) - 1):
        return float(t[i]), float(z[i])
    left, right = t[i] - t[i - 1], t[i + 1] - t[i]
    if left <= 1e-9 or right <= 1e-9:
        return float(t[i]), float(z[i])
    a = ((z[i + 1] - z[i]) / right - (z[i] - z[i - 1]) / left) / (left + right)
    b = (z[i] - z[i - 1]) / left + a * left
    if a >= 0:
        return float(t[i]), float(z[i])
    shift = float(np.clip(-b / (2 * a), -left, right))
    return float(t[i] + shift), float(z[i] + shift * (b + a * shift))
