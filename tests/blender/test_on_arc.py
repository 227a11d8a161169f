# SPDX-License-Identifier: GPL-3.0-or-later
"""Keeping the COG on its arc on final poses: in the air alone, on the COG control alone."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
import pytest

from blender import rigs
from blender.brute import mesh_cog, off_arc, on_frames, person_cog
from leapwright.curves import channel, identical, remove_keys, select
from leapwright.errors import HostError, InputError, NotFoundError
from leapwright.fingerprint import changed_keys
from leapwright.playback import evaluate
from leapwright_blender import rig_of, store
from leapwright_blender.read import read_curves
from leapwright_blender.write import write_curves

pytestmark = pytest.mark.thorough

WITHIN = 0.005


@pytest.fixture(autouse=True)
def _empty() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)


def scene() -> Any:
    return bpy.context.scene


def turn(rig: Any, frame: float, angle: float, *names: str) -> None:
    for name in names:
        bone = rig.pose.bones[name]
        bone.rotation_mode = "XYZ"
        bone.rotation_euler = (angle, 0.0, 0.3 * angle)
        bone.keyframe_insert("rotation_euler", frame=frame)


def swept(**ask: Any) -> tuple[Any, Any, dict[str, float]]:
    """A blocked hare with IK legs and a skin, whose heavy ears are animated after the block."""
    rig = rigs.build("hare with IK feet")
    scene().render.fps = 24
    fur = rigs.skin(rig)
    taken = rig_of(rig, scene())
    taken.block(**{"jump_height": 0.6, "push_height": 0.2, "travel": 0.8, **ask})
    moments = taken.remembered()[0].moments
    for moment, angle in (("crouch", 0.4), ("takeoff", 0.1), ("apex", -1.1), ("land", 0.3)):
        turn(rig, moments[moment], angle, "ear.L", "ear.R", "arm.R")
    return rig, fur, moments


def brute(fur: Any, moments: dict[str, float]) -> np.ndarray:
    air = np.arange(moments["takeoff"], moments["land"] + 1)
    return on_frames(air, lambda: mesh_cog([fur])[0])


def test_the_cog_is_on_its_arc_and_nothing_else_is_touched() -> None:
    rig, fur, moments = swept()
    before, strays = read_curves(rig).curves, off_arc(brute(fur, moments))
    assert strays > 0.05
    text = rig[store.PROPERTY]
    tried = rig_of(rig, scene()).keep_on_arc(dry_run=True, cog_from="mesh")
    assert identical(read_curves(rig).curves, before)
    assert rig[store.PROPERTY] == text
    done = rig_of(rig, scene()).keep_on_arc(cog_from="mesh")
    assert off_arc(brute(fur, moments)) < WITHIN
    assert (done.cog_from, done.gravity_m_s2) == ("mesh", pytest.approx(9.80665))
    assert done.before.largest_m == pytest.approx(strays, abs=1e-5)
    assert done.after.largest_m < WITHIN
    assert tried.dry_run
    assert [k.to_json() for k in tried.keys] == [k.to_json() for k in done.keys]
    after = read_curves(rig).curves
    told = {k.channel: k for k in done.keys}
    assert set(told) <= {f'pose.bones["body"].location[{axis}]' for axis in range(3)}
    takeoff, land = moments["takeoff"], moments["land"]
    for i, name in enumerate(before.channels):
        was, now = channel(before, i), channel(after, after.channels.index(name))
        if name.label not in told:
            assert identical(was, now)
            continue
        # Outside the air it plays as before, on contacts to the bit; all keys keep their frames.
        outside = [*np.arange(-5, takeoff, 0.25), *np.arange(land + 0.25, land + 40, 0.25)]
        assert evaluate(now, outside) == pytest.approx(evaluate(was, outside), abs=1e-6)
        contacts = [moments[m] for m in moments if m != "apex"]
        assert np.array_equal(evaluate(now, contacts), evaluate(was, contacts))
        assert set(was.frame.tolist()) <= set(now.frame.tolist())
        keys = told[name.label]
        assert {f for f, _, _ in keys.changed} <= {moments["apex"]}
        for frame, a, b in keys.changed:
            assert evaluate(was, [frame])[0, 0] == pytest.approx(a, abs=1e-6)
            assert evaluate(now, [frame])[0, 0] == pytest.approx(b, abs=1e-6)
        new = set(now.frame.tolist()) - set(was.frame.tolist())
        assert new == set(keys.added)
        assert len(new) <= 4
        assert all(takeoff < frame < land for frame in new)
    # Once more there is nothing to do.
    again = rig_of(rig, scene()).keep_on_arc()
    assert again.keys == ()
    assert again.cog_from == "mesh"


def test_the_rig_still_knows_its_own_keys() -> None:
    rig, fur, moments = swept()
    rig_of(rig, scene()).keep_on_arc(cog_from="mesh")
    (kept,) = rig_of(rig, scene()).remembered()
    assert kept.cog_from == "mesh"
    assert kept.moments == moments
    (prefix,) = {name.partition("|")[0] for name in kept.written}
    found = changed_keys(kept.written, read_curves(rig).curves, prefix)
    assert (found.changed, found.gone) == ((), ())
    curves = read_curves(rig).curves
    home = curves.channel_of_key()
    for i, name in enumerate(curves.channels):
        if "body" in name.data_path or "root" in name.data_path:
            assert found.ours[home == i].all()
    # So it may be blocked once more without a word, and then is on the arc of the mesh.
    done = rig_of(rig, scene()).block_again(jump_height=0.7)
    assert done.cog_from == "mesh"
    assert not [text for text in done.warnings if "edited" in text]
    assert off_arc(brute(fur, dict(rig_of(rig, scene()).remembered()[0].moments))) < WITHIN


def test_a_hand_edited_key_stays_known_as_edited() -> None:
    rig, _, moments = swept()
    bone = rig.pose.bones["body"]
    scene().frame_set(int(moments["apex"]))
    bone.location.z += 0.03
    bone.keyframe_insert("location", frame=moments["apex"])
    rig_of(rig, scene()).keep_on_arc(cog_from="mesh")
    (kept,) = rig_of(rig, scene()).remembered()
    (prefix,) = {name.partition("|")[0] for name in kept.written}
    found = changed_keys(kept.written, read_curves(rig).curves, prefix)
    assert ('pose.bones["body"].location[2]', moments["apex"]) in found.changed


def test_a_jump_that_is_not_remembered_keeps_the_gravity_that_changes_least() -> None:
    rig, fur, moments = swept(gravity="mars")
    store.clear(rig)
    given = {m: moments[m] for m in ("takeoff", "land")}
    with pytest.raises(InputError, match="does not rise"):
        rig_of(rig, scene()).keep_on_arc(
            moments={"takeoff": moments["end"] + 2, "land": moments["end"] + 9}, cog_from="mesh"
        )
    done = rig_of(rig, scene()).keep_on_arc(moments=given, cog_from="mesh")
    assert done.gravity_m_s2 == pytest.approx(3.72, rel=0.2)
    assert off_arc(brute(fur, moments), gravity=done.gravity_m_s2) < WITHIN
    assert rig_of(rig, scene()).remembered() == ()


def test_a_styled_jump_stays_on_its_styled_arc() -> None:
    rig, fur, _ = swept()
    taken = rig_of(rig, scene())
    retimed = taken.retime(rise_frames=12, fall_frames=8)
    assert retimed.solved.answer.style.fall > 1.5
    done = taken.keep_on_arc(cog_from="mesh", within=0.002)
    moments = taken.remembered()[0].moments
    second = np.diff(brute(fur, moments)[:, 2], n=2) * 24**2
    rise, fall = second[1:9], second[-5:-1]
    assert rise == pytest.approx(-done.gravity_m_s2, abs=0.004 * 4 * 24**2)
    ratio = float(np.mean(fall) / np.mean(rise))
    assert ratio == pytest.approx(retimed.solved.answer.style.fall, rel=0.15)


def test_a_cog_control_without_keys_gets_some() -> None:
    rig, fur, moments = swept()
    curves = read_curves(rig).curves
    mine = [i for i, c in enumerate(curves.channels) if '"body"' in c.data_path]
    own = select(curves, mine)
    write_curves(rig, remove_keys(own, np.ones(len(own.frame), dtype=bool)))
    rig.pose.bones["body"].location = (0, 0, 0)
    done = rig_of(rig, scene()).keep_on_arc(cog_from="mesh")
    assert off_arc(brute(fur, moments)) < WITHIN
    assert all({moments["takeoff"], moments["land"]} <= set(k.added) for k in done.keys)
    # Before and after the air it stands where it stood.
    scene().frame_set(int(moments["crouch"]))
    assert rig.pose.bones["body"].location[:] == pytest.approx((0, 0, 0), abs=1e-6)


def test_what_cannot_be_is_refused_and_changes_nothing() -> None:
    rig, _, _ = swept(stepped=True)
    before = read_curves(rig).curves
    taken = rig_of(rig, scene())
    with pytest.raises(InputError, match="stepped keys in the air"):
        taken.keep_on_arc(cog_from="mesh")
    with pytest.raises(InputError, match="within"):
        taken.keep_on_arc(cog_from="mesh", within=0)
    with pytest.raises(InputError, match="control, segments, mesh"):
        taken.keep_on_arc(cog_from="guess")
    with pytest.raises(InputError, match="jump must be 1 to 1"):
        taken.keep_on_arc(jump=2)
    assert identical(read_curves(rig).curves, before)
    bpy.ops.wm.read_homefile(use_empty=True)
    rig, _, _ = swept()
    rig.pose.bones["body"].lock_location[2] = True
    before = read_curves(rig).curves
    with pytest.raises(HostError, match="cannot be keyed freely"):
        rig_of(rig, scene()).keep_on_arc(cog_from="mesh")
    assert identical(read_curves(rig).curves, before)
    bpy.ops.wm.read_homefile(use_empty=True)
    with pytest.raises(NotFoundError):
        rig_of(rigs.build("hare with FK legs"), scene()).keep_on_arc()


def test_arms_that_rise_and_legs_that_tuck_on_the_generated_human() -> None:
    rig = rigs.build("generated human")
    scene().render.fps = 24
    taken = rig_of(rig, scene())
    taken.block(jump_height=0.45, push_height=0.3)
    moments = taken.remembered()[0].moments
    for moment, arms, tuck in (("takeoff", -0.4, 0.0), ("apex", 0.8, 0.3), ("land", -0.2, 0.0)):
        for name, place in (
            ("hand_ik.L", (-0.3, 0, arms)), ("hand_ik.R", (0.3, 0, arms)),
            ("foot_ik.L", (0, 0, tuck)), ("foot_ik.R", (0, 0, tuck)),
        ):  # fmt: skip
            rig.pose.bones[name].location = place
            rig.pose.bones[name].keyframe_insert("location", frame=moments[moment])
    air = np.arange(moments["takeoff"], moments["land"] + 1)
    assert off_arc(on_frames(air, lambda: person_cog(rig))) > 0.06
    done = taken.keep_on_arc()
    assert done.cog_from == "segments"
    assert off_arc(on_frames(air, lambda: person_cog(rig))) < WITHIN
    assert sum(len(k.added) for k in done.keys) <= 9
    assert done.to_json()["off_arc_after"]["largest_m"] < WITHIN
