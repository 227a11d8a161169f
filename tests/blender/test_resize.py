# SPDX-License-Identifier: GPL-3.0-or-later
"""A jump made higher or farther: gravity and poses stay, the COG is on the one arc again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import KINDS, build, fk_hare, simple_hare
from leapwright import ClashError, HostError, InputError, NotFoundError
from leapwright.curves import channel, identical
from leapwright.fingerprint import changed_keys
from leapwright_blender import rig_of, sample
from leapwright_blender.ground import ground_of
from leapwright_blender.markers import own_markers
from leapwright_blender.poses import measured_at
from leapwright_blender.read import read_curves

MARKET = Path(__file__).parents[2] / "blend_samples" / "hare_market.blend"
NEAR = 2e-5
G = 9.80665
TEN, TWELVE = (G * (rise / 24) ** 2 / 2 for rise in (10, 12))
DEEP = 0.3 * TEN
BEFORE = (28, 38, 41, 51, 61, 64, 74)
AFTER = (28, 38, 41, 53, 65, 68, 78)
NAMES = ("start", "crouch", "takeoff", "apex", "land", "low", "end")


@pytest.fixture(autouse=True)
def _empty() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = 24


def stepped_through(rig: Any, frames: Any, bone: str = "body") -> Any:
    """World places with the user's own scene stepped."""
    places = []
    for frame in frames:
        bpy.context.scene.frame_set(int(np.floor(frame)), subframe=float(frame % 1))
        places.append((rig.matrix_world @ rig.pose.bones[bone].head)[:])
    return np.array(places)


def ten(rig: Any, **ask: Any) -> Any:
    """A rise of 10 and a push of 3 frames, take-off on 41."""
    return rig_of(rig, bpy.context.scene).block(
        **{
            "rise_frames": 10, "push_frames": 3, "pins": {"takeoff": 41},
            "travel": 1.2, "heading": -90, **ask,
        }
    )  # fmt: skip


def moments_of(result: Any) -> dict[str, float]:
    return dict(result.solved.moments_after)


def keys_of(rig: Any) -> dict[str, list[tuple[float, float]]]:
    curves = read_curves(rig).curves
    return {
        c.label: list(zip(one.frame.tolist(), one.value.tolist(), strict=True))
        for i, c in enumerate(curves.channels)
        for one in [channel(curves, i)]
    }


def swing(obj: Any, bone: str, frames: dict[int, float]) -> None:
    holder = obj.pose.bones[bone]
    holder.rotation_mode = "XYZ"
    for frame, turn in frames.items():
        holder.rotation_euler = (turn, 0, 0)
        holder.keyframe_insert("rotation_euler", frame=frame)


