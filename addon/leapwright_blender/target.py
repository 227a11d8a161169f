# SPDX-License-Identifier: GPL-3.0-or-later
"""Landing on a place that is pointed at: how far and how high that is from the standing feet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.errors import InputError
from leapwright_blender.floor import floor_of, level_under
from leapwright_blender.ground import Ground, ground_of
from leapwright_blender.poses import read_body, read_poses
from leapwright_blender.rig import Controls
from leapwright_blender.sample import side_scene

__all__ = ["Target", "middle_of_top", "standing_place", "target"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Target:
    """A landing, as `leapwright.plan` takes it.

    Attributes
    ----------
    landing_level : float
        How much higher the feet stand there, m.
    foot_travel : float
        Horizontal way of the feet, m.
    heading : float
        Where that goes, degrees: 0 is +X, 90 is +Y.
    """

    landing_level: float
    foot_travel: float
    heading: float


def target(there_world: ArrayLike, feet: ArrayLike, ground: Ground) -> Target:
    """How a place lies from the standing feet.

    Parameters
    ----------
    there_world : array_like, shape (3,)
        World axes, Blender units.
    feet : array_like, shape (3,)
        `standing_place`: the plan's axes, m.
    ground : Ground

    Returns
    -------
    Target
    """
    way = ground.to_plan(np.asarray(there_world, dtype=np.float64)) - np.asarray(feet)
    return Target(
        landing_level=float(way[2]),
        foot_travel=float(np.hypot(way[0], way[1])),
        heading=float(np.degrees(np.arctan2(way[1], way[0]))),
    )


def standing_place(
    obj: Any, scene: Any, controls: Controls, poses: Mapping[str, float] | None = None
) -> Floats:
    """Where a rig's feet stand before it jumps: in the middle of them, as low as the lowest.

    Parameters
    ----------
    obj : bpy.types.Object
    scene : bpy.types.Scene
    controls : Controls
    poses : mapping of moment to frame, optional
        The body is looked at in the start pose, else at take-off, in the crouch, or now.

    Returns
    -------
    ndarray, shape (3,)
        The plan's axes, m.
    """
    ground = ground_of(scene)
    home = read_body(obj, scene, ground, controls, read_poses(poses or {})).home
    if not len(home.soles):
        # As block has it: what has no soles stands on the scene's floor, under its COG.
        return home.cog * np.array([1.0, 1.0, 0.0])
    return np.append(home.soles[:, :2].mean(axis=0), np.min(home.soles[:, 2]))


def middle_of_top(name: str, scene: Any, ground: Ground) -> Floats:
    """The place in the middle of an object's top.

    Parameters
    ----------
    name : str
        An object with a surface.
    scene : bpy.types.Scene
    ground : Ground

    Returns
    -------
    ndarray, shape (3,)
        World axes, Blender units.

    Raises
    ------
    NotFoundError
        The scene has no such object.
    InputError
        It has no surface, or none in its middle.
    """
    floor = floor_of(name, scene)
    obj = scene.objects[name]
    with side_scene(scene, [obj]) as side:
        side.frame_set(scene.frame_current)
        evaluated = obj.evaluated_get(side.view_layers[0].depsgraph)
        world = np.array(evaluated.matrix_world, dtype=np.float64)
        box = np.array(evaluated.bound_box, dtype=np.float64)
    corners = (box @ world[:3, :3].T + world[:3, 3]) @ ground.axes.T
    middle = (corners.min(axis=0) + corners.max(axis=0)) / 2
    up = ground.axes[2]
    level = level_under(floor, scene, middle @ ground.axes, up, scene.frame_current_final)[0]
    if not np.isfinite(level):
        raise InputError(f"ground: {name!r} has no surface in the middle of its top", "ground")
    return np.array([middle[0], middle[1], level]) @ ground.axes
