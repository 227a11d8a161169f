# SPDX-License-Identifier: GPL-3.0-or-later
"""Retiming in shots that are full: everything of the character goes along, nothing else does."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from blender import in_time, rigs
from blender.rigs import simple_hare, skin
from leapwright import ClashError, HostError, InputError, LeapwrightError, NotFoundError
from leapwright_blender import host, open_shot, rig_of
from leapwright_blender import write as writer
from leapwright_blender.markers import own_markers

G = 9.80665
FPS = 24
NEAR = 2e-5
EAR = 'pose.bones["ear.L"].rotation_euler'
BEAT = {"crouch": 38, "takeoff": 41, "apex": 53, "land": 65}


@pytest.fixture(autouse=True)
def _empty() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = FPS
    yield
    # `open_shot` turns it off.
    bpy.context.preferences.edit.use_global_undo = True


# --- The shot ------------------------------------------------------------------------------------


def rig_api(rig: Any) -> Any:
    return rig_of(rig, bpy.context.scene)


def beat(rig: Any, **more: Any) -> Any:
    """Crouch 38, take-off 41, apex 53, land 65."""
    asked = {"rise_frames": 12, "push_frames": 3, "pins": {"takeoff": 41}, "travel": 1.2}
    return rig_api(rig).block(**{**asked, "heading": -90, **more})


def swing(rig: Any, frames: dict[float, float], bone: str = "ear.L") -> None:
    ear = rig.pose.bones[bone]
    ear.rotation_mode = "XYZ"
    for frame, turn in frames.items():
        ear.rotation_euler = (turn, 0, 0)
        ear.keyframe_insert("rotation_euler", index=0, frame=frame)


def keyed(holder: Any, path: str, frames: dict[float, float], index: int = -1) -> None:
    """Linear keys of a property of any data-block."""
    curve = host.new_fcurve(host.ensure_fcurves(holder, "Keys"), path, max(index, 0))
    for frame, value in frames.items():
        curve.keyframe_points.insert(frame, value).interpolation = "LINEAR"
    curve.update()


def thing(name: str, data: Any = None) -> Any:
    obj = bpy.data.objects.new(name, data)
    bpy.context.scene.collection.objects.link(obj)
    return obj


KEYS = {5: 0.0, 38: 0.1, 53: 1.0, 65: 0.3, 90: 0.6}
"""Keys of all that is keyed by hand: before the jump, on its moments, after it."""


def shot() -> Any:
    """A hare that leaps, with a face, a satchel and a lantern; a crate that is none of its."""
    rig = simple_hare()
    fur = skin(rig)
    beat(rig)
    swing(rig, KEYS)
    rig["open"] = 0.0
    rig.data["glow"] = 0.0
    keyed(rig, '["open"]', KEYS)
    keyed(rig.data, '["glow"]', KEYS)
    fur.shape_key_add(name="Basis")
    fur.shape_key_add(name="Blink")
    keyed(fur.data.shape_keys, 'key_blocks["Blink"].value', KEYS)
    satchel, lantern, crate = thing("Satchel"), thing("Lantern"), thing("Crate")
    satchel.parent, satchel.parent_type, satchel.parent_bone = rig, "BONE", "hand.L"
    tie = lantern.constraints.new("COPY_LOCATION")
    tie.target, tie.subtarget = rig, "hand.R"
    for prop in (satchel, lantern, crate):
        keyed(prop, "location", KEYS, 1)
    turn = rig.driver_add('pose.bones["ear.R"].scale', 1)
    turn.driver.expression = "1 + frame / 1000"
    for frame in (0, 38, 100):
        turn.keyframe_points.insert(frame, frame)
    action = rig.animation_data.action
    action.use_frame_range = True
    action.frame_start, action.frame_end = 30, 90
    action.pose_markers.new("hit").frame = 53
    strip = in_time.add_strip(
        satchel.animation_data.nla_tracks.new(), in_time.strip_action("Flap", 1, 11), 45
    )
    strip.blend_type = "ADD"
    camera = thing("Camera", bpy.data.cameras.new("Camera"))
    scene = bpy.context.scene
    scene.timeline_markers.new("drum", frame=58)
    cut = scene.timeline_markers.new("cut", frame=50)
    cut.camera = camera
    bpy.context.view_layer.update()
    return rig


def blocks() -> list[Any]:
    return [
        b
        for kind in ("objects", "armatures", "shape_keys")
        for b in getattr(bpy.data, kind)
        if b.animation_data
    ]


def state() -> dict[str, Any]:
    """All that sits in time in this file, to the bit, and what rigs remember."""
    found = in_time.everything()
    for block in blocks():
        # By kind and name: an action may be called as its rig is.
        found[f"{block.id_type} {block.name}"] = {
            "curves": [in_time.dump(c) for c in host.fcurves_of(block) or ()],
            "drivers": [in_time.dump(d) for d in block.animation_data.drivers],
            "strips": [
                [in_time.dump(s) for s in t.strips] for t in block.animation_data.nla_tracks
            ],
        }
    for obj in bpy.data.objects:
        found[f"memory of {obj.name}"] = str(obj.get("leapwright"))
        slot = host.slot_number(obj) if host.animated(obj) else None
        action = obj.animation_data.action if obj.animation_data else None
        found[f"plays {obj.name}"] = (action.name if action else "", slot)
    found["actions"] = sorted(a.name for a in bpy.data.actions)
    return found


def curve_of(holder: Any, path: str, index: int = 0) -> Any:
    return next(
        c for c in host.fcurves_of(holder) if c.data_path == path and c.array_index == index
    )


def frames_of(holder: Any, path: str, index: int = 0) -> list[float]:
    return [k.co[0] for k in curve_of(holder, path, index).keyframe_points]


def values_of(holder: Any, path: str, index: int = 0) -> list[float]:
    return [k.co[1] for k in curve_of(holder, path, index).keyframe_points]


def heights(rig: Any, frames: Any, bone: str = "body") -> Any:
    places = []
    for frame in frames:
        bpy.context.scene.frame_set(int(np.floor(frame)), subframe=float(frame % 1))
        places.append((rig.matrix_world @ rig.pose.bones[bone].head)[2])
    return np.array(places)


def is_one_arc(rig: Any, moments: Any, gravity: float, *, bone: str = "body") -> None:
    z = heights(rig, np.arange(moments["takeoff"], moments["land"] + 1), bone)
    assert np.diff(z, n=2) * FPS**2 == pytest.approx(-gravity, rel=2e-3)


HELD = {
    "ear": lambda: (bpy.data.objects["Hare"], EAR, 0),
    "custom property": lambda: (bpy.data.objects["Hare"], '["open"]', 0),
    "armature data": lambda: (bpy.data.objects["Hare"].data, '["glow"]', 0),
    "shape key": lambda: (bpy.data.shape_keys[0], 'key_blocks["Blink"].value', 0),
    "parented prop": lambda: (bpy.data.objects["Satchel"], "location", 1),
    "constrained prop": lambda: (bpy.data.objects["Lantern"], "location", 1),
}
PROPS = {"parented prop", "constrained prop"}


@pytest.mark.parametrize("props", [True, False])
def test_the_whole_character_goes_along_and_nothing_else(props: bool) -> None:
    rig = shot()
    before = state()
    result = rig_api(rig).retime(snappiness=1.5, pins={"land": 58}, props=props)
    now = dict(result.solved.moments_after)
    assert [now[m] for m in BEAT] == [40, 42, 50, 58]
    shift = now["end"] - dict(result.solved.moments_before)["end"]
    for name, place in HELD.items():
        holder, path, index = place()
        if name in PROPS and not props:
            assert frames_of(holder, path, index) == list(KEYS), name
        else:
            wanted = [5 + 2, 40, 50, 58, 90 + shift]
            assert frames_of(holder, path, index) == wanted, name
        assert values_of(holder, path, index) == pytest.approx(list(KEYS.values())), name
    after = state()
    same = ["OBJECT Crate", "memory of Crate", "actions", "plays Hare", "plays Satchel"]
    if not props:
        same += ["OBJECT Satchel", "OBJECT Lantern"]
    assert all(after[name] == before[name] for name in same)
    assert after["OBJECT Hare"]["drivers"] == before["OBJECT Hare"]["drivers"]
    markers = {m.name: m.frame for m in bpy.context.scene.timeline_markers}
    assert (markers["drum"], markers["cut"]) == (58, 50)
    ours = dict(own_markers(bpy.context.scene, rig.name))
    assert [ours[m] for m in ("crouch", "take-off", "apex", "land")] == [40, 42, 50, 58]
    action = rig.animation_data.action
    assert (action.frame_start, action.frame_end) == (32, 90 + shift)
    assert action.pose_markers["hit"].frame == 50
    strip = bpy.data.objects["Satchel"].animation_data.nla_tracks[0].strips[0]
    played = strip.frame_start, strip.frame_end
    assert played == ((45, 55) if not props else pytest.approx(
        result.solved.map.apply([45, 55]).tolist(), abs=1))  # fmt: skip
    listed = {text.partition(" (")[0] for text in result.props}
    assert {"Satchel", "Lantern"} <= listed if props else not {"Satchel", "Lantern"} & listed
    assert "Crate" not in listed
    is_one_arc(rig, now, 22.065)
    assert result.after.heights.jump == pytest.approx(result.before.heights.jump, abs=1e-6)


@pytest.mark.parametrize("dry_run", [False, True])
def test_strips_that_do_not_play_are_named_before_and_after(dry_run: bool) -> None:
    rig = shot()
    track = rig.animation_data.nla_tracks.new()
    track.strips.new("Ears", 70, bpy.data.actions.new("Ears"))
    track.mute = True
    result = rig_api(rig).retime(snappiness=1.5, dry_run=dry_run)
    assert [w for w in result.warnings if "Ears" in w] == [
        "NLA strip “Ears” of Hare is left: its track is not played"
    ]


def test_undo_and_redo_are_bit_for_bit() -> None:
    shot()
    bpy.ops.ed.undo_push(message="before")
    before = state()
    rig_api(bpy.data.objects["Hare"]).retime(snappiness=1.5)
    bpy.ops.ed.undo_push(message="Retime")
    after = state()
    assert after != before
    bpy.ops.ed.undo()
    assert state() == before
    bpy.ops.ed.redo()
    assert state() == after


@pytest.mark.parametrize("fails_at", [1, 2, 4])
def test_a_write_that_fails_leaves_all_as_it_was(
    fails_at: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In the first data-block, the second, the fourth: whatever was written by then is undone."""
    rig = shot()
    swing(rig, {8: 0.1, 20: 0.25, 33: 0.3, 44: -0.2, 52: 0.6, 71: 0.5, 120: 0.1}, "head")
    before, calls = state(), []
    verify = writer._verify

    def failing(*args: Any) -> Any:
        calls.append(1)
        if len(calls) == fails_at:
            raise HostError("the host changed keys")
        return verify(*args)

    monkeypatch.setattr(writer, "_verify", failing)
    with pytest.raises(HostError, match="the host changed keys"):
        rig_api(rig).retime(snappiness=1.5)
    assert state() == before


