# SPDX-License-Identifier: GPL-3.0-or-later
"""The spline pass: no key added, no pose changed, the COG's air on the exact arc."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import fk_hare, simple_hare
from leapwright import InputError, NotFoundError
from leapwright.curves import Curves, Handle, Interpolation, channel
from leapwright_blender import rig_of
from leapwright_blender.read import read_curves

NEAR = 2e-5


@pytest.fixture(autouse=True)
def _empty() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = 24


def heights(rig: Any, frames: Any, bone: str = "body") -> Any:
    places = []
    for frame in frames:
        bpy.context.scene.frame_set(int(frame))
        places.append((rig.matrix_world @ rig.pose.bones[bone].head)[2])
    return np.array(places)


def keys_of(curves: Curves) -> dict[str, list[tuple[float, float]]]:
    return {
        c.label: list(zip(one.frame.tolist(), one.value.tolist(), strict=True))
        for i, c in enumerate(curves.channels)
        for one in [channel(curves, i)]
    }


def stepped_hare() -> Any:
    """Take-off on 12, apex on 24, land on 36; an ear swings, and a switch."""
    rig = simple_hare()
    ear = rig.pose.bones["ear.L"]
    ear.rotation_mode = "XYZ"
    for frame, turn in ((1, 0.0), (2, 0.4), (3, -0.6), (4, 0.1)):
        rig.pose.bones["body"].location = (0, 0, {1: 0.0, 2: -0.2, 3: 0.106, 4: 0.05}[frame])
        rig.pose.bones["body"].keyframe_insert("location", frame=frame)
        ear.rotation_euler = (turn, 0, 0)
        ear.keyframe_insert("rotation_euler", frame=frame)
        rig["hold"] = frame
        rig.keyframe_insert('["hold"]', frame=frame)
    rig_of(rig, bpy.context.scene).block(
        poses={"start": 1, "crouch": 2, "takeoff": 3, "land": 4},
        rise_frames=12, keep="poses", pins={"takeoff": 12}, stepped=True, anticipation_frames=5,
        air_frames=None,
    )  # fmt: skip
    ear.rotation_euler = (0.9, 0, 0)
    ear.keyframe_insert("rotation_euler", frame=18)
    for curve in _fcurves(rig):
        for point in curve.keyframe_points:
            point.interpolation = "CONSTANT"
    return rig


def _fcurves(rig: Any) -> Any:
    from leapwright_blender import host

    return host.fcurves_of(rig)


def test_the_stepped_block_becomes_the_exact_arc() -> None:
    rig = simple_hare()
    ear = rig.pose.bones["ear.L"]
    rig_of(rig, bpy.context.scene).block(
        rise_frames=12, push_frames=4, pins={"takeoff": 12}, stepped=True, key="touched"
    )
    ear.rotation_mode = "XYZ"
    for frame, turn in ((8, 0.4), (12, -0.3), (18, 0.9), (24, 0.2), (36, -0.5)):
        ear.rotation_euler = (turn, 0, 0)
        ear.keyframe_insert("rotation_euler", frame=frame)
    for curve in _fcurves(rig):
        for point in curve.keyframe_points:
            point.interpolation = "CONSTANT"
    before = keys_of(read_curves(rig).curves)
    start = heights(rig, [12])[0]
    result = rig_of(rig, bpy.context.scene).spline()
    after = read_curves(rig).curves
    assert {k: v for k, v in keys_of(after).items() if "ear" in k} == {
        k: v for k, v in before.items() if "ear" in k
    }
    assert {k: [f for f, _ in v] for k, v in keys_of(after).items()} == {
        k: [f for f, _ in v] for k, v in before.items()
    }
    z = heights(rig, range(12, 37)) - start
    assert z[12] == pytest.approx(1.2258, abs=1e-4)
    # 0.9194 m: three quarters of the height at half of the rise.
    assert z[6] == pytest.approx(0.9194, abs=1e-4)
    drops = -np.diff(z[12:]) * 100
    assert drops == pytest.approx(0.851 * np.arange(1, 25, 2), rel=1e-3)
    assert (after.interpolation != Interpolation.CONSTANT).all()
    assert result.measured[0].largest_distance_m < NEAR
    assert sum(k.added for k in result.keyed) == 0
    assert sum(k.replaced for k in result.keyed) == 0
    ears = [i for i, c in enumerate(after.channels) if "ear" in c.data_path]
    for i in ears:
        assert (channel(after, i).left_type == Handle.AUTO_CLAMPED).all()


def test_reposed_contacts_and_breakdowns_are_kept() -> None:
    rig = stepped_hare()
    m = rig_of(rig, bpy.context.scene).remembered()[0].moments
    body = rig.pose.bones["body"]
    bpy.context.scene.frame_set(int(m["crouch"]))
    body.location[2] -= 0.05
    body.keyframe_insert("location", frame=m["crouch"])
    # A breakdown on the COG control in the push, and one in the air that is not on the arc.
    middle = (m["crouch"] + m["takeoff"]) // 2
    for frame, z in ((middle, -0.1), (m["takeoff"] + 5, 0.9)):
        bpy.context.scene.frame_set(int(frame))
        body.location[2] = z
        body.keyframe_insert("location", frame=frame)
    for curve in _fcurves(rig):
        for point in curve.keyframe_points:
            point.interpolation = "CONSTANT"
    before = keys_of(read_curves(rig).curves)
    first = heights(rig, [m["crouch"], middle, m["takeoff"], m["land"]])
    result = rig_of(rig, bpy.context.scene).spline()
    after = keys_of(read_curves(rig).curves)
    assert {k: [f for f, _ in v] for k, v in after.items()} == {
        k: [f for f, _ in v] for k, v in before.items()
    }
    assert heights(rig, [m["crouch"], middle, m["takeoff"], m["land"]]) == pytest.approx(
        first, abs=1e-6
    )
    air = heights(rig, np.arange(m["takeoff"], m["land"] + 1))
    assert np.diff(air, n=2) == pytest.approx(-9.80665 / 24**2, abs=4 * NEAR)
    for name, keys in before.items():
        if "body" not in name and "root" not in name:
            assert after[name] == keys
    curves = read_curves(rig).curves
    switch = next(i for i, c in enumerate(curves.channels) if "hold" in c.data_path)
    assert (channel(curves, switch).interpolation == Interpolation.CONSTANT).all()
    assert any("hold" in name for name in result.stepped)


def test_handles_as_wished_and_a_dry_run_writes_nothing() -> None:
    rig = stepped_hare()
    before = keys_of(read_curves(rig).curves)
    kinds = read_curves(rig).curves.interpolation.tolist()
    dry = rig_of(rig, bpy.context.scene).spline(dry_run=True)
    assert dry.measured == ()
    assert dry.keyed
    assert keys_of(read_curves(rig).curves) == before
    assert read_curves(rig).curves.interpolation.tolist() == kinds
    rig_of(rig, bpy.context.scene).spline(handle="auto")
    curves = read_curves(rig).curves
    i = next(i for i, c in enumerate(curves.channels) if "ear" in c.data_path)
    assert (channel(curves, i).right_type == Handle.AUTO).all()
    with pytest.raises(InputError, match="auto-clamped"):
        rig_of(rig, bpy.context.scene).spline(handle="bouncy")


def test_moments_by_hand_and_nothing_to_spline() -> None:
    rig = simple_hare()
    with pytest.raises(NotFoundError, match="remembers no jump"):
        rig_of(rig, bpy.context.scene).spline()
    body = rig.pose.bones["body"]
    for frame, z in ((1, -0.2), (5, 0.1), (13, 1.0), (21, 0.1), (25, -0.2)):
        body.location = (0, 0, z)
        body.keyframe_insert("location", frame=frame)
    for curve in _fcurves(rig):
        for point in curve.keyframe_points:
            point.interpolation = "CONSTANT"
    moments = {"crouch": 1, "takeoff": 5, "apex": 13, "land": 21, "low": 25}
    with pytest.raises(InputError, match="low"):
        rig_of(rig, bpy.context.scene).spline(moments={k: moments[k] for k in list(moments)[:4]})
    rig_of(rig, bpy.context.scene).spline(moments=moments)
    air = heights(rig, range(5, 22))
    assert np.diff(air, n=2) == pytest.approx(-9.80665 / 24**2, abs=4 * NEAR)
    assert heights(rig, [1, 5, 21, 25]) == pytest.approx([0.3, 0.6, 0.6, 0.3], abs=1e-6)


def test_fk_feet_slide_and_that_is_said_unless_legs_are_keyed() -> None:
    rig, scene = fk_hare(), bpy.context.scene
    rig_of(rig, scene).block(
        rise_frames=8, push_height=0.12, push_frames=None, pins={"takeoff": 20}, stepped=True
    )
    before = keys_of(read_curves(rig).curves)
    dry = rig_of(rig, scene).spline(dry_run=True)
    assert any("slide up to" in text for text in dry.warnings)
    held = rig_of(rig, scene).spline(legs=True)
    assert not any("slide up to" in text for text in held.warnings)
    assert held.measured[0].sole_miss_m is not None
    assert held.measured[0].sole_miss_m < 5e-3
    after = keys_of(read_curves(rig).curves)
    for name, keys in before.items():
        # Poses stay, and what is new is on the legs alone.
        assert {f for f, _ in keys} <= {f for f, _ in after[name]}
        if not any(part in name for part in ("thigh", "shin", "foot")):
            assert [f for f, _ in after[name]] == [f for f, _ in keys]
    places = []
    m = rig_of(rig, scene).remembered()[0].moments
    for frame in np.arange(min(m.values()), m["takeoff"] + 1):
        scene.frame_set(int(frame))
        places.append(np.array(rig.matrix_world @ rig.pose.bones["foot.L"].head))
    assert np.linalg.norm(np.array(places) - places[0], axis=1).max() < 5e-3
