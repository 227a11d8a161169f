# SPDX-License-Identifier: GPL-3.0-or-later
"""Blocking a jump: poses unmoved, the COG on the plan at every frame, nothing else touched."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import human, simple_hare
from leapwright import ClashError, HostError, InputError, KeysInTheWayError
from leapwright.curves import Interpolation, Kind, channel, identical, select
from leapwright.playback import evaluate
from leapwright_blender import rig_of
from leapwright_blender.read import read_curves
from leapwright_blender.sample import sample
from leapwright_blender.space import Control

NEAR = 2e-5
SAMPLES = Path(__file__).parents[2] / "blend_samples"


@pytest.fixture(autouse=True)
def _empty() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = 24


def key_pose(
    rig: Any, frame: int, lifts: Mapping[str, tuple[float, float, float]], **others: float
) -> None:
    """Key the location of some bones, and the rotation of an ear and of a hand."""
    for bone, place in lifts.items():
        rig.pose.bones[bone].location = place
        rig.pose.bones[bone].keyframe_insert("location", frame=frame)
    rig.pose.bones["ear.L"].rotation_quaternion = (1.0, 0.1 * frame, 0.0, 0.0)
    rig.pose.bones["ear.L"].keyframe_insert("rotation_quaternion", frame=frame)
    hand = rig.pose.bones["hand.R"]
    hand.rotation_mode = "XYZ"
    hand.rotation_euler = (0.2 * frame, 0.0, -0.1 * frame)
    hand.keyframe_insert("rotation_euler", frame=frame)
    rig["flap"] = 0.25 * frame
    rig.keyframe_insert('["flap"]', frame=frame)


def cog(rig: Any, frames: Any, bone: str = "body") -> Any:
    """Where the COG control is, by the host alone: stepping the user's own scene."""
    scene, places = bpy.context.scene, []
    for frame in frames:
        scene.frame_set(int(frame))
        places.append(np.array(rig.matrix_world @ rig.pose.bones[bone].head))
    return np.array(places)


def posed_hare(push: float = 0.36) -> Any:
    """The hare with start, crouch, take-off and land: 0.1 lower over the feet, on a crate of 0.1,
    1.5 m on."""
    rig = simple_hare()
    # Bone `body` lies along Y, so its own axes are the world's.
    key_pose(rig, 1, {"body": (0, 0, 0), "root": (0, 0, 0)})
    key_pose(rig, 2, {"body": (0, 0, -0.2), "root": (0, 0, 0)})
    key_pose(rig, 3, {"body": (0, 0, push - 0.2), "root": (0, 0, 0)})
    key_pose(rig, 4, {"body": (0, 0, push - 0.3), "root": (0, -1.5, 0.1)})
    return rig


POSES = {"start": 1, "crouch": 2, "takeoff": 3, "land": 4}


def pose_values(rig: Any, frame: int) -> dict[str, Any]:
    curves = read_curves(rig).curves
    values = evaluate(curves, [frame])[:, 0]
    return {f"{c.data_path}[{c.index}]": v for c, v in zip(curves.channels, values, strict=True)}


def test_poses_go_to_their_frames_unmoved_and_the_cog_follows_the_plan() -> None:
    rig = posed_hare()
    before = {moment: pose_values(rig, frame) for moment, frame in POSES.items()}
    result = rig_of(rig, bpy.context.scene).block(poses=POSES, rise_frames=12)
    jump, m = result.jump, result.jump.moments
    assert jump.frames.push == 4
    assert result.measured is not None
    assert result.measured.posed_values_changed == ()
    assert result.measured.largest_distance_m < NEAR
    for moment, old in before.items():
        now = pose_values(rig, int(getattr(m, moment)))
        for name, value in old.items():
            assert now[name] == pytest.approx(value, abs=1e-6), (moment, name)
    frames = np.arange(m.crouch, m.land + 1)
    height = cog(rig, frames)[:, 2]
    # p [(3 - 2ρ) u² + (2ρ - 2) u³] of the design, worked out by hand for 0.360 m and 12 frames.
    above = height[:5] - height[0]
    assert above == pytest.approx([0, 0.0179, 0.0778, 0.1888, 0.36], abs=6e-5)
    air = cog(rig, np.arange(m.takeoff, m.land + 1))
    second = np.diff(air, n=2, axis=0)
    assert second[:, 2] == pytest.approx(-9.80665 / 24**2, abs=4 * NEAR)
    assert np.abs(second[:, :2]).max() < 4 * NEAR
    # No step in speed at take-off: one-sided speeds from finely sampled places.
    t = float(m.takeoff)
    fine = sample(
        rig,
        [t - 0.02, t - 0.01, t, t + 0.01, t + 0.02],
        [Control("Hare", "body")],
        scene=bpy.context.scene,
    ).positions[0][:, 2]
    before_it, after_it = (
        (3 * fine[2] - 4 * fine[1] + fine[0]),
        (-3 * fine[2] + 4 * fine[3] - fine[4]),
    )
    assert before_it / 0.02 * 24 == pytest.approx(after_it / 0.02 * 24, abs=0.02)


