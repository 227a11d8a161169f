# SPDX-License-Identifier: GPL-3.0-or-later
"""Rigs of the bundled rig generator for tests, made once and kept in the temporary folder."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Any

import addon_utils
import bpy

__all__ = ["fk_human", "generated", "human", "metarig"]


def human() -> Any:
    """The bundled rig generator's human, from a file kept in the temporary folder."""
    return generated("human")


def fk_human() -> Any:
    """The generated human with its legs switched to FK, by the properties that drive its IK."""
    rig = human()
    for side in "LR":
        rig.pose.bones[f"thigh_parent.{side}"]["IK_FK"] = 1.0
    rig.update_tag()
    bpy.context.view_layer.update()
    return rig


def metarig(name: str = "human") -> Any:
    """What a rig is generated from: a plain skeleton, its legs turned joint by joint."""
    generated(name)
    rig = bpy.data.objects["metarig"]
    rig.hide_viewport = False
    return rig


def generated(name: str) -> Any:
    """A rig from the bundled generator's skeletons, from a file kept in the temporary folder.

    Parameters
    ----------
    name : str
        ``"human"`` (takes seconds the first time), ``"basic_human"``, ``"basic_quadruped"``,
        ``"horse"``, ``"bird"``.
    """
    path = _kept_file(name)
    if not path.exists():
        _generate(name, path)
    bpy.ops.wm.open_mainfile(filepath=str(path), use_scripts=False, load_ui=False)
    return next(o for o in bpy.data.objects if o.type == "ARMATURE" and "torso" in o.pose.bones)


def _kept_file(name: str) -> Path:
    name = f"{name}-" + ".".join(map(str, bpy.app.version)) + ".blend"
    return Path(tempfile.gettempdir()) / "leapwright-test-rigs" / name


def _generate(name: str, path: Path) -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    addon_utils.enable("rigify", default_set=True)
    getattr(bpy.ops.object, f"armature_{name}_metarig_add")()
    bpy.ops.pose.rigify_generate()
    path.parent.mkdir(exist_ok=True)
    part = path.with_suffix(f".{os.getpid()}.blend")
    bpy.ops.wm.save_as_mainfile(filepath=str(part), copy=True)
    # Renamed last: a second run at the same time never opens half a file.
    part.replace(path)
    addon_utils.disable("rigify", default_set=True)
    # It leaves handlers behind, which then miss its properties at every load.
    for name in dir(bpy.app.handlers):
        handlers = getattr(bpy.app.handlers, name)
        if isinstance(handlers, list):
            handlers[:] = [h for h in handlers if not h.__module__.startswith("rigify")]