@pytest.mark.parametrize("ask", [{"times_height": 1.44}, {"jump_height": TWELVE}])
def test_a_rise_of_12_for_10_is_1_44_times_the_height_under_the_same_gravity(ask: Any) -> None:
    rig, scene = simple_hare(), bpy.context.scene
    assert tuple(ten(rig).moments.values()) == BEFORE
    before = stepped_through(rig, BEFORE)
    soles = stepped_through(rig, BEFORE, "sole.L")
    old = keys_of(rig)
    result = rig_of(rig, scene).resize(**ask)
    assert tuple(moments_of(result).values()) == AFTER
    after = stepped_through(rig, AFTER)
    # All poses stay where they were, but the apex.
    poses = [0, 1, 2, 4, 5, 6]
    assert after[poses] == pytest.approx(before[poses], abs=NEAR)
    assert before[3, 2] - before[2, 2] == pytest.approx(TEN, abs=NEAR)
    assert after[3, 2] - after[2, 2] == pytest.approx(TWELVE, abs=NEAR)
    air = stepped_through(rig, np.arange(41, 65.5, 0.5))
    assert np.diff(air[::2, 2], n=2) == pytest.approx(-G / 24**2, abs=4e-6)
    t = np.arange(49) / 48
    assert air[:, 2] - air[0, 2] == pytest.approx(G * t * (1 - t) / 2, abs=NEAR)
    assert np.diff(air[:, 1]) == pytest.approx(-1.2 / 48, abs=NEAR)
    # The feet stand before and after, and are carried as high as the body.
    moved = stepped_through(rig, AFTER, "sole.L")
    assert moved[poses] == pytest.approx(soles[poses], abs=NEAR)
    for frames in (np.arange(28, 42), np.arange(65, 79)):
        for bone in ("sole.L", "sole.R"):
            assert np.ptp(stepped_through(rig, frames, bone), axis=0).max() < NEAR
    assert moved[3, 2] - soles[3, 2] == pytest.approx(TWELVE - TEN, abs=NEAR)
    # Not a key more, all on whole frames, and only the root's apex has other values.
    now = keys_of(rig)
    to = dict(zip(BEFORE, AFTER, strict=True))
    for name, keys in old.items():
        assert [f for f, _ in now[name]] == [to[f] for f, _ in keys]
        for (frame, value), (_, new) in zip(keys, now[name], strict=True):
            if "root" not in name or frame != 51:
                assert new == pytest.approx(value, abs=1e-7), (name, frame)
    # Push and absorb meet the air in speed.
    for frame in (41, 65):
        step = stepped_through(rig, [frame - 1e-2, frame, frame + 1e-2])
        assert np.diff(step, n=2, axis=0) == pytest.approx(0, abs=1e-5)


def test_what_it_says() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    ten(rig)
    result = rig_of(rig, scene).resize(times_height=1.44)
    answer = result.to_json()
    assert answer["asked"] == {"times_height": 1.44}
    assert answer["got"]["times_height"] == pytest.approx(1.44)
    assert answer["heights_m"]["before"]["jump"] == pytest.approx(0.851, abs=5e-4)
    assert answer["heights_m"]["after"]["jump"] == pytest.approx(1.226, abs=5e-4)
    assert answer["heights_m"]["after"]["push"] == answer["heights_m"]["before"]["push"]
    assert answer["gravity_m_s2"] == pytest.approx(G, rel=1e-4)
    assert answer["travel_m"] == {
        "before": pytest.approx(1.2, abs=NEAR),
        "after": pytest.approx(1.2, abs=NEAR),
    }
    assert tuple(answer["moments_before"].values()) == BEFORE
    assert tuple(answer["moments_after"].values()) == AFTER
    assert [answer["frames_before"][k] for k in ("push", "rise", "fall", "air")] == [3, 10, 10, 20]
    assert [answer["frames_after"][k] for k in ("push", "rise", "fall", "air")] == [3, 12, 12, 24]
    assert answer["map"] == [[28, 28], [38, 38], [41, 41], [61, 65], [64, 68], [74, 78]]
    measured = answer["measured"]
    assert measured["before"]["jump_height_m"] == pytest.approx(TEN, abs=NEAR)
    assert measured["after"]["jump_height_m"] == pytest.approx(TWELVE, abs=NEAR)
    assert measured["largest_distance_m"] < NEAR
    assert (answer["keys"]["split"], answer["keys"]["merged"]) == (0, [])
    assert answer["alternatives"][0]["frames"]["rise"] == 12
    assert answer["landing_moved_m"] == [0, 0, 0]


def markers(scene: Any, rig: Any) -> dict[str, float]:
    return {name.replace("-", ""): frame for name, frame in own_markers(scene, rig.name)}


def satchel_on(rig: Any) -> Any:
    satchel = bpy.data.objects.new("Satchel", None)
    bpy.context.scene.collection.objects.link(satchel)
    satchel.parent, satchel.parent_type, satchel.parent_bone = rig, "BONE", "spine"
    for frame, x in ((41, 0.1), (61, 0.3), (90, 0.0)):
        satchel.location[0] = x
        satchel.keyframe_insert("location", index=0, frame=frame)
    return satchel


