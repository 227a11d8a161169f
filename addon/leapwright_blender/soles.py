# SPDX-License-Identifier: GPL-3.0-or-later
"""Places on the ground under the feet, and the channels that are never keyed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from mathutils import Vector
from numpy.typing import NDArray

from leapwright.naming import strip_namespace, words

from .figure import members
from .leg import Leg, leg_up, rest_ankle, rest_up, tails_tell, with_all_below
from .reach import rest_length
from .rigfile import RigFile, bones_named
from .space import Control, Point, label, rest_offset, the_object

__all__ = ["find_soles", "never_keyed"]

# A skin is the foot's when it ends this near to the foot's bones, as a part of the leg.
_NEAR = 0.25
_MASTER = frozenset(("master", "global", "main", "world", "rig", "character"))
_SEEN = frozenset(("vis", "visible", "visibility", "show", "hide", "hidden", "display"))


def find_soles(
    obj: Any, feet: Sequence[Control], legs: Sequence[Leg], said: RigFile
) -> tuple[Point, ...]:
    """Soles of foot controls and of FK feet; what the rig file says wins."""
    if said.soles is not None:
        found = [c for pattern in said.soles for c in bones_named(obj, "soles", pattern)]
        return tuple(Point(c.object, c.bone) for c in dict.fromkeys(found))
    by_foot = {leg.control: leg for leg in legs}
    places = [*feet, *(leg.control for leg in legs if not leg.ik)]
    return tuple(_sole(obj, foot, by_foot.get(foot)) for foot in places)


def _sole(obj: Any, foot: Control, leg: Leg | None) -> Point:
    """The place under the ankle at the height of the lowest that rides on the foot."""
    if not foot.bone:
        return _object_sole(foot)
    if foot.object != obj.name:
        return Point(foot.object, foot.bone)
    bone = obj.data.bones[foot.bone]
    ankle = np.array(bone.head_local, dtype=np.float64) if leg is None else rest_ankle(obj, leg)
    up = rest_up(obj) if leg is None else leg_up(obj, leg)
    floor = _floor(obj, bone, leg, up)
    return Point(foot.object, foot.bone, rest_offset(bone, ankle + up * (floor - ankle @ up)))


def _floor(obj: Any, bone: Any, leg: Leg | None, up: NDArray[np.float64]) -> float:
    riding = [obj.data.bones[name] for name in with_all_below(obj, [bone.name])]
    ends = [b.head_local for b in riding]
    if tails_tell(obj):
        ends += [b.tail_local for b in riding]
    lowest = float(np.min(np.array(ends, dtype=np.float64) @ up))
    if leg is None or leg.ik:
        return lowest
    # Bones end inside the foot, and importers make their ends up: the skin stands on the floor.
    skin = min((float(np.min(box @ up)) for box in _skins(obj)), default=lowest)
    near = _NEAR * rest_length(obj, leg)
    return skin if abs(skin - lowest) < near else lowest


def _skins(obj: Any) -> Iterator[NDArray[np.float64]]:
    """Bounding boxes of the meshes that the rig deforms, in its own space, shape [8, 3]."""
    for child in obj.children_recursive:
        if child.type == "MESH" and any(
            m.type == "ARMATURE" and m.object == obj for m in child.modifiers
        ):
            way = obj.matrix_world.inverted_safe() @ child.matrix_world
            yield np.array([(way @ Vector(c))[:] for c in child.bound_box], dtype=np.float64)


def _object_sole(foot: Control) -> Point:
    """Under the origin of a foot object, at the bottom of its box; its own place for an empty."""
    obj = the_object(foot)
    if obj.type != "MESH":
        return Point(foot.object)
    up = rest_up(obj)
    bottom = float(np.min(np.array([c[:] for c in obj.bound_box], dtype=np.float64) @ up))
    x, y, z = (bottom * up).tolist()
    return Point(foot.object, "", (x, y, z))


def never_keyed(obj: Any, root: Control | None) -> tuple[str, ...]:
    """Master scales (any scale of the root, bones named so) and switches that show or hide.

    Namespaces are stripped, as in a rig file.
    """
    never = [f"{strip_namespace(label(root))}/*scale*"] if root is not None else []
    holders = list(obj.pose.bones) if obj.pose else members(obj)
    for holder in [*holders, *([obj] if obj.pose else [])]:
        name = strip_namespace(holder.name)
        said = set(words(holder.name))
        if "scale" in said and said & _MASTER:
            never.append(name)
        never += [f"{name}/{key}" for key in list(holder.keys()) if _SEEN.intersection(words(key))]
    return tuple(dict.fromkeys(never))
