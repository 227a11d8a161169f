# SPDX-License-Identifier: GPL-3.0-or-later
"""Fixes: a fault is put into a sound jump, named, fixed, gone; everything else is as it was."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import fk_hare, simple_hare
from leapwright import InputError
from leapwright.fingerprint import changed_keys
from leapwright.style import Style
from leapwright_blender import rig_of
from leapwright_blender.read import read_curves

START, CROUCH, TAKEOFF, APEX, LAND = 24, 36, 41, 51, 61
JUMP_M = 0.8512717
"""Height of the jump that rises for ten frames at 24 a second: g (10/24)²/2."""

PAWS_FREE = partial(simple_hare, root=False)
KEPT: dict[Any, tuple[Path, dict[str, float]]] = {}


@pytest.fixture(autouse=True)
def _empty() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = 24


@pytest.fixture(scope="module", autouse=True)
def _kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Each sound jump is blocked once and read from its file after that."""
    folder = tmp_path_factory.mktemp("sound")
    KEPT["folder"] = (folder, {})
    yield
    KEPT.clear()


def sound(build: Callable[[], Any] = simple_hare) -> tuple[Any, Any, dict[str, float]]:
    """A blocked jump with nothing off, feet keyed at all moments as an animator does."""
    if build not in KEPT:
        folder = KEPT["folder"][0]
        KEPT[build] = (folder / f"{len(KEPT)}.blend", _blocked(build))
        bpy.ops.wm.save_as_mainfile(filepath=str(KEPT[build][0]))
    path, moments = KEPT[build]
    bpy.ops.wm.open_mainfile(filepath=str(path))
    rig = bpy.data.objects["Hare"]
    return rig, rig_of(rig, bpy.context.scene), dict(moments)


def _blocked(build: Callable[[], Any]) -> dict[str, float]:
    rig = build()
    # Paws of their own can leave late only where the leg has room for it: a low jump, legs bent.
    low = build is PAWS_FREE
    rig.pose.bones["body"].location.z = -0.12 if low else -0.06
    for side in "LR":
        for bone in ("thigh", "shin", "foot"):
            rig.pose.bones[f"{bone}.{side}"].rotation_mode = "XYZ"
    handle = rig_of(rig, bpy.context.scene)
    ask = (
        {"rise_frames": 4, "push_frames": 4, "travel": 0.1}
        if low
        else {"rise_frames": 10, "push_frames": 5, "travel": 0.6}
    )
    moments = handle.block(pins={"takeoff": TAKEOFF}, heading=-90, **ask).moments
    if "paw.L" in rig.pose.bones:
        for frame in moments.values():
            bpy.context.scene.frame_set(int(frame))
            for side in "LR":
                rig.pose.bones[f"paw.{side}"].keyframe_insert("location", frame=int(frame))
    assert handle.check().worst in (None, "note")
    return dict(moments)


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


def sloped(
    curve: Any, frame: float, *, before: float | None = None, after: float | None = None
) -> None:
    """Give a key slopes per frame on its sides; handles are thirds, so the way is a cubic."""
    keys = list(curve.keyframe_points)
    at = next(i for i, key in enumerate(keys) if abs(key.co.x - frame) < 0.01)
    for slope, side in ((before, -1), (after, 1)):
        if slope is None:
            continue
        here, there = keys[at], keys[at + side]
        mine, other = (
            ("handle_left", "handle_right") if side < 0 else ("handle_right", "handle_left")
        )
        was = (getattr(there, other).y - there.co.y) / (getattr(there, other).x - there.co.x)
        third = (there.co.x - here.co.x) / 3
        for key in (here, there):
            key.handle_left_type = key.handle_right_type = "FREE"
        setattr(here, mine, (here.co.x + third, here.co.y + third * slope))
        setattr(there, other, (there.co.x - third, there.co.y - third * was))
    curve.update()


def later(rig: Any, frame: float, by: float) -> None:
    """Every key from a frame on."""
    for curve in fcurves(rig):
        for key in sorted(curve.keyframe_points, key=lambda key: -key.co.x):
            if key.co.x > frame - 0.01:
                move(curve, key.co.x, key.co.x + by)


def evenly(rig: Any, takeoff: float, apex: float, land: float) -> None:
    """The root travels at one speed in the air."""
    (way,) = of(rig, "root", 1)
    there = {key.co.x: key for key in way.keyframe_points}
    pace = (there[land].co.y - there[takeoff].co.y) / (land - takeoff)
    there[apex].co.y = there[takeoff].co.y + pace * (apex - takeoff)
    sloped(way, takeoff, after=pace)
    sloped(way, apex, before=pace, after=pace)
    sloped(way, land, before=pace)


def falls_slower(rig: Any, m: dict[str, float]) -> None:
    """Rise 10, fall 13: gravities 1.69 to 1; the threshold is 1.35."""
    later(rig, m["land"], 3)
    (height,) = of(rig, "root", 2)
    sloped(height, m["apex"], after=0)
    sloped(height, m["land"] + 3, before=-2 * JUMP_M / 13)
    evenly(rig, m["takeoff"], m["apex"], m["land"] + 3)


def falls_faster(rig: Any, m: dict[str, float]) -> None:
    """Rise 13, fall 10; the push meets the rise."""
    later(rig, m["apex"], 3)
    (height,), (push,) = of(rig, "root", 2), of(rig, "body", 2)
    sloped(height, m["takeoff"], after=2 * JUMP_M / 13)
    sloped(height, m["apex"] + 3, before=0, after=0)
    sloped(height, m["land"] + 3, before=-2 * JUMP_M / 10)
    sloped(push, m["takeoff"], before=2 * JUMP_M / 13)
    evenly(rig, m["takeoff"], m["apex"] + 3, m["land"] + 3)