def test_what_fails_after_the_keys_undoes_the_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = shot()
    before = state()

    def failing(*_args: Any, **_more: Any) -> Any:
        raise HostError("baked samples cannot be made anew")

    monkeypatch.setattr("leapwright_blender.retime.retime_others", failing)
    with pytest.raises(HostError, match="baked"):
        rig_api(rig).retime(snappiness=1.5)
    assert state() == before


@pytest.mark.parametrize("what", ["measure", "memory", "markers"])
def test_what_fails_at_the_very_end_undoes_everything(
    what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = shot()
    before = state()
    calls = []
    import leapwright_blender.retime as verb

    name = {"measure": "measure_flight", "memory": "moved_memory", "markers": "set_markers"}[what]
    real = getattr(verb, name)

    def failing(*args: Any, **more: Any) -> Any:
        calls.append(1)
        if what != "measure" or len(calls) > 1:
            raise HostError("out of luck")
        return real(*args, **more)

    monkeypatch.setattr(verb, name, failing)
    with pytest.raises(HostError, match="out of luck"):
        rig_api(rig).retime(snappiness=1.5)
    assert state() == before


def test_saved_and_opened_again_the_rig_remembers(tmp_path: Path) -> None:
    rig = shot()
    result = rig_api(rig).retime(snappiness=1.5, pins={"land": 58})
    before = state()
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "shot.blend"))
    open_shot(tmp_path / "shot.blend")
    assert state() == before
    rig = rig_api(bpy.data.objects["Hare"])
    (jump,) = rig.remembered()
    assert {m: jump.moments[m] for m in BEAT} == {m: dict(result.solved.moments_after)[m]
                                                  for m in BEAT}  # fmt: skip
    back = rig.retime(rise_frames=12, pins={"crouch": 38})
    assert dict(back.solved.moments_after)["land"] == 65
    is_one_arc(bpy.data.objects["Hare"], dict(back.solved.moments_after), G)


