# SPDX-License-Identifier: GPL-3.0-or-later
"""Legs of a rig: found from its IK chains (or names), and how far they reach.

A rig may stretch its legs, so that nothing looks wrong at the feet. Reach is therefore measured
from rest lengths, the hip and the place that the ankle is asked to be at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

from leapwright.errors import NotFoundError
from leapwright.naming import is_mechanism, rank, side, words

from .space import Control, Point, pose_bone, rest_offset, the_object, world_matrix

__all__ = [
    "Leg",
    "Reach",
    "find_legs",
    "fold_length",
    "is_animators",
    "leg_reach",
    "leg_stretch",
    "leg_up",
    "rest_length",
    "rest_up",
]

# A knee does not close further than this angle between thigh and shin.
FOLD_DEGREES = 25.0
# Misses smaller than this are the rounding of poses, not a leg that is too short.
SAID_FROM_M = 5e-4
_FOOT_WORDS = frozenset(("foot", "feet", "ankle", "paw", "hoof"))
_LOW = 0.35


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

    @property
    def control(self) -> Control:
        """The foot as a control."""
        obj = bpy.data.objects.get(self.foot_object)
        on_bone = obj is not None and obj.pose is not None and self.foot in obj.pose.bones
        return Control(self.foot_object, self.foot if on_bone else "")

    @property
    def name(self) -> str:
        """The leg in words: "left leg", "right leg", "leg of paw.B"."""
        return {"L": "left leg", "R": "right leg"}.get(self.side, f"leg of {self.foot}")


@dataclass(frozen=True, slots=True)
class Reach:
    """What a pose asks of a leg, in metres.

    Parameters
    ----------
    leg : str
        The leg in words.
    moment : str
        ``"take-off"``, ``"crouch"`` …
    distance, reach, fold : float
        Hip to ankle as asked; the longest and the shortest that the leg can do.
    """

    leg: str
    moment: str
    distance: float
    reach: float
    fold: float

    @property
    def over(self) -> float:
        """Leg that is missing, m; 0 when it reaches."""
        return max(self.distance - self.reach, 0.0)

    @property
    def under(self) -> float:
        """Leg that is too much to fold away, m; 0 when it fits."""
        return max(self.fold - self.distance, 0.0)

    @property
    def text(self) -> str:
        """One plain sentence, empty when the leg can do it."""
        if self.over > SAID_FROM_M:
            asks = f"{_length(self.over)} more leg than the rig has"
            return f"{self.moment} asks for {asks} ({self.leg})"
        if self.under > SAID_FROM_M:
            return f"{self.moment} folds the {self.leg} {_length(self.under)} further than it can"
        return ""


def _length(metres: float) -> str:
    return f"{metres * 100:.1f} cm" if metres < 1 else f"{metres:.2f} m"


# --- Finding -----------------------------------------------------------------------------------


def find_legs(obj: Any) -> tuple[Leg, ...]:
    """Legs of an armature: from IK chains; where there are none, from names (FK legs).

    An IK chain is a leg when its names say foot, and hands when they say hand; where names say
    neither or both, when its tip is low in the rest pose: at most 35 % of the way up to its own
    first bone.
    """
    if obj.pose is None:
        return ()
    chains = [c for bone in obj.pose.bones if (c := _ik_chain(bone)) is not None]
    targets = {(t.name, s) for _, _, t, s in chains}
    legs: dict[tuple[str, str], Leg] = {}
    for tip, chain, target, subtarget in chains:
        if len(chain) < 2:
            continue
        leg = _ik_leg(obj, chain, target, subtarget, targets)
        if _is_leg(obj, tip, leg, subtarget or target.name):
            legs.setdefault((leg.foot_object, leg.foot), leg)
    found = tuple(legs.values()) or _fk_legs(obj)
    return tuple(sorted(found, key=lambda leg: (leg.side or "~", leg.foot)))


def rest_up(obj: Any) -> NDArray[np.float64]:
    """The armature's own axis (shape [3], one of ±X, ±Y, ±Z) that is nearest to the world's up.

    The nearest axis, so that a leaning character still stands upright in its rest pose.
    """
    world = np.array(obj.matrix_world, dtype=np.float64)[:3, :3]
    # The row of world heights: what each armature axis adds to the height.
    return _nearest_axis(world[2] / np.maximum(np.linalg.norm(world, axis=0), 1e-30))


def leg_up(obj: Any, leg: Leg) -> NDArray[np.float64]:
    """The armature's own axis that is nearest to ankle → hip at rest, however the rig lies now."""
    bones = obj.data.bones
    hip = np.array(bones[leg.thigh].head_local, dtype=np.float64)
    return _nearest_axis(hip - np.array(bones[leg.chain[-1]].tail_local, dtype=np.float64))


