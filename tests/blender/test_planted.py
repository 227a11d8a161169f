# SPDX-License-Identifier: GPL-3.0-or-later
"""FK legs under a body that dips: the soles stay, the poses stay, and few keys do it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import bpy
import numpy as np
import pytest
from mathutils import Euler, Matrix, Quaternion, Vector

from blender import rigs
from blender.rigs import BoneSpec, fk_hare, make_armature
from leapwright.curves import (
    Channel,
    Curves,
    Interpolation,
    Kind,
    identical,
    keys_between,
    merge,
    remove_keys,
    select,
)
from leapwright.errors import InputError
from leapwright.playback import evaluate
from leapwright_blender import host
from leapwright_blender.leg import Leg
from leapwright_blender.legs import find_legs
from leapwright_blender.limb import PosedLimb, between
from leapwright_blender.planted import LegKeys, Plant, leg_keys
from leapwright_blender.read import read_curves
from leapwright_blender.rehearsal import rehearsal
from leapwright_blender.rig import find_controls
from leapwright_blender.space import Point, rest_offset
from leapwright_blender.steps import run
from leapwright_blender.turn import turn_of
from leapwright_blender.write import write_curves

pytestmark = pytest.mark.thorough

MODES = ["QUATERNION", "XYZ", "XZY", "YXZ", "YZX", "ZXY", "ZYX", "AXIS_ANGLE"]
WITHIN = 0.005
FRAMES = np.arange(1.0, 18.0)


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


# --- Rigs and poses ----------------------------------------------------------------------------


def dip(
    rig: Any,
    keys: Sequence[tuple[float, float]] = ((1, 0), (9, -0.24), (17, 0)),
    forward: float = 0.0,
) -> None:
    body = rig.pose.bones["body"]
    for frame, height in keys:
        body.location = (0, forward * height, height)
        body.keyframe_insert("location", frame=frame)


def bones(leg: Leg) -> list[str]:
    return [leg.thigh, leg.shin, *([leg.after] if leg.after else [])]


def rotation(bone: Any) -> str:
    return {"QUATERNION": "rotation_quaternion", "AXIS_ANGLE": "rotation_axis_angle"}.get(
        bone.rotation_mode, "rotation_euler"
    )


def key_legs(rig: Any, frame: float) -> None:
    for leg in find_legs(rig):
        for name in bones(leg):
            bone = rig.pose.bones[name]
            bone.keyframe_insert(rotation(bone), frame=frame)


def set_modes(rig: Any, mode: str) -> None:
    for leg in find_legs(rig):
        for name in bones(leg):
            rig.pose.bones[name].rotation_mode = mode
            # By default it is the axis along the bone, about which knees do not bend.
            rig.pose.bones[name].rotation_axis_angle = (0, 1, 0, 0)


def squat(rig: Any, depth: float, ends: tuple[str, ...] = ("thigh", "shin", "foot")) -> None:
    """Turn thigh, shin and foot of the hare so that the ankles come up by `depth`, by hand."""
    short = (0.4 - depth) / 2 / np.hypot(0.2, 0.06)
    more = np.arccos(short) - np.arctan2(0.06, 0.2)
    for side in "LR":
        for part in ends:
            rig.pose.bones[f"{part}.{side}"].matrix_basis = Matrix()
        bpy.context.view_layer.update()
        for part, angle in zip(ends, (-more, 2 * more, -more), strict=True):
            bone = rig.pose.bones[f"{part}.{side}"]
            head = Matrix.Translation(bone.head)
            bone.matrix = head @ Matrix.Rotation(angle, 4, "X") @ head.inverted() @ bone.matrix
            bpy.context.view_layer.update()
            if bone.rotation_mode == "AXIS_ANGLE" and bone.rotation_axis_angle[1] < 0:
                # The host turns about either end of an axis: hands keep to one.
                bone.rotation_axis_angle = [-v for v in bone.rotation_axis_angle]


def place(rig: Any, bone: str, frame: float) -> np.ndarray:
    """World matrix, by stepping the user's own scene."""
    whole = int(np.floor(frame))
    bpy.context.scene.frame_set(whole, subframe=frame - whole)
    done = rig.evaluated_get(bpy.context.evaluated_depsgraph_get())
    return np.array(done.matrix_world @ done.pose.bones[bone].matrix)


