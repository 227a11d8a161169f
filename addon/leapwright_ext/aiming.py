# SPDX-License-Identifier: GPL-3.0-or-later
"""A rig's controls as they are entered, and the landing that the 3D cursor or an object gives."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import bpy

from leapwright.errors import InputError, LeapwrightError
from leapwright_blender import rig_of
from leapwright_blender.ground import ground_of
from leapwright_blender.rigfile import RigFile, load_rig_file, rig_file_for
from leapwright_blender.target import Target, middle_of_top, standing_place, target

from .moments import ground_name, posed_frames

__all__ = ["aim", "aimed", "landing_arguments", "needs_aim", "rig_arguments"]


def rig_arguments(values: Any, obj: Any) -> dict[str, Any]:
    """Give the named controls; what is left empty is found."""
    feet = [name.strip() for name in values.feet.split(",") if name.strip()]
    said = load_rig_file(bpy.path.abspath(values.rig_file)) if values.rig_file else None
    if pelvis := values.pelvis.strip():
        # The pelvis is said through a rig file: the one that would be found, with this in it.
        said = replace(said or rig_file_for(obj) or RigFile(), pelvis=pelvis)
    return {
        "root": values.root.strip() or None,
        "cog": values.cog.strip() or None,
        "feet": feet or None,
        "rig_file": said,
    }


def needs_aim(values: Any) -> bool:
    """Whether something in the scene says where the jump lands."""
    if {"takeoff", "land"} <= posed_frames(values).keys():
        return False
    return values.landing == "cursor" or (bool(ground_name(values)) and values.to_middle)


def aim(settings: Any, scene: Any) -> None:
    """Note where the feet stand and where the middle of the picked top is, or why not."""
    settings.aimed = ""
    if not needs_aim(settings):
        return
    obj = settings.id_data
    try:
        place = _standing(settings, obj, scene)
        there = None
        if name := ground_name(settings):
            there = [float(x) for x in middle_of_top(name, scene, ground_of(scene))]
        noted: dict[str, Any] = {"feet": [float(x) for x in place], "there": there}
    except LeapwrightError as error:
        noted = {"problem": str(error)}
    settings.aimed = json.dumps(noted)


def aimed(settings: Any, scene: Any) -> Target | None:
    """Give the landing from what was noted: cheap, and as live as the 3D cursor.

    Raises
    ------
    InputError
        It could not be measured.
    """
    noted = json.loads(settings.aimed or "{}")
    if "problem" in noted:
        raise InputError(noted["problem"], "ground")
    if not noted:
        return None
    there = noted["there"] or tuple(scene.cursor.location)
    return target(there, noted["feet"], ground_of(scene))


def landing_arguments(values: Any, obj: Any, scene: Any) -> dict[str, Any]:
    """Give the landing as it is now, measured anew: arguments of block.

    Raises
    ------
    LeapwrightError
        The rig or the object cannot be measured.
    """
    if not needs_aim(values):
        return {"ground": ground_name(values)} if ground_name(values) else {}
    ground = ground_of(scene)
    name = ground_name(values)
    there = middle_of_top(name, scene, ground) if name else tuple(scene.cursor.location)
    way = target(there, _standing(values, obj, scene), ground)
    level = {"ground": name} if name else {"landing_level": way.landing_level}
    return {**level, "foot_travel": way.foot_travel, "heading": way.heading}


def _standing(values: Any, obj: Any, scene: Any) -> Any:
    rig = rig_of(obj, scene)
    controls = rig.find(**rig_arguments(values, obj))
    return standing_place(obj, scene, controls, posed_frames(values))