def _nearest_axis(way: NDArray[np.float64]) -> NDArray[np.float64]:
    axis = np.zeros(3)
    best = int(np.argmax(np.abs(way)))
    axis[best] = np.sign(way[best]) or 1.0
    return axis


def is_animators(bone: Any) -> bool:
    """Whether a pose bone is a control that an animator can move about."""
    if all(bone.lock_location) or (bone.bone.use_connect and bone.parent is not None):
        return False
    return bool(bone.custom_shape) or not is_mechanism(bone.name)


def _ik_chain(bone: Any) -> tuple[Any, list[Any], Any, str] | None:
    for con in bone.constraints:
        if con.type != "IK" or con.target is None or con.mute or con.chain_count == 1:
            continue
        if con.target.pose is not None and con.subtarget not in con.target.pose.bones:
            continue
        line = [bone, *bone.parent_recursive]
        # Endless chains run up through the spine: the leg is the bone and its parent.
        count = con.chain_count or 2
        return bone, line[:count][::-1], con.target, con.subtarget
    return None


def _ik_leg(
    obj: Any, chain: list[Any], target: Any, subtarget: str, targets: set[tuple[str, str]]
) -> Leg:
    ankle, foot = Point(target.name), Control(target.name)
    if subtarget:
        goal = target.pose.bones[subtarget]
        ankle = _ankle(target, goal)
        others = {s for t, s in targets if t == target.name and s != subtarget}
        foot = _foot_control(target, goal, others, thigh=chain[0])
    name = foot.bone or foot.object
    return Leg(
        foot=name,
        side=side(name) or side(chain[0].name),
        thigh=chain[0].name,
        shin=chain[1].name,
        chain=tuple(b.name for b in chain),
        hip=Point(obj.name, chain[0].name),
        ankle=ankle,
        ik=True,
        foot_object=foot.object,
    )


def _ankle(target: Any, goal: Any) -> Point:
    """Where the ankle is asked to be: past a limit that would hold the goal near the hip."""
    limited = any(c.type == "LIMIT_DISTANCE" for c in goal.constraints)
    if limited and goal.parent is not None:
        offset = rest_offset(goal.parent.bone, goal.bone.head_local)
        return Point(target.name, goal.parent.name, offset)
    return Point(target.name, goal.name)


def _foot_control(target: Any, goal: Any, others: set[str], *, thigh: Any) -> Control:
    """The topmost control above an IK goal that moves this goal alone."""
    line = [goal, *goal.parent_recursive]
    shared = {p.name for o in others for p in target.pose.bones[o].parent_recursive}
    shared |= {p.name for p in [thigh, *thigh.parent_recursive]}
    own = [b for b in line if b.name not in shared and is_animators(b)]
    if not own and not (own := [b for b in _followed(target, line) if b.name not in shared]):
        return Control(target.name, goal.name)
    shaped = [b for b in own if b.custom_shape]
    # Without shapes a nameless parent may be a leftover: one that says foot is preferred.
    named = [b for b in own if rank(b.name, "foot") is not None]
    return Control(target.name, (shaped or named or own)[-1].name)


def _followed(target: Any, line: Sequence[Any]) -> list[Any]:
    """Controls that the bones of a line follow by constraints, nearest first."""
    found: list[Any] = []
    for bone in line:
        for con in bone.constraints:
            if con.type not in {"COPY_TRANSFORMS", "COPY_LOCATION", "CHILD_OF"} or con.mute:
                continue
            if con.target == target and (other := target.pose.bones.get(con.subtarget)):
                found += [b for b in (other, *other.parent_recursive[:2]) if is_animators(b)][:1]
    return found


def _is_leg(obj: Any, tip: Any, leg: Leg, goal: str) -> bool:
    # A paw may be a hand: the other bones must say.
    names = [n for n in (leg.foot, goal, *leg.chain) if "paw" not in words(n)]
    feet = any(rank(n, "foot") is not None or rank(n, "thigh") is not None for n in names)
    hands = any(rank(n, "hand") is not None for n in names)
    if feet != hands:
        return feet
    up = rest_up(obj)
    ends = [e for b in obj.data.bones for e in (b.head_local, b.tail_local)]
    floor = float(np.min(np.array(ends, dtype=np.float64) @ up))
    top = float(np.array(obj.data.bones[leg.thigh].head_local) @ up)
    low = float(np.array(tip.bone.tail_local) @ up)
    return top > floor and (low - floor) / (top - floor) < _LOW


