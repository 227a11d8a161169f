# SPDX-License-Identifier: GPL-3.0-or-later
"""What is drawn of a jump, what a pointed-at landing is, and which keyed frame is which pose."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from leapwright.errors import InputError
from leapwright_blender import open_shot
from leapwright_blender.ground import ground_of
from leapwright_blender.guess import guess_poses, moments_by_height
from leapwright_blender.target import middle_of_top, standing_place, target
from leapwright_blender.trail import Trail, planned_arc, read_trail

SAMPLES = Path(__file__).resolve().parents[2] / "blend_samples"
POSES = {"start": 1, "crouch": 2, "takeoff": 3, "apex": 4, "land": 5, "low": 6, "end": 7}


@pytest.fixture
def rig() -> Any:
    return open_shot(SAMPLES / "hare_market.blend").rig("Hare")


def read(rig: Any) -> tuple[Trail, list[float]]:
    steps = read_trail(rig.name, rig.scene, at_once=7)
    shares = []
    while True:
        try:
            shares.append(next(steps))
        except StopIteration as done:
            return done.value, shares


def test_the_arc_of_a_remembered_jump_is_where_its_keys_are(rig: Any) -> None:
    rig.block(poses=POSES, jump_height=0.85)
    trail, shares = read(rig)
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    (arc,) = trail.arcs
    along = np.isin(trail.frames, arc.frames)
    np.testing.assert_allclose(trail.places[along], arc.places, atol=1e-5)
    assert {name for name, _ in arc.moments} == set(POSES)
    # The hare stands on the scene's floor before it jumps.
    np.testing.assert_allclose(arc.floor[:, 2], 0.0, atol=1e-4)
    # Free fall: the same second difference on every frame inside.
    steps = np.diff(arc.places[:, 2], 2) * 24**2
    np.testing.assert_allclose(steps, -9.80665, atol=1e-6)


def test_the_arc_of_a_hanging_fall_is_where_its_keys_are(rig: Any) -> None:
    rig.block(poses=POSES, jump_height=0.85)
    rig.retime(hang_frames=4)
    (jump,) = rig.remembered()
    assert jump.style["hang"] > 0
    trail, _ = read(rig)
    (arc,) = trail.arcs
    whole = np.isin(arc.frames, trail.frames)
    along = np.isin(trail.frames, arc.frames)
    np.testing.assert_allclose(trail.places[along], arc.places[whole], atol=5e-3)


def test_a_dry_run_gives_the_arc_that_block_writes(rig: Any) -> None:
    obj, scene = bpy.data.objects["Hare"], bpy.context.scene
    dry = rig.block(poses=POSES, jump_height=0.85, dry_run=True)
    arc = planned_arc(obj, scene, dry.controls, dry.course)
    rig.block(poses=POSES, jump_height=0.85)
    trail, _ = read(rig)
    np.testing.assert_array_equal(trail.frames, arc.frames)
    np.testing.assert_allclose(trail.places, arc.places, atol=1e-5)


def test_a_rig_that_goes_away_ends_the_reading(rig: Any) -> None:
    rig.block(poses=POSES, jump_height=0.85)
    steps = read_trail(rig.name, rig.scene, at_once=7)
    next(steps)
    next(steps)
    bpy.data.objects.remove(bpy.data.objects["Hare"])
    with pytest.raises(KeyError):
        next(steps)


def test_a_landing_that_is_pointed_at(rig: Any) -> None:
    obj, scene = bpy.data.objects["Hare"], bpy.context.scene
    ground = ground_of(scene)
    feet = standing_place(obj, scene, rig.find(), {"start": 1})
    assert feet[2] == pytest.approx(0.0, abs=1e-4)
    way = target(feet + np.array([0.3, 0.4, 0.2]), feet, ground)
    assert way.foot_travel == pytest.approx(0.5)
    assert way.landing_level == pytest.approx(0.2)
    assert way.heading == pytest.approx(np.degrees(np.arctan2(4, 3)))


def test_the_middle_of_a_turned_box(rig: Any) -> None:
    mesh = bpy.data.meshes.new("Box")
    corners = [(x, y, z) for x in (-1, 1) for y in (-2, 2) for z in (0, 3)]
    faces = [(1, 3, 7, 5), (0, 4, 6, 2)]
    mesh.from_pydata(corners, [], faces)
    box = bpy.data.objects.new("Box", mesh)
    bpy.context.scene.collection.objects.link(box)
    box.location, box.rotation_euler = (4, 5, 1), (0, 0, 0.7)
    bpy.context.view_layer.update()
    there = middle_of_top("Box", bpy.context.scene, ground_of(bpy.context.scene))
    np.testing.assert_allclose(there, [4, 5, 4], atol=1e-5)


def test_keyed_frames_are_named(rig: Any) -> None:
    obj, scene = bpy.data.objects["Hare"], bpy.context.scene
    assert guess_poses(obj, scene, rig.find()) == POSES


def test_take_off_is_the_last_frame_with_the_feet_where_they_stood() -> None:
    heights = [0.6, 0.7, 0.9, 1.2, 1.7, 1.2, 0.9, 0.7]
    lifts = [0, 0, 0.01, 0.5, 1.0, 0.6, 0.3, 0.3]
    feet = np.zeros((2, 8, 3))
    feet[:, :, 2] = lifts
    found = moments_by_height(range(1, 9), heights, feet)
    assert found == {"crouch": 1, "takeoff": 3, "apex": 5, "land": 7, "low": 8}
    # Without feet none of several is chosen.
    assert moments_by_height(range(1, 9), heights) == {"crouch": 1, "apex": 5, "low": 8}


def test_what_never_comes_down_has_no_poses() -> None:
    with pytest.raises(InputError, match="show no jump yet"):
        moments_by_height([1, 2, 3], [0.0, 0.5, 1.0])
    off = np.zeros((1, 3, 3))
    off[:, 2, 2] = 0.3
    with pytest.raises(InputError, match="mark this frame"):
        moments_by_height([1, 2, 3], [0.9, 0.6, 1.3], off)


def test_feet_that_never_leave_are_poses_on_the_ground() -> None:
    stand = np.zeros((2, 3, 3))
    found = moments_by_height([1, 2, 3], [0.9, 0.6, 0.95], stand)
    assert found == {"start": 1, "crouch": 2, "takeoff": 3}
    assert moments_by_height([2, 3], [0.6, 0.95], stand[:, :2]) == {"crouch": 2, "takeoff": 3}
