# SPDX-License-Identifier: GPL-3.0-or-later
"""Rigs for tests, built by script: a hare with IK feet and variants, a leg-less one, the human."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import addon_utils
import bpy

__all__ = ["BoneSpec", "fk_hare", "human", "make_armature", "simple_hare"]

Place = tuple[float, float, float]


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


def human() -> Any:
    """The bundled rig generator's human, from a file kept in the temporary folder."""
    path = _kept_file()
    if not path.exists():
        _generate(path)
    bpy.ops.wm.open_mainfile(filepath=str(path), use_scripts=False, load_ui=False)
    return next(_generated(bpy.data.objects))


def _kept_file() -> Path:
    name = "human-" + ".".join(map(str, bpy.data.version)) + ".blend"
    return Path(tempfile.gettempdir()) / "leapwright-test-rigs" / name


def _generated(objects: Sequence[Any]) -> Any:
    return (o for o in objects if o.type == "ARMATURE" and "foot_ik.L" in o.pose.bones)


def _generate(path: Path) -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    addon_utils.enable("rigify", default_set=True)
    bpy.ops.object.armature_human_metarig_add()
    bpy.ops.pose.rigify_generate()
    path.parent.mkdir(exist_ok=True)
    part = path.with_suffix(f".{os.getpid()}.blend")
    bpy.ops.wm.save_as_mainfile(filepath=str(part), copy=True)
    # Renamed last: a second run at the same time never opens half a file.
    part.replace(path)
    addon_utils.disable("rigify", default_set=True)
