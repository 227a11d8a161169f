# SPDX-License-Identifier: GPL-3.0-or-later
"""World places of controls over many frames, without touching the user's scene.

A second scene that holds nothing but the rig is stepped through the frames: the user's frame,
unkeyed poses and selection stay as they are, and nothing else in the file is evaluated.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from typing import Any

import bpy
import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.errors import HostError, InputError

from .space import (
    Control,
    Point,
    bone_matrices,
    pose_bone,
    the_object,
    to_world_matrix,
)
from .steps import Step, Steps, run

__all__ = [
    "Samples",
    "frame_rate",
    "gravity",
    "linear_maps",
    "metres_per_unit",
    "sample",
    "sampling",
    "side_scene",
]

_RENDER = ("fps", "fps_base", "frame_map_old", "frame_map_new")
_UNITS = ("system", "scale_length", "system_rotation")

AT_ONCE = 24
"""Frames in a step: a rig of many bones takes some 10 ms for each."""


@dataclass(frozen=True, slots=True)
class Samples:
    """Where points were, in Blender units and world axes.

    Parameters
    ----------
    points : tuple of Control or Point
    frames : array, shape [frames]
    positions : array, shape [points, frames, 3]
    matrices : array, shape [points, frames, 4, 4]
        World matrices; their origins are `positions`.
    metres_per_unit : float
    frame_rate : Fraction
        Frames per second.
    gravity : array, shape [3]
        m/s², as the scene has it.
    """

    points: tuple[Control | Point, ...]
    frames: NDArray[np.float64]
    positions: NDArray[np.float64]
    matrices: NDArray[np.float64]
    metres_per_unit: float
    frame_rate: Fraction
    gravity: NDArray[np.float64]

    def of(self, point: Control | Point) -> NDArray[np.float64]:
        """Positions ``[frames, 3]`` of one of the points."""
        return self.positions[self.points.index(point)]


def metres_per_unit(scene: Any) -> float:
    """Metres in one Blender unit of a scene."""
    return float(scene.unit_settings.scale_length)


def frame_rate(scene: Any) -> Fraction:
    """Frames per second, exact: 24 over 1.001 is 24000/1001."""
    # The base is a 32-bit number: 1.001 comes as 1.00100004673.
    base = Fraction(float(scene.render.fps_base)).limit_denominator(10_000)
    return Fraction(int(scene.render.fps)) / base


def gravity(scene: Any) -> NDArray[np.float64]:
    """Gravity of a scene, shape [3], m/s². Blender keeps it in units/s²; panels show m/s²."""
    return np.array(scene.gravity, dtype=np.float64) * metres_per_unit(scene)


@contextmanager
def side_scene(scene: Any, objects: Sequence[Any]) -> Iterator[Any]:
    """A passing scene with the same time and units that holds only ``objects``.

    Objects that are switched off in viewports are switched on meanwhile, or they would not be
    evaluated at all. Everything is put back and the scene removed, whatever happens.
    """
    hidden = [obj.name for obj in objects if obj.hide_viewport]
    side = bpy.data.scenes.new("leapwright side scene")
    try:
        for name in _RENDER:
            setattr(side.render, name, getattr(scene.render, name))
        for name in _UNITS:
            setattr(side.unit_settings, name, getattr(scene.unit_settings, name))
        side.gravity = scene.gravity
        side.frame_start, side.frame_end = scene.frame_start, scene.frame_end
        for obj in objects:
            obj.hide_viewport = False
            if obj.name not in side.collection.objects:
                side.collection.objects.link(obj)
        yield side
    finally:
        bpy.data.scenes.remove(side)
        for name in hidden:
            bpy.data.objects[name].hide_viewport = True


def sample(
    obj: Any,
    frames: ArrayLike,
    points: Sequence[Control | Point],
    *,
    scene: Any,
) -> Samples:
    """World places of points at many frames, constraints and drivers included.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig.
    frames : array_like, shape [frames]
        May lie between whole frames.
    points : sequence of Control or Point
        Heads of bones, origins of objects, or points that ride on them; they may lie on other
        objects than ``obj``.
    scene : bpy.types.Scene
        The user's scene; it is read, not stepped.

    Returns
    -------
    Samples

    Raises
    ------
    InputError
        No points, no frames, or frames that are not numbers.
    NotFoundError
        A point's object or bone is not there.
    HostError
        The rig cannot be evaluated (in edit mode, shown in rest position).
    """
    return run(sampling(obj, frames, points, scene=scene))


def sampling(
    obj: Any,
    frames: ArrayLike,
    points: Sequence[Control | Point],
    *,
    scene: Any,
) -> Steps[Samples]:
    """`sample` in steps of a few frames, for many frames; parameters and errors as there."""
    asked = tuple(points)
    at = np.array(frames, dtype=np.float64).reshape(-1)
    if not asked:
        raise InputError("`points` must hold at least one control or point, got none", "points")
    if at.size == 0 or not np.all(np.isfinite(at)):
        raise InputError("`frames` must be one or more finite numbers", "frames")
    objects = list({obj.name: obj, **{p.object: the_object(p) for p in asked}}.values())
    _check_posable(objects, asked)
    matrices = np.empty((len(asked), at.size, 4, 4))
    with ExitStack() as stack:
        if any(_looks_at_a_scene(obj) for obj in objects):
            step = partial(_step_the_users_scene, scene, asked)
        else:
            # One for all steps: making one and evaluating it anew costs as much as ten frames.
            step = partial(_step, stack.enter_context(side_scene(scene, objects)), asked)
        for first in range(0, at.size, AT_ONCE):
            part = slice(first, first + AT_ONCE)
            matrices[:, part] = step(at[part])
            last = min(part.stop, at.size)
            yield Step(last / at.size, f"frame {at[last - 1]:g} of {at[-1]:g}")
    return Samples(
        points=asked,
        frames=at,
        positions=np.ascontiguousarray(matrices[:, :, :3, 3]),
        matrices=matrices,
        metres_per_unit=metres_per_unit(scene),
        frame_rate=frame_rate(scene),
        gravity=gravity(scene),
    )


def _check_posable(objects: Sequence[Any], points: Sequence[Control | Point]) -> None:
    for obj in objects:
        if obj.mode == "EDIT" and obj.type == "ARMATURE":
            raise HostError(f"{obj.name!r} is in edit mode: leave it first")
        if obj.type == "ARMATURE" and obj.data.pose_position == "REST":
            raise HostError(f"{obj.name!r} is shown in rest position: set it to pose position")
    for point in points:
        if point.bone:
            pose_bone(point)


def _looks_at_a_scene(obj: Any) -> bool:
    """Whether a driver reads another scene's properties: those do not move with a side scene."""
    holders = [obj, obj.data]
    drivers = [d for h in holders if h and h.animation_data for d in h.animation_data.drivers]
    targets = (t for d in drivers for v in d.driver.variables for t in v.targets)
    return any(isinstance(t.id, bpy.types.Scene) for t in targets)