def sole_of(rig: Any, bone: str) -> Point:
    """The place on the floor under the head of a bone."""
    data = rig.data.bones[bone]
    return Point(rig.name, bone, rest_offset(data, Vector((data.head_local[0], -0.1, 0))))


def plants(
    rig: Any,
    first: float = 1,
    last: float = 17,
    at: Sequence[float] = (1,),
    legs: Sequence[Leg] = (),
) -> list[Plant]:
    return [
        Plant(
            leg=leg,
            first=first,
            last=last,
            held=tuple((f, place(rig, bones(leg)[-1], f)) for f in at),
            sole=sole_of(rig, bones(leg)[-1]),
        )
        for leg in legs or find_legs(rig)
    ]


def solve(rig: Any, given: Sequence[Plant], **asked: Any) -> LegKeys:
    asked = {"moments": [1, 9, 17], "within": WITHIN, "stepped": False} | asked
    return run(leg_keys(rig, bpy.context.scene, given, **asked))


def misses(rig: Any, given: Sequence[Plant], frames: Any = FRAMES) -> np.ndarray:
    """How far soles are off, by stepping the user's own scene."""
    out = []
    for plant in given:
        sole = np.array([*plant.sole.offset, 1.0])
        for frame in frames:
            now = place(rig, plant.sole.bone, frame) @ sole
            out.append(np.linalg.norm(now - plant.held[0][1] @ sole))
    return np.array(out)


def knees(rig: Any, frames: Any = FRAMES) -> np.ndarray:
    """How far each knee is before the line from hip to ankle, rig units, + to the front."""
    out = []
    for leg in find_legs(rig):
        for frame in frames:
            bpy.context.scene.frame_set(int(frame))
            pose = rig.evaluated_get(bpy.context.evaluated_depsgraph_get()).pose.bones
            hip, knee, ankle = (np.array(pose[n].head) for n in bones(leg))
            line = (ankle - hip) / np.linalg.norm(ankle - hip)
            way = knee - hip
            out.append(-(way - way @ line * line)[1])
    return np.array(out)


# --- What is asked for -------------------------------------------------------------------------


@pytest.mark.parametrize("posed", [False, True])
@pytest.mark.parametrize("mode", MODES)
def test_soles_stay_within_the_distance_with_few_keys(mode: str, posed: bool) -> None:
    rig = fk_hare()
    set_modes(rig, mode)
    dip(rig)
    key_legs(rig, 1)
    key_legs(rig, 17)
    if posed:
        bpy.context.scene.frame_set(9)
        squat(rig, 0.24)
        key_legs(rig, 9)
    given = plants(rig)
    before = read_curves(rig).curves
    found = solve(rig, given)
    assert identical(read_curves(rig).curves, before)
    write_curves(rig, found.curves)
    missed = misses(rig, given)
    assert missed.max() <= WITHIN
    assert found.largest_miss == pytest.approx(missed.max(), abs=WITHIN / 3)
    assert found.largest_miss <= WITHIN
    assert (knees(rig) > 0.01).all()
    count = np.diff(found.curves.starts)
    assert len(set(count.tolist())) == 1
    assert count[0] < len(FRAMES) / 3
    assert found.short == ()
    # Nothing flips between the frames either.
    assert np.abs(np.diff(evaluate(found.curves, np.arange(1, 17.01, 0.125)))).max() < 0.1


