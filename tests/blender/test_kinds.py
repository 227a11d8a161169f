# SPDX-License-Identifier: GPL-3.0-or-later
"""Every kind of rig: the COG on the plan, soles planted, nothing else keyed, all else unchanged."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import KINDS, build
from leapwright.curves import Channel, channel, identical
from leapwright_blender import rig_of
from leapwright_blender.ground import ground_of
from leapwright_blender.poses import stand_on
from leapwright_blender.read import read_curves
from leapwright_blender.rig import Controls, find_controls
from leapwright_blender.space import Control

pytestmark = pytest.mark.thorough

NEAR = 2e-5
SOLES = 5e-3


def place(control: Control) -> Any:
    """World place by the host alone, in the user's own scene."""
    obj = bpy.data.objects[control.object]
    graph = bpy.context.evaluated_depsgraph_get()
    evaluated = obj.evaluated_get(graph)
    if not control.bone:
        return np.array(evaluated.matrix_world.translation)
    return np.array(evaluated.matrix_world @ evaluated.pose.bones[control.bone].head)


def track(controls: list[Control], frames: Any) -> dict[Control, Any]:
    places: dict[Control, list[Any]] = {c: [] for c in controls}
    for frame in frames:
        bpy.context.scene.frame_set(int(frame))
        for control in controls:
            places[control].append(place(control))
    return {c: np.array(p) for c, p in places.items()}


def planted(rig: Any, controls: Controls) -> list[Control]:
    """Foot controls, and feet of FK legs."""
    return [
        *controls.feet,
        *(Control(rig.name, leg.foot) for leg in controls.legs if not leg.ik),
    ]


def named(rig: Any, controls: Controls) -> set[str]:
    """Data paths' beginnings that may be keyed, by object."""
    may = {controls.cog, *controls.feet}
    if controls.root is not None:
        may.add(controls.root)
    bones = {c.bone for c in may if c.object == rig.name and c.bone}
    for leg in controls.legs:
        if not leg.ik:
            bones |= {leg.foot, *leg.chain}
    return bones


def size_of(rig: Any, controls: Controls) -> float:
    """Leg length, or the height of an object, m."""
    scene = bpy.context.scene
    stand = stand_on(rig, scene, ground_of(scene), controls, [1.0])[0]
    return min((leg[2] for leg in stand.legs.values()), default=0.5)


def foreign_keys(rig: Any) -> None:
    """Keys in the span on channels that the jump has no business with."""
    rig["flap"] = 0.0
    for frame, value in ((1, 0.0), (13, 0.7), (40, -0.2)):
        rig["flap"] = value
        rig.keyframe_insert('["flap"]', frame=frame)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("posed", [False, True])
def test_a_jump_on_every_kind_of_rig(kind: str, posed: bool) -> None:
    rig = build(kind)
    scene = bpy.context.scene
    scene.render.fps, scene.render.fps_base = 24, 1.0
    scene.frame_set(1)
    controls = find_controls(rig, folders=())
    size = size_of(rig, controls)
    if rig.animation_data is not None:
        rig.animation_data_clear()
        for bone in rig.pose.bones if rig.pose else ():
            bone.location = (0, 0, 0)
        scene.frame_set(1)
    foreign_keys(rig)
    before = read_curves(rig).curves
    known: dict[str, Any] = {
        "jump_height": 1.2 * size, "travel": size, "heading": 30.0, "pins": {"takeoff": 20},
    }  # fmt: skip
    if posed:
        key_poses(rig, controls, size)
        before = read_curves(rig).curves
        known["poses"] = {"crouch": 100, "takeoff": 101}
    else:
        known["push_height"] = 0.25 * size
    result = rig_of(rig, scene).block(**known, root=None)
    jump, m = result.jump, result.moments
    assert result.measured is not None
    assert result.measured.largest_distance_m < NEAR, kind
    first, last = int(m.get("start", m["crouch"])), int(m.get("end", m["low"]))
    frames = np.arange(first, last + 1)
    feet = planted(rig, controls)
    places = track([controls.cog, *feet], frames)
    air = (frames >= m["takeoff"]) & (frames <= m["land"])
    flown = places[controls.cog][air]
    plan = jump.cog(frames[air]).position
    assert flown - flown[0] == pytest.approx(plan - plan[0], abs=2 * NEAR)
    for foot in feet:
        way = places[foot]
        for on_ground in (frames <= m["takeoff"], frames >= m["land"]):
            still = np.linalg.norm(way[on_ground] - way[on_ground][0], axis=1).max()
            assert still < (SOLES if foot.object == rig.name and not controls.feet else NEAR), foot
    only_named_and_all_else_equal(rig, controls, before)


def key_poses(rig: Any, controls: Controls, size: float) -> None:
    """Crouch and take-off at 100 and 101, on the COG control, legs still planted for IK feet."""
    scene = bpy.context.scene
    cog = controls.cog
    obj = bpy.data.objects[cog.object]
    holder = obj.pose.bones[cog.bone] if cog.bone else obj
    stand = stand_on(rig, scene, ground_of(scene), controls, [1.0])[0]
    start = np.array(holder.location)
    up = np.linalg.inv(stand.linear[cog]) @ np.array([0, 0, 1.0])
    for frame, lift in ((100, -0.2 * size), (101, 0.0)):
        holder.location = start + up * lift
        holder.keyframe_insert("location", frame=frame)
    holder.location = start


def only_named_and_all_else_equal(rig: Any, controls: Controls, before: Any) -> None:
    after = read_curves(rig).curves
    may = named(rig, controls)
    steered_by_object = Control(rig.name) in {controls.cog, controls.root, *controls.feet}
    for i, c in enumerate(after.channels):
        if c.data_path == '["flap"]':
            old = channel(before, before.channels.index(Channel(c.data_path, c.index)))
            assert identical(channel(after, i), old)
        elif c.data_path.startswith("pose.bones"):
            assert c.data_path.split('"')[1] in may, c
        else:
            assert c.data_path == "location", c
            assert steered_by_object
