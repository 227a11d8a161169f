# SPDX-License-Identifier: GPL-3.0-or-later
"""From frame counts to a jump: what height, push or gravity gives once the counts stand."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from leapwright.ask import Ask, Exact
from leapwright.frames import Ranked, air_of_rise, apex_key, flight, rise_of_fall
from leapwright.moments import place

__all__ = ["Settled", "settle", "subframe_counts"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LONGEST_PUSH = 1.5
"""Push factor above which a push would pull down first: the rest of it becomes crouch hold."""

SHORTEST_PUSH = 0.75
"""Push factor below which the push is drawn, and called too short."""

EASE_SECONDS = 10 / 24
"""Least time of anticipation and recover on an empty channel: 10 frames at 24 fps. Common
practice, no published source."""


@dataclass(frozen=True, slots=True)
class Settled:
    """A jump with all its counts and measures; arrays have shape (B, n), n answers a jump.

    Counts in frames, heights in m, speeds in m/s, gravity in m/s². `push_factor` is the push time
    over that of a push of constant acceleration (ρ of the design), `absorb_factor` likewise.
    """

    gravity: Floats
    jump_height: Floats
    push_height: Floats
    absorb_height: Floats
    landing_level: Floats
    takeoff_speed: Floats
    landing_speed: Floats
    travel_speed: Floats
    push_factor: Floats
    absorb_factor: Floats
    anticipation: Floats
    crouch_hold: Floats
    push: Floats
    rise: Floats
    apex: Floats
    fall: Floats
    absorb: Floats
    recover: Floats
    air: Floats
    start_height: Floats
    end_height: Floats
    takeoff_frame: Floats
    fits: Bools
    clash: str
    travel: Floats
    foot_travel: Floats

    @property
    def fall_height(self) -> Floats:
        """COG drop from apex to land, m."""
        return self.jump_height - self.landing_level

    @property
    def magnification(self) -> Floats:
        """Jump height over push height."""
        return self.jump_height / self.push_height

    def column(self, i: int) -> Settled:
        """Only answer `i` of each jump, shape (B,)."""
        values = {f.name: getattr(self, f.name) for f in fields(self)}
        return Settled(**{k: v if k == "clash" else v[:, i] for k, v in values.items()})


def settle(ask: Ask, exact: Exact, air: Floats, push: Floats, *, whole: bool) -> Settled:
    """Work out everything that follows from `air` and `push` frames, arrays of shape (B, n)."""
    fps, step = ask.fps, (ask.step if whole else 0)
    speed, rise, gravity = flight(exact, air, keep=ask.keep, fps=fps)
    kept_height = np.broadcast_to(exact.jump_height[:, None], air.shape)
    height = kept_height if ask.keep == "heights" else speed**2 / (2 * gravity)
    push_height, factor, push, extra_hold = _push(ask, exact, speed, push, step)
    key = apex_key(rise, air, exact.level[:, None], step=step) if whole else rise
    level = np.broadcast_to(exact.landing_level[:, None], air.shape)
    landing = np.sqrt(2 * gravity * np.maximum(height - level, 0))
    usual_absorb = _usual_absorb_height(ask, exact, landing)
    start_height = _or(ask.start_height, push_height)
    g = exact.gravity[:, None]
    placed = place(
        ask,
        # Who comes running has no anticipation.
        ease_in=0 * air if ask.running is not None else _ease(start_height, g, fps, step),
        ease_out=_ease(_or(ask.end_height, usual_absorb), g, fps, step),
        hold=_or(ask.crouch_hold_frames, air) + extra_hold,
        push=push,
        rise=key,
        air=air,
        absorb=_absorb_frames(ask, usual_absorb, landing, step),
    )
    absorb = placed.absorb
    absorb_height = _absorb_height(ask, usual_absorb, landing, absorb, step)
    travel_speed, travel, foot_travel = _travel(ask, air, push, absorb)
    return Settled(
        gravity=gravity,
        jump_height=height,
        push_height=push_height,
        absorb_height=absorb_height,
        landing_level=level,
        takeoff_speed=speed,
        landing_speed=landing,
        travel_speed=travel_speed,
        push_factor=factor,
        absorb_factor=landing * absorb / (2 * fps * absorb_height),
        anticipation=placed.anticipation,
        crouch_hold=placed.hold,
        push=push,
        rise=key,
        apex=_apex(air, key, exact.level[:, None]) if whole else rise,
        fall=air - key,
        absorb=absorb,
        recover=placed.recover,
        air=air,
        start_height=start_height,
        end_height=_or(ask.end_height, absorb_height),
        takeoff_frame=placed.takeoff,
        fits=placed.fits,
        clash=placed.clash,
        travel=travel,
        foot_travel=foot_travel,
    )


def subframe_counts(ask: Ask, exact: Exact, ranked: Ranked | None) -> tuple[Floats, Floats]:
    """Fractional air and push frames, each of shape (B, 1): the exact ones, or what counts that
    are fixed leave free. Only a sum of both needs `ranked`."""
    fixed = exact.fixed
    air = exact.air[:, None]
    push = exact.push[:, None]
    if fixed.sums:
        assert ranked is not None
        # A sum is shared out as the best whole answer shares it.
        push = ranked.push[:, :1]
        if fixed.push_rise is None:
            return ranked.air[:, :1], push
        rise = fixed.push_rise[:, None] - push
        return air_of_rise(exact, rise, keep=ask.keep, fps=ask.fps), push
    if fixed.air is not None:
        air = fixed.air[:, None]
    elif fixed.rise is not None or fixed.fall is not None:
        rise = rise_of_fall(ask, exact) if fixed.rise is None else fixed.rise[:, None]
        air = air_of_rise(exact, rise, keep=ask.keep, fps=ask.fps)
    speed, rise, _ = flight(exact, air, keep=ask.keep, fps=ask.fps)
    if fixed.push is not None:
        push = fixed.push[:, None]
    elif ask.keep == "poses":
        push = 2 * ask.fps * exact.push_height[:, None] / speed
    else:
        push = rise / exact.magnification[:, None]
    return air, push


def _apex(air: Floats, key: Floats, level: Bools) -> Floats:
    """Frames from take-off to the top: that of its key, or, where the landing is level, half the
    air, even between two frames."""
    return np.where(level & (air % 2 != 0), air / 2, key)


def _push(
    ask: Ask, exact: Exact, speed: Floats, push: Floats, step: int
) -> tuple[Floats, Floats, Floats, Floats]:
    """Push height, push factor, push frames and what is left of them as crouch hold."""
    if ask.keep == "gravity":
        return speed * push / (2 * ask.fps), np.ones_like(push), push, np.zeros_like(push)
    height = np.broadcast_to(exact.push_height[:, None], push.shape)
    constant = 2 * ask.fps * height / speed
    most = LONGEST_PUSH * constant
    if step:
        most = np.maximum(np.floor(most / step + 1e-9) * step, step)
    moved = np.where(push > LONGEST_PUSH * constant * (1 + 1e-12), np.minimum(push, most), push)
    return height, moved / constant, moved, push - moved


def _usual_absorb_height(ask: Ask, exact: Exact, landing: Floats) -> Floats:
    """What was asked; else a landing is absorbed like the push, scaled with what was fallen, and
    never deeper than the legs allow."""
    if ask.absorb_height is not None:
        return _or(ask.absorb_height, landing)
    if ask.absorb_frames is not None:
        return landing * ask.absorb_frames[:, None] / (2 * ask.fps)
    share = (exact.jump_height - exact.landing_level) / exact.jump_height
    usual = exact.push_height * np.minimum(1, share)
    if ask.absorb_limit is not None:
        usual = np.minimum(usual, ask.absorb_limit)
    return np.broadcast_to(usual[:, None], landing.shape)


def _absorb_frames(ask: Ask, height: Floats, landing: Floats, step: int) -> Floats:
    if ask.absorb_frames is not None:
        return np.broadcast_to(ask.absorb_frames[:, None], landing.shape)
    frames = 2 * height * ask.fps / landing
    return np.maximum(_nearest(frames, step), step) if step else frames


def _absorb_height(ask: Ask, usual: Floats, landing: Floats, absorb: Floats, step: int) -> Floats:
    """Where gravity is kept, or only the time was said, the height follows from the frames."""
    said = ask.absorb_height is not None
    pinned = "low" in ask.pins and not said and ask.keep == "gravity"
    if (ask.keep == "gravity" and step) or pinned:
        return landing * absorb / (2 * ask.fps)
    return usual


def _ease(height: Floats, gravity: Floats, fps: float, step: int) -> Floats:
    """Frames of a cubic with flat ends over `height` whose peak acceleration is that of free
    fall, 6 s / t² = g, and no fewer than common practice."""
    frames = fps * np.maximum(EASE_SECONDS, np.sqrt(6 * height / gravity))
    return np.maximum(_nearest(frames, step), step) if step else frames


def _travel(ask: Ask, air: Floats, push: Floats, absorb: Floats) -> tuple[Floats, Floats, Floats]:
    """Travel speed, travel and foot travel.

    Standing jumps gain the speed linearly over the push and lose it over the absorb, so the COG
    is half of speed times push time ahead of the feet at take-off, and likewise behind at land.
    """
    fps = ask.fps
    ahead, behind = ask.cog_ahead, ask.cog_behind
    moved = np.zeros_like(air)
    shared = air / fps
    for offset, frames in ((ahead, push), (behind, absorb)):
        if offset is None:
            shared = shared + frames / (2 * fps)
        else:
            moved = moved + offset[:, None]
    if ask.running is not None:
        speed = np.broadcast_to(ask.running[:, None], air.shape)
    elif ask.travel is not None:
        speed = ask.travel[:, None] * fps / air
    elif ask.foot_travel is not None:
        speed = (ask.foot_travel[:, None] - moved) / shared
    else:
        speed = np.zeros_like(air)
    return speed, speed * air / fps, speed * shared + moved


def _or(value: Floats | None, default: Floats) -> Floats:
    return default if value is None else np.broadcast_to(value[:, None], default.shape)


def _nearest(frames: Floats, step: int) -> Floats:
    return np.asarray(np.floor(frames / step + 0.5) * step)
