# SPDX-License-Identifier: GPL-3.0-or-later
"""Controls and points, and the way between world displacements and location channels.

A *control* is a bone or a whole object that an animator moves. Its ``location`` channels are in
axes of their own; the 3×3 matrices here turn a displacement of the world into those channels.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix
from numpy.typing import NDArray

from leapwright.errors import HostError, NotFoundError
from leapwright.naming import close_names

__all__ = [
    "Control",
    "Point",
    "bone_matrices",
    "data_path_location",
    "held_axes",
    "label",
    "pose_bone",
    "rest_offset",
    "the_object",
    "to_channel_matrix",
    "to_world_matrix",
    "world_matrix",
]

_AXES = "XYZ"
# Constraints that carry a control along: they multiply the matrix from the left and leave the
# channels in force. Those that write a place of their own make the channels dead.
_CARRYING = frozenset(("CHILD_OF", "ARMATURE"))
_PLACING = frozenset(("COPY_LOCATION", "COPY_TRANSFORMS", "FOLLOW_PATH", "CLAMP_TO", "PIVOT"))


@dataclass(frozen=True, slots=True)
class Control:
    """What an animator moves: a bone of an armature, or the object itself.

    Parameters
    ----------
    object : str
        Name of the object.
    bone : str
        Name of the bone; ``""`` is the object itself.
    """

    object: str
    bone: str = ""


@dataclass(frozen=True, slots=True)
class Point:
    """A place that rides on a bone or an object.

    Parameters
    ----------
    object, bone : str
        As in `Control`.
    offset : (float, float, float)
        In the bone's (or object's) own axes, Blender units.
    """

    object: str
    bone: str = ""
    offset: tuple[float, float, float] = (0.0, 0.0, 0.0)


def label(control: Control | Point) -> str:
    """Name for messages: the bone, or the object."""
    return control.bone or control.object


def _channel(control: Control, name: str) -> str:
    if not control.bone:
        return name
    return f'pose.bones["{bpy.utils.escape_identifier(control.bone)}"].{name}'


def data_path_location(control: Control) -> str:
    """Data path of the location channels, as curves have it."""
    return _channel(control, "location")


def the_object(control: Control | Point) -> Any:
    """The Blender object of a control; NotFoundError when the file has none of that name."""
    obj = bpy.data.objects.get(control.object)
    if obj is None:
        near = ", ".join(close_names(control.object, (o.name for o in bpy.data.objects)))
        hint = f"; close to it: {near}" if near else ""
        raise NotFoundError(f"there is no object {control.object!r} in this file{hint}")
    return obj


def pose_bone(control: Control | Point, *, obj: Any = None) -> Any:
    """The pose bone of a control (of ``obj``, if given: an evaluated copy, say)."""
    obj = the_object(control) if obj is None else obj
    bone = obj.pose.bones.get(control.bone) if obj.pose else None
    if bone is None:
        near = close_names(control.bone, obj.pose.bones.keys()) if obj.pose else ()
        hint = f"; close to it: {', '.join(near)}" if near else ""
        raise NotFoundError(f"{control.object!r} has no bone {control.bone!r}{hint}")
    return bone


def bone_matrices(evaluated: Any, rows: Any = slice(None)) -> NDArray[np.float64]:
    """World matrices of pose bones of an evaluated object: ``[bones, 4, 4]``.

    Parameters
    ----------
    evaluated : bpy.types.Object
        An armature.
    rows : sequence of int, optional
        Which bones, by their places among the pose bones. Default: all.
    """
    bones = evaluated.pose.bones
    flat = np.empty(16 * len(bones), dtype=np.float32)
    # All at once is the host's fastest way, but a big rig's matrices take as long to multiply.
    bones.foreach_get("matrix", flat)
    # Blender hands matrices out column by column.
    local = flat.reshape(-1, 4, 4)[rows].transpose(0, 2, 1).astype(np.float64)
    lost = ~np.isfinite(local).all(axis=(1, 2))
    if lost.any():
        raise _is_nowhere(evaluated.name, str(np.array(bones.keys())[rows][lost][0]))
    return np.array(evaluated.matrix_world, dtype=np.float64) @ local


def _is_nowhere(name: str, bone: str) -> HostError:
    return HostError(
        f"{name!r}: the bone {bone!r} is at no place that can be told: something is scaled beyond "
        "all bounds, or its constraints go round in circles"
    )


def world_matrix(point: Control | Point, depsgraph: Any) -> NDArray[np.float64]:
    """Evaluated world matrix ``[4, 4]``, its origin at the point."""
    evaluated = the_object(point).evaluated_get(depsgraph)
    matrix = np.array(evaluated.matrix_world, dtype=np.float64)
    if point.bone:
        matrix = matrix @ np.array(pose_bone(point, obj=evaluated).matrix, dtype=np.float64)
    if isinstance(point, Point):
        matrix[:3, 3] += matrix[:3, :3] @ np.array(point.offset)
    return matrix


def rest_offset(bone: Any, place: Any) -> tuple[float, float, float]:
    """A place in the armature's space as an offset in a bone's rest axes."""
    rest = np.array(bone.matrix_local, dtype=np.float64)
    local = np.linalg.solve(rest, np.append(np.array(place, dtype=np.float64), 1.0))
    return (float(local[0]), float(local[1]), float(local[2]))


def held_axes(control: Control) -> dict[str, str]:
    """Location axes that a key would not move freely: axis → why.

    Locked axes, driven axes, bones joined to their parent's tail, and controls that a constraint
    places by itself.
    """
    obj = the_object(control)
    holder = pose_bone(control) if control.bone else obj
    path = data_path_location(control)
    held = {_AXES[i]: "locked" for i in range(3) if holder.lock_location[i]}
    if obj.animation_data is not None:
        for driver in obj.animation_data.drivers:
            if driver.data_path == path and 0 <= driver.array_index < 3:
                held[_AXES[driver.array_index]] = "driven"
    why = ""
    if control.bone and holder.bone.use_connect and holder.parent is not None:
        why = f"joined to {holder.parent.name!r}"
    for con in holder.constraints:
        if con.type in _PLACING and not con.mute and con.influence > 0.999:
            why = why or (f"placed by the constraint {con.name!r}" if _replaces(con) else "")
    return dict.fromkeys(_AXES, why) if why else held


def _replaces(con: Any) -> bool:
    if con.type == "COPY_LOCATION":
        return not con.use_offset and con.use_x and con.use_y and con.use_z
    return con.type != "COPY_TRANSFORMS" or con.mix_mode == "REPLACE"


def to_world_matrix(obj: Any, control: Control, *, depsgraph: Any = None) -> NDArray[np.float64]:
    """3×3 matrix: world displacement = matrix @ change of the location channels.

    For the current pose; where a control's parents move, ask once per frame.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig; a control that lies on another object (an empty as foot) is found by its name.
    control : Control
        Bone or object.
    depsgraph : bpy.types.Depsgraph, optional
        Default: the one of the context.
    """
    depsgraph = depsgraph or bpy.context.evaluated_depsgraph_get()
    obj = obj if obj.name == control.object else the_object(control)
    evaluated = obj.evaluated_get(depsgraph)
    if not control.bone:
        return _object_linear(evaluated, obj, depsgraph)
    world = np.array(evaluated.matrix_world, dtype=np.float64)[:3, :3]
    return world @ _bone_linear(pose_bone(control, obj=evaluated))


def to_channel_matrix(
    obj: Any, control: Control, *, depsgraph: Any = None, check: bool = True
) -> NDArray[np.float64]:
    """3×3 matrix: change of the location channels = matrix @ world displacement.

    Parameters
    ----------
    obj, control, depsgraph
        As in `to_world_matrix`.
    check : bool
        Refuse controls with locked, driven or dead location channels.

    Raises
    ------
    HostError
        Channels that cannot be used, or a control that is scaled to nothing.
    """
    held = held_axes(control) if check else {}
    if held:
        said = ", ".join(f"{axis} ({why})" for axis, why in held.items())
        raise HostError(f"the location of {label(control)!r} cannot be keyed freely: {said}")
    linear = to_world_matrix(obj, control, depsgraph=depsgraph)
    size = np.linalg.norm(linear, axis=0)
    if not np.all(np.isfinite(linear)) or abs(np.linalg.det(linear)) <= 1e-9 * np.prod(size):
        raise HostError(f"{label(control)!r} is scaled to nothing: its location moves nothing")
    return np.asarray(np.linalg.inv(linear), dtype=np.float64)


def _bone_linear(bone: Any) -> NDArray[np.float64]:
    """Armature-space displacement per unit of the bone's location channels, as columns."""

    def pose(basis: Matrix, *, place: bool) -> Matrix:
        rest = _placed(bone.bone.matrix_local, place)
        if bone.parent is None:
            return bone.bone.convert_local_to_pose(basis, rest)
        return bone.bone.convert_local_to_pose(
            basis,
            rest,
            parent_matrix=_placed(bone.parent.matrix, place),
            parent_matrix_local=_placed(bone.parent.bone.matrix_local, place),
        )

    # Places are left out, so that no digits are lost in a far-away or tiny rig.
    columns = [
        pose(Matrix.Translation(unit), place=False).translation for unit in np.eye(3).tolist()
    ]
    linear = np.array(columns, dtype=np.float64).T
    carrying = _carried(bone)
    if not carrying:
        return linear
    before = np.array(pose(bone.matrix_basis, place=True), dtype=np.float64)[:3, :3]
    return _carry(np.array(bone.matrix, dtype=np.float64)[:3, :3], before) @ linear


