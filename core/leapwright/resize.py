# SPDX-License-Identifier: GPL-3.0-or-later
"""A jump made higher or farther: gravity stays, times go with the square root of the height."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from leapwright.before import check_gives, read_moments, read_timing
from leapwright.changes import Alternative
from leapwright.errors import ClashError, InputError
from leapwright.jump import Jump, Moments
from leapwright.layout import MOMENTS, plain_frame
from leapwright.pins import demand_mapping
from leapwright.retimed import Heights
from leapwright.solve import plan
from leapwright.style import Style
from leapwright.timemap import TimeMap
from leapwright.units import finite, frame_rate_of, not_negative, positive, single

__all__ = ["Resized", "resize"]


@dataclass(frozen=True, slots=True)
class Resized:
    """A resized jump.

    Attributes
    ----------
    jump : Jump
        The jump after, with its alternatives: counts, heights, the COG's way from take-off.
    map : TimeMap
        Frames before to frames after, for every channel but the COG's: its push, air and absorb
        are to be laid out anew from `jump`.
    moments_before, moments_after : Moments
    times_height : float
        Jump height after over before.
    gravity : float
        m/s², of both.
    warnings : tuple of str
    """

    jump: Jump
    map: TimeMap
    moments_before: Moments
    moments_after: Moments
    times_height: float
    gravity: float
    warnings: tuple[str, ...]


def resize(
    moments: Moments | Mapping[str, float | None],
    heights: Heights,
    *,
    frame_rate: float | str | Fraction = 24,
    jump_height: float | None = None,
    times_height: float | None = None,
    travel: float | None = None,
    travel_before: float = 0.0,
    crouch_hold_frames: float = 0,
    style: Style | None = None,
    before: str = "shift",
    after: str = "shift",
    pins: Mapping[str, float] | None = None,
    twos: bool = False,
    shot_start: float = 1,
    subframes: bool = False,
    absorb_limit: float | None = None,
) -> Resized:
    """Resize a jump about its take-off level; it lands where it did, or farther.

    Parameters
    ----------
    moments : Moments or mapping of moment to frame
        Crouch, take-off and land at least.
    heights : Heights
        Of the COG before, m, with the push.
    frame_rate : number or str
        Frames a second.
    jump_height, times_height : float, at most one
        COG rise from take-off to apex that is wanted, m, or how many times that before.
    travel : float
        Horizontal way of the COG in the air that is wanted, m; alone, every frame stays.
    travel_before : float
        That before, m, kept unless `travel` is given.
    crouch_hold_frames : float
        Frames of hold before the push; they stay.
    style : Style
        Of the jump before; it must be true in the air.
    before, after : {"shift", "stretch"}
        What is outside moves with the jump, or stays while anticipation or recover gives.
    pins, twos, shot_start, subframes
        As in `leapwright.plan`. Without a pin the crouch keeps its frame.
    absorb_limit : float
        How far the legs let the COG drop after landing, m.

    Raises
    ------
    InputError
        A number or moment is not allowed.
    ClashError
        Nothing or too much is asked, or the air is styled: retime it to its true fall first.
    ReachError
        The landing is above what the new height reaches.

    Notes
    -----
    It is planned anew with the gravity that the old air implies and the poses kept: whole frames
    make the height give, h = g t²/2 of the rise, and the push takes the time that the posed push
    height allows.

    Examples
    --------
    >>> was = {"crouch": 20, "takeoff": 23, "apex": 33, "land": 43}
    >>> higher = resize(was, Heights(jump=0.8513, push=0.28), times_height=1.44)
    >>> higher.jump.frames.rise, round(higher.times_height, 6)
    (12, 1.44)
    """
    was = read_moments(moments)
    step = 2 if twos else 1
    hold = single(
        not_negative(crouch_hold_frames, "crouch_hold_frames", "frames"), "crouch_hold_frames"
    )
    shot_start = single(finite(shot_start, "shot_start", "frames"), "shot_start")
    timing = read_timing(was, heights, style or Style(), hold, step)
    check_gives(timing, before, after, frozenset())
    if timing.styled or timing.hang:
        raise ClashError("a styled air cannot be resized: give it its true fall first", ("style",))
    if timing.push is None or heights.push is None:
        raise InputError("`heights` and `moments` must have a push", "heights")
    if jump_height is not None and times_height is not None:
        raise ClashError("give jump_height or times_height", ("jump_height", "times_height"))
    if jump_height is None and times_height is None and travel is None:
        raise ClashError("ask for a height or a travel, got nothing to change", ("jump_height",))
    wanted = (
        heights.jump
        if jump_height is None
        else single(positive(jump_height, "jump_height", "m"), "jump_height")
    )
    if times_height is not None:
        wanted *= single(positive(times_height, "times_height", ""), "times_height")
    rate = frame_rate_of(frame_rate)
    fps = float(rate)
    gravity = 2 * heights.jump * (fps / timing.rise) ** 2
    asked: dict[str, Any] = {"jump_height": wanted}
    if jump_height is None and times_height is None:
        # Farther alone: every count stays.
        asked = {"air_frames": timing.air, "push_frames": timing.push}
    pins = demand_mapping(pins)
    fixed = dict(pins)
    anticipation, recover = timing.anticipation or 0, timing.recover or 0
    if not fixed:
        crouch = was["crouch"] or 0.0
        if not subframes:
            crouch = shot_start + math.ceil((crouch - shot_start) / step - 0.5) * step
        fixed["crouch"] = crouch
    stretched = {}
    for moment, gives in (("start", before), ("end", after)):
        if gives == "stretch":
            fixed.setdefault(moment, was[moment] or 0.0)
            stretched[moment] = True
    landing = math.sqrt(2 * gravity * heights.fall)
    if timing.absorb is not None:
        asked["absorb_height"] = landing * timing.absorb / (2 * fps)
    rest: dict[str, Any] = {
        "push_height": heights.push,
        "landing_level": heights.landing_level,
        "travel": travel_before if travel is None else travel,
        "gravity": gravity,
        "frame_rate": rate,
        "keep": "poses",
        "twos": twos,
        "shot_start": shot_start,
        "subframes": subframes,
        "pins": fixed,
        "crouch_hold_frames": timing.hold,
        "anticipation_frames": None if "start" in stretched else anticipation,
        "recover_frames": None if "end" in stretched else recover,
        "absorb_limit": absorb_limit,
    }
    jump = plan(**asked, **rest)
    if "jump_height" in asked and not subframes and not {"takeoff", "land"} <= set(fixed):
        jump = _air_first(jump, asked, rest)
    now = {m: f if was[m] is not None else None for m, f in jump.moments}
    knots = [(was[m], now[m]) for m in MOMENTS if m != "apex"]
    held = was["crouch"], now["crouch"]
    if timing.hold and was["start"] is not None and None not in held:
        # A push that takes longer than it can leaves the rest to the hold.
        knots.append(((held[0] or 0.0) - timing.hold, (held[1] or 0.0) - jump.frames.crouch_hold))
    there = sorted((a, float(b)) for a, b in knots if a is not None and b is not None)
    return Resized(
        jump=jump,
        map=TimeMap.of([a for a, _ in there], [b for _, b in there]),
        moments_before=Moments(**{m: plain_frame(was[m]) for m in MOMENTS}),
        moments_after=Moments(**{m: None if f is None else plain_frame(f) for m, f in now.items()}),
        times_height=float(jump.jump_height / heights.jump),
        gravity=gravity,
        warnings=jump.warnings,
    )


def _air_first(jump: Jump, asked: dict[str, Any], rest: dict[str, Any]) -> Jump:
    """The whole-frame answer whose height is nearest to the one asked for.

    Who asks for a height means the height: the air is rescaled, and the push then takes what the
    poses allow, while a plan weighs the two against each other.
    """
    wanted = asked["jump_height"]
    near = min(
        (other for other in jump.alternatives if _height(other, jump) is not None),
        key=lambda other: abs(math.log((_height(other, jump) or wanted) / wanted)),
        default=None,
    )
    if near is None or near.frames.air == jump.frames.air:
        return jump
    counts = {name: value for name, value in asked.items() if name != "jump_height"}
    other = plan(air_frames=near.frames.air, **counts, **rest)
    listed = [a for a in jump.alternatives if a.frames == other.frames]
    first = listed[0] if listed else near
    return replace(
        other,
        asked=jump.asked,
        changes=first.changes,
        alternatives=(first, *(a for a in jump.alternatives if a is not first)),
    )


def _height(answer: Alternative, jump: Jump) -> float | None:
    """Jump height of an answer; one with its top between frames is no first choice."""
    if answer.words.startswith("top between"):
        return None
    time = answer.frames.air / float(jump.frame_rate)
    speed = jump.landing_level / time + jump.gravity * time / 2
    return float(speed**2 / (2 * jump.gravity))