def hangs(rig: Any, m: dict[str, float]) -> None:
    """Four of 24 frames more at the top than rise and fall say: 0.17; the threshold is 0.08."""
    rig_of(rig, bpy.context.scene).retime(jump=1, hang_frames=4)


def eases_in(rig: Any, m: dict[str, float]) -> None:
    """Half of the fall's speed is lost when the feet touch; the threshold is a quarter."""
    later(rig, m["low"], 3)
    slow = -0.1 * 2 * JUMP_M / 10
    (height,), (body,) = of(rig, "root", 2), of(rig, "body", 2)
    sloped(height, m["land"], before=slow)
    sloped(body, m["land"], after=slow)
    sloped(body, m["low"] + 3, before=0)


def late_feet(rig: Any, m: dict[str, float]) -> None:
    """Feet that leave when half of the rise's speed is lost; the threshold is a quarter."""
    for side in "LR":
        for curve in of(rig, f"paw.{side}"):
            move(curve, m["takeoff"], m["takeoff"] + 2)


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


BODY, PAWS = {"body", "root"}, {"paw.L", "paw.R"}

CASES = [
    # fault, named, fixes, bones that may change, whose keyed values may change
    (eased, {"off_arc"}, {"lay_arc"}, {"body", "root"}, set()),
    (long_push, {"push_long"}, {"retime_push"}, {"body", "paw.L", "paw.R"}, set()),
    (short_push, {"push_short"}, {"retime_push"}, {"body", "paw.L", "paw.R"}, set()),
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


WAYS = [
    # fault, rig, named, fix, frames of moments after, bones that may change
    (falls_slower, simple_hare, "falls_slower", "lay_arc", (36, 41, 52, 64, 67), BODY | PAWS),
    (falls_faster, simple_hare, "falls_faster", "lay_arc", (36, 41, 52, 64, 67), BODY | PAWS),
    (hangs, simple_hare, "hangs", "lay_arc", (36, 41, 53, 65, 68), BODY),
    (eases_in, simple_hare, "eases_into_landing", "lay_arc", (36, 41, 51, 61, 65), BODY),
    (late_feet, PAWS_FREE, "slows_before_takeoff", "move_contact", (39, 43, 46, 49, 53),
     BODY | PAWS),
]  # fmt: skip


@pytest.mark.parametrize("case", WAYS, ids=[case[0].__name__ for case in WAYS])
def test_a_way_that_no_body_goes_is_named_and_fixed(case: Any) -> None:
    """At about twice each threshold; heights on the moments are poses and stay to the bit."""
    fault, build, named, fix, frames, may_change = case
    rig, handle, moments = sound(build)
    fault(rig, moments)
    before = bits(rig)
    heights = {c.data_path: [k.co.y for k in c.keyframe_points]
               for c in fcurves(rig) if c.array_index == 2}  # fmt: skip
    keyed = {c.data_path: [k.co.x for k in c.keyframe_points]
             for c in fcurves(rig) if c.array_index == 2}  # fmt: skip
    result = handle.fix(style=Style())
    assert named in kinds(result.before)
    assert fix in {one.fix for one in result.done}
    assert all(one.written for one in result.done), [one.text for one in result.done]
    assert not result.left
    assert not kinds(handle.check(style=Style()))
    changed = {name for name, now in bits(rig).items() if before[name] != now}
    assert {name.split('"')[1] for name in changed} <= may_change
    assert changed == {one.channel for one in result.keys}
    (jump,) = result.after.jumps
    for name, frame in zip(("crouch", "takeoff", "apex", "land", "low"), frames, strict=True):
        assert abs(getattr(jump.moments, name) - frame) < 0.6, name
    for curve in fcurves(rig):
        assert all(key.co.x % 1 == 0 for key in curve.keyframe_points)
        if curve.array_index != 2:
            continue
        moved = {a: b for one in result.keys for a, b in one.moved
                 if one.channel == f"{curve.data_path}[2]"}  # fmt: skip
        now = {key.co.x: key.co.y for key in curve.keyframe_points}
        for frame, value in zip(keyed[curve.data_path], heights[curve.data_path], strict=True):
            there = moved.get(frame, frame)
            # Beside the moments a retime to a hang left keys that are no poses.
            if fault is not hangs or there in frames:
                assert now[there] == value


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


def test_a_jump_that_is_hardly_measured_is_left_alone() -> None:
    """Keys of another take clash with those of body and legs: no fix of that jump is written."""
    rig, handle, _ = sound(fk_hare)
    random = np.random.default_rng(0)
    legs = [f"{bone}.{side}" for bone in ("thigh", "shin", "foot") for side in "LR"]
    clashing = [(c, 0.3, 5) for c in of(rig, "body") + of(rig, "root")]
    clashing += [(c, 0.8, 3) for leg in legs for c in of(rig, leg, None, "rotation_euler")]
    for curve, far, count in clashing:
        for frame in random.choice(np.arange(26, 74), count, replace=False).tolist():
            curve.keyframe_points.insert(frame, curve.evaluate(frame) + far * random.normal())
        curve.update()
    posed = values(rig)
    result = handle.fix()
    rough = {one.jump for one in result.done if "measured too roughly" in one.text}
    assert rough
    assert not [one.text for one in result.done if one.written and one.jump in rough]
    # What is left is a key where feet do leave: no pose is another.
    assert {one.fix for one in result.done if one.written} <= {"add_contact_keys"}
    assert not any(one.changed or one.moved for one in result.keys)
    assert set(posed) == set(values(rig))
