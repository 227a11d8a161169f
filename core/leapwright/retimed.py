# SPDX-License-Identifier: GPL-3.0-or-later
"""What a retime answers: counts, moments and map of each answer, and what they mean."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np

from leapwright.errors import InputError
from leapwright.jump import Frames, Moments
from leapwright.style import Style, fall_ratio
from leapwright.timemap import TimeMap
from leapwright.timing import Timing
from leapwright.units import finite, positive, single

__all__ = ["Heights", "Physics", "Retimed", "Retiming", "describe", "physics"]

LEVEL = 0.01
"""A landing level within this part of the jump height counts as level."""


@dataclass(frozen=True, slots=True)
class Heights:
    """COG heights of a jump, m.

    Attributes
    ----------
    jump : float
        From take-off to apex.
    push : float or None
        From crouch to take-off; None where there is no push.
    landing_level : float
        COG at land minus COG at take-off.

    Raises
    ------
    InputError
        Jump or push is not above 0, or the landing is not below the apex.
    """

    jump: float
    push: float | None = None
    landing_level: float = 0.0

    def __post_init__(self) -> None:
        single(positive(self.jump, "jump", "m"), "jump")
        if self.push is not None:
            single(positive(self.push, "push", "m"), "push")
        if single(finite(self.landing_level, "landing_level", "m"), "landing_level") >= self.jump:
            raise InputError(
                f"landing_level must be below the jump of {self.jump:g} m, "
                f"got {self.landing_level:g}",
                "landing_level",
            )

    @property
    def fall(self) -> float:
        """From apex to land, m."""
        return self.jump - self.landing_level

    @property
    def magnification(self) -> float | None:
        """Jump height over push height."""
        return None if self.push is None else self.jump / self.push

    @property
    def is_level(self) -> bool:
        """Whether the jump lands as high as it left."""
        return abs(self.landing_level) <= LEVEL * self.jump

    @property
    def rise_share(self) -> float:
        """Part of a true jump's air that is rise."""
        return float(1 / (1 + np.sqrt(self.fall / self.jump)))


@dataclass(frozen=True, slots=True)
class Physics:
    """What heights and times of an air imply: gravities in m/s², the drop of the last frame in
    m."""

    rise_gravity: float
    fall_gravity: float
    last_drop: float


def physics(heights: Heights, rise: float, fall: float, fps: float) -> Physics:
    """Gravity of rise and fall, and how far the COG drops in the frame before land.

    Parameters
    ----------
    rise, fall : float
        Frames to the true top, and from there.

    Examples
    --------
    >>> floaty = physics(Heights(jump=1.2258), 12, 16, 24)
    >>> round(floaty.fall_gravity, 3), round(floaty.last_drop, 4)
    (5.516, 0.1484)
    """
    drop = heights.fall * (1 - (max(fall - 1, 0) / fall) ** 2)
    return Physics(2 * heights.jump * (fps / rise) ** 2, 2 * heights.fall * (fps / fall) ** 2, drop)


@dataclass(frozen=True, slots=True)
class Retiming:
    """One answer.

    Attributes
    ----------
    map : TimeMap
        Frames before to frames after.
    moments : Moments
        After; the apex is that of its key.
    frames : Frames
        After, counted to the apex key.
    snappiness : float
        What the air got: air before over air after, hangs aside; of the rise where only rise and
        fall part.
    timing : float or None
        Rise time over push time: the magnification as timing has it.
    physics : Physics or None
        Gravities and the last frame's drop; None without heights, or where the top hangs.
    reads_as_size : float
        Size of the character by whom this would be a true jump, over that before.
    speed_step : float or None
        Speed with which the air begins over that with which the push ends, less 1; 0 is smooth.
    style : Style
        Fall, push and hang as they are now. The push's ratio is 1 without heights.
    rewrite_air : bool
        The hang changed: a map cannot make that from the old air, so the COG's air is to be laid
        out anew (`leapwright.style.styled_air`).
    odd : bool
        The top lies between two frames although the landing is level.
    unchanged : bool
        No frame moves apart from any other.
    words : str
        The answer in one line.
    """

    map: TimeMap
    moments: Moments
    frames: Frames
    snappiness: float
    timing: float | None
    physics: Physics | None
    reads_as_size: float
    speed_step: float | None
    style: Style
    rewrite_air: bool
    odd: bool
    unchanged: bool
    words: str

    @classmethod
    def of(
        cls,
        *,
        time_map: TimeMap,
        moments: Moments,
        frames: Frames,
        timing: Timing,
        rise: float,
        hang: float,
        styled: bool,
        heights: Heights | None,
        fps: float,
        odd: bool,
    ) -> Retiming:
        """Work out what an answer means; `rise` is to the true top, the hang aside."""
        fall = frames.air - hang - rise
        k = timing.rise / rise
        push_stretch = None if timing.push is None else frames.push / timing.push
        solved = None if heights is None or hang else physics(heights, rise, fall, fps)
        shift = time_map.target - time_map.source
        return cls(
            map=time_map,
            moments=moments,
            frames=frames,
            snappiness=k,
            timing=None if timing.push is None else rise / frames.push,
            physics=solved,
            reads_as_size=1 / k**2,
            speed_step=None if push_stretch is None else push_stretch * k - 1,
            style=_style(timing, heights, rise, fall, frames, hang, styled=styled),
            rewrite_air=hang != timing.hang,
            odd=odd,
            unchanged=bool(np.ptp(shift) < 1e-9),
            words=_words(timing, frames, k, odd=odd),
        )


