# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading the jump that is retimed: its moments, its counts, and what is asked of them."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

from leapwright.errors import ClashError, InputError
from leapwright.jump import Moments
from leapwright.layout import MOMENTS
from leapwright.retimed import Heights
from leapwright.style import Style
from leapwright.timing import Timing
from leapwright.units import finite, single

__all__ = ["check_gives", "check_pins", "read_moments", "read_timing"]


def read_moments(moments: Moments | Mapping[str, float | None]) -> dict[str, float | None]:
    """Read every moment's frame, None where there is none.

    Raises
    ------
    InputError
        A moment is unknown, out of order, or take-off or land is missing.
    """
    given = dict(moments)
    unknown = set(given) - set(MOMENTS)
    if unknown:
        raise InputError(
            f"moments must be of {', '.join(MOMENTS)}, got {sorted(unknown)}", "moments"
        )
    was: dict[str, float | None] = {m: given.get(m) for m in MOMENTS}
    for moment in ("takeoff", "land"):
        if was[moment] is None:
            raise InputError(f"moments must have takeoff and land, got no {moment}", "moments")
    there = [(m, single(finite(f, m, "frames"), m)) for m, f in was.items() if f is not None]
    for (first, a), (then, b) in pairwise(there):
        if b <= a:
            raise InputError(f"moments must rise, got {first} {a:g} and {then} {b:g}", "moments")
    return {**was, **dict(there)}


def read_timing(
    was: Mapping[str, float | None], heights: Heights | None, style: Style, hold: float, step: int
) -> Timing:
    """Count the phases of a jump, and say whether rise and fall are of two gravities.

    Raises
    ------
    InputError
        The style hangs longer than the air.
    """
    takeoff, land, apex = was["takeoff"], was["land"], was["apex"]
    assert takeoff is not None
    assert land is not None
    air = land - takeoff
    base = air - style.hang
    if base <= 0:
        raise InputError(f"`style` must hang less than the air of {air:g} frames", "style")
    true = 0.5 * base if heights is None else base * heights.rise_share
    key = true if apex is None else apex - takeoff - style.hang / 2
    if not 0 < key < base:
        raise InputError(
            f"`style` hangs {style.hang:g} frames, which leaves the rise or the fall none", "style"
        )
    level = abs(key - base / 2) < 1e-9 if heights is None else heights.is_level
    # A key on the nearest whole frame is half a step away at most.
    styled = style.fall != 1 or (heights is not None and abs(key - true) > 0.5 * step + 1e-6)
    return Timing(
        push=_gap(was, "crouch", "takeoff"),
        rise=key if styled or heights is None else true,
        air=air,
        absorb=_gap(was, "land", "low"),
        anticipation=_gap(was, "start", "crouch", hold),
        recover=_gap(was, "low" if was["low"] is not None else "land", "end"),
        hold=hold,
        hang=style.hang,
        styled=styled,
        level=level and not styled,
    )


def _gap(was: Mapping[str, float | None], a: str, b: str, less: float = 0.0) -> float | None:
    first, last = was[a], was[b]
    return None if first is None or last is None else last - first - less


def check_gives(timing: Timing, before: str, after: str, phases: frozenset[str]) -> None:
    """Check what gives on both sides of the jump.

    Raises
    ------
    InputError, ClashError
        Neither shift nor stretch, or a phase that is absent or asked for is to give.
    """
    for name, value, phase, frames in (
        ("before", before, "anticipation", timing.anticipation),
        ("after", after, "recover", timing.recover),
    ):
        if not isinstance(value, str) or value not in ("shift", "stretch"):
            raise InputError(f"`{name}` must be shift or stretch, got {value!r}", name)
        if value == "stretch" and frames is None:
            raise ClashError(f"{name}=stretch needs {phase}, and the jump has none", (name,))
        if value == "stretch" and phase in phases:
            raise ClashError(
                f"{name}=stretch makes {phase} give, so it cannot be asked for", (name, "phases")
            )


def check_pins(
    pins: Mapping[str, float],
    was: Mapping[str, float | None],
    *,
    twos: bool,
    shot_start: float,
    subframes: bool,
) -> None:
    """Check that pins are on moments of the jump, on the grid and in order.

    Raises
    ------
    InputError, ClashError
    """
    for moment, frame in pins.items():
        if moment not in MOMENTS:
            raise InputError(f"pins must be of {', '.join(MOMENTS)}, got {moment!r}", "pins")
        if was[moment] is None and moment != "apex":
            raise ClashError(f"pin {moment}={frame:g}: the jump has no {moment}", ("pins",))
        if subframes:
            continue
        off = (frame - shot_start) % (2 if twos else 1)
        if off:
            low, grid = frame - off, "the twos counted from" if twos else "whole frames from"
            raise ClashError(
                f"pin {moment}={frame:g} is off {grid} frame {shot_start:g}: use {low:g} or "
                f"{low + (2 if twos else 1):g}",
                ("pins", "twos") if twos else ("pins",),
            )
    there = [(m, pins[m]) for m in MOMENTS if m in pins]
    for (first, a), (then, b) in pairwise(there):
        if b <= a:
            raise ClashError(f"pins clash: {then}={b:g} is not after {first}={a:g}", ("pins",))