def test_blocking_again_after_a_retime() -> None:
    rig = simple_hare()
    beat(rig)
    rig_api(rig).retime(snappiness=1.5, pins={"land": 58})
    again = rig_api(rig).block_again(rise_frames=10)
    # None of the keys that the retime moved counts as edited by hand.
    assert not any("edited" in text for text in again.warnings)
    assert again.moments["apex"] - again.moments["takeoff"] == 10
    assert again.measured.largest_distance_m < NEAR
    is_one_arc(rig, again.moments, G)


def test_a_key_that_was_edited_after_the_retime_is_in_the_way_of_a_block() -> None:
    rig = simple_hare()
    beat(rig)
    rig_api(rig).retime(snappiness=1.5)
    curve = curve_of(rig, 'pose.bones["body"].location', 2)
    curve.keyframe_points[1].co[1] += 0.1
    curve.update()
    with pytest.raises(LeapwrightError, match="stand where"):
        rig_api(rig).block_again(rise_frames=10)


# --- Stepped -------------------------------------------------------------------------------------


def test_a_stepped_block_stays_stepped_and_splines_afterwards() -> None:
    rig = simple_hare()
    beat(rig, stepped=True, key="all")
    before = {
        (c.data_path, c.array_index): [k.co[1] for k in c.keyframe_points]
        for c in host.fcurves_of(rig)
    }
    result = rig_api(rig).retime(snappiness=1.5, pins={"land": 58})
    now = dict(result.solved.moments_after)
    modes = {k.interpolation for c in host.fcurves_of(rig) for k in c.keyframe_points}
    assert modes == {"CONSTANT"}
    for c in host.fcurves_of(rig):
        kept = before[(c.data_path, c.array_index)]
        assert [k.co[1] for k in c.keyframe_points] == kept, c.data_path
        assert all(k.co[0] == int(k.co[0]) for k in c.keyframe_points)
    poses = heights(rig, [now[m] for m in BEAT])
    rig_api(rig).spline()
    assert heights(rig, [now[m] for m in BEAT]) == pytest.approx(poses, abs=1e-5)


