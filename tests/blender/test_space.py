# SPDX-License-Identifier: GPL-3.0-or-later
"""World displacement to location channels: against what a real update gives."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import BoneSpec, make_armature, simple_hare
from leapwright.errors import HostError, NotFoundError
from leapwright_blender import space
from leapwright_blender.space import Control, Point

MODES = ("FULL", "FIX_SHEAR", "ALIGNED", "AVERAGE", "NONE", "NONE_LEGACY")
WANTED = np.array([0.31, -0.47, 0.62])
CLOSE = 2e-6


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


def moved(obj: Any, control: Control, world: np.ndarray) -> np.ndarray:
    """What the world shows when the channels get what the matrix says for ``world``."""
    bpy.context.view_layer.update()
    change = space.to_channel_matrix(obj, control) @ world
    holder = space.pose_bone(control) if control.bone else obj

    def place() -> np.ndarray:
        bpy.context.view_layer.update()
        deps = bpy.context.evaluated_depsgraph_get()
        return space.world_matrix(control, deps)[:3, 3]

    before = place()
    holder.location = np.array(holder.location) + change
    return place() - before


def twisted() -> Any:
    """Two bones at odd angles, the parent posed, turned and scaled unevenly."""
    rig = make_armature(
        "Rig",
        {
            "up": BoneSpec((0.2, 0.1, 0.3), (0.5, -0.2, 0.9)),
            "low": BoneSpec((0.4, 0.0, 1.0), (0.1, 0.6, 1.2), "up"),
        },
    )
    up = rig.pose.bones["up"]
    up.rotation_mode, up.rotation_euler = "XYZ", (0.3, -0.5, 0.8)
    up.scale, up.location = (1.3, 0.8, 1.1), (0.1, 0.2, -0.1)
    return rig


@pytest.mark.parametrize("mode", MODES)
@pytest.mark.parametrize("local", [True, False])
@pytest.mark.parametrize("placed", ["plain", "turned", "parented"])
def test_bone_matrix_is_what_an_update_gives(mode: str, local: bool, placed: str) -> None:
    rig = twisted()
    bone = rig.data.bones["low"]
    bone.inherit_scale, bone.use_local_location = mode, local
    if placed != "plain":
        rig.rotation_euler, rig.scale = (0.4, 0.9, -1.2), (1.5, 0.7, 1.2)
    if placed == "parented":
        above = bpy.data.objects.new("Above", None)
        bpy.context.scene.collection.objects.link(above)
        above.rotation_euler, above.scale = (1.0, 0.2, 0.3), (0.9, 1.1, 1.2)
        rig.parent = above
    got = moved(rig, Control("Rig", "low"), WANTED)
    assert np.abs(got - WANTED).max() < CLOSE


def test_top_bone_of_a_rig_under_a_parent_of_a_hundredth() -> None:
    rig = twisted()
    above = bpy.data.objects.new("Above", None)
    bpy.context.scene.collection.objects.link(above)
    above.scale, rig.parent = (0.01, 0.01, 0.01), above
    above.rotation_euler = (1.5707963, 0, 0.4)
    got = moved(rig, Control("Rig", "up"), WANTED)
    assert np.abs(got - WANTED).max() < CLOSE


@pytest.mark.parametrize("kind", ["OBJECT", "BONE"])
@pytest.mark.parametrize("scale", [1.0, 0.01])
def test_object_under_a_parent(kind: str, scale: float) -> None:
    rig = twisted()
    rig.rotation_euler, rig.scale = (0.4, 0.9, -1.2), (scale, scale, scale)
    crate = bpy.data.objects.new("Crate", None)
    bpy.context.scene.collection.objects.link(crate)
    bpy.context.view_layer.update()
    crate.parent, crate.parent_type = rig, kind
    if kind == "BONE":
        crate.parent_bone = "low"
    crate.matrix_parent_inverse = rig.matrix_world.inverted()
    crate.rotation_euler, crate.scale = (0.2, 0.3, 0.4), (2, 3, 0.5)
    got = moved(crate, Control("Crate"), WANTED)
    assert np.abs(got - WANTED).max() < CLOSE


def test_free_object_has_the_world_axes() -> None:
    crate = bpy.data.objects.new("Crate", None)
    bpy.context.scene.collection.objects.link(crate)
    crate.rotation_euler, crate.scale = (0.2, 0.3, 0.4), (2, 3, 0.5)
    bpy.context.view_layer.update()
    matrix = space.to_channel_matrix(crate, Control("Crate"))
    assert np.array_equal(matrix, np.eye(3))


def test_a_child_of_constraint_carries_the_axes() -> None:
    rig = twisted()
    spin = bpy.data.objects.new("Spin", None)
    bpy.context.scene.collection.objects.link(spin)
    spin.rotation_euler, spin.scale = (0.3, 1.1, 0.2), (1.2, 1.2, 1.2)
    con = rig.pose.bones["up"].constraints.new("CHILD_OF")
    con.target = spin
    got = moved(rig, Control("Rig", "up"), WANTED)
    assert np.abs(got - WANTED).max() < CLOSE


def test_the_two_ways_undo_each_other() -> None:
    rig = twisted()
    rig.rotation_euler = (0.4, 0.9, -1.2)
    bpy.context.view_layer.update()
    low = Control("Rig", "low")
    both = space.to_channel_matrix(rig, low) @ space.to_world_matrix(rig, low)
    assert np.abs(both - np.eye(3)).max() < 1e-12


def test_locked_driven_and_joined_channels_are_named() -> None:
    rig = simple_hare()
    body = rig.pose.bones["body"]
    body.lock_location[1] = True
    body.driver_add("location", 2)
    assert space.held_axes(Control("Hare", "body")) == {"Y": "locked", "Z": "driven"}
    with pytest.raises(HostError, match=r"'body'.*Y \(locked\), Z \(driven\)"):
        space.to_channel_matrix(rig, Control("Hare", "body"))
    bpy.ops.object.mode_set(mode="EDIT")
    rig.data.edit_bones["spine"].use_connect = True
    bpy.ops.object.mode_set(mode="OBJECT")
    with pytest.raises(HostError, match="joined to 'pelvis'"):
        space.to_channel_matrix(rig, Control("Hare", "spine"))


def test_a_control_scaled_to_nothing_is_refused() -> None:
    rig = simple_hare()
    rig.scale = (0, 0, 0)
    bpy.context.view_layer.update()
    with pytest.raises(HostError, match="scaled to nothing"):
        space.to_channel_matrix(rig, Control("Hare", "body"))


def test_missing_names_list_what_is_close() -> None:
    rig = simple_hare()
    with pytest.raises(NotFoundError, match=r"'Hare' has no bone 'paw_L'; close to it: .*paw\.L"):
        space.to_channel_matrix(rig, Control("Hare", "paw_L"), check=False)
    with pytest.raises(NotFoundError, match=r"no object 'Hara'.*Hare"):
        space.the_object(Control("Hara"))


def test_data_paths_find_the_channels_of_odd_names() -> None:
    rig = simple_hare(names={"body": 'b"o\\dy'})
    control = Control("Hare", 'b"o\\dy')
    bone = rig.pose.bones[control.bone]
    bone.location = (1, 2, 3)
    assert tuple(rig.path_resolve(space.data_path_location(control))) == (1, 2, 3)
    assert space.data_path_location(Control("Hare")) == "location"


def test_a_point_rides_on_its_bone() -> None:
    rig = simple_hare()
    spot = Point("Hare", "head", space.rest_offset(rig.data.bones["head"], (0.3, 0.2, 1.1)))
    rig.location, rig.scale = (1, 2, 3), (2, 2, 2)
    bpy.context.view_layer.update()
    deps = bpy.context.evaluated_depsgraph_get()
    assert space.world_matrix(spot, deps)[:3, 3] == pytest.approx([1.6, 2.4, 5.2], abs=1e-6)
