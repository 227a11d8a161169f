# SPDX-License-Identifier: GPL-3.0-or-later
"""Legs that a foot control steers: from the IK constraints that are switched on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

from leapwright.naming import rank, side, words

from .leg import LOW, Leg, is_animators, names_tell, stature
from .space import Control, Point, rest_offset

__all__ = ["goals_of", "ik_legs"]

_AT_THE_FLOOR = 0.2
# An IK constraint below this influence is switched off.
_ON = 0.5
# Limbs that may well hang to the floor and are no legs for it.
_OTHERS = frozenset(("tail", "ear", "wing", "tentacle", "tongue", "finger", "head", "neck"))


@dataclass(frozen=True, slots=True)
class _Chain:
    """An IK chain: pose bones from the first to the tip, and what it reaches for."""

    bones: tuple[Any, ...]
    target: Any
    goal: str


def ik_legs(obj: Any, *, evaluated: Any = None) -> tuple[Leg, ...]:
    """Legs from the IK constraints that are on, whether or not the rest of the rig follows them.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig.
    evaluated : bpy.types.Object, optional
        The rig as it is evaluated. Default: by the context's scene.
    """
    if evaluated is None:
        evaluated = obj.evaluated_get(bpy.context.evaluated_depsgraph_get())
    chains = [c for bone in obj.pose.bones if (c := _ik_chain(bone, evaluated)) is not None]
    limbs = _limbs(chains)
    if not limbs:
        return ()
    legs: dict[tuple[str, str], Leg] = {}
    shape = stature(obj)
    for limb in limbs:
        rest = [chain for other in limbs if other is not limb for chain in other]
        leg = _ik_leg(obj, limb, rest)
        if _is_leg(obj, limb, leg, shape):
            legs.setdefault((leg.foot_object, leg.foot), leg)
    return tuple(legs.values())


def goals_of(obj: Any) -> list[Any]:
    """Other objects that the rig's bones reach for by IK: each once."""
    cons = (con for bone in obj.pose.bones for con in bone.constraints if con.type == "IK")
    return list({c.target.name: c.target for c in cons if c.target not in {None, obj}}.values())


def _ik_chain(bone: Any, evaluated: Any) -> _Chain | None:
    for number, con in enumerate(bone.constraints):
        if con.type != "IK" or con.target is None or con.chain_count == 1:
            continue
        live = evaluated.pose.bones[bone.name].constraints[number]
        if live.mute or live.influence < _ON:
            continue
        if con.target.pose is not None and con.subtarget not in con.target.pose.bones:
            continue
        line = [*([bone] if con.use_tail else []), *bone.parent_recursive]
        # Endless chains run up through the spine: the leg is the bone and its parent.
        line = line[: con.chain_count or 2]
        if len(line) > 1:
            return _Chain(tuple(reversed(line)), con.target, con.subtarget)
    return None


def _limbs(chains: Sequence[_Chain]) -> list[list[_Chain]]:
    """Chains that are parts of one limb: a leg of three bones may be built of several."""
    limbs: list[list[_Chain]] = []
    for chain in chains:
        same = [limb for limb in limbs if any(_one_limb(chain, other) for other in limb)]
        joined = [chain for limb in same for chain in limb]
        limbs = [limb for limb in limbs if limb not in same]
        limbs.append([*joined, chain])
    return limbs


def _one_limb(a: _Chain, b: _Chain) -> bool:
    first, other = a.bones[0], b.bones[0]
    if side(first.name) != side(other.name):
        return False
    apart = (first.bone.head_local - other.bone.head_local).length
    if apart < 0.05 * max(first.bone.length, other.bone.length):
        return True
    # A spine that is posed by IK holds both legs, so only bones of one side make one limb.
    return bool(side(first.name)) and (_hangs_on(first, b) or _hangs_on(other, a))


def _hangs_on(bone: Any, chain: _Chain) -> bool:
    above = {p.name for p in bone.parent_recursive}
    return any(b.name in above for b in chain.bones)


def _ik_leg(obj: Any, limb: Sequence[_Chain], others: Sequence[_Chain]) -> Leg:
    whole = [c for c in limb if not any(_hangs_on(c.bones[0], o) for o in limb)] or list(limb)
    control, chain = _foot_control(limb, whole, others)
    name = control.bone or control.object
    return Leg(
        foot=name,
        side=side(name) or side(chain.bones[0].name),
        thigh=chain.bones[0].name,
        shin=chain.bones[1].name,
        chain=tuple(b.name for b in chain.bones),
        hip=Point(obj.name, chain.bones[0].name),
        ankle=_ankle(chain),
        ik=True,
        foot_object=control.object,
        named=any(rank(n, "foot") is not None for n in (name, chain.goal or chain.target.name)),
    )


