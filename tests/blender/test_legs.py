# SPDX-License-Identifier: GPL-3.0-or-later
"""Legs: found, and measured against hand-made distances."""

from __future__ import annotations

from collections.abc import Iterator

import bpy
import numpy as np
import pytest

from blender.rigs import fk_hare, human, simple_hare
from leapwright_blender import legs as lg
from leapwright_blender.space import Control

# Thigh and shin of the hare are alike: 0.06 across, 0.2 along.
HALF = float(np.hypot(0.06, 0.2))


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


def test_ik_legs_of_the_hare() -> None:
    left, right = lg.find_legs(simple_hare())
    assert (left.foot, left.thigh, left.shin, left.side) == ("paw.L", "thigh.L", "shin.L", "L")
    assert (right.foot, right.chain, right.ik) == ("paw.R", ("thigh.R", "shin.R"), True)
    assert left.control == Control("Hare", "paw.L")


def test_arms_with_ik_are_not_legs() -> None:
    rig = simple_hare()
    for side in "LR":
        con = rig.pose.bones[f"hand.{side}"].constraints.new("IK")
        con.target, con.subtarget, con.chain_count = rig, f"ear.{side}", 2
    assert [leg.foot for leg in lg.find_legs(rig)] == ["paw.L", "paw.R"]


def test_legs_without_telling_names_are_found_by_height() -> None:
    parts = ("thigh", "shin", "foot", "paw", "sole")
    names = {f"{p}.{s}": f"bone{i}.{s}" for i, p in enumerate(parts) for s in "LR"}
    rig = simple_hare(names=names)
    for side in "LR":
        con = rig.pose.bones[f"hand.{side}"].constraints.new("IK")
        con.target, con.subtarget, con.chain_count = rig, f"ear.{side}", 2
    assert [leg.foot for leg in lg.find_legs(rig)] == ["bone3.L", "bone3.R"]


def test_an_empty_can_be_a_foot_control() -> None:
    rig = simple_hare()
    goal = bpy.data.objects.new("FootGoal.L", None)
    bpy.context.scene.collection.objects.link(goal)
    con = rig.pose.bones["shin.L"].constraints[0]
    con.target, con.subtarget = goal, ""
    assert lg.find_legs(rig)[0].control == Control("FootGoal.L")


def test_fk_legs_by_name() -> None:
    left, right = lg.find_legs(fk_hare())
    assert (left.foot, left.chain, left.ik) == ("foot.L", ("thigh.L", "shin.L"), False)
    assert right.side == "R"


@pytest.mark.parametrize("scale", [1.0, 0.01, 3.0])
def test_reach_is_the_straight_leg_at_the_rigs_scale(scale: float) -> None:
    rig = simple_hare()
    rig.scale = (scale,) * 3
    rig.pose.bones["root"].scale = (2, 2, 2)
    bpy.context.view_layer.update()
    leg = lg.find_legs(rig)[0]
    assert lg.leg_reach(rig, leg) == pytest.approx(2 * HALF * 2 * scale, rel=1e-6)


def test_a_pose_out_of_reach_says_how_much_in_metres() -> None:
    rig = simple_hare()
    scene = bpy.context.scene
    scene.unit_settings.scale_length = 0.5
    leg = lg.find_legs(rig)[0]
    rig.pose.bones["body"].location = (0, 0, 0.1)
    bpy.context.view_layer.update()
    got = lg.leg_stretch(rig, leg, moment="take-off", scene=scene)
    assert got.distance == pytest.approx(0.5 * 0.5, abs=1e-6)
    assert got.over == pytest.approx(0.5 * (0.5 - 2 * HALF), abs=1e-6)
    assert got.text == "take-off asks for 4.1 cm more leg than the rig has (left leg)"
    rig.pose.bones["body"].location = (0, 0, 0)
    bpy.context.view_layer.update()
    assert lg.leg_stretch(rig, leg, moment="crouch", scene=scene).text == ""


def test_a_leg_that_stretches_is_measured_all_the_same() -> None:
    rig = human()
    leg = lg.find_legs(rig)[0]
    scene = bpy.context.scene
    at_rest = lg.leg_stretch(rig, leg, moment="take-off", scene=scene)
    assert (leg.foot, at_rest.over) == ("foot_ik.L", 0.0)
    rig.pose.bones["torso"].location[2] += 0.2
    bpy.context.view_layer.update()
    high = lg.leg_stretch(rig, leg, moment="take-off", scene=scene)
    assert high.reach == pytest.approx(at_rest.reach, abs=1e-6)
    assert high.distance == pytest.approx(at_rest.distance + 0.2, abs=1e-3)
    assert high.text.endswith("more leg than the rig has (left leg)")


def test_the_fold_is_by_the_law_of_cosines() -> None:
    rig = simple_hare()
    fold = lg.fold_length(rig, lg.find_legs(rig)[0])
    assert fold == pytest.approx(2 * HALF * np.sin(np.radians(lg.FOLD_DEGREES) / 2))


def test_a_crouch_too_deep_is_said() -> None:
    leg = lg.find_legs(simple_hare())[1]
    said = lg.Reach(leg.name, "crouch", 0.05, reach=0.4, fold=0.09)
    assert said.text == "crouch folds the right leg 4.0 cm further than it can"