@pytest.mark.parametrize("air", ["root", "feet"])
@pytest.mark.parametrize("seed", range(4))
def test_keys_alone_reproduce_the_plan(air: str, seed: int) -> None:
    """Frames up to 5,000, jumps to 10 m, a turned and scaled rig, odd frame rates and units."""
    random = np.random.default_rng(seed)
    scene = bpy.context.scene
    scene.render.fps, scene.render.fps_base = int(random.choice([24, 25, 30, 60])), 1.0
    scene.unit_settings.scale_length = float(random.choice([1.0, 0.5]))
    metres = scene.unit_settings.scale_length
    scene.gravity = (0, 0, -9.80665 / metres)
    rig = simple_hare()
    rig.rotation_euler = (0, 0, random.uniform(0, 6))
    rig.scale = (1.5, 1.5, 1.5)
    bpy.context.view_layer.update()
    result = rig_of(rig, scene).block(
        jump_height=random.uniform(0.5, 10),
        push_height=random.uniform(0.2, 0.5),
        travel=random.uniform(-3, 3),
        heading=random.uniform(0, 360),
        landing_level=random.uniform(-0.4, 0.4),
        air=air,
        pins={"takeoff": int(random.integers(100, 4900))},
    )
    m = result.jump.moments
    frames = np.arange(m.start, m.end + 1)
    places = cog(rig, frames) * metres
    takeoff = places[int(m.takeoff - m.start)]
    planned = result.jump.cog(frames).position + takeoff
    assert np.abs(places - planned).max() < NEAR
    assert result.measured is not None
    assert result.measured.largest_distance_m < NEAR


@pytest.mark.parametrize("air", ["root", "feet"])
def test_feet_are_planted_until_take_off_and_from_land(air: str) -> None:
    rig = simple_hare()
    result = rig_of(rig, bpy.context.scene).block(
        jump_height=0.5, push_height=0.2, foot_travel=1.2, air=air
    )
    m = result.jump.moments
    for paw in ("paw.L", "paw.R"):
        before = cog(rig, np.arange(m.start, m.takeoff + 1), paw)
        after = cog(rig, np.arange(m.land, m.end + 1), paw)
        assert np.ptp(before, axis=0).max() < 1e-6
        assert np.ptp(after, axis=0).max() < 1e-6
        assert np.linalg.norm((after[0] - before[0])[:2]) == pytest.approx(1.2, abs=1e-5)
        top = cog(rig, [m.apex], paw)[0]
        assert top[2] - before[0][2] == pytest.approx(result.jump.jump_height, abs=1e-3)


