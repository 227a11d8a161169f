# SPDX-License-Identifier: GPL-3.0-or-later
"""One joint fit of a jump's height over time: crouch, push, air, absorb.

Times are in frames here. For given moments the model is linear in its heights and gravities, so
those are solved for and only the moments are searched (variable projection: Golub and Pereyra,
SIAM J. Numer. Anal. 10, 1973).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise, product

import numpy as np
from numpy.typing import NDArray

from leapwright.arcs import Arc, Ends, air_rows, design

__all__ = ["NOISE_FLOOR", "Arc", "Fit", "Guess", "air_parabola", "fit_jump", "jitter"]

Floats = NDArray[np.float64]

NOISE_FLOOR = 1e-5
"""m. Below this a height is rounding."""

SHORTEST = 0.25
"""Frames that a phase lasts at least in the search."""

UNEVEN = 0.3
"""How far, in logarithms, push and absorb are from constant force before that tells against a
fit: recorded people's span 0.7 to 1.5. It decides only where noise hides where they begin."""

STEP = 1e-4
"""Frames by which a moment is moved to see what that changes."""

MOST_STEPS = 15
"""Steps of the search."""

BETTER = 14.0
"""Drop of chi squared for which the air may have one more number."""

SHAPELESS = 0.1
"""A fit that misses by this part of the heights' swing has no air for a style to be of."""

ALIKE = 9.0
"""Rise of chi squared up to which whole frames say the same as the best fractions."""