def _placed(matrix: Any, place: bool) -> Any:
    return matrix.copy() if place else matrix.to_3x3().to_4x4()


def _carried(holder: Any) -> bool:
    live = (c for c in holder.constraints if not c.mute and c.influence > 0)
    return any(c.type in _CARRYING for c in live)


def _carry(after: NDArray[np.float64], before: NDArray[np.float64]) -> NDArray[np.float64]:
    return after @ np.linalg.inv(before)


def _object_linear(evaluated: Any, obj: Any, depsgraph: Any) -> NDArray[np.float64]:
    """World displacement per unit of an object's location channels, as columns."""
    after = np.array(evaluated.matrix_world, dtype=np.float64)[:3, :3]
    basis = np.array(evaluated.matrix_basis, dtype=np.float64)[:3, :3]
    parent = obj.parent
    if parent is None:
        linear = np.eye(3)
    elif obj.parent_type in {"OBJECT", "ARMATURE"}:
        above = np.array(parent.evaluated_get(depsgraph).matrix_world, dtype=np.float64)
        linear = above[:3, :3] @ np.array(obj.matrix_parent_inverse, dtype=np.float64)[:3, :3]
    else:
        # Bones and vertices: what lies above is what the basis does not explain.
        return _carry(after, basis)
    return _carry(after, linear @ basis) @ linear if _carried(obj) else linear