def test_other_channels_props_and_markers_go_along_with_their_values() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    ten(rig)
    ears = {5: 0.1, 38: 0.2, 46: -0.6, 51: -0.3, 61: 0.1, 62: 0.4, 74: 0.0, 90: 0.2}
    swing(rig, "ear.L", ears)
    satchel = satchel_on(rig)
    scene.timeline_markers.new("drum", frame=61)
    result = rig_of(rig, scene).resize(times_height=1.44)
    ear = keys_of(rig)['pose.bones["ear.L"].rotation_euler[0]']
    assert [v for _, v in ear] == pytest.approx(list(ears.values()))
    assert [f for f, _ in ear] == [5, 38, 47, 53, 65, 66, 78, 94]
    assert keys_of(satchel)["location[0]"] == [
        (41, pytest.approx(0.1)), (65, pytest.approx(0.3)), (94, 0),
    ]  # fmt: skip
    assert result.props == ("Satchel (parented to 'spine' of 'Hare')",)
    assert {m.name: m.frame for m in scene.timeline_markers}["drum"] == 61
    assert markers(scene, rig) == dict(zip(NAMES, AFTER, strict=True))


def test_without_props_and_markers() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    ten(rig)
    satchel = satchel_on(rig)
    before = read_curves(satchel).curves
    rig_of(rig, scene).resize(times_height=1.44, props=False, markers=False)
    assert identical(read_curves(satchel).curves, before)
    assert markers(scene, rig) == dict(zip(NAMES, BEFORE, strict=True))


def test_farther_moves_the_landing_and_all_after_it() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    ten(rig)
    root = rig.pose.bones["root"]
    root.location = (0.4, 0, -2.0)
    root.keyframe_insert("location", frame=100)
    before = {f: stepped_through(rig, [f])[0] for f in (28, 38, 41, 61, 64, 74, 100)}
    result = rig_of(rig, scene).resize(travel=2.0)
    assert result.solved.map.is_identity
    for frame, place in before.items():
        by = [0, -0.8, 0] if frame >= 61 else [0, 0, 0]
        assert stepped_through(rig, [frame])[0] == pytest.approx(place + by, abs=NEAR), frame
    air = stepped_through(rig, np.arange(41, 62))
    assert np.diff(air[:, 1]) == pytest.approx(-2 / 20, abs=NEAR)
    assert air[10, 2] - air[0, 2] == pytest.approx(TEN, abs=NEAR)
    soles = stepped_through(rig, np.arange(61, 75), "sole.L")
    assert np.ptp(soles, axis=0).max() < NEAR
    assert any("lands 0.800 m from before: later keys of root" in w for w in result.warnings)
    assert result.to_json()["landing_moved_m"] == pytest.approx([0, -0.8, 0], abs=NEAR)


def test_the_travel_can_turn_and_a_hop_on_the_spot_needs_a_heading() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    ten(rig, travel=0)
    with pytest.raises(InputError, match="heading"):
        rig_of(rig, scene).resize(travel=1.0)
    rig_of(rig, scene).resize(travel=1.0, times_height=1.44, heading=180)
    way = stepped_through(rig, [41, 65])
    assert way[1] - way[0] == pytest.approx([-1, 0, 0], abs=NEAR)


CARRIED = [
    "hare with IK feet", "hare without a root", "hare at 0.01 under a turned parent",
    "hare with FK legs", "generated basic human", "skeleton of the human", "quadruped with FK legs",
    "BVH import", "figure of objects", "single mesh",
]  # fmt: skip


