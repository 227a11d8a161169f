# SPDX-License-Identifier: GPL-3.0-or-later
"""Skeletons that the bundled importers make: legs by their joints, soles under the skin."""

from __future__ import annotations

from collections.abc import Iterator

import bpy
import numpy as np
import pytest

from blender.rigs import bvh_hare, fk_hare, gltf_hare, skin
from leapwright_blender.leg import tails_tell
from leapwright_blender.legs import find_legs
from leapwright_blender.reach import fold_length, rest_length
from leapwright_blender.rig import find_controls
from leapwright_blender.sample import sample
from leapwright_blender.space import world_matrix


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


def test_a_bvh_has_legs_by_its_offsets() -> None:
    rig = bvh_hare()
    left, right = find_legs(rig)
    assert (left.chain, left.after) == (("LeftUpLeg", "LeftLeg"), "LeftFoot")
    assert right.side == "R"
    # The offsets of the file, in its centimetres.
    assert rest_length(rig, left) == pytest.approx(np.hypot(20, 5) + np.hypot(20, 6), rel=1e-6)


def test_a_bvh_hops_at_its_hips() -> None:
    rig = bvh_hare()
    controls = find_controls(rig, folders=())
    places = sample(rig, range(1, 14), [controls.cog], scene=bpy.context.scene).positions[0]
    heights = [50, 46, 40, 36, 46, 60, 66, 68, 66, 60, 44, 38, 50]
    # The root's offset of 50 comes on top of its channel.
    assert places[:, 2] - places[0, 2] == pytest.approx(np.array(heights) - 50.0, abs=1e-4)
    assert places[:, 1] - places[0, 1] == pytest.approx(-2.0 * np.arange(13), abs=1e-4)


def test_a_gltf_skeleton_is_measured_from_joint_to_joint() -> None:
    made = fk_hare()
    leg = find_legs(made)[0]
    lengths = rest_length(made, leg), fold_length(made, leg)
    rig = gltf_hare()
    again = find_legs(rig)[0]
    assert (again.chain, again.after) == (leg.chain, leg.after)
    assert (rest_length(rig, again), fold_length(rig, again)) == pytest.approx(lengths, rel=1e-5)
    for end in ("hip", "ankle"):
        deps = bpy.context.evaluated_depsgraph_get()
        place = world_matrix(getattr(again, end), deps)[:3, 3]
        expected = {"hip": [0.1, 0, 0.5], "ankle": [0.1, 0, 0.1]}[end]
        assert place == pytest.approx(expected, abs=1e-5)


def test_made_up_tails_change_nothing() -> None:
    rig = gltf_hare()
    before = find_controls(rig, folders=())
    lengths = [rest_length(rig, leg) for leg in before.legs]
    deps = bpy.context.evaluated_depsgraph_get()
    soles = [world_matrix(p, deps)[:3, 3].tolist() for p in before.soles]
    assert soles == [pytest.approx(p, abs=1e-5) for p in ([0.1, 0, 0], [-0.1, 0, 0])]
    bpy.context.view_layer.objects.active = rig
    bpy.ops.object.mode_set(mode="EDIT")
    for bone in rig.data.edit_bones:
        # As an importer may leave them: every tail straight up.
        bone.use_connect = False
        bone.tail = bone.head
        bone.tail[2] += 0.03
    bpy.ops.object.mode_set(mode="OBJECT")
    assert not tails_tell(rig)
    after = find_controls(rig, folders=())
    for role in ("root", "cog", "pelvis", "feet", "carries"):
        assert getattr(after, role) == getattr(before, role)
    assert [leg.chain for leg in after.legs] == [leg.chain for leg in before.legs]
    assert [rest_length(rig, leg) for leg in after.legs] == pytest.approx(lengths)
    deps = bpy.context.evaluated_depsgraph_get()
    again = [world_matrix(p, deps)[:3, 3].tolist() for p in after.soles]
    assert again == [pytest.approx(p, abs=1e-5) for p in soles]


def test_soles_stand_where_the_skin_does() -> None:
    rig = fk_hare()
    mesh = skin(rig)
    for vertex in mesh.data.vertices:
        if vertex.co.z == 0:
            vertex.co.z = -0.02
    bpy.context.view_layer.update()
    deps = bpy.context.evaluated_depsgraph_get()
    soles = [world_matrix(p, deps)[2, 3] for p in find_controls(rig, folders=()).soles]
    assert soles == pytest.approx([-0.02, -0.02], abs=1e-6)