def test_a_pose_that_stands_elsewhere_is_kept_and_said() -> None:
    rig = fk_hare()
    dip(rig)
    for frame in (1, 9, 17):
        key_legs(rig, frame)
    given = plants(rig)
    found = solve(rig, given)
    assert found.largest_miss == pytest.approx(0.24, abs=1e-5)
    assert found.at_frame == 9
    for i in range(len(found.curves.channels)):
        keys = slice(found.curves.starts[i], found.curves.starts[i + 1])
        frames = found.curves.frame[keys].tolist()
        assert {8, 9, 10} <= set(frames)
        assert len(frames) <= 9
        was = pick(read_curves(rig).curves, found.curves.channels[i])
        assert found.curves.value[keys][frames.index(9)] == was.value[1]
    write_curves(rig, found.curves)
    others = np.delete(FRAMES, 8)
    assert misses(rig, given, others).max() <= WITHIN


def test_poses_are_kept_to_the_bit_and_so_is_the_air() -> None:
    rig = fk_hare()
    set_modes(rig, "ZXY")
    dip(rig, ((1, 0), (9, -0.2), (17, 0), (24, 0.5), (30, 0), (36, -0.1), (40, 0)))
    for frame, bend in ((1, 0.0), (9, 0.2), (17, 0.0), (24, 0.15), (30, 0.0), (40, 0.0)):
        bpy.context.scene.frame_set(int(frame))
        squat(rig, bend)
        key_legs(rig, frame)
    action = read_curves(rig).curves
    assert len(action.frame) == 7 * 3 + 6 * 18
    # Into the air and in it the user's interpolation holds, in the span it is ours.
    lines = np.full(len(action.frame), Interpolation.LINEAR, np.int32)
    write_curves(rig, replace(action, interpolation=lines))
    given = [*plants(rig, 1, 17), *plants(rig, 30, 40, (30,))]
    found = solve(rig, given, moments=[1, 9, 17, 30, 36, 40])
    paths = {c.data_path for c in found.curves.channels}
    before = read_curves(rig, paths=paths).curves
    assert set(found.curves.channels) == set(before.channels)
    write_curves(rig, found.curves)
    after = read_curves(rig, paths=paths).curves
    for channel in before.channels:
        was, now = pick(before, channel), pick(after, channel)
        kept = np.isin(now.frame, was.frame)
        for name in ("frame", "value", "kind", "easing"):
            assert getattr(now, name)[kept].tobytes() == getattr(was, name).tobytes()
        # In the air nothing is touched, and no key is added.
        for c in (was, now):
            assert keys_between(c, 17.5, 29.5).frame.tolist() == [24]
        assert identical(between_keys(was, 24, 24), between_keys(now, 24, 24))
        planted = (now.frame < 17) | ((now.frame >= 30) & (now.frame < 40))
        own = np.where(planted, Interpolation.BEZIER, Interpolation.LINEAR)
        assert np.array_equal(now.interpolation, own)
        new = now.kind[~kept]
        on_moment = np.isin(now.frame[~kept], [36])
        assert (new == np.where(on_moment, Kind.KEYFRAME, Kind.BREAKDOWN)).all()
        assert on_moment.any()
        # Flat towards the air, so that nothing overshoots there.
        for frame, side in ((17, now.right), (30, now.left)):
            at = now.frame == frame
            assert side[at, 1] == now.value[at]
        air = evaluate(now, np.linspace(17, 30, 60))[0]
        keyed = now.value[(now.frame >= 17) & (now.frame <= 30)]
        assert air.max() <= keyed.max() + 2e-3 * np.ptp(keyed) + 1e-6
        assert air.min() >= keyed.min() - 2e-3 * np.ptp(keyed) - 1e-6
    assert misses(rig, given[:2]).max() <= WITHIN
    assert misses(rig, given[2:], np.arange(30, 41)).max() <= WITHIN


def pick(curves: Curves, channel: Channel) -> Curves:
    return select(curves, curves.channels.index(channel))


def between_keys(curves: Curves, first: float, last: float) -> Curves:
    return remove_keys(curves, ~keys_between(curves, first, last).mask)


