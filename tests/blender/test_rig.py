# SPDX-License-Identifier: GPL-3.0-or-later
"""Finding the controls of a rig, by structure first."""

from __future__ import annotations

import random
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import (
    KINDS,
    SAMPLES,
    BoneSpec,
    build,
    fk_hare,
    human,
    judge,
    make_armature,
    object_hare,
    simple_hare,
    skin,
)
from leapwright.errors import ClashError, HostError, InputError, NotFoundError
from leapwright.naming import is_never
from leapwright_blender.rig import Control, Controls, find_controls

FOLDER = Path(__file__).parents[2] / "blend_samples"


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


def found(obj: Any, **given: Any) -> Controls:
    return find_controls(obj, folders=(), **given)


def names(controls: Controls) -> dict[str, Any]:
    def name(control: Control | None) -> str | None:
        return control and control.bone

    feet = [f.bone for f in controls.feet]
    return {
        "root": name(controls.root),
        "cog": name(controls.cog),
        "pelvis": name(controls.pelvis),
        "feet": feet,
        "carries": controls.carries,
    }


def certain(controls: Controls) -> set[str]:
    return {role for role, (how, _) in controls.sure.items() if how == "sure"}


@pytest.mark.parametrize("name", [*KINDS, *SAMPLES])
def test_every_kind_of_rig(name: str) -> None:
    kind = {**KINDS, **SAMPLES}[name]
    controls = found(build(name))
    verdicts = judge(kind, controls)
    assert {role: v for role, v in verdicts.items() if not v.right} == {}
    unsure = {role for role, v in verdicts.items() if v.how != "sure"}
    # FK legs could be set otherwise; where names say nothing, it must be said.
    doubtful = {*verdicts} if name == "quadruped without names" else set()
    assert unsure == doubtful | ({"feet"} if kind.fk else set())


@pytest.mark.parametrize(
    "name",
    ["hare with IK feet", "hare without a root", "hare with FK legs", "quadruped with FK legs",
     "BVH import", "glTF import"],
)  # fmt: skip
def test_names_come_second(name: str) -> None:
    """Without names everything is found all the same; lying names never make it sure and wrong."""
    chance = random.Random(name)
    for trial in range(6):
        rig, kind = build(name), KINDS[name]
        old = rig.data.bones.keys()
        new = [f"bone{i}" for i in range(len(old))]
        if trial:
            chance.shuffle(new := list(old))
        called = {"": "", **dict(zip(old, new, strict=True))}
        for bone, other in zip(list(rig.data.bones), old, strict=True):
            bone.name = f"passing {other}"
        for other in old:
            rig.data.bones[f"passing {other}"].name = called[other]
        bpy.context.view_layer.update()
        roles = ("root", "cog", "pelvis", "feet", "fk")
        right = {r: tuple(called[n] for n in getattr(kind, r)) for r in roles}
        verdicts = judge(replace(kind, **right), found(rig))
        assert {role: v for role, v in verdicts.items() if v.text == "wrong"} == {}
        if not trial:
            assert {role: v for role, v in verdicts.items() if not v.right} == {}


ALL = {"root", "cog", "pelvis", "feet", "carries"}


def test_the_generated_human() -> None:
    controls = found(human())
    assert names(controls) == {
        "root": "root",
        "cog": "torso",
        "pelvis": "ORG-spine",
        "feet": ["foot_ik.L", "foot_ik.R"],
        "carries": "root",
    }
    assert certain(controls) == ALL


def test_the_hare() -> None:
    controls = found(simple_hare())
    assert names(controls) == {
        "root": "root",
        "cog": "body",
        "pelvis": "pelvis",
        "feet": ["paw.L", "paw.R"],
        "carries": "root",
    }
    assert certain(controls) == ALL
    assert controls.sure["cog"][1] == (
        "'body' carries the body and all legs and leaves the feet, and is named like one"
    )


def test_the_sample_hare() -> None:
    bpy.ops.wm.open_mainfile(filepath=str(FOLDER / "hare.blend"), use_scripts=False)
    rig = next(o for o in bpy.data.objects if o.type == "ARMATURE")
    controls = found(rig)
    assert names(controls) == {
        "root": "root",
        "cog": "body",
        "pelvis": "pelvis",
        "feet": ["paw.L", "paw.R"],
        "carries": "root",
    }
    assert certain(controls) == ALL


