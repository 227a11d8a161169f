# SPDX-License-Identifier: GPL-3.0-or-later
"""The ground under the feet: how high a picked object is there, and whether it stands still.

Everything is looked at in a side scene: the user's frame and poses stay.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.errors import HostError, InputError, NotFoundError
from leapwright.naming import close_names
from leapwright_blender.sample import metres_per_unit, side_scene

__all__ = ["Floor", "floor_of", "level_under", "refuse_moving", "refuse_moving_parent"]

Floats = NDArray[np.float64]

MOVES_FROM_M = 1e-4
"""Ground that moves less than this, m, stands still."""

_SURFACES = ("MESH", "CURVE", "SURFACE", "FONT", "META")
# These answer to where the object was put: they do not carry it.
_YIELDING = frozenset(
    ("LIMIT_LOCATION", "LIMIT_ROTATION", "LIMIT_SCALE", "LIMIT_DISTANCE", "FLOOR", "SHRINKWRAP")
)
_CHUNK = 2_000_000


@dataclass(frozen=True, slots=True)
class Floor:
    """An object to stand on.

    Attributes
    ----------
    object : str
        Its name.
    """

    object: str


def floor_of(obj_name: str, scene: Any) -> Floor:
    """Take an object as ground.

    Raises
    ------
    NotFoundError
        The scene has no object of that name.
    InputError
        It has no surface.
    """
    obj = scene.objects.get(obj_name)
    if obj is None:
        near = ", ".join(close_names(obj_name, (o.name for o in scene.objects)))
        hint = f"; close to it: {near}" if near else ""
        raise NotFoundError(f"`ground`: the scene has no object {obj_name!r}{hint}")
    if obj.type not in _SURFACES:
        kind = obj.type.lower().replace("_", " ")
        raise InputError(
            f"`ground` must be an object with a surface, got {obj_name!r}, which is of type {kind}",
            "ground",
        )
    return Floor(obj.name)


def level_under(
    floor: Floor, scene: Any, points_world: ArrayLike, up: ArrayLike, frame: float
) -> Floats:
    """How high the ground is where points are.

    Parameters
    ----------
    floor : Floor
    scene : bpy.types.Scene
        The user's scene; it is not stepped.
    points_world : array_like, shape (P, 3)
        World places; how high they are does not matter.
    up : array_like, shape (3,)
        World direction against gravity.
    frame : float
        The ground is as its modifiers have it on this frame.

    Returns
    -------
    ndarray, shape (P,)
        Coordinate along `up`, in Blender units, of the uppermost surface over or under each
        point; NaN beside the ground.
    """
    axes = _axes(np.asarray(up, dtype=np.float64))
    points = np.asarray(points_world, dtype=np.float64).reshape(-1, 3) @ axes.T
    obj = bpy.data.objects[floor.object]
    with side_scene(scene, [obj]) as side:
        _step(side, frame)
        vertices, triangles = _surface(obj.evaluated_get(side.view_layers[0].depsgraph))
    corners = (vertices @ axes.T)[triangles]
    per = max(1, _CHUNK // max(len(triangles), 1))
    parts = [_top(corners, points[at : at + per, :2]) for at in range(0, len(points), per)]
    return np.concatenate(parts) if parts else np.empty(0)


def refuse_moving(floor: Floor, scene: Any, frames: ArrayLike) -> None:
    """Raise where ground moves or changes its shape over the frames.

    Raises
    ------
    HostError
        It names the object, how far it moves and between which frames.
    """
    obj = bpy.data.objects[floor.object]
    at = _frames(frames)
    places = []
    with side_scene(scene, [obj]) as side:
        for evaluated in _stepped(side, obj, at):
            if _deforms(obj):
                places.append(_surface(evaluated)[0])
            else:
                places.append(_box(obj) @ _linear(evaluated.matrix_world).T + _place(evaluated))
    _refuse(repr(floor.object), at, places, metres_per_unit(scene))


def refuse_moving_parent(obj: Any, scene: Any, frames: ArrayLike) -> None:
    """Raise where what carries a rig moves over the frames: its parents, or its constraints.

    The rig's own location, rotation and scale may move: they may be what jumps.

    Raises
    ------
    HostError
        It names the parent or the constraint, how far it moves the rig and between which frames.
    """
    carrying = [c for c in obj.constraints if _carries(c)]
    if obj.parent is None and not carrying:
        return
    at = _frames(frames)
    box = _box(obj)
    by_parent, by_all = [], []
    first: Any = None
    with side_scene(scene, [obj]) as side:
        for evaluated in _stepped(side, obj, at):
            world, basis = (_whole(m) for m in (evaluated.matrix_world, evaluated.matrix_basis))
            first = basis if first is None else first
            above = _above(evaluated, side.view_layers[0].depsgraph)
            by_parent.append(_moved(above @ first, box))
            # As if the rig's own channels stood still.
            by_all.append(_moved(world @ np.linalg.pinv(basis) @ first, box))
    metres = metres_per_unit(scene)
    if obj.parent is not None:
        _refuse(f"the rig's parent {obj.parent.name!r}", at, by_parent, metres)
    if carrying:
        names = ", ".join(repr(c.name) for c in carrying)
        _refuse(f"{obj.name!r}, carried by its constraint {names},", at, by_all, metres)


def _refuse(who: str, at: Floats, places: list[Floats], metres: float) -> None:
    """Raise where places (one array (N, 3) for each frame) are not the same on all frames."""
    if any(len(p) != len(places[0]) for p in places):
        raise HostError(
            f"{who} changes its mesh between frames {at[0]:g} and {at[-1]:g}: "
            "feet cannot be planted on moving ground"
        )
    from_first, from_last = (_away(places, places[i]) * metres for i in (0, -1))
    # Far from the origin the last digit is longer than what counts as still.
    largest = max((float(np.abs(p).max()) for p in places if p.size), default=0.0)
    digits = 4 * float(np.spacing(np.float32(largest))) * metres
    if (from_first <= max(MOVES_FROM_M, digits)).all():
        return
    begins = int(np.argmax(from_first > digits)) - 1
    # The last frame is where it ends: no distance from itself.
    moving = np.flatnonzero(from_last > digits)
    ends = int(moving[-1]) + 1 if moving.size else len(at) - 1
    far = float(np.max(from_first))
    length = f"{far:.2f} m" if far >= 0.01 else f"{far * 1000:.1f} mm"
    raise HostError(
        f"{who} moves {length} between frames {at[begins]:g} and {at[ends]:g}: "
        "feet cannot be planted on moving ground"
    )


def _away(places: list[Floats], home: Floats) -> Floats:
    return np.array([np.max(np.linalg.norm(p - home, axis=1), initial=0.0) for p in places])


def _top(corners: Floats, points: Floats) -> Floats:
    """Highest third coordinate of triangles (T, 3, 3) over plane points (P, 2), or NaN."""
    a, b, c = (corners[:, i, :2] for i in range(3))
    ab, ac = b - a, c - a
    area = ab[:, 0] * ac[:, 1] - ab[:, 1] * ac[:, 0]
    flat = np.abs(area) > 1e-12 * (np.abs(ab).max(axis=1) * np.abs(ac).max(axis=1) + 1e-300)
    corners, a, ab, ac, area = corners[flat], a[flat], ab[flat], ac[flat], area[flat]
    to = points[:, None, :] - a[None]
    v = (to[..., 0] * ac[:, 1] - to[..., 1] * ac[:, 0]) / area
    w = (ab[:, 0] * to[..., 1] - ab[:, 1] * to[..., 0]) / area
    # Edges belong to both triangles, so that no point falls between them.
    inside = (v >= -1e-6) & (w >= -1e-6) & (v + w <= 1 + 1e-6)
    z = corners[..., 2]
    height = z[:, 0] + v * (z[:, 1] - z[:, 0]) + w * (z[:, 2] - z[:, 0])
    top = np.where(inside, height, -np.inf).max(axis=1, initial=-np.inf)
    return np.where(np.isfinite(top), top, np.nan)


def _surface(evaluated: Any) -> tuple[Floats, NDArray[np.int32]]:
    """World vertices (V, 3) and triangles (T, 3) of an evaluated object."""
    mesh = evaluated.to_mesh()
    try:
        co = np.empty(3 * len(mesh.vertices), np.float32)
        mesh.vertices.foreach_get("co", co)
        mesh.calc_loop_triangles()
        triangles = np.empty(3 * len(mesh.loop_triangles), np.int32)
        mesh.loop_triangles.foreach_get("vertices", triangles)
    finally:
        evaluated.to_mesh_clear()
    world = _linear(evaluated.matrix_world)
    return co.reshape(-1, 3) @ world.T + _place(evaluated), triangles.reshape(-1, 3)


def _deforms(obj: Any) -> bool:
    """Whether the shape may change from frame to frame, and not the place alone."""
    plain = obj.type == "MESH" and obj.data.shape_keys is None and obj.data.animation_data is None
    return not plain or len(obj.modifiers) > 0


def _carries(con: Any) -> bool:
    return not con.mute and con.type not in _YIELDING


def _above(evaluated: Any, depsgraph: Any) -> Floats:
    """World matrix of what an object is parented to, times the inverse that was kept."""
    parent = evaluated.parent
    if parent is None:
        return np.eye(4)
    above = parent.evaluated_get(depsgraph)
    matrix = _whole(above.matrix_world)
    if evaluated.parent_type == "BONE" and evaluated.parent_bone in above.pose.bones:
        matrix = matrix @ _whole(above.pose.bones[evaluated.parent_bone].matrix)
    return matrix @ _whole(evaluated.matrix_parent_inverse)


def _stepped(side: Any, obj: Any, at: Floats) -> Iterator[Any]:
    for frame in at.tolist():
        _step(side, frame)
        yield obj.evaluated_get(side.view_layers[0].depsgraph)


def _step(side: Any, frame: float) -> None:
    whole = int(np.floor(frame))
    side.frame_set(whole, subframe=frame - whole)


def _frames(frames: ArrayLike) -> Floats:
    at = np.unique(np.asarray(frames, dtype=np.float64).reshape(-1))
    if not at.size or not np.isfinite(at).all():
        raise InputError(f"`frames` must be one or more finite numbers, got {frames!r}", "frames")
    return at


def _box(obj: Any) -> Floats:
    """Corners of what is seen of an object: they go the farthest; an empty's are 1 unit out."""
    box = np.array(obj.bound_box, dtype=np.float64)
    unit = np.array(np.meshgrid(*[[-1.0, 1.0]] * 3)).reshape(3, -1).T
    return box if float(np.max(np.ptp(box, axis=0))) > 0 else unit


def _moved(matrix: Floats, points: Floats) -> Floats:
    return points @ matrix[:3, :3].T + matrix[:3, 3]


def _whole(matrix: Any) -> Floats:
    return np.array(matrix, dtype=np.float64)


def _linear(matrix: Any) -> Floats:
    return _whole(matrix)[:3, :3]


def _place(evaluated: Any) -> Floats:
    return _whole(evaluated.matrix_world)[:3, 3]


def _axes(up: Floats) -> Floats:
    """Rows: two level directions, and up."""
    length = float(np.linalg.norm(up))
    if up.shape != (3,) or not np.isfinite(length) or length == 0:
        raise InputError(f"`up` must be a direction of 3 numbers, got {up.tolist()!r}", "up")
    z = up / length
    x = np.eye(3)[int(np.argmin(np.abs(z)))]
    x = x - z * (x @ z)
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(z, x), z])