# --- What is outside -----------------------------------------------------------------------------


def test_stretch_leaves_the_rest_of_the_shot_to_the_bit() -> None:
    rig = simple_hare()
    m = beat(rig).moments
    swing(rig, {2: 0.1, 9: 0.15, 20: 0.3, 27: 0.35, 35: 0.6, 45: 0.65, 60: 1.1, 70: 1.2, 78: 1.3,
                100: 1.5, 107: 1.51, 120: 2.0})  # fmt: skip
    curve = curve_of(rig, EAR)
    before = in_time.dump(curve)["keyframe_points"]
    result = rig_api(rig).retime(
        snappiness=1.5, pins={"land": 62}, before="stretch", after="stretch"
    )
    now = dict(result.solved.moments_after)
    assert (now["start"], now["end"]) == (m["start"], m["end"])
    assert now["land"] == 62
    first, last = result.solved.map.reach
    after = in_time.dump(curve_of(rig, EAR))["keyframe_points"]
    assert len(after) == len(before)
    frames = [k["co"][0] for k in before]
    for i, frame in enumerate(frames):
        if frame >= last and frames[i - 1] >= last:
            assert after[i] == before[i]
        if frame <= first and frames[min(i + 1, len(frames) - 1)] <= first:
            assert after[i] == before[i]
    assert sum(f >= last for f in frames) >= 3


def test_without_a_stretch_what_is_before_the_crouch_stays_and_all_after_shifts_alike() -> None:
    rig = simple_hare()
    beat(rig)
    swing(rig, {2: 0.1, 9: 0.15, 20: 0.3, 27: 0.35, 45: 0.65, 78: 1.3, 100: 1.5, 107: 1.51})
    before = in_time.dump(curve_of(rig, EAR))["keyframe_points"]
    result = rig_api(rig).retime(snappiness=1.5)
    now = dict(result.solved.moments_after)
    assert now["crouch"] == 38
    after = in_time.dump(curve_of(rig, EAR))["keyframe_points"]
    assert after[:3] == before[:3]
    shift = now["end"] - dict(result.solved.moments_before)["end"]
    assert [k["co"][0] for k in after[-3:]] == [f + shift for f in (78, 100, 107)]


# --- Asks ----------------------------------------------------------------------------------------


def test_twos() -> None:
    rig = simple_hare()
    scene = bpy.context.scene
    scene.frame_start = 1
    m = beat(rig, twos=True, push_frames=4).moments
    assert all((m[k] - 1) % 2 == 0 for k in BEAT)
    result = rig_api(rig).retime(snappiness=1.5, twos=True)
    now = dict(result.solved.moments_after)
    assert all((now[k] - 1) % 2 == 0 for k in BEAT)
    assert now["land"] - now["takeoff"] == 16
    with pytest.raises(ClashError, match="58") as clash:
        rig_api(rig).retime(snappiness=1.1, twos=True, pins={"land": 58})
    assert "57" in str(clash.value)
    assert "59" in str(clash.value)


