# SPDX-License-Identifier: GPL-3.0-or-later
"""What a rig remembers of its last jump, as entered values, and how it is blocked again."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import SimpleNamespace
from typing import Any

from leapwright.offsets import foot_text
from leapwright_blender.store import Remembered, load

from .asking import IN_UNITS, block_arguments, rig_arguments
from .properties import AIR_MEASURES, MOMENTS, PUSH_MEASURES, VALUE_NAMES

__all__ = ["again_arguments", "last_low", "recalled"]


def last_low(obj: Any) -> float | None:
    """Give the low of the last jump that a rig remembers: there the next one can begin."""
    jumps = load(obj)
    return jumps[-1].moments.get("low") if jumps else None


def recalled(jump: Remembered, *, metres: float) -> dict[str, Any]:
    """Give the values that ask for a remembered jump; its poses are where they stand now.

    Parameters
    ----------
    jump : Remembered
    metres : float
        Metres in a unit of the scene.
    """
    asked = jump.asked
    pins = asked.get("pins") or {}
    given = {n: v for n, v in asked.items() if n in (*AIR_MEASURES, *PUSH_MEASURES) and v}
    measures = {n: v / metres if n in IN_UNITS else v for n, v in given.items()}
    return {
        **measures,
        "air_measure": next((n for n in AIR_MEASURES if n in given), AIR_MEASURES[0]),
        "push_measure": next((n for n in PUSH_MEASURES if n in given), "poses"),
        "posed": tuple(moment in jump.poses for moment in MOMENTS),
        "pose_frames": tuple(round(jump.poses.get(moment, 0)) for moment in MOMENTS),
        "landing_level": (asked.get("landing_level") or 0.0) / metres,
        "travel": (asked.get("travel") or 0.0) / metres,
        "keep": asked.get("keep") or "automatic",
        "twos": bool(asked.get("twos")),
        "stepped": jump.stepped,
        "placed_by": "takeoff" if "takeoff" in pins else "start",
        **({"takeoff_frame": round(pins["takeoff"])} if "takeoff" in pins else {}),
        "replace": False,
        "after": "keep",
        "key": asked.get("key") or "none",
        "ground": asked.get("ground") or "",
        "foot": foot_text(asked.get("foot") or {}),
        "chain": False,
        "running_measured": asked.get("running") == "measured",
        "props": asked.get("props", True),
        "within_m": asked.get("within", 0.005),
    }


def again_arguments(values: Any, jump: Remembered, scene: Any) -> dict[str, Any]:
    """Give the arguments that block a remembered jump once more: as it was asked, and where
    `values` say something else, as they say.
    """
    metres = float(scene.unit_settings.scale_length)
    every = {name: getattr(values, name) for name in VALUE_NAMES}
    before = block_arguments(SimpleNamespace(**every | recalled(jump, metres=metres)), scene)
    now = block_arguments(values, scene)
    arguments = {**jump.asked, "poses": dict(jump.poses)}
    for name in before.keys() - now.keys():
        arguments.pop(name, None)
    arguments |= {n: v for n, v in now.items() if n not in before or not _same(v, before[n])}
    return {**arguments, **rig_arguments(values), "chain": False, "again": True}


def _same(one: Any, other: Any) -> bool:
    """Whether nothing was changed: properties are 32 bits wide."""
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(_same(one[n], other[n]) for n in one)
    if isinstance(one, float) and isinstance(other, float | int):
        return math.isclose(one, other, rel_tol=1e-6, abs_tol=1e-9)
    return bool(one == other)
