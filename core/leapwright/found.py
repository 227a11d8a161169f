# SPDX-License-Identifier: GPL-3.0-or-later
"""A found jump: what was measured, as plain data."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

from leapwright.fit import Fit

__all__ = [
    "FoundFrames",
    "FoundGravity",
    "FoundHeights",
    "FoundJump",
    "FoundMoments",
    "OffArc",
    "TakeoffSpread",
    "found_answer",
]


@dataclass(frozen=True, slots=True)
class FoundMoments:
    """One number a moment: its frame, or how uncertain that is."""

    crouch: float
    takeoff: float
    apex: float
    land: float
    low: float


@dataclass(frozen=True, slots=True)
class FoundFrames:
    """Frames of each phase, fractions and all."""

    crouch_hold: float
    push: float
    rise: float
    fall: float
    absorb: float


@dataclass(frozen=True, slots=True)
class FoundHeights:
    """Heights of the COG, m: crouch to take-off, to apex, to land, to low."""

    push: float
    jump: float
    fall: float
    absorb: float


@dataclass(frozen=True, slots=True)
class FoundGravity:
    """Gravity in m/s²: of one parabola over the air, of the rise, of the fall."""

    air: float
    rise: float
    fall: float


@dataclass(frozen=True, slots=True)
class OffArc:
    """How far the COG in the air is from one parabola at one travel speed's side, m.

    Attributes
    ----------
    rms, largest : float
    at_frame : float
        Where it is farthest off.
    styled : float
        Largest distance from the arc whose rise and fall differ, and which may hang.
    """

    rms: float
    largest: float
    at_frame: float
    styled: float


@dataclass(frozen=True, slots=True)
class TakeoffSpread:
    """The frame of take-off by other definitions.

    Attributes
    ----------
    contact : float or None
        Last frame with a foot on the floor; the foot leaves in the frame after it.
    fastest : float
        Where the COG rises fastest.
    arc : float or None
        Where the arc of the air begins: the joint fit.
    """

    contact: float | None
    fastest: float
    arc: float | None

    @property
    def frames(self) -> float:
        """From the earliest to the latest."""
        known = [x for x in (self.contact, self.fastest, self.arc) if x is not None]
        return max(known) - min(known)


@dataclass(frozen=True, slots=True)
class FoundJump:
    """A jump that was found, measured. SI units, and frames.

    Attributes
    ----------
    number : int
        From 1.
    moments : FoundMoments
        Take-off is where the fitted arc begins, if that is when the feet leave within the
        uncertainty; else the last contact. Land likewise.
    uncertainty : FoundMoments
        Frames either way, at 95 %.
    frames : FoundFrames
    heights : FoundHeights
    gravity : FoundGravity
    hang : float
        Frames that the top lasts longer than rise and fall say.
    takeoff_speed, landing_speed : float
        Upward and downward, m/s.
    travel : float
        Horizontal way of the COG in the air, m.
    travel_uneven : float
        Largest distance along the way from one travel speed, m.
    uneven_frame : float
    off_arc : OffArc
    in_place : bool
        The body stays where it is and only the feet are drawn up, or it hovers: the height is
        added elsewhere, by a game's engine.
    shares_crouch : bool
        The crouch is the low of the jump before.
    takeoff_by, land_by : {"arc", "contact"}
        What the moment was taken from.
    takeoffs : TakeoffSpread
    contact_land : float or None
        First frame with a foot on the floor.
    fastest_fall : float
        Frame.
    gained, lost : float
        Part of its fastest rise that the body still gains when the feet are clear, or has lost
        already when they leave.
    eased : float
        Part of its fastest fall that the body has lost when the feet touch.
    size : float
        Height of the COG above the soles when it stands, m; 1 where no feet are known.
    noise : float
        Jitter of the COG, m.
    fit : Fit or None
        The joint fit; None where the samples are too few or are no jump's.
    described : bool
        Whether the fit lies near the samples.
    crouch_row, low_row : int
        Rows of the track's known frames.
    """

    number: int
    moments: FoundMoments
    uncertainty: FoundMoments
    frames: FoundFrames
    heights: FoundHeights
    gravity: FoundGravity
    hang: float
    takeoff_speed: float
    landing_speed: float
    travel: float
    travel_uneven: float
    uneven_frame: float
    off_arc: OffArc
    in_place: bool
    shares_crouch: bool
    takeoff_by: Literal["arc", "contact"]
    land_by: Literal["arc", "contact"]
    takeoffs: TakeoffSpread
    contact_land: float | None
    fastest_fall: float
    gained: float
    lost: float
    eased: float
    size: float
    noise: float
    fit: Fit | None
    described: bool
    crouch_row: int
    low_row: int

    @property
    def has_push(self) -> bool:
        """Whether the body pushes at all: a step off or a bounce does not."""
        return self.heights.push > 0.005 * self.size and self.frames.push > 0.25

    @property
    def magnification(self) -> float | None:
        """Jump height over push height; None where there is no push or no rise."""
        if not self.has_push or self.heights.jump <= 0:
            return None
        return self.heights.jump / self.heights.push

    @property
    def timing_magnification(self) -> float | None:
        """Rise time over push time: the magnification as the timing has it."""
        if not self.has_push or self.heights.jump <= 0:
            return None
        return self.frames.rise / self.frames.push

    @property
    def push_force(self) -> float | None:
        """Mean force of the push in body weights."""
        m = self.magnification
        return None if m is None else 1 + m

    @property
    def absorb_force(self) -> float | None:
        """Mean force of the absorb in body weights."""
        if self.heights.absorb <= 0 or self.heights.fall <= 0:
            return None
        return 1 + self.heights.fall / self.heights.absorb

    def with_low(self, frame: float) -> FoundJump:
        """The same jump with its low elsewhere."""
        frames = replace(self.frames, absorb=frame - self.moments.land)
        return replace(self, moments=replace(self.moments, low=frame), frames=frames)

    def with_crouch(self, frame: float) -> FoundJump:
        """The same jump with its crouch at the low of the jump before."""
        frames = replace(self.frames, push=self.moments.takeoff - frame)
        moments = replace(self.moments, crouch=frame)
        return replace(self, moments=moments, frames=frames, shares_crouch=True)


def found_answer(jump: FoundJump) -> dict[str, Any]:
    """A found jump as numbers and dictionaries, units in the key names, ready for JSON."""
    return {
        "moments": asdict(jump.moments),
        "uncertainty_frames": asdict(jump.uncertainty),
        "frames": asdict(jump.frames),
        "heights_m": asdict(jump.heights),
        "gravity_m_s2": asdict(jump.gravity),
        "magnification": {"heights": jump.magnification, "timing": jump.timing_magnification},
        "travel_m": jump.travel,
        "force_body_weights": {"push": jump.push_force, "absorb": jump.absorb_force},
        "off_arc_m": {
            "rms": jump.off_arc.rms,
            "largest": jump.off_arc.largest,
            "at_frame": jump.off_arc.at_frame,
        },
        "hang_frames": jump.hang,
        "in_place": jump.in_place,
        "shares_crouch": jump.shares_crouch,
        "takeoff_definitions": {
            "used": jump.takeoff_by,
            "last_contact": jump.takeoffs.contact,
            "fastest_rise": jump.takeoffs.fastest,
            "start_of_arc": jump.takeoffs.arc,
            "spread_frames": jump.takeoffs.frames,
        },
    }
