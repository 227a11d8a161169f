# SPDX-License-Identifier: GPL-3.0-or-later
"""Legs: found, and measured against hand-made distances."""

from __future__ import annotations

from collections.abc import Iterator

import bpy
import numpy as np
import pytest

from blender.rigs import BoneSpec, build, fk_hare, human, make_armature, simple_hare
from leapwright_blender import reach as rc
from leapwright_blender.leg import with_all_below
from leapwright_blender.legs import Leg, find_legs
from leapwright_blender.probe import probing
from leapwright_blender.space import Control, world_matrix

# Thigh and shin of the hare are alike: 0.06 across, 0.2 along.
HALF = float(np.hypot(0.06, 0.2))


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


def test_what_hangs_on_a_bone_is_what_the_host_says() -> None:
    rig = simple_hare()
    for bone in rig.data.bones:
        below = {b.name for b in bone.children_recursive}
        assert with_all_below(rig, [bone.name]) == {bone.name} | below
    assert with_all_below(rig, []) == set()


def test_ik_legs_of_the_hare() -> None:
    left, right = find_legs(simple_hare())
    assert (left.foot, left.thigh, left.shin, left.side) == ("paw.L", "thigh.L", "shin.L", "L")
    assert (right.foot, right.chain, right.ik) == ("paw.R", ("thigh.R", "shin.R"), True)
    assert left.control == Control("Hare", "paw.L")


def test_arms_with_ik_are_not_legs() -> None:
    rig = simple_hare()
    for side in "LR":
        con = rig.pose.bones[f"hand.{side}"].constraints.new("IK")
        con.target, con.subtarget, con.chain_count = rig, f"ear.{side}", 2
    assert [leg.foot for leg in find_legs(rig)] == ["paw.L", "paw.R"]


def test_legs_without_telling_names_are_found_by_height() -> None:
    parts = ("thigh", "shin", "foot", "paw", "sole")
    names = {f"{p}.{s}": f"bone{i}.{s}" for i, p in enumerate(parts) for s in "LR"}
    rig = simple_hare(names=names)
    for side in "LR":
        con = rig.pose.bones[f"hand.{side}"].constraints.new("IK")
        con.target, con.subtarget, con.chain_count = rig, f"ear.{side}", 2
    assert [leg.foot for leg in find_legs(rig)] == ["bone3.L", "bone3.R"]


def test_an_empty_can_be_a_foot_control() -> None:
    rig = simple_hare()
    goal = bpy.data.objects.new("FootGoal.L", None)
    bpy.context.scene.collection.objects.link(goal)
    con = rig.pose.bones["shin.L"].constraints[0]
    con.target, con.subtarget = goal, ""
    assert find_legs(rig)[0].control == Control("FootGoal.L")


def test_fk_legs_by_name() -> None:
    left, right = find_legs(fk_hare())
    assert (left.foot, left.chain, left.ik) == ("foot.L", ("thigh.L", "shin.L"), False)
    assert right.side == "R"


def test_an_ik_leg_is_on_or_off_by_its_evaluated_influence() -> None:
    rig = simple_hare()
    rig["fk"] = 0.0
    for side in "LR":
        con = rig.pose.bones[f"shin.{side}"].constraints[0]
        driver = con.driver_add("influence").driver
        variable = driver.variables.new()
        variable.targets[0].id, variable.targets[0].data_path = rig, '["fk"]'
        variable.name, driver.expression = "fk", "1 - fk"
    found = []
    for value in (0.0, 0.4, 0.6, 1.0):
        rig["fk"] = value
        rig.update_tag()
        bpy.context.view_layer.update()
        found.append([(leg.foot, leg.ik) for leg in find_legs(rig)])
    on = [("paw.L", True), ("paw.R", True)]
    off = [("foot.L", False), ("foot.R", False)]
    assert found == [on, on, off, off]


def test_an_ik_leg_that_no_body_bone_follows_is_off() -> None:
    rig = build("generated human, legs on FK")
    # The constraints themselves are on: only moving the foot control shows that nothing follows.
    assert [leg.foot for leg in find_legs(rig)] == ["foot_ik.L", "foot_ik.R"]
    with probing(rig, [], bpy.context.scene) as probe:
        legs = find_legs(rig, probe=probe)
    assert [(leg.foot, leg.after, leg.ik) for leg in legs] == [
        ("foot_fk.L", "foot_fk.L", False),
        ("foot_fk.R", "foot_fk.R", False),
    ]