def test_without_a_root_the_feet_are_moved() -> None:
    controls = found(simple_hare(root=False))
    assert names(controls) == {
        "root": None,
        "cog": "body",
        "pelvis": "pelvis",
        "feet": ["paw.L", "paw.R"],
        "carries": "feet",
    }
    assert certain(controls) == ALL


def test_namespaces_and_control_suffixes() -> None:
    rig = simple_hare(namespace="Hare01", names={"body": "body_CTRL", "root": "root_CTRL"})
    got = names(found(rig))
    assert (got["root"], got["cog"]) == ("Hare01:root_CTRL", "Hare01:body_CTRL")
    assert got["feet"] == ["Hare01:paw.L", "Hare01:paw.R"]


def test_structure_beats_names() -> None:
    # The names lie: "cog" sits on an ear, the real one has a name that says nothing.
    rig = simple_hare(names={"body": "thing", "pelvis": "x1", "ear.L": "cog", "root": "y2"})
    got = found(rig)
    assert (got.root, got.cog) == (Control("Hare", "y2"), Control("Hare", "thing"))
    assert got.sure["cog"][0] == "guess"


@pytest.mark.parametrize("turn", [(0, 0, 0), (1.5707963, 0, 0), (0.3, -0.2, 2.0)])
@pytest.mark.parametrize("scale", [1.0, 0.01])
def test_turned_and_scaled_rigs(turn: tuple[float, float, float], scale: float) -> None:
    rig = simple_hare()
    above = bpy.data.objects.new("Above", None)
    bpy.context.scene.collection.objects.link(above)
    above.rotation_euler, above.scale, rig.parent = turn, (scale,) * 3, above
    rig.pose.bones["root"].scale = (2, 2, 2)
    bpy.context.view_layer.update()
    got = names(found(rig))
    assert (got["root"], got["cog"], got["carries"]) == ("root", "body", "root")


def test_probing_leaves_no_trace() -> None:
    rig = simple_hare()
    scene = bpy.context.scene
    body = rig.pose.bones["body"]
    for frame, height in ((1, 0.0), (11, -0.3)):
        body.location = (0, 0, height)
        body.keyframe_insert("location", frame=frame)
    scene.frame_set(5, subframe=0.25)
    body.location = (0.123, -0.456, 0.0789)  # posed over its keys
    rig.pose.bones["head"].location = (0.1, 0.2, 0.3)
    bpy.context.view_layer.update()

    def state() -> list[Any]:
        bpy.context.view_layer.update()
        fields = ("location", "rotation_quaternion", "scale", "matrix")
        poses = [np.array(getattr(b, f)).tolist() for b in rig.pose.bones for f in fields]
        scenes = [s.name for s in bpy.data.scenes]
        frame = (scene.frame_current, scene.frame_subframe)
        return [poses, scenes, frame, rig.users, [c.name for c in rig.users_collection]]

    before = state()
    found(rig)
    assert state() == before


def test_a_control_is_put_back_when_probing_fails(monkeypatch: pytest.MonkeyPatch) -> None:
    rig = simple_hare()
    rig.pose.bones["body"].location = (0.1, 0.2, 0.3)
    was = [tuple(b.location) for b in rig.pose.bones]
    calls = iter(range(100))
    from leapwright_blender import probe

    real = probe.bone_matrices

    def failing(evaluated: Any) -> Any:
        if next(calls) == 1:  # the control has been moved by then
            raise ZeroDivisionError
        return real(evaluated)

    monkeypatch.setattr(probe, "bone_matrices", failing)
    with pytest.raises(ZeroDivisionError):
        found(rig)
    assert [tuple(b.location) for b in rig.pose.bones] == was
    assert len(bpy.data.scenes) == 1


def test_the_users_choice_wins() -> None:
    rig = simple_hare()
    got = found(rig, cog="pelvis", root="root", feet=["foot.*"])
    assert got.cog == Control("Hare", "pelvis")
    assert [f.bone for f in got.feet] == ["foot.L", "foot.R"]
    assert got.sure["cog"] == ("sure", "'pelvis' is the COG control: you named it")


