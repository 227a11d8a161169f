# SPDX-License-Identifier: GPL-3.0-or-later
"""Extra keys on the COG control where what is above or below it turns between the poses.

The measured COG then leaves the arc between the keys at the moments. What it misses is measured
on every frame while the planned keys are rehearsed, and given to the COG control.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.sparse import interpolate, sparse_keys
from leapwright_blender.course import Course
from leapwright_blender.ground import Ground
from leapwright_blender.ride import Ride
from leapwright_blender.sample import linear_maps, sample
from leapwright_blender.space import Control, Point

__all__ = ["corrected"]

Floats = NDArray[np.float64]


def corrected(
    obj: Any,
    scene: Any,
    ground: Ground,
    course: Course,
    ride: Ride,
    *,
    measured: Control | Point,
    posed: Collection[str],
    within: float,
    every_frame: bool = True,
) -> Ride:
    """The same ride with what the measured COG misses of its course added.

    To be called while the ride is rehearsed. Keys are added, as few as hold the COG within a
    distance; posed values stay.

    Parameters
    ----------
    measured : Control or Point
        What is measured as the COG.
    posed : collection of str
        Knots whose values are poses.
    within : float
        m.
    every_frame : bool
        Otherwise only the ride's own knots are looked at and nothing is added.

    Returns
    -------
    Ride
        The ride itself where it is near enough.
    """
    frames = course.every_frame if every_frame else ride.frames
    place = ground.to_plan(sample(obj, frames, [measured], scene=scene).positions[0])
    missing = course.at(frames) - place
    at_knot = np.searchsorted(frames, ride.frames)
    stays = [("crouch" if name == "hold" else name) in posed for name in ride.knots]
    missing[at_knot[stays]] = 0
    if np.max(np.linalg.norm(missing, axis=1)) <= within:
        return ride
    linear = linear_maps(obj, frames, ride.control, scene=scene)
    linear = ground.axes @ linear * ground.metres
    own = np.linalg.solve(linear, missing[..., None])[..., 0]
    if not every_frame:
        return replace(ride, values=ride.values + own)
    corners = np.isin(np.arange(len(frames)), at_knot)
    found = sparse_keys(
        frames,
        own,
        knots=at_knot,
        miss=lambda tried: np.linalg.norm(np.einsum("fij,fj->fi", linear, own - tried), axis=1),
        within=within,
        corners=corners,
    )
    at = frames[found.knots]
    played = ride.play(at)
    names = dict(zip(ride.frames.tolist(), ride.knots, strict=True))
    return Ride(
        ride.control,
        tuple(names.get(frame, "") for frame in at.tolist()),
        at,
        played.value + interpolate(frames, own, found)[found.knots],
        played.before + found.slopes_in,
        played.after + found.slopes_out,
    )
