# SPDX-License-Identifier: GPL-3.0-or-later
"""Hop chains: a jump that begins in the low of the one before, and both stay what they are."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

from blender.rigs import simple_hare
from leapwright import ClashError, NotFoundError
from leapwright.curves import channel
from leapwright_blender import rig_of
from leapwright_blender.read import read_curves

NEAR = 2e-5
HEIGHT = 0.1532


@pytest.fixture(autouse=True)
def _empty() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = 24


def heights(rig, frames):
    places = []
    for frame in frames:
        bpy.context.scene.frame_set(int(frame))
        places.append((rig.matrix_world @ rig.pose.bones["body"].head)[2])
    return np.array(places)


def hop(rig, **more):
    return rig_of(rig, bpy.context.scene).block(
        rise_frames=6,
        push_height=HEIGHT,
        absorb_height=HEIGHT,
        anticipation_frames=0,
        recover_frames=0,
        keep="poses",
        **more,
    )


def test_two_hops_share_the_low() -> None:
    rig = simple_hare()
    first = hop(rig, pins={"crouch": 1})
    assert dict(first.moments) == {
        "crouch": 1, "takeoff": 4, "apex": 10, "land": 16, "low": 19,
    }  # fmt: skip
    second = rig_of(rig, bpy.context.scene).block(
        rise_frames=6, push_height=HEIGHT, absorb_height=HEIGHT, recover_frames=0, keep="poses",
        chain=True,
    )  # fmt: skip
    assert second.moments == {"crouch": 19, "takeoff": 22, "apex": 28, "land": 34, "low": 37}
    z = heights(rig, range(1, 38))
    g = 9.80665 / 24**2
    for takeoff in (4, 22):
        air = z[takeoff - 1 : takeoff + 12]
        assert np.diff(air, n=2) == pytest.approx(-g, abs=4 * NEAR)
    one, two = z[:19], z[18:]
    assert one == pytest.approx(two, abs=NEAR)
    remembered = rig_of(rig, bpy.context.scene).remembered()
    assert [r.moments["takeoff"] for r in remembered] == [4, 22]
    names = {m.name: m.frame for m in bpy.context.scene.timeline_markers}
    assert sorted(names.values()) == [1, 4, 10, 16, 19, 19, 22, 28, 34, 37]


def test_each_hop_has_its_own_height_and_travel_and_the_first_recover_gives_way() -> None:
    rig = simple_hare()
    scene = bpy.context.scene
    rig_of(rig, scene).block(rise_frames=6, push_height=0.2, travel=0.5, heading=0)
    low = rig_of(rig, scene).remembered()[0].moments["low"]
    before = heights(rig, range(1, int(low) + 1))
    curves = read_curves(rig).curves
    after_low = [f for f in curves.frame if f > low]
    assert after_low
    result = rig_of(rig, scene).block(
        jump_height=0.8, push_height=0.25, travel=1.0, heading=0, chain=True
    )
    replaced = [f for k in result.keyed for f in k.gone]
    assert set(after_low) <= set(replaced)
    assert result.measured.largest_distance_m < NEAR
    assert heights(rig, range(1, int(low) + 1)) == pytest.approx(before, abs=NEAR)
    third = rig_of(rig, scene).block(rise_frames=5, magnification=1.5, chain=True)
    assert third.moments["crouch"] == result.moments["low"]
    assert third.measured.largest_distance_m < NEAR
    now = read_curves(rig).curves
    for i, _ in enumerate(now.channels):
        frames = channel(now, i).frame
        assert np.all(frames % 1 == 0)
        assert np.all(np.diff(frames) > 0)


def test_a_chain_needs_a_first_jump_and_a_free_crouch() -> None:
    rig = simple_hare()
    with pytest.raises(NotFoundError, match="chain"):
        hop(rig, chain=True)
    hop(rig, pins={"crouch": 1})
    for more in ({"pins": {"crouch": 20}}, {"poses": {"crouch": 19}}):
        with pytest.raises(ClashError, match="frame 19"):
            rig_of(rig, bpy.context.scene).block(rise_frames=6, push_height=0.1, chain=True, **more)