@pytest.mark.parametrize("kind", [k for k in CARRIED if k in KINDS])
def test_every_kind_of_rig(kind: str) -> None:
    rig, scene = build(kind), bpy.context.scene
    scene.render.fps = 24
    ask = {"rise_frames": 10, "push_height": 0.2, "pins": {"takeoff": 41}, "keep": "poses"}
    rig_of(rig, scene).block(**ask, travel=0.6, heading=-90, replace=True)
    result = rig_of(rig, scene).resize(times_height=1.44, travel=0.9)
    controls, ground = rig_of(rig, scene).find(), ground_of(scene)
    now = moments_of(result)
    assert now["land"] - now["takeoff"] == 24
    frames = np.arange(now["takeoff"], now["land"] + 1)
    points = [measured_at(controls), *controls.feet]
    places = ground.to_plan(sample.sample(rig, frames, points, scene=scene).positions)
    cog = places[0]
    assert cog[12, 2] - cog[0, 2] == pytest.approx(TWELVE, abs=2e-4)
    assert np.diff(cog[:, 1]) == pytest.approx(-0.9 / 24, abs=2e-4)
    assert np.diff(cog[:, 2], n=2) == pytest.approx(-G / 24**2, abs=2e-4)
    for foot in places[1:]:
        rise = foot[:, 2] - foot[0, 2]
        assert rise == pytest.approx(cog[:, 2] - cog[0, 2], abs=2e-4)
    assert result.largest_distance_m < 1e-3


def test_feet_that_fly_by_themselves_stand_still_before_and_after() -> None:
    rig, scene = simple_hare(root=False), bpy.context.scene
    ten(rig)
    before = stepped_through(rig, BEFORE, "sole.R")
    result = rig_of(rig, scene).resize(times_height=1.44, travel=1.8)
    assert moments_of(result)["land"] == 65
    after = stepped_through(rig, AFTER, "sole.R")
    assert after[:3] == pytest.approx(before[:3], abs=NEAR)
    assert after[4:] == pytest.approx(before[4:] + np.array([0, -0.6, 0]), abs=NEAR)
    for frames in (np.arange(28, 42), np.arange(65, 79)):
        assert np.ptp(stepped_through(rig, frames, "sole.R"), axis=0).max() < NEAR
    frames = np.arange(41, 66)
    body, sole = stepped_through(rig, frames), stepped_through(rig, frames, "sole.R")
    assert (body - body[0])[:, 2] == pytest.approx((sole - sole[0])[:, 2], abs=NEAR)
    assert np.diff(body[:, 1]) == pytest.approx(-1.8 / 24, abs=NEAR)


def test_what_turns_between_the_poses_gets_the_keys_that_it_needs() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    ten(rig)
    rig.pose.bones["pelvis"].location[1] = 0.2
    for frame, turn in ((41, 0.0), (45, 1.2), (51, -1.0), (56, 0.9), (61, 0.0)):
        rig.pose.bones["body"].rotation_mode = "XYZ"
        rig.pose.bones["body"].rotation_euler = (turn, 0, 0)
        rig.pose.bones["body"].keyframe_insert("rotation_euler", frame=frame)
    result = rig_of(rig, scene).resize(
        times_height=1.44, moments=dict(zip(NAMES, BEFORE, strict=True))
    )
    assert result.largest_distance_m < 1e-3
    assert (read_curves(rig).curves.frame % 1 == 0).all()


def test_the_memory_serves_again_retime_and_another_resize() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    ten(rig)
    rig_of(rig, scene).resize(times_height=1.44)
    (jump,) = rig_of(rig, scene).remembered()
    assert jump.moments == dict(zip(NAMES, AFTER, strict=True))
    edited = changed_keys(jump.written, read_curves(rig).curves, rig.name)
    assert (edited.changed, edited.gone) == ((), ())
    assert edited.ours.all()
    again = rig_of(rig, scene).block_again(push_frames=4)
    assert again.jump.jump_height == pytest.approx(TWELVE, abs=1e-4)
    assert again.moments["takeoff"] == 41
    snappy = rig_of(rig, scene).retime(snappiness=1.5)
    assert dict(snappy.solved.moments_after)["land"] - dict(snappy.solved.moments_after)[
        "takeoff"
    ] == pytest.approx(16)
    back = rig_of(rig, scene).resize(times_height=1 / 1.44)
    assert back.after.heights.jump == pytest.approx(TWELVE / 1.44, rel=0.15)
    assert back.largest_distance_m < NEAR