def test_names_that_are_not_there_list_what_is() -> None:
    rig = simple_hare()
    with pytest.raises(NotFoundError, match=r"`cog`.*'Body'; close to it: body"):
        found(rig, cog="Body")
    with pytest.raises(NotFoundError, match=r"`root`.*'zzz'; it has root, body, .* and \d+ more"):
        found(rig, root="zzz")
    with pytest.raises(ClashError, match=r"`root`: 'paw\*' covers several controls: paw.L, paw.R"):
        found(rig, root="paw*")
    with pytest.raises(InputError, match="`feet`"):
        found(rig, feet=[""])


def test_fk_legs_are_said() -> None:
    got = found(fk_hare())
    assert got.feet == ()
    assert [leg.foot for leg in got.legs] == ["foot.L", "foot.R"]
    assert got.sure["feet"][1].startswith(
        "FK legs: keys on the legs hold the planted feet (foot.L, foot.R)"
    )
    assert (got.cog.bone, got.root) == ("body", Control("Hare", "root"))


def test_a_rig_without_legs() -> None:
    rig = make_armature(
        "Slime",
        {
            "master": BoneSpec((0, 0, 0), (0, 1, 0), deform=False),
            "cog": BoneSpec((0, 0, 0.3), (0, 0, 0.6), "master"),
            "top": BoneSpec((0, 0, 0.6), (0, 0, 0.9), "cog"),
        },
    )
    got = found(rig)
    assert (got.root, got.cog) == (Control("Slime", "master"), Control("Slime", "cog"))
    assert (got.feet, got.legs, got.carries) == ((), (), "root")


def test_objects_without_bones_are_their_own_cog() -> None:
    crate = bpy.data.objects.new("Crate", None)
    bpy.context.scene.collection.objects.link(crate)
    got = found(crate)
    assert got.cog == Control("Crate", "")
    assert (got.root, got.pelvis, got.feet, got.soles) == (None, None, (), ())
    assert certain(got) == {"cog"}
    with pytest.raises(NotFoundError, match="'Crate' is the COG control of this figure"):
        found(crate, root="Crate")
    with pytest.raises(NotFoundError, match=r"`pelvis`: 'Crate' has no bones"):
        found(crate, pelvis="Crate")


def test_an_armature_object_that_is_moved_is_the_root() -> None:
    rig = build("BVH import")
    rig.keyframe_insert("location", frame=1)
    got = found(rig)
    assert (got.root, got.carries) == (Control(rig.name), "root")
    assert got.sure["root"][0] == "likely"
    # A bone that carries everything comes first, and a parented object is moved by its parent.
    hare = fk_hare()
    hare.keyframe_insert("location", frame=1)
    assert found(hare).root == Control(hare.name, "root")
    rig.parent = hare
    assert found(rig).root is None


def test_a_figure_of_objects() -> None:
    got = found(object_hare())
    assert (got.root, got.cog) == (Control("Hare"), Control("HareBody"))
    assert got.feet == (Control("HareFoot.L"), Control("HareFoot.R"))
    assert [p.offset for p in got.soles] == [pytest.approx((0, 0, -0.04))] * 2
    assert certain(got) == {"root", "cog", "feet", "carries"}
    again = found(bpy.data.objects["Hare"], cog="HareHead", feet=["*.L"])
    assert (again.cog, again.feet) == (Control("HareHead"), (Control("HareFoot.L"),))


def test_a_figure_without_telling_names_is_a_guess() -> None:
    root = object_hare()
    bpy.data.objects["HareBody"].name = "Lump"
    got = found(root)
    assert (got.cog, got.sure["cog"][0]) == (Control("Lump"), "guess")
    for side in "LR":
        bpy.data.objects[f"HareFoot.{side}"].name = f"Thing.{side}"
    got = found(root)
    assert (got.cog, got.root, got.feet) == (Control("Hare"), None, ())
    assert got.sure["cog"][0] == "likely"


