# SPDX-License-Identifier: GPL-3.0-or-later
"""A rig to jump with, its keys, and what was seen; for the process that drives the host."""

from __future__ import annotations

import contextlib
import importlib
import sys
from collections.abc import Iterator
from typing import Any

import bpy

MODULE = "bl_ext.user_default.leapwright"
HANDLERS = [n for n in dir(bpy.app.handlers) if isinstance(getattr(bpy.app.handlers, n), list)]
SEEN: dict[str, Any] = {}
MOMENTS = ("start", "crouch", "takeoff", "apex", "land", "low", "end")
UNIT = 0.5
"""Metres in a unit of the scene."""


def types() -> set[str]:
    return {name for name in dir(bpy.types) if "leapwright" in name.lower()}


def leftovers() -> list[str]:
    """What of ours the host still knows."""
    handlers = (h for n in HANDLERS for h in getattr(bpy.app.handlers, n))
    ours = [h.__name__ for h in handlers if "leapwright" in getattr(h, "__module__", "")]
    operators = [n for n in dir(bpy.ops) if n == "leapwright"]
    pointers = [n for n in dir(bpy.types.Object) if "leapwright" in n]
    menus = [
        f"{name}: {draw.__module__}"
        for name in dir(bpy.types)
        if "_MT_" in name
        for draw in getattr(getattr(bpy.types, name).draw, "_draw_funcs", ())
        if "leapwright" in draw.__module__
    ]
    keymaps = [
        item.idname
        for config in bpy.context.window_manager.keyconfigs
        for keymap in config.keymaps
        for item in keymap.keymap_items
        if item.idname.startswith("leapwright.")
    ]
    tracking = sys.modules.get(f"{MODULE}.tracking")
    timers = ["timer"] if tracking and bpy.app.timers.is_registered(tracking._work) else []
    return sorted({*types(), *ours, *operators, *pointers, *menus, *keymaps, *timers})


def make_rig() -> Any:
    """A body on two IK legs, in a scene of half-metre units."""
    data = bpy.data.armatures.new("Jumper")
    rig = bpy.data.objects.new("Jumper", data)
    bpy.context.collection.objects.link(rig)
    bpy.context.view_layer.objects.active = rig
    rig.select_set(True)
    bpy.ops.object.mode_set(mode="EDIT")
    bones = {
        "root": ((0, 0, 0), (0, 0.4, 0), None),
        "body": ((0, 0, 2.0), (0, 0, 2.6), "root"),
        "pelvis": ((0, 0, 2.0), (0, 0, 2.3), "body"),
    }
    for side, x in (("L", 0.3), ("R", -0.3)):
        bones[f"thigh.{side}"] = ((x, 0, 2.0), (x, -0.1, 1.0), "pelvis")
        bones[f"shin.{side}"] = ((x, -0.1, 1.0), (x, 0, 0.1), f"thigh.{side}")
        bones[f"foot.{side}"] = ((x, 0, 0.1), (x, -0.4, 0.1), "root")
    for name, (head, tail, parent) in bones.items():
        bone = data.edit_bones.new(name)
        bone.head, bone.tail = head, tail
        bone.parent = data.edit_bones[parent] if parent else None
        bone.use_deform = name not in ("root", "body") and not name.startswith("foot")
    bpy.ops.object.mode_set(mode="POSE")
    for side in "LR":
        ik = rig.pose.bones[f"shin.{side}"].constraints.new("IK")
        ik.target, ik.subtarget, ik.chain_count = rig, f"foot.{side}", 2
    return rig


def jumper() -> Any:
    return bpy.data.objects["Jumper"]


def curves() -> list[Any]:
    data = jumper().animation_data
    if data is None or data.action is None:
        return []
    if hasattr(data.action, "fcurves"):
        return list(data.action.fcurves)
    bags = (b for la in data.action.layers for s in la.strips for b in s.channelbags)
    return [curve for bag in bags for curve in bag.fcurves]


def keys() -> dict[str, list[Any]]:
    """Every key of the rig: place, both handles and kinds."""
    return {
        f"{c.data_path}[{c.array_index}]": [
            [*k.co, *k.handle_left, *k.handle_right, k.interpolation, k.type]
            for k in c.keyframe_points
        ]
        for c in curves()
    }


def key_frames() -> list[float]:
    return sorted({float(k.co[0]) for c in curves() for k in c.keyframe_points})


def ask(settings: Any) -> None:
    """Onto a crate: 0.85 m over a push of 0.34 m, the landing 0.545 m up."""
    settings.jump_height = 0.85 / UNIT
    settings.push_measure = "push_height"
    settings.push_height = 0.34 / UNIT
    settings.landing_level = 0.545 / UNIT
    settings.pinned = [moment == "takeoff" for moment in MOMENTS]
    settings.pin_frames = [101] * len(MOMENTS)


def undo() -> None:
    bpy.ops.ed.undo()


def asked_in_metres() -> dict[str, Any]:
    """What the settings ask for: the host's properties are 32 bits wide."""
    settings = jumper().leapwright_ask
    names = ("jump_height", "push_height", "landing_level")
    return {n: getattr(settings, n) * UNIT for n in names}


def api_rig() -> Any:
    return importlib.import_module("leapwright_blender").rig_of(jumper(), bpy.context.scene)


CONTROLS = {"root": "root", "cog": "body", "feet": ["foot.L", "foot.R"]}


def see_same(name: str, api: str, call: dict[str, Any], *, ops: str = "", **given: Any) -> None:
    """Run an operator, take it back, do the same through Python, and take that back too."""
    bpy.ops.ed.undo_push(message=name)
    before = keys()
    operator = getattr(bpy.ops.leapwright, ops or api)
    assert operator("EXEC_DEFAULT", True, **given) == {"FINISHED"}
    by_operator = keys()
    undo()
    undone = keys()
    getattr(api_rig(), api)(**call)
    SEEN[name] = {"operator": by_operator, "api": keys(), "before": before, "undone": undone}
    bpy.ops.ed.undo_push(message="the same through Python")
    undo()
    assert keys() == before


def fresh() -> None:
    """A rig without keys that remembers nothing, and what is asked for onto a crate."""
    rig = jumper()
    rig.animation_data_clear()
    rig.pop("leapwright", None)
    for bone in rig.pose.bones:
        bone.location = (0, 0, 0)
    settings = rig.leapwright_ask
    settings.foot, settings.posed, settings.landing = "", [False] * 7, "level"
    ask(settings)
    bpy.context.scene.frame_set(1)


@contextlib.contextmanager
def reports(*names: str) -> Iterator[list[str]]:
    """Collect the lines that operators report, by the functions that make them."""
    lines: list[str] = []
    patched = []
    for name in names:
        module_name, _, function = name.partition(".")
        module = importlib.import_module(f"{MODULE}.{module_name}")
        made = getattr(module, function)

        def noted(*told: Any, made: Any = made) -> str:
            lines.append(made(*told))
            return lines[-1]

        setattr(module, function, noted)
        patched.append((module, function, made))
    yield lines
    for module, function, made in patched:
        setattr(module, function, made)


def refused(call: Any) -> str:
    """What an operator says that cannot do it; nothing where it could."""
    try:
        call()
    except RuntimeError as error:
        return str(error).strip()
    return ""
