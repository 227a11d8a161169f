# SPDX-License-Identifier: GPL-3.0-or-later
"""World places of controls over many frames, without touching the user's scene.

A second scene that holds nothing but the rig is stepped through the frames: the user's frame,
unkeyed poses and selection stay as they are, and nothing else in the file is evaluated.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import bpy
import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.errors import HostError, InputError

from .space import (
    Control,
    Point,
    bone_matrices,
    label,
    pose_bone,
    the_object,
    to_channel_matrix,
    to_world_matrix,
    world_matrix,
)

__all__ = [
    "Follow",
    "Probe",
    "Samples",
    "frame_rate",
    "gravity",
    "linear_maps",
    "metres_per_unit",
    "probing",
    "sample",
    "side_scene",
]

_RENDER = ("fps", "fps_base", "frame_map_old", "frame_map_new")
# A bone follows a control when it does 98 % of the way, and stays when it does 2 %.
_FOLLOWS = 0.02
_UNITS = ("system", "scale_length", "system_rotation")


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
    asked = tuple(points)
    at = np.array(frames, dtype=np.float64).reshape(-1)
    if not asked:
        raise InputError("`points` must hold at least one control or point, got none", "points")
    if at.size == 0 or not np.all(np.isfinite(at)):
        raise InputError("`frames` must be one or more finite numbers", "frames")
    objects = list({obj.name: obj, **{p.object: the_object(p) for p in asked}}.values())
    _check_posable(objects, asked)
    if any(_looks_at_a_scene(obj) for obj in objects):
        matrices = _step_the_users_scene(scene, asked, at)
    else:
        with side_scene(scene, objects) as side:
            matrices = _step(side, asked, at)
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
    # Looked up once: a big rig has hundreds of bones.
    rows = [the_object(p).pose.bones.find(p.bone) if p.bone else -1 for p in points]
    for number, frame in enumerate(at):
        whole = int(np.floor(frame))
        scene.frame_set(whole, subframe=float(frame - whole))
        _read(scene.view_layers[0].depsgraph, points, rows, matrices[:, number])
    offsets = np.array([p.offset if isinstance(p, Point) else (0.0, 0.0, 0.0) for p in points])
    matrices[:, :, :3, 3] += np.einsum("pfij,pj->pfi", matrices[:, :, :3, :3], offsets)
    return matrices


def _read(
    depsgraph: Any,
    points: Sequence[Control | Point],
    rows: Sequence[int],
    out: NDArray[np.float64],
) -> None:
    bones: dict[str, NDArray[np.float64]] = {}
    for number, point in enumerate(points):
        evaluated = the_object(point).evaluated_get(depsgraph)
        if not evaluated.is_evaluated:
            raise HostError(f"{label(point)!r} cannot be evaluated: is {point.object!r} excluded?")
        if not point.bone:
            out[number] = np.array(evaluated.matrix_world, dtype=np.float64)
            continue
        if point.object not in bones:
            bones[point.object] = bone_matrices(evaluated)
        out[number] = bones[point.object][rows[number]]


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


@dataclass(frozen=True, slots=True)
class Follow:
    """How much of a small move of one control everything else does: 1 follows, 0 stays."""

    share: dict[Control, float]
    off: dict[Control, float]

    def carries(self, controls: Sequence[Control]) -> bool:
        """Whether all of these go all the way along."""
        return all(self.off[c] < _FOLLOWS for c in controls)

    def leaves(self, controls: Sequence[Control]) -> bool:
        """Whether all of these stay where they are."""
        return all(abs(self.share[c]) < _FOLLOWS for c in controls)

    def part(self, controls: Sequence[Control]) -> float:
        """Which part of these goes all the way along, 0 to 1."""
        return sum(self.off[c] < _FOLLOWS for c in controls) / max(len(controls), 1)


Probe = Callable[[Control], Follow | None]


@contextmanager
def probing(obj: Any, others: Sequence[Control], scene: Any) -> Iterator[Probe]:
    """Give a function that moves a control a little, measures what follows, and puts it back.

    Only the ``location`` of the control is written, and written back to the bit. The user's scene
    is not stepped, and unkeyed poses stay.
    """
    extra = [the_object(c) for c in others if c.object != obj.name]
    watched = [Control(obj.name, b.name) for b in obj.pose.bones]
    watched += [c for c in others if c not in watched]
    seen: dict[Control, Follow | None] = {}
    still: list[NDArray[np.float64]] = []
    with side_scene(scene, [obj, *extra]) as side:
        side.frame_set(scene.frame_current, subframe=scene.frame_subframe)
        layer = side.view_layers[0]

        def heads() -> NDArray[np.float64]:
            layer.update()
            evaluated = obj.evaluated_get(layer.depsgraph)
            bones = bone_matrices(evaluated)[:, :3, 3]
            rest = [world_matrix(c, layer.depsgraph)[:3, 3] for c in watched[len(bones) :]]
            return np.concatenate([bones, np.array(rest).reshape(-1, 3)])

        def probe(control: Control) -> Follow | None:
            if control not in seen:
                seen[control] = _moved(obj, control, watched, heads, layer, still)
            return seen[control]

        yield probe


def _moved(
    obj: Any,
    control: Control,
    watched: Sequence[Control],
    heads: Callable[[], NDArray[np.float64]],
    layer: Any,
    still: list[NDArray[np.float64]],
) -> Follow | None:
    """`still` keeps where everything is unmoved: it is the same for all controls."""
    holder = pose_bone(control) if control.bone else the_object(control)
    was = tuple(holder.location)
    try:
        # Written once unchanged: poses that are not keyed then count, as the user sees them.
        holder.location = was
        if not still:
            still.append(heads())
        before = still[0]
        size = float(np.max(np.ptp(before, axis=0), initial=0.0)) or 1.0
        # Down, so that legs bend, and aslant, so that a copy of one axis alone shows.
        move = np.array([0.4, 0.5, -0.77]) * 0.01 * size
        try:
            to_channels = to_channel_matrix(obj, control, depsgraph=layer.depsgraph, check=False)
        except HostError:
            return None
        holder.location = np.array(was) + to_channels @ move
        shift = heads() - before
    finally:
        holder.location = was
    length = float(np.linalg.norm(move))
    share = shift @ move / length**2
    off = np.linalg.norm(shift - move, axis=1) / length
    return Follow(
        dict(zip(watched, share.tolist(), strict=True)),
        dict(zip(watched, off.tolist(), strict=True)),
    )


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
