# SPDX-License-Identifier: GPL-3.0-or-later
"""Many frames: what frame_set shows, without touching the user's scene."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import simple_hare
from leapwright.errors import HostError, InputError, NotFoundError
from leapwright_blender import sample as sm
from leapwright_blender.space import Control, Point

BODY, PAW, SHIN = (Control("Hare", n) for n in ("body", "paw.L", "shin.L"))


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


@pytest.fixture
def hare() -> Any:
    rig = simple_hare()
    rig.rotation_euler, rig.location = (0.1, 0.2, 0.9), (1, -2, 0.3)
    for frame, height in ((1, 0.0), (7, -0.2), (13, 0.4)):
        rig.pose.bones["body"].location = (0.02 * frame, 0, height)
        rig.pose.bones["body"].keyframe_insert("location", frame=frame)
        rig.pose.bones["paw.L"].location = (0, 0.03 * frame, 0)
        rig.pose.bones["paw.L"].keyframe_insert("location", frame=frame)
    bpy.context.scene.frame_set(4)
    return rig


def stepped(rig: Any, bone: str, frames: list[float]) -> np.ndarray:
    """The oracle: the user's own scene, stepped."""
    out = []
    for frame in frames:
        bpy.context.scene.frame_set(int(np.floor(frame)), subframe=frame - np.floor(frame))
        done = rig.evaluated_get(bpy.context.evaluated_depsgraph_get())
        out.append(np.array(done.matrix_world @ done.pose.bones[bone].matrix))
    return np.array(out)


def test_equals_stepping_the_scene_with_ik(hare: Any) -> None:
    frames = [1, 2.5, 6, 7, 11, 13, -3]
    got = sm.sample(hare, frames, [BODY, PAW, SHIN], scene=bpy.context.scene)
    assert got.positions.shape == (3, 7, 3)
    assert got.positions.dtype == np.float64
    for row, control in enumerate((BODY, PAW, SHIN)):
        assert np.abs(got.matrices[row] - stepped(hare, control.bone, frames)).max() < 1e-6
    assert np.array_equal(got.of(PAW), got.matrices[1, :, :3, 3])


def test_the_users_scene_is_left_alone(hare: Any) -> None:
    scene = bpy.context.scene
    head = hare.pose.bones["head"]
    hare.pose.bones["body"].location = (5, 6, 7)  # posed over the keys, not keyed
    head.rotation_quaternion = (0.5, 0.5, 0.5, 0.5)
    bpy.context.view_layer.update()
    shown = np.array(head.matrix)
    before = (scene.frame_current, scene.frame_subframe, len(bpy.data.scenes), hare.users)
    sm.sample(hare, range(1, 14), [BODY], scene=scene)
    assert (scene.frame_current, scene.frame_subframe, len(bpy.data.scenes), hare.users) == before
    bpy.context.view_layer.update()
    assert tuple(hare.pose.bones["body"].location) == (5, 6, 7)
    assert np.array_equal(np.array(head.matrix), shown)


def test_steps_see_what_one_go_sees_and_leave_nothing_when_they_are_stopped(hare: Any) -> None:
    scene, frames = bpy.context.scene, np.arange(1, 3 * sm.AT_ONCE)
    hare.hide_viewport = True
    asked = (hare, frames, [BODY, SHIN])
    steps = list(sm.sampling(*asked, scene=scene))
    assert [step.share for step in steps] == pytest.approx(
        [sm.AT_ONCE / len(frames), 2 * sm.AT_ONCE / len(frames), 1.0]
    )
    whole = sm.sample(*asked, scene=scene)
    one_by_one = [sm.sample(hare, f, asked[2], scene=scene).matrices[:, 0] for f in frames]
    assert np.array_equal(whole.matrices, np.stack(one_by_one, axis=1))
    going = sm.sampling(*asked, scene=scene)
    next(going)
    going.close()
    assert (len(bpy.data.scenes), hare.hide_viewport, scene.frame_current) == (1, True, 4)


def test_the_side_scene_goes_even_when_it_fails(hare: Any) -> None:
    hare.hide_viewport = True
    shown = []

    def fail() -> None:
        with sm.side_scene(bpy.context.scene, [hare]):
            shown.append(not hare.hide_viewport)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail()
    assert shown == [True]
    assert len(bpy.data.scenes) == 1
    assert hare.hide_viewport


