# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes of a character as they are at rest: corners, triangles, and what carries each corner."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix
from numpy.typing import NDArray

from . import host
from .figure import members
from .sample import side_scene
from .space import Control

__all__ = ["RestMesh", "body_meshes", "read_rest_mesh"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# They make the solid that is seen, wherever they stand; none of them hangs on the pose.
_MAKING = frozenset(
    ("MIRROR", "SUBSURF", "SOLIDIFY", "ARRAY", "BEVEL", "SCREW", "SKIN", "WELD", "DECIMATE")
)
# They change no volume worth naming.
_HARMLESS = frozenset(
    (
        "ARMATURE", "CORRECTIVE_SMOOTH", "DATA_TRANSFER", "EDGE_SPLIT", "LAPLACIANSMOOTH",
        "MULTIRES", "NORMAL_EDIT", "SMOOTH", "TRIANGULATE", "UV_PROJECT", "UV_WARP",
        "VERTEX_WEIGHT_EDIT", "VERTEX_WEIGHT_MIX", "VERTEX_WEIGHT_PROXIMITY", "WEIGHTED_NORMAL",
        "WIREFRAME",
    )
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class RestMesh:
    """A mesh at rest, in the axes of the rig's object.

    Parameters
    ----------
    name : str
        Name of the object.
    points : ndarray, shape (points, 3)
        Blender units.
    triangles : ndarray of int, shape (triangles, 3)
    weights : ndarray, shape (points, carriers)
        Each row adds up to 1.
    carriers : tuple of Control
        Bones, and the object itself where no bone holds a corner.
    to_own : ndarray, shape (4, 4)
        From the rig's axes to the object's own.
    notes : tuple of str
        What was not taken as it is.
    """

    name: str
    points: Floats
    triangles: Ints
    weights: Floats
    carriers: tuple[Control, ...]
    to_own: Floats
    notes: tuple[str, ...] = ()


def body_meshes(obj: Any) -> tuple[list[Any], list[str]]:
    """Meshes that are the body of a character, and a sentence for each that is left out.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig, or the top object of a figure without bones.

    Returns
    -------
    meshes : list of bpy.types.Object
        Skinned to the rig, or parented to it, to its bones, or to one another.
    left_out : list of str
        Meshes that are not rendered, where others are; instances.
    """
    if obj.pose is None:
        found = [o for o in members(obj) if o.type == "MESH"]
        kin = members(obj)
    else:
        shapes = {b.custom_shape.name for b in obj.pose.bones if b.custom_shape}
        below = [o for o in obj.children_recursive if _own_rig(o, obj)]
        skinned = [o for o in bpy.data.objects if o.type == "MESH" and _is_skinned(o, obj)]
        rigid = [o for o in below if o.type == "MESH" and o.name not in shapes]
        found = list({o.name: o for o in [*skinned, *rigid] if o.users_scene}.values())
        kin = [*below, *skinned]
    shown = [o for o in found if not _not_rendered(o)]
    left = [
        f"{o.name!r} is left out: it is not rendered" for o in found if shown and o not in shown
    ]
    left += [f"instances of {o.name!r} are left out" for o in kin if _has_instances(o)]
    return shown or found, list(dict.fromkeys(left))


def _is_skinned(mesh: Any, rig: Any) -> bool:
    by_parent = mesh.parent == rig and mesh.parent_type == "ARMATURE"
    return by_parent or any(_by(m, rig) for m in mesh.modifiers)


def _by(modifier: Any, rig: Any) -> bool:
    return bool(modifier.type == "ARMATURE" and modifier.object == rig and modifier.show_viewport)


def _own_rig(part: Any, rig: Any) -> bool:
    """Whether a part below the rig hangs on no other rig between, and on no other rig's skin."""
    above = part.parent
    while above is not None and above != rig:
        if above.type == "ARMATURE":
            return False
        above = above.parent
    others = (m.object for m in part.modifiers if m.type == "ARMATURE" and m.object is not None)
    return part.type != "ARMATURE" and all(o == rig for o in others)


def _not_rendered(obj: Any) -> bool:
    groups = obj.users_collection
    return bool(obj.hide_render or (groups and all(c.hide_render for c in groups)))


def _has_instances(obj: Any) -> bool:
    makes = any(m.type in {"NODES", "PARTICLE_SYSTEM"} for m in obj.modifiers)
    return bool(obj.instance_type != "NONE" or makes)


# --- Reading one ---------------------------------------------------------------------------------


def read_rest_mesh(obj: Any, mesh: Any, *, scene: Any) -> RestMesh:
    """Read a mesh of a character as it is at rest. The file stays as it is.

    Modifiers that make the solid (mirror, subdivision, thickness …) count, before and after the
    armature alike; those that bend it otherwise are named. Shape keys count with their values,
    but for those that are keyed or driven.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig, or the top object of a figure without bones.
    mesh : bpy.types.Object
        One of `body_meshes`.
    scene : bpy.types.Scene
        For units and time.
    """
    live = [m for m in mesh.modifiers if m.show_viewport]
    making = [m.name for m in live if m.type in _MAKING]
    notes = [
        f"modifier {m.name!r} of {mesh.name!r} is not counted"
        for m in live
        if m.type not in _MAKING | _HARMLESS and not _has_instances_by(m)
    ]
    base = _basis(mesh)
    if making:
        with _made(mesh, base, making, scene) as done:
            points, triangles, groups = _read(done, None)
    else:
        points, triangles, groups = _read(mesh.data, base)
    weights, carriers = _held(obj, mesh, groups, len(points))
    to_rig = np.array(_rest_matrix(obj, mesh), dtype=np.float64)
    points = points @ to_rig[:3, :3].T + to_rig[:3, 3]
    return RestMesh(
        name=mesh.name,
        points=points,
        triangles=triangles,
        weights=weights,
        carriers=carriers,
        to_own=np.asarray(np.linalg.pinv(to_rig), dtype=np.float64),
        notes=tuple(notes),
    )


def _has_instances_by(modifier: Any) -> bool:
    return modifier.type in {"NODES", "PARTICLE_SYSTEM"}


def _rest_matrix(obj: Any, mesh: Any) -> Matrix:
    """From the mesh's axes to those of the rig's object, at rest."""
    if mesh == obj:
        return Matrix.Identity(4)
    parent = mesh.parent
    plain = mesh.parent_type in {"OBJECT", "ARMATURE", "BONE"} and not len(mesh.constraints)
    if parent is None or not plain or (parent != obj and parent.pose is not None):
        return obj.matrix_world.inverted_safe() @ mesh.matrix_world
    above = _rest_matrix(obj, parent)
    if mesh.parent_type == "BONE" and parent == obj:
        bone = obj.data.bones.get(mesh.parent_bone)
        if bone is not None:
            above = bone.matrix_local @ Matrix.Translation((0.0, bone.length, 0.0))
    return above @ mesh.matrix_parent_inverse @ mesh.matrix_basis


def _basis(mesh: Any) -> Floats:
    """Corners with the shape keys that neither a curve nor a driver moves."""
    data = mesh.data
    points = _flat(data.vertices, "co", 3)
    keys = data.shape_keys
    if keys is None or not keys.use_relative:
        return points
    moved = _moved_paths(keys)
    points = _flat(keys.reference_key.data, "co", 3)
    for block in keys.key_blocks:
        still = f'key_blocks["{bpy.utils.escape_identifier(block.name)}"].value' not in moved
        if still and not block.mute and block.value and block != keys.reference_key:
            change = _flat(block.data, "co", 3) - _flat(block.relative_key.data, "co", 3)
            points = points + block.value * change
    return points


def _moved_paths(keys: Any) -> set[str]:
    drivers = keys.animation_data.drivers if keys.animation_data else ()
    curves = host.fcurves_of(keys) or ()
    return {curve.data_path for curve in [*drivers, *curves]}


def _flat(collection: Any, name: str, wide: int) -> Floats:
    values = np.empty(wide * len(collection), dtype=np.float32)
    collection.foreach_get(name, values)
    return values.reshape(-1, wide).astype(np.float64)


@contextmanager
def _made(mesh: Any, base: Floats, making: Sequence[str], scene: Any) -> Iterator[Any]:
    """The mesh as its modifiers make it, on a passing copy."""
    copy = mesh.copy()
    copy.data = data = mesh.data.copy()
    try:
        if data.shape_keys is not None:
            copy.shape_key_clear()
        data.vertices.foreach_set("co", base.astype(np.float32).reshape(-1))
        for modifier in [m for m in copy.modifiers if m.name not in making]:
            copy.modifiers.remove(modifier)
        with side_scene(scene, [copy]) as side:
            layer = side.view_layers[0]
            layer.update()
            evaluated = copy.evaluated_get(layer.depsgraph)
            yield evaluated.to_mesh(preserve_all_data_layers=True, depsgraph=layer.depsgraph)
            evaluated.to_mesh_clear()
    finally:
        bpy.data.objects.remove(copy)
        bpy.data.meshes.remove(data)


Groups = tuple[Ints, Ints, Floats]
"""Vertex, group and weight of every entry."""


def _read(data: Any, base: Floats | None) -> tuple[Floats, Ints, Groups]:
    points = _flat(data.vertices, "co", 3) if base is None else base
    data.calc_loop_triangles()
    triangles = np.empty(3 * len(data.loop_triangles), dtype=np.int32)
    data.loop_triangles.foreach_get("vertices", triangles)
    rows = [(v.index, g.group, g.weight) for v in data.vertices for g in v.groups]
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    groups = (table[:, 0].astype(np.int64), table[:, 1].astype(np.int64), table[:, 2])
    return points, triangles.reshape(-1, 3).astype(np.int64), groups


def _held(obj: Any, mesh: Any, groups: Groups, count: int) -> tuple[Floats, tuple[Control, ...]]:
    """Weights by carrier; corners that no bone holds stay with the object."""
    vertices, numbers, values = groups
    bones = obj.data.bones if obj.pose is not None and _is_skinned(mesh, obj) else {}
    names = [g.name for g in mesh.vertex_groups]
    wanted = [i for i, n in enumerate(names) if n in bones and bones[n].use_deform]
    columns = np.full(len(names) + 1, -1)
    columns[wanted] = np.arange(len(wanted))
    on = (columns[numbers] >= 0) & (values > 0) if len(numbers) else np.zeros(0, dtype=bool)
    weights = np.zeros((count, len(wanted) + 1))
    np.add.at(weights, (vertices[on], columns[numbers[on]]), values[on])
    total = weights.sum(axis=1)
    bound = _bound(obj, mesh, names, groups, count)
    # What the modifier's own group holds back stays with the object.
    weights *= np.where(total > 0, bound / np.where(total > 0, total, 1.0), 0.0)[:, None]
    weights[:, -1] = 1.0 - weights.sum(axis=1)
    weights[np.abs(weights) < 1e-7] = 0.0
    used = weights.sum(axis=0) > 0
    carriers = [*(Control(obj.name, names[i]) for i in wanted), Control(mesh.name)]
    return weights[:, used], tuple(c for c, on in zip(carriers, used, strict=True) if on)


def _bound(obj: Any, mesh: Any, names: list[str], groups: Groups, count: int) -> Floats:
    """How much the armature modifier holds each corner, 0 to 1."""
    one = next((m for m in mesh.modifiers if _by(m, obj)), None)
    if one is None or not one.vertex_group or one.vertex_group not in names:
        return np.ones(count)
    vertices, numbers, values = groups
    on = numbers == names.index(one.vertex_group)
    held = np.zeros(count)
    held[vertices[on]] = values[on]
    return 1.0 - held if one.invert_vertex_group else held