def test_the_generated_human() -> None:
    rig = human()
    scene = bpy.context.scene
    scene.render.fps = 24
    torso = rig.pose.bones["torso"]
    for frame, (lift, lean) in {1: (-0.3, 0.6), 2: (0.06, -0.1)}.items():
        torso.location[2] = lift
        torso.rotation_mode = "XYZ"
        torso.rotation_euler[0] = lean
        torso.keyframe_insert("location", frame=frame)
        torso.keyframe_insert("rotation_euler", frame=frame)
    result = rig_of(rig, scene).block(
        poses={"crouch": 1, "takeoff": 2}, jump_height=0.8, travel=1.0, landing_level=0.3
    )
    assert result.air == "root"
    assert result.jump.push_height == pytest.approx(0.36, abs=1e-6)
    m = result.jump.moments
    frames = np.arange(m.start, m.end + 1)
    places = cog(rig, frames, "torso")
    planned = result.jump.cog(frames).position + places[int(m.takeoff - m.start)]
    assert np.abs(places[:, 2] - planned[:, 2])[int(m.crouch - m.start) :].max() < NEAR
    assert result.measured is not None
    assert result.measured.largest_distance_m < NEAR
    keyed = {k.channel.split('"')[1] for k in result.keyed}
    assert keyed == {"torso", "root"}


def test_a_master_scale_changes_nothing_and_gets_no_key() -> None:
    """The same jump in world size on a rig whose root is scaled by two."""
    results = []
    for scale in (1.0, 2.0):
        bpy.ops.wm.read_homefile(use_empty=True)
        bpy.context.scene.render.fps = 24
        rig = simple_hare()
        rig.pose.bones["root"].scale = (scale,) * 3
        for frame, lift in ((1, -0.34), (2, 0.0)):
            rig.pose.bones["body"].location = (0, 0, lift / scale)
            rig.pose.bones["body"].keyframe_insert("location", frame=frame)
        result = rig_of(rig, bpy.context.scene).block(
            poses={"crouch": 1, "takeoff": 2}, jump_height=0.85, landing_level=0.434
        )
        assert result.measured is not None
        assert result.measured.largest_distance_m < NEAR
        assert not [k for k in result.keyed if "scale" in k.channel]
        f = result.jump.frames
        results.append((f.push, f.rise, f.fall))
    assert results == [(4, 10, 7)] * 2


def test_crate_below_the_feet_of_a_lower_land_pose() -> None:
    """Crate 0.600 m; COG over the soles 1.000 m at take-off and 0.834 m at land."""
    rig = simple_hare()
    rig.location = (0, 0, 0)
    for frame, root, body in ((1, 0.0, 0.16), (2, 0.0, 0.5), (3, 0.6, 0.334)):
        rig.pose.bones["root"].location = (0, 0, root)
        rig.pose.bones["root"].keyframe_insert("location", frame=frame)
        rig.pose.bones["body"].location = (0, 0, body)
        rig.pose.bones["body"].keyframe_insert("location", frame=frame)
    result = rig_of(rig, bpy.context.scene).block(
        poses={"crouch": 1, "takeoff": 2, "land": 3}, jump_height=0.85
    )
    assert result.jump.landing_level == pytest.approx(0.434, abs=1e-6)
    f = result.jump.frames
    assert (f.push, f.rise, f.fall) == (4, 10, 7)


def test_keys_in_the_way_are_listed_replaced_or_pushed_back() -> None:
    def shot() -> Any:
        bpy.ops.wm.read_homefile(use_empty=True)
        bpy.context.scene.render.fps = 24
        rig = posed_hare()
        key_pose(rig, 20, {"body": (0, 0, 0.1)})
        key_pose(rig, 300, {"body": (0, 0, 0.0)})
        return rig

    rig = shot()
    before = read_curves(rig).curves
    with pytest.raises(KeysInTheWayError) as info:
        rig_of(rig, bpy.context.scene).block(poses=POSES, rise_frames=12)
    assert {frame for _, frame in info.value.keys} == {20.0}
    assert identical(read_curves(rig).curves, before)
    assert rig.get("leapwright") is None
    assert not bpy.context.scene.timeline_markers
    result = rig_of(rig, bpy.context.scene).block(poses=POSES, rise_frames=12, replace=True)
    assert sum(k.replaced for k in result.keyed) == len(info.value.keys)
    assert 20.0 not in set(read_curves(rig).curves.frame.tolist()) - set(result.moments.values())

    rig = shot()
    result = rig_of(rig, bpy.context.scene).block(poses=POSES, rise_frames=12, after="shift")
    pushed = result.moments["end"] - 4
    body = read_curves(rig, paths={'pose.bones["body"].location'}).curves
    assert {20 + pushed, 300 + pushed} <= set(body.frame.tolist())
    assert result.measured is not None
    assert result.measured.largest_distance_m < NEAR