def test_one_leg_on_ik_and_one_on_fk() -> None:
    rig = simple_hare()
    rig.pose.bones["shin.R"].constraints[0].mute = True
    bpy.context.view_layer.update()
    assert [(leg.foot, leg.ik) for leg in find_legs(rig)] == [("paw.L", True), ("foot.R", False)]


def test_several_chains_of_one_limb_are_one_leg() -> None:
    rig = build("generated basic quadruped")
    legs = find_legs(rig)
    assert [leg.foot for leg in legs] == [
        "foot_ik.L", "front_foot_ik.L", "foot_ik.R", "front_foot_ik.R",
    ]  # fmt: skip
    assert len({leg.name for leg in legs}) == 4
    deps = bpy.context.evaluated_depsgraph_get()
    for leg in legs:
        hip, ankle = (world_matrix(p, deps)[:3, 3] for p in (leg.hip, leg.ankle))
        assert float(np.linalg.norm(hip - ankle)) <= rc.leg_reach(rig, leg) + 1e-6


def test_animal_legs_of_four_bones() -> None:
    rig = build("quadruped with FK legs")
    legs = {leg.foot: leg for leg in find_legs(rig)}
    assert set(legs) == {"foot.L", "foot.R", "front_foot.L", "front_foot.R"}
    hind = legs["foot.R"]
    assert (hind.thigh, hind.shin, hind.after) == ("thigh.R", "shin.R", "hock.R")
    assert hind.chain == ("thigh.R", "shin.R", "hock.R")
    front = legs["front_foot.L"]
    assert (front.chain, front.after) == (
        ("front_leg_upper.L", "front_leg_lower.L"),
        "front_foot.L",
    )


def test_legs_by_build_skip_shoulders_and_toes() -> None:
    bones = {
        "b0": BoneSpec((0, 0, 1.0), (0, 0, 1.3)),
        "b1": BoneSpec((0, 0, 1.3), (0, 0, 1.8), "b0"),
    }
    for side, x in ((1, 0.2), (2, -0.2)):
        bones |= {
            f"b1{side}": BoneSpec((x / 2, 0, 1.0), (x, 0, 0.95), "b0"),
            f"b2{side}": BoneSpec((x, 0, 0.95), (x, -0.1, 0.5), f"b1{side}"),
            f"b3{side}": BoneSpec((x, -0.1, 0.5), (x, 0, 0.1), f"b2{side}"),
            f"b4{side}": BoneSpec((x, 0, 0.1), (x, -0.15, 0.0), f"b3{side}"),
            f"b5{side}": BoneSpec((x, -0.15, 0.0), (x, -0.2, 0.0), f"b4{side}"),
            # An arm that hangs down, and ends at the hip.
            f"b6{side}": BoneSpec((2 * x, 0, 1.5), (2 * x, 0, 1.2), "b1"),
            f"b7{side}": BoneSpec((2 * x, 0, 1.2), (2 * x, 0, 0.9), f"b6{side}"),
        }
    legs = find_legs(make_armature("Hare", bones))
    assert [(leg.thigh, leg.shin, leg.foot, leg.named) for leg in legs] == [
        ("b21", "b31", "b41", False),
        ("b22", "b32", "b42", False),
    ]


def test_a_leg_of_two_bones_ends_with_its_shin() -> None:
    bones = {"hub": BoneSpec((0, 0, 0.5), (0, 0, 0.8))}
    for side, x in (("L", 0.2), ("R", -0.2)):
        bones[f"upper.{side}"] = BoneSpec((x, 0, 0.5), (x, -0.1, 0.25), "hub")
        bones[f"lower.{side}"] = BoneSpec((x, -0.1, 0.25), (x, 0, 0.0), f"upper.{side}")
    rig = make_armature("Hopper", bones)
    left = find_legs(rig)[0]
    assert (left.chain, left.foot, left.after) == (("upper.L", "lower.L"), "lower.L", "")
    deps = bpy.context.evaluated_depsgraph_get()
    ankle = world_matrix(left.ankle, deps)[:3, 3]
    assert ankle == pytest.approx([0.2, 0, 0], abs=1e-6)
    assert rc.rest_length(rig, left) == pytest.approx(2 * np.hypot(0.1, 0.25))