def test_an_axis_along_the_bone_costs_keys_but_no_flip() -> None:
    rig = fk_hare()
    set_modes(rig, "AXIS_ANGLE")
    for side in "LR":
        for name in ("thigh", "shin", "foot"):
            rig.pose.bones[f"{name}.{side}"].rotation_axis_angle = (0, 0, 1, 0)
    dip(rig, forward=0.2)
    key_legs(rig, 1)
    given = plants(rig)
    found = solve(rig, given)
    write_curves(rig, found.curves)
    assert misses(rig, given).max() <= WITHIN
    assert (knees(rig) > 0.01).all()


def test_small_rig_under_a_turned_and_scaled_parent() -> None:
    rig, cart = fk_hare(), bpy.data.objects.new("Cart", None)
    bpy.context.scene.collection.objects.link(cart)
    cart.rotation_euler, cart.location, cart.scale = (0.4, -0.2, 2.1), (3, 4, 5), (2, 2, 2)
    rig.parent, rig.scale = cart, (0.01, 0.01, 0.01)
    rig.rotation_euler = (np.pi / 2, 0, 0.3)
    dip(rig, forward=0.2)
    key_legs(rig, 1)
    given = plants(rig)
    within = WITHIN * 0.02
    found = solve(rig, given, within=within)
    write_curves(rig, found.curves)
    assert misses(rig, given).max() <= within
    assert np.diff(found.curves.starts).max() < len(FRAMES) / 3


def test_under_a_moving_object_the_feet_stay_in_the_world() -> None:
    rig = fk_hare()
    rig.keyframe_insert("location", frame=1)
    rig.location = (0.05, -0.08, -0.1)
    rig.rotation_euler = (0, 0, 0.1)
    rig.keyframe_insert("location", frame=17)
    given = plants(rig)
    found = solve(rig, given)
    write_curves(rig, found.curves)
    assert misses(rig, given).max() <= WITHIN


@pytest.mark.parametrize("scale", [(1.15, 1.15, 0.8), (0.7, 1.2, 1.2)])
def test_under_a_squashed_body(scale: Any) -> None:
    rig = fk_hare()
    body = rig.pose.bones["body"]
    body.keyframe_insert("scale", frame=1)
    body.scale = scale
    body.keyframe_insert("scale", frame=9)
    dip(rig, ((1, 0), (9, -0.1)))
    given = plants(rig)
    found = solve(rig, given)
    write_curves(rig, found.curves)
    assert misses(rig, given)[np.r_[0:17]].max() <= found.largest_miss + 1e-6
    ankle = [
        np.linalg.norm(place(rig, "foot.L", f)[:3, 3] - given[0].held[0][1][:3, 3]) for f in FRAMES
    ]
    assert max(ankle) <= WITHIN


@pytest.mark.parametrize("inherit", ["NONE", "AVERAGE", "ALIGNED", "FIX_SHEAR", "NONE_LEGACY"])
@pytest.mark.parametrize("scale", [1.0, 1.2])
def test_bones_that_do_not_inherit_fully(inherit: str, scale: float) -> None:
    rig = fk_hare()
    for name in ("thigh.L", "shin.R", "foot.L"):
        rig.data.bones[name].inherit_scale = inherit
    rig.data.bones["shin.L"].use_inherit_rotation = False
    rig.data.bones["foot.R"].use_local_location = False
    # Under a scaled body every way to inherit scale is another.
    rig.pose.bones["body"].scale = (scale, scale, scale)
    dip(rig, ((1, 0), (9, -0.2 * scale), (17, 0)))
    given = plants(rig)
    found = solve(rig, given)
    write_curves(rig, found.curves)
    assert misses(rig, given).max() <= WITHIN