def test_a_dry_run_says_the_same_and_touches_nothing() -> None:
    rig = posed_hare()
    before = read_curves(rig).curves
    frame = bpy.context.scene.frame_current
    dry = rig_of(rig, bpy.context.scene).block(poses=POSES, rise_frames=12, dry_run=True)
    assert dry.measured is None
    assert identical(read_curves(rig).curves, before)
    assert bpy.context.scene.frame_current == frame
    assert rig.get("leapwright") is None
    assert not bpy.context.scene.timeline_markers
    wet = rig_of(rig, bpy.context.scene).block(poses=POSES, rise_frames=12)
    assert wet.keyed == dry.keyed
    assert wet.jump == dry.jump


def test_channels_that_are_not_named_keep_every_byte() -> None:
    rig = posed_hare()
    tail = rig.pose.bones["head"]
    for frame in (50, 61, 70):
        tail.rotation_quaternion = (1.0, 0.0, 0.01 * frame, 0.0)
        tail.keyframe_insert("rotation_quaternion", frame=frame)

    def head() -> Any:
        curves = read_curves(rig).curves
        return select(curves, [i for i, c in enumerate(curves.channels) if '"head"' in c.data_path])

    before = head()
    rig_of(rig, bpy.context.scene).block(poses=POSES, rise_frames=12)
    assert identical(head(), before)


def test_kinds_stepped_hold_pairs_and_markers() -> None:
    rig = posed_hare()
    scene = bpy.context.scene
    scene.timeline_markers.new("drum", frame=17)
    result = rig_of(rig, scene).block(
        poses=POSES, rise_frames=12, stepped=True, crouch_hold_frames=5
    )
    m = result.jump.moments
    curves = read_curves(rig).curves
    home = curves.channel_of_key()
    assert (curves.interpolation == Interpolation.CONSTANT).all()
    body = channel(
        curves,
        next(i for i, c in enumerate(curves.channels) if '"body"' in c.data_path and c.index == 2),
    )
    kinds = dict(zip(body.frame.tolist(), body.kind.tolist(), strict=True))
    assert kinds[float(m.crouch - 5)] == Kind.MOVING_HOLD
    assert kinds[float(result.moments["apex"])] == Kind.EXTREME
    assert kinds[float(m.takeoff)] == Kind.KEYFRAME
    ear = [i for i, c in enumerate(curves.channels) if "ear.L" in c.data_path]
    for i in ear:
        frames = curves.frame[home == i].tolist()
        assert float(m.crouch - 5) in frames
        assert float(m.crouch) in frames
    names = {marker.name: marker.frame for marker in scene.timeline_markers}
    assert names.pop("drum") == 17
    assert set(names.values()) == {int(f) for f in result.moments.values()}


def test_breakdowns_ride_inside_their_phase() -> None:
    rig = simple_hare()
    for frame, lift in ((1, -0.2), (5, 0.1), (13, 0.0)):
        key_pose(rig, frame, {"body": (0, 0, lift)})
    ear = rig.pose.bones["ear.R"]
    for frame in (1, 5, 9, 13):
        ear.rotation_quaternion = (1.0, 0.0, 0.1 * frame, 0.0)
        ear.keyframe_insert("rotation_quaternion", frame=frame)
    result = rig_of(rig, bpy.context.scene).block(
        poses={"crouch": 1, "takeoff": 5, "land": 13}, rise_frames=10
    )
    m = result.jump.moments
    curves = read_curves(rig, paths={'pose.bones["ear.R"].rotation_quaternion'}).curves
    half = (m.takeoff + m.land) // 2
    assert channel(curves, 2).frame.tolist() == [m.crouch, m.takeoff, half, m.land]
    assert channel(curves, 2).value.tolist() == pytest.approx([0.1, 0.5, 0.9, 1.3])


def test_objects_without_bones() -> None:
    ball = bpy.data.objects.new("Ball", None)
    bpy.context.scene.collection.objects.link(ball)
    ball.location = (1, 2, 0.5)
    bpy.context.view_layer.update()
    result = rig_of(ball, bpy.context.scene).block(jump_height=1.0, push_height=0.2, travel=2.0)
    assert result.measured is not None
    assert result.measured.largest_distance_m < NEAR
    curves = read_curves(ball).curves
    assert {c.data_path for c in curves.channels} == {"location"}


