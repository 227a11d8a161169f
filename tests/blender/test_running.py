# SPDX-License-Identifier: GPL-3.0-or-later
"""Jumps out of a run whose speed is read from the keys before them."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import fk_hare, simple_hare
from leapwright import InputError
from leapwright_blender import rig_of

NEAR = 2e-5


@pytest.fixture(autouse=True)
def _empty() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = 24


def run_up(rig: Any, speed: float, *, until: int = 30) -> None:
    """The root runs along -Y at a speed in m/s and the body bobs once in 8 frames."""
    for frame in range(1, until + 1):
        rig.pose.bones["root"].location = (0, -speed * (frame - 1) / 24, 0)
        rig.pose.bones["root"].keyframe_insert("location", frame=frame)
        rig.pose.bones["body"].location = (0, 0, 0.03 * np.cos(frame * np.pi / 4))
        rig.pose.bones["body"].keyframe_insert("location", frame=frame)


def cog(rig: Any, frames: Any) -> Any:
    places = []
    for frame in frames:
        bpy.context.scene.frame_set(int(frame))
        places.append(np.array(rig.matrix_world @ rig.pose.bones["body"].head))
    return np.array(places)


@pytest.mark.parametrize("make", [simple_hare, fk_hare])
def test_the_air_goes_on_as_the_run_came(make: Any) -> None:
    rig = make()
    run_up(rig, 4.0)
    bpy.context.scene.frame_set(30)
    result = rig_of(rig, bpy.context.scene).block(
        rise_frames=8, push_frames=3, running="measured", pins={"crouch": 30}, replace=True
    )
    assert result.jump.travel_speed == pytest.approx(4.0, abs=1e-3)
    assert result.jump.heading == pytest.approx(-90, abs=0.1)
    m = result.moments
    way = cog(rig, np.arange(m["takeoff"], m["land"] + 1))
    assert np.diff(way[:, 1]) == pytest.approx(-4.0 / 24, abs=1e-3 / 24 + 4 * NEAR)
    assert np.diff(way[:, 2], n=2) == pytest.approx(-9.80665 / 24**2, abs=4 * NEAR)


def test_travel_that_the_run_cannot_give_is_said() -> None:
    rig = simple_hare()
    run_up(rig, 4.0)
    bpy.context.scene.frame_set(30)
    # 12 air frames are half a second: 2.4 m need 4.8 m/s.
    known: dict[str, Any] = {
        "rise_frames": 6, "push_frames": 3, "running": "measured", "pins": {"crouch": 30},
        "replace": True, "dry_run": True,
    }  # fmt: skip
    result = rig_of(rig, bpy.context.scene).block(**known, travel=2.4)
    said = [w for w in result.warnings if "4.8 m/s" in w]
    assert len(said) == 1
    assert "the run has 4.0" in said[0]
    assert result.jump.travel == pytest.approx(2.0, abs=1e-2)
    quiet = rig_of(rig, bpy.context.scene).block(**known, travel=2.0)
    assert not [w for w in quiet.warnings if "m/s" in w]


def test_no_run_is_refused() -> None:
    rig = simple_hare()
    run_up(rig, 0.0)
    bpy.context.scene.frame_set(30)
    with pytest.raises(InputError, match="running"):
        rig_of(rig, bpy.context.scene).block(
            rise_frames=6, push_frames=3, running="measured", pins={"crouch": 30}, replace=True
        )
