# SPDX-License-Identifier: GPL-3.0-or-later
"""The frame counts of a jump that is retimed: before, wanted, and every whole answer ranked."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from leapwright.errors import ClashError
from leapwright.frames import apex_key

__all__ = ["Counts", "Timing", "Wanted", "exact", "ranked"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

MOST = 1000
"""Counts of a phase that are weighed at most; there are more only where it lasts for minutes."""

TIE = 1e-12
"""Costs closer than this are a tie: less air wins, then less push."""


@dataclass(frozen=True, slots=True)
class Timing:
    """Frames of each phase before. `rise` is to the true top, and whole only by luck.

    A phase that is not there is None. `hang` is the part of `air` that the top hangs longer;
    `styled` says that the apex is a moment of its own: rise and fall are two gravities.
    """

    push: float | None
    rise: float
    air: float
    absorb: float | None
    anticipation: float | None
    recover: float | None
    hold: float
    hang: float
    styled: bool
    level: bool


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the counts after should be: `air` and `push` as fractions, the others where typed.

    `pins` are frames from no particular start; `rigid` pins were taken to the moment beside them.
    """

    snappiness: float
    air: float
    push: float | None
    typed_push: float | None
    typed_rise: float | None
    typed_air: float | None
    typed_fall: float | None
    typed_absorb: float | None
    keep_air: bool
    keep_push: bool
    absorb: float | None
    hang: float
    styled: bool
    pins: Mapping[str, float]
    step: int


@dataclass(frozen=True, slots=True)
class Counts:
    """Frames after, of one answer; `key` is from take-off to the apex key. `takeoff` is where the
    pins put it, None where there are none."""

    push: float | None
    air: float
    key: float
    absorb: float | None
    takeoff: float | None
    odd: bool = False
    cost: float = 0.0


def exact(before: Timing, wanted: Wanted) -> Counts:
    """The answer in fractional frames.

    Raises
    ------
    ClashError
        Pins do not fit it.
    """
    air = wanted.air
    if wanted.typed_air is not None:
        air = wanted.typed_air
    rise = before.rise * (air - wanted.hang) / (before.air - before.hang)
    if wanted.typed_fall is not None:
        rise = before.rise / (1.0 if wanted.keep_air else wanted.snappiness)
        rise = rise if wanted.typed_rise is None else wanted.typed_rise
        air = rise + wanted.typed_fall + wanted.hang
    push = wanted.push if wanted.typed_push is None else wanted.typed_push
    absorb = _absorb(before, wanted, np.array([air]), np.array([rise]), whole=False)
    counts = [np.array([c]) for c in (push or 0.0, air, rise + wanted.hang / 2)]
    absorb, takeoff, fits = _pinned(wanted, counts[0], counts[1], counts[2], absorb, 1e-6)
    if not fits[0]:
        raise ClashError(_misfit(wanted), ("pins",))
    return Counts(
        push=push,
        air=air,
        key=rise + wanted.hang / 2,
        absorb=None if before.absorb is None else float(absorb[0]),
        takeoff=float(takeoff[0]) if wanted.pins else None,
    )


def ranked(before: Timing, wanted: Wanted, *, count: int) -> list[Counts]:
    """The `count` best answers in whole frames, best first, then two with the top between frames.

    Raises
    ------
    ClashError
        Pins or typed counts leave no answer.

    Notes
    -----
    The cost is (2 ln(N'/N₀))² + ln²((N'/m')/(N₀/m₀)) with N₀, m₀ the fractional counts wanted;
    where rise and fall are asked apart the rise stands for N.
    """
    air, push = _grid(before, wanted)
    step, hang = wanted.step, wanted.hang
    share = before.rise / (before.air - before.hang)
    if wanted.typed_fall is not None:
        rise = air - wanted.typed_fall - hang
        main, key = rise, rise
        goal = before.rise / (1.0 if wanted.keep_air else wanted.snappiness)
    else:
        rise, main, goal = share * (air - hang), air - hang, wanted.air - hang
        flat = np.full(air.shape, before.level and not wanted.styled)
        key = apex_key(rise + hang / 2, air, flat, step=step)
    absorb = _absorb(before, wanted, air, rise, whole=True)
    usual = absorb
    absorb, takeoff, fits = _pinned(wanted, push, air, key, absorb, 1e-9)
    fits &= (main > 0) & (key >= step) & (air - key >= step)
    fits &= push >= (step if before.push else 0)
    if before.absorb is not None:
        fits &= absorb >= step
    if wanted.typed_rise is not None:
        fits &= key == wanted.typed_rise
    with np.errstate(divide="ignore", invalid="ignore"):
        cost = (2 * np.log(main / goal)) ** 2
        if before.push:
            cost += np.log(main / push * (wanted.push or 1.0) / goal) ** 2
        if before.absorb is not None:
            cost += np.where(absorb == usual, 0.0, np.log(absorb / usual) ** 2)
    if not fits.any():
        raise ClashError(_misfit(wanted), ("pins",) if wanted.pins else ())
    even = before.level and not wanted.styled and not hang and before.air % (2 * step) == 0
    odd = even & (air % (2 * step) != 0)
    bent = odd & (wanted.typed_air is None and not _air_pinned(wanted))
    # Costs on a ladder of ties, so that rounding never decides.
    order = np.lexsort((push, air, np.round(cost / TIE), bent, ~fits))
    order = order[fits[order]]
    chosen = [*order[~bent[order]][:count], *order[bent[order]][:2]]
    return [
        Counts(
            push=float(push[i]) if before.push else None,
            air=float(air[i]),
            key=float(key[i]),
            absorb=None if before.absorb is None else float(absorb[i]),
            takeoff=float(takeoff[i]) if wanted.pins else None,
            odd=bool(odd[i]),
            cost=float(cost[i]),
        )
        for i in chosen
    ]


