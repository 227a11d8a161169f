# SPDX-License-Identifier: GPL-3.0-or-later
"""From entered values to the arguments of the solver and of block, in SI."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from leapwright.offsets import foot_offsets
from leapwright_blender.ground import ground_of
from leapwright_blender.posed import Measures, with_poses

from .aiming import aimed, landing_arguments, needs_aim, rig_arguments
from .entry import preferences
from .moments import ground_name, pins_of, posed_frames

__all__ = ["IN_UNITS", "block_arguments", "measured", "plan_arguments", "poses_to_read"]

IN_UNITS = ("jump_height", "takeoff_speed", "push_height")
"""Measures that are entered in units of the scene; others are frames or ratios."""

COUNTS = ("anticipation_frames", "recover_frames")


def block_arguments(
    values: Any, obj: Any, scene: Any, *, low: float | None = None
) -> dict[str, Any]:
    """Give the arguments of block: what the poses say is left for block to read.

    Parameters
    ----------
    values : LeapwrightValues
    obj : bpy.types.Object
        The rig.
    scene : bpy.types.Scene
    low : float or None
        Where a chained jump begins. Poses up to there belong to the jump before.

    Raises
    ------
    LeapwrightError
        The offsets of feet cannot be read, or the landing cannot be measured.
    """
    chosen = {
        "foot": foot_offsets(values.foot),
        "key": None if values.key == "none" else values.key,
        "running": "measured" if values.running_measured else None,
        "cog_from": None if values.cog_from == "automatic" else values.cog_from,
    }
    asked = _asked(values, scene, posed=_posed(values, low), low=low)
    return {
        **asked,
        **landing_arguments(values, obj, scene),
        **_gravity(values),
        **rig_arguments(values, obj),
        **{name: value for name, value in chosen.items() if value},
        "poses": _posed(values, low),
        "stepped": values.stepped,
        "replace": values.replace,
        "after": values.after,
        "chain": values.chain,
        "props": values.props,
        # 32 bits of 0.005 are not 0.005.
        "within": round(values.within_m, 8),
    }


def poses_to_read(values: Any, *, low: float | None = None) -> dict[str, float]:
    """Give the frame of each posed moment; a chained jump crouches in the low before it."""
    poses = _posed(values, low)
    return poses if low is None else {"crouch": low, **poses}


def measured(values: Any) -> Measures:
    """Give what was read from the poses last; nothing is known after one of them changed."""
    return _measures(values.measured)


@lru_cache(maxsize=16)
def _measures(text: str) -> Measures:
    return Measures(**json.loads(text or "{}"))


def plan_arguments(
    values: Any, scene: Any, *, low: float | None = None, pins: Mapping[str, int] | None = None
) -> dict[str, Any]:
    """Give the arguments of the solver, with the lengths that were read from the poses.

    Parameters
    ----------
    values : LeapwrightSettings
    scene : bpy.types.Scene
    low : float or None
        Where a chained jump begins.
    pins : mapping, optional
        Instead of those that are entered.

    Raises
    ------
    InputError
        The scene has no gravity, or what is entered contradicts the poses.
    """
    ground = ground_of(scene)
    asked = _asked(values, scene, posed=poses_to_read(values, low=low), low=low)
    asked |= _landing(values, scene)
    gravity = _gravity(values).get("gravity")
    if gravity is not None:
        asked["gravity"] = ground.gravity if gravity == "scene" else gravity
    if values.running_measured:
        # How fast the run is changes no frame; it is measured when the jump is blocked.
        for name in ("travel", "foot_travel", "heading"):
            asked.pop(name, None)
        asked["running"] = 1.0
    if pins is not None:
        asked["pins"] = {m: f for m, f in pins.items() if m in asked["pins"]}
    if low is not None:
        asked |= {"pins": {**asked["pins"], "crouch": low}, "anticipation_frames": 0}
    asked = with_poses(asked, measured(values), keep=asked.pop("keep", None))
    return {**asked, "frame_rate": ground.frame_rate, "shot_start": scene.frame_start}


def _gravity(values: Any) -> dict[str, Any]:
    given = {
        "standard": None,
        "scene": "scene",
        "number": round(values.gravity, 6),
        "body": values.body,
    }[values.gravity_from]
    return {} if given is None else {"gravity": given}


def _landing(values: Any, scene: Any) -> dict[str, Any]:
    """Give the landing as far as it is known without measuring anything."""
    if not needs_aim(values):
        return {}
    there = aimed(values, scene)
    if there is None:
        return {}
    return {
        "landing_level": there.landing_level,
        "foot_travel": there.foot_travel,
        "heading": there.heading,
    }


def _posed(values: Any, low: float | None) -> dict[str, float]:
    poses = posed_frames(values)
    return {m: f for m, f in poses.items() if low is None or f > low}


def _asked(
    values: Any, scene: Any, *, posed: Mapping[str, float], low: float | None
) -> dict[str, Any]:
    """Give what the animator asked, poses aside."""
    metres = float(scene.unit_settings.scale_length)
    names = [values.air_measure]
    if values.push_measure != "poses":
        names.append(values.push_measure)
    asked = {n: getattr(values, n) * (metres if n in IN_UNITS else 1) for n in names}
    if not {"takeoff", "land"} <= posed.keys() and not needs_aim(values):
        if not ground_name(values):
            asked["landing_level"] = values.landing_level * metres
        if values.travel:
            asked["travel"] = values.travel * metres
    chosen = preferences()
    keep = values.keep if values.keep != "automatic" else chosen.keep
    posed_push = {"crouch", "takeoff"} <= posed.keys()
    if keep != "automatic" and not (posed_push and keep == "gravity" and keep != values.keep):
        # A posed push cannot give: there the preference stands back.
        asked["keep"] = keep
    for name in COUNTS:
        frames = getattr(values, name)
        frames = getattr(chosen, name) if frames < 0 else frames
        if frames >= 0 and not (name == "anticipation_frames" and values.chain):
            asked[name] = frames
    asked["pins"] = pins_of(values)
    if values.chain:
        # Its crouch is the low before; pins up to there belong to the jump before.
        asked["pins"] = {
            m: f
            for m, f in asked["pins"].items()
            if m not in ("start", "crouch") and (low is None or f > low)
        }
    asked["twos"] = values.twos
    return asked
