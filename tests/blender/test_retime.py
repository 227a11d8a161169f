# SPDX-License-Identifier: GPL-3.0-or-later
"""Retiming on a rig: the whole character on new frames, poses unchanged, the air still one arc."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import simple_hare
from leapwright import ClashError, InputError, NotFoundError
from leapwright.curves import channel, identical, select
from leapwright_blender import rig_of
from leapwright_blender.markers import own_markers
from leapwright_blender.read import read_curves

NEAR = 2e-5
G = 9.80665


@pytest.fixture(autouse=True)
def _empty() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = 24


def heights(rig: Any, frames: Any, bone: str = "body") -> Any:
    places = []
    for frame in frames:
        bpy.context.scene.frame_set(int(np.floor(frame)), subframe=float(frame % 1))
        places.append((rig.matrix_world @ rig.pose.bones[bone].head)[2])
    return np.array(places)


def beat(rig: Any) -> Any:
    """Crouch 38, take-off 41, apex 53, land 65."""
    return rig_of(rig, bpy.context.scene).block(
        rise_frames=12, push_frames=3, pins={"takeoff": 41}, travel=1.2, heading=-90
    )


def keys_of(rig: Any) -> dict[str, list[tuple[float, float]]]:
    curves = read_curves(rig).curves
    return {
        c.label: list(zip(one.frame.tolist(), one.value.tolist(), strict=True))
        for i, c in enumerate(curves.channels)
        for one in [channel(curves, i)]
    }


def test_the_drum_beat() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    m = beat(rig).moments
    assert [m[k] for k in ("crouch", "takeoff", "apex", "land")] == [38, 41, 53, 65]
    scene.timeline_markers.new("drum", frame=58)
    before = heights(rig, [38, 41, 53, 65])
    result = rig_of(rig, scene).retime(snappiness=1.5, pins={"land": 58})
    now = dict(result.solved.moments_after)
    assert [now[k] for k in ("crouch", "takeoff", "apex", "land")] == [40, 42, 50, 58]
    after = heights(rig, [40, 42, 50, 58])
    assert after == pytest.approx(before, abs=1e-6)
    air = heights(rig, np.arange(42, 59))
    assert np.diff(air, n=2) == pytest.approx(-22.065 / 24**2, rel=1e-3)
    assert {k.name: k.frame for k in scene.timeline_markers}["drum"] == 58
    assert ("land", 58) in own_markers(scene, rig.name)
    curves = read_curves(rig).curves
    assert (curves.frame % 1 == 0).all()
    remembered = rig_of(rig, scene).remembered()[0]
    assert remembered.moments["land"] == 58
    # The remembered jump can be blocked again, and retimed back.
    back = rig_of(rig, scene).retime(rise_frames=12, pins={"crouch": 38})
    assert dict(back.solved.moments_after)["land"] == 65
    assert heights(rig, np.arange(41, 66)) - before[1] == pytest.approx(
        [G * ((12 * f - f * f / 2) / 24**2) for f in range(25)], abs=4 * NEAR
    )


def swing(rig: Any, frames: dict[int, float]) -> None:
    """An ear, by eased keys with handles of the host."""
    ear = rig.pose.bones["ear.L"]
    ear.rotation_mode = "XYZ"
    for frame, turn in frames.items():
        ear.rotation_euler = (turn, 0, 0)
        ear.keyframe_insert("rotation_euler", frame=frame)


def test_a_floaty_landing_loses_its_float_and_the_rest_of_the_shot_stays() -> None:
    """Take-off 23, apex 35, land 51, low 55, end 67: a fall of 16 frames becomes one of 12."""
    rig, scene = simple_hare(), bpy.context.scene
    floaty(rig)
    swing(rig, {5: 0.1, 23: 0.4, 41: -0.2, 42: 0.5, 51: 0.3, 67: 0.0, 80: 0.2})
    rig["satchel"] = 0.0
    for frame, value in ((51, 1.0), (67, 0.2)):
        rig["satchel"] = value
        rig.keyframe_insert('["satchel"]', frame=frame)
    before = read_curves(rig).curves
    drop = -np.diff(heights(rig, [50, 51]))[0]
    assert drop == pytest.approx(0.1484, abs=1e-4)
    moments = {"takeoff": 23, "apex": 35, "land": 51, "low": 55, "end": 67}
    result = rig_of(rig, scene).retime(
        moments={"crouch": 20, **moments}, fall_frames=12, after="stretch"
    )
    now = dict(result.solved.moments_after)
    assert (now["land"], now["low"], now["end"]) == (47, 50, 67)
    assert result.solved.physics_before.fall_gravity == pytest.approx(5.516, abs=1e-3)
    assert result.solved.answer.physics.fall_gravity == pytest.approx(9.807, abs=1e-3)
    assert -np.diff(heights(rig, [46, 47]))[0] == pytest.approx(0.1958, abs=1e-4)
    keys = keys_of(rig)
    assert [f for f, _ in keys['["satchel"][0]']] == [47, 67]
    ear = [f for f, _ in keys['pose.bones["ear.L"].rotation_euler[0]']]
    # 41|42 stay neighbours; what was at or after the end, and before the apex, stays.
    pair = ear[2:4]
    assert pair[1] - pair[0] == 1
    assert (ear[0], ear[1], ear[4], ear[5], ear[6]) == (5, 23, 47, 67, 80)
    after = read_curves(rig).curves
    for i, c in enumerate(before.channels):
        old, new = channel(before, i), channel(after, after.channels.index(c))
        for k in range(len(old.frame) - 1):
            if old.frame[k + 1] <= 35:
                for name in ("frame", "value", "left", "right", "left_type", "right_type"):
                    assert np.array_equal(getattr(old, name)[k], getattr(new, name)[k]), (c, k)
    apex = [
        (channel(before, i), channel(after, after.channels.index(c)))
        for i, c in enumerate(before.channels)
        if "location" in c.data_path
    ]
    for old, new in apex:
        a, b = np.flatnonzero(old.frame == 35), np.flatnonzero(new.frame == 35)
        if a.size:
            assert np.array_equal(old.left[a], new.left[b])
            assert np.array_equal(old.value[a], new.value[b])


def floaty(rig: Any) -> None:
    """The COG by hand: up for 12 frames under true gravity, down for 16 under less."""
    g, fps = G, 24.0
    h = g * (12 / fps) ** 2 / 2
    v, fall = g * 12 / fps**2, 2 * h / 16
    body = rig.pose.bones["body"]
    rows = [
        (20, -0.15, 0.0, 0.0), (23, 0.0, v, v), (35, h, 0.0, 0.0), (51, 0.0, -fall, -fall),
        (55, -0.2, 0.0, 0.0), (67, 0.0, 0.0, 0.0),
    ]  # fmt: skip
    for frame, z, _, _ in rows:
        body.location = (0, 0, z)
        body.keyframe_insert("location", frame=frame)
    from leapwright_blender import host

    curve = next(
        c for c in host.fcurves_of(rig) if c.data_path.endswith("location") and c.array_index == 2
    )
    points = curve.keyframe_points
    for i, (frame, z, into, out) in enumerate(rows):
        points[i].handle_left_type = points[i].handle_right_type = "FREE"
        gap_before = (frame - rows[i - 1][0]) / 3 if i else 1
        gap_after = (rows[i + 1][0] - frame) / 3 if i + 1 < len(rows) else 1
        points[i].handle_left = (frame - gap_before, z - into * gap_before)
        points[i].handle_right = (frame + gap_after, z + out * gap_after)
    curve.update()


def test_nothing_outside_the_map_and_no_foreign_channel_changes() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    beat(rig)
    swing(rig, {2: 0.1, 10: 0.2, 30: 0.5, 50: -0.3, 58: 0.1, 90: 0.0, 120: 0.4})
    other = simple_hare()
    swing(other, {38: 0.2, 60: 0.1})
    foreign = read_curves(other).curves
    before = keys_of(rig)
    result = rig_of(rig, scene).retime(snappiness=1.5)
    after = keys_of(rig)
    assert identical(read_curves(other).curves, foreign)
    ear = 'pose.bones["ear.L"].rotation_euler[0]'
    assert [v for _, v in after[ear]] == [v for _, v in before[ear]]
    assert [f for f, _ in after[ear]][:3] == [2, 10, 30]
    shift = dict(result.solved.moments_after)["low"] - dict(result.solved.moments_before)["low"]
    assert [f for f, _ in after[ear]][-2:] == [90 + shift, 120 + shift]
    assert result.keys.moved > 0


def test_dry_run_and_refusals_change_nothing() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    with pytest.raises(NotFoundError):
        rig_of(rig, scene).retime(snappiness=1.5)
    beat(rig)
    before = read_curves(rig).curves
    dry = rig_of(rig, scene).retime(snappiness=1.5, dry_run=True)
    assert dry.after is None
    assert dry.keys.moved > 0
    assert identical(read_curves(rig).curves, before)
    with pytest.raises(ClashError):
        rig_of(rig, scene).retime(snappiness=1.5, rise_frames=8)
    with pytest.raises(InputError, match="snappiness"):
        rig_of(rig, scene).retime(snappiness=-1)
    assert identical(read_curves(rig).curves, before)


def test_there_and_back_with_subframes_and_exact_shape() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    beat(rig)
    swing(rig, {2: 0.1, 30: 0.5, 40: 0.2, 47: -0.6, 50: -0.3, 60: 0.1, 90: 0.0})
    before = read_curves(rig).curves
    rig_of(rig, scene).retime(snappiness=1.3, subframes=True, exact_shape=True)
    rig_of(rig, scene).retime(snappiness=1 / 1.3, subframes=True, exact_shape=True)
    after = read_curves(rig).curves
    assert after.channels == before.channels
    for i, c in enumerate(before.channels):
        old, new = channel(before, i), channel(after, i)
        assert len(new.frame) == len(old.frame), c
        assert new.frame == pytest.approx(old.frame, abs=1e-4)
        assert new.left[:, 0] == pytest.approx(old.left[:, 0], abs=2e-4)
        assert new.value == pytest.approx(old.value, abs=1e-6)


def test_the_top_hangs() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    beat(rig)
    start = heights(rig, [41])[0]
    result = rig_of(rig, scene).retime(hang_frames=4)
    now = dict(result.solved.moments_after)
    assert now["land"] - now["takeoff"] == 28
    z = heights(rig, np.arange(now["takeoff"], now["land"] + 1)) - start
    assert z.max() == pytest.approx(G / 8, abs=1e-3)
    second = -np.diff(z, n=2) * 24**2
    # Three parabolas: the middle one is the weaker.
    assert second[2] == pytest.approx(second[-3], rel=0.02)
    assert second[13] < 0.8 * second[2]
    assert rig_of(rig, scene).remembered()[0].style["hang"] == 4
    assert (read_curves(rig).curves.frame % 1 == 0).all()


def test_selected_controls_only() -> None:
    rig, scene = simple_hare(), bpy.context.scene
    beat(rig)
    swing(rig, {38: 0.1, 53: 0.5, 65: 0.2})
    for bone in rig.pose.bones:
        holder = bone if hasattr(bone, "select") else bone.bone
        holder.select = bone.name == "ear.L"
    before = read_curves(rig).curves
    rig_of(rig, scene).retime(snappiness=1.5, selected=True)
    after = read_curves(rig).curves
    for i, c in enumerate(before.channels):
        same = identical(channel(before, i), select(after, [after.channels.index(c)]))
        assert same == ("ear.L" not in c.data_path), c