def test_a_skeleton_of_deform_bones_alone_has_legs() -> None:
    rig = fk_hare()
    for bone in rig.data.bones:
        bone.name = f"DEF-{bone.name}"
    assert [leg.foot for leg in find_legs(rig)] == ["DEF-foot.L", "DEF-foot.R"]


def test_a_panel_of_sliders_below_the_floor_hides_no_legs() -> None:
    names = {
        f"{p}.{s}": f"bone{i}.{s}" for i, p in enumerate(("thigh", "shin", "foot")) for s in "LR"
    }
    bones = {
        name: BoneSpec(tuple(b.head_local), tuple(b.tail_local), b.parent.name if b.parent else "")
        for name, b in fk_hare().data.bones.items()
    }
    bones["slider"] = BoneSpec((3, 0, -4), (3, 0, -3), deform=False)
    legs = find_legs(make_armature("Hare", bones, rename=names))
    assert [leg.foot for leg in legs] == ["bone2.L", "bone2.R"]


def asked(rig: bpy.types.Object, leg: Leg) -> rc.Reach:
    """What the current pose asks of a leg, at one metre per unit."""
    deps = bpy.context.evaluated_depsgraph_get()
    hip, ankle = (world_matrix(p, deps)[:3, 3] for p in (leg.hip, leg.ankle))
    reach = rc.leg_reach(rig, leg, depsgraph=deps)
    fold = reach * rc.fold_length(rig, leg) / rc.rest_length(rig, leg)
    return rc.Reach(leg.name, "take-off", float(np.linalg.norm(ankle - hip)), reach, fold)


@pytest.mark.parametrize("scale", [1.0, 0.01, 3.0])
def test_reach_is_the_straight_leg_at_the_rigs_scale(scale: float) -> None:
    rig = simple_hare()
    rig.scale = (scale,) * 3
    rig.pose.bones["root"].scale = (2, 2, 2)
    bpy.context.view_layer.update()
    leg = find_legs(rig)[0]
    assert rc.leg_reach(rig, leg) == pytest.approx(2 * HALF * 2 * scale, rel=1e-6)


def test_a_pose_out_of_reach_says_how_much() -> None:
    rig = simple_hare()
    leg = find_legs(rig)[0]
    assert asked(rig, leg).text == ""
    rig.pose.bones["body"].location = (0, 0, 0.1)
    bpy.context.view_layer.update()
    got = asked(rig, leg)
    assert got.distance == pytest.approx(0.5, abs=1e-6)
    assert got.over == pytest.approx(0.5 - 2 * HALF, abs=1e-6)
    assert got.text == "take-off asks for 8.2 cm more leg than the rig has (left leg)"


def test_a_leg_that_stretches_is_measured_all_the_same() -> None:
    rig = human()
    leg = find_legs(rig)[0]
    at_rest = asked(rig, leg)
    assert (leg.foot, at_rest.over) == ("foot_ik.L", 0.0)
    rig.pose.bones["torso"].location[2] += 0.2
    bpy.context.view_layer.update()
    high = asked(rig, leg)
    assert high.reach == pytest.approx(at_rest.reach, abs=1e-6)
    assert high.distance == pytest.approx(at_rest.distance + 0.2, abs=1e-3)
    assert high.text.endswith("more leg than the rig has (left leg)")


def test_the_fold_is_by_the_law_of_cosines() -> None:
    rig = simple_hare()
    fold = rc.fold_length(rig, find_legs(rig)[0])
    assert fold == pytest.approx(2 * HALF * np.sin(np.radians(rc.FOLD_DEGREES) / 2))


def test_a_crouch_too_deep_is_said() -> None:
    leg = find_legs(simple_hare())[1]
    said = rc.Reach(leg.name, "crouch", 0.05, reach=0.4, fold=0.09)
    assert said.text == "crouch folds the right leg 4.0 cm further than it can"
