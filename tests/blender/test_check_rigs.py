# SPDX-License-Identifier: GPL-3.0-or-later
"""Checking rigs: what was blocked is measured back, what is meant is kept, nonsense is answered."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from blender import generated
from blender.rigs import fk_hare, object_crate, simple_hare
from leapwright import HostError, InputError, NotFoundError, Style
from leapwright_blender import host, open_shot, rig_of, store

pytestmark = pytest.mark.thorough

HARE = Path(__file__).parents[2] / "blend_samples" / "hare.blend"
NAMES = ("crouch", "takeoff", "apex", "land", "low")


@pytest.fixture(autouse=True)
def _empty() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = 24
    yield
    bpy.context.preferences.edit.use_global_undo = True


def hare() -> Any:
    return open_shot(HARE).rig("Hare")


def the_object(rig: Any) -> Any:
    return bpy.data.objects[rig.name]


def names_of(told: Any) -> list[str]:
    return [finding.id for finding in told.findings]


def assert_measured_back(told: Any, blocked: Any, *, stepped: bool = False) -> None:
    """Moments to 0.05 frame, heights and gravity to 0.5 %, no findings."""
    (found,) = told.jumps
    jump, want = blocked.jump, dict(blocked.moments)
    want["apex"] = want["takeoff"] + jump.takeoff_speed / jump.gravity * float(jump.frame_rate)
    got = [getattr(found.moments, name) for name in NAMES]
    assert got == pytest.approx([want[name] for name in NAMES], abs=0.05)
    assert found.frames.crouch_hold == pytest.approx(jump.frames.crouch_hold, abs=0.05)
    assert found.heights.jump == pytest.approx(jump.jump_height, rel=5e-3)
    assert found.heights.push == pytest.approx(jump.push_height, rel=5e-3)
    assert found.gravity.air == pytest.approx(jump.gravity, rel=5e-3)
    assert found.travel == pytest.approx(jump.travel, rel=1e-2, abs=1e-3)
    assert told.findings == ()
    assert told.track.stepped == stepped
    assert told.remembered == (1,)


ASKS = {
    "plain": {"rise_frames": 12, "push_frames": 3},
    "hold": {"rise_frames": 10, "push_height": 0.25, "crouch_hold_frames": 6},
    "onto": {"rise_frames": 12, "push_height": 0.25, "foot_travel": 1.0, "landing_level": 0.4},
    "off": {"rise_frames": 8, "push_height": 0.25, "foot_travel": 1.0, "landing_level": -0.5},
    "twos": {"rise_frames": 12, "push_frames": 4, "twos": True},
    "moon": {"jump_height": 1.5, "push_height": 0.25, "gravity": "moon"},
    "stepped": {
        "rise_frames": 10, "push_height": 0.25, "crouch_hold_frames": 6, "foot_travel": 1.0,
        "stepped": True,
    },
}  # fmt: skip


@pytest.mark.parametrize("name", ASKS)
def test_blocked_on_the_hare_is_measured_back(name: str) -> None:
    rig = hare()
    blocked = rig.block(**ASKS[name])
    assert_measured_back(rig.check(), blocked, stepped=name == "stepped")


@pytest.mark.parametrize("make", [generated.human, generated.fk_human, generated.metarig])
def test_blocked_on_people_is_measured_back(make: Any) -> None:
    rig = rig_of(make(), bpy.context.scene)
    blocked = rig.block(rise_frames=10, push_height=0.25, crouch_hold_frames=4)
    assert_measured_back(rig.check(), blocked)
    # Another COG goes another way, but leaves and lands with the same feet.
    told = rig.check(cog_from="segments")
    assert told.cog_from == "segments"
    (found,) = told.jumps
    assert found.moments.takeoff == pytest.approx(blocked.moments["takeoff"], abs=0.5)
    assert found.moments.land == pytest.approx(blocked.moments["land"], abs=0.5)


def test_between_frames_is_meant_where_it_was_asked() -> None:
    rig = hare()
    rig.block(jump_height=0.5, push_height=0.25, subframes=True)
    told = rig.check()
    assert [(f.id, f.severity) for f in told.findings] == [("key_between_frames", "note")]


def test_a_chain_of_hops_is_found_and_linked() -> None:
    rig = hare()
    rig.block(rise_frames=8, push_height=0.25)
    for _ in range(2):
        rig.block(rise_frames=8, push_height=0.25, chain=True)
    told = rig.check()
    assert told.remembered == (1, 2, 3)
    for jump, known in zip(told.jumps, rig.remembered(), strict=True):
        assert jump.moments.takeoff == pytest.approx(known.moments["takeoff"], abs=0.05)
        assert jump.moments.land == pytest.approx(known.moments["land"], abs=0.05)
    assert [jump.shares_crouch for jump in told.jumps] == [False, True, True]


def test_a_polished_block_is_noticed() -> None:
    rig = hare()
    rig.block(rise_frames=12, push_frames=3)
    assert not any("edited" in text for text in rig.check().warnings)
    curve = next(
        c for c in host.fcurves_of(the_object(rig)) if c.data_path.endswith('"body"].location')
    )
    curve.keyframe_points[1].co.y += 0.01
    curve.update()
    (said,) = [text for text in rig.check().warnings if "edited" in text]
    assert "jump 1 (take-off 14) was edited since it was blocked: 1 keys changed" in said


def test_a_style_is_a_note_found_without_memory_and_kept_when_it_is_meant() -> None:
    """Rise 12, hang 4, fall 9."""
    rig = hare()
    rig.block(rise_frames=12, push_frames=3)
    rig.retime(rise_frames=12, hang_frames=4, fall_frames=9)
    own = rig.check()
    assert {f.name for f in own.findings} == {"falls faster than it rises", "hangs at the top"}
    assert own.worst == "note"
    assert not any("edited" in text for text in own.warnings)
    plain = rig.check(style=Style())
    assert plain.worst == "warning"
    assert names_of(plain) == names_of(own)
    rig.mark_intended("falls_faster", "the show falls")
    rig.mark_intended("hangs@1", "she floats")
    told = rig.check(style=Style())
    assert {f.id: f.intended for f in told.findings} == {
        "falls_faster": "the show falls",
        "hangs": "she floats",
    }
    assert told.worst == "note"
    # A retime keeps what is meant.
    rig.retime(snappiness=1.3)
    assert store.intended_of(rig.remembered()[0]) == {"hangs": "she floats"}
    assert store.load_intended(the_object(rig)) == {"falls_faster": "the show falls"}
    rig.unmark_intended("hangs@1")
    rig.unmark_intended("falls_faster")
    assert store.load_intended(the_object(rig)) == {}
    with pytest.raises(NotFoundError, match="not marked"):
        rig.unmark_intended("hangs@1")


def test_what_is_meant_of_a_jump_that_nobody_blocked_is_kept() -> None:
    rig = hare()
    rig.block(rise_frames=12, push_frames=3, gravity="moon")
    store.clear(the_object(rig))
    assert names_of(rig.check()) == ["gravity"]
    rig.mark_intended("gravity@1", "the moon")
    assert rig.check().findings[0].intended == "the moon"
    assert rig.remembered() == ()
    with pytest.raises(NotFoundError, match="there is no jump 2"):
        rig.mark_intended("gravity@2", "the moon")
    with pytest.raises(InputError, match="must name a finding"):
        rig.mark_intended("floats", "the moon")
    with pytest.raises(InputError, match="reason"):
        rig.mark_intended("gravity", " ")


def test_old_memory_still_loads() -> None:
    """The string as it was before anything could be meant."""
    rig = hare()
    rig.block(rise_frames=12, push_frames=3)
    text = json.loads(the_object(rig)[store.PROPERTY])
    assert set(text) == {"format", "jumps"}
    store.save_intended(the_object(rig), {"hangs": "so"})
    assert len(rig.remembered()) == 1
    store.save(the_object(rig), rig.remembered())
    assert store.load_intended(the_object(rig)) == {"hangs": "so"}


def test_nothing_in_the_file_is_changed() -> None:
    rig = hare()
    rig.block(rise_frames=12, push_frames=3)
    obj, scene = the_object(rig), bpy.context.scene
    scene.frame_set(7)
    obj.pose.bones["body"].location.x = 0.123
    other = bpy.data.actions.new("Other")
    before = (obj.animation_data.action, dict(obj.items()), len(bpy.data.scenes))
    curves = [tuple(k.co) for c in host.fcurves_of(obj) for k in c.keyframe_points]
    rig.check()
    rig.check(action=other.name) if not host.slotted() else None
    after = (obj.animation_data.action, dict(obj.items()), len(bpy.data.scenes))
    assert after == before
    assert [tuple(k.co) for c in host.fcurves_of(obj) for k in c.keyframe_points] == curves
    assert scene.frame_current == 7
    assert obj.pose.bones["body"].location.x == pytest.approx(0.123)


def test_an_action_by_name_is_played_and_put_back() -> None:
    obj = simple_hare()
    rig = rig_of(obj, bpy.context.scene)
    blocked = rig.block(rise_frames=12, push_frames=3)
    hop = obj.animation_data.action
    hop.name, hop.use_fake_user = "Hop", True
    store.clear(obj)
    obj.animation_data_clear()
    assert "has no keys" in rig.check().reason
    told = rig.check(action="Hop", cog_from="control")
    assert told.jumps[0].moments.takeoff == pytest.approx(blocked.moments["takeoff"], abs=0.05)
    assert obj.animation_data is None
    with pytest.raises(NotFoundError, match=r"there is no action 'Skip' .* actions: Hop"):
        rig.check(action="Skip")


def test_a_strip_is_checked_where_it_plays() -> None:
    obj = simple_hare()
    rig = rig_of(obj, bpy.context.scene)
    blocked = rig.block(rise_frames=12, push_frames=3)
    data = obj.animation_data
    action, data.action = data.action, None
    store.clear(obj)
    strip = data.nla_tracks.new().strips.new("Hop", 101, action)
    if host.slotted():
        strip.action_slot = action.slots[0]
    told = rig.check(cog_from="control")
    (jump,) = told.jumps
    shift = 101 - blocked.moments["start"]
    assert jump.moments.takeoff == pytest.approx(blocked.moments["takeoff"] + shift, abs=0.05)
    assert jump.moments.land == pytest.approx(blocked.moments["land"] + shift, abs=0.05)
    assert told.track.keys is None


# --- Wrong jumps ---------------------------------------------------------------------------------


def test_in_place_is_named() -> None:
    """The feet are drawn up and come back, the body stays."""
    obj = simple_hare()
    for side in "LR":
        paw = obj.pose.bones[f"paw.{side}"]
        for frame, up in ((1, 0), (10, 0), (14, 0.25), (26, 0.25), (30, 0), (45, 0)):
            paw.location = (0, 0, 0)
            way = paw.bone.matrix_local.to_3x3().inverted() @ bpy_up(up)
            paw.location = way
            paw.keyframe_insert("location", frame=frame)
    told = rig_of(obj, bpy.context.scene).check(cog_from="control")
    assert [jump.in_place for jump in told.jumps] == [True]
    assert [f.id for f in told.findings if f.severity != "note"] == []
    assert "in_place" in names_of(told)


def bpy_up(up: float) -> Any:
    from mathutils import Vector

    return Vector((0, 0, up))


def test_the_floor_may_be_an_object() -> None:
    rig = hare()
    rig.block(rise_frames=12, push_frames=3)
    mesh = bpy.data.meshes.new("Street")
    mesh.from_pydata([(-9, -9, 0.1), (9, -9, 0.1), (9, 9, 0.1), (-9, 9, 0.1)], [], [(0, 1, 2, 3)])
    street = bpy.data.objects.new("Street", mesh)
    bpy.context.scene.collection.objects.link(street)
    told = rig.check(ground="Street")
    assert "foot_below_floor" in names_of(told)
    street.location.z = -0.1
    bpy.context.view_layer.update()
    assert names_of(rig.check(ground="Street")) == []
    with pytest.raises(NotFoundError, match="no object 'Roof'"):
        rig.check(ground="Roof")


# --- Nonsense ------------------------------------------------------------------------------------


def test_nothing_to_find_is_an_answer() -> None:
    obj = fk_hare()
    rig = rig_of(obj, bpy.context.scene)
    assert "has no keys" in rig.check().reason
    obj.animation_data_create().action = bpy.data.actions.new("Empty")
    assert "has no keys" in rig.check().reason
    body = obj.pose.bones[0]
    body.keyframe_insert("location", frame=5)
    assert "one frame cannot hold a jump" in rig.check().reason
    for frame, up in ((1, 0), (10, -0.05), (20, 0)):
        body.location = (0, 0, up)
        body.keyframe_insert("location", frame=frame)
    told = rig.check(cog_from="control")
    assert told.jumps == ()
    assert told.reason.startswith("no jump")


def test_keys_that_are_no_numbers_are_named() -> None:
    rig = hare()
    rig.block(rise_frames=12, push_frames=3)
    curve = next(
        c for c in host.fcurves_of(the_object(rig)) if c.data_path.endswith('"body"].location')
    )
    curve.keyframe_points[2].co.y = np.nan
    with pytest.raises(HostError, match="no number, on frame"):
        rig.check()


def test_who_stands_under_a_gravity_that_points_up_is_checked_as_they_stand() -> None:
    rig = hare()
    blocked = rig.block(rise_frames=12, push_frames=3)
    bpy.context.scene.gravity = (0, 0, 9.81)
    told = rig.check()
    assert_measured_back(told, blocked)
    (said,) = [text for text in told.warnings if "gravity" in text]
    assert said == (
        "the scene's gravity points up, but the figure stands on its feet: checked as if it "
        "pointed down"
    )
    bpy.context.scene.gravity = (0, 0, 0)
    with pytest.raises(InputError, match="gravity must not be zero"):
        rig.check()


def test_who_jumps_off_a_ceiling_is_checked_as_the_gravity_says() -> None:
    bpy.context.scene.gravity = (0, 0, 9.81)
    obj = simple_hare()
    obj.rotation_euler.x = np.pi
    obj.location.z = 5
    bpy.context.view_layer.update()
    rig = rig_of(obj, bpy.context.scene)
    blocked = rig.block(rise_frames=12, push_frames=3)
    told = rig.check(cog_from="control")
    assert told.jumps[0].moments.takeoff == pytest.approx(blocked.moments["takeoff"], abs=0.05)
    assert told.jumps[0].heights.jump == pytest.approx(blocked.jump.jump_height, rel=5e-3)
    assert any("as the figure stands" in text for text in told.warnings)


def test_what_is_meant_outlives_another_block() -> None:
    """A jump in place of another one stands for it; one that goes on from it has its own."""
    rig = hare()
    rig.block(rise_frames=12, push_frames=3)
    rig.mark_intended("hangs@1", "she floats")
    rig.block(rise_frames=10, push_frames=3, replace=True)
    assert [store.intended_of(jump) for jump in rig.remembered()] == [{"hangs": "she floats"}]
    rig.block(rise_frames=8, push_height=0.25, chain=True)
    meant = [store.intended_of(jump) for jump in rig.remembered()]
    assert meant == [{"hangs": "she floats"}, {}]


@pytest.mark.parametrize("how", ["ground", "parent"])
def test_a_floor_that_moves_is_said(how: str) -> None:
    """A crate that slides away under the paws, and a cart that the hare is tied to."""
    rig = hare()
    rig.block(rise_frames=12, push_frames=3)
    still = rig.check()
    obj = the_object(rig)
    crate = object_crate()
    if how == "ground":
        crate.scale = (40, 40, 0.01)
    for frame, way in ((1, 0.0), (60, 3.0)):
        crate.location = (way, 0, 0)
        crate.keyframe_insert("location", frame=frame)
    bpy.context.scene.frame_set(1)
    if how == "parent":
        obj.parent = crate
        obj.matrix_parent_inverse = crate.matrix_world.inverted()
        told = rig.check()
        assert any("the rig's parent 'Crate' moves " in text for text in told.warnings)
    else:
        told = rig.check(ground=crate.name)
        assert any("the ground 'Crate' moves" in text for text in told.warnings)
        assert [j.moments for j in told.jumps] == [j.moments for j in still.jumps]


def test_a_thing_without_bones_is_checked_by_itself() -> None:
    crate = object_crate()
    for frame, up in ((1, 1), (12, 0.6), (18, 1), (30, 2.2), (42, 1), (48, 0.6), (60, 1)):
        crate.location.z = up
        crate.keyframe_insert("location", frame=frame)
    told = rig_of(crate, bpy.context.scene).check(cog_from="control")
    assert len(told.jumps) == 1
    assert any("no feet" in text for text in told.warnings)


@pytest.mark.parametrize(
    ("asked", "error", "said"),
    [
        ({"gravity": -3}, InputError, "gravity must be above 0"),
        ({"cog_from": "liver"}, InputError, "cog_from"),
        ({"intended": {"floats": "x"}}, InputError, "must name a finding"),
        ({"limits": {"floats": 1}}, InputError, "thresholds must be of"),
        ({"cog": "liver"}, NotFoundError, "no control 'liver'"),
        ({"ground": "Hare"}, InputError, "an object with a surface"),
    ],
)
def test_what_is_not_allowed_is_refused(asked: dict[str, Any], error: Any, said: str) -> None:
    rig = hare()
    rig.block(rise_frames=12, push_frames=3)
    with pytest.raises(error, match=said):
        rig.check(**asked)
