# SPDX-License-Identifier: GPL-3.0-or-later
"""What is read of a rig: places in metres, soles, legs and keys."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
import pytest

from blender.bvh import bvh_hare
from blender.rigs import fk_hare, object_crate, simple_hare, small_hare
from leapwright_blender import rig_of
from leapwright_blender.rig import find_controls
from leapwright_blender.steps import run
from leapwright_blender.tracked import keyed_span, read_tracked
from leapwright_blender.treads import treads_of


@pytest.fixture(autouse=True)
def _empty() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = 24


def scene() -> Any:
    return bpy.context.scene


def blocked(obj: Any, **more: Any) -> Any:
    ask = {"rise_frames": 8, "push_frames": 4, **more}
    return rig_of(obj, scene()).block(**ask)


def test_the_track_is_what_stepping_the_scene_shows() -> None:
    """Against the user's own scene, stepped frame by frame, in metres of another unit."""
    scene().unit_settings.scale_length = 0.5
    obj = simple_hare()
    blocked(obj, push_frames=None, push_height=0.1)
    read = run(read_tracked(obj, scene(), cog_from="control"))
    assert keyed_span(obj) == (read.track.frames[0], read.track.frames[-1])
    assert read.controls is not None
    bone = read.source.points[0].bone
    for row, frame in enumerate(read.track.frames):
        scene().frame_set(int(frame))
        graph = bpy.context.evaluated_depsgraph_get()
        done = obj.evaluated_get(graph)
        place = done.matrix_world @ done.pose.bones[bone].head
        assert read.track.cog[row] == pytest.approx(0.5 * np.array(place), abs=1e-5)


@pytest.mark.parametrize("make", [simple_hare, fk_hare])
def test_soles_are_on_the_floor_till_the_feet_leave(make: Any) -> None:
    obj = make()
    done = blocked(obj)
    read = run(read_tracked(obj, scene()))
    assert read.track.soles is not None
    t, m = read.track.frames, done.moments
    low = read.track.soles[:, :, 2].min(axis=0)
    stands = (t <= m["takeoff"]) | (t >= m["land"])
    assert np.abs(low[stands] - low[0]).max() < 0.01
    assert low[(t > m["takeoff"] + 1) & (t < m["land"] - 1)].min() > low[0] + 0.01


def test_an_fk_foot_is_seen_to_roll_off_its_toes() -> None:
    """Lifting the heel leaves the toes where they are."""
    obj = fk_hare()
    controls = find_controls(obj, scene=scene())
    names = [tread.name for tread in treads_of(obj, controls)]
    assert any("toes" in name for name in names)
    assert len(set(names)) == len(names)


def test_a_recorded_skeleton_has_feet_legs_and_a_person_in_it() -> None:
    obj = bvh_hare()
    read = run(read_tracked(obj, scene()))
    assert read.track.soles is not None
    assert read.track.keys is not None
    assert read.track.stretch is not None
    assert np.all(read.track.stretch <= 1.001)


def test_a_leg_that_is_too_short_is_measured() -> None:
    """The body is lifted off its planted paws by more than its legs have."""
    obj = small_hare()
    controls = find_controls(obj, scene=scene())
    body = obj.pose.bones[controls.cog.bone]
    for frame, up in ((1, 0.0), (10, 0.5)):
        body.location = (0, up, up)
        body.keyframe_insert("location", frame=frame)
    read = run(read_tracked(obj, scene(), controls=controls, cog_from="control"))
    assert read.track.stretch is not None
    assert np.max(read.track.stretch[:, 0]) <= 1.0 + 1e-6
    assert np.max(read.track.stretch[:, -1]) > 1.1


def test_keys_are_those_of_body_and_feet_and_held_poses_are_seen() -> None:
    obj = simple_hare()
    done = blocked(obj, stepped=True)
    obj.pose.bones["ear.L"].keyframe_insert("rotation_euler", frame=17.5)
    read = run(read_tracked(obj, scene()))
    assert read.track.stepped
    assert read.track.keys.tolist() == sorted(done.moments.values())


def test_a_spline_is_not_held() -> None:
    obj = simple_hare()
    blocked(obj)
    assert not run(read_tracked(obj, scene())).track.stepped


def test_a_thing_without_feet_says_so() -> None:
    crate = object_crate()
    crate.keyframe_insert("location", frame=1)
    crate.keyframe_insert("location", frame=9)
    read = run(read_tracked(crate, scene()))
    assert (read.track.soles, len(read.track.frames)) == (None, 9)
    assert any("no feet" in text for text in read.warnings)
