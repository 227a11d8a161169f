# SPDX-License-Identifier: GPL-3.0-or-later
"""What sits in time besides keys follows a map: all together, and back again."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import bpy
import numpy as np
import pytest

from blender.in_time import (
    BEAT,
    FLOATY,
    bake,
    envelope,
    everything,
    hare,
    held,
    keyed,
    modify,
    numbers_of,
    stuffed,
)
from blender.rigs import simple_hare, skin
from leapwright.curves import Channel
from leapwright.errors import HostError, InputError
from leapwright.timemap import TimeMap
from leapwright_blender import host, timed
from leapwright_blender.character import holders
from leapwright_blender.timed import Moved, Timed, retime_others, time_bearing


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


def test_pose_markers_go_to_the_nearest_frame_and_keep_their_order() -> None:
    obj = hare()
    action = keyed(obj, {1: 0, 100: 1}).id_data
    frames = [90, 35, 38, 39, 40, 41, 42, 43, 44, 54, 65, 41]
    for i, frame in enumerate(frames):
        action.pose_markers.new(f"m{i}").frame = frame
    scene = bpy.context.scene
    scene.timeline_markers.new("drum", frame=58)
    moved = retime_others(held(obj), TimeMap.of([38, 42, 65], [40, 42, 58]))
    # 39 is at 40.5: the earlier; 43 is at 42.7.
    expected = [83, 37, 40, 40, 41, 41, 42, 43, 43, 50, 58, 41]
    assert [m.frame for m in action.pose_markers] == expected
    order = np.argsort(frames, kind="stable")
    assert (np.diff(np.array(expected)[order]) >= 0).all()
    stay = sum(a == b for a, b in zip(frames, expected, strict=True))
    assert moved == Moved(pose_markers=len(frames) - stay)
    assert scene.timeline_markers["drum"].frame == 58


def test_a_frame_range_goes_with_its_keys() -> None:
    obj = hare()
    action = keyed(obj, {1: 0, 100: 1}).id_data
    assert retime_others(held(obj), BEAT).ranges == 0
    action.use_frame_range = True
    action.frame_start, action.frame_end = 43, 72
    assert retime_others(held(obj), BEAT) == Moved(ranges=1)
    assert (action.frame_start, action.frame_end) == (43, 65)
    action.frame_start, action.frame_end = 43, 72
    retime_others(held(obj), BEAT, subframes=True)
    assert (action.frame_start, action.frame_end) == pytest.approx((43 + 1 / 3, 65))
    # Far beyond its former end.
    retime_others(held(obj), TimeMap.of([0], [1000]))
    assert (action.frame_start, action.frame_end) == pytest.approx((1043 + 1 / 3, 1065))


def test_there_and_back_returns_every_number() -> None:
    _, parts = stuffed()
    was = everything()
    there = retime_others(parts, BEAT, exact=True)
    assert (there.modifiers, there.baked, there.pose_markers, there.strips, there.ranges) == (
        6, 1, 5, 2, 1,
    )  # fmt: skip
    assert np.abs(np.subtract(numbers_of(everything()), numbers_of(was))).max() > 5
    back = retime_others(parts, BEAT.inverse(), exact=True)
    assert (back.modifiers, back.baked, back.pose_markers, back.strips, back.ranges) == (
        6, 1, 5, 2, 1,
    )  # fmt: skip
    np.testing.assert_allclose(numbers_of(everything()), numbers_of(was), atol=1e-4)


@pytest.mark.parametrize(
    "still",
    [TimeMap.identity(), TimeMap.of([38, 65], [38, 65]), TimeMap.of([90, 95, 99], [90, 96, 99])],
    ids=["identity", "same knots", "later"],
)
def test_nothing_moves_where_the_map_does_not(still: TimeMap) -> None:
    obj, parts = stuffed()
    # The strip at 70 ends at 100.
    obj.animation_data.nla_tracks[0].strips[1].scale = 0.5
    was = everything()
    assert retime_others(parts, still) == Moved()
    assert everything() == was


def test_what_lies_outside_a_reach_is_left_to_the_bit() -> None:
    obj, parts = stuffed()
    curve = keyed(obj, {1: 0}, "scale", 1)
    modify(curve, "LIMITS", (5.3, 34.7), blend_in=1.1)
    envelope(curve, (5.3, -1, 1), (34.9, -2, 2), (43, -1, 1), (67.1, -3, 3), (80.3, -1, 1))
    modify(curve, "STEPPED", (70, 80), frame_offset=0.3, frame_step=1.7)
    bake(keyed(obj, {1: 0}, "scale", 2), 67, np.arange(9.0) ** 2)
    was = everything()
    moved = retime_others(parts, FLOATY)
    now = everything()
    old, new = (next(c for c in found["Hare"]["curves"] if c["data_path"] == "scale" and
                     c["array_index"] == 1) for found in (was, now))  # fmt: skip
    points = [m["control_points"] for found in (old, new) for m in found["modifiers"][1:2]]
    assert [points[1][i] for i in (0, 1, 3, 4)] == [points[0][i] for i in (0, 1, 3, 4)]
    assert points[1][2]["frame"] == pytest.approx(41)
    assert [new["modifiers"][i] for i in (0, 2)] == [old["modifiers"][i] for i in (0, 2)]
    baked = [[c for c in found["Hare"]["curves"] if c["sampled_points"]] for found in (was, now)]
    assert baked[0] == baked[1]
    assert moved.baked == 0
    assert now["Hare"]["tracks"][0][1] == was["Hare"]["tracks"][0][1]
    assert [now["HareAction"][2][i] for i in (0, 4)] == [("30", 30), ("80", 80)]
    assert now["Hare"]["drivers"] == was["Hare"]["drivers"]
    assert now["Scene"] == was["Scene"]


def test_only_the_channels_asked_for() -> None:
    _, parts = stuffed()
    was = everything()
    moved = retime_others(parts, BEAT, channels=[Channel("location", 1)])
    assert (moved.modifiers, moved.baked, moved.pose_markers, moved.strips, moved.ranges) == (
        1, 0, 0, 0, 0,
    )  # fmt: skip
    now = everything()
    changed = [i for i, c in enumerate(was["Hare"]["curves"]) if c != now["Hare"]["curves"][i]]
    assert [was["Hare"]["curves"][i]["array_index"] for i in changed] == [1]
    assert now["HareAction"] == was["HareAction"]
    assert now["Hare"]["tracks"] == was["Hare"]["tracks"]
    names = time_bearing(parts, channels=[Channel("location", 1)])
    assert names == Timed(modifiers=("Noise modifier of location[1] of Hare",))


def test_an_error_puts_everything_back() -> None:
    _, parts = stuffed()
    crate = hare("Crate")
    torn = bake(keyed(crate, {1: 0}), 40, np.arange(9.0))
    torn.sampled_points[8].co[0] = 60
    was = everything()
    with pytest.raises(HostError, match=r"location\[0\] of Crate is baked"):
        retime_others([*parts, *held(crate)], BEAT)
    assert everything() == was


def test_an_error_after_the_strips_puts_them_back_too(monkeypatch: pytest.MonkeyPatch) -> None:
    obj, parts = stuffed()
    strip = obj.animation_data.nla_tracks[0].strips[0]
    strip.use_animated_influence = True
    strip.fcurves.find("influence").keyframe_points.insert(50, 0.5)
    envelope(keyed(obj, {1: 0}, "scale", 1), (30, -0.5, 1), (50, -2, 1.5), (80, -1, 3))
    bake(keyed(obj, {1: 0}, "scale", 2), 30, np.random.default_rng(6).normal(size=61))
    was = everything()
    calls: list[int] = []
    real = timed.retime_strips

    def broken(*args: Any, **more: Any) -> Any:
        real(*args, **more)
        calls.append(1)
        assert everything() != was
        raise InputError("it failed at the end", "strips")

    monkeypatch.setattr(timed, "retime_strips", broken)
    with pytest.raises(InputError, match="at the end"):
        retime_others(parts, BEAT, exact=True)
    assert calls == [1]
    assert everything() == was


def test_the_summary_names_what_is_there() -> None:
    _, parts = stuffed()
    found = time_bearing(parts)
    assert found.modifiers == tuple(
        f"{name} modifier of location[{i}] of Hare"
        for name, i in (
            ("Envelope", 0), ("Limits", 0), ("Stepped", 0), ("Stepped.001", 0),
            ("Built-In Function", 0), ("Noise", 1),
        )
    )  # fmt: skip
    assert found.baked == ("rotation_euler[2] of Hare",)
    assert found.pose_markers[:2] == ("“30” of action “HareAction”", "“41” of action “HareAction”")
    assert len(found.pose_markers) == 5
    assert found.ranges == ("action “HareAction”",)
    assert found.strips == ("“Ears” of Hare", "“Ears.001” of Hare")
    assert found.said == ()
    assert time_bearing(held(hare("Crate"))) == Timed()


def test_undo_returns_every_number() -> None:
    stuffed()
    bpy.ops.ed.undo_push(message="before")
    was = everything()
    retime_others(held(bpy.data.objects["Hare"]), BEAT)
    bpy.ops.ed.undo_push(message="after")
    now = everything()
    assert now != was
    bpy.ops.ed.undo()
    assert everything() == was
    bpy.ops.ed.redo()
    assert everything() == now


def shared_by(one: Any, two: Any) -> Any:
    """An action that moves two objects, each by a slot of its own, with a pose marker."""
    action = keyed(one, {1: 0, 100: 1}).id_data
    data = two.animation_data_create()
    data.action = action
    if host.slotted():
        data.action_slot = action.slots.new("OBJECT", two.name)
        modify(keyed(two, {1: 0, 100: 1}), "LIMITS", (43, 62))
    action.pose_markers.new("land").frame = 65
    action.use_frame_range = True
    action.frame_start, action.frame_end = 36, 72
    return action


def test_an_action_of_two_parts_of_the_character_is_moved_once() -> None:
    one, two = hare(), hare("Satchel")
    action = shared_by(one, two)
    if not host.slotted():
        with pytest.raises(HostError, match="also moves"):
            retime_others(held(one, two), BEAT)
        assert action.pose_markers["land"].frame == 65
        return
    moved = retime_others(held(one, two), BEAT)
    assert moved == Moved(modifiers=1, pose_markers=1, ranges=1)
    assert action.pose_markers["land"].frame == 58
    assert (action.frame_start, action.frame_end) == (38, 65)


@pytest.mark.skipif(not host.slotted(), reason="no slots before 4.4")
def test_what_an_action_holds_for_another_character_too_is_left_and_said() -> None:
    one, two = hare(), hare("Fox")
    shared_by(one, two)
    was = everything()
    moved = retime_others(held(one), BEAT)
    told = "action “HareAction” also moves Fox: its frame range and pose markers are left"
    assert moved == Moved(said=(told,))
    assert everything() == was
    assert time_bearing(held(one)) == Timed(said=(told,))


def test_an_action_that_moves_another_character_is_refused() -> None:
    obj = hare()
    modify(keyed(obj, {1: 0}), "LIMITS", (45, 60))
    other = hare("Fox")
    other.animation_data_create().action = obj.animation_data.action
    if host.slotted():
        other.animation_data.action_slot = obj.animation_data.action.slots[0]
    was = everything()
    with pytest.raises(HostError, match="also moves"):
        retime_others(held(obj), BEAT)
    assert everything() == was


def test_shape_keys_and_armature_data_have_modifiers_too() -> None:
    rig = simple_hare()
    fur = skin(rig)
    fur.shape_key_add(name="Basis")
    fur.shape_key_add(name="Blink")
    keys = fur.data.shape_keys
    keyed(rig, {1: 0})
    blink = modify(keyed(keys, {1: 0}, 'key_blocks["Blink"].value'), "LIMITS", (41, 65))
    size = modify(keyed(rig.data, {1: 0}, "display_type"), "LIMITS", (41, 65))
    assert retime_others(holders(rig), BEAT) == Moved(modifiers=2)
    assert {(m.frame_start, m.frame_end) for m in (blink, size)} == {(42, 58)}
    assert time_bearing(holders(rig)).modifiers == (
        f"Limits modifier of display_type[0] of {rig.data.name} (armature data)",
        f'Limits modifier of key_blocks["Blink"].value[0] of {keys.name} (shape keys)',
    )
