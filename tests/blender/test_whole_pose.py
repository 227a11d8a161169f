# SPDX-License-Identifier: GPL-3.0-or-later
"""Keys on everything at every moment: whole poses, and no shape or value that changes by it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import object_hare, simple_hare
from leapwright import NotFoundError
from leapwright.curves import Curves, Interpolation, Kind, channel, identical, keys_at, select
from leapwright.playback import evaluate
from leapwright_blender import host, rig_of
from leapwright_blender.read import read_curves
from leapwright_blender.schedule import KINDS

NEAR = 2e-5
CARRYING = ("body", "root")
RIG_FILE = """match = ["Hare"]
root = "root"
cog = "body"
feet = ["paw.L", "paw.R"]
never = ["root/scale", "head", "*/shine"]
"""


@pytest.fixture(autouse=True)
def _empty() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = 24


def keyed_hare() -> Any:
    """Nothing of it is a pose: curves of all kinds that merely run through the jump."""
    rig = simple_hare()
    bones = rig.pose.bones
    random = np.random.default_rng(3)
    for name in ("arm.L", "arm.R", "head", "ear.R"):
        bones[name].rotation_mode = "XYZ"
    frames = {"arm.L": (-5, 9, 13, 22, 37, 70), "arm.R": (4, 90), "head": (2, 20), "ear.R": (3, 80)}
    for name, keyed in frames.items():
        for frame in keyed:
            bones[name].rotation_euler = random.uniform(-1, 1, 3)
            bones[name].keyframe_insert("rotation_euler", frame=frame)
    bones["hand.L"]["shine"] = 1.0
    bones["hand.L"]["grip"] = 0.0
    for frame, value in ((3, 0.0), (60, 1.0)):
        for prop in ("shine", "grip"):
            bones["hand.L"][prop] = value
            bones["hand.L"].keyframe_insert(f'["{prop}"]', frame=frame)
    for frame, size in ((1, 1.0), (50, 1.0)):
        bones["root"].scale = (size,) * 3
        bones["root"].keyframe_insert("scale", frame=frame)
    for i, curve in enumerate(host.fcurves_of(rig)):
        if '"arm.' in curve.data_path:
            _style(curve, i)
    return rig


def _style(curve: Any, i: int) -> None:
    for k, key in enumerate(curve.keyframe_points):
        key.interpolation = ("BEZIER", "LINEAR", "CONSTANT", "BEZIER")[(i + k) % 4]
        key.handle_left_type = key.handle_right_type = ("AUTO", "FREE", "VECTOR")[(i + k) % 3]
    curve.update()


def block(rig: Any, **more: Any) -> Any:
    return rig_of(rig, bpy.context.scene).block(rise_frames=9, push_height=0.2, **more)


def curves(rig: Any) -> Curves:
    return read_curves(rig).curves


def by_label(now: Curves) -> dict[str, Curves]:
    return {c.label: channel(now, i) for i, c in enumerate(now.channels)}


def carries(label: str) -> bool:
    return label.endswith(tuple(f"location[{i}]" for i in range(3))) and any(
        f'"{name}"' in label for name in CARRYING
    )


def select_bones(rig: Any, *names: str) -> None:
    for bone in rig.pose.bones:
        chosen = bone if hasattr(bone, "select") else bone.bone
        chosen.select = bone.name in names


def check_shape(rig: Any, before: Curves) -> None:
    """Everything that was keyed plays as before, to 1e-5 of what it spans, also between frames."""
    now = curves(rig)
    place = {c: i for i, c in enumerate(now.channels)}
    at = np.linspace(-10, 100, 1101)
    was, is_now = evaluate(before, at), evaluate(now, at)
    for i, name in enumerate(before.channels):
        if carries(name.label):
            continue
        span = max(1e-3, float(np.ptp(was[i])))
        assert np.abs(is_now[place[name]] - was[i]).max() <= 1e-5 * span, name.label


def check_values(rig: Any, before: Curves) -> None:
    """Keys that were there are there, with their values and kinds."""
    now = by_label(curves(rig))
    for label, old in by_label(before).items():
        if carries(label):
            continue
        index = keys_at(now[label], old.frame).index
        assert now[label].value[index].tobytes() == old.value.tobytes(), label
        assert now[label].kind[index].tolist() == old.kind.tolist(), label


def kinds_there(rig: Any, before: Curves, moments: Any) -> set[str]:
    """Channels with a key at every moment; the new ones are checked to be of its kind."""
    old, whole = by_label(before), set()
    for label, now in by_label(curves(rig)).items():
        if not set(moments.values()) <= set(now.frame.tolist()):
            continue
        whole.add(label)
        for moment, frame in moments.items():
            k = int(keys_at(now, [frame]).index[0])
            if label in old and frame in old[label].frame.tolist():
                continue
            assert now.kind[k] == KINDS[moment], (label, moment)
    return whole


@pytest.mark.parametrize("key", ["touched", "all"])
def test_keyed_channels_get_keys_and_keep_their_shape(key: str) -> None:
    rig = keyed_hare()
    before = curves(rig)
    result = block(rig, key=key)
    check_values(rig, before)
    check_shape(rig, before)
    whole = kinds_there(rig, before, result.moments)
    keyed = {c.label for c in before.channels if '"root"].scale' not in c.label}
    assert keyed <= whole
    assert result.measured.largest_distance_m < NEAR
    assert np.all(curves(rig).frame % 1 == 0)


def test_stepped_is_complete() -> None:
    rig = keyed_hare()
    before = curves(rig)
    shown = evaluate(before, np.arange(-10, 101))
    result = block(rig, key="touched", stepped=True)
    check_values(rig, before)
    now = curves(rig)
    whole = kinds_there(rig, before, result.moments)
    for i, name in enumerate(now.channels):
        if '"root"].scale' in name.label:
            continue
        one = channel(now, i)
        assert name.label in whole
        at = keys_at(one, list(result.moments.values())).index
        assert (one.interpolation[at] == Interpolation.CONSTANT).all(), name.label
    for moment, frame in result.moments.items():
        values = evaluate(now, [frame])[:, 0]
        for i, name in enumerate(before.channels):
            if not carries(name.label):
                place = now.channels.index(name)
                assert values[place] == pytest.approx(shown[i, int(frame) + 10], abs=1e-6), moment


def test_all_controls_get_place_turn_and_scale() -> None:
    rig = keyed_hare()
    rig.pose.bones["hand.R"].lock_location[1] = True
    rig.pose.bones["hand.R"].lock_scale = (True,) * 3
    before = curves(rig)
    result = block(rig, key="all")
    whole = kinds_there(rig, before, result.moments)
    for name in ("paw.L", "spine", "ear.L"):
        for axis in range(3):
            assert f'pose.bones["{name}"].location[{axis}]' in whole
            assert f'pose.bones["{name}"].scale[{axis}]' in whole
        for axis in range(4):
            assert f'pose.bones["{name}"].rotation_quaternion[{axis}]' in whole
    hand = {label for label in by_label(curves(rig)) if '"hand.R"' in label}
    assert hand == {
        *(f'pose.bones["hand.R"].location[{i}]' for i in (0, 2)),
        *(f'pose.bones["hand.R"].rotation_quaternion[{i}]' for i in range(4)),
    }
    # The master scale is never keyed by itself.
    scale = by_label(curves(rig))['pose.bones["root"].scale[0]']
    assert scale.frame.tolist() == [1, 50]


@pytest.mark.parametrize("stepped", [False, True])
def test_selected_controls_alone(stepped: bool) -> None:
    rig = keyed_hare()
    select_bones(rig, "arm.L", "hand.L")
    before = curves(rig)
    result = block(rig, key="selected", stepped=stepped)
    check_values(rig, before)
    whole = {n for n in kinds_there(rig, before, result.moments) if not carries(n)}
    assert {n.split('"')[1] for n in whole} == {"arm.L", "hand.L"}
    assert 'pose.bones["hand.L"]["grip"][0]' in whole
    others = [i for i, c in enumerate(before.channels) if c.label.split('"')[1] not in
              {"arm.L", "hand.L", *CARRYING}]  # fmt: skip
    now = curves(rig)
    rest = [now.channels.index(before.channels[i]) for i in others]
    assert identical(select(now, rest), select(before, others))


def test_nothing_selected() -> None:
    rig = keyed_hare()
    select_bones(rig)
    before = curves(rig)
    with pytest.raises(NotFoundError, match="no control of 'Hare' is selected"):
        block(rig, key="selected")
    assert identical(curves(rig), before)
    assert rig.get("leapwright") is None


@pytest.mark.parametrize("key", ["touched", "all"])
def test_never_locked_and_driven_channels_are_left(key: str, tmp_path: Path) -> None:
    rig = keyed_hare()
    rig_file = tmp_path / "hare.toml"
    rig_file.write_text(RIG_FILE, encoding="utf-8")
    ears = [c for c in host.fcurves_of(rig) if '"ear.R"' in c.data_path]
    ears[0].lock = True
    rig.pose.bones["spine"].driver_add("location", 0).driver.expression = "frame / 99"
    before = curves(rig)
    result = block(rig, key=key, rig_file=rig_file)
    shut = ('"head"', "shine", '"root"].scale', '"ear.R"].rotation_euler[0]')
    left = [i for i, c in enumerate(before.channels) if any(part in c.label for part in shut)]
    assert len(left) == 3 + 1 + 3 + 1
    now = curves(rig)
    there = [now.channels.index(before.channels[i]) for i in left]
    assert identical(select(now, there), select(before, left))
    named = {k.channel for k in result.keyed}
    assert not named & {before.channels[i].label for i in left}
    assert not any('"head"' in label for label in named)
    assert 'pose.bones["spine"].location[0]' not in named
    assert ('pose.bones["spine"].location[1]' in named) == (key == "all")


def test_baked_channels_are_left() -> None:
    rig = keyed_hare()
    curve = next(c for c in host.fcurves_of(rig) if '"ear.R"' in c.data_path)
    label = f"{curve.data_path}[{curve.array_index}]"
    curve.convert_to_samples(1, 80)
    samples = [tuple(p.co) for p in curve.sampled_points]
    result = block(rig, key="all")
    assert label not in {k.channel for k in result.keyed}
    curve = next(c for c in host.fcurves_of(rig) if f"{c.data_path}[{c.array_index}]" == label)
    assert [tuple(p.co) for p in curve.sampled_points] == samples


@pytest.mark.parametrize("easing", ["BOUNCE", "ELASTIC", "BACK", "SINE", "CUBIC"])
def test_an_easing_is_left_whole_and_said(easing: str) -> None:
    rig = keyed_hare()
    label = 'pose.bones["arm.R"].rotation_euler[1]'
    curve = next(c for c in host.fcurves_of(rig) if f"{c.data_path}[{c.array_index}]" == label)
    for key in curve.keyframe_points:
        key.interpolation = easing
    before = curves(rig)
    result = block(rig, key="touched")
    inside = [f for f in result.moments.values() if 4 < f < 90]
    now = by_label(curves(rig))
    assert now[label].frame.tolist() == [1.0, 4.0, 90.0]
    assert any(f"{label} on {inside[0]:g}" in text for text in result.warnings)
    check_shape(rig, before)
    for other in (n for n in now if '"arm.R"' in n and n != label):
        assert set(inside) <= set(now[other].frame.tolist())


def test_handles_that_would_need_a_key_between_frames_are_left_whole_and_said() -> None:
    rig = keyed_hare()
    label = 'pose.bones["arm.R"].rotation_euler[1]'
    curve = next(c for c in host.fcurves_of(rig) if f"{c.data_path}[{c.array_index}]" == label)
    for key in curve.keyframe_points:
        key.interpolation = "BEZIER"
        key.handle_left_type = key.handle_right_type = "FREE"
        key.handle_left = (key.co[0] - 86, key.co[1] + 1)
        key.handle_right = (key.co[0] + 86, key.co[1] - 1)
    curve.update()
    before = curves(rig)
    result = block(rig, key="touched")
    assert np.all(curves(rig).frame % 1 == 0)
    assert any(label in text for text in result.warnings)
    check_values(rig, before)
    check_shape(rig, before)


def test_an_easing_in_a_stepped_pass_is_stepped_too() -> None:
    rig = keyed_hare()
    label = 'pose.bones["arm.R"].rotation_euler[1]'
    curve = next(c for c in host.fcurves_of(rig) if f"{c.data_path}[{c.array_index}]" == label)
    for key in curve.keyframe_points:
        key.interpolation = "BOUNCE"
    before = curves(rig)
    result = block(rig, key="touched", stepped=True)
    i = [c.label for c in before.channels].index(label)
    frames = list(result.moments.values())
    now = by_label(curves(rig))[label]
    at = keys_at(now, frames).index
    assert now.value[at] == pytest.approx(evaluate(before, frames)[i], abs=1e-6)
    assert (now.interpolation[at] == Interpolation.CONSTANT).all()
    check_values(rig, before)


@pytest.mark.parametrize("stepped", [False, True])
def test_poses_and_whole_poses_together(stepped: bool) -> None:
    """Posed frames go to their moments; on all else the moments are keyed as they look there."""
    rig = keyed_hare()
    body = rig.pose.bones["body"]
    for frame, lift in ((1, -0.2), (2, 0.1)):
        body.location = (0, 0, lift)
        body.keyframe_insert("location", frame=frame)
    result = rig_of(rig, bpy.context.scene).block(
        poses={"crouch": 1, "takeoff": 2}, rise_frames=9, key="touched", stepped=stepped,
        replace=True,
    )  # fmt: skip
    now = by_label(curves(rig))
    frames = set(result.moments.values())
    for label, one in now.items():
        if '"root"].scale' not in label:
            assert frames <= set(one.frame.tolist()), label
    assert result.measured.largest_distance_m < NEAR


def test_objects_without_bones() -> None:
    rig = object_hare()
    rig.rotation_euler = (0, 0, 0.5)
    result = block(rig, key="all")
    named = {k.channel for k in result.keyed}
    assert {f"rotation_euler[{i}]" for i in range(3)} <= named
    turn = by_label(curves(rig))["rotation_euler[2]"]
    assert set(result.moments.values()) == set(turn.frame.tolist())
    assert (turn.value == np.float32(0.5)).all()
    assert Kind.EXTREME in turn.kind.tolist()