def test_a_hop_of_a_chain_carries_the_next_one_along() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    hop = {"push_height": DEEP, "absorb_height": DEEP, "keep": "poses", "travel": 1.2}
    ten(rig, push_frames=None, recover_frames=0, **hop)
    hare = rig_of(rig, scene)
    ask = {"rise_frames": 10, "heading": -90, "recover_frames": 0, **hop}
    hare.block(chain=True, **ask)
    first, second = (jump.moments for jump in hare.remembered())
    assert first["low"] == second["crouch"]
    way = stepped_through(rig, [second[m] for m in ("crouch", "takeoff", "apex", "land", "low")])
    result = hare.resize(times_height=1.44, travel=1.6, jump=1)
    assert result.largest_distance_m < NEAR
    for jump in hare.remembered():
        edited = changed_keys(jump.written, read_curves(rig).curves, rig.name)
        assert (edited.changed, edited.gone) == ((), ())
    now = hare.remembered()[1].moments
    assert {m: now[m] - second[m] for m in now} == dict.fromkeys(now, 4)
    moved = stepped_through(rig, [now[m] for m in ("crouch", "takeoff", "apex", "land", "low")])
    assert moved == pytest.approx(way + np.array([0, -0.4, 0]), abs=NEAR)
    hare.resize(times_height=1.44, jump=2)
    z = stepped_through(rig, np.arange(now["takeoff"], now["takeoff"] + 25))[:, 2]
    assert np.diff(z, n=2) == pytest.approx(-G / 24**2, abs=4e-6)


@pytest.mark.parametrize("foot", [{"paw.L": {"release": -1, "plant": 2}}])
def test_feet_that_leave_and_land_by_themselves(foot: Any) -> None:
    rig, scene = simple_hare(), bpy.context.scene
    ten(rig, foot=foot)
    still = {f: stepped_through(rig, [f], "sole.L")[0] for f in (38, 40, 64, 70)}
    result = rig_of(rig, scene).resize(times_height=1.44, travel=1.6)
    assert result.largest_distance_m < NEAR
    for frame, place in still.items():
        now, by = (frame + 4, -0.4) if frame > 60 else (frame, 0)
        there = stepped_through(rig, [now], "sole.L")[0]
        assert there == pytest.approx(place + np.array([0, by, 0]), abs=NEAR), frame


def test_the_posed_jump_of_the_market() -> None:
    bpy.ops.wm.open_mainfile(filepath=str(MARKET), use_scripts=False, load_ui=False)
    rig, scene = bpy.data.objects["Hare"], bpy.context.scene
    poses = dict(zip(NAMES, range(1, 8), strict=True))
    rig_of(rig, scene).block(poses=poses, jump_height=0.85)
    result = rig_of(rig, scene).resize(jump_height=1.4)
    heights = result.after.heights
    assert heights.landing_level == pytest.approx(result.before.heights.landing_level, abs=NEAR)
    assert heights.push == pytest.approx(result.before.heights.push, abs=NEAR)
    assert heights.jump == pytest.approx(result.solved.jump.jump_height, abs=1e-4)
    assert result.largest_distance_m < 1e-3
    now = moments_of(result)
    z = stepped_through(rig, np.arange(now["takeoff"], now["land"] + 1))[:, 2]
    assert np.diff(z, n=2) == pytest.approx(-G / 24**2, abs=1e-3)
    for frames in (np.arange(now["start"], now["takeoff"]), np.arange(now["land"] + 1, now["end"])):
        soles = stepped_through(rig, frames, "paw.L")
        assert np.ptp(soles, axis=0).max() < 1e-3


def test_there_and_back() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    ten(rig)
    before = read_curves(rig).curves
    rig_of(rig, scene).resize(times_height=1.7, travel=2.1, subframes=True)
    up = rig_of(rig, scene).remembered()[0].moments
    assert up["land"] - up["takeoff"] == pytest.approx(20 * np.sqrt(1.7), abs=1e-4)
    top = (up["takeoff"] + up["land"]) / 2
    z = stepped_through(rig, [up["takeoff"], top])[:, 2]
    assert z[1] - z[0] == pytest.approx(1.7 * TEN, abs=NEAR)
    rig_of(rig, scene).resize(jump_height=TEN, travel=1.2)
    after = read_curves(rig).curves
    assert after.channels == before.channels
    assert after.frame == pytest.approx(before.frame, abs=1e-4)
    assert after.value == pytest.approx(before.value, abs=NEAR)


