# SPDX-License-Identifier: GPL-3.0-or-later
"""What belongs to a character: data, shape keys, props; not other characters."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import bpy
import pytest

from blender.rigs import fk_hare, object_hare, simple_hare, skin
from leapwright.errors import NotFoundError
from leapwright_blender.character import Holder, holders


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


def thing(
    name: str, data: Any = None, *, parent: Any = None, bone: str = "", keys: bool = True
) -> Any:
    obj = bpy.data.objects.new(name, data)
    bpy.context.scene.collection.objects.link(obj)
    if parent is not None:
        obj.parent = parent
    if bone:
        obj.parent_type, obj.parent_bone = "BONE", bone
    if keys:
        obj.keyframe_insert("location", frame=1)
    return obj


def blink(mesh: Any) -> Any:
    mesh.shape_key_add(name="Basis")
    mesh.shape_key_add(name="Blink").keyframe_insert("value", frame=1)
    mesh.data.shape_keys.name = f"{mesh.name}Keys"
    return mesh


def listed(found: tuple[Holder, ...]) -> dict[str, str]:
    return {h.label: h.why for h in found}


def test_the_rig_alone_is_always_there() -> None:
    rig = simple_hare()
    assert holders(rig) == (Holder("objects", "Hare", "the rig itself"),)
    assert holders(rig)[0].block == rig


def test_armature_data_and_the_shape_keys_of_its_skin() -> None:
    rig = simple_hare()
    blink(skin(rig))
    rig.data.keyframe_insert("pose_position", frame=1)
    found = holders(rig, props=False)
    assert listed(found) == {
        "Hare": "the rig itself",
        "Hare (armature data)": "armature data of the rig itself",
        "FurKeys (shape keys)": "shape keys of 'Fur', deformed by 'Hare'",
    }
    assert found[2].block == bpy.data.shape_keys["FurKeys"]
    assert holders(rig) == found


def test_props_are_followed_through_parents_and_constraints() -> None:
    rig = simple_hare()
    mesh = bpy.data.meshes.new("Bag")
    mesh.from_pydata([(0, 0, 0), (1, 0, 0), (0, 1, 0)], [], [(0, 1, 2)])
    satchel = blink(thing("Satchel", mesh, parent=rig, bone="hand.L"))
    thing("Letter", parent=satchel)
    still = thing("Strap", parent=satchel, keys=False)
    thing("Buckle", parent=still)
    for name, kind in (("Hat", "CHILD_OF"), ("Lamp", "COPY_TRANSFORMS"), ("Cape", "ARMATURE")):
        con = thing(name).constraints.new(kind)
        aim = con.targets.new() if kind == "ARMATURE" else con
        aim.target, aim.subtarget = rig, "head"
    muted = thing("Left behind").constraints.new("CHILD_OF")
    muted.target, muted.mute = rig, True
    watching = thing("Watcher").constraints.new("TRACK_TO")
    watching.target = rig
    thing("Crate")
    assert listed(holders(rig)) == {
        "Hare": "the rig itself",
        "Satchel": "parented to 'hand.L' of 'Hare'",
        "SatchelKeys (shape keys)": "shape keys of 'Satchel', parented to 'hand.L' of 'Hare'",
        "Letter": "parented to 'Satchel'",
        "Buckle": "parented to 'Strap'",
        "Hat": "constrained to 'head' of 'Hare'",
        "Lamp": "constrained to 'head' of 'Hare'",
        "Cape": "constrained to 'head' of 'Hare'",
    }
    assert [h.name for h in holders(rig, props=False)] == ["Hare"]


def test_props_on_the_skin_and_rings_of_constraints_end() -> None:
    rig = simple_hare()
    fur = skin(rig)
    button = thing("Button", parent=fur)
    thread = thing("Thread", parent=button)
    button.constraints.new("COPY_LOCATION").target = thread
    assert [h.name for h in holders(rig)] == ["Hare", "Button", "Thread"]


def test_cameras_and_lights_say_their_kind() -> None:
    rig = simple_hare()
    thing("Chase", bpy.data.cameras.new("Chase"), parent=rig)
    thing("Lantern", bpy.data.lights.new("Lantern", "POINT"), parent=rig, bone="hand.R")
    found = listed(holders(rig))
    assert found["Chase"] == "camera parented to 'Hare'"
    assert found["Lantern"] == "light parented to 'hand.R' of 'Hare'"


def test_other_characters_stay_out_with_all_that_hangs_on_them() -> None:
    rig = simple_hare()
    rider = fk_hare()
    rider.parent = rig
    rider.keyframe_insert("location", frame=1)
    thing("Reins", parent=rider)
    ball = thing("Ball", parent=rig)
    ball["leapwright"] = "{}"
    assert [h.name for h in holders(rig)] == ["Hare"]


def test_what_carries_the_character_is_no_prop() -> None:
    rig = simple_hare()
    cart = thing("Cart")
    rig.parent = cart
    cart.constraints.new("COPY_ROTATION").target = rig
    wheel = thing("Wheel", parent=cart)
    assert [h.name for h in holders(rig)] == ["Hare"]
    assert [h.name for h in holders(cart)] == ["Cart", wheel.name]


def test_a_figure_brings_its_parts() -> None:
    root = object_hare()
    for name in ("HareBody", "Satchel"):
        bpy.data.objects[name].keyframe_insert("location", frame=1)
    found = holders(root, props=False)
    assert listed(found) == {
        "Hare": "the rig itself",
        "HareBody": "part of 'Hare'",
        "Satchel": "part of 'Hare'",
    }
    thing("Chase", bpy.data.cameras.new("Chase"), parent=bpy.data.objects["HareBody"])
    assert listed(holders(root))["Chase"] == "camera parented to 'HareBody'"


def test_what_is_gone_is_named() -> None:
    gone = Holder("shape_keys", "Face", "")
    with pytest.raises(NotFoundError, match=r"Face \(shape keys\).* no longer in this file"):
        _ = gone.block
