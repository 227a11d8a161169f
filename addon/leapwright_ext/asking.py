# SPDX-License-Identifier: GPL-3.0-or-later
"""From entered values to the arguments of the solver and of block, in SI."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from leapwright.offsets import foot_offsets
from leapwright_blender.ground import ground_of
from leapwright_blender.posed import Measures, with_poses

from .properties import ground_name, posed_frames

__all__ = [
    "IN_UNITS",
    "block_arguments",
    "measured",
    "on_keys",
    "on_rig",
    "plan_arguments",
    "poses_to_read",
    "rig_arguments",
]

IN_UNITS = ("jump_height", "takeoff_speed", "push_height")
"""Measures that are entered in units of the scene; others are frames or ratios."""


def on_rig(cls: Any, context: Any) -> bool:
    """Whether there is an object to work on; else an operator's class says why not."""
    obj = context.object
    if obj is None:
        cls.poll_message_set("Select the rig or the object that jumps")
    elif obj.mode not in ("OBJECT", "POSE"):
        cls.poll_message_set("Go to object mode or pose mode first")
    elif obj.library is not None:
        cls.poll_message_set("This object is linked: make a library override first")
    else:
        return True
    return False


def on_keys(cls: Any, context: Any, *, verb: str) -> bool:
    """Whether there are keys to work on; else an operator's class says why not."""
    if not on_rig(cls, context):
        return False
    if context.object.animation_data is None or context.object.animation_data.action is None:
        cls.poll_message_set(f"Block a jump first: there are no keys to {verb}")
        return False
    return True


def rig_arguments(values: Any) -> dict[str, Any]:
    """Give the named controls; what is left empty is found."""
    feet = [name.strip() for name in values.feet.split(",") if name.strip()]
    return {
        "root": values.root.strip() or None,
        "cog": values.cog.strip() or None,
        "feet": feet or None,
    }


def block_arguments(values: Any, scene: Any, *, low: float | None = None) -> dict[str, Any]:
    """Give the arguments of block: what the poses say is left for block to read.

    Parameters
    ----------
    values : LeapwrightValues
    scene : bpy.types.Scene
    low : float or None
        Where a chained jump begins. Poses up to there belong to the jump before.

    Raises
    ------
    InputError
        The offsets of feet cannot be read.
    """
    chosen = {
        "foot": foot_offsets(values.foot),
        "key": None if values.key == "none" else values.key,
        "ground": ground_name(values) or None,
        "running": "measured" if values.running_measured else None,
    }
    return {
        **_asked(values, scene, posed=_posed(values, low)),
        **rig_arguments(values),
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
    return Measures(**json.loads(values.measured or "{}"))


def plan_arguments(values: Any, scene: Any, *, low: float | None = None) -> dict[str, Any]:
    """Give the arguments of the solver, with the lengths that were read from the poses.

    Raises
    ------
    InputError
        The scene has no gravity, or what is entered contradicts the poses.
    """
    ground = ground_of(scene)
    asked = _asked(values, scene, posed=poses_to_read(values, low=low))
    if values.running_measured:
        # How fast the run is changes no frame; it is measured when the jump is blocked.
        asked.pop("travel", None)
        asked["running"] = 1.0
    if low is not None:
        asked |= {"pins": {"crouch": low}, "anticipation_frames": 0}
    asked = with_poses(asked, measured(values), keep=asked.pop("keep", None))
    return {
        **asked,
        "frame_rate": ground.frame_rate,
        "shot_start": scene.frame_start,
    }


def _posed(values: Any, low: float | None) -> dict[str, float]:
    poses = posed_frames(values)
    return {m: f for m, f in poses.items() if low is None or f > low}


def _asked(values: Any, scene: Any, *, posed: Mapping[str, float]) -> dict[str, Any]:
    """Give what the animator asked, poses aside."""
    metres = float(scene.unit_settings.scale_length)
    names = [values.air_measure]
    if values.push_measure != "poses":
        names.append(values.push_measure)
    asked = {n: getattr(values, n) * (metres if n in IN_UNITS else 1) for n in names}
    if not {"takeoff", "land"} <= posed.keys():
        if not ground_name(values):
            asked["landing_level"] = values.landing_level * metres
        if values.travel:
            asked["travel"] = values.travel * metres
    if values.keep != "automatic":
        asked["keep"] = values.keep
    if values.placed_by == "takeoff" and not values.chain:
        asked["pins"] = {"takeoff": values.takeoff_frame}
    asked["twos"] = values.twos
    return asked