def test_a_rig_switched_off_in_viewports_is_read(hare: Any) -> None:
    expected = stepped(hare, "body", [9])
    hare.hide_viewport = True
    got = sm.sample(hare, [9], [BODY], scene=bpy.context.scene)
    assert np.abs(got.matrices[0] - expected).max() < 1e-6
    assert hare.hide_viewport


def test_a_driver_that_looks_at_the_scene_is_right(hare: Any) -> None:
    scene = bpy.context.scene
    driver = hare.pose.bones["body"].driver_add("location", 2).driver
    driver.type = "SUM"
    target = driver.variables.new().targets[0]
    target.id_type, target.id, target.data_path = "SCENE", scene, "frame_current"
    hare.pose.bones["head"].rotation_quaternion = (0.5, 0.5, 0.5, 0.5)
    scene.frame_set(4)
    got = sm.sample(hare, [2, 9], [BODY], scene=scene)
    assert np.abs(got.matrices[0] - stepped(hare, "body", [2, 9])).max() < 1e-6
    rise = got.positions[0, 1] - got.positions[0, 0]
    assert np.linalg.norm(rise) > 6
    assert tuple(hare.pose.bones["head"].rotation_quaternion) == (0.5, 0.5, 0.5, 0.5)


def test_the_fallback_puts_frame_and_unkeyed_pose_back(hare: Any) -> None:
    scene = bpy.context.scene
    target = hare.pose.bones["ear.L"].driver_add("location", 0).driver.variables.new().targets[0]
    target.id_type, target.id, target.data_path = "SCENE", scene, "frame_current"
    hare.pose.bones["body"].location = (5, 6, 7)
    sm.sample(hare, [2, 9], [BODY], scene=scene)
    assert scene.frame_current == 4
    assert tuple(hare.pose.bones["body"].location) == (5, 6, 7)


def test_points_and_other_objects(hare: Any) -> None:
    crate = bpy.data.objects.new("Crate", None)
    bpy.context.scene.collection.objects.link(crate)
    crate.location = (0, 0, 1)
    crate.keyframe_insert("location", frame=1)
    crate.location = (0, 0, 3)
    crate.keyframe_insert("location", frame=11)
    crate.animation_data.action.use_frame_range = False
    spot = Point("Hare", "body", (0.0, 0.3, 0.0))
    got = sm.sample(hare, [1, 11], [spot, Control("Crate"), BODY], scene=bpy.context.scene)
    assert got.of(Control("Crate"))[:, 2] == pytest.approx([1, 3])
    assert np.linalg.norm(got.of(spot) - got.of(BODY), axis=1) == pytest.approx(0.3, abs=1e-6)


def test_rate_unit_and_gravity_are_the_scenes() -> None:
    scene = bpy.context.scene
    rig = simple_hare()
    scene.render.fps, scene.render.fps_base = 24, 1.001
    scene.unit_settings.scale_length = 0.01
    scene.gravity = (0, 1, -981)
    got = sm.sample(rig, [1], [BODY], scene=scene)
    assert got.frame_rate == Fraction(24000, 1001)
    assert got.metres_per_unit == pytest.approx(0.01)
    assert got.gravity == pytest.approx([0, 0.01, -9.81])
    scene.render.fps, scene.render.fps_base = 25, 1.0
    assert sm.frame_rate(scene) == 25


def test_time_remapping_is_followed(hare: Any) -> None:
    scene = bpy.context.scene
    scene.render.frame_map_old, scene.render.frame_map_new = 100, 200
    got = sm.sample(hare, [3, 8], [BODY], scene=scene)
    assert np.abs(got.matrices[0] - stepped(hare, "body", [3, 8])).max() < 1e-6


def test_bad_input_is_named(hare: Any) -> None:
    scene = bpy.context.scene
    with pytest.raises(InputError, match="`points`"):
        sm.sample(hare, [1], [], scene=scene)
    for frames in ([], [1, float("nan")]):
        with pytest.raises(InputError, match="`frames`"):
            sm.sample(hare, frames, [BODY], scene=scene)
    with pytest.raises(NotFoundError, match=r"no bone 'bdy'.*body"):
        sm.sample(hare, [1], [Control("Hare", "bdy")], scene=scene)
    hare.data.pose_position = "REST"
    with pytest.raises(HostError, match="rest position"):
        sm.sample(hare, [1], [BODY], scene=scene)
    assert len(bpy.data.scenes) == 1