@dataclass(frozen=True, slots=True)
class Guess:
    """Where to begin.

    Attributes
    ----------
    crouch, takeoff, land, low : float
        Frames.
    pull : tuple of 4 floats
        Frames by which each may drift from where it was seen before that tells against it:
        weak where the heights say enough, all there is where they do not.
    """

    crouch: float
    takeoff: float
    land: float
    low: float
    pull: tuple[float, float, float, float] = (1.0, 1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted jump; frames, m and m per frame.

    Attributes
    ----------
    arc : {"one", "two", "hang"}
        The air: one parabola; rise and fall apart; and with a hang between.
    crouch, takeoff, land, low : float
    sigma : ndarray, shape (4,)
        Standard error of these four.
    apex : float
    crouch_height, takeoff_height, apex_height, land_height, low_height : float
    takeoff_speed, landing_speed : float
    rise_gravity, fall_gravity : float
        m per frame squared.
    hang : float
        Frames.
    noise : float
        Standard deviation of the heights, m.
    cost : float
        Sum of squares, m².
    """

    arc: Arc
    crouch: float
    takeoff: float
    land: float
    low: float
    sigma: Floats
    apex: float
    crouch_height: float
    takeoff_height: float
    apex_height: float
    land_height: float
    low_height: float
    takeoff_speed: float
    landing_speed: float
    rise_gravity: float
    fall_gravity: float
    hang: float
    noise: float
    cost: float


@dataclass(frozen=True, slots=True)
class _Data:
    t: Floats
    z: Floats
    guess: Floats
    pull: Floats
    floor: float


def jitter(heights: Floats) -> float:
    """Standard deviation of the noise on curves, m, from their fourth differences.

    Parameters
    ----------
    heights : ndarray, shape (..., N)

    Notes
    -----
    White noise grows by √70 (1, 4, 6, 4, 1). The lower third of the differences is used: corners
    and accents are in the rest; 0.385 is that quantile of a normal distribution's size.
    """
    if heights.shape[-1] < 9:
        return 0.0
    rough = np.abs(np.diff(heights, n=4, axis=-1))
    return float(np.quantile(rough, 0.3) / 0.385 / np.sqrt(70))


def air_parabola(t: Floats, z: Floats) -> tuple[Floats, Floats]:
    """The one parabola nearest to heights in the air.

    Returns
    -------
    coefficients : ndarray, shape (3,)
        Powers 0 to 2 of the frames since the first.
    rest : ndarray, shape (N,)
        Heights less the parabola; 0 for three or fewer.
    """
    if len(t) < 3:
        return np.array([z[0], 0.0, 0.0]), np.zeros(len(t))
    span = t[-1] - t[0]
    rows = np.vander((t - t[0]) / span, 3, increasing=True)
    solved = np.linalg.lstsq(rows, z, rcond=None)[0]
    return solved / span ** np.arange(3), z - rows @ solved


def fit_jump(
    t: Floats, z: Floats, guess: Guess, *, noise: float, other: tuple[float, float] | None = None
) -> Fit:
    """Fit a jump's heights.

    Parameters
    ----------
    t, z : ndarray, shape (N,)
        Frames and heights (m) from the crouch hold to the low.
    guess : Guess
    noise : float
        What is known of the heights' noise, m.
    other : (float, float), optional
        Another crouch and low to begin from, where a hold blurs them.
    """
    start = np.array([guess.crouch, guess.takeoff, guess.land, guess.low])
    data = _Data(t, z, start, np.array(guess.pull), max(noise, NOISE_FLOOR))
    best = _search(data, start, "one")
    if other is not None:
        again = _search(data, np.array([other[0], start[1], start[2], other[1]]), "one")
        best = min(best, again, key=lambda f: f.cost)
    if not _is_enough(data, best):
        best = _with_style(data, best)
    return _described(data, best)


def _is_enough(data: _Data, best: _Found) -> bool:
    """Whether what is left is the noise that was there."""
    return best.cost <= 2 * max(len(data.t) - 9, 1) * data.floor**2


@dataclass(frozen=True, slots=True)
class _Found:
    arc: Arc
    knots: Floats
    cost: float
    noise: float
    sigma: Floats


def _with_style(data: _Data, best: _Found) -> _Found:
    """Let rise and fall part, then the top hang, as long as each makes the fit much better."""
    inside = int(np.sum((data.t > best.knots[1]) & (data.t < best.knots[2])))
    if best.noise > SHAPELESS * float(np.ptp(data.z)):
        return best
    arcs: tuple[tuple[Arc, int], ...] = (("two", 3), ("hang", 6))
    for arc, least in arcs:
        starts = _style_starts(data, best, arc)
        if inside < least or not starts or _is_enough(data, best):
            break
        other = min((_search(data, start, arc) for start in starts), key=lambda f: f.cost)
        gain = (best.cost - other.cost) / max(other.noise, data.floor) ** 2
        if gain > BETTER and other.cost < 0.5 * best.cost:
            best = other
    return best


def _style_starts(data: _Data, best: _Found, arc: Arc) -> list[Floats]:
    """Where to begin: at the moments seen and, where one parabola moved them, at its own."""
    sets = [data.guess]
    if np.abs(best.knots[:4] - data.guess).max() > 0.5:
        sets.append(best.knots[:4])
    starts = []
    for moments in sets:
        o, land = moments[1:3]
        air = (data.t >= o - 1e-9) & (data.t <= land + 1e-9)
        top = float(data.t[air][np.argmax(data.z[air])]) if np.any(air) else (o + land) / 2
        top = float(np.clip(top, o + SHORTEST, land - SHORTEST))
        if arc == "two":
            starts.append(np.array([*moments, top]))
            continue
        halves = (0.04 * (land - o), 0.12 * (land - o))
        starts += [
            np.array([*moments, top - half, top + half])
            for half in halves
            if o < top - half and top + half < land
        ]
    return starts


def _solve(data: _Data, knots: Floats, arc: Arc) -> tuple[Floats, Floats, Ends]:
    """Heights and gravities that fit best with these moments, and what they leave."""
    rows, ends = design(data.t, knots, arc)
    solved = np.linalg.lstsq(rows, data.z, rcond=None)[0]
    return solved, data.z - rows @ solved, ends


def _in_order(knots: Floats) -> bool:
    c, o, *rest = knots.tolist()
    land, w, *tops = rest
    line: list[float] = [c, o, *tops, land, w]
    gaps = [b - a for a, b in pairwise(line)]
    if len(tops) == 2:
        return gaps.pop(2) >= 0 and min(gaps) >= SHORTEST
    return min(gaps) >= SHORTEST


def _search(data: _Data, start: Floats, arc: Arc) -> _Found:
    """Search all moments, put them on whole frames where those say the same, polish the rest."""
    knots, noise = _descend(data, start, arc, first=0)
    whole = _whole_frames(data, knots, arc, noise)
    if len(knots) > 4 and whole is not knots:
        whole, _ = _descend(data, whole, arc, first=4)
    return _finished(data, whole, arc)


def _descend(data: _Data, start: Floats, arc: Arc, *, first: int) -> tuple[Floats, float]:
    """Levenberg-Marquardt over the moments from number `first` on; and the noise left."""
    knots = start.astype(np.float64).copy()
    noise = data.floor
    rest = _residual(data, knots, arc, noise)
    if first:
        noise, rest = _weighed(data, knots, rest, noise)
    damp = 1e-3
    for _ in range(MOST_STEPS):
        slope = _jacobian(data, knots, arc, noise, rest)[:, first:]
        normal, pull = slope.T @ slope, slope.T @ rest
        for _ in range(8):
            step = np.zeros(len(knots))
            bent = normal + damp * np.diag(np.diag(normal) + 1e-12)
            step[first:] = np.clip(-np.linalg.solve(bent, pull), -1.5, 1.5)
            trial = knots + step
            if _in_order(trial):
                again = _residual(data, trial, arc, noise)
                if again @ again < rest @ rest:
                    break
            damp = min(damp * 8, 1e9)
        else:
            break
        gain = rest @ rest - again @ again
        knots, rest, damp = trial, again, max(damp / 10, 1e-9)
        if np.abs(step).max() < 1e-7 or gain < 1e-6 + 1e-4 * (rest @ rest):
            break
        noise, rest = _weighed(data, knots, rest, noise)
    return knots, _weighed(data, knots, rest, noise)[0]


def _weighed(data: _Data, knots: Floats, rest: Floats, noise: float) -> tuple[float, Floats]:
    """The noise that these parts say, and they over it instead of over the one they came with."""
    left = rest[: len(data.t)] * noise
    now = max(data.floor, _spread(data, knots, left))
    return now, np.concatenate([left / now, rest[len(data.t) :]])


def _spread(data: _Data, knots: Floats, left: Floats) -> float:
    """Standard deviation of what the fit leaves, m."""
    free = len(data.t) - len(knots) - 5
    return float(np.sqrt(left @ left / free)) if free >= 2 else 0.0


def _finished(data: _Data, knots: Floats, arc: Arc) -> _Found:
    noise = data.floor
    noise, rest = _weighed(data, knots, _residual(data, knots, arc, noise), noise)
    slope = _jacobian(data, knots, arc, noise, rest)
    try:
        sigma = np.sqrt(np.diag(np.linalg.inv(slope.T @ slope)))[:4]
    except np.linalg.LinAlgError:
        sigma = data.pull
    left = rest[: len(data.t)] * noise
    return _Found(arc, knots, float(left @ left), noise, sigma)


def _whole_frames(data: _Data, knots: Floats, arc: Arc, noise: float) -> Floats:
    """Moments on whole frames, where those say the same: animators put them there."""
    sides = [sorted({np.floor(k), np.ceil(k)}) for k in knots[:4]]
    best, least = knots, np.inf
    for corner in product(*sides):
        trial = np.concatenate([corner, knots[4:]])
        if not _in_order(trial):
            continue
        rest = _residual(data, trial, arc, noise)
        cost = float(rest @ rest)
        if cost < least:
            best, least = trial, cost
    free = _residual(data, knots, arc, noise)
    return best if least - float(free @ free) <= ALIKE else knots


def _residual(data: _Data, knots: Floats, arc: Arc, noise: float) -> Floats:
    """What tells against these moments, each part over its own standard deviation."""
    solved, rest, ends = _solve(data, knots, arc)
    c, o, land, w = knots[:4].tolist()
    z_o, v_o, z_l, v_l = (float(row @ solved[1:-1]) for row in ends)
    # Time over that of a constant force; out of bounds counts as at them.
    push = v_o * (o - c) / max(2 * (z_o - solved[0]), 1e-9)
    absorb = -v_l * (w - land) / max(2 * (z_l - solved[-1]), 1e-9)
    uneven = [math.log(min(max(x, 0.1), 10.0)) / UNEVEN for x in (push, absorb)]
    return np.concatenate([rest / noise, (knots[:4] - data.guess) / data.pull, uneven])


def _jacobian(data: _Data, knots: Floats, arc: Arc, noise: float, rest: Floats) -> Floats:
    slope = np.empty((len(rest), len(knots)))
    for i in range(len(knots)):
        moved = knots.copy()
        moved[i] += STEP
        slope[:, i] = (_residual(data, moved, arc, noise) - rest) / STEP
    return slope


def _described(data: _Data, found: _Found) -> Fit:
    knots, arc = found.knots, found.arc
    solved, _, ends = _solve(data, knots, arc)
    c, o, land, w = (float(k) for k in knots[:4])
    air = solved[1:-1]
    z_o, v_o, z_l, v_l = (float(row @ air) for row in ends)
    if arc == "one":
        span = land - o
        rise = fall = float(-2 * air[2] / span**2)
        apex = o + v_o / rise if rise > 0 else (o if v_o <= 0 else land)
        hang = 0.0
    elif arc == "two":
        rise, fall, apex, hang = float(air[1]), float(air[2]), float(knots[4]), 0.0
    else:
        rise, fall = float(air[1]), float(air[3])
        hang = float(knots[5] - knots[4])
        # The middle is one parabola from rise's quarter speed to fall's.
        first, last = knots[4] - (knots[4] - o) / 4, knots[5] + (land - knots[5]) / 4
        v1, v2 = rise * (knots[4] - first), -fall * (last - knots[5])
        apex = float(first + (last - first) * v1 / (v1 - v2)) if v1 > v2 else float(knots[4])
    apex = float(np.clip(apex, o, land))
    top = float((air_rows(np.array([apex]), knots, arc)[0] @ air)[0])
    return Fit(
        arc=arc,
        crouch=c,
        takeoff=o,
        land=land,
        low=w,
        sigma=found.sigma,
        apex=apex,
        crouch_height=float(solved[0]),
        takeoff_height=z_o,
        apex_height=top,
        land_height=z_l,
        low_height=float(solved[-1]),
        takeoff_speed=v_o,
        landing_speed=v_l,
        rise_gravity=rise,
        fall_gravity=fall,
        hang=hang,
        noise=found.noise,
        cost=found.cost,
    )