def _style(
    timing: Timing,
    heights: Heights | None,
    rise: float,
    fall: float,
    frames: Frames,
    hang: float,
    *,
    styled: bool,
) -> Style:
    fell, pushed = 1.0, 1.0
    if styled:
        up, down = (1.0, 1.0) if heights is None else (heights.jump, heights.fall)
        fell = fall_ratio(rise=rise, fall=fall, jump_height=up, fall_height=down)
    if heights is not None and heights.magnification is not None and timing.push is not None:
        # v t / 2p with v = 2h / rise time.
        pushed = heights.magnification * frames.push / rise
    return Style(fall=fell, push=pushed, hang=hang)


def _words(timing: Timing, frames: Frames, k: float, *, odd: bool) -> str:
    before = {
        "push": timing.push,
        "air": timing.air,
        "absorb": timing.absorb,
    }
    parts = ["top between frames"] if odd else []
    for phase, old in before.items():
        if old is None:
            continue
        new = getattr(frames, phase)
        change = f"{phase} {new:g}" if abs(new - old) < 1e-9 else f"{phase} {old:g} → {new:g}"
        parts.append(change)
    return f"{', '.join(parts)} frames, {k:.3g} times as snappy"


@dataclass(frozen=True, slots=True)
class Retimed:
    """A retimed jump; the first alternative is the answer.

    Attributes
    ----------
    asked : mapping
        What was asked, by argument.
    snappiness_asked : float
        By how much times were to be divided; 1 where only a style was asked.
    frame_rate : Fraction
    moments_before : Moments
    frames_before : Frames
    magnification : float or None
        Jump height over push height; a retime keeps it.
    timing_before : float or None
        Rise time over push time.
    physics_before : Physics or None
    alternatives : tuple of Retiming
        Whole-frame answers, best first.
    warnings : tuple of str
    """

    asked: Mapping[str, Any]
    snappiness_asked: float
    frame_rate: Fraction
    moments_before: Moments
    frames_before: Frames
    magnification: float | None
    timing_before: float | None
    physics_before: Physics | None
    alternatives: tuple[Retiming, ...]
    warnings: tuple[str, ...]

    @property
    def answer(self) -> Retiming:
        """The best of the alternatives."""
        return self.alternatives[0]

    @property
    def map(self) -> TimeMap:
        """The answer's map of time."""
        return self.answer.map

    @property
    def moments_after(self) -> Moments:
        """The answer's moments."""
        return self.answer.moments

    @property
    def frames_after(self) -> Frames:
        """The answer's counts."""
        return self.answer.frames


def describe(
    *,
    asked: Mapping[str, Any],
    snappiness: float,
    rate: Fraction,
    moments: Moments,
    frames: Frames,
    timing: Timing,
    heights: Heights | None,
    answers: list[Retiming],
    step: int,
    whole: bool,
) -> Retimed:
    """Put the answers beside what was, and say what an animator should know."""
    fall = timing.air - timing.hang - timing.rise
    known = heights is not None and not timing.hang
    assert not known or heights is not None
    return Retimed(
        asked=asked,
        snappiness_asked=snappiness,
        frame_rate=rate,
        moments_before=moments,
        frames_before=frames,
        magnification=None if heights is None else heights.magnification,
        timing_before=None if timing.push is None else timing.rise / timing.push,
        physics_before=(
            None
            if heights is None or timing.hang
            else physics(heights, timing.rise, fall, float(rate))
        ),
        alternatives=tuple(answers),
        warnings=_warnings(asked, snappiness, timing, answers, step if whole else 0),
    )


def _warnings(
    asked: Mapping[str, Any], k: float, timing: Timing, answers: list[Retiming], step: int
) -> tuple[str, ...]:
    said = []
    if answers[0].unchanged and step:
        other = next((a for a in answers if not a.unchanged), None)
        text = "no whole-frame change is this small"
        said.append(text if other is None else f"{text}; the next is {other.words}")
    push = None if "push_frames" in asked else timing.push
    if step and push is not None and push / k < step * (1 - 1e-9) and push >= step:
        said.append(
            f"snappiness {k:g} asks for {push / k:.2f} frames of push; {push / step:g} is the most "
            "that keeps the magnification"
        )
    return tuple(said)
