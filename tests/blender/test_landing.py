# SPDX-License-Identifier: GPL-3.0-or-later
"""Landing on a picked object, foot by foot, and refusing ground that moves."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import fk_hare, simple_hare
from leapwright import ClashError, HostError, InputError, NotFoundError
from leapwright_blender import rig_of

NEAR = 2e-5


@pytest.fixture(autouse=True)
def _empty() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = 24


def crate(top: float, *, y: float = -1.5, tilt: float = 0.0) -> Any:
    bpy.ops.mesh.primitive_cube_add(size=1, location=(0, y, top - 0.5), rotation=(0, tilt, 0))
    box = bpy.context.object
    box.name = "Crate"
    bpy.context.view_layer.update()
    return box


def heights(rig: Any, bone: str, frames: Any) -> Any:
    found = []
    for frame in frames:
        bpy.context.scene.frame_set(int(frame))
        found.append((rig.matrix_world @ rig.pose.bones[bone].head)[2])
    return np.array(found)


ASK: dict[str, Any] = {"jump_height": 1.0, "push_height": 0.15, "foot_travel": 1.5, "heading": -90}


@pytest.mark.parametrize("air", ["root", "feet"])
def test_the_feet_come_down_on_the_crate(air: str) -> None:
    rig = simple_hare()
    crate(0.3)
    result = rig_of(rig, bpy.context.scene).block(**ASK, ground="Crate", air=air)
    assert result.jump.landing_level == pytest.approx(0.3, abs=1e-5)
    m = result.moments
    for paw in ("paw.L", "paw.R"):
        z = heights(rig, paw, np.arange(m["land"], m["end"] + 1))
        assert z == pytest.approx(0.1 + 0.3, abs=NEAR)
    assert result.measured is not None
    assert result.measured.largest_distance_m < NEAR


@pytest.mark.parametrize("air", ["root", "feet"])
def test_each_foot_stands_on_the_ground_under_it(air: str) -> None:
    rig = simple_hare()
    crate(0.3, tilt=0.25)
    result = rig_of(rig, bpy.context.scene).block(**ASK, ground="Crate", air=air)
    # The top leans along X through (0, 0.3): worked out by hand at x = ±0.1.
    m = result.moments
    level = 0.5 / np.cos(0.25) - 0.2
    for paw, x in (("paw.L", 0.1), ("paw.R", -0.1)):
        z = heights(rig, paw, [m["land"], m["low"], m["end"]])
        assert z == pytest.approx(0.1 + level - x * np.tan(0.25), abs=1e-4)
    assert result.measured is not None
    assert result.measured.largest_distance_m < NEAR


def test_fk_legs_stand_on_it_too() -> None:
    rig = fk_hare()
    crate(0.3, tilt=0.1)
    result = rig_of(rig, bpy.context.scene).block(**ASK, ground="Crate")
    m = result.moments
    level = 0.5 / np.cos(0.1) - 0.2
    for foot, x in (("foot.L", 0.1), ("foot.R", -0.1)):
        z = heights(rig, foot, np.arange(m["land"], m["end"] + 1))
        assert z == pytest.approx(0.1 + level - x * np.tan(0.1), abs=5e-3)


def test_moving_ground_and_moving_parents_are_refused() -> None:
    rig = simple_hare()
    box = crate(0.3)
    for frame, x in ((1, 0.0), (60, 0.4)):
        box.location[0] = x
        box.keyframe_insert("location", frame=frame)
    with pytest.raises(HostError, match=r"'Crate' moves .* m between frames"):
        rig_of(rig, bpy.context.scene).block(**ASK, ground="Crate")
    rig.parent = box
    with pytest.raises(HostError, match="'Crate'"):
        rig_of(rig, bpy.context.scene).block(**ASK)
    assert rig.animation_data is None
    # A parent that has come to rest is ground like any other.
    for curve in _fcurves(box):
        curve.keyframe_points[-1].co[0] = 2
        curve.update()
    late = rig_of(rig, bpy.context.scene).block(**ASK, shot_start=10)
    assert late.measured is not None
    assert late.measured.largest_distance_m < NEAR


def _fcurves(obj: Any) -> Any:
    from leapwright_blender import host

    return host.fcurves_of(obj)


def test_what_contradicts_or_is_not_there() -> None:
    rig = rig_of(simple_hare(), bpy.context.scene)
    crate(0.3)
    with pytest.raises(ClashError, match="ground"):
        rig.block(**ASK, ground="Crate", landing_level=0.2)
    with pytest.raises(NotFoundError, match="Crate"):
        rig.block(**ASK, ground="Crat")
    with pytest.raises(InputError, match="nothing under"):
        rig.block(**{**ASK, "foot_travel": 4.0}, ground="Crate")
