# SPDX-License-Identifier: GPL-3.0-or-later
"""Planned keys are played and nothing is left of them, whatever happens inside."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import fk_hare
from blender.state import state
from leapwright.curves import Channel, Curves, Interpolation, identical, select
from leapwright.errors import HostError
from leapwright_blender import host
from leapwright_blender.read import read_curves
from leapwright_blender.rehearsal import rehearsal
from leapwright_blender.sample import sample
from leapwright_blender.space import Control

BODY = 'pose.bones["body"].location'
FRAMES = [1, 4, 7.5, 13, 20]


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


@pytest.fixture
def hare() -> Any:
    rig = fk_hare()
    for frame, height in ((1, 0.0), (7, -0.2), (13, 0.4)):
        rig.pose.bones["body"].location = (0.02 * frame, 0, height)
        rig.pose.bones["body"].keyframe_insert("location", frame=frame)
        rig.pose.bones["head"].rotation_quaternion = (1, 0.01 * frame, 0, 0)
        rig.pose.bones["head"].keyframe_insert("rotation_quaternion", frame=frame)
    bpy.context.scene.frame_set(4)
    return rig


def new_crate() -> Any:
    made = bpy.data.objects.new("Crate", None)
    bpy.context.scene.collection.objects.link(made)
    return made


def hop(height: float, path: str = BODY) -> Curves:
    return Curves.checked(
        [Channel(path, 2)], [0, 2], [1, 13], [0.0, height], interpolation=Interpolation.LINEAR
    )


def heights(rig: Any) -> np.ndarray:
    places = sample(rig, FRAMES, [Control("Hare", "body")], scene=bpy.context.scene).positions
    return places[0, :, 2]


def test_planned_keys_are_played_and_gone_after(hare: Any) -> None:
    before, curves, was = state(hare), read_curves(hare).curves, heights(hare)
    with rehearsal([(hare, hop(1.2))]) as played:
        assert heights(hare) == pytest.approx(np.interp(FRAMES, [1, 13], [0.5, 1.7]), abs=1e-6)
        assert read_curves(hare).curves.channels == curves.channels
        played.write(hare, hop(0.6))
        assert heights(hare) == pytest.approx(np.interp(FRAMES, [1, 13], [0.5, 1.1]), abs=1e-6)
        # Channels that are not planned play as they are.
        others = [i for i, c in enumerate(curves.channels) if c != Channel(BODY, 2)]
        assert identical(select(read_curves(hare).curves, others), select(curves, others))
    assert state(hare) == before
    assert identical(read_curves(hare).curves, curves)
    assert np.array_equal(heights(hare), was)


def test_poses_that_are_not_keyed_stay(hare: Any) -> None:
    crate = new_crate()
    hare["squash"], hare.pose.bones["spine"]['say "hop"'] = 0.5, 3.0
    moved = [
        Channel('["squash"]', 0),
        Channel('pose.bones["spine"]["say \\"hop\\""]', 0),
        Channel("scale", 1),
        Channel("nowhere", 0),
    ]
    keys = Curves.checked(moved, [0, 1, 2, 3, 4], [1, 1, 1, 1], [9.0, 9.0, 9.0, 9.0])
    hare.pose.bones["body"].location = (3, 2, 1)
    hare.pose.bones["spine"].location = (0.5, 0, 0)
    hare.location, crate.location = (7, 8, 9), (-1, -2, -3)
    before = state(hare, crate)
    with rehearsal([(hare, keys), (crate, hop(4, "location")), (hare, hop(1, "location"))]):
        assert read_curves(hare).curves.channels[-1] == Channel("location", 2)
        bpy.context.view_layer.update()
        bpy.context.scene.frame_set(4)
        assert hare["squash"] == 9.0
        assert crate.location[2] == pytest.approx(1.0)
    assert state(hare, crate) == before
    assert (hare["squash"], hare.pose.bones["spine"]['say "hop"']) == (0.5, 3.0)
    assert tuple(hare.scale) == (1, 1, 1)
    bpy.context.view_layer.update()
    assert state(hare, crate) == before


def test_no_animation_data_before_none_after() -> None:
    crate = new_crate()
    before = state(crate)
    with rehearsal([(crate, hop(2, "location"))]):
        assert len(read_curves(crate).curves.frame) == 2
    assert crate.animation_data is None
    assert state(crate) == before


def test_animation_data_without_an_action_stays() -> None:
    crate = new_crate()
    crate.animation_data_create()
    before = state(crate)
    with rehearsal() as played:
        assert state(crate) == before
        played.write(crate, hop(2, "location"))
        assert len(read_curves(crate).curves.frame) == 2
    assert state(crate) == before


def test_an_error_inside_leaves_nothing(hare: Any) -> None:
    crate = new_crate()
    before = state(hare, crate)
    with pytest.raises(RuntimeError, match="hay"), rehearsal([(hare, hop(1)), (crate, hop(1))]):
        raise RuntimeError("hay")
    assert state(hare, crate) == before


def test_what_cannot_be_written_is_not_played(hare: Any) -> None:
    crate = new_crate()
    hare.driver_add("scale", 0)
    close = replace(hop(1), frame=np.array([1, 1.001], np.float32))
    driven = Curves.checked([Channel("scale", 0)], [0, 1], [1], [1.0])
    before = state(hare, crate)
    for wrong in (close, driven):
        with pytest.raises((HostError, ValueError)), rehearsal([(crate, hop(1)), (hare, wrong)]):
            raise AssertionError("played")
        assert state(hare, crate) == before
    crate.animation_data_create().action = hare.animation_data.action
    if host.slotted():
        crate.animation_data.action_slot = hare.animation_data.action_slot
    shared = state(hare, crate)
    with pytest.raises(HostError, match="also moves"), rehearsal([(hare, hop(1))]):
        raise AssertionError("played")
    assert state(hare, crate) == shared


def test_slots_of_others_and_none(hare: Any) -> None:
    if not host.slotted():
        pytest.skip("no slots in this version")
    action, crate, barrel = hare.animation_data.action, new_crate(), new_crate()
    for obj, height in ((crate, 3.0), (barrel, 5.0)):
        obj.animation_data_create().action = action
        obj.animation_data.action_slot = None
        with rehearsal([(obj, hop(height, "location"))]):
            assert len(read_curves(obj).curves.frame) == 2
        assert obj.animation_data.action_slot is None
        obj.animation_data.action_slot = action.slots.new("OBJECT", obj.name)
        obj.location = (0, 0, height)
        obj.keyframe_insert("location", frame=1)
    # A slot named for another one, which the host would not pick by itself.
    crate.animation_data.action_slot, barrel.animation_data.action_slot = action.slots[2], None
    before = state(hare, crate, barrel)
    with rehearsal([(crate, hop(9, "location")), (hare, hop(1))]):
        assert crate.animation_data.action_slot.handle == action.slots[2].handle
        assert crate.animation_data.action != hare.animation_data.action
        assert read_curves(crate).curves.value[-1] == 9.0
        assert read_curves(barrel).curves.channels == ()
    assert state(hare, crate, barrel) == before


def test_tracks_of_the_nla_stay(hare: Any) -> None:
    data = hare.animation_data
    other = bpy.data.actions.new("Wait")
    track = data.nla_tracks.new()
    track.strips.new("wait", 30, other)
    track.strips.new("again", 60, data.action).mute = True
    data.action_extrapolation = "NOTHING"
    before = state(hare)
    with rehearsal([(hare, hop(1.2))]):
        assert read_curves(hare).curves.value[-1] != 0.4
    assert state(hare) == before
    assert data.action_extrapolation == "NOTHING"
    assert other.users == 1


def test_an_action_that_is_kept_by_a_fake_user(hare: Any) -> None:
    hare.animation_data.action.use_fake_user = True
    before = state(hare)
    with rehearsal([(hare, hop(1.2))]):
        pass
    assert state(hare) == before


def test_it_is_not_a_step_to_undo(hare: Any) -> None:
    bpy.context.preferences.edit.use_global_undo = True
    bpy.ops.ed.undo_push(message="before")
    hare.location = (1, 1, 1)
    bpy.ops.ed.undo_push(message="moved")
    with rehearsal([(hare, hop(1.2))]):
        pass
    bpy.ops.ed.undo()
    assert tuple(bpy.data.objects["Hare"].location) == (0, 0, 0)