def _ankle(chain: _Chain) -> Point:
    """Where the ankle is asked to be: past a limit that would hold the goal near the hip."""
    if not chain.goal:
        return Point(chain.target.name)
    goal = chain.target.pose.bones[chain.goal]
    limited = any(c.type == "LIMIT_DISTANCE" for c in goal.constraints)
    if limited and goal.parent is not None:
        offset = rest_offset(goal.parent.bone, goal.bone.head_local)
        return Point(chain.target.name, goal.parent.name, offset)
    return Point(chain.target.name, goal.name)


def _foot_control(
    limb: Sequence[_Chain], whole: Sequence[_Chain], others: Sequence[_Chain]
) -> tuple[Control, _Chain]:
    """The topmost control above a limb's goals that moves this limb alone, and its chain.

    Of several chains from the hip, the one whose goal hangs nearest under the control is steered
    by it; the others follow that one.
    """
    found: list[tuple[int, int, Any, _Chain]] = []
    inner = {b.name for c in limb for b in c.bones}
    for chain in whole:
        if not chain.goal:
            return Control(chain.target.name), chain
        goal = chain.target.pose.bones[chain.goal]
        line = [goal, *goal.parent_recursive]
        if not (own := _own(line, limb, others, chain.target)):
            continue
        shaped = [b for b in own if b.custom_shape]
        # Without shapes a nameless parent may be a leftover: one that says foot is preferred.
        named = [b for b in own if rank(b.name, "foot") is not None]
        best = (shaped or named or own)[-1]
        steps = line.index(best)
        through = any(b.name in inner for b in line[:steps])
        found.append((through, steps, best, chain))
    if found:
        _, _, best, chain = min(found, key=lambda entry: entry[:2])
        return Control(chain.target.name, best.name), chain
    chain = whole[0]
    goal = chain.target.pose.bones[chain.goal]
    followed = list(_followed(chain.target, [goal, *goal.parent_recursive]))
    left = [b for b in followed if b in _own(followed, limb, others, chain.target)]
    return Control(chain.target.name, (left or [goal])[-1].name), chain


def _own(
    line: Sequence[Any], limb: Sequence[_Chain], others: Sequence[_Chain], target: Any
) -> list[Any]:
    """Controls of a line that move no other limb and no body."""
    goals = [o.goal for o in others if o.target == target and o.goal]
    shared = {p.name for g in goals for p in target.pose.bones[g].parent_recursive}
    for chain in limb:
        first = chain.bones[0]
        shared |= {p.name for p in (*chain.bones, *first.parent_recursive)}
    tell = names_tell(target)
    return [b for b in line if b.name not in shared and is_animators(b, names_tell=tell)]


def _followed(target: Any, line: Sequence[Any]) -> Iterator[Any]:
    """Controls that the bones of a line follow by constraints, nearest first."""
    tell = names_tell(target)
    for bone in line:
        for con in bone.constraints:
            if con.type not in {"COPY_TRANSFORMS", "COPY_LOCATION", "CHILD_OF"} or con.mute:
                continue
            if con.target == target and (other := target.pose.bones.get(con.subtarget)):
                near = (other, *other.parent_recursive[:2])
                yield from [b for b in near if is_animators(b, names_tell=tell)][:1]


def _is_leg(
    obj: Any,
    limb: Sequence[_Chain],
    leg: Leg,
    shape: tuple[float, float, NDArray[np.float64]],
) -> bool:
    every = [leg.foot, *(b.name for c in limb for b in c.bones), *(c.goal for c in limb)]
    # A paw may be a hand: the other bones must say.
    names = [n for n in every if "paw" not in words(n)]
    feet = any(rank(n, "foot") is not None or rank(n, "thigh") is not None for n in names)
    hands = any(rank(n, "hand") is not None for n in names)
    if not feet and any(_OTHERS.intersection(words(n)) for n in every):
        return False
    floor, _, up = shape
    top = float(np.array(obj.data.bones[leg.thigh].head_local) @ up)
    tips = [c.bones[-1].bone.tail_local for c in limb]
    low = float(np.min(np.array(tips, dtype=np.float64) @ up))
    if top <= floor:
        return False
    height = (low - floor) / (top - floor)
    if height < _AT_THE_FLOOR:
        return True
    return feet if feet != hands else height < LOW
