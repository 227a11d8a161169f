# SPDX-License-Identifier: GPL-3.0-or-later
"""Fixes: a fault is put into a sound jump, named, fixed, gone; everything else is as it was."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import fk_hare, simple_hare
from leapwright import InputError
from leapwright.fingerprint import changed_keys
from leapwright_blender import rig_of
from leapwright_blender.read import read_curves

START, CROUCH, TAKEOFF, APEX, LAND = 24, 36, 41, 51, 61


@pytest.fixture(autouse=True)
def _empty() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = 24


def sound(build: Callable[[], Any] = simple_hare) -> tuple[Any, Any, dict[str, float]]:
    """A blocked jump with nothing off, feet keyed at all moments as an animator does."""
    rig = build()
    rig.pose.bones["body"].location.z = -0.06
    for side in "LR":
        for bone in ("thigh", "shin", "foot"):
            rig.pose.bones[f"{bone}.{side}"].rotation_mode = "XYZ"
    handle = rig_of(rig, bpy.context.scene)
    moments = handle.block(
        rise_frames=10, push_frames=5, pins={"takeoff": TAKEOFF}, travel=0.6, heading=-90
    ).moments
    if "paw.L" in rig.pose.bones:
        for frame in moments.values():
            bpy.context.scene.frame_set(int(frame))
            for side in "LR":
                rig.pose.bones[f"paw.{side}"].keyframe_insert("location", frame=int(frame))
    assert handle.check().worst in (None, "note")
    return rig, handle, dict(moments)


def fcurves(rig: Any) -> list[Any]:
    action = rig.animation_data.action
    if hasattr(action, "fcurves"):
        return list(action.fcurves)
    bags = [bag for layer in action.layers for strip in layer.strips for bag in strip.channelbags]
    return [curve for bag in bags for curve in bag.fcurves]


def of(rig: Any, bone: str, axis: int | None = None, what: str = "location") -> list[Any]:
    return [
        c for c in fcurves(rig)
        if c.data_path == f'pose.bones["{bone}"].{what}' and axis in (None, c.array_index)
    ]  # fmt: skip


def move(curve: Any, frame: float, to: float) -> None:
    for key in curve.keyframe_points:
        if abs(key.co.x - frame) < 0.01:
            by = to - frame
            key.co.x, key.handle_left.x, key.handle_right.x = (
                to, key.handle_left.x + by, key.handle_right.x + by,
            )  # fmt: skip
    curve.update()


def lift(curve: Any, frame: float, by: float) -> None:
    for key in curve.keyframe_points:
        if abs(key.co.x - frame) < 0.01:
            key.co.y, key.handle_left.y, key.handle_right.y = (
                key.co.y + by, key.handle_left.y + by, key.handle_right.y + by,
            )  # fmt: skip
    curve.update()


def bits(rig: Any) -> dict[str, bytes]:
    """Every channel to the bit."""
    curves = read_curves(rig).curves
    return {
        name.label: b"".join(
            getattr(curves, part)[curves.starts[i] : curves.starts[i + 1]].tobytes()
            for part in ("frame", "value", "left", "right", "interpolation", "left_type")
        )
        for i, name in enumerate(curves.channels)
    }


def values(rig: Any) -> dict[str, list[float]]:
    """Keyed values of every channel in time order."""
    return {f"{c.data_path}[{c.array_index}]": [k.co.y for k in c.keyframe_points]
            for c in fcurves(rig)}  # fmt: skip


def stepped(rig: Any, bone: str, first: int, last: int) -> Any:
    places = []
    for frame in range(first, last + 1):
        bpy.context.scene.frame_set(frame)
        places.append((rig.matrix_world @ rig.pose.bones[bone].head)[:])
    return np.array(places)


def kinds(told: Any) -> set[str]:
    return {finding.id for finding in told.findings if finding.severity != "note"}


def eased(rig: Any, m: dict[str, float]) -> None:
    for curve in of(rig, "root"):
        for key in curve.keyframe_points:
            key.handle_left_type = key.handle_right_type = "AUTO_CLAMPED"
        curve.update()


def long_push(rig: Any, m: dict[str, float]) -> None:
    for curve in fcurves(rig):
        move(curve, m["crouch"], m["crouch"] - 6)


def short_push(rig: Any, m: dict[str, float]) -> None:
    for curve in fcurves(rig):
        move(curve, m["crouch"], m["crouch"] + 3)


def late_apex(rig: Any, m: dict[str, float]) -> None:
    for curve in fcurves(rig):
        move(curve, m["apex"], m["apex"] + 3)


def uneven(rig: Any, m: dict[str, float]) -> None:
    lift(of(rig, "root", 1)[0], m["apex"], 0.2)


def speed_step(rig: Any, m: dict[str, float]) -> None:
    (curve,) = of(rig, "body", 2)
    for key in curve.keyframe_points:
        if key.co.x == m["takeoff"]:
            key.handle_left_type = key.handle_right_type = "FREE"
            key.handle_left.y = key.co.y + 0.3 * (key.handle_left.y - key.co.y)
    curve.update()


def sliding(rig: Any, m: dict[str, float]) -> None:
    lift(of(rig, "paw.L", 1)[0], m["takeoff"], 0.09)


def sinking(rig: Any, m: dict[str, float]) -> None:
    lift(of(rig, "paw.L", 2)[0], m["low"], -0.06)


def between(rig: Any, m: dict[str, float]) -> None:
    for curve in of(rig, "body"):
        move(curve, m["low"], m["low"] + 0.3)


CASES = [
    # fault, named, fixes, bones that may change, whose keyed values may change
    (eased, {"off_arc"}, {"lay_arc"}, {"body", "root"}, set()),
    (long_push, {"push_long"}, {"retime_push"}, {"body", "paw.L", "paw.R"}, set()),
    (short_push, {"push_short"}, {"retime_push"}, {"body", "paw.L", "paw.R"}, set()),
    (late_apex, {"off_arc"}, {"lay_arc"}, {"body", "root", "paw.L", "paw.R"}, set()),
    (uneven, {"travel_uneven"}, {"even_travel"}, {"body", "root"}, {"root"}),
    (speed_step, {"speed_step"}, {"retime_push"}, {"body"}, set()),
    (sliding, {"foot_slides"}, {"plant_feet"}, {"paw.L"}, {"paw.L"}),
    (sinking, {"foot_below_floor"}, {"plant_feet"}, {"paw.L"}, {"paw.L"}),
    (between, {"key_between_frames"}, {"move_keys"}, {"body"}, set()),
]


@pytest.mark.parametrize("case", CASES, ids=[case[0].__name__ for case in CASES])
def test_a_fault_is_named_and_fixed(case: Any) -> None:
    fault, named, fixes, may_change, other_values = case
    rig, handle, moments = sound()
    fault(rig, moments)
    before, posed = bits(rig), values(rig)
    result = handle.fix()
    assert named <= kinds(result.before)
    assert fixes <= {one.fix for one in result.done}
    assert all(one.written for one in result.done), [one.text for one in result.done]
    assert not result.left
    assert not kinds(handle.check())
    changed = {name for name, now in bits(rig).items() if before[name] != now}
    assert {name.split('"')[1] for name in changed} <= may_change
    assert changed == {one.channel for one in result.keys}
    for name, own in values(rig).items():
        if name.split('"')[1] not in other_values:
            assert own == posed[name], name
    for curve in fcurves(rig):
        assert all(key.co.x % 1 == 0 for key in curve.keyframe_points)


def test_the_relaid_air_is_the_parabola_of_its_poses() -> None:
    """Second differences of the stepped scene are one gravity on every frame of the air."""
    rig, handle, moments = sound()
    eased(rig, moments)
    top = stepped(rig, "body", APEX, APEX)[0, 2]
    handle.fix()
    place = stepped(rig, "body", TAKEOFF, LAND)
    bend = np.diff(place[:, 2], n=2)
    assert np.abs(bend + 9.80665 / 24**2).max() < 3e-5
    assert np.ptp(np.diff(place[:, 1])) < 3e-5
    assert abs(place[APEX - TAKEOFF, 2] - top) < 1e-6
    # It leaves with the speed of the arc, and pushes from rest.
    push = stepped(rig, "body", CROUCH, TAKEOFF + 1)[:, 2]
    assert abs(push[-1] - push[-2] - (push[-2] - push[-3])) < 0.02
    assert np.all(np.diff(push) > 0)


def test_what_the_rig_remembers_stays_true() -> None:
    rig, handle, moments = sound()
    late_apex(rig, moments)
    long_push(rig, moments)
    handle.fix()
    (jump,) = handle.remembered()
    told = handle.check()
    for name in ("takeoff", "apex", "land", "low"):
        assert abs(getattr(told.jumps[0].moments, name) - jump.moments[name]) < 0.2
    assert jump.moments["crouch"] == told.jumps[0].moments.crouch
    assert not [text for text in told.warnings if "edited" in text]
    written = changed_keys(jump.written, read_curves(rig).curves, rig.name)
    assert not np.any(written.gone)


def test_intended_is_not_fixed() -> None:
    rig, handle, moments = sound()
    uneven(rig, moments)
    before = bits(rig)
    result = handle.fix(intended={"travel_uneven": "the wind takes it"})
    assert not result.done
    assert bits(rig) == before


def test_only_what_is_named_is_fixed() -> None:
    rig, handle, moments = sound()
    uneven(rig, moments)
    between(rig, moments)
    result = handle.fix(only=["key_between_frames"])
    assert {one.fix for one in result.done} == {"move_keys"}
    assert kinds(result.after) == {"travel_uneven"}
    with pytest.raises(InputError, match="only must name"):
        handle.fix(only=["wobbles"])
    with pytest.raises(InputError, match="jump must be 1 to 1"):
        handle.fix(jump=2)


def test_keys_that_would_meet_stay_and_say_so() -> None:
    rig, handle, moments = sound()
    for curve in of(rig, "body"):
        curve.keyframe_points.insert(moments["low"] + 0.3, curve.evaluate(moments["low"] + 0.3))
    before = bits(rig)
    result = handle.fix(only=["move_keys"])
    assert [one.written for one in result.done] == [False]
    assert bits(rig) == before


def test_a_locked_channel_refuses_and_nothing_is_written() -> None:
    from leapwright import HostError

    rig, handle, moments = sound()
    eased(rig, moments)
    for curve in of(rig, "root", 2):
        curve.lock = True
    before, remembered = bits(rig), handle.remembered()
    with pytest.raises(HostError, match="lock"):
        handle.fix()
    assert bits(rig) == before
    assert handle.remembered() == remembered


def test_fk_feet_stand_under_the_new_way() -> None:
    rig, handle, moments = sound(fk_hare)
    eased(rig, moments)
    result = handle.fix()
    assert not result.left
    assert all(one.written for one in result.done)
    ankle = stepped(rig, "foot.L", CROUCH, TAKEOFF)
    assert np.linalg.norm(ankle - ankle[0], axis=1).max() < 0.006


def test_nothing_to_fix() -> None:
    rig, handle, _ = sound()
    before = bits(rig)
    result = handle.fix()
    assert not result.done
    assert not result.keys
    assert bits(rig) == before
