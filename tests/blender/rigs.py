# SPDX-License-Identifier: GPL-3.0-or-later
"""Rigs for tests, built by script, and what is to be found on them.

`KINDS` holds one builder per kind of rig that animators really have, and the right answers.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import addon_utils
import bpy
from mathutils import Vector

from blender.bvh import bvh_hare, bvh_text
from blender.generated import fk_human, generated, human, metarig
from leapwright_blender.rig import Controls
from leapwright_blender.space import label

__all__ = [
    "KINDS",
    "SAMPLES",
    "BoneSpec",
    "Kind",
    "Verdict",
    "build",
    "bvh_hare",
    "bvh_text",
    "fk_hare",
    "fk_human",
    "fk_quadruped",
    "generated",
    "gltf_hare",
    "human",
    "judge",
    "make_armature",
    "metarig",
    "nameless_quadruped",
    "object_crate",
    "object_hare",
    "simple_hare",
    "skin",
    "small_hare",
]

Place = tuple[float, float, float]
_BOX_CORNERS = [(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]
_BOX_FACES = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]


@dataclass(frozen=True, slots=True)
class BoneSpec:
    """Head, tail and parent of one bone."""

    head: Place
    tail: Place
    parent: str = ""
    deform: bool = True


def make_armature(
    name: str, bones: Mapping[str, BoneSpec], *, rename: Mapping[str, str] | None = None
) -> Any:
    """An armature object in the scene with these bones, in pose position."""
    called = dict(rename or {})
    data = bpy.data.armatures.new(name)
    rig = bpy.data.objects.new(name, data)
    bpy.context.scene.collection.objects.link(rig)
    bpy.context.view_layer.objects.active = rig
    bpy.ops.object.mode_set(mode="EDIT")
    for own, spec in bones.items():
        bone = data.edit_bones.new(called.get(own, own))
        bone.head, bone.tail, bone.use_deform = spec.head, spec.tail, spec.deform
        if spec.parent:
            bone.parent = data.edit_bones[called.get(spec.parent, spec.parent)]
    bpy.ops.object.mode_set(mode="OBJECT")
    return rig


def _hare_bones(*, root: bool) -> dict[str, BoneSpec]:
    bones = {"root": BoneSpec((0, 0, 0), (0, 0.3, 0), deform=False)} if root else {}
    top = "root" if root else ""
    bones |= {
        "body": BoneSpec((0, 0, 0.5), (0, 0.3, 0.5), top, deform=False),
        "pelvis": BoneSpec((0, 0, 0.5), (0, 0, 0.6), "body"),
        "spine": BoneSpec((0, 0, 0.6), (0, 0, 0.8), "pelvis"),
        "head": BoneSpec((0, 0, 0.8), (0, 0, 1.0), "spine"),
        "ear.L": BoneSpec((0.05, 0, 1.0), (0.05, 0, 1.4), "head"),
        "ear.R": BoneSpec((-0.05, 0, 1.0), (-0.05, 0, 1.4), "head"),
    }
    for side, x in (("L", 0.1), ("R", -0.1)):
        bones |= {
            f"arm.{side}": BoneSpec((2 * x, 0, 0.78), (2 * x, 0, 0.6), "spine"),
            f"hand.{side}": BoneSpec((2 * x, 0, 0.6), (2 * x, 0, 0.5), f"arm.{side}"),
            f"thigh.{side}": BoneSpec((x, 0, 0.5), (x, -0.06, 0.3), "pelvis"),
            f"shin.{side}": BoneSpec((x, -0.06, 0.3), (x, 0, 0.1), f"thigh.{side}"),
            f"foot.{side}": BoneSpec((x, 0, 0.1), (x, -0.2, 0.0), f"shin.{side}"),
            f"paw.{side}": BoneSpec((x, 0, 0.1), (x, -0.2, 0.1), top, deform=False),
            f"sole.{side}": BoneSpec((x, 0, 0.0), (x, -0.2, 0.0), f"paw.{side}", deform=False),
        }
    return bones


def simple_hare(
    *, root: bool = True, namespace: str = "", names: Mapping[str, str] | None = None
) -> Any:
    """A hare 1 m tall (ears on top), its hips at 0.5, its paws steering two-bone IK legs.

    Parameters
    ----------
    root : bool
        Without, body and paws have no parent.
    namespace : str
        Put before every bone name, with a colon.
    names : mapping, optional
        Other names for some bones.
    """
    bones = _hare_bones(root=root)
    called = dict(names or {})
    before = f"{namespace}:" if namespace else ""
    rename = {own: before + called.get(own, own) for own in bones}
    rig = make_armature("Hare", bones, rename=rename)
    for side in "LR":
        con = rig.pose.bones[rename[f"shin.{side}"]].constraints.new("IK")
        con.target, con.subtarget, con.chain_count = rig, rename[f"paw.{side}"], 2
    bpy.context.view_layer.update()
    return rig


def fk_hare() -> Any:
    """The hare without IK and without paw controls."""
    bones = {
        name: spec
        for name, spec in _hare_bones(root=True).items()
        if not name.startswith(("paw", "sole"))
    }
    return make_armature("Hare", bones)


def small_hare() -> Any:
    """The hare as importers leave it: 0.01 of the size, under a turned and scaled parent."""
    rig = simple_hare()
    above = bpy.data.objects.new("Import", None)
    bpy.context.scene.collection.objects.link(above)
    above.rotation_euler, above.scale, above.location = (1.5707963, 0, 0.4), (2, 2, 2), (3, 1, 0)
    rig.parent, rig.scale = above, (0.01,) * 3
    bpy.context.view_layer.update()
    return rig


def _quadruped_bones() -> dict[str, BoneSpec]:
    bones = {
        "root": BoneSpec((0, 0, 0), (0, -0.3, 0), deform=False),
        "hips": BoneSpec((0, 0.35, 0.6), (0, 0.15, 0.62), "root"),
        "spine": BoneSpec((0, 0.15, 0.62), (0, -0.1, 0.62), "hips"),
        "chest": BoneSpec((0, -0.1, 0.62), (0, -0.35, 0.64), "spine"),
        "neck": BoneSpec((0, -0.35, 0.64), (0, -0.5, 0.8), "chest"),
        "head": BoneSpec((0, -0.5, 0.8), (0, -0.7, 0.78), "neck"),
        "tail": BoneSpec((0, 0.35, 0.62), (0, 0.6, 0.5), "hips"),
        "tail.001": BoneSpec((0, 0.6, 0.5), (0, 0.8, 0.2), "tail"),
    }
    for side, x in (("L", 0.1), ("R", -0.1)):
        bones |= {
            f"thigh.{side}": BoneSpec((x, 0.35, 0.58), (x, 0.28, 0.38), "hips"),
            f"shin.{side}": BoneSpec((x, 0.28, 0.38), (x, 0.4, 0.22), f"thigh.{side}"),
            f"hock.{side}": BoneSpec((x, 0.4, 0.22), (x, 0.38, 0.06), f"shin.{side}"),
            f"foot.{side}": BoneSpec((x, 0.38, 0.06), (x, 0.28, 0.0), f"hock.{side}"),
            f"front_leg_upper.{side}": BoneSpec((x, -0.3, 0.58), (x, -0.25, 0.36), "chest"),
            f"front_leg_lower.{side}": BoneSpec(
                (x, -0.25, 0.36), (x, -0.3, 0.08), f"front_leg_upper.{side}"
            ),
            f"front_foot.{side}": BoneSpec(
                (x, -0.3, 0.08), (x, -0.4, 0.0), f"front_leg_lower.{side}"
            ),
        }
    return bones


def fk_quadruped() -> Any:
    """A four-legged animal without IK; the hind legs have a hock between shin and foot."""
    return make_armature("Fox", _quadruped_bones())


def _numbered(name: str) -> str:
    """What a bone of the quadruped is called when it has no telling name."""
    ending = name[-2:] if name[-2:] in {".L", ".R"} else ""
    return f"bone{list(_quadruped_bones()).index(name):02}{ending}"


def nameless_quadruped() -> Any:
    """The same animal, its bones called by number and side alone."""
    bones = _quadruped_bones()
    return make_armature("Fox", bones, rename={name: _numbered(name) for name in bones})


# --- Skins, and what importers make of them ----------------------------------------------------


def skin(rig: Any) -> Any:
    """A mesh with a thin box round every deform bone, skinned to it; nothing below the floor."""
    bones = [b for b in rig.data.bones if b.use_deform]
    places, faces = [], []
    for number, bone in enumerate(bones):
        thick = 0.15 * bone.length
        faces += [tuple(8 * number + i for i in face) for face in _BOX_FACES]
        for x, y, z in _BOX_CORNERS:
            at = bone.matrix_local @ Vector((x * thick, (y + 1) / 2 * bone.length, z * thick))
            places.append((at.x, at.y, max(at.z, 0.0)))
    mesh = bpy.data.meshes.new("Fur")
    mesh.from_pydata(places, [], faces)
    obj = bpy.data.objects.new("Fur", mesh)
    bpy.context.scene.collection.objects.link(obj)
    for number, bone in enumerate(bones):
        obj.vertex_groups.new(name=bone.name).add(range(8 * number, 8 * number + 8), 1.0, "ADD")
    obj.parent = rig
    obj.modifiers.new("Armature", "ARMATURE").object = rig
    bpy.context.view_layer.update()
    return obj


def gltf_hare() -> Any:
    """The FK hare with a skin, through the bundled exporter and importer."""
    rig = fk_hare()
    skin(rig)
    addon_utils.enable("io_scene_gltf2", default_set=True)
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "hare.glb")
        bpy.ops.export_scene.gltf(filepath=path, export_def_bones=False)
        bpy.ops.wm.read_homefile(use_empty=True)
        bpy.ops.import_scene.gltf(filepath=path)
    bpy.context.view_layer.update()
    return next(o for o in bpy.data.objects if o.type == "ARMATURE")


# --- Without bones -------------------------------------------------------------------------------


def _box(name: str, at: Place, size: Place, parent: Any = None) -> Any:
    """A box whose origin is ``at`` (in its parent's axes)."""
    x, y, z = (0.5 * s for s in size)
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata([(a * x, b * y, c * z) for a, b, c in _BOX_CORNERS], [], _BOX_FACES)
    obj = bpy.data.objects.new(name, mesh)
    bpy.context.scene.collection.objects.link(obj)
    obj.location, obj.parent = at, parent
    return obj


def object_hare() -> Any:
    """A figure of parented objects: root, body with head and satchel, two feet under the root."""
    root = bpy.data.objects.new("Hare", None)
    bpy.context.scene.collection.objects.link(root)
    body = _box("HareBody", (0, 0, 0.5), (0.3, 0.3, 0.4), root)
    _box("HareHead", (0, -0.05, 0.35), (0.2, 0.2, 0.2), body)
    _box("Satchel", (0.2, 0, -0.05), (0.08, 0.2, 0.15), body)
    for side, x in (("L", 0.1), ("R", -0.1)):
        _box(f"HareFoot.{side}", (x, 0, 0.04), (0.1, 0.25, 0.08), root)
    bpy.context.view_layer.update()
    return root


def object_crate() -> Any:
    """A single mesh."""
    crate = _box("Crate", (0, 0, 0.16), (0.6, 0.6, 0.32))
    bpy.context.view_layer.update()
    return crate


# --- What is right -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of rig and the right answers; names are of bones, or of objects without bones.

    Parameters
    ----------
    build : callable
        Makes the rig in an empty file and gives it back.
    root, cog, pelvis : tuple of str
        Names that are all right; ``""`` is none.
    feet : tuple of str
        Foot controls (IK), in any order.
    fk : tuple of str
        Bones after the shins of FK legs, in any order.
    carries : str
        ``"root"`` or ``"feet"``.
    """

    build: Callable[[], Any]
    root: tuple[str, ...]
    cog: tuple[str, ...]
    pelvis: tuple[str, ...]
    feet: tuple[str, ...] = ()
    fk: tuple[str, ...] = ()
    carries: str = "root"


def build(kind: str) -> Any:
    """Make a rig of `KINDS` in an empty file, or open one of `SAMPLES`."""
    bpy.ops.wm.read_homefile(use_empty=True)
    return {**KINDS, **SAMPLES}[kind].build()


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether one answer is right, and how sure it claims to be."""

    right: bool
    how: str
    found: str

    @property
    def text(self) -> str:
        """``"right"``, ``"not sure"`` or ``"wrong"``; wrong is what is wrong and said with sure."""
        if self.how != "sure":
            return "not sure"
        return "right" if self.right else "wrong"


def judge(kind: Kind, controls: Controls) -> dict[str, Verdict]:
    """Compare what was found on a rig with what is right."""
    one = {
        "root": (controls.root, kind.root),
        "cog": (controls.cog, kind.cog),
        "pelvis": (controls.pelvis, kind.pelvis),
    }
    said = {role: how for role, (how, _) in controls.sure.items()}
    verdicts = {}
    for role, (control, right) in one.items():
        name = label(control) if control is not None else ""
        # A role that is not spoken of is as sure as the COG control that stands for it.
        verdicts[role] = Verdict(name in right, said.get(role, said["cog"]), name or "none")
    feet = [label(c) for c in controls.feet]
    turned = [leg.after or leg.foot for leg in controls.legs if not leg.ik]
    right = set(feet) == set(kind.feet) and set(turned) == set(kind.fk)
    right &= controls.carries == kind.carries and len(controls.soles) == len(feet) + len(turned)
    words = ", ".join([*feet, *(f"{name} (FK)" for name in turned)]) or "none"
    verdicts["feet"] = Verdict(right, said.get("feet", said["cog"]), words)
    return verdicts


def _pair(*names: str) -> tuple[str, ...]:
    return tuple(f"{name}.{side}" for name in names for side in "LR")


_HARE = (("root",), ("body",), ("pelvis",), _pair("paw"))

KINDS: dict[str, Kind] = {
    "hare with IK feet": Kind(simple_hare, *_HARE),
    "hare without a root": Kind(
        lambda: simple_hare(root=False), ("",), *_HARE[1:], carries="feet"
    ),
    "hare at 0.01 under a turned parent": Kind(small_hare, *_HARE),
    "hare with namespaces": Kind(
        lambda: simple_hare(namespace="show:hare"),
        ("show:hare:root",),
        ("show:hare:body",),
        ("show:hare:pelvis",),
        tuple(f"show:hare:{n}" for n in _pair("paw")),
    ),
    "hare with FK legs": Kind(fk_hare, *_HARE[:3], fk=_pair("foot")),
    "generated human": Kind(human, ("root",), ("torso",), ("ORG-spine",), _pair("foot_ik")),
    "generated human, legs on FK": Kind(
        fk_human, ("root",), ("torso",), ("ORG-spine",), fk=_pair("foot_fk")
    ),
    "generated basic human": Kind(
        lambda: generated("basic_human"), ("root",), ("torso",), ("ORG-spine",), _pair("foot_ik")
    ),
    "generated basic quadruped": Kind(
        lambda: generated("basic_quadruped"),
        ("root",), ("torso",), ("",), _pair("foot_ik", "front_foot_ik"),
    ),
    "generated horse": Kind(
        lambda: generated("horse"),
        ("root",), ("torso",), ("",), _pair("hind_foot_ik", "forefoot_ik"),
    ),
    "generated bird": Kind(
        lambda: generated("bird"), ("root",), ("torso",), ("ORG-spine.004",), _pair("foot_ik")
    ),
    "skeleton of the human": Kind(
        metarig, ("",), ("spine",), ("",), fk=_pair("foot"), carries="feet"
    ),
    "skeleton of the basic quadruped": Kind(
        lambda: metarig("basic_quadruped"), ("",), ("spine.004",), ("spine.005",),
        fk=_pair("foot", "front_foot"), carries="feet",
    ),
    "quadruped with FK legs": Kind(
        fk_quadruped, ("root",), ("hips",), ("",), fk=_pair("hock", "front_foot")
    ),
    "quadruped without names": Kind(
        nameless_quadruped, ("bone00",), ("bone01",), ("",),
        fk=tuple(map(_numbered, _pair("hock", "front_foot"))),
    ),
    "BVH import": Kind(
        bvh_hare, ("",), ("Hips",), ("",), fk=("LeftFoot", "RightFoot"), carries="feet"
    ),
    "glTF import": Kind(gltf_hare, *_HARE[:3], fk=_pair("foot")),
    "figure of objects": Kind(
        object_hare, ("Hare",), ("HareBody",), ("",), _pair("HareFoot")
    ),
    "single mesh": Kind(object_crate, ("",), ("Crate",), ("",), carries="feet"),
}  # fmt: skip


def _sample(file: str, name: str) -> Any:
    path = Path(__file__).parents[2] / "blend_samples" / file
    bpy.ops.wm.open_mainfile(filepath=str(path), use_scripts=False, load_ui=False)
    return bpy.data.objects[name]


SAMPLES: dict[str, Kind] = {
    "hare.blend": Kind(lambda: _sample("hare.blend", "Hare"), *_HARE),
    "hare_market.blend": Kind(lambda: _sample("hare_market.blend", "Hare"), *_HARE),
    "ball.blend": Kind(
        lambda: _sample("ball.blend", "Ball"), ("",), ("Ball",), ("",), carries="feet"
    ),
    "crate.blend": Kind(
        lambda: _sample("crate.blend", "Crate"), ("",), ("Crate",), ("",), carries="feet"
    ),
}
