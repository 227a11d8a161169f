# SPDX-License-Identifier: GPL-3.0-or-later
"""Points that touch the floor, for seeing when feet leave it: soles, and where feet roll off."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.errors import NotFoundError
from leapwright_blender.leg import Leg, leg_up, rest_ankle, rest_up, tails_tell, with_all_below
from leapwright_blender.person import body_of
from leapwright_blender.rig import Controls
from leapwright_blender.space import Point, label, rest_offset

__all__ = ["Tread", "treads_of"]

Floats = NDArray[np.float64]

_APART = 0.02
"""Points of a foot nearer to each other than this part of its height over the floor are one."""


@dataclass(frozen=True, slots=True)
class Tread:
    """A point that touches the floor.

    Attributes
    ----------
    name : str
        What it is called in findings.
    point : Point
    """

    name: str
    point: Point


def treads_of(obj: Any, controls: Controls | None) -> tuple[Tread, ...]:
    """Where a rig touches the floor: its soles and, beside them, where the feet roll off.

    Foot controls and FK feet where they are known, else the ends of a recognised skeleton's toes,
    else nothing.

    Parameters
    ----------
    obj : bpy.types.Object
    controls : Controls or None
    """
    if controls is not None and controls.soles:
        soles = [Tread(label(sole), sole) for sole in controls.soles]
        legs = {(leg.control.object, leg.control.bone): leg for leg in controls.legs}
        balls = [
            tread
            for sole in controls.soles
            if sole.object == obj.name and sole.bone
            for tread in _ball(obj, sole, legs.get((sole.object, sole.bone)))
        ]
        return _named([*soles, *balls])
    return _named(list(_toes(obj)))


def _named(treads: list[Tread]) -> tuple[Tread, ...]:
    """No two alike."""
    seen: dict[str, int] = {}
    for i, tread in enumerate(treads):
        seen[tread.name] = seen.get(tread.name, 0) + 1
        if seen[tread.name] > 1:
            treads[i] = Tread(f"{tread.name} {seen[tread.name]}", tread.point)
    return tuple(treads)


def _ball(obj: Any, sole: Point, leg: Leg | None) -> Iterator[Tread]:
    """The end of an FK foot, and the pivot that a foot control turns about: on the floor, as long
    as they are, whatever the heel does."""
    bone = obj.data.bones[sole.bone]
    up = rest_up(obj) if leg is None else leg_up(obj, leg)
    at = np.array(bone.matrix_local, dtype=np.float64) @ np.array([*sole.offset, 1.0])
    floor = float(at[:3] @ up)
    if leg is not None and not leg.ik:
        ankle = rest_ankle(obj, leg)
        yield from _far_end(obj, bone, ankle, up, floor)
        return
    pivot = np.array(bone.head_local, dtype=np.float64)
    pivot = pivot + up * (floor - float(pivot @ up))
    high = abs(float(np.array(bone.head_local) @ up) - floor)
    if np.linalg.norm(pivot - at[:3]) > max(_APART * high, 1e-6):
        yield Tread(f"{sole.bone} toes", Point(sole.object, sole.bone, rest_offset(bone, pivot)))


def _far_end(obj: Any, foot: Any, ankle: Floats, up: Floats, floor: float) -> Iterator[Tread]:
    """The ends of the foot and of its toes that are farthest from the ankle, at the floor."""
    telling = tails_tell(obj)
    ends: list[tuple[float, Any, Floats]] = []
    own = with_all_below(obj, [foot.name])
    for bone in (b for b in obj.data.bones if b.name in own):
        for place in [bone.head_local, *([bone.tail_local] if telling else [])]:
            end = np.array(place, dtype=np.float64)
            level = end - ankle
            ends.append((float(np.linalg.norm(level - up * (level @ up))), bone, end))
    toes = [end for end in ends if end[1] != foot]
    for group in ([e for e in ends if e[1] == foot], toes):
        far = max(group, key=lambda e: e[0], default=None)
        if far is None or far[0] < 1e-6:
            continue
        _, bone, end = far
        place = end + up * (floor - float(end @ up))
        yield Tread(f"{foot.name} toes", Point(obj.name, bone.name, rest_offset(bone, place)))


def _toes(obj: Any) -> Iterator[Tread]:
    """Ends of a recognised skeleton's feet and toes."""
    try:
        body = body_of(obj, "mean")
    except NotFoundError:
        return
    telling = tails_tell(obj)
    for role, name in body.skeleton.roles.items():
        if not role.startswith(("foot.", "toe.")):
            continue
        bone = obj.data.bones[name]
        yield Tread(name, Point(obj.name, name))
        if telling:
            yield Tread(f"{name} end", Point(obj.name, name, (0.0, float(bone.length), 0.0)))
