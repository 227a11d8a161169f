# SPDX-License-Identifier: GPL-3.0-or-later
"""The beginner's jump, keyed at crouch, apex and low alone: found, named, fixed, still itself."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from leapwright_blender import open_shot

pytestmark = pytest.mark.thorough

SAMPLE = Path(__file__).parents[2] / "blend_samples" / "hare_first_hops.blend"
KEYS = (1, 10, 19, 29, 39, 51, 63, 72, 81)
FLOOR_M = 0.0075
"""How high a foot of this hare is when it is off the floor."""


def fcurves(action: Any) -> list[Any]:
    """Of an action with slots or without."""
    if hasattr(action, "fcurves"):
        return list(action.fcurves)
    return [c for layer in action.layers for s in layer.strips for b in s.channelbags
            for c in b.fcurves]  # fmt: skip


def raw_keys(rig: Any) -> dict[tuple[str, int], list[tuple[float, float]]]:
    return {
        (c.data_path, c.array_index): [tuple(k.co) for k in c.keyframe_points]
        for c in fcurves(rig.animation_data.action)
    }


def mesh_centre(rig: Any) -> np.ndarray[Any, Any]:
    """Centre of the volume of the evaluated skin: brute force, every closed piece of it."""
    graph = bpy.context.evaluated_depsgraph_get()
    evaluated = bpy.data.objects["Hare_mesh"].evaluated_get(graph)
    mesh = evaluated.to_mesh()
    mesh.calc_loop_triangles()
    at = np.empty(3 * len(mesh.vertices), np.float32)
    mesh.vertices.foreach_get("co", at)
    corner = np.empty(3 * len(mesh.loop_triangles), np.int32)
    mesh.loop_triangles.foreach_get("vertices", corner)
    evaluated.to_mesh_clear()
    world = np.array(evaluated.matrix_world)
    points = at.reshape(-1, 3).astype(np.float64) @ world[:3, :3].T + world[:3, 3]
    a, b, c = (points[corner.reshape(-1, 3)[:, i]] for i in range(3))
    volume = np.einsum("ij,ij->i", a, np.cross(b, c)) / 6
    return np.asarray((volume[:, None] * (a + b + c) / 4).sum(axis=0) / volume.sum())


def stepped(rig: Any, last: int = 81) -> tuple[Any, Any]:
    """The scene stepped: the skin's centre in the first two airs, balls and toes of the feet."""
    scene = bpy.context.scene
    centre, feet = [], []
    for frame in range(1, last + 1):
        scene.frame_set(frame)
        view = rig.evaluated_get(bpy.context.evaluated_depsgraph_get())
        bones = view.pose.bones
        looked_at = 3 <= frame <= 17 or 21 <= frame <= 37
        centre.append(mesh_centre(rig) if looked_at else np.full(3, np.nan))
        feet.append(
            [
                [(view.matrix_world @ place)[:] for place in
                 (bones[f"toe.{s}"].head, bones[f"toe.{s}"].tail)]
                for s in "LR"
            ]
        )  # fmt: skip
    return np.array(centre), np.array(feet)


@pytest.fixture(scope="module")
def beginner() -> Any:
    """Before, the fix, and after, all stepped."""
    shot = open_shot(SAMPLE)
    rig = bpy.data.objects["Hare"]
    keys, before = raw_keys(rig), stepped(rig)
    result = shot.rig("Hare").fix()
    again = shot.rig("Hare").check()
    return keys, before, result, raw_keys(rig), stepped(rig), again


def test_all_four_are_found_and_named(beginner: Any) -> None:
    _, (_, feet), result, _, _, _ = beginner
    before = result.before
    assert before.cog_from == "mesh"
    assert len(before.jumps) == 4
    up = feet[:, :, :, 2].min(axis=(1, 2)) > FLOOR_M
    for jump, (crouch, low) in zip(before.jumps, pairwise(KEYS[::2]), strict=True):
        air = np.flatnonzero(up[crouch - 1 : low]) + crouch
        assert abs(jump.moments.takeoff - (air[0] - 1)) <= 1
        assert abs(jump.moments.land - (air[-1] + 1)) <= 1
        kinds = {finding.id for finding in before.of(jump.number)}
        assert "no_key_on_contact" in kinds
        if jump.magnification > 1.5:
            assert {"gains_after_takeoff", "off_arc"} <= kinds
    assert sum(jump.magnification > 1.5 for jump in before.jumps) >= 3


def test_after_the_fix_the_check_is_clean(beginner: Any) -> None:
    _, _, result, _, _, again = beginner
    assert all(one.written for one in result.done)
    assert not result.left
    assert len(again.jumps) == 4
    assert again.worst in (None, "note")