def test_what_contradicts_the_poses_is_refused() -> None:
    rig = rig_of(posed_hare(), bpy.context.scene)
    with pytest.raises(ClashError, match="landing_level"):
        rig.block(poses=POSES, rise_frames=12, landing_level=0.3)
    with pytest.raises(ClashError, match="push_height"):
        rig.block(poses=POSES, rise_frames=12, push_height=0.3)
    with pytest.raises(ClashError, match="keep=gravity"):
        rig.block(poses=POSES, rise_frames=12, keep="gravity")
    with pytest.raises(ClashError, match="follow each other"):
        rig.block(poses={"crouch": 3, "takeoff": 2}, rise_frames=12)
    with pytest.raises(InputError, match="higher at take-off"):
        rig.block(poses={"crouch": 3, "takeoff": 4}, rise_frames=12)


def test_too_much_leg_is_said() -> None:
    rig = simple_hare()
    for frame, lift in ((1, -0.2), (2, 0.3)):
        rig.pose.bones["body"].location = (0, 0, lift)
        rig.pose.bones["body"].keyframe_insert("location", frame=frame)
    result = rig_of(rig, bpy.context.scene).block(
        poses={"crouch": 1, "takeoff": 2}, jump_height=0.5
    )
    # Thigh and shin are 2 × hypot(0.06, 0.2) long, hip to ankle 0.4 + 0.3 m at take-off.
    missing = 0.7 - 2 * np.hypot(0.06, 0.2)
    assert any(
        text.startswith(f"take-off asks for {missing * 100:.1f} cm more leg")
        for text in result.warnings
    ), result.warnings


def test_the_hare_sample_with_all_seven_poses() -> None:
    bpy.ops.wm.open_mainfile(filepath=str(SAMPLES / "hare_market.blend"), load_ui=False)
    rig = bpy.data.objects["Hare"]
    poses = {
        m: i for i, m in enumerate(("start", "crouch", "takeoff", "apex", "land", "low", "end"), 1)
    }
    result = rig_of(rig, bpy.context.scene).block(poses=poses, jump_height=0.85)
    measured = result.measured
    assert measured is not None
    assert measured.largest_distance_m < NEAR
    # Only the root in the air gives: the apex pose was a guess, the arc is not.
    assert {(c.channel.split('"')[1], c.moment) for c in measured.posed_values_changed} <= {
        ("root", "apex")
    }


def test_a_crouch_alone_is_pushed_off_from() -> None:
    rig = simple_hare()
    rig.pose.bones["body"].location = (0, 0, -0.25)
    rig.pose.bones["body"].keyframe_insert("location", frame=1)
    result = rig_of(rig, bpy.context.scene).block(
        poses={"crouch": 1}, jump_height=0.6, push_height=0.3
    )
    m = result.jump.moments
    height = cog(rig, [m.crouch, m.takeoff])[:, 2]
    assert height[0] == pytest.approx(0.25, abs=1e-6)
    assert height[1] - height[0] == pytest.approx(result.jump.push_height, abs=1e-6)


def test_locked_channels_and_a_missing_root_are_refused() -> None:
    rig = posed_hare()
    before = read_curves(rig).curves
    from leapwright_blender import host

    fcurve = next(c for c in host.fcurves_of(rig) if "ear.L" in c.data_path)
    fcurve.lock = True
    with pytest.raises(HostError, match="locked channels"):
        rig_of(rig, bpy.context.scene).block(poses=POSES, rise_frames=12)
    assert identical(read_curves(rig).curves, before)
    bpy.ops.wm.read_homefile(use_empty=True)
    rig = simple_hare(root=False)
    with pytest.raises(ClashError, match="air=root needs a root"):
        rig_of(rig, bpy.context.scene).block(jump_height=0.5, push_height=0.2, air="root")