def test_two_pins_fix_the_frames_between() -> None:
    rig = simple_hare()
    beat(rig)
    result = rig_api(rig).retime(pins={"takeoff": 41, "land": 57})
    now = dict(result.solved.moments_after)
    assert (now["takeoff"], now["land"]) == (41, 57)
    assert result.solved.answer.snappiness == pytest.approx(1.5)
    is_one_arc(rig, now, G * 1.5**2)


@pytest.mark.parametrize(
    ("ask", "same"),
    [
        ({"push_frames": 5}, ("rise", "fall", "absorb")),
        ({"absorb_frames": 6}, ("push", "rise", "fall")),
        ({"snappiness": 1.5, "phases": ["air"]}, ("push",)),
        ({"snappiness": 1.5, "phases": ["push"]}, ("rise", "fall")),
    ],
)
def test_one_phase_alone(ask: dict[str, Any], same: tuple[str, ...]) -> None:
    rig = simple_hare()
    beat(rig)
    stands = heights(rig, BEAT.values())
    result = rig_api(rig).retime(**ask)
    before, after = result.solved.frames_before, result.solved.answer.frames
    for phase in same:
        assert getattr(after, phase) == getattr(before, phase)
    now = dict(result.solved.moments_after)
    assert heights(rig, [now[m] for m in BEAT]) == pytest.approx(stands, abs=1e-6)


def test_a_floaty_jump_by_hand_comes_back_to_true_gravity() -> None:
    rig = simple_hare()
    by_hand(rig, rise=18)
    moments = {"crouch": 20, "takeoff": 23, "apex": 41, "land": 59, "low": 63, "end": 75}
    result = rig_api(rig).retime(moments=moments, to_gravity=True, subframes=True)
    assert result.solved.answer.physics.rise_gravity == pytest.approx(G, rel=1e-9)
    now = dict(result.solved.moments_after)
    parts = np.linspace(now["takeoff"], now["land"], 13)
    z = heights(rig, parts)
    assert np.diff(z, n=2) / (parts[1] - parts[0]) ** 2 * FPS**2 == pytest.approx(-G, rel=1e-3)
    scene = bpy.context.scene
    scene.gravity = (0, 0, -1.62)
    moon = rig_api(rig).retime(moments=now, to_gravity="scene")
    assert moon.solved.answer.physics.rise_gravity == pytest.approx(1.62, rel=0.05)


def by_hand(rig: Any, *, rise: float) -> None:
    """A jump of 1.2258 m whose air lasts twice `rise` frames, keyed on its moments alone."""
    h = G * (12 / FPS) ** 2 / 2
    v = 2 * h / rise
    rows = [(20, -0.15, 0.0), (23, 0.0, v), (23 + rise, h, 0.0), (23 + 2 * rise, 0.0, -v),
            (27 + 2 * rise, -0.2, 0.0), (39 + 2 * rise, 0.0, 0.0)]  # fmt: skip
    body = rig.pose.bones["body"]
    for frame, z, _ in rows:
        body.location = (0, 0, z)
        body.keyframe_insert("location", frame=frame)
    # The feet leave and land with the body.
    root = rig.pose.bones["root"]
    for frame, z in ((23, 0.0), (23 + rise, 0.0), (23 + 2 * rise, 0.0)):
        root.location = (0, 0, z)
        root.keyframe_insert("location", frame=frame)
    curve = curve_of(rig, 'pose.bones["body"].location', 2)
    points = curve.keyframe_points
    for i, (frame, z, slope) in enumerate(rows):
        points[i].handle_left_type = points[i].handle_right_type = "FREE"
        back = (frame - rows[i - 1][0]) / 3 if i else 1
        ahead = (rows[i + 1][0] - frame) / 3 if i + 1 < len(rows) else 1
        points[i].handle_left = (frame - back, z - slope * back)
        points[i].handle_right = (frame + ahead, z + slope * ahead)
    curve.update()


def test_a_hang_is_stored_and_taken_back() -> None:
    rig = simple_hare()
    beat(rig)
    rig_api(rig).retime(hang_frames=4)
    (jump,) = rig_api(rig).remembered()
    assert jump.style["hang"] == 4
    # It stays where something else is asked, and goes where nought is.
    result = rig_api(rig).retime(snappiness=1.2)
    assert result.solved.answer.style.hang == 4
    result = rig_api(rig).retime(hang_frames=0, rise_frames=12)
    (jump,) = rig_api(rig).remembered()
    assert jump.style.get("hang", 0) == 0
    is_one_arc(rig, dict(result.solved.moments_after), G)