def _step(scene: Any, points: Sequence[Control | Point], at: NDArray[np.float64]) -> Any:
    matrices = np.empty((len(points), at.size, 4, 4))
    # By object, and bones by their places: looked up once, not on every frame.
    parts = [(the_object(points[own[0]]), own, _rows(points, own)) for own in _by_object(points)]
    for number, frame in enumerate(at):
        whole = int(np.floor(frame))
        scene.frame_set(whole, subframe=float(frame - whole))
        graph = scene.view_layers[0].depsgraph
        for obj, own, rows in parts:
            matrices[own, number] = _read(obj, graph, rows)
    offsets = np.array([p.offset if isinstance(p, Point) else (0.0, 0.0, 0.0) for p in points])
    matrices[:, :, :3, 3] += np.einsum("pfij,pj->pfi", matrices[:, :, :3, :3], offsets)
    return matrices


def _by_object(points: Sequence[Control | Point]) -> list[list[int]]:
    """Places of the points that ride on bones of one object, and of those on an object itself."""
    found: dict[tuple[str, bool], list[int]] = {}
    for number, point in enumerate(points):
        found.setdefault((point.object, bool(point.bone)), []).append(number)
    return list(found.values())


def _rows(points: Sequence[Control | Point], own: Sequence[int]) -> list[int]:
    """Places of these points' bones among their object's; none for the object itself."""
    bones = [points[number].bone for number in own]
    pose = the_object(points[own[0]]).pose
    return [pose.bones.find(bone) for bone in bones] if bones[0] else []


def _read(obj: Any, depsgraph: Any, rows: Sequence[int]) -> NDArray[np.float64]:
    """World matrices of an object's bones, or without any of the object itself."""
    evaluated = obj.evaluated_get(depsgraph)
    if not evaluated.is_evaluated:
        raise HostError(f"{obj.name!r} cannot be evaluated: is it excluded?")
    if rows:
        return bone_matrices(evaluated, rows)
    return np.array(evaluated.matrix_world, dtype=np.float64)


def _step_the_users_scene(
    scene: Any, points: Sequence[Control | Point], at: NDArray[np.float64]
) -> Any:
    """The slow way, for rigs that look at the scene itself: step it, and step it back."""
    frame, part = scene.frame_current, scene.frame_subframe
    poses = [(obj, _pose(obj)) for obj in scene.objects if obj.pose]
    try:
        return _step(scene, points, at)
    finally:
        scene.frame_set(frame, subframe=part)
        # Poses that the user has not keyed yet.
        for obj, pose in poses:
            for name, values in pose.items():
                obj.pose.bones.foreach_set(name, values)
            obj.update_tag()


def _pose(obj: Any) -> dict[str, NDArray[np.float32]]:
    wide = {"location": 3, "rotation_quaternion": 4, "rotation_euler": 3, "scale": 3}
    kept = {name: np.empty(n * len(obj.pose.bones), np.float32) for name, n in wide.items()}
    for name, values in kept.items():
        obj.pose.bones.foreach_get(name, values)
    return kept


def linear_maps(
    obj: Any, frames: ArrayLike, control: Control, *, scene: Any
) -> NDArray[np.float64]:
    """World displacement per unit of a control's location channels on many frames.

    Returns
    -------
    ndarray, shape (frames, 3, 3)
        As `leapwright_blender.space.to_world_matrix`; the user's scene is not stepped.
    """
    owner = the_object(control)
    at = np.atleast_1d(np.array(frames, dtype=np.float64))
    linear = np.empty((at.size, 3, 3))
    with side_scene(scene, list({obj.name: obj, owner.name: owner}.values())) as side:
        for i, frame in enumerate(at):
            whole = int(np.floor(frame))
            side.frame_set(whole, subframe=float(frame - whole))
            graph = side.view_layers[0].depsgraph
            linear[i] = to_world_matrix(obj, control, depsgraph=graph)
    return linear
