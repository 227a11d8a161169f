# SPDX-License-Identifier: GPL-3.0-or-later
"""The poses an animator set: on which frames, and where the body stands in them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.errors import ClashError, InputError
from leapwright.pins import MOMENTS
from leapwright_blender.ground import Ground
from leapwright_blender.leg import Leg
from leapwright_blender.reach import fold_length, leg_reach, rest_length
from leapwright_blender.rig import Controls
from leapwright_blender.sample import sample, sampling, side_scene
from leapwright_blender.space import (
    Control,
    Point,
    pose_bone,
    rest_offset,
    the_object,
    to_world_matrix,
    world_matrix,
)
from leapwright_blender.steps import Steps, run

if TYPE_CHECKING:
    from leapwright_blender.cog import Source

__all__ = [
    "Body",
    "Stand",
    "ankle_of",
    "cog_in_steps",
    "cog_on",
    "cog_points",
    "measured_at",
    "read_body",
    "read_poses",
    "stand_on",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Stand:
    """A body on one frame: everything a jump needs to know of a pose.

    Attributes
    ----------
    frame : float
        Where it was read.
    cog : ndarray, shape (3,)
        COG in the plan's axes, m; see `cog_on`.
    held : ndarray, shape (3,)
        Where the COG control holds the body, likewise; see `measured_at`.
    local : dict of Control to ndarray, shape (3,)
        Location channels of root, COG control and foot controls.
    place : dict of Control to ndarray, shape (3,)
        Their world places, in the plan's axes, m.
    linear : dict of Control to ndarray, shape (3, 3)
        Plan displacement (m) = matrix @ change of the location channels.
    legs : dict of str to tuple
        By leg: hip and ankle (plan axes, m), longest and shortest hip to ankle (m).
    feet : dict of str to ndarray, shape (4, 4)
        World matrices (Blender units) of the feet of FK legs: the bones below the shins.
    soles : ndarray, shape (S, 3)
        The controls' soles in the plan's axes, m.
    """

    frame: float
    cog: Floats
    held: Floats
    local: dict[Control, Floats]
    place: dict[Control, Floats]
    linear: dict[Control, Floats]
    legs: dict[str, tuple[Floats, Floats, float, float]]
    feet: dict[str, Floats]
    soles: Floats


@dataclass(frozen=True, slots=True)
class Body:
    """What was read: the posed bodies, and the one that stands for all that is not posed."""

    stands: dict[str, Stand]
    home: Stand


def measured_at(controls: Controls) -> Control | Point:
    """What is measured as the COG: the COG control's place as the pelvis carries it.

    An animator may have lowered or turned something between the two, so the point rides on the
    pelvis; where nothing between is moved it is at the COG control. Without a pelvis it is the
    control.
    """
    cog, pelvis = controls.cog, controls.pelvis
    if pelvis is None or not cog.bone or pelvis == cog:
        return cog
    bones = the_object(pelvis).data.bones
    place = bones[cog.bone].head_local
    return Point(pelvis.object, pelvis.bone, rest_offset(bones[pelvis.bone], place))


def cog_points(
    controls: Controls, source: Source | None = None
) -> tuple[tuple[Control | Point, ...], Floats]:
    """What the COG is measured with: places, and the share of the mass at each.

    Parameters
    ----------
    source : Source, optional
        From `leapwright_blender.cog.source_named`; None is the COG control, by `measured_at`.
    """
    if source is None:
        return (measured_at(controls),), np.ones(1)
    return source.points, source.masses


def cog_on(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    frames: ArrayLike,
    source: Source | None = None,
) -> Floats:
    """The COG on some frames, shape (F, 3), m in the plan's axes; the scene is not stepped.

    Parameters
    ----------
    source : Source, optional
        As in `cog_points`.
    """
    return run(cog_in_steps(obj, scene, ground, controls, frames, source))


def cog_in_steps(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    frames: ArrayLike,
    source: Source | None = None,
) -> Steps[Floats]:
    """`cog_on` in steps, for many frames; parameters as there."""
    points, masses = cog_points(controls, source)
    samples = yield from sampling(obj, frames, points, scene=scene)
    return ground.to_plan(np.einsum("p,pfi->fi", masses, samples.positions))


def ankle_of(leg: Leg) -> Control:
    """The bone below the shin of an FK leg: it keeps its place while the foot is planted."""
    return Control(leg.hip.object, leg.after)


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
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    frames: list[float],
    source: Source | None = None,
) -> list[Stand]:
    """Read the body on some frames; the user's scene is not stepped."""
    weighed, masses = cog_points(controls, source)
    named = [c for c in (controls.root, controls.cog, *controls.feet) if c is not None]
    ankles = {leg.foot: ankle_of(leg) for leg in controls.legs if leg.after}
    points = [*named, measured_at(controls), *weighed, *ankles.values(), *controls.soles]
    places = sample(obj, frames, list(dict.fromkeys(points)), scene=scene)
    objects = [*list({c.object: the_object(c) for c in points}.values()), obj]
    stands = []
    with side_scene(scene, list(dict.fromkeys(objects))) as side:
        for i, frame in enumerate(frames):
            side.frame_set(int(np.floor(frame)), subframe=float(frame % 1))
            graph = side.view_layers[0].depsgraph
            at = {c: ground.to_plan(places.of(c)[i]) for c in named}
            stands.append(
                Stand(
                    frame=frame,
                    cog=ground.to_plan(masses @ [places.of(p)[i] for p in weighed]),
                    held=ground.to_plan(places.of(measured_at(controls))[i]),
                    local={c: _location(c, graph) for c in named},
                    place=at,
                    linear={
                        c: ground.axes @ to_world_matrix(obj, c, depsgraph=graph) * ground.metres
                        for c in named
                    },
                    legs={leg.name: _leg(obj, leg, ground, graph) for leg in controls.legs},
                    feet={
                        foot: places.matrices[places.points.index(ankle), i]
                        for foot, ankle in ankles.items()
                    },
                    soles=ground.to_plan(
                        np.array([places.of(s)[i] for s in controls.soles]).reshape(-1, 3)
                    ),
                )
            )
    return stands


def read_body(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    frames: Mapping[str, float],
    source: Source | None = None,
) -> Body:
    """Home is the start pose, else the take-off, else the crouch, else the current frame."""
    current = float(scene.frame_current_final)
    *stands, now = stand_on(obj, scene, ground, controls, [*frames.values(), current], source)
    posed = dict(zip(frames, stands, strict=True))
    home = next((posed[m] for m in ("start", "takeoff", "crouch") if m in posed), now)
    return Body(posed, home)


def _location(control: Control, graph: Any) -> Floats:
    evaluated = the_object(control).evaluated_get(graph)
    holder = pose_bone(control, obj=evaluated) if control.bone else evaluated
    return np.array(holder.location, dtype=np.float64)


def _leg(obj: Any, leg: Leg, ground: Ground, graph: Any) -> tuple[Floats, Floats, float, float]:
    reach = leg_reach(obj, leg, depsgraph=graph) * ground.metres
    fold = reach * fold_length(obj, leg) / max(rest_length(obj, leg), 1e-12)
    hip, ankle = (ground.to_plan(world_matrix(p, graph)[:3, 3]) for p in (leg.hip, leg.ankle))
    return hip, ankle, reach, fold