def test_a_fall_is_stored_and_taken_back() -> None:
    rig = simple_hare()
    beat(rig)
    stands = heights(rig, BEAT.values())
    rig_api(rig).retime(fall_frames=8)
    (jump,) = rig_api(rig).remembered()
    assert jump.style["fall"] == pytest.approx((12 / 8) ** 2, rel=1e-6)
    m = jump.moments
    assert (m["apex"] - m["takeoff"], m["land"] - m["apex"]) == (12, 8)
    assert heights(rig, [m[k] for k in BEAT]) == pytest.approx(stands, abs=1e-6)
    result = rig_api(rig).retime(fall_frames=12)
    (jump,) = rig_api(rig).remembered()
    assert jump.style == {}
    is_one_arc(rig, dict(result.solved.moments_after), G)


# --- Selected, chains ----------------------------------------------------------------------------


def select_bones(rig: Any, *names: str) -> None:
    for bone in rig.pose.bones:
        holder = bone if hasattr(bone, "select") else bone.bone
        holder.select = bone.name in names


def test_selected_controls_alone_and_none_is_said() -> None:
    rig = shot()
    select_bones(rig, "ear.L", "arm.L")
    swing(rig, KEYS, "arm.L")
    before = state()
    result = rig_api(rig).retime(snappiness=1.5, selected=True)
    assert result.keys.channels == 2
    for bone in ("ear.L", "arm.L"):
        path = f'pose.bones["{bone}"].rotation_euler'
        at = frames_of(rig, path)
        assert at == np.rint(result.solved.map.apply(list(KEYS))).tolist()
    after = state()
    other = [name for name in before if name != "OBJECT Hare"]
    assert all(after[name] == before[name] for name in other)
    select_bones(rig)
    with pytest.raises(NotFoundError, match="select"):
        rig_api(rig).retime(snappiness=1.5, selected=True)


def chain() -> Any:
    rig = simple_hare()
    hop = {
        "rise_frames": 6, "push_height": 0.1532, "absorb_height": 0.1532, "recover_frames": 0,
        "keep": "poses",
    }  # fmt: skip
    rig_api(rig).block(**hop, anticipation_frames=0, pins={"crouch": 1})
    rig_api(rig).block(**hop, chain=True)
    return rig


@pytest.mark.parametrize("number", [1, 2])
def test_one_hop_of_a_chain(number: int) -> None:
    rig = chain()
    with pytest.raises(InputError, match=r"1 \(take-off 4\), 2 \(take-off 22\)"):
        rig_api(rig).retime(snappiness=2)
    before = [dict(j.moments) for j in rig_api(rig).remembered()]
    z = [heights(rig, m.values()) for m in before]
    result = rig_api(rig).retime(rise_frames=4, jump=number)
    jumps = rig_api(rig).remembered()
    assert len(jumps) == 2
    after = [dict(j.moments) for j in jumps]
    chosen, other = number - 1, 2 - number
    assert after[chosen]["land"] - after[chosen]["takeoff"] == 8
    shift = 0 if number == 2 else after[0]["low"] - before[0]["low"]
    assert shift != 0 or number == 2
    assert after[other] == {m: f + shift for m, f in before[other].items()}
    # The low of the first is the crouch of the second, still.
    assert after[0]["low"] == after[1]["crouch"]
    for moments, stood in zip(after, z, strict=True):
        assert heights(rig, moments.values()) == pytest.approx(stood, abs=1e-5)
    is_one_arc(rig, after[other], G)
    is_one_arc(rig, after[chosen], G * (6 / 4) ** 2)
    scene = bpy.context.scene
    shown = sorted(f for n in (1, 2) for _, f in own_markers(scene, rig.name, jump=n))
    assert shown == sorted(f for m in after for n, f in m.items() if n != "hold")
    assert result.keys.moved > 0
    # Both are remembered as written: blocking the last again finds no edited key.
    again = rig_api(rig).block_again(rise_frames=8)
    assert not any("edited" in text for text in again.warnings)


# --- Jumps that nothing is remembered of ----------------------------------------------------------


@pytest.mark.parametrize(
    "kind", ["hare with IK feet", "hare with FK legs", "skeleton of the human"]
)
def test_a_jump_is_found_by_its_turning_points(kind: str) -> None:
    rig = rigs.build(kind)
    scene = bpy.context.scene
    scene.render.fps, scene.render.fps_base = FPS, 1.0
    if rig.animation_data is not None:
        rig.animation_data_clear()
    size = 1.0 if "human" in kind else 0.5
    blocked = rig_api(rig).block(
        rise_frames=12, push_height=0.25 * size, travel=size, heading=30.0, pins={"takeoff": 20}
    )
    if "leapwright" in rig:
        del rig["leapwright"]
    result = rig_api(rig).retime(snappiness=1.5)
    found, m = dict(result.solved.moments_before), blocked.moments
    assert found["takeoff"] == pytest.approx(m["takeoff"], abs=1)
    assert found["land"] == pytest.approx(m["land"], abs=1)
    assert found["apex"] == pytest.approx(m["apex"], abs=1)
    assert found["crouch"] == m["crouch"]
    assert result.after.heights.jump == pytest.approx(result.before.heights.jump, abs=2e-3)