def test_feet_that_hang_on_the_body_are_no_controls() -> None:
    root = object_hare()
    for side in "LR":
        bpy.data.objects[f"HareFoot.{side}"].parent = bpy.data.objects["HareBody"]
    got = found(root)
    assert (got.cog, got.feet) == (Control("HareBody"), ())
    assert got.sure["feet"][1] == "the feet (HareFoot.L, HareFoot.R) move with 'HareBody'"


def test_an_object_with_a_rig_is_not_sure_to_be_the_body() -> None:
    rig = simple_hare()
    fur = skin(rig)
    group = bpy.data.objects.new("Group", None)
    bpy.context.scene.collection.objects.link(group)
    rig.parent = group
    for obj in (fur, group):
        how, why = found(obj).sure["cog"]
        assert (how, why) == (
            "guess",
            f"{obj.name!r} has no bones, but the rig 'Hare' goes with it: give that instead",
        )


def test_two_bodies_are_not_sure() -> None:
    root = object_hare()
    other = bpy.data.objects.new("Body", None)
    bpy.context.scene.collection.objects.link(other)
    other.parent = root
    assert found(root).sure["cog"][0] == "guess"


def test_no_way_says_what_to_give() -> None:
    rig = simple_hare()
    for bone in rig.pose.bones:
        bone.lock_location = (True, True, True)
    with pytest.raises(NotFoundError, match=r"no COG control found on 'Hare'.*give `cog`"):
        found(rig)


def test_rigs_that_cannot_be_posed_are_refused() -> None:
    rig = simple_hare()
    rig.data.pose_position = "REST"
    with pytest.raises(HostError, match="rest position"):
        found(rig)
    rig.data.pose_position = "POSE"
    bpy.ops.object.mode_set(mode="EDIT")
    with pytest.raises(HostError, match="edit mode"):
        found(rig)
    bpy.ops.object.mode_set(mode="OBJECT")


def test_soles_lie_on_the_floor_under_the_ankles() -> None:
    rig = simple_hare()
    got = found(rig)
    from leapwright_blender.space import world_matrix

    deps = bpy.context.evaluated_depsgraph_get()
    places = [world_matrix(p, deps)[:3, 3].tolist() for p in got.soles]
    assert places == [pytest.approx(p, abs=1e-6) for p in ([0.1, 0, 0], [-0.1, 0, 0])]
    rig.rotation_euler = (1.5707963, 0, 0)
    bpy.context.view_layer.update()
    lying = np.array([p.offset for p in found(rig).soles])
    assert np.array_equal(lying, np.array([p.offset for p in got.soles]))


def test_master_scale_is_never_keyed() -> None:
    never = found(simple_hare(names={"ear.R": "master_scale"})).never
    assert is_never(never, "root", "scale")
    assert is_never(never, "master_scale", "location")
    assert not is_never(never, "root", "location")
    assert not is_never(never, "body", "scale")


def test_switches_that_show_or_hide_are_never_keyed() -> None:
    rig = simple_hare(namespace="show")
    rig.pose.bones["show:root"]["Ears Visibility"] = 1.0
    rig.pose.bones["show:root"]["IK_FK"] = 1.0
    rig["hide_satchel"] = 0
    never = found(rig).never
    assert is_never(never, "other:root", "Ears Visibility")
    assert is_never(never, "Hare", "hide_satchel")
    assert not is_never(never, "other:root", "IK_FK")


@pytest.mark.needs_bpy
def test_the_detection_table_is_printed() -> None:
    tool = Path(__file__).parents[2] / "tools" / "detection.py"
    ran = subprocess.run(
        [sys.executable, str(tool), "ball", "FK legs"], capture_output=True, encoding="utf-8"
    )
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.splitlines()[-1] == "right 10, not sure 2 (right all the same: 2), wrong 0"


def test_wrong_is_what_is_wrong_and_said_with_confidence() -> None:
    kind = replace(KINDS["hare with IK feet"], cog=("spine",), root=("ear.L",))
    controls = found(simple_hare())
    said = {**controls.sure, "root": ("likely", "")}
    verdicts = judge(kind, replace(controls, sure=said))
    assert [verdicts[r].text for r in ("root", "cog", "pelvis", "feet")] == [
        "not sure",
        "wrong",
        "right",
        "right",
    ]
