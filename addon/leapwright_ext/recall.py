# SPDX-License-Identifier: GPL-3.0-or-later
"""What a rig remembers of its jumps, as entered values, and how the last is blocked again."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import lru_cache
from types import SimpleNamespace
from typing import Any

from leapwright.offsets import foot_text
from leapwright_blender.store import Remembered, read_text, text_of

from .aiming import rig_arguments
from .asking import IN_UNITS, block_arguments
from .moments import MOMENTS
from .values import AIR_MEASURES, PUSH_MEASURES, VALUE_NAMES

__all__ = ["again_arguments", "forget", "jumps_of", "last_low", "recalled"]


def jumps_of(obj: Any) -> tuple[Remembered, ...]:
    """Give the jumps that a rig remembers; the same text is read once only."""
    return _read(text_of(obj))


_read = lru_cache(maxsize=16)(read_text)


def forget() -> None:
    """Let go of what was read."""
    _read.cache_clear()


def last_low(obj: Any) -> float | None:
    """Give the low of the last jump that a rig remembers: there the next one can begin."""
    jumps = jumps_of(obj)
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
    counts = ("anticipation_frames", "recover_frames")
    return {
        **measures,
        "air_measure": next((n for n in AIR_MEASURES if n in given), AIR_MEASURES[0]),
        "push_measure": next((n for n in PUSH_MEASURES if n in given), "poses"),
        "posed": tuple(moment in jump.poses for moment in MOMENTS),
        "pose_frames": tuple(round(jump.poses.get(moment, 0)) for moment in MOMENTS),
        "landing": "object" if asked.get("ground") else "level",
        # Where that was pointed at is known as numbers now.
        "to_middle": False,
        "landing_level": (asked.get("landing_level") or 0.0) / metres,
        "travel": (asked.get("travel") or 0.0) / metres,
        "keep": asked.get("keep") or "automatic",
        "twos": bool(asked.get("twos")),
        "stepped": jump.stepped,
        "pinned": tuple(moment in pins for moment in MOMENTS),
        "pin_frames": tuple(round(pins.get(moment, 1)) for moment in MOMENTS),
        "picked": (False,) * len(MOMENTS),
        **{n: -1 if asked.get(n) is None else round(asked[n]) for n in counts},
        **_gravity(asked.get("gravity")),
        "replace": False,
        "after": "keep",
        "key": asked.get("key") or "none",
        "cog_from": asked.get("cog_from") or "automatic",
        "ground": asked.get("ground") or "",
        "foot": foot_text(asked.get("foot") or {}),
        "chain": False,
        "running_measured": asked.get("running") == "measured",
        "props": asked.get("props", True),
        "within_m": asked.get("within", 0.005),
    }


def _gravity(said: Any) -> dict[str, Any]:
    if isinstance(said, str):
        return {"gravity_from": "scene"} if said == "scene" else {
            "gravity_from": "body", "body": said,
        }  # fmt: skip
    if said is None or math.isclose(said, 9.80665, rel_tol=1e-9):
        return {"gravity_from": "standard"}
    return {"gravity_from": "number", "gravity": said}


def again_arguments(values: Any, jump: Remembered, obj: Any, scene: Any) -> dict[str, Any]:
    """Give the arguments that block a remembered jump once more: as it was asked, and where
    `values` say something else, as they say.
    """
    metres = float(scene.unit_settings.scale_length)
    every = {name: getattr(values, name) for name in VALUE_NAMES}
    as_before = SimpleNamespace(**every | recalled(jump, metres=metres))
    before = block_arguments(as_before, obj, scene)
    now = block_arguments(values, obj, scene)
    arguments = {**jump.asked, "poses": dict(jump.poses)}
    for name in before.keys() - now.keys():
        arguments.pop(name, None)
    arguments |= {n: v for n, v in now.items() if n not in before or not _same(v, before[n])}
    return {**arguments, **rig_arguments(values, obj), "chain": False, "again": True}


def _same(one: Any, other: Any) -> bool:
    """Whether nothing was changed: properties are 32 bits wide."""
    if isinstance(one, Mapping) and isinstance(other, Mapping):
        return one.keys() == other.keys() and all(_same(one[n], other[n]) for n in one)
    if isinstance(one, float) and isinstance(other, float | int):
        return math.isclose(one, other, rel_tol=1e-6, abs_tol=1e-9)
    return bool(one == other)
