# SPDX-License-Identifier: GPL-3.0-or-later
"""Blocking again: own keys give way, edited ones are asked for, poses stay poses."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import object_hare, simple_hare
from leapwright import KeysInTheWayError, NotFoundError
from leapwright.curves import Curves, Interpolation, channel, identical, keys_at
from leapwright_blender import host, open_shot, rig_of
from leapwright_blender.read import read_curves

NEAR = 2e-5
POSES = {"start": 1, "crouch": 2, "takeoff": 3, "land": 4}
BODY_Z = 'pose.bones["body"].location[2]'
ROOT_Z = 'pose.bones["root"].location[2]'
EAR = 'pose.bones["ear.L"].rotation_euler[0]'


@pytest.fixture(autouse=True)
def _empty() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = 24


def posed_hare() -> Any:
    """Start, crouch, take-off and land on frames 1 to 4; an ear takes part."""
    rig = simple_hare()
    bones = rig.pose.bones
    bones["ear.L"].rotation_mode = "XYZ"
    for frame, lift, way in ((1, 0.0, 0.0), (2, -0.2, 0.0), (3, 0.16, 0.0), (4, 0.06, -1.0)):
        bones["body"].location, bones["root"].location = (0, 0, lift), (0, way, 0)
        bones["body"].keyframe_insert("location", frame=frame)
        bones["root"].keyframe_insert("location", frame=frame)
        bones["ear.L"].rotation_euler = (0.1 * frame, 0, 0)
        bones["ear.L"].keyframe_insert("rotation_euler", frame=frame)
    return rig


def hare() -> Any:
    return rig_of(bpy.data.objects["Hare"], bpy.context.scene)


def curves() -> Curves:
    return read_curves(bpy.data.objects["Hare"]).curves


def one(label: str, now: Curves | None = None) -> Curves:
    now = curves() if now is None else now
    return channel(now, [c.label for c in now.channels].index(label))


def value_on(label: str, frame: float) -> float:
    keys = one(label)
    return float(keys.value[keys_at(keys, [frame]).index[0]])


def host_curve(label: str) -> Any:
    path, index = label[:-1].rsplit("[", 1)
    return next(
        c
        for c in host.fcurves_of(bpy.data.objects["Hare"])
        if c.data_path == path and c.array_index == int(index)
    )


def host_key(label: str, frame: float) -> Any:
    return next(k for k in host_curve(label).keyframe_points if k.co[0] == frame)


def add_key(label: str, frame: float, value: float) -> None:
    """A key that leaves its neighbours as they are."""
    points = host_curve(label).keyframe_points
    points.add(1)
    points[-1].co = points[-1].handle_left = points[-1].handle_right = (frame, value)
    host_curve(label).update()


def blocked(**more: Any) -> Any:
    posed_hare()
    return hare().block(poses=POSES, rise_frames=12, **more)


def body_heights(frames: Any) -> Any:
    rig, places = bpy.data.objects["Hare"], []
    for frame in frames:
        bpy.context.scene.frame_set(int(frame))
        places.append((rig.matrix_world @ rig.pose.bones["body"].head)[2])
    return np.array(places)


def reopen(tmp_path: Path) -> None:
    path = tmp_path / "shot.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    open_shot(path)


# --- What somebody did since ---------------------------------------------------------------------


def change_value(frame: float) -> None:
    host_key(ROOT_Z, frame).co_ui[1] += 0.05
    host_curve(ROOT_Z).update()


def change_handle(frame: float) -> None:
    key = host_key(ROOT_Z, frame)
    key.handle_left_type = key.handle_right_type = "FREE"
    key.handle_right[1] += 0.1
    host_curve(ROOT_Z).update()


def change_interpolation(frame: float) -> None:
    host_key(ROOT_Z, frame).interpolation = "LINEAR"
    host_curve(ROOT_Z).update()


def change_kind(frame: float) -> None:
    host_key(ROOT_Z, frame).type = "JITTER"


EDITS = {
    "value": change_value, "handle": change_handle, "interpolation": change_interpolation,
}  # fmt: skip


@pytest.mark.parametrize("stored", [False, True], ids=["open", "reopened"])
@pytest.mark.parametrize("edit", EDITS.values(), ids=EDITS)
def test_an_edited_key_is_asked_for_and_the_others_give_way(
    edit: Callable[[float], None], stored: bool, tmp_path: Path
) -> None:
    apex = blocked().moments["apex"]
    edit(apex)
    if stored:
        reopen(tmp_path)
    before, remembered = curves(), hare().remembered()
    with pytest.raises(KeysInTheWayError, match="1 of them edited since") as info:
        hare().block_again(jump_height=0.5)
    assert [tuple(key) for key in info.value.keys] == [(ROOT_Z, apex)]
    assert identical(curves(), before)
    assert hare().remembered() == remembered
    result = hare().block_again(jump_height=0.5, replace=True)
    replaced = {(k.channel, f) for k in result.keyed for f in k.gone}
    assert (ROOT_Z, apex) in replaced
    assert any(text.startswith("edited since the last block") for text in result.warnings)
    assert result.measured.largest_distance_m < NEAR
    # What was edited is gone, so that the next time nothing is asked.
    hare().block_again(jump_height=0.4)


def test_the_kind_of_a_key_is_no_edit() -> None:
    change_kind(blocked().moments["apex"])
    result = hare().block_again(jump_height=0.5)
    assert not any("edited" in text for text in result.warnings)


def test_a_removed_own_key_is_said_and_an_added_key_is_asked_for() -> None:
    first = blocked()
    apex = first.moments["apex"]
    host_curve(ROOT_Z).keyframe_points.remove(host_key(ROOT_Z, apex))
    result = hare().block_again(jump_height=0.5)
    assert any(f"{ROOT_Z} on {apex:g}" in text for text in result.warnings)
    assert result.measured.largest_distance_m < NEAR
    added = result.moments["apex"] + 2
    add_key(ROOT_Z, added, 1.0)
    with pytest.raises(KeysInTheWayError, match="none edited since") as info:
        hare().block_again(jump_height=0.6)
    assert [tuple(key) for key in info.value.keys] == [(ROOT_Z, added)]


def test_edited_keys_are_listed_before_added_ones() -> None:
    apex = blocked().moments["apex"]
    add_key(ROOT_Z, apex - 3, 1.0)
    change_value(apex)
    later = hare().remembered()[0].moments["end"] - 1
    add_key(EAR, later, 0.0)
    with pytest.raises(KeysInTheWayError, match="1 of them edited since") as info:
        hare().block_again(jump_height=1.5)
    keys = [tuple(key) for key in info.value.keys]
    assert keys[0] == (ROOT_Z, apex)
    assert sorted(keys[1:]) == sorted([(ROOT_Z, apex - 3), (EAR, later)])


def test_own_keys_are_reported_as_replaced_and_none_is_left_behind() -> None:
    """A shorter jump leaves nothing of the longer one, with keys on everything too."""
    first = blocked(crouch_hold_frames=6, key="all")
    own = {
        (*name.split("|", 1), frame)
        for name, keys in hare().remembered()[0].written.items()
        for frame, _ in keys
    }
    assert own
    result = hare().block_again(rise_frames=6, crouch_hold_frames=1)
    gone = {("Hare", k.channel, f) for k in result.keyed for f in k.gone}
    stay = {("Hare", k.channel, f) for k in result.keyed for f in k.stay}
    moved = {("Hare", k.channel, a) for k in result.keyed for a, _ in k.moves}
    assert own <= gone | stay | moved
    last = result.moments["end"]
    assert last < first.moments["end"]
    assert curves().frame.max() == last
    hold = hare().remembered()[0].moments
    assert set(curves().frame.tolist()) <= set(hold.values())


def test_poses_that_were_changed_since_are_the_poses() -> None:
    first = blocked()
    crouch, land = first.moments["crouch"], first.moments["land"]
    host_key(BODY_Z, crouch).co_ui[1] -= 0.1
    host_key(EAR, land).co_ui[1] = 0.77
    for label in (BODY_Z, EAR):
        host_curve(label).update()
    lowered = value_on(BODY_Z, crouch)
    result = hare().block_again(jump_height=0.9)
    assert result.jump.push_height == pytest.approx(first.jump.push_height + 0.1, abs=1e-6)
    assert value_on(BODY_Z, result.moments["crouch"]) == lowered
    assert value_on(EAR, result.moments["land"]) == pytest.approx(0.77)
    assert result.measured.posed_values_changed == ()
    assert result.measured.largest_distance_m < NEAR


def test_a_pose_dropped_from_the_list_is_asked_for() -> None:
    first = blocked()
    land = first.moments["land"]
    kept = {m: first.moments[m] for m in ("start", "crouch", "takeoff")}
    before = curves()
    with pytest.raises(KeysInTheWayError) as info:
        hare().block_again(poses=kept)
    assert (EAR, land) in [tuple(key) for key in info.value.keys]
    assert identical(curves(), before)
    result = hare().block_again(poses=kept, replace=True)
    assert (EAR, land) in {(k.channel, f) for k in result.keyed for f in k.gone}


def test_the_same_place_without_again_refuses() -> None:
    first = blocked()
    poses = {m: first.moments[m] for m in POSES}
    before = curves()
    with pytest.raises(KeysInTheWayError, match="blocked there before, none edited since"):
        hare().block(poses=poses, rise_frames=8)
    assert identical(curves(), before)


def test_again_and_again_comes_to_the_same() -> None:
    """Going to other heights and back leaves exactly the keys of the first time."""
    blocked()
    start = curves()
    for rise in (5, 20, 9, 12):
        hare().block_again(rise_frames=rise)
    assert [c.label for c in curves().channels] == [c.label for c in start.channels]
    assert curves().frame.tolist() == start.frame.tolist()
    assert curves().value == pytest.approx(start.value, abs=1e-6)
    assert curves().kind.tolist() == start.kind.tolist()
    assert len(hare().remembered()) == 1
    assert len(bpy.context.scene.timeline_markers) == len(hare().remembered()[0].moments)


def test_a_new_measure_takes_the_place_of_the_old_one() -> None:
    first = blocked()
    higher = hare().block_again(jump_height=2.0, keep="heights")
    assert higher.jump.jump_height == pytest.approx(2.0, abs=1e-6)
    assert "rise_frames" not in hare().remembered()[0].asked
    assert hare().block_again(rise_frames=12, keep="poses").moments == first.moments


def test_nothing_remembered() -> None:
    posed_hare()
    with pytest.raises(NotFoundError, match="remembers no jump"):
        hare().block_again(jump_height=0.5)


# --- Several jumps -------------------------------------------------------------------------------


def test_a_hop_of_a_chain_stays_in_its_chain() -> None:
    simple_hare()
    first = hare().block(rise_frames=6, push_height=0.2)
    hare().block(rise_frames=8, push_height=0.2, chain=True)
    low = first.moments["low"]
    before = body_heights(range(1, int(low) + 1))
    result = hare().block_again(rise_frames=5, crouch_hold_frames=2)
    assert result.moments["crouch"] == low + 2
    assert "start" not in result.moments
    assert [j.moments["takeoff"] for j in hare().remembered()] == [
        first.moments["takeoff"], result.moments["takeoff"],
    ]  # fmt: skip
    assert body_heights(range(1, int(low) + 1)) == pytest.approx(before, abs=NEAR)
    again = hare().block_again(crouch_hold_frames=0)
    assert again.moments["crouch"] == low


def test_a_later_jump_that_is_pushed_back_is_remembered_where_it_is() -> None:
    simple_hare()
    scene = bpy.context.scene
    first = hare().block(rise_frames=6, push_height=0.2)
    second = hare().block(rise_frames=6, push_height=0.2, pins={"crouch": 100})
    flight = body_heights(np.arange(second.moments["start"], second.moments["end"] + 1))
    longer = hare().block(
        poses={m: first.moments[m] for m in ("crouch", "takeoff")},
        rise_frames=14, after="shift", again=True,
    )  # fmt: skip
    by = longer.moments["end"] - first.moments["end"]
    assert by > 0
    there = hare().remembered()[1].moments
    assert {m: there[m] for m in second.moments} == {m: f + by for m, f in second.moments.items()}
    frames = np.arange(there["start"], there["end"] + 1)
    assert body_heights(frames) == pytest.approx(flight, abs=NEAR)
    marked = {m.name: m.frame for m in scene.timeline_markers}
    assert marked["Hare 2 apex"] == there["apex"]
    # Nobody edited it, so it gives way without asking, and it stays where it went.
    result = hare().block_again(rise_frames=8)
    assert result.moments["crouch"] == there["crouch"]
    assert not any("edited" in text for text in result.warnings)


def test_a_jump_that_is_blocked_again_elsewhere_leaves_nothing_behind() -> None:
    blocked()
    hare().block_again(pins={"takeoff": 300})
    (jump,) = hare().remembered()
    assert jump.moments["takeoff"] == 300
    assert set(curves().frame.tolist()) <= set(jump.moments.values())
    assert curves().frame.min() > 200


def test_after_the_spline_pass_own_keys_are_own_keys_still() -> None:
    blocked(stepped=True, key="all")
    hare().spline()
    result = hare().block_again(rise_frames=8)
    assert not any("edited" in text for text in result.warnings)
    assert (curves().interpolation != Interpolation.CONSTANT).all()
    assert result.measured.largest_distance_m < NEAR
    assert curves().frame.max() == result.moments["end"]


def test_what_was_edited_before_the_spline_pass_is_asked_for_after_it() -> None:
    apex = blocked(stepped=True).moments["apex"]
    key = host_key(ROOT_Z, apex)
    key.co_ui[1] += 0.05
    host_curve(ROOT_Z).update()
    hare().spline()
    with pytest.raises(KeysInTheWayError, match="1 of them edited since"):
        hare().block_again(rise_frames=8)


def test_a_splined_jump_is_left_when_another_one_is_stepped() -> None:
    """What was polished since is not put on the arc again."""
    simple_hare()
    first = hare().block(rise_frames=6, push_height=0.2)
    apex = first.moments["apex"]
    change_value(apex)
    polished = value_on(ROOT_Z, apex)
    hare().block(rise_frames=6, push_height=0.2, pins={"crouch": 100}, stepped=True)
    result = hare().spline()
    assert [m["crouch"] for m in result.moments] == [100]
    assert value_on(ROOT_Z, apex) == polished
    assert not any(jump.stepped for jump in hare().remembered())


@pytest.mark.parametrize("verb", ["block_again", "spline"])
def test_the_controls_are_those_of_the_jump(verb: str) -> None:
    """Others than those that are found by themselves."""
    simple_hare()
    asked = {"cog": "pelvis", "jump_height": 0.5, "push_height": 0.2, "stepped": True}
    first = hare().block(**asked, air="feet")
    assert {k.channel.split('"')[1] for k in first.keyed} == {"pelvis", "paw.L", "paw.R"}
    result = getattr(hare(), verb)()
    assert {k.channel.split('"')[1] for k in result.keyed} == {"pelvis", "paw.L", "paw.R"}
    assert {c.data_path.split('"')[1] for c in curves().channels} == {"pelvis", "paw.L", "paw.R"}
    typed = hare().block_again(cog="body", replace=True)
    assert '"body"' in "".join(k.channel for k in typed.keyed)


def test_a_figure_of_objects(tmp_path: Path) -> None:
    object_hare()
    hare().block(jump_height=0.8, push_height=0.15, travel=0.5, heading=0, stepped=True)
    hare().spline()
    reopen(tmp_path)
    result = hare().block_again(jump_height=0.4)
    assert not any("edited" in text for text in result.warnings)
    assert result.measured.largest_distance_m < NEAR
    (jump,) = hare().remembered()
    for name in ("Hare", "HareBody", "HareFoot.L"):
        keyed = read_curves(bpy.data.objects[name]).curves
        assert set(keyed.frame.tolist()) <= set(jump.moments.values())