@pytest.mark.parametrize("air", ["root", "feet"])
def test_the_generated_human_far_and_high(air: str) -> None:
    """Ten metres, near frame 5,000, without poses."""
    rig = human()
    bpy.context.scene.render.fps = 24
    result = rig_of(rig, bpy.context.scene).block(
        jump_height=10, push_height=0.4, travel=4, air=air, pins={"takeoff": 4900}
    )
    m = result.jump.moments
    frames = np.arange(m.start, m.end + 1)
    places = cog(rig, frames, "torso")
    planned = result.jump.cog(frames).position + places[int(m.takeoff - m.start)]
    assert np.abs(places - planned).max() < NEAR


def test_twos_keep_every_key_on_the_grid() -> None:
    rig = posed_hare()
    result = rig_of(rig, bpy.context.scene).block(
        poses=POSES, rise_frames=12, twos=True, shot_start=1001, pins={"takeoff": 1025}
    )
    frames = read_curves(rig).curves.frame
    assert ((frames - 1001) % 2 == 0).all()
    assert result.moments["takeoff"] == 1025


def test_sideways_gravity() -> None:
    """Up is against gravity, wherever that points."""
    scene = bpy.context.scene
    scene.gravity = (0.0, 9.80665, 0.0)
    rig = simple_hare()
    result = rig_of(rig, scene).block(jump_height=0.6, push_height=0.2, pins={"takeoff": 20})
    m = result.jump.moments
    places = cog(rig, np.arange(m.takeoff, m.land + 1))
    assert np.diff(places, n=2, axis=0)[:, 1] == pytest.approx(9.80665 / 24**2, abs=4 * NEAR)
    assert np.ptp(places[:, [0, 2]], axis=0).max() < NEAR


def test_gravity_is_standard_unless_the_scenes_is_asked_for() -> None:
    scene = bpy.context.scene
    scene.gravity = (0, 0, -3.7)
    rig = rig_of(simple_hare(), scene)
    usual = rig.block(jump_height=0.5, push_height=0.2, dry_run=True)
    asked = rig.block(jump_height=0.5, push_height=0.2, gravity="scene", dry_run=True)
    assert usual.jump.gravity == 9.80665
    assert asked.jump.gravity == pytest.approx(3.7, rel=1e-6)


def test_a_root_that_turns_in_the_air_gets_few_extra_keys_that_hold_the_cog() -> None:
    """Between the keys of a turning root the COG control would leave the arc."""
    rig = simple_hare()
    for frame, lift, turn, way in ((1, -0.2, 0.0, 0.0), (2, 0.1, 0.0, 0.0), (3, 0.0, 1.0, -1.2)):
        key_pose(rig, frame, {"body": (0.05, 0.02, lift), "root": (0, way, 0)})
        rig.pose.bones["root"].rotation_mode = "XYZ"
        rig.pose.bones["root"].rotation_euler = (0, 0, turn)
        rig.pose.bones["root"].keyframe_insert("rotation_euler", frame=frame)
    poses = {"crouch": 1, "takeoff": 2, "land": 3}
    result = rig_of(rig, bpy.context.scene).block(poses=poses, jump_height=0.8)
    m = result.jump.moments
    frames = np.arange(m.takeoff, m.land + 1)
    places = cog(rig, frames)
    planned = result.jump.cog(frames).position + places[0]
    assert result.measured is not None
    away = np.linalg.norm(places - planned, axis=1)
    assert result.measured.largest_distance_m == pytest.approx(away.max(), abs=NEAR)
    assert away[-1] < NEAR
    assert away.max() < 1e-3
    curves = read_curves(rig).curves
    body = [i for i, c in enumerate(curves.channels) if '"body"' in c.data_path]
    inner = [f for f in channel(curves, body[0]).frame if m.takeoff < f < m.land]
    assert 1 <= len(inner) < (m.land - m.takeoff) / 4


def test_stepped_is_measured_on_the_moments_whatever_comes_later() -> None:
    rig = posed_hare()
    key_pose(rig, 300, {"body": (0, 0, 0.0)})
    result = rig_of(rig, bpy.context.scene).block(poses=POSES, rise_frames=12, stepped=True)
    assert result.measured is not None
    assert result.measured.largest_distance_m < NEAR
    assert not [text for text in result.warnings if "off the plan" in text]