def test_poses_on_their_keys_are_unchanged(beginner: Any) -> None:
    """Every value that was keyed is there to the bit, as often as before; apex keys may move."""
    keys, _, result, after, _, _ = beginner
    moved = {a: b for one in result.keys for a, b in one.moved}
    assert set(moved) <= set(KEYS[1::2])
    assert set(keys) == set(after)
    for channel, points in keys.items():
        now = dict(after[channel])
        for frame, value in points:
            assert now[moved.get(frame, frame)] == value
        assert all(frame % 1 == 0 for frame in now)


def test_contact_keys_are_where_the_feet_are(beginner: Any) -> None:
    _, _, result, after, _, _ = beginner
    for jump in result.after.jumps:
        for channel in (
            ('pose.bones["body"].location', 1),
            ('pose.bones["thigh.L"].rotation_euler', 0),
        ):
            frames = [frame for frame, _ in after[channel]]
            assert jump.takeoffs.contact in frames
            assert jump.contact_land in frames


def test_the_air_is_one_arc(beginner: Any) -> None:
    """Second differences of the skin's own centre in the air are one gravity, and its way on level
    ground has one speed; the fit of a parabola is within the distance asked for."""
    _, (was, _), result, _, (now, _), _ = beginner
    for jump in result.before.jumps[:2]:
        first, last = int(jump.takeoffs.contact), int(jump.contact_land)
        t = np.arange(first, last + 1, dtype=np.float64)
        for heights, least, most in ((was, 0.008, 1.0), (now, 0.0, 0.005)):
            z = heights[first - 1 : last, 2]
            off = np.abs(z - np.polyval(np.polyfit(t, z, 2), t)).max()
            assert least <= off <= most
        place = now[first - 1 : last]
        pace = np.diff(place[:, 0])
        assert np.ptp(pace) < 0.01
        assert np.all(np.diff(place[:, 2], n=2) < 0)


def test_planted_feet_stand(beginner: Any) -> None:
    _, (_, was), result, _, (_, now), _ = beginner
    slid_before, slid_after = 0.0, 0.0
    for jump in result.before.jumps:
        first, last = round(jump.moments.crouch), int(jump.takeoffs.contact)
        for feet, name in ((was, "before"), (now, "after")):
            ball = feet[max(first, 1) - 1 : last, :, 0, :2]
            slid = float(np.linalg.norm(ball - ball[:1], axis=-1).max())
            if name == "before":
                slid_before = max(slid_before, slid)
            else:
                slid_after = max(slid_after, slid)
    assert slid_before > 0.05
    assert slid_after < 0.012


def test_the_source_in_use_goes_on_the_arc() -> None:
    shot = open_shot(SAMPLE)
    rig = bpy.data.objects["Hare"]
    keys = raw_keys(rig)
    dry = shot.rig("Hare").fix(cog_from="control", dry_run=True)
    assert dry.after.worst in (None, "note")
    assert raw_keys(rig) == keys
    assert len(bpy.data.actions) == 1
    result = shot.rig("Hare").fix(cog_from="control")
    assert result.keys == dry.keys
    assert result.after.cog_from == "control"
    assert not result.left
    assert all(one.written for one in result.done)
    assert len(result.after.jumps) == 4
    for channel, points in raw_keys(rig).items():
        assert set(keys[channel]) <= set(points)
    # On the control a parabola is exact between its keys: every second difference is alike.
    place = stepped_control(rig)
    for jump in result.after.jumps[:2]:
        first, last = int(jump.takeoffs.contact), int(jump.contact_land)
        bend = np.diff(place[first - 1 : last, 2], n=2)
        assert np.ptp(bend) < 2e-5
        assert np.ptp(np.diff(place[first - 1 : last, 0])) < 1e-4


def stepped_control(rig: Any) -> Any:
    places = []
    for frame in range(1, 82):
        bpy.context.scene.frame_set(frame)
        places.append((rig.matrix_world @ rig.pose.bones["body"].head)[:])
    return np.array(places)


def test_contact_keys_alone_change_no_shape() -> None:
    shot = open_shot(SAMPLE)
    rig = bpy.data.objects["Hare"]
    curves = {(c.data_path, c.array_index): c for c in fcurves(rig.animation_data.action)}
    at = np.arange(1, 81.25, 0.25)
    before = {name: [c.evaluate(t) for t in at] for name, c in curves.items()}
    result = shot.rig("Hare").fix(only=["no_key_on_contact"], jump=1, cog_from="control")
    added = [one for one in result.done if one.written]
    assert {one.fix for one in result.done} == {"add_contact_keys"}
    assert added
    for c in fcurves(rig.animation_data.action):
        now = [c.evaluate(t) for t in at]
        assert np.allclose(now, before[c.data_path, c.array_index], atol=2e-5)