def test_an_imported_jump() -> None:
    """A key on every frame, linear: still one arc, on whole frames, none lost but said."""
    rig = rigs.build("BVH import")
    scene = bpy.context.scene
    scene.render.fps = FPS
    if rig.animation_data is not None:
        rig.animation_data_clear()
    blocked = rig_api(rig).block(
        rise_frames=12, push_height=0.2, travel=0.5, heading=0.0, pins={"takeoff": 20}
    )
    frames = np.arange(1, 61)
    for curve in host.fcurves_of(rig):
        values = [curve.evaluate(int(f)) for f in frames]
        points = curve.keyframe_points
        points.clear()
        points.add(len(frames))
        points.foreach_set("co", np.c_[frames, values].astype("f4").ravel())
        points.foreach_set("interpolation", np.ones(len(frames), np.int32))
        curve.update()
    if "leapwright" in rig:
        del rig["leapwright"]
    moments = {m: blocked.moments[m] for m in ("crouch", "takeoff", "apex", "land", "low")}
    result = rig_api(rig).retime(moments=moments, snappiness=1.5)
    now = dict(result.solved.moments_after)
    assert now["land"] - now["takeoff"] == 16
    for curve in host.fcurves_of(rig):
        at = [k.co[0] for k in curve.keyframe_points]
        assert all(f == int(f) for f in at)
        assert len(set(at)) == len(at)
    assert result.keys.merged
    cog = rig_api(rig).find().cog.bone
    z = heights(rig, np.arange(now["takeoff"], now["land"] + 1), cog)
    at = np.arange(17) - 8
    # Straight lines from frame to frame are this much below the arc that they sample.
    sag = G / 8 / FPS**2
    assert z - z[0] == pytest.approx(G * 2.25 * (64 - at**2) / 2 / FPS**2, abs=1.2 * sag)


def test_moments_by_hand_need_take_off_and_land() -> None:
    rig = simple_hare()
    by_hand(rig, rise=12)
    before = state()
    for moments, match in (
        ({"takeoff": 23}, "land"),
        ({"takeoff": 23, "land": 20}, "follow each other"),
        ({"takeoff": 23, "landing": 47}, "landing"),
        ({"takeoff": 47, "land": 50}, "does not rise"),
    ):
        with pytest.raises(LeapwrightError, match=match):
            rig_api(rig).retime(moments=moments, snappiness=1.5)
        assert state() == before
    with pytest.raises(NotFoundError, match="take-off and land"):
        rig_api(rig).retime(snappiness=1.5)
    assert state() == before


# --- Actions that are not plainly the rig's own --------------------------------------------------


def refused(rig: Any, match: str) -> None:
    before = state()
    for dry_run in (True, False):
        with pytest.raises(HostError, match=match):
            rig_api(rig).retime(snappiness=1.5, dry_run=dry_run)
        assert state() == before


def test_an_action_that_moves_two_rigs_is_refused() -> None:
    rig = simple_hare()
    beat(rig)
    fox = simple_hare()
    fox.name = "Fox"
    fox.animation_data_create().action = rig.animation_data.action
    if host.slotted():
        fox.animation_data.action_slot = rig.animation_data.action_slot
    refused(rig, "also moves object “Fox”: make it single-user first")


def test_a_prop_whose_action_is_shared_is_refused_unless_it_stays() -> None:
    rig = shot()
    twin = thing("Twin")
    lantern = bpy.data.objects["Lantern"]
    twin.animation_data_create().action = lantern.animation_data.action
    if host.slotted():
        twin.animation_data.action_slot = lantern.animation_data.action_slot
    refused(rig, "“Twin”")
    result = rig_api(rig).retime(snappiness=1.5, props=False)
    assert result.keys.moved > 0


def test_locked_channels_are_refused_and_named() -> None:
    rig = shot()
    curve_of(rig, EAR).lock = True
    refused(rig, "locked channels would be retimed: .*ear")


