# SPDX-License-Identifier: GPL-3.0-or-later
"""Feet that leave before take-off and plant after land: pounces and one-foot take-offs."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import BoneSpec, make_armature, simple_hare
from leapwright import ClashError, InputError, NotFoundError
from leapwright_blender import rig_of
from leapwright_blender.space import label

NEAR = 2e-5


@pytest.fixture(autouse=True)
def _empty() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.render.fps = 24


def cat(*, root: bool) -> Any:
    """Four IK legs under one body."""
    top = "root" if root else ""
    bones = {"root": BoneSpec((0, 0, 0), (0, 0.3, 0), deform=False)} if root else {}
    bones |= {
        "body": BoneSpec((0, 0, 0.5), (0, 0.3, 0.5), top, deform=False),
        "pelvis": BoneSpec((0, 0.3, 0.5), (0, 0, 0.5), "body"),
        "chest": BoneSpec((0, 0, 0.5), (0, -0.4, 0.5), "pelvis"),
    }
    for end, y, holder in (("front", -0.35, "chest"), ("hind", 0.3, "pelvis")):
        for side, x in (("L", 0.1), ("R", -0.1)):
            tag = f"{end}.{side}"
            bones |= {
                f"thigh_{tag}": BoneSpec((x, y, 0.5), (x, y - 0.06, 0.27), holder),
                f"shin_{tag}": BoneSpec((x, y - 0.06, 0.27), (x, y, 0.05), f"thigh_{tag}"),
                f"foot_{tag}": BoneSpec((x, y, 0.05), (x, y - 0.1, 0.0), f"shin_{tag}"),
                f"paw_{tag}": BoneSpec((x, y, 0.05), (x, y - 0.1, 0.05), top, deform=False),
            }
    rig = make_armature("Cat", bones)
    for end in ("front", "hind"):
        for side in "LR":
            con = rig.pose.bones[f"shin_{end}.{side}"].constraints.new("IK")
            con.target, con.subtarget, con.chain_count = rig, f"paw_{end}.{side}", 2
    bpy.context.view_layer.update()
    return rig


def track(rig: Any, bone: str, frames: Any) -> Any:
    places = []
    for frame in frames:
        bpy.context.scene.frame_set(int(frame))
        places.append(np.array(rig.matrix_world @ rig.pose.bones[bone].head))
    return np.array(places)


POUNCE: dict[str, dict[str, int]] = {
    "paw_front*": {"release": -4},
    "paw_hind*": {"plant": 4},
}


@pytest.mark.parametrize("root", [True, False])
def test_the_pounce(root: bool) -> None:
    rig = cat(root=root)
    result = rig_of(rig, bpy.context.scene).block(
        rise_frames=6, push_height=0.25, pins={"takeoff": 110}, foot=POUNCE, travel=0.9, heading=-90
    )
    m = result.moments
    assert (m["takeoff"], m["apex"], m["land"]) == (110, 116, 122)
    assert {label(f) for f in result.controls.feet} == {
        f"paw_{e}.{s}" for e in ("front", "hind") for s in "LR"
    }
    first, last = int(m.get("start", m["crouch"])), int(m.get("end", m["low"]))
    for end, leaves, plants in (("front", 106, 122), ("hind", 110, 126)):
        for side in "LR":
            frames = np.arange(first, last + 1)
            way = track(rig, f"paw_{end}.{side}", frames)
            before = way[frames <= leaves]
            after = way[frames >= plants]
            assert np.abs(before - before[0]).max() < NEAR
            assert np.abs(after - after[-1]).max() < NEAR
            flying = way[(frames > leaves) & (frames < plants)]
            assert flying[:, 2].min() > before[0, 2], "off the ground all the way"
            # Both ends, the very next frame: it has left, and it had not arrived.
            assert np.linalg.norm(flying[0] - before[0]) > 1e-3
            assert np.linalg.norm(flying[-1] - after[0]) > 1e-3
            assert after[0] - before[0] == pytest.approx([0, -0.9 - _ease(result), 0], abs=1e-4)
    z = track(rig, "body", np.arange(110, 123))[:, 2]
    assert np.diff(z, n=2) == pytest.approx(-9.80665 / 24**2, abs=4 * NEAR)
    assert result.measured is not None
    assert result.measured.largest_distance_m < NEAR


def _ease(result: Any) -> float:
    """A standing jump's feet go farther than its COG in the air."""
    return float(result.jump.foot_travel - result.jump.travel)


@pytest.mark.parametrize("air", ["root", "feet"])
def test_posed_feet_in_the_air_keep_their_poses(air: str) -> None:
    """A one-foot take-off: the free paw is posed up at take-off; both poses stay as they are."""
    rig = simple_hare()
    for frame, lift, paw in ((1, 0.0, 0.0), (2, -0.15, 0.0), (3, 0.1, 0.22)):
        rig.pose.bones["body"].location = (0, 0, lift)
        rig.pose.bones["paw.L"].location = (0, -paw, paw)
        for bone in ("body", "paw.L", "paw.R", "root"):
            rig.pose.bones[bone].keyframe_insert("location", frame=frame)
    result = rig_of(rig, bpy.context.scene).block(
        poses={"start": 1, "crouch": 2, "takeoff": 3},
        rise_frames=6,
        foot={"paw.L": {"release": -2}},
        air=air,
    )
    assert result.measured is not None
    assert result.measured.largest_distance_m < NEAR
    assert not [c for c in result.measured.posed_values_changed if c.moment != "apex"]
    m = result.moments
    up = int(m["takeoff"])
    left = track(rig, "paw.L", [m["crouch"], up - 2, up - 1, up])
    assert np.abs(left[1] - left[0]).max() < NEAR
    assert np.linalg.norm(left[2] - left[1]) > 1e-3
    assert left[3] - left[0] == pytest.approx([0, 0.22, 0.22], abs=NEAR)
    right = track(rig, "paw.R", np.arange(m["crouch"], up + 1))
    assert np.abs(right - right[0]).max() < NEAR


def test_offsets_that_cannot_be_are_refused() -> None:
    rig = rig_of(simple_hare(), bpy.context.scene)
    known = {"rise_frames": 6, "push_height": 0.1}
    with pytest.raises(InputError, match="release must be 0 or less"):
        rig.block(**known, foot={"paw.L": {"release": 2}})
    with pytest.raises(InputError, match="plant must be 0 or more"):
        rig.block(**known, foot={"paw.L": {"plant": -2}})
    with pytest.raises(ClashError, match="last foot off"):
        rig.block(**known, foot={"paw*": {"release": -2}})
    with pytest.raises(ClashError, match="first foot on"):
        rig.block(**known, foot={"paw*": {"plant": 1}})
    with pytest.raises(NotFoundError, match=r"paw\.L, paw\.R"):
        rig.block(**known, foot={"tail": {"plant": 1}})
    with pytest.raises(InputError, match="multiple of 2 on twos"):
        rig.block(rise_frames=6, push_frames=4, twos=True, foot={"paw.L": {"release": -3}})
    with pytest.raises(InputError, match="before the jump begins"):
        rig.block(**known, foot={"paw.L": {"release": -400}})
