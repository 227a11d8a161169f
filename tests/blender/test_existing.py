# SPDX-License-Identifier: GPL-3.0-or-later
"""Shots that already have keys: the account beforehand is what then happens, and what cannot be
written is refused in one line with every byte as it was."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import simple_hare
from leapwright import HostError, KeysInTheWayError, LeapwrightError
from leapwright_blender import host, open_shot, rig_of

NEAR = 2e-5
POSES = {"start": 1, "crouch": 11, "takeoff": 21, "land": 41}
BREAKDOWNS = (4, 7, 14, 18, 26, 31, 36)
LATER = (90, 93, 120)
ARM = 'pose.bones["arm.L"].rotation_euler'
BODY = 'pose.bones["body"].location'

Raw = dict[str, tuple[bytes, ...]]


@pytest.fixture(autouse=True)
def _empty() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = 24


# --- The shot, and what is in it to the bit ------------------------------------------------------


def shot() -> Any:
    """Four poses of body, root and an arm, breakdowns between them, later keys, a satchel."""
    rig = simple_hare()
    bones = rig.pose.bones
    bones["arm.L"].rotation_mode = "XYZ"
    for frame, (lift, way) in zip(
        POSES.values(), ((0.0, 0.0), (-0.2, 0.0), (0.16, 0.0), (0.05, -0.9)), strict=True
    ):
        bones["body"].location, bones["root"].location = (0, 0, lift), (0, way, 0)
        bones["body"].keyframe_insert("location", frame=frame)
        bones["root"].keyframe_insert("location", frame=frame)
    for frame in (*POSES.values(), *BREAKDOWNS, *LATER):
        # No two values are the same, so that every key is known wherever it goes.
        bones["arm.L"].rotation_euler = (0.01 * frame, 0.02 * frame, 0.03 * frame)
        bones["arm.L"].keyframe_insert("rotation_euler", frame=frame)
    bones["head"].rotation_quaternion = (1.0, 0.2, 0.0, 0.0)
    for frame in (2, 57, 95):
        bones["head"].keyframe_insert("rotation_quaternion", frame=frame)
    satchel = bpy.data.objects.new("Satchel", None)
    bpy.context.scene.collection.objects.link(satchel)
    satchel.parent, satchel.parent_type, satchel.parent_bone = rig, "BONE", "hand.L"
    for frame in (POSES["start"], POSES["crouch"], 31, POSES["land"], 110):
        satchel.location = (0, 0.01 * frame, 0)
        satchel.keyframe_insert("location", frame=frame)
    bpy.context.view_layer.update()
    return rig


def raw(holder: Any) -> Raw:
    """Every array of every curve, straight from the host."""
    found: Raw = {}
    for curve in host.fcurves_of(holder) or ():
        points, arrays = curve.keyframe_points, []
        for name, kind, width in (
            ("co", "f", 2), ("handle_left", "f", 2), ("handle_right", "f", 2),
            ("interpolation", "i", 1), ("handle_left_type", "i", 1), ("handle_right_type", "i", 1),
            ("type", "i", 1), ("easing", "i", 1),
        ):  # fmt: skip
            array = np.zeros(len(points) * width, kind)
            points.foreach_get(name, array)
            arrays.append(array.tobytes())
        samples = np.zeros(2 * len(curve.sampled_points), "f")
        curve.sampled_points.foreach_get("co", samples)
        said = (curve.lock, curve.mute, [m.type for m in curve.modifiers])
        found[f"{curve.data_path}[{curve.array_index}]"] = (
            *arrays, samples.tobytes(), repr(said).encode(),
        )  # fmt: skip
    return found


def places(holder: Any) -> dict[str, list[tuple[float, float]]]:
    """Frame and value of every key, by channel."""
    return {
        f"{c.data_path}[{c.array_index}]": [tuple(k.co) for k in c.keyframe_points]
        for c in host.fcurves_of(holder) or ()
    }


def curve_of(holder: Any, path: str, index: int) -> Any:
    return next(
        c for c in host.fcurves_of(holder) if c.data_path == path and c.array_index == index
    )


def block(rig: Any, **more: Any) -> Any:
    return rig_of(rig, bpy.context.scene).block(**{"poses": POSES, "rise_frames": 12, **more})


def refused(rig: Any, match: str, *, error: type[LeapwrightError] = HostError, **more: Any) -> None:
    """Blocking raises, dry or not, and nothing at all is changed."""
    holders = [o for o in bpy.data.objects if o.animation_data]
    before = {o.name: raw(o) for o in holders}
    actions = sorted(a.name for a in bpy.data.actions)
    for dry_run in (True, False):
        with pytest.raises(error, match=match):
            block(rig, **more, dry_run=dry_run)
        assert {o.name: raw(o) for o in holders} == before
        assert sorted(a.name for a in bpy.data.actions) == actions
        assert rig.get("leapwright") is None
        assert not bpy.context.scene.timeline_markers


# --- The account ---------------------------------------------------------------------------------


@pytest.mark.parametrize("stepped", [False, True])
@pytest.mark.parametrize("after", ["keep", "shift"])
@pytest.mark.parametrize("rise", [4, 12, 20])
def test_the_account_is_what_happens(rise: int, after: str, stepped: bool) -> None:
    """Values tell the keys apart, so what became of each is seen without any account."""
    rig = shot()
    satchel = bpy.data.objects["Satchel"]
    asked = {"rise_frames": rise, "after": after, "stepped": stepped, "replace": True}
    dry = block(rig, **asked, dry_run=True)
    before = {"": (raw(rig), places(rig)), "Satchel: ": (raw(satchel), places(satchel))}
    block(rig, **asked)
    after_it = {"": (raw(rig), places(rig)), "Satchel: ": (raw(satchel), places(satchel))}
    said = {k.channel: k for k in dry.keyed}
    for whose, (bits, keys) in before.items():
        for label in {*keys, *after_it[whose][1]}:
            old, new = keys.get(label, []), after_it[whose][1].get(label, [])
            told = said.pop(f"{whose}{label}", None)
            if told is None:
                assert bits[label] == after_it[whose][0][label]
                continue
            if told.ours or label.endswith("Satchel: location[0]") or len({v for _, v in old}) < 2:
                assert sorted([*(b for _, b in told.moves), *told.new, *told.stay]) == [
                    f for f, _ in new
                ]
                continue
            now = {value: frame for frame, value in new}
            known = {v: (f, now.get(v)) for f, v in old}
            assert sorted(told.moves) == sorted(
                (a, b) for a, b in known.values() if b is not None and b != a
            )
            assert sorted(told.gone) == sorted(a for a, b in known.values() if b is None)
            assert sorted(told.stay) == sorted(a for a, b in known.values() if b == a)
            assert sorted(told.new) == sorted(f for f, v in new if v not in known)
    assert said == {}


def test_breakdowns_ride_in_proportion_inside_their_phase() -> None:
    rig = shot()
    result = block(rig, rise_frames=16, replace=True)
    sources = list(POSES.values())
    targets = [result.moments[m] for m in POSES]
    keys = {round(value / 0.01): frame for frame, value in places(rig)[f"{ARM}[0]"]}
    for moment, frame in POSES.items():
        assert keys[frame] == result.moments[moment]
    taken = set(targets)
    for frame in BREAKDOWNS:
        there = float(np.rint(np.interp(frame, sources, targets)))
        # The push has four frames: of what comes to one frame, the first stays.
        if there in taken:
            assert frame not in keys
        else:
            assert keys[frame] == there
            taken.add(there)
    assert result.measured.largest_distance_m < NEAR


def test_a_crowd_of_breakdowns_is_asked_for_and_then_thinned() -> None:
    """Ten frames on ones become a push of few frames."""
    rig = shot()
    for frame in range(12, 21):
        rig.pose.bones["arm.L"].rotation_euler = (0.01 * frame, 0.02 * frame, 0.03 * frame)
        rig.pose.bones["arm.L"].keyframe_insert("rotation_euler", frame=frame)
    before = raw(rig)
    with pytest.raises(KeysInTheWayError) as info:
        block(rig, rise_frames=12)
    assert {channel for channel, _ in info.value.keys} == {f"{ARM}[{i}]" for i in range(3)}
    assert {frame for _, frame in info.value.keys} <= set(range(2, 41)) - set(POSES.values())
    assert raw(rig) == before
    result = block(rig, rise_frames=12, replace=True)
    keys = dict(places(rig)[f"{ARM}[0]"])
    for moment, frame in POSES.items():
        assert keys[result.moments[moment]] == pytest.approx(0.01 * frame)
    gone = {(k.channel, f) for k in result.keyed for f in k.gone}
    assert {tuple(key) for key in info.value.keys} == gone


def test_later_keys_stay_by_default() -> None:
    rig = shot()
    before = places(rig)
    block(rig, rise_frames=12, replace=True)
    now = places(rig)
    for label in (f"{ARM}[0]", *(n for n in before if '"head"' in n)):
        assert [k for k in before[label] if k[0] >= 90] == [k for k in now[label] if k[0] >= 90]


def test_later_keys_go_back_together_and_are_reported() -> None:
    rig = shot()
    satchel = bpy.data.objects["Satchel"]
    before = places(rig)
    result = block(rig, rise_frames=30, after="shift", replace=True)
    by = result.moments["end"] - POSES["land"]
    moves = {k.channel: dict(k.moves) for k in result.keyed}
    for frame in LATER:
        assert moves[f"{ARM}[1]"][frame] == frame + by
    # A channel that no pose is on goes back too; what came before the jump's end of it stays.
    head = 'pose.bones["head"].rotation_quaternion[1]'
    assert moves[head] == {57: 57 + by, 95: 95 + by}
    assert [f for f, _ in places(rig)[head]] == [2, 57 + by, 95 + by]
    assert moves["Satchel: location[1]"][110] == 110 + by
    assert 110 + by in dict(places(satchel)["location[1]"])
    assert [v for _, v in places(rig)[head]] == [v for _, v in before[head]]
    assert result.measured.largest_distance_m < NEAR


# --- Props ---------------------------------------------------------------------------------------


def test_props_go_along_and_are_listed() -> None:
    rig = shot()
    satchel = bpy.data.objects["Satchel"]
    result = block(rig, replace=True)
    assert result.props == ("Satchel (parented to 'hand.L' of 'Hare')",)
    there = {round(value, 2): frame for frame, value in places(satchel)["location[1]"]}
    assert there[0.11] == result.moments["crouch"]
    assert there[0.41] == result.moments["land"]
    assert there[1.1] == 110


def test_props_can_be_left() -> None:
    rig = shot()
    satchel = bpy.data.objects["Satchel"]
    before = raw(satchel)
    result = block(rig, replace=True, props=False, after="shift")
    assert raw(satchel) == before
    assert result.props == ()
    assert not any("Satchel" in k.channel for k in result.keyed)


def test_a_prop_that_cannot_be_written_is_named_and_one_without_keys_there_is_no_reason() -> None:
    rig = shot()
    satchel = bpy.data.objects["Satchel"]
    twin = bpy.data.objects.new("Twin", None)
    bpy.context.scene.collection.objects.link(twin)
    twin.animation_data_create().action = satchel.animation_data.action
    if host.slotted():
        twin.animation_data.action_slot = satchel.animation_data.action_slot
    refused(rig, "object “Satchel” also moves object “Twin”", replace=True)
    block(rig, replace=True, props=False)


def test_what_is_keyed_on_the_armature_is_told_from_the_rig_of_the_same_name() -> None:
    rig = shot()
    rig.data.name = "Hare"
    rig.data["grip"] = 0.5
    rig.data.keyframe_insert('["grip"]', frame=POSES["crouch"])
    result = block(rig, replace=True)
    (told,) = [k for k in result.keyed if "grip" in k.channel]
    assert told.channel == 'Hare (armature data): ["grip"][0]'
    assert told.moves == ((POSES["crouch"], result.moments["crouch"]),) or (
        told.stay == (POSES["crouch"],)
    )


# --- Channels that are special -------------------------------------------------------------------


def lock(curve: Any) -> None:
    curve.lock = True


def mute(curve: Any) -> None:
    curve.mute = True


def modify(curve: Any) -> None:
    curve.modifiers.new("CYCLES")


def bake(curve: Any) -> None:
    curve.convert_to_samples(1, 130)


@pytest.mark.parametrize(
    ("special", "match"),
    [
        (lock, "locked channels would be written"),
        (mute, "muted channels carry the COG"),
        (modify, "curve modifiers change channels that carry the COG"),
        (bake, "baked channels carry the COG"),
    ],
)
def test_channels_that_carry_the_cog_must_play_what_is_written(
    special: Callable[[Any], None], match: str
) -> None:
    rig = shot()
    special(curve_of(rig, BODY, 0))
    refused(rig, match, replace=True)


def test_a_locked_pose_is_refused_and_other_locked_channels_are_left() -> None:
    rig = shot()
    lock(curve_of(rig, ARM, 1))
    refused(rig, "locked channels would be written: .*arm.L.*; unlock them first", replace=True)
    curve_of(rig, ARM, 1).lock = False
    head = curve_of(rig, 'pose.bones["head"].rotation_quaternion', 1)
    lock(head)
    before = raw(rig)['pose.bones["head"].rotation_quaternion[1]']
    refused(rig, "locked channels would be written: .*head", replace=True, after="shift")
    block(rig, replace=True)
    assert raw(rig)['pose.bones["head"].rotation_quaternion[1]'] == before


@pytest.mark.parametrize("special", [mute, modify])
def test_muted_and_modified_poses_go_along_as_they_are(special: Callable[[Any], None]) -> None:
    rig = shot()
    special(curve_of(rig, ARM, 1))
    result = block(rig, replace=True)
    curve = curve_of(rig, ARM, 1)
    assert (curve.mute, [m.type for m in curve.modifiers]) == (
        special is mute, ["CYCLES"] if special is modify else [],
    )  # fmt: skip
    assert dict(places(rig)[f"{ARM}[1]"])[result.moments["land"]] == pytest.approx(0.82)
    assert result.measured.largest_distance_m < NEAR


def test_baked_channels_beside_the_jump_are_left() -> None:
    rig = shot()
    bake(curve_of(rig, ARM, 1))
    before = raw(rig)[f"{ARM}[1]"]
    result = block(rig, replace=True, after="shift")
    assert raw(rig)[f"{ARM}[1]"] == before
    assert f"{ARM}[1]" not in {k.channel for k in result.keyed}


def test_driven_channels() -> None:
    rig = shot()
    spine = rig.pose.bones["spine"]
    spine.driver_add("location", 1).driver.expression = "frame / 99"
    block(rig, replace=True)
    assert not any('"spine"' in label for label in raw(rig))
    bpy.ops.wm.read_homefile(use_empty=True)
    rig = shot()
    rig.pose.bones["arm.L"].driver_add("rotation_euler", 2).driver.expression = "frame / 99"
    refused(rig, r"drivers win over keys on .*arm.L.*\[2\]", replace=True)
    bpy.ops.wm.read_homefile(use_empty=True)
    rig = shot()
    rig.pose.bones["body"].driver_add("location", 0).driver.expression = "frame / 99"
    refused(rig, "drivers win over keys on .*body.*: nothing was written", replace=True)


# --- Actions -------------------------------------------------------------------------------------


def test_an_action_that_moves_two_rigs_is_refused() -> None:
    rig = shot()
    fox = simple_hare()
    fox.name = "Fox"
    fox.animation_data_create().action = rig.animation_data.action
    if host.slotted():
        fox.animation_data.action_slot = rig.animation_data.action_slot
    refused(rig, "also moves object “Fox”: make it single-user first", replace=True)


def test_tweak_mode_is_refused() -> None:
    rig = shot()
    action = rig.animation_data.action
    strip = rig.animation_data.nla_tracks.new().strips.new("hop", 1, action)
    if host.slotted():
        strip.action_slot = rig.animation_data.action_slot
    rig.animation_data.action = None
    rig.animation_data.nla_tracks[0].select = strip.select = True
    rig.animation_data.nla_tracks.active = rig.animation_data.nla_tracks[0]
    rig.animation_data.use_tweak_mode = True
    assert rig.animation_data.use_tweak_mode
    refused(rig, "is in NLA tweak mode, on strip “hop”: leave it first", replace=True)


def test_strips_alone_are_refused() -> None:
    rig = shot()
    strip = rig.animation_data.nla_tracks.new().strips.new("hop", 1, rig.animation_data.action)
    if host.slotted():
        strip.action_slot = rig.animation_data.action_slot
    rig.animation_data.action = None
    refused(rig, "has NLA strips and no action of its own", replace=True)


def test_of_an_action_with_several_slots_only_the_own_one_changes() -> None:
    if not host.slotted():
        pytest.skip("no slots in this version")
    rig = shot()
    action = rig.animation_data.action
    fox = simple_hare()
    fox.name = "Fox"
    fox.animation_data_create().action = action
    fox.animation_data.action_slot = action.slots.new("OBJECT", "Fox")
    for frame in (1, 11, 21, 300):
        fox.pose.bones["body"].location = (0.1 * frame, 0, 0)
        fox.pose.bones["body"].keyframe_insert("location", frame=frame)
    before, slots = raw(fox), [s.identifier for s in action.slots]
    assert before
    result = block(rig, replace=True, after="shift", key="all")
    assert raw(fox) == before
    assert rig.animation_data.action == fox.animation_data.action == action
    assert [s.identifier for s in action.slots] == slots
    assert result.measured.largest_distance_m < NEAR


# --- Linked rigs ---------------------------------------------------------------------------------


def overridden_hare(folder: Path) -> Any:
    """An override of the linked hare that plays the linked action, in a saved shot."""
    rig = shot()
    group = bpy.data.collections.new("Hare")
    for obj in (rig, bpy.data.objects["Satchel"]):
        group.objects.link(obj)
        bpy.context.scene.collection.objects.unlink(obj)
    bpy.context.scene.collection.children.link(group)
    bpy.context.preferences.filepaths.save_version = 0
    bpy.ops.wm.save_as_mainfile(filepath=str(folder / "hare.blend"))
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = 24
    with bpy.data.libraries.load(str(folder / "hare.blend"), link=True) as (_, wanted):
        wanted.collections = ["Hare"]
    wanted.collections[0].override_hierarchy_create(
        bpy.context.scene, bpy.context.view_layer, do_fully_editable=True
    )
    bpy.ops.wm.save_as_mainfile(filepath=str(folder / "shot.blend"))
    return the_override("Hare")


def the_override(name: str) -> Any:
    return next(o for o in bpy.data.objects if o.override_library and o.name == name)


def test_a_linked_rig_needs_an_override(tmp_path: Path) -> None:
    overridden_hare(tmp_path)
    bpy.ops.wm.read_homefile(use_empty=True)
    with bpy.data.libraries.load(str(tmp_path / "hare.blend"), link=True) as (_, wanted):
        wanted.collections = ["Hare"]
    bpy.context.scene.collection.children.link(wanted.collections[0])
    rig = next(o for o in bpy.data.objects if o.type == "ARMATURE")
    refused(rig, "is linked from .*: make an override", replace=True)


def test_an_override_is_blocked_and_keeps_it(tmp_path: Path) -> None:
    rig = overridden_hare(tmp_path)
    linked = rig.animation_data.action
    assert linked.library is not None
    refused(rig, "keys stand where the jump would go", error=KeysInTheWayError, rise_frames=60)
    assert rig.animation_data.action == linked
    dry = block(rig, replace=True, dry_run=True)
    assert rig.animation_data.action == linked
    result = block(rig, replace=True)
    assert result.keyed == dry.keyed
    assert any("a copy in this file" in text for text in result.warnings)
    assert result.measured.largest_distance_m < NEAR
    before = {name: raw(the_override(name)) for name in ("Hare", "Satchel")}
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "shot.blend"))
    open_shot(tmp_path / "shot.blend")
    assert {name: raw(the_override(name)) for name in ("Hare", "Satchel")} == before
    rig = rig_of(the_override("Hare"), bpy.context.scene)
    (jump,) = rig.remembered()
    assert {m: jump.moments[m] for m in result.moments} == dict(result.moments)
    again = rig.block_again(rise_frames=8)
    assert not any("edited" in text for text in again.warnings)
    assert again.measured.largest_distance_m < NEAR
