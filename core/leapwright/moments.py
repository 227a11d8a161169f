# SPDX-License-Identifier: GPL-3.0-or-later
"""Putting the moments on frames: where pins place the jump, and which phase gives between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leapwright.ask import Ask
from leapwright.errors import ClashError

__all__ = ["Placed", "place"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Placed:
    """Counts and the take-off frame after the pins have had their say; arrays of shape (B, n).

    `fits` says which answers leave every phase its least frames; `clash` is the reason for the
    first that does not.
    """

    takeoff: Floats
    anticipation: Floats
    hold: Floats
    absorb: Floats
    recover: Floats
    fits: Bools
    clash: str


class _Checks:
    """Collects what does not fit, so that one answer may fail where another fits."""

    def __init__(self, ask: Ask, like: Floats) -> None:
        self.ask = ask
        self.least = 1e-9 if ask.subframes else ask.step
        self.fits = np.isfinite(like)
        self.clash = ""

    def need(self, good: Bools, text: str, frames: Floats) -> None:
        """Strike the answers that are not `good`; `text` takes their frame count."""
        bad = self.fits & ~good
        if not self.clash and np.any(bad):
            self.clash = text.format(f"{frames[bad].flat[0]:g}")
        self.fits &= good

    def least_frames(self, phase: str, moment: str, frames: Floats) -> Floats:
        pin = f"{moment}={self.ask.pins[moment][0]:g}"
        self.need(
            frames >= self.least - 1e-9,
            f"pins clash: pin {pin} leaves {{}} frames of {phase}, and {phase} needs "
            f"{max(1, round(self.least))} or more",
            frames,
        )
        return frames

    def same(self, phase: str, left: Floats, typed: Floats) -> None:
        self.need(
            np.abs(left - typed) < 1e-6,
            f"pins clash with {phase}_frames={typed.flat[0]:g}: they leave {{}} frames of {phase}",
            left,
        )


def place(
    ask: Ask,
    *,
    ease_in: Floats,
    ease_out: Floats,
    hold: Floats,
    push: Floats,
    rise: Floats,
    air: Floats,
    absorb: Floats,
) -> Placed:
    """Lay the phases out in time.

    Anticipation, absorb and recover are what was typed, else what gives between pins, else their
    usual length (`ease_in`, `absorb`, `ease_out`; 0 is an absent phase). Arrays of shape (B, n).

    Raises
    ------
    ClashError
        A pin on a moment that this jump does not have.
    """
    checks = _Checks(ask, air)
    pins = {moment: frame[:, None] for moment, frame in ask.pins.items()}
    anticipation = _typed(ask.anticipation_frames, ease_in)
    recover = _typed(ask.recover_frames, ease_out)
    _refuse_absent(pins, start=anticipation, end=recover)
    takeoff = _anchor(pins, push=push, rise=rise, air=air)
    if takeoff is not None and "low" in pins:
        absorb = _absorb_gives(ask, checks, pins["low"] - takeoff - air)
    if takeoff is None:
        if "start" in pins and ("low" in pins or "end" in pins):
            last, tail = ("low", 0 * air) if "low" in pins else ("end", recover)
            spare = pins[last] - pins["start"] - hold - push - air - absorb - tail
            anticipation, hold = _start_gives(ask, checks, anticipation, hold, spare)
        takeoff = _first_place(ask, pins, anticipation + hold + push, air + absorb, recover)
    elif "start" in pins:
        spare = takeoff - push - hold - pins["start"]
        anticipation, hold = _start_gives(ask, checks, anticipation, hold, spare)
    if "end" in pins:
        spare = pins["end"] - takeoff - air - absorb
        if ask.recover_frames is None:
            recover = checks.least_frames("recover", "end", spare)
        else:
            checks.same("recover", spare, recover)
    return Placed(takeoff, anticipation, hold, absorb, recover, checks.fits, checks.clash)


def _typed(frames: Floats | None, default: Floats) -> Floats:
    return default if frames is None else np.broadcast_to(frames[:, None], default.shape)


def _anchor(pins: dict[str, Floats], *, push: Floats, rise: Floats, air: Floats) -> Floats | None:
    """Take-off frame where a pin on crouch, take-off, apex or land gives it; else None."""
    from_takeoff = {"takeoff": 0 * air, "land": air, "apex": rise, "crouch": -push}
    for moment, offset in from_takeoff.items():
        if moment in pins:
            return np.asarray(pins[moment] - offset)
    return None


def _first_place(
    ask: Ask, pins: dict[str, Floats], before: Floats, after: Floats, recover: Floats
) -> Floats:
    """Take-off frame when no moment from crouch to land is pinned: the jump hangs on its start,
    its low or its end; unpinned, its first moment is the shot's first frame."""
    if "start" in pins:
        return np.asarray(pins["start"] + before)
    if "low" in pins:
        return np.asarray(pins["low"] - after)
    if "end" in pins:
        return np.asarray(pins["end"] - recover - after)
    return np.asarray(ask.shot_start[:, None] + before)


def _absorb_gives(ask: Ask, checks: _Checks, spare: Floats) -> Floats:
    if ask.absorb_frames is not None:
        typed = np.broadcast_to(ask.absorb_frames[:, None], spare.shape)
        checks.same("absorb", spare, typed)
        return typed
    return checks.least_frames("absorb", "low", spare)


def _start_gives(
    ask: Ask, checks: _Checks, anticipation: Floats, hold: Floats, spare: Floats
) -> tuple[Floats, Floats]:
    """The start is pinned: anticipation gives; where it was typed, the crouch hold does."""
    if ask.anticipation_frames is None:
        return checks.least_frames("anticipation", "start", spare), hold
    if np.any(ask.crouch_hold_frames > 0):
        checks.same("anticipation", spare, anticipation)
        return anticipation, hold
    checks.need(
        spare >= anticipation - 1e-6,
        f"pins clash with anticipation_frames={anticipation.flat[0]:g}: they leave {{}} frames",
        spare,
    )
    return anticipation, hold + np.maximum(spare - anticipation, 0)


def _refuse_absent(pins: dict[str, Floats], *, start: Floats, end: Floats) -> None:
    for moment, phase, frames in (("start", "anticipation", start), ("end", "recover", end)):
        if moment in pins and np.any(frames == 0):
            raise ClashError(
                f"pin {moment} has nothing to hold: this jump has no {phase}",
                ("pins", f"{phase}_frames"),
            )