def _fk_legs(obj: Any) -> tuple[Leg, ...]:
    """Legs by name: a foot bone, its parent the shin, and the thigh above."""
    legs: dict[str, Leg] = {}
    for bone in obj.pose.bones:
        if not _FOOT_WORDS.intersection(words(bone.name)) or is_mechanism(bone.name):
            continue
        line = bone.parent_recursive
        if len(line) < 2 or any(p.name in legs for p in line):
            continue
        above = next((p for p in line[1:4] if rank(p.name, "thigh") is not None), None)
        below = next((p for p in line[:2] if rank(p.name, "shin") is not None), None)
        if above is None or below is None or above == below:
            continue
        chain = line[: line.index(above) + 1][::-1]
        legs[bone.name] = Leg(
            foot=bone.name,
            side=side(bone.name),
            thigh=above.name,
            shin=below.name,
            chain=tuple(b.name for b in chain),
            hip=Point(obj.name, above.name),
            ankle=Point(obj.name, bone.name),
            ik=False,
            foot_object=obj.name,
        )
    return tuple(legs.values())


# --- Reach -------------------------------------------------------------------------------------


def _lengths(obj: Any, leg: Leg) -> NDArray[np.float64]:
    """Rest lengths of the thigh and of all below it, armature units, shape [2]."""
    bones = obj.data.bones
    if any(name not in bones for name in leg.chain):
        raise NotFoundError(f"{obj.name!r} has no bones {', '.join(leg.chain)}")
    joints = [np.array(bones[n].head_local, dtype=np.float64) for n in leg.chain]
    joints.append(np.array(bones[leg.chain[-1]].tail_local, dtype=np.float64))
    if not leg.ik:
        joints[-1] = np.array(bones[leg.foot].head_local, dtype=np.float64)
    pieces = np.linalg.norm(np.diff(joints, axis=0), axis=1)
    return np.array([pieces[0], pieces[1:].sum()])


def rest_length(obj: Any, leg: Leg) -> float:
    """Length of the straight leg in the rest pose, armature units."""
    return float(_lengths(obj, leg).sum())


def fold_length(obj: Any, leg: Leg) -> float:
    """Hip to ankle with the knee closed to 25°, armature units."""
    thigh, rest = _lengths(obj, leg)
    cosine = np.cos(np.radians(FOLD_DEGREES))
    return float(np.sqrt(thigh**2 + rest**2 - 2 * thigh * rest * cosine))


def _scale(obj: Any, leg: Leg, depsgraph: Any) -> float:
    """World size of one armature unit at the hip: the rig's scale and its master scale.

    Read above the thigh, since a stretching thigh is itself scaled.
    """
    above = pose_bone(leg.hip, obj=obj).parent
    holder = Control(obj.name, above.name if above is not None else "")
    linear = world_matrix(holder, depsgraph)[:3, :3]
    return float(abs(np.linalg.det(linear)) ** (1 / 3))


def leg_reach(obj: Any, leg: Leg, *, depsgraph: Any = None) -> float:
    """How far the leg reaches from hip to ankle at the current pose, Blender units."""
    depsgraph = depsgraph or bpy.context.evaluated_depsgraph_get()
    return rest_length(obj, leg) * _scale(obj, leg, depsgraph)


def leg_stretch(obj: Any, leg: Leg, *, moment: str, scene: Any, depsgraph: Any = None) -> Reach:
    """What the current pose asks of a leg, measured on the evaluated rig."""
    depsgraph = depsgraph or bpy.context.evaluated_depsgraph_get()
    the_object(leg.hip)
    hip = world_matrix(leg.hip, depsgraph)[:3, 3]
    ankle = world_matrix(leg.ankle, depsgraph)[:3, 3]
    scale = _scale(obj, leg, depsgraph)
    metres = float(scene.unit_settings.scale_length)
    return Reach(
        leg=leg.name,
        moment=moment,
        distance=float(np.linalg.norm(ankle - hip)) * metres,
        reach=rest_length(obj, leg) * scale * metres,
        fold=fold_length(obj, leg) * scale * metres,
    )