def twisted() -> Any:
    """Legs with a twist bone in the thigh, and a hock below the shin."""
    made = {
        "body": BoneSpec((0, 0, 0.5), (0, 0.3, 0.5)),
        "pelvis": BoneSpec((0, 0, 0.5), (0, 0, 0.6), "body"),
    }
    for side, x in (("L", 0.1), ("R", -0.1)):
        made |= {
            f"thigh.{side}": BoneSpec((x, 0, 0.5), (x, -0.06, 0.35), "pelvis"),
            f"roll.{side}": BoneSpec((x, -0.03, 0.42), (x, -0.06, 0.35), f"thigh.{side}"),
            f"shin.{side}": BoneSpec((x, -0.06, 0.35), (x, 0.08, 0.18), f"roll.{side}"),
            f"hock.{side}": BoneSpec((x, 0.08, 0.18), (x, 0.02, 0.05), f"shin.{side}"),
            f"foot.{side}": BoneSpec((x, 0.02, 0.05), (x, -0.1, 0.0), f"hock.{side}"),
        }
    return make_armature("Hare", made)


def test_twist_bones_ride_and_a_hock_stands() -> None:
    rig = twisted()
    legs = [
        Leg(
            foot=f"foot.{s}",
            side=s,
            thigh=f"thigh.{s}",
            shin=f"shin.{s}",
            chain=(f"thigh.{s}", f"roll.{s}", f"shin.{s}", f"hock.{s}"),
            hip=Point("Hare", f"thigh.{s}"),
            ankle=Point("Hare", f"foot.{s}"),
            ik=False,
            foot_object="Hare",
            after=f"hock.{s}",
        )
        for s in "LR"
    ]
    twist = rig.pose.bones["roll.L"]
    twist.rotation_quaternion = Quaternion((0, 1, 0), 0.3)
    dip(rig, ((1, 0), (9, -0.12), (17, 0)))
    given = plants(rig, legs=legs)
    assert given[0].sole.bone == "hock.L"
    found = solve(rig, given)
    write_curves(rig, found.curves)
    named = {c.data_path.split('"')[1] for c in found.curves.channels}
    assert named == {f"{n}.{s}" for n in ("thigh", "shin", "hock") for s in "LR"}
    assert misses(rig, given).max() <= WITHIN


def test_machinery_between_shin_and_foot_rides_on_the_shin() -> None:
    rig = rigs.build("generated human, legs on FK")
    assert rig.pose.bones["foot_fk.L"].parent.name != "shin_fk.L"
    torso = rig.pose.bones["torso"]
    for frame, height in ((1, 0.0), (9, -0.3), (17, 0.0)):
        torso.location = (0, 0, height)
        torso.keyframe_insert("location", frame=frame)
    legs = find_controls(rig).legs
    assert [bones(leg) for leg in legs] == [
        [f"thigh_fk.{s}", f"shin_fk.{s}", f"foot_fk.{s}"] for s in "LR"
    ]
    given = plants(rig, legs=legs)
    found = solve(rig, given)
    write_curves(rig, found.curves)
    assert misses(rig, given).max() <= WITHIN
    assert np.diff(found.curves.starts).max() < len(FRAMES) / 3


def test_a_leg_that_ends_with_its_shin_keeps_its_end_in_place() -> None:
    made = {
        "body": BoneSpec((0, 0, 0.5), (0, 0.3, 0.5)),
        "thigh.L": BoneSpec((0.1, 0, 0.5), (0.1, -0.06, 0.3), "body"),
        "shin.L": BoneSpec((0.1, -0.06, 0.3), (0.1, 0, 0.1), "thigh.L"),
    }
    rig = make_armature("Hare", made)
    hip, end = Point("Hare", "thigh.L"), Point("Hare", "shin.L", (0, made_length(rig), 0))
    leg = Leg("shin.L", "L", "thigh.L", "shin.L", ("thigh.L", "shin.L"), hip, end, False, "Hare")
    dip(rig, forward=0.3)
    plant = Plant(leg, 1, 17, ((1.0, place(rig, "shin.L", 1)),), end)
    found = solve(rig, [plant])
    named = {c.data_path.split('"')[1] for c in found.curves.channels}
    assert named == {"thigh.L", "shin.L"}
    write_curves(rig, found.curves)
    assert misses(rig, [plant]).max() <= WITHIN


