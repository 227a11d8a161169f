# SPDX-License-Identifier: GPL-3.0-or-later
"""From entered values to the arguments of the solver and of block, in SI."""

from __future__ import annotations

import json
from typing import Any

from leapwright_blender.ground import ground_of
from leapwright_blender.posed import Measures, with_poses

from .properties import posed_frames

__all__ = ["block_arguments", "measured", "plan_arguments", "rig_arguments"]

_IN_UNITS = ("jump_height", "takeoff_speed", "push_height")


def rig_arguments(values: Any) -> dict[str, Any]:
    """Give the named controls; what is left empty is found."""
    feet = [name.strip() for name in values.feet.split(",") if name.strip()]
    return {
        "root": values.root.strip() or None,
        "cog": values.cog.strip() or None,
        "feet": feet or None,
    }


def block_arguments(values: Any, scene: Any) -> dict[str, Any]:
    """Give the arguments of block: what the poses say is left for block to read."""
    return {
        **_asked(values, scene),
        **rig_arguments(values),
        "poses": posed_frames(values),
        "stepped": values.stepped,
        "replace": values.replace,
        "after": values.after,
    }


def measured(values: Any) -> Measures:
    """Give what was read from the poses last; nothing is known after one of them changed."""
    return Measures(**json.loads(values.measured or "{}"))


def plan_arguments(values: Any, scene: Any) -> dict[str, Any]:
    """Give the arguments of the solver, with the lengths that were read from the poses.

    Raises
    ------
    InputError
        The scene has no gravity, or what is entered contradicts the poses.
    """
    ground = ground_of(scene)
    asked = _asked(values, scene)
    asked = with_poses(asked, measured(values), keep=asked.pop("keep", None))
    return {
        **asked,
        "frame_rate": ground.frame_rate,
        "shot_start": scene.frame_start,
    }


def _asked(values: Any, scene: Any) -> dict[str, Any]:
    """Give what the animator asked, poses aside."""
    metres = float(scene.unit_settings.scale_length)
    names = [values.air_measure]
    if values.push_measure != "poses":
        names.append(values.push_measure)
    asked = {n: getattr(values, n) * (metres if n in _IN_UNITS else 1) for n in names}
    if not {"takeoff", "land"} <= posed_frames(values).keys():
        asked["landing_level"] = values.landing_level * metres
        if values.travel:
            asked["travel"] = values.travel * metres
    if values.keep != "automatic":
        asked["keep"] = values.keep
    if values.placed_by == "takeoff":
        asked["pins"] = {"takeoff": values.takeoff_frame}
    asked["twos"] = values.twos
    return asked