def _grid(before: Timing, wanted: Wanted) -> tuple[Floats, Floats]:
    """Every pair of air and push worth trying, flat."""
    step = wanted.step
    if wanted.typed_air is not None:
        airs = np.array([wanted.typed_air])
    elif wanted.keep_air and wanted.typed_fall is None:
        airs = np.array([wanted.air])
    elif wanted.keep_air and wanted.typed_fall is not None:
        rise = before.rise if wanted.typed_rise is None else wanted.typed_rise
        whole = max(step, math.floor((rise + wanted.hang) / step + 0.5) * step)
        airs = np.array([whole + wanted.typed_fall])
    else:
        airs = _around(wanted.air, 2 * step, step)
    if wanted.push is None:
        pushes = np.zeros(1)
    elif wanted.typed_push is not None or wanted.keep_push:
        pushes = np.array([wanted.push if wanted.typed_push is None else wanted.typed_push])
    else:
        pushes = _around(wanted.push, step, step)
    return np.repeat(airs, pushes.size), np.tile(pushes, airs.size)


def _around(wanted: float, least: float, step: int) -> Floats:
    """Whole counts worth trying: to four times what is wanted, of many only those near it."""
    most = 4 * math.ceil(wanted) + 8 * step
    if (most - least) > MOST * step:
        middle = math.floor(wanted / step) * step
        least, most = max(least, middle - MOST // 2 * step), middle + MOST // 2 * step
    return np.arange(least, most + 1, step, dtype=float)


def _absorb(before: Timing, wanted: Wanted, air: Floats, rise: Floats, *, whole: bool) -> Floats:
    """Frames of absorb that follow the landing speed: as many times fewer as the fall."""
    if before.absorb is None:
        return np.zeros_like(air)
    if wanted.absorb is not None:
        frames = np.full(air.shape, wanted.absorb)
    else:
        old_fall = before.air - before.hang - before.rise
        frames = before.absorb * (air - wanted.hang - rise) / old_fall
    if wanted.typed_absorb is not None or not whole:
        return frames
    nearest = np.floor(frames / wanted.step + 0.5 + 1e-9) * wanted.step
    return np.asarray(np.maximum(nearest, wanted.step))


def _pinned(
    wanted: Wanted,
    push: Floats,
    air: Floats,
    key: Floats,
    absorb: Floats,
    slack: float,
) -> tuple[Floats, Floats, Bools]:
    """Absorb and take-off frame as the pins have them, and which answers fit all pins."""
    after = {"crouch": -push, "takeoff": 0 * air, "apex": key, "land": air, "low": air + absorb}
    pins = wanted.pins
    if not pins:
        return absorb, np.full(air.shape, np.nan), np.ones(air.shape, bool)
    firm = [m for m in after if m in pins and m != "low"] or ["low"]
    takeoff = pins[firm[0]] - after[firm[0]]
    fits = np.ones(air.shape, bool)
    for moment in firm[1:]:
        fits &= np.abs(takeoff + after[moment] - pins[moment]) <= slack
    if "low" in pins and firm != ["low"]:
        left = pins["low"] - takeoff - air
        if wanted.typed_absorb is not None:
            fits &= np.abs(left - absorb) <= slack
        absorb = left
        fits &= left > 0
    return absorb, takeoff, fits


def _air_pinned(wanted: Wanted) -> bool:
    pins = wanted.pins
    return "land" in pins and "takeoff" in pins


def _misfit(wanted: Wanted) -> str:
    said = ", ".join(f"{m}={f:g}" for m, f in wanted.pins.items())
    what = f"pins {said} leave" if said else "the counts asked leave"
    least = "1 frame" if wanted.step == 1 else "2 frames"
    return f"{what} no answer: every phase needs {least} or more"
