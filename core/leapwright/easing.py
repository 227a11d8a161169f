# SPDX-License-Identifier: GPL-3.0-or-later
"""The easing interpolations, as the host plays them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from leapwright.curves import Curves, Easing, Interpolation

__all__ = ["AUTO_IS_OUT", "BOUNCES", "eased"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Ease = Callable[[Floats], Floats]

AUTO_IS_OUT = (Interpolation.BACK, Interpolation.BOUNCE, Interpolation.ELASTIC)
"""Where the host's automatic easing is at the end of the segment; else it is at its start."""

POWERS = {
    Interpolation.QUAD: 2,
    Interpolation.CUBIC: 3,
    Interpolation.QUART: 4,
    Interpolation.QUINT: 5,
}

BOUNCES = np.array([1.0, 2.0, 2.5]) / 2.75
"""Where a bounce that fades touches the ground."""

BACK_BOTH = 1.525
"""What the host multiplies the overshoot by where both ends ease."""

LEAST = 2.0**-10
"""Where the exponential would begin; the host stretches it to begin at 0."""


def eased(curves: Curves, start: Ints, stop: Ints, time: Floats) -> Floats:
    """Give the values at `time`, float64[N], on easing segments from keys `start` to `stop`.

    Notes
    -----
    Each easing is one function from 0 to 1 that eases in. Easing out is it turned round, easing
    in and out is half of each. Elastic is the exception: its wave is in frames.
    """
    t0, t1 = curves.frame[start].astype(np.float64), curves.frame[stop].astype(np.float64)
    v0, v1 = curves.value[start].astype(np.float64), curves.value[stop].astype(np.float64)
    u, change = (time - t0) / (t1 - t0), v1 - v0
    mode, side = curves.interpolation[start], curves.easing[start]
    auto = np.where(np.isin(mode, AUTO_IS_OUT), Easing.EASE_OUT, Easing.EASE_IN)
    side = np.where(side == Easing.AUTO, auto, side)
    value = np.empty_like(u)
    for name in np.unique(mode):
        here = mode == name
        if name == Interpolation.ELASTIC:
            wave = curves.amplitude[start][here], curves.period[start][here]
            moved = _elastic(u[here], change[here], (t1 - t0)[here], side[here], *wave)
        else:
            back = curves.back[start][here].astype(np.float64)
            ease_in = _ease_in(int(name), back, side[here])
            moved = change[here] * _turned(ease_in, u[here], side[here])
        value[here] = v0[here] + moved
    return value


def _turned(ease_in: Ease, u: Floats, side: npt.NDArray[np.int32]) -> Floats:
    """Ease in, out or both with one function that eases in."""
    both, second = side == Easing.EASE_IN_OUT, u > 0.5
    turn = (side == Easing.EASE_OUT) | (both & second)
    x = np.where(both, np.where(second, 2 * u - 1, 2 * u), u)
    got = ease_in(np.where(turn, 1 - x, x))
    got = np.where(turn, 1 - got, got)
    return np.where(both, np.where(second, 0.5 + got / 2, got / 2), got)


def _ease_in(name: int, back: Floats, side: npt.NDArray[np.int32]) -> Ease:
    if name in POWERS:
        power = POWERS[Interpolation(name)]
        return lambda x: x**power
    if name == Interpolation.SINE:
        return lambda x: 1 - np.cos(x * np.pi / 2)
    if name == Interpolation.CIRC:
        return lambda x: 1 - np.sqrt(np.maximum(1 - x * x, 0.0))
    if name == Interpolation.EXPO:
        return lambda x: (2.0 ** (10 * (x - 1)) - LEAST) / (1 - LEAST)
    if name == Interpolation.BACK:
        over = np.where(side == Easing.EASE_IN_OUT, back * BACK_BOTH, back)
        return lambda x: x * x * ((over + 1) * x - over)
    return lambda x: 1 - _bounce_out(1 - x)


def _bounce_out(x: Floats) -> Floats:
    """Four parabolas, each lower by a quarter of the one before it."""
    hop = np.searchsorted(BOUNCES, x, side="right")
    middle = np.array([0.0, 1.5, 2.25, 2.625])[hop] / 2.75
    foot = np.array([0.0, 0.75, 0.9375, 0.984375])[hop]
    return np.asarray(7.5625 * (x - middle) ** 2 + foot)


def _elastic(
    u: Floats,
    change: Floats,
    span: Floats,
    side: npt.NDArray[np.int32],
    amplitude: npt.NDArray[np.float32],
    period: npt.NDArray[np.float32],
) -> Floats:
    """A sine wave, in frames, that grows or fades."""
    both = side == Easing.EASE_IN_OUT
    back = np.where(both, 2 * u - 1, np.where(side == Easing.EASE_OUT, -u, u - 1))
    opening = (side == Easing.EASE_IN) | (both & (back < 0))
    long = np.where(both, 0.45, 0.3) * span
    wave = np.where(period == 0, long, period.astype(np.float64))
    size, reach = amplitude.astype(np.float64), np.abs(change)
    small = (size == 0) | (size < reach)
    with np.errstate(divide="ignore", invalid="ignore"):
        shift = np.where(small, wave / 4, wave / (2 * np.pi) * np.arcsin(change / size))
        factor = np.where(reach > 0, size / reach, 1.0)
        part = np.abs(back * span) / np.abs(shift)
    # Near its still end a wave that is too low is blended into one that is just high enough.
    part = np.where(part < 1, part, 1.0)
    blend = factor * part + (1 - part)
    factor = np.where(small, np.where(reach > 0, blend, 1.0), 1.0)
    height = factor * np.where(small, change, size)
    fade = np.where(both, 0.5, 1.0) * 2.0 ** (10 * -np.abs(back))
    time = np.where(both, np.where(back < 0, back, -back), back)
    swing = height * fade * np.sin((time * span - shift) * 2 * np.pi / wave)
    moved = np.where(opening, -swing, swing + change)
    return np.where(u == 0, 0.0, np.where(u == 1, change, moved))