def made_length(rig: Any) -> float:
    return float(rig.data.bones["shin.L"].length)


def test_inside_a_rehearsal_the_planned_body_counts() -> None:
    rig = fk_hare()
    dip(rig, ((1, 0), (17, 0)))
    key_legs(rig, 1)
    before, given = read_curves(rig).curves, plants(rig)
    body = [i for i, c in enumerate(before.channels) if c.data_path.endswith("location")]
    planned = select(before, [i for i in body if before.channels[i].index == 2])
    low = Curves.checked(planned.channels, [0, 1], [9], [-0.2])
    with rehearsal([(rig, merge(planned, low, replace=True).curves)]) as played:
        found = solve(rig, given)
        played.write(rig, found.curves)
        missed = misses(rig, given)
        assert missed.max() <= WITHIN
        assert found.largest_miss <= WITHIN
        assert (knees(rig, [9]) > 0.1).all()
    assert identical(read_curves(rig).curves, before)
    assert len(bpy.data.actions) == 1


def test_what_the_chain_does_not_foresee_is_keyed_after_a_look(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rig = fk_hare()
    dip(rig)
    foreseen = PosedLimb.miss
    monkeypatch.setattr(PosedLimb, "miss", lambda self, values: foreseen(self, values) / 3)
    given = plants(rig)
    found = solve(rig, given)
    write_curves(rig, found.curves)
    assert found.largest_miss <= WITHIN
    assert misses(rig, given).max() <= WITHIN


def test_long_spans_under_a_restless_body() -> None:
    rig = fk_hare()
    rng = np.random.default_rng(1)
    heights = -0.12 + 0.1 * np.sin(np.arange(0, 121, 6) * 0.4) + rng.normal(0, 0.01, 21)
    heights[0] = 0.0
    dip(rig, tuple(zip(range(1, 122, 6), heights.tolist(), strict=True)), forward=0.4)
    given = plants(rig, last=121)
    found = solve(rig, given)
    write_curves(rig, found.curves)
    assert misses(rig, given, np.arange(1, 122)).max() <= WITHIN
    assert np.diff(found.curves.starts).max() < 121 / 3


def test_feet_go_from_one_held_place_to_the_next() -> None:
    rig = fk_hare()
    dip(rig)
    key_legs(rig, 1)
    bpy.context.scene.frame_set(17)
    for side in "LR":
        rig.pose.bones[f"thigh.{side}"].rotation_quaternion = Quaternion((1, 0, 0), -0.25)
        rig.pose.bones[f"foot.{side}"].rotation_quaternion = Quaternion((1, 0, 0), 0.4)
    key_legs(rig, 17)
    given = plants(rig, at=(1, 17))
    found = solve(rig, given)
    write_curves(rig, found.curves)
    u = (FRAMES - 1) / 16
    u = u * u * (3 - 2 * u)
    for plant in given:
        (_, a), (_, b) = plant.held
        sole = np.array([*plant.sole.offset, 1.0])
        for frame, part in zip(FRAMES, u, strict=True):
            turn = (
                Matrix(a.tolist()).to_quaternion().slerp(Matrix(b.tolist()).to_quaternion(), part)
            )
            wanted = np.array(turn.to_matrix()) @ sole[:3] + (1 - part) * a[:3, 3] + part * b[:3, 3]
            now = (place(rig, plant.sole.bone, frame) @ sole)[:3]
            assert np.linalg.norm(now - wanted) <= WITHIN
    assert found.largest_miss <= WITHIN


def test_straight_legs_bend_to_the_toes() -> None:
    rig = fk_hare()
    bpy.ops.object.mode_set(mode="EDIT")
    for side in "LR":
        for name, end in (("thigh", "tail"), ("shin", "head")):
            bone = rig.data.edit_bones[f"{name}.{side}"]
            setattr(bone, end, (bone.head[0], 0, 0.3))
    bpy.ops.object.mode_set(mode="OBJECT")
    dip(rig)
    given = plants(rig)
    found = solve(rig, given)
    write_curves(rig, found.curves)
    assert misses(rig, given).max() <= WITHIN
    assert (knees(rig, FRAMES[3:-3]) > 0.01).all()


@pytest.mark.parametrize("mode", ["QUATERNION", "XYZ", "AXIS_ANGLE"])
def test_stepped_keys_are_on_the_moments_alone_and_held(mode: str) -> None:
    rig = fk_hare()
    set_modes(rig, mode)
    dip(rig, forward=0.2)
    key_legs(rig, 1)
    for curve in host.fcurves_of(rig):
        curve.keyframe_points.foreach_set("interpolation", [0] * len(curve.keyframe_points))
        curve.update()
    given = plants(rig)
    found = solve(rig, given, moments=[1, 5, 9, 30], stepped=True)
    for i in range(len(found.curves.channels)):
        keys = slice(found.curves.starts[i], found.curves.starts[i + 1])
        assert found.curves.frame[keys].tolist() == [1, 5, 9]
        assert (found.curves.interpolation[keys] == Interpolation.CONSTANT).all()
    write_curves(rig, found.curves)
    assert misses(rig, given, [1, 5, 9]).max() < 1e-5
    assert found.largest_miss < 1e-5


def test_legs_that_do_not_reach_are_said_and_stretched_out() -> None:
    rig = fk_hare()
    dip(rig, ((1, 0), (9, 0.1), (17, 0)))
    given = plants(rig)
    found = solve(rig, given)
    write_curves(rig, found.curves)
    reach = 2 * np.hypot(0.2, 0.06)
    hip = np.array([0, 0, 0.6])
    wanted = np.linalg.norm(hip - [0, 0, 0.1]) - reach
    assert [name for name, _, _ in found.short] == ["left leg", "right leg"]
    for _, frame, missing in found.short:
        assert frame == 9
        assert missing == pytest.approx(wanted, abs=1e-5)
    assert found.at_frame == 9
    assert found.largest_miss == pytest.approx(wanted, abs=1e-3)
    bent = [m for m, f in zip(misses(rig, given[:1]), FRAMES, strict=True) if f in (1, 2, 16, 17)]
    assert max(bent) <= WITHIN


def test_poses_in_the_air_keep_channels_that_had_no_keys() -> None:
    rig = fk_hare()
    set_modes(rig, "XYZ")
    dip(rig, ((1, 0), (9, -0.2), (17, 0), (24, 0.4)))
    foot = rig.pose.bones["foot.L"]
    foot.rotation_euler = Euler((0.3, 0.2, 0.1))
    for frame in (17, 24):
        for name in ("thigh.L", "shin.L"):
            rig.pose.bones[name].keyframe_insert("rotation_euler", frame=frame)
    was = place(rig, "foot.L", 24)
    given = plants(rig, last=15)
    found = solve(rig, given)
    write_curves(rig, found.curves)
    assert misses(rig, given, FRAMES[:15]).max() <= WITHIN
    assert np.abs(place(rig, "foot.L", 24) - was).max() < 1e-6


def test_spans_that_meet_share_a_key() -> None:
    rig = fk_hare()
    dip(rig)
    given = [*plants(rig, 1, 9), *plants(rig, 9, 17)]
    found = solve(rig, given, moments=[9])
    write_curves(rig, found.curves)
    assert misses(rig, given[:2]).max() <= WITHIN
    for i in range(len(found.curves.channels)):
        frame = found.curves.frame[found.curves.starts[i] : found.curves.starts[i + 1]]
        assert np.count_nonzero(frame == 9) == 1


def test_one_frame_and_keys_between_frames() -> None:
    rig = fk_hare()
    dip(rig)
    key_legs(rig, 6.25)
    key_legs(rig, 12.005)
    given = [*plants(rig, 3, 14), *plants(rig, 17, 17)]
    assert len(given) == 4
    found = solve(rig, given, moments=[17])
    frames = np.unique(found.curves.frame)
    assert {6.25, np.float32(12.005), 17} <= set(frames.tolist())
    assert 12 not in frames
    write_curves(rig, found.curves)
    assert misses(rig, given[2:], [17]).max() < 1e-5


def test_signs_of_keys_that_jump_make_no_flip_on_any_frame() -> None:
    rig = fk_hare()
    dip(rig)
    key_legs(rig, 1)
    for side in "LR":
        for name in ("thigh", "shin"):
            bone = rig.pose.bones[f"{name}.{side}"]
            bone.rotation_quaternion = -1.3 * bone.rotation_quaternion
    key_legs(rig, 17)
    given = plants(rig)
    found = solve(rig, given)
    write_curves(rig, found.curves)
    assert misses(rig, given).max() <= WITHIN
    assert (knees(rig) > 0.01).all()


def test_a_leg_without_plants_and_wrong_plants() -> None:
    rig = fk_hare()
    assert solve(rig, []).curves.channels == ()
    good = plants(rig)
    for wrong, said in (
        ({"last": 0.0}, "end after"),
        ({"held": ()}, "held"),
        ({"leg": replace(good[0].leg, ik=True)}, "FK"),
    ):
        with pytest.raises(InputError, match=said):
            solve(rig, [replace(good[0], **wrong)])
    with pytest.raises(InputError, match="overlap"):
        solve(rig, [*good, replace(good[0], first=16, last=20)])
    with pytest.raises(InputError, match="within"):
        solve(rig, good, within=0)


# --- Rotations ---------------------------------------------------------------------------------


@pytest.mark.parametrize("mode", MODES)
def test_rotation_channels_are_read_as_the_host_reads_them(mode: str) -> None:
    rig = fk_hare()
    bone = rig.pose.bones["thigh.L"]
    bone.rotation_mode = mode
    turn = turn_of(bone)
    rng = np.random.default_rng(3)
    values = rng.normal(0, 1.5, (20, len(turn.channels)))
    for row, matrix in zip(values, turn.matrices(values), strict=True):
        setattr(bone, rotation(bone), row.tolist())
        assert np.abs(np.array(bone.matrix_basis)[:3, :3] - matrix).max() < 2e-6
    # And back, as one run without a jump from the first row.
    path = np.cumsum(rng.normal(0, 0.1, (60, len(turn.channels))), axis=0) + values[0]
    given = np.full_like(path, np.nan)
    given[30] = path[30]
    back = turn.values(turn.matrices(path), given, near=path[0])
    assert np.array_equal(back[30], path[30])
    assert np.abs(turn.matrices(back) - turn.matrices(path)).max() < 1e-6
    assert not turn.jumps(back).any()
    alone = turn.values(turn.matrices(path), np.full_like(path, np.nan), near=path[0])
    assert np.abs(turn.matrices(alone) - turn.matrices(path)).max() < 1e-6
    if mode not in ("QUATERNION", "AXIS_ANGLE"):
        assert np.abs(alone[0] - path[0]).max() < 1e-5


def test_between_held_places() -> None:
    a, b = Matrix.Translation((1, 2, 3)), Matrix.Rotation(1.0, 4, "X") @ Matrix.Scale(2, 4)
    at = np.array([4.0, 8.0])
    got = between(at, np.array([a, b]), np.array([0.0, 4.0, 5.0, 6.0, 8.0, 9.0]))
    assert np.array_equal(got[0], np.array(a))
    assert np.array_equal(got[[4, 5]], np.array([b, b]))
    middle = Matrix.Translation((0.5, 1, 1.5)) @ Matrix.Rotation(0.5, 4, "X") @ Matrix.Scale(1.5, 4)
    assert np.abs(got[3] - np.array(middle)).max() < 1e-6
    assert got[2][:3, 3] == pytest.approx(np.array([1, 2, 3]) * (1 - 0.15625))