def test_a_stepped_block_stays_stepped_and_becomes_the_arc() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    ten(rig, stepped=True)
    result = rig_of(rig, scene).resize(times_height=1.44)
    curves = read_curves(rig).curves
    assert set(curves.interpolation.tolist()) == {0}
    z = stepped_through(rig, AFTER)[:, 2]
    assert z[3] - z[2] == pytest.approx(TWELVE, abs=NEAR)
    assert result.largest_distance_m < NEAR
    rig_of(rig, scene).spline()
    air = stepped_through(rig, np.arange(41, 66))[:, 2]
    assert np.diff(air, n=2) == pytest.approx(-G / 24**2, abs=4e-6)


def by_hand(rig: Any) -> None:
    """The COG alone, with eased keys of the host, and paws that are lifted; no root."""
    rows = [(30, 0.0), (38, -DEEP), (41, 0.0), (51, TEN), (61, 0.0), (64, -DEEP), (74, 0.0)]
    for frame, z in rows:
        for bone, up in (("body", z), ("paw.L", max(z, 0)), ("paw.R", max(z, 0))):
            rig.pose.bones[bone].location = (0, 0, up)
            rig.pose.bones[bone].keyframe_insert("location", frame=frame)


def test_a_jump_by_hand_is_found_and_put_on_the_arc() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    by_hand(rig)
    moments = dict(zip(NAMES[1:6], BEFORE[1:6], strict=True))
    lead = stepped_through(rig, np.arange(30, 39))
    result = rig_of(rig, scene).resize(times_height=1.44, moments=moments)
    assert tuple(moments_of(result).values())[1:6] == AFTER[1:6]
    assert not any("root" in name for name in keys_of(rig))
    z = stepped_through(rig, np.arange(41, 66))[:, 2]
    assert z[12] - z[0] == pytest.approx(TWELVE, abs=NEAR)
    assert np.diff(z, n=2) == pytest.approx(-G / 24**2, abs=4e-6)
    paws = stepped_through(rig, np.arange(65, 79), "paw.L")
    assert np.ptp(paws[:, 2]) < 1e-3
    # What is before the crouch keeps its shape.
    assert stepped_through(rig, np.arange(30, 39)) == pytest.approx(lead, abs=1e-4)
    assert rig_of(rig, scene).remembered() == ()


def test_dry_run_and_refusals_change_nothing() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    with pytest.raises(NotFoundError):
        rig_of(rig, scene).resize(times_height=1.44)
    ten(rig)
    before, memory = read_curves(rig).curves, rig["leapwright"]
    dry = rig_of(rig, scene).resize(times_height=1.44, dry_run=True)
    assert (dry.after, dry.largest_distance_m) == (None, None)
    assert dry.keys.moved > 0
    wrong: list[tuple[type[Exception], dict[str, Any]]] = [
        (ClashError, {}),
        (ClashError, {"times_height": 2, "jump_height": 1}),
        (InputError, {"times_height": -1}),
        (InputError, {"times_height": 2, "moments": {"takeoff": 41, "land": 61}}),
    ]
    for error, ask in wrong:
        with pytest.raises(error):
            rig_of(rig, scene).resize(**ask)
    curve = next(c for c in read_curves(rig).curves.channels if "root" in c.data_path)
    assert identical(read_curves(rig).curves, before)
    assert rig["leapwright"] == memory
    from leapwright_blender import host

    for fcurve in host.fcurves_of(rig):
        fcurve.lock = fcurve.data_path == curve.data_path
    with pytest.raises(HostError, match="locked"):
        rig_of(rig, scene).resize(times_height=1.44)
    assert identical(read_curves(rig).curves, before)