def test_tweak_mode_is_refused() -> None:
    rig = simple_hare()
    beat(rig)
    action = rig.animation_data.action
    strip = rig.animation_data.nla_tracks.new().strips.new("hop", 1, action)
    if host.slotted():
        strip.action_slot = rig.animation_data.action_slot
    rig.animation_data.action = None
    rig.animation_data.nla_tracks[0].select = strip.select = True
    rig.animation_data.nla_tracks.active = rig.animation_data.nla_tracks[0]
    rig.animation_data.use_tweak_mode = True
    refused(rig, "NLA tweak mode")


def test_of_an_action_with_several_slots_only_the_own_one_changes() -> None:
    if not host.slotted():
        pytest.skip("no slots in this version")
    rig = simple_hare()
    beat(rig)
    swing(rig, KEYS)
    action = rig.animation_data.action
    fox = simple_hare()
    fox.name = "Fox"
    fox.animation_data_create().action = action
    fox.animation_data.action_slot = action.slots.new("OBJECT", "Fox")
    swing(fox, KEYS)
    before = state()["OBJECT Fox"]
    assert before["curves"]
    result = rig_api(rig).retime(snappiness=1.5, pins={"land": 58})
    assert state()["OBJECT Fox"] == before
    assert frames_of(rig, EAR)[1:4] == [40, 50, 58]
    assert rig.animation_data.action == fox.animation_data.action == action
    assert result.after is not None


def overridden(folder: Path, *, locked: bool = False) -> Any:
    rig = simple_hare()
    beat(rig)
    swing(rig, KEYS)
    for curve in host.fcurves_of(rig):
        curve.lock = locked
    group = bpy.data.collections.new("Hare")
    group.objects.link(rig)
    bpy.context.scene.collection.objects.unlink(rig)
    bpy.context.scene.collection.children.link(group)
    bpy.context.preferences.filepaths.save_version = 0
    bpy.ops.wm.save_as_mainfile(filepath=str(folder / "hare.blend"))
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = FPS
    with bpy.data.libraries.load(str(folder / "hare.blend"), link=True) as (_, wanted):
        wanted.collections = ["Hare"]
    return wanted.collections[0]


def test_a_linked_rig_needs_an_override(tmp_path: Path) -> None:
    group = overridden(tmp_path)
    bpy.context.scene.collection.children.link(group)
    rig = next(o for o in bpy.data.objects if o.type == "ARMATURE")
    refused(rig, "is linked from .*: make an override")


def test_an_override_is_retimed_and_keeps_it(tmp_path: Path) -> None:
    overridden(tmp_path).override_hierarchy_create(
        bpy.context.scene, bpy.context.view_layer, do_fully_editable=True
    )

    def rig() -> Any:
        return next(o for o in bpy.data.objects if o.override_library and o.type == "ARMATURE")

    linked = rig().animation_data.action
    assert linked.library is not None
    dry = rig_api(rig()).retime(snappiness=1.5, pins={"land": 58}, dry_run=True)
    assert rig().animation_data.action == linked
    result = rig_api(rig()).retime(snappiness=1.5, pins={"land": 58})
    assert any("a copy in this file" in text for text in result.warnings)
    assert result.keys == dry.keys
    assert frames_of(rig(), EAR)[1:4] == [40, 50, 58]
    before = [in_time.dump(c) for c in host.fcurves_of(rig())]
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "shot.blend"))
    open_shot(tmp_path / "shot.blend")
    assert [in_time.dump(c) for c in host.fcurves_of(rig())] == before
    (jump,) = rig_api(rig()).remembered()
    assert jump.moments["land"] == 58
    again = rig_api(rig()).retime(rise_frames=12, pins={"crouch": 38})
    assert dict(again.solved.moments_after)["land"] == 65


def test_what_is_refused_leaves_an_override_its_linked_action(tmp_path: Path) -> None:
    overridden(tmp_path, locked=True).override_hierarchy_create(
        bpy.context.scene, bpy.context.view_layer, do_fully_editable=True
    )
    rig = next(o for o in bpy.data.objects if o.override_library and o.type == "ARMATURE")
    linked, count = rig.animation_data.action, len(bpy.data.actions)
    refused(rig, "locked channels would be retimed")
    assert rig.animation_data.action == linked
    assert len(bpy.data.actions) == count


def test_no_change_is_said_and_a_push_of_less_than_a_frame_too() -> None:
    rig = simple_hare()
    beat(rig)
    before = state()
    result = rig_api(rig).retime(snappiness=1.01)
    assert any("small" in text for text in result.warnings)
    assert {k: v for k, v in state().items() if "memory" not in k} == {
        k: v for k, v in before.items() if "memory" not in k
    }
    result = rig_api(rig).retime(snappiness=5, dry_run=True)
    assert any("magnification" in text for text in result.warnings)
