# SPDX-License-Identifier: GPL-3.0-or-later
"""One leg, and what the rest pose of a rig says: up, floor, and which bones are for animators."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import islice
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

from leapwright.naming import is_mechanism

from .space import Control, Point

__all__ = [
    "LOW",
    "Leg",
    "body_bones",
    "is_animators",
    "leg_up",
    "names_tell",
    "rest_ankle",
    "rest_up",
    "stature",
    "tails_tell",
    "with_all_below",
]

LOW = 0.35
"""A limb ends low when its end is at most this part of the way up to its own first joint."""
# Below this many bones with plain names, names such as "DEF-…" do not tell machinery from controls.
_FEW = 3


@dataclass(frozen=True, slots=True)
class Leg:
    """One leg.

    Parameters
    ----------
    foot : str
        Name of the foot control (IK), or of the foot bone (FK).
    side : str
        ``"L"``, ``"R"`` or ``""``.
    thigh, shin : str
        First and second bone.
    chain : tuple of str
        All bones from thigh to ankle.
    hip, ankle : Point
        Head of the thigh; where the ankle is asked to be (IK) or is (FK).
    ik : bool
        False for a leg turned joint by joint.
    foot_object : str
        Object of the foot control: the rig, or an empty.
    after : str
        FK: the bone after the shin, which a two-bone solver holds in place: the foot, or the hock
        of an animal. ``""`` where the leg ends with the shin, and for IK.
    named : bool
        Whether names say the same as the build.
    alone : bool
        Whether it is the only leg of its side.
    """

    foot: str
    side: str
    thigh: str
    shin: str
    chain: tuple[str, ...]
    hip: Point
    ankle: Point
    ik: bool
    foot_object: str
    after: str = ""
    named: bool = True
    alone: bool = True

    @property
    def control(self) -> Control:
        """The foot as a control."""
        obj = bpy.data.objects.get(self.foot_object)
        on_bone = obj is not None and obj.pose is not None and self.foot in obj.pose.bones
        return Control(self.foot_object, self.foot if on_bone else "")

    @property
    def name(self) -> str:
        """The leg in words: "left leg", "right leg", "leg of paw.B"; no two of a rig alike."""
        said = {"L": "left leg", "R": "right leg"}
        return said[self.side] if self.side and self.alone else f"leg of {self.foot}"


# --- The rest pose -----------------------------------------------------------------------------


def rest_up(obj: Any) -> NDArray[np.float64]:
    """The armature's own axis (shape [3], one of ±X, ±Y, ±Z) that is nearest to the world's up.

    The nearest axis, so that a leaning character still stands upright in its rest pose.
    """
    world = np.array(obj.matrix_world, dtype=np.float64)[:3, :3]
    # The row of world heights: what each armature axis adds to the height.
    return _nearest_axis(world[2] / np.maximum(np.linalg.norm(world, axis=0), 1e-30))


def rest_ankle(obj: Any, leg: Leg) -> NDArray[np.float64]:
    """Where the ankle is in the rest pose, armature space, shape [3]."""
    bones = obj.data.bones
    if leg.ik or leg.foot == leg.chain[-1]:
        return np.array(bones[leg.chain[-1]].tail_local, dtype=np.float64)
    return np.array(bones[leg.foot].head_local, dtype=np.float64)


def leg_up(obj: Any, leg: Leg) -> NDArray[np.float64]:
    """The armature's own axis that is nearest to ankle → hip at rest, however the rig lies now."""
    hip = np.array(obj.data.bones[leg.thigh].head_local, dtype=np.float64)
    return _nearest_axis(hip - rest_ankle(obj, leg))


def _nearest_axis(way: NDArray[np.float64]) -> NDArray[np.float64]:
    axis = np.zeros(3)
    best = int(np.argmax(np.abs(way)))
    axis[best] = np.sign(way[best]) or 1.0
    return axis


def tails_tell(obj: Any) -> bool:
    """Whether bones end where their children begin: importers of game skeletons make tails up."""
    bones = obj.data.bones
    parents = _parents(bones)
    child = np.flatnonzero(parents >= 0)
    heads, tails = (_column(bones, name, 3) for name in ("head_local", "tail_local"))
    nearest = np.full(len(bones), np.inf)
    apart = np.linalg.norm(heads[child] - tails[parents[child]], axis=1)
    np.minimum.at(nearest, parents[child], apart)
    has_child = np.isfinite(nearest)
    met = nearest <= 0.1 * np.linalg.norm(tails - heads, axis=1)
    return bool(2 * np.count_nonzero(met & has_child) >= np.count_nonzero(has_child))


def stature(obj: Any) -> tuple[float, float, NDArray[np.float64]]:
    """Lowest and highest end of the body's bones along the armature's up axis, and that axis.

    Bones that nothing hangs on do not count: a panel of sliders may stand anywhere.
    """
    up = rest_up(obj)
    bones = obj.data.bones
    body = _of_body(bones)
    ends = _column(bones, "head_local", 3)[body]
    if tails_tell(obj):
        ends = np.concatenate([ends, _column(bones, "tail_local", 3)[body]])
    heights = ends @ up
    return float(np.min(heights)), float(np.max(heights)), up


def _column(bones: Any, name: str, width: int) -> NDArray[np.float64]:
    """One property of all bones, shape [bones, width]."""
    flat = np.empty(len(bones) * width, dtype=np.float32)
    bones.foreach_get(name, flat)
    return flat.reshape(-1, width).astype(np.float64)


def _parents(bones: Any) -> NDArray[np.intp]:
    """Row of each bone's parent, -1 without one."""
    rows = {bone.name: row for row, bone in enumerate(bones)}
    above = (bone.parent for bone in bones)
    return np.array([-1 if p is None else rows[p.name] for p in above], dtype=np.intp)


# --- Bones -------------------------------------------------------------------------------------


def is_animators(bone: Any, *, names_tell: bool = True) -> bool:
    """Whether a pose bone is a control that an animator can move about.

    Parameters
    ----------
    bone : bpy.types.PoseBone
    names_tell : bool
        From `names_tell`: whether names such as "DEF-…" say that a bone is machinery.
    """
    if all(bone.lock_location) or (bone.bone.use_connect and bone.parent is not None):
        return False
    return bool(bone.custom_shape) or not (names_tell and is_mechanism(bone.name))


def names_tell(obj: Any) -> bool:
    """Whether names tell machinery from controls: not where all bones are named as machinery."""
    plain = (b for b in obj.data.bones if not is_mechanism(b.name))
    return len(list(islice(plain, _FEW))) == _FEW


def body_bones(obj: Any) -> list[Control]:
    """Bones that show whether a control moves the body: the deform bones, or all."""
    names = obj.data.bones.keys()
    return [Control(obj.name, names[row]) for row in np.flatnonzero(_of_body(obj.data.bones))]


def _of_body(bones: Any) -> NDArray[np.bool_]:
    deform = np.empty(len(bones), dtype=bool)
    bones.foreach_get("use_deform", deform)
    return deform if deform.any() else np.ones_like(deform)


def with_all_below(obj: Any, names: Iterable[str]) -> set[str]:
    """Names of bones and of all that hangs on them.

    `Bone.children_recursive` of the host climbs up from every bone of the rig, in Python.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig.
    names : iterable of str
    """
    found = set(names)
    # Parents come before their children.
    for bone in obj.data.bones:
        if (parent := bone.parent) is not None and parent.name in found:
            found.add(bone.name)
    return found