def test_a_failure_at_the_end_puts_everything_back(monkeypatch: pytest.MonkeyPatch) -> None:
    rig, scene = simple_hare(), bpy.context.scene
    ten(rig)
    satchel = satchel_on(rig)
    before = [read_curves(o).curves for o in (rig, satchel)]
    memory, marks = rig["leapwright"], own_markers(scene, rig.name)

    def fails(*_: Any) -> None:
        monkeypatch.undo()
        raise HostError("no room")

    monkeypatch.setattr("leapwright_blender.resize.store.save", fails)
    with pytest.raises(HostError, match="no room"):
        rig_of(rig, scene).resize(times_height=1.44, travel=2)
    assert all(
        identical(read_curves(o).curves, b) for o, b in zip((rig, satchel), before, strict=True)
    )
    assert (rig["leapwright"], own_markers(scene, rig.name)) == (memory, marks)


def test_an_axis_without_keys_that_would_have_to_move_is_named() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    for frame, z in ((38, -DEEP), (41, 0.0), (51, TEN), (61, 0.0), (64, -DEEP), (74, 0.0)):
        rig.pose.bones["body"].location[2] = z
        rig.pose.bones["body"].keyframe_insert("location", index=2, frame=frame)
    moments = dict(zip(NAMES[1:6], BEFORE[1:6], strict=True))
    before = read_curves(rig).curves
    with pytest.raises(HostError, match="'body' has no keys on Y"):
        rig_of(rig, scene).resize(travel=1.0, heading=90, moments=moments)
    assert identical(read_curves(rig).curves, before)
    rig_of(rig, scene).resize(times_height=1.44, moments=moments)
    z = stepped_through(rig, [41, 53])[:, 2]
    assert z[1] - z[0] == pytest.approx(TWELVE, abs=NEAR)


def test_a_running_jump_keeps_its_speed() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    ten(rig, travel=None, running=3.0)
    result = rig_of(rig, scene).resize(times_height=1.44)
    now = moments_of(result)
    cog = stepped_through(rig, np.arange(now["crouch"], now["low"] + 1))
    assert -np.diff(cog[:, 1]) == pytest.approx(3 / 24, abs=1e-3)
    assert result.solved.jump.travel == pytest.approx(3.0, abs=1e-3)
    assert any("keeps its speed" in w for w in result.warnings)


def test_fk_feet_stand_still_under_the_new_push_and_absorb() -> None:
    rig, scene = fk_hare(), bpy.context.scene
    ten(rig)
    result = rig_of(rig, scene).resize(times_height=1.44)
    assert not any("slide" in w for w in result.warnings)
    assert any("gave way to new ones" in w for w in result.warnings)
    for frames in (np.arange(38, 42), np.arange(65, 69)):
        assert np.ptp(stepped_through(rig, frames, "foot.L"), axis=0).max() < 0.005
    (jump,) = rig_of(rig, scene).remembered()
    edited = changed_keys(jump.written, read_curves(rig).curves, rig.name)
    assert (edited.changed, edited.gone) == ((), ())
    assert edited.ours.all()
    rig_of(rig, scene).block_again(push_frames=4)


def test_fk_leg_keys_that_were_edited_stay_and_what_slides_is_told() -> None:
    rig, scene = fk_hare(), bpy.context.scene
    ten(rig)
    for bone in ("thigh.L", "shin.L"):
        holder = rig.pose.bones[bone]
        for frame in (39, 40):
            scene.frame_set(frame)
            turn = holder.rotation_quaternion.copy()
            turn[1] += 0.2
            holder.rotation_quaternion = turn
            holder.keyframe_insert("rotation_quaternion", frame=frame)
    name = 'pose.bones["thigh.L"].rotation_quaternion[1]'
    edited = [key for key in keys_of(rig)[name] if key[0] in (39, 40)]
    result = rig_of(rig, scene).resize(times_height=1.44)
    assert [key for key in keys_of(rig)[name] if key[0] in (39, 40)] == edited
    assert any("slide up to" in w for w in result.warnings)
