# SPDX-License-Identifier: GPL-3.0-or-later
"""Whole frames: which whole counts of air and push come nearest to the jump that was asked.

All of it runs on arrays: one row a jump, one column a candidate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leapwright.ask import Ask, Exact

__all__ = ["Ranked", "air_of_rise", "apex_key", "flight", "rank", "rise_of_fall"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

TIE = 1e-12
"""Costs closer than this are a tie: fewer air frames win, then fewer push frames."""


@dataclass(frozen=True, slots=True)
class Ranked:
    """Whole-frame answers, best first. Arrays of shape (B, k).

    Attributes
    ----------
    air, push : ndarray
        Frames; `push` before a crouch hold is split off. NaN where there are fewer than k answers.
    cost : ndarray
        J of the design: squared logarithms of what had to give.
    odd : ndarray of bool
        The top lies between frames although the landing is level; listed after the others.
    """

    air: Floats
    push: Floats
    cost: Floats
    odd: Bools


def flight(exact: Exact, air: Floats, *, keep: str, fps: float) -> tuple[Floats, Floats, Floats]:
    """Take-off speed (m/s), rise (frames) and gravity (m/s²) of a flight that lasts `air` frames.

    With heights kept, gravity gives; otherwise gravity is true and the height gives. `air` has
    shape (B, n), the fields of `exact` (B,).

    Notes
    -----
    v = (Δ + g T²/2) / T, from z(T) = v T - g T²/2 = Δ.
    """
    n0, r0 = exact.air[:, None], exact.rise[:, None]
    if keep == "heights":
        gravity = exact.gravity[:, None] * (n0 / air) ** 2
        speed = np.sqrt(2 * gravity * exact.jump_height[:, None])
        return speed, r0 * air / n0, gravity
    gravity = np.broadcast_to(exact.gravity[:, None], air.shape)
    time = air / fps
    speed = exact.landing_level[:, None] / time + gravity * time / 2
    return speed, speed * fps / gravity, gravity


def apex_key(rise: Floats, air: Floats, level: Bools, *, step: int) -> Floats:
    """Frames from take-off to the apex key: the nearest grid frame inside the air, the earlier
    of two. A level landing has its apex at half the air."""
    top = np.where(level, air / 2, rise)
    nearest = np.ceil(top / step - 0.5 - 1e-9) * step
    return np.asarray(np.clip(nearest, step, air - step))


def air_of_rise(exact: Exact, rise: Floats, *, keep: str, fps: float) -> Floats:
    """Fractional air frames of the flight that rises for `rise` frames. Shapes as in `flight`."""
    if keep == "heights":
        return rise * exact.air[:, None] / exact.rise[:, None]
    g, level = exact.gravity[:, None], exact.landing_level[:, None]
    speed = rise * g / fps
    return np.asarray(fps * (speed + np.sqrt(np.maximum(speed**2 - 2 * g * level, 0))) / g)


def rank(ask: Ask, exact: Exact, *, count: int) -> Ranked:
    """The `count` best whole-frame answers of each jump (and as many odd ones after them as fit).

    Notes
    -----
    The cost is a sum of two squares of logarithms, convex in ln(rise) for a fixed push and in
    ln(push) for a fixed air. So the best candidate is near the exact air with the push rounded
    either way, or near the exact push with the air rounded either way: only those are tried.
    """
    air, push = _candidates(ask, exact, reach=5 + 2 * (count - 1))
    cost, odd = _costs(ask, exact, air, push)
    return _best(air, push, cost, odd, count)


def _candidates(ask: Ask, exact: Exact, *, reach: int) -> tuple[Floats, Floats]:
    """Pairs worth trying, shape (B, C): a cross through the exact answer along both counts."""
    step, fixed = float(ask.step), exact.fixed
    if fixed.push_air is not None:
        return _diagonal(fixed.push_air, step)
    airs = _airs(ask, exact, reach)
    rise = flight(exact, airs, keep=ask.keep, fps=ask.fps)[1]
    if fixed.push_rise is not None:
        key = apex_key(rise, airs, exact.level[:, None], step=ask.step)
        return airs, fixed.push_rise[:, None] - key
    if fixed.push is not None:
        return airs, np.broadcast_to(fixed.push[:, None], airs.shape)
    # Rounding the push either way is enough for the best; a longer list looks further.
    spread = 1 + (reach - 5) // 2
    pushes = _around(_push_of_rise(ask, exact, rise), spread, step)
    airs = np.repeat(airs, pushes.shape[-1], axis=1)
    pushes = pushes.reshape(airs.shape)
    if fixed.air is None and fixed.rise is None and fixed.fall is None:
        more = _near_the_push(ask, exact, reach, spread)
        airs = np.concatenate([airs, more[0]], axis=1)
        pushes = np.concatenate([pushes, more[1]], axis=1)
    return airs, pushes


def _airs(ask: Ask, exact: Exact, reach: int) -> Floats:
    """Air frames worth trying, shape (B, n)."""
    step, fixed = float(ask.step), exact.fixed
    if fixed.air is not None:
        return fixed.air[:, None]
    if fixed.push_rise is not None:
        keys = np.arange(step, np.max(fixed.push_rise), step)[None, :]
        around = _around(air_of_rise(exact, keys, keep=ask.keep, fps=ask.fps), 2, step)
        return np.maximum(around.reshape(len(around), -1), 2 * step)
    if fixed.push is not None and fixed.rise is None and fixed.fall is None:
        return _near(_air_of_push(ask, exact, fixed.push[:, None])[:, 0], 2 * reach, 2 * step, step)
    return _near(_air_centre(ask, exact), 2 * reach, 2 * step, step)


def _near_the_push(ask: Ask, exact: Exact, reach: int, spread: int) -> tuple[Floats, Floats]:
    """For each push near the exact one, the air frames where the cost is lowest."""
    step = float(ask.step)
    pushes = _near(exact.push, reach, step, step)
    # A level landing's candidates are every other grid frame: look at both of its neighbours.
    grid = np.where(exact.level, 2 * step, step)[:, None, None]
    airs = _around(_air_of_push(ask, exact, pushes), spread, grid)
    return airs.reshape(len(airs), -1), np.repeat(pushes, airs.shape[-1], axis=1)


def _air_of_push(ask: Ask, exact: Exact, push: Floats) -> Floats:
    """Fractional air frames that cost least beside `push` frames of push, shape (B, n).

    The lowest point of 4 ln²(r/r0) + (ln(r/r0) ∓ ln(m/m0))² over r lies a fifth of the way.
    """
    sign = -1.0 if ask.keep == "poses" else 1.0
    rise = exact.rise[:, None] * (push / exact.push[:, None]) ** (sign / 5)
    return air_of_rise(exact, rise, keep=ask.keep, fps=ask.fps)


def _air_centre(ask: Ask, exact: Exact) -> Floats:
    """Air frames around which to look: the exact ones, or what a fixed rise or fall leads to."""
    fixed = exact.fixed
    if fixed.rise is not None:
        rise = fixed.rise[:, None]
        level = 2 * rise
    elif fixed.fall is not None:
        level = 2 * fixed.fall[:, None]
        rise = rise_of_fall(ask, exact)
    else:
        return exact.air
    air = air_of_rise(exact, rise, keep=ask.keep, fps=ask.fps)
    return np.where(exact.level[:, None], level, air)[:, 0]


def rise_of_fall(ask: Ask, exact: Exact) -> Floats:
    """Fractional rise frames of the jump whose fall is fixed, shape (B, 1)."""
    assert exact.fixed.fall is not None
    fall = exact.fixed.fall[:, None]
    if ask.keep == "heights":
        return fall * (exact.rise / (exact.air - exact.rise))[:, None]
    g = exact.gravity[:, None]
    landing = g * fall / ask.fps
    return ask.fps * np.sqrt(np.maximum(landing**2 + 2 * g * exact.landing_level[:, None], 0)) / g


def _push_of_rise(ask: Ask, exact: Exact, rise: Floats) -> Floats:
    """Push frames that would cost nothing beside a rise of `rise` frames."""
    if ask.keep == "poses":
        return exact.push[:, None] * exact.rise[:, None] / rise
    return rise / exact.magnification[:, None]


def _diagonal(total: Floats, step: float) -> tuple[Floats, Floats]:
    """Every way to share `total` frames between push and air."""
    airs = np.arange(2 * step, np.max(total) - step + 0.5, step)
    air = np.broadcast_to(airs, (len(total), airs.size))
    return air, total[:, None] - air


def _near(centre: Floats, reach: int, least: float, step: float) -> Floats:
    """Grid values within `reach` steps of `centre`, shape (B, 2 reach + 1); below `least` are
    lifted above, so that as many are left."""
    first = np.maximum(np.floor(centre / step) - reach + 1, least / step)
    return np.asarray((first[:, None] + np.arange(2 * reach + 1)) * step)


def _around(centre: Floats, spread: int, step: float | Floats) -> Floats:
    """Grid values just below and above `centre`, `spread` on each side: one axis more."""
    offsets = np.arange(1 - spread, 1 + spread)
    return np.asarray((np.floor(centre[..., None] / step) + offsets) * step)


def _costs(ask: Ask, exact: Exact, air: Floats, push: Floats) -> tuple[Floats, Bools]:
    """J of each candidate (infinite where it is not allowed) and which have an odd top."""
    step, fixed = ask.step, exact.fixed
    with np.errstate(divide="ignore", invalid="ignore"):
        speed, rise, gravity = flight(exact, air, keep=ask.keep, fps=ask.fps)
        key = apex_key(rise, air, exact.level[:, None], step=step)
        if ask.keep == "heights":
            first = np.log(gravity / exact.gravity[:, None])
        else:
            first = 2 * np.log(rise / exact.rise[:, None])
        if ask.keep == "poses":
            second = np.log(speed * push / (2 * ask.fps * exact.push_height[:, None]))
        else:
            second = np.log(rise / push / exact.magnification[:, None])
        cost = first**2 + second**2
        total = air / ask.fps
        # Up at take-off and down at landing: 0 < v < g T.
        allowed = (speed > 0) & (speed < gravity * total * (1 - 1e-12))
    allowed &= (push >= step) & (air >= 2 * step)
    for name, value in (("push", push), ("rise", key), ("air", air), ("fall", air - key)):
        wanted = getattr(fixed, name)
        if wanted is not None:
            allowed &= value == wanted[:, None]
    if fixed.push_rise is not None:
        allowed &= push + key == fixed.push_rise[:, None]
    odd = exact.level[:, None] & (air % (2 * step) != 0)
    return np.where(allowed, cost, np.inf), odd


def _best(air: Floats, push: Floats, cost: Floats, odd: Bools, count: int) -> Ranked:
    """The `count` lowest costs, then (in a longer list) the two lowest odd ones."""
    even_cost = np.where(odd, np.inf, cost)
    columns = [_take_lowest(air, push, even_cost) for _ in range(count)]
    odd_cost = np.where(odd, cost, np.inf)
    # One jump of a crowd gets one answer: the odd one only where nothing else is left.
    columns += [_take_lowest(air, push, odd_cost) for _ in range(2 if count > 1 else 1)]
    a, p, c = (np.stack([column[i] for column in columns], axis=1) for i in range(3))
    is_odd = np.arange(len(columns))[None, :] >= count
    order = np.argsort(~np.isfinite(c), axis=1, kind="stable")
    a, p, c = (np.take_along_axis(x, order, axis=1) for x in (a, p, c))
    is_odd = np.take_along_axis(np.broadcast_to(is_odd, c.shape), order, axis=1)
    gone = ~np.isfinite(c)
    return Ranked(np.where(gone, np.nan, a), np.where(gone, np.nan, p), c, is_odd & ~gone)


def _take_lowest(air: Floats, push: Floats, cost: Floats) -> tuple[Floats, Floats, Floats]:
    """Pick each row's lowest cost (ties: less air, then less push) and strike it from `cost`."""
    lowest = cost.min(axis=1, keepdims=True)
    tied = cost <= lowest + TIE
    few = np.where(tied, air, np.inf)
    tied &= few == few.min(axis=1, keepdims=True)
    at = np.where(tied, push, np.inf).argmin(axis=1)[:, None]
    chosen = [np.take_along_axis(x, at, axis=1) for x in (air, push, cost)]
    cost[(air == chosen[0]) & (push == chosen[1])] = np.inf
    return chosen[0][:, 0], chosen[1][:, 0], chosen[2][:, 0]
