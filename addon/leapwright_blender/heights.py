# SPDX-License-Identifier: GPL-3.0-or-later
"""A jump as the scene plays it: heights of the COG at its moments and what gravity they imply."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.errors import InputError
from leapwright.retime import Heights
from leapwright_blender.cog import Source
from leapwright_blender.ground import Ground
from leapwright_blender.poses import cog_on
from leapwright_blender.rig import Controls

__all__ = ["Flight", "measure_flight"]

Floats = NDArray[np.float64]

FINE = 8
"""Samples of the COG in a frame of the air, to find its top."""

EVEN = 4
"""By how much second differences may differ about a top that is round."""


@dataclass(frozen=True, slots=True)
class Flight:
    """A jump, measured.

    Attributes
    ----------
    moments : dict of moment to frame
        As given; the apex is the top of the COG where none was given.
    heights : Heights
        m.
    top_frame : float
        Where the COG is highest, between frames too.
    speed_m_s : float
        Horizontal speed in the air.
    """

    moments: dict[str, float]
    heights: Heights
    top_frame: float
    speed_m_s: float

    def to_json(self) -> dict[str, Any]:
        """The same as JSON values."""
        return {
            "moments": dict(self.moments),
            "push_height_m": self.heights.push,
            "jump_height_m": self.heights.jump,
            "landing_level_m": self.heights.landing_level,
            "top_frame": self.top_frame,
            "travel_speed_m_s": self.speed_m_s,
        }


def measure_flight(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    moments: Mapping[str, float],
    source: Source | None = None,
) -> Flight:
    """Measure a jump between its moments; the user's scene is not stepped.

    Parameters
    ----------
    source : Source, optional
        What the COG is measured with; None is the COG control.

    Raises
    ------
    InputError
        The COG does not rise between take-off and land.
    """
    takeoff, land = moments["takeoff"], moments["land"]
    crouch = moments.get("crouch", takeoff)

    def cog(frames: Floats) -> Floats:
        return cog_on(obj, scene, ground, controls, frames, source)

    whole = np.unique([takeoff, *np.arange(np.ceil(takeoff), np.floor(land) + 1), land])
    places = cog(np.concatenate([[crouch], whole]))
    rise = places[1:, 2]
    # Between frames only about the highest: a frame of a big rig takes long.
    at = int(np.argmax(rise))
    near = float(whole[max(at - 1, 0)]), float(whole[min(at + 1, len(whole) - 1)])
    fine = np.linspace(near[0], near[1], round((near[1] - near[0]) * FINE) + 1)
    top, height = _top(fine, cog(fine)[:, 2])
    if height - rise[0] <= 1e-6:
        raise InputError(
            f"moments: the COG does not rise between take-off ({takeoff:g}) and land ({land:g})",
            "moments",
        )
    push = float(rise[0] - places[0, 2])
    way = float(np.hypot(*(places[-1, :2] - places[1, :2])))
    return Flight(
        moments={**moments, "apex": moments.get("apex", float(np.rint(top)))},
        heights=Heights(
            jump=height - float(rise[0]),
            push=push if push > 1e-6 else None,
            landing_level=float(rise[-1] - rise[0]),
        ),
        top_frame=top,
        speed_m_s=way / (land - takeoff) * float(ground.frame_rate),
    )


def _top(frames: Floats, heights: Floats) -> tuple[float, float]:
    """Frame and height of the highest place, by the parabola through the highest samples where
    there is one: keys that hold, or are joined by straight lines, have none."""
    at = int(np.argmax(heights))
    bends = np.diff(heights[max(at - 2, 0) : at + 3], n=2)
    if len(bends) < 3 or not (bends < 0).all() or np.min(bends) < EVEN * np.max(bends):
        return float(frames[at]), float(heights[at])
    below, peak, above = heights[at - 1 : at + 2]
    step = 0.5 * (below - above) / bends[1]
    return (
        float(frames[at] + step * (frames[at + 1] - frames[at])),
        float(peak - 0.25 * (below - above) * step),
    )
