# SPDX-License-Identifier: GPL-3.0-or-later
"""The poses an animator set: on which frames, and where the body stands in them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.errors import ClashError, InputError
from leapwright.pins import MOMENTS
from leapwright_blender.ground import Ground
from leapwright_blender.legs import Leg, fold_length, leg_reach, rest_length
from leapwright_blender.rig import Controls
from leapwright_blender.sample import sample, side_scene
from leapwright_blender.space import (
    Control,
    pose_bone,
    the_object,
    to_world_matrix,
    world_matrix,
)

__all__ = ["Stand", "read_poses", "stand_on"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stand:
    """A body on one frame: everything a jump needs to know of a pose.

    Attributes
    ----------
    frame : float
        Where it was read.
    cog : ndarray, shape (3,)
        COG in the plan's axes, m.
    local : dict of Control to ndarray, shape (3,)
        Location channels of root, COG control and foot controls.
    place : dict of Control to ndarray, shape (3,)
        Their world places, in the plan's axes, m.
    linear : dict of Control to ndarray, shape (3, 3)
        Plan displacement (m) = matrix @ change of the location channels.
    legs : dict of str to tuple
        By leg: hip and ankle (plan axes, m), longest and shortest hip to ankle (m).
    """

    frame: float
    cog: Floats
    local: dict[Control, Floats]
    place: dict[Control, Floats]
    linear: dict[Control, Floats]
    legs: dict[str, tuple[Floats, Floats, float, float]]


def read_poses(poses: Mapping[str, float] | None) -> dict[str, float]:
    """Check the frames of posed moments: known, whole, in the order of the moments."""
    frames: dict[str, float] = {}
    for moment, frame in (poses or {}).items():
        if moment not in MOMENTS:
            raise InputError(
                f"poses must name one of {', '.join(MOMENTS)}, got {moment!r}", "poses"
            )
        if not np.isfinite(frame) or float(frame) % 1:
            raise InputError(f"pose {moment} must be a whole frame, got {frame!r}", "poses")
        frames[moment] = float(frame)
    ordered = {moment: frames[moment] for moment in MOMENTS if moment in frames}
    for (first, a), (second, b) in pairwise(ordered.items()):
        if b <= a:
            raise ClashError(
                f"poses must follow each other in time: {second} is posed on {b:g}, "
                f"{first} on {a:g}",
                ("poses",),
            )
    return ordered


def stand_on(
    obj: Any, scene: Any, ground: Ground, controls: Controls, frames: list[float]
) -> list[Stand]:
    """Read the body on some frames; the user's scene is not stepped."""
    named = [c for c in (controls.root, controls.cog, *controls.feet) if c is not None]
    places = sample(obj, frames, named, scene=scene)
    objects = [*list({c.object: the_object(c) for c in named}.values()), obj]
    stands = []
    with side_scene(scene, list(dict.fromkeys(objects))) as side:
        for i, frame in enumerate(frames):
            side.frame_set(int(np.floor(frame)), subframe=float(frame % 1))
            graph = side.view_layers[0].depsgraph
            at = {c: ground.to_plan(places.of(c)[i]) for c in named}
            stands.append(
                Stand(
                    frame=frame,
                    cog=at[controls.cog],
                    local={c: _location(c, graph) for c in named},
                    place=at,
                    linear={
                        c: ground.axes @ to_world_matrix(obj, c, depsgraph=graph) * ground.metres
                        for c in named
                    },
                    legs={leg.name: _leg(obj, leg, ground, graph) for leg in controls.legs},
                )
            )
    return stands


def _location(control: Control, graph: Any) -> Floats:
    evaluated = the_object(control).evaluated_get(graph)
    holder = pose_bone(control, obj=evaluated) if control.bone else evaluated
    return np.array(holder.location, dtype=np.float64)


def _leg(obj: Any, leg: Leg, ground: Ground, graph: Any) -> tuple[Floats, Floats, float, float]:
    reach = leg_reach(obj, leg, depsgraph=graph) * ground.metres
    fold = reach * fold_length(obj, leg) / max(rest_length(obj, leg), 1e-12)
    hip, ankle = (ground.to_plan(world_matrix(p, graph)[:3, 3]) for p in (leg.hip, leg.ankle))
    return hip, ankle, reach, fold
