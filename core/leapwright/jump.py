# SPDX-License-Identifier: GPL-3.0-or-later
"""A jump: what was asked and solved, as plain data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from leapwright.ask import Keep
from leapwright.changes import Alternative, Change
from leapwright.motion import jump_path
from leapwright.path import Motion, Path

__all__ = ["Frames", "Jump", "Moments", "Number"]

Number = Any
"""A float (or int) for one jump, an array of the asked shape for many."""


@dataclass(frozen=True, slots=True)
class Frames:
    """Frames of each phase; 0 is an absent one.

    Attributes
    ----------
    anticipation, crouch_hold, push, absorb, recover : int, float or ndarray
    rise, fall : int, float or ndarray
        Counted to the apex key.
    air : int, float or ndarray
        Rise and fall together.
    """

    anticipation: Number
    crouch_hold: Number
    push: Number
    rise: Number
    fall: Number
    absorb: Number
    recover: Number
    air: Number


@dataclass(frozen=True, slots=True)
class Moments:
    """Frame of each moment; None where the phase it belongs to is absent (NaN in arrays).

    Attributes
    ----------
    start, crouch, takeoff, apex, land, low, end : int, float, None or ndarray

    Notes
    -----
    The apex alone may be fractional: a level landing after an odd number of air frames has its
    top between two frames.
    """

    start: Number
    crouch: Number
    takeoff: Number
    apex: Number
    land: Number
    low: Number
    end: Number

    def __iter__(self) -> Any:
        return ((f.name, getattr(self, f.name)) for f in fields(self))


@dataclass(frozen=True, slots=True)
class Jump:
    """A solved jump. Numbers for one jump; arrays of the asked shape for many.

    Heights and lengths in m, speeds in m/s, gravity in m/s², counts in frames. Forces are means
    in body weights.

    Attributes
    ----------
    asked : mapping
        The arguments of `plan` that were given or have a default.
    frame_rate : Fraction
        Frames a second.
    gravity : float or ndarray
        That of the answer: with heights kept it gives.
    keep : {"gravity", "poses", "heights"}
    twos : bool
    push_height, jump_height, fall_height, absorb_height : float or ndarray
        COG from crouch to take-off, to apex, to land, to low.
    landing_level : float or ndarray
        COG at land minus COG at take-off.
    start_height, end_height : float or ndarray
        COG of the start above the crouch, of the end above the low.
    travel, foot_travel, heading : float or ndarray
    magnification : float or ndarray
        Jump height over push height.
    takeoff_speed, landing_speed, travel_speed : float or ndarray
    push_factor, absorb_factor : float or ndarray
        Time of the push (absorb) over that of one of constant force; never shown to a user.
    push_force, absorb_force : float or ndarray
    running, carry_on : bool
    frames, subframes : Frames
        The answer, and the fractional one.
    moments : Moments
    changes : tuple of Change
        What had to give; like the next two for one jump only.
    alternatives : tuple of Alternative
        Whole-frame answers, best first; the first is the jump itself.
    warnings : tuple of str
    """

    asked: Mapping[str, Any]
    frame_rate: Fraction
    gravity: Number
    keep: Keep
    twos: bool
    push_height: Number
    jump_height: Number
    fall_height: Number
    absorb_height: Number
    landing_level: Number
    start_height: Number
    end_height: Number
    travel: Number
    foot_travel: Number
    heading: Number
    magnification: Number
    takeoff_speed: Number
    landing_speed: Number
    travel_speed: Number
    push_factor: Number
    absorb_factor: Number
    push_force: Number
    absorb_force: Number
    running: bool
    carry_on: bool
    frames: Frames
    subframes: Frames
    moments: Moments
    changes: tuple[Change, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    warnings: tuple[str, ...] = ()

    def path(self) -> Path:
        """The COG's way in m, over seconds from take-off; the COG at take-off is the origin, z up.

        Heading 0 is +X, 90 is +Y.
        """
        return jump_path(self)

    def cog(self, frames: ArrayLike) -> Motion:
        """COG position, velocity and acceleration at `frames`.

        Parameters
        ----------
        frames : array_like, shape (F,)
            Frames, fractions allowed.

        Returns
        -------
        Motion
            Arrays of shape (F, 3), or (..., F, 3) for many jumps; m, m/s, m/s².

        Examples
        --------
        >>> import leapwright
        >>> jump = leapwright.plan(rise_frames=12, push_frames=3)
        >>> top = jump.cog(jump.moments.apex)
        >>> top.position.round(4).tolist()
        [[0.0, 0.0, 1.2258]]
        """
        takeoff = np.asarray(self.moments.takeoff, dtype=np.float64)[..., None]
        return self.path().at(
            (np.asarray(frames, dtype=np.float64) - takeoff) / float(self.frame_rate)
        )
