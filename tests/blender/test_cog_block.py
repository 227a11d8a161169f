# SPDX-License-Identifier: GPL-3.0-or-later
"""Blocking with the measured COG on the arc: held by brute force, poses unmoved, few keys."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
import pytest

from blender import rigs
from blender.brute import mesh_cog, off_arc, on_frames, person_cog
from leapwright.errors import InputError, NotFoundError
from leapwright.playback import evaluate
from leapwright_blender import rig_of
from leapwright_blender.cog import cog_source, measure
from leapwright_blender.read import read_curves
from leapwright_blender.steps import run

pytestmark = pytest.mark.thorough

WITHIN = 0.005
POSES = {"crouch": 1, "takeoff": 2, "apex": 3, "land": 4}
CONTACTS = ("crouch", "takeoff", "land")


@pytest.fixture(autouse=True)
def _empty() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)


def scene() -> Any:
    return bpy.context.scene


def key(rig: Any, frame: int, **places: tuple[float, float, float]) -> None:
    """Key locations; `_` in a name stands for a point."""
    for name, place in places.items():
        bone = rig.pose.bones[name.replace("__", ".")]
        bone.location = place
        bone.keyframe_insert("location", frame=frame)


def turn(rig: Any, frame: int, angle: float, *names: str) -> None:
    for name in names:
        bone = rig.pose.bones[name]
        bone.rotation_mode = "XYZ"
        bone.rotation_euler = (angle, 0.0, 0.0)
        bone.keyframe_insert("rotation_euler", frame=frame)


def leaping_human() -> Any:
    """Arms low in crouch and take-off, overhead at the apex with the legs tucked."""
    rig = rigs.build("generated human")
    scene().render.fps = 24
    for frame, torso, arms, tuck, root in (
        (1, -0.3, -0.45, 0.0, 0.0),
        (2, -0.02, -0.35, 0.0, 0.0),
        (3, -0.02, 0.85, 0.35, 0.0),
        (4, -0.05, -0.2, 0.0, -1.0),
    ):
        low = -0.35 if arms < 0 else -0.2
        key(
            rig, frame, torso=(0, 0, torso), root=(0, root, 0),
            hand_ik__L=(low, 0.0, arms), hand_ik__R=(-low, 0.0, arms),
            foot_ik__L=(0, 0, tuck), foot_ik__R=(0, 0, tuck),
        )  # fmt: skip
    return rig


def posed(rig: Any, frames: dict[str, float]) -> dict[str, Any]:
    """Every keyed channel's value on some frames, as the host's curves play it."""
    curves = read_curves(rig).curves
    values = evaluate(curves, list(frames.values())).T.tolist()
    return {
        moment: dict(zip([c.label for c in curves.channels], row, strict=True))
        for moment, row in zip(frames, values, strict=True)
    }


def air_of(moments: Any) -> np.ndarray:
    return np.arange(moments.takeoff, moments.land + 1)


def test_control_alone_strays_and_says_so() -> None:
    rig = leaping_human()
    result = rig_of(rig, scene()).block(poses=POSES, jump_height=0.45)
    strays = off_arc(on_frames(air_of(result.jump.moments), lambda: person_cog(rig)))
    assert 0.06 < strays < 0.18
    told = result.measured.stray
    assert told.cog_from == "segments"
    assert told.largest_m == pytest.approx(strays, abs=0.005)
    assert result.to_json()["measured"]["stray"]["largest_m"] == told.largest_m
    said = [text for text in result.warnings if "segments" in text]
    words = f"strays up to {told.largest_m * 100:.1f} cm from one (frame {told.at_frame:g})"
    assert said == [f"the COG control is on the arc; the COG by segments {words}"]


@pytest.mark.parametrize("air", ["root", "feet"])
def test_segments_hold_the_cog_by_brute_force_within_five_millimetres(air: str) -> None:
    rig = leaping_human()
    before = posed(rig, POSES)
    stood = on_frames([1, 2], lambda: person_cog(rig))
    result = rig_of(rig, scene()).block(poses=POSES, jump_height=0.45, cog_from="segments", air=air)
    moments = result.jump.moments
    air_now = on_frames(air_of(moments), lambda: person_cog(rig))
    assert off_arc(air_now) < WITHIN
    assert result.measured.largest_distance_m <= WITHIN
    assert not [text for text in result.warnings if "off the plan" in text]
    # What is measured with it.
    assert result.jump.push_height == pytest.approx(stood[1, 2] - stood[0, 2], abs=0.003)
    assert result.measured.push_height_m == pytest.approx(result.jump.push_height, abs=1e-4)
    # No posed value moves but what carries the body at the apex, and that is said.
    now = posed(rig, {m: getattr(moments, m) for m in POSES})
    for moment in CONTACTS:
        assert now[moment] == pytest.approx(before[moment], abs=1e-6)
    moved = {c.channel.split('"')[1] for c in result.measured.posed_values_changed}
    assert moved <= ({"root"} if air == "root" else {"root", "torso", "foot_ik.L", "foot_ik.R"})
    assert {c.moment for c in result.measured.posed_values_changed} == {"apex"}
    # Keys between the moments are on the COG control alone, and few.
    at = {float(f) for f in result.moments.values()}
    at.add(float(moments.crouch - result.jump.frames.crouch_hold))
    extra = {k.channel: set(k.frames) - at for k in result.keyed if set(k.frames) - at}
    assert {name.split('"')[1] for name in extra} <= {"torso"}
    assert all(len(frames) <= 4 for frames in extra.values())
    assert result.to_json()["cog_from"] == "segments"
    (kept,) = rig_of(rig, scene()).remembered()
    assert kept.cog_from == "segments"


def test_legs_turned_joint_by_joint_weigh_too() -> None:
    """FK legs get keys that hold the soles, and those move the COG: both are held."""
    rig = rigs.build("skeleton of the human")
    scene().render.fps = 24
    arms = ("upper_arm.L", "upper_arm.R")
    for frame, (drop, angle) in enumerate(((-0.25, 0.6), (0.0, 0.0), (0.0, -2.2)), start=1):
        key(rig, frame, spine=(0, drop, 0))
        turn(rig, frame, angle, *arms)
    result = rig_of(rig, scene()).block(
        poses={"takeoff": 2, "apex": 3}, push_height=0.25, jump_height=0.4,
        cog_from="segments", replace=True,
    )  # fmt: skip
    moments = result.jump.moments
    assert off_arc(on_frames(air_of(moments), lambda: person_cog(rig))) < WITHIN
    push = on_frames([moments.crouch, moments.takeoff], lambda: person_cog(rig))[:, 2]
    assert np.diff(push)[0] == pytest.approx(result.jump.push_height, abs=WITHIN)
    assert result.measured.largest_distance_m <= WITHIN
    assert result.measured.sole_miss_m <= WITHIN


def sweeping_hare() -> tuple[Any, Any]:
    """The FK hare with a skin; its long ears weigh, and sweep."""
    rig = rigs.build("hare with FK legs")
    scene().render.fps = 24
    fur = rigs.skin(rig)
    for frame, (drop, angle, root) in enumerate(
        ((-0.2, 0.5, 0.0), (-0.03, 0.4, 0.0), (0.0, -1.0, 0.0), (-0.05, 0.3, -0.8)), start=1
    ):
        key(rig, frame, body=(0, 0, drop), root=(0, root, 0))
        turn(rig, frame, angle, "ear.L", "ear.R", "arm.L")
    return rig, fur


def test_mesh_holds_the_centre_of_the_evaluated_meshs_volume() -> None:
    rig, fur = sweeping_hare()
    by_control = rig_of(rig, scene()).block(poses=POSES, jump_height=0.6)
    alone = off_arc(on_frames(air_of(by_control.jump.moments), lambda: mesh_cog([fur])[0]))
    assert alone > 0.05
    rig, fur = sweeping_hare()
    result = rig_of(rig, scene()).block(poses=POSES, jump_height=0.6, cog_from="mesh")
    moments = result.jump.moments
    assert off_arc(on_frames(air_of(moments), lambda: mesh_cog([fur])[0])) < WITHIN
    assert result.measured.largest_distance_m <= WITHIN
    assert result.measured.sole_miss_m <= WITHIN
    # The crouch is posed with hanging legs; what counts is where they stand.
    push = on_frames([moments.crouch, moments.takeoff], lambda: mesh_cog([fur])[0])[:, 2]
    assert result.jump.push_height == pytest.approx(push[1] - push[0], abs=1e-4)
    said = rig_of(rig, scene()).measure_poses(
        {m: getattr(moments, m) for m in POSES}, cog_from="mesh"
    )
    assert said.push_height_m == pytest.approx(push[1] - push[0], abs=1e-5)


def test_sample_hare_is_held_within_one_percent_of_its_evaluated_mesh() -> None:
    """A smooth skin: what rides on bones is the evaluated mesh to a percent of its height."""
    rig = rigs.build("hare.blend")
    fur, taken = bpy.data.objects["Hare_mesh"], rig_of(rig, scene())
    plan = taken.block(jump_height=1.2, push_height=0.3, dry_run=True).jump.moments
    for frame, angle in ((plan.takeoff, 0.0), (plan.apex, 1.2), (plan.land, 0.2)):
        turn(rig, frame, angle, "spine", "upper_arm.L", "upper_arm.R", "ear_1.L", "ear_1.R")
    result = taken.block(jump_height=1.2, push_height=0.3, cog_from="mesh")
    assert result.measured.largest_distance_m <= WITHIN
    places = on_frames(air_of(result.jump.moments), lambda: mesh_cog([fur])[0])
    fps = float(result.jump.frame_rate)
    assert off_arc(places, fps=fps) < 0.01 * fur.dimensions.z + WITHIN
    # The control has to make up for more than that.
    body = on_frames(
        air_of(result.jump.moments),
        lambda: np.array(rig.matrix_world @ rig.pose.bones["body"].head),
    )
    assert off_arc(body, fps=fps) > 0.02


@pytest.mark.parametrize("within", [0.02, 0.003])
def test_a_nearer_distance_takes_more_keys(within: float) -> None:
    rig, fur = sweeping_hare()
    result = rig_of(rig, scene()).block(
        poses=POSES, jump_height=0.6, cog_from="mesh", within=within
    )
    assert result.measured.largest_distance_m <= within
    assert off_arc(on_frames(air_of(result.jump.moments), lambda: mesh_cog([fur])[0])) < within


def test_control_is_the_default_and_says_the_same_keys() -> None:
    keys = []
    for asked in ({}, {"cog_from": "control"}):
        rig, _ = sweeping_hare()
        result = rig_of(rig, scene()).block(poses=POSES, jump_height=0.6, **asked)
        assert result.cog_from == "control"
        assert result.measured.stray is None
        keys.append([k.to_json() for k in result.keyed])
    assert keys[0] == keys[1]


def test_stepped_splined_resized_and_retimed_with_the_same_cog() -> None:
    rig, fur = sweeping_hare()
    taken = rig_of(rig, scene())
    taken.block(poses=POSES, jump_height=0.6, cog_from="mesh", stepped=True)
    splined = taken.spline(legs=True)
    assert splined.measured[0].largest_distance_m <= WITHIN

    def brute() -> np.ndarray:
        moments = taken.remembered()[0].moments
        return on_frames(
            np.arange(moments["takeoff"], moments["land"] + 1), lambda: mesh_cog([fur])[0]
        )

    assert off_arc(brute()) < WITHIN
    (kept,) = taken.remembered()
    assert kept.cog_from == "mesh"
    resized = taken.resize(times_height=1.3)
    gravity = float(resized.solved.gravity)
    assert off_arc(brute(), gravity=gravity) < WITHIN
    height = brute()[:, 2]
    assert resized.after.heights.jump == pytest.approx(np.max(height) - height[0], abs=0.005)
    retimed = taken.retime(snappiness=1.25)
    height = brute()[:, 2]
    assert retimed.after.heights.jump == pytest.approx(np.max(height) - height[0], abs=0.01)
    assert retimed.before.heights.jump == pytest.approx(resized.after.heights.jump, abs=1e-4)


KINDS = {
    "hare with IK feet": "segments",
    "hare without a root": "control",
    "hare at 0.01 under a turned parent": "mesh",
    "quadruped with FK legs": "mesh",
    "BVH import": "segments",
    "figure of objects": "mesh",
    "single mesh": "mesh",
}


@pytest.mark.parametrize("kind", KINDS)
def test_kinds_of_rigs(kind: str) -> None:
    """Whatever turns at random in the air: held, or said by how much it is not."""
    rig = rigs.build(kind)
    scene().render.fps = 24
    if KINDS[kind] == "mesh" and rig.pose:
        rigs.skin(rig)
    if rig.animation_data:
        rig.animation_data_clear()
    taken = rig_of(rig, scene())
    height = 0.6 * (0.5 if rig.pose is None else 1.0)
    plan = taken.block(jump_height=height, push_height=height / 4, travel=0.3, dry_run=True)
    if rig.pose:
        rng = np.random.default_rng(7)
        controls = taken.find()
        legs = {name for leg in controls.legs for name in leg.chain}
        last = [b for b in rig.pose.bones if not b.children and b.name not in legs][:6]
        for frame in (plan.jump.moments.takeoff, plan.jump.moments.apex, plan.jump.moments.land):
            for bone in last:
                bone.rotation_mode = "XYZ"
                bone.rotation_euler = rng.uniform(-0.7, 0.7, 3)
                bone.keyframe_insert("rotation_euler", frame=float(frame))
    result = taken.block(
        jump_height=height, push_height=height / 4, travel=0.3, cog_from=KINDS[kind]
    )
    moments = result.jump.moments
    frames = air_of(moments)
    source = run(cog_source(rig, scene(), KINDS[kind], controls=taken.find()))
    places = measure(rig, scene(), frames, source) * scene().unit_settings.scale_length
    held = result.measured.largest_distance_m
    assert off_arc(places) < max(WITHIN, 2 * held)
    assert held <= WITHIN or [text for text in result.warnings if "off the plan" in text]


def test_what_cannot_be_had_is_said_before_anything_is_written() -> None:
    rig = rigs.build("quadruped without names")
    taken = rig_of(rig, scene())
    for name, error, words in (
        ("guess", InputError, "cog_from must be one of control, segments, mesh"),
        ("segments", NotFoundError, "no trunk was recognised"),
        ("mesh", NotFoundError, "has no closed mesh"),
    ):
        with pytest.raises(error, match=words):
            taken.block(jump_height=0.5, push_height=0.2, cog_from=name)
    assert rig.animation_data is None or rig.animation_data.action is None
