# SPDX-License-Identifier: GPL-3.0-or-later
"""Legs that are turned joint by joint (FK): game and motion-capture skeletons, rigs set to FK.

First by names, then by build: a limb that has a mirrored twin and ends low is a leg.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from statistics import median
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.naming import is_mechanism, rank, side, words

from .leg import LOW, Leg, body_bones, names_tell, stature, tails_tell, with_all_below
from .probe import Probe
from .space import Control, Point, rest_offset

__all__ = ["fk_legs"]

_FOOT_WORDS = frozenset(("foot", "feet", "ankle", "paw", "hoof", "forefoot", "hindfoot", "forepaw"))
_SHOULDERS = frozenset(("shoulder", "clavicle", "collar", "scapula"))
# A joint this low, as a part of the hip's height, is the ankle.
_ANKLE = 0.25
# A leg begins at least this high, as a part of the rig's height: toes are no legs.
_HIGH = 0.2
# A first bone shorter than this part of the limb, or lying flat, is a shoulder or a half pelvis.
_SHORT = 0.2


def fk_legs(obj: Any, taken: Sequence[Leg], *, probe: Probe | None = None) -> tuple[Leg, ...]:
    """Find FK legs of an armature.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig.
    taken : sequence of Leg
        Legs that are known already.
    probe : callable, optional
        From `leapwright_blender.probe.probing`: then a leg counts only when its thigh carries a
        body bone at the ankle.
    """
    tell = names_tell(obj)
    # Foot controls of legs and all that hangs on them: no limbs of their own.
    own = [leg.foot for leg in taken if leg.control == Control(obj.name, leg.foot)]
    used = with_all_below(obj, own)
    bones = [
        b
        for b in obj.pose.bones
        if b.name not in used and not all(b.lock_rotation) and not (tell and is_mechanism(b.name))
    ]
    hips = [_head(obj.pose.bones[leg.hip.bone]) for leg in taken]
    counted: set[str] = set()
    legs: list[Leg] = []
    for path, parts in [*_by_name(bones), *_by_build(obj, bones)]:
        leg = _leg(obj, path, parts)
        hip = _head(obj.pose.bones[leg.thigh])
        near = 0.05 * max(_length(path), 1e-9)
        known = any(np.linalg.norm(hip - other) < near for other in hips)
        known = known or not {*leg.chain, leg.foot}.isdisjoint(counted)
        if not known and (probe is None or _carries_an_ankle(obj, leg, probe, near)):
            legs.append(leg)
            hips.append(hip)
            counted.update((*leg.chain, leg.foot))
    return tuple(legs)


Parts = tuple[int, int, int, bool]
"""Places of thigh, shin and foot in a path, and whether names say so."""


def _head(bone: Any) -> NDArray[np.float64]:
    return np.array(bone.bone.head_local, dtype=np.float64)


def _length(path: Sequence[Any]) -> float:
    heads = np.array([_head(b) for b in path])
    return float(np.linalg.norm(np.diff(heads, axis=0), axis=1).sum())


def _leg(obj: Any, path: Sequence[Any], parts: Parts) -> Leg:
    thigh, shin, foot, named = parts
    # A leg of two bones ends with its shin.
    ends = shin == foot
    chain = path[thigh : shin + 1] if ends else path[thigh:foot]
    ankle = Point(obj.name, path[foot].name)
    if ends:
        ankle = Point(
            obj.name, ankle.bone, rest_offset(path[foot].bone, path[foot].bone.tail_local)
        )
    return Leg(
        foot=path[foot].name,
        side=side(path[foot].name) or side(path[thigh].name),
        thigh=path[thigh].name,
        shin=path[shin].name,
        chain=tuple(b.name for b in chain),
        hip=Point(obj.name, path[thigh].name),
        ankle=ankle,
        ik=False,
        foot_object=obj.name,
        after="" if ends else path[shin + 1].name,
        named=named,
    )


def _carries_an_ankle(obj: Any, leg: Leg, probe: Probe, near: float) -> bool:
    follow = probe(Control(obj.name, leg.thigh))
    if follow is None:
        return False
    foot = _head(obj.pose.bones[leg.foot])
    at_ankle = [
        c
        for c in body_bones(obj)
        if np.linalg.norm(_head(obj.pose.bones[c.bone]) - foot) < 2 * near
    ]
    return any(follow.carries([c]) for c in at_ankle)


# --- By name -------------------------------------------------------------------------------------


def _by_name(bones: Sequence[Any]) -> list[tuple[list[Any], Parts]]:
    """A foot bone, its shin above (at most one bone between), and the thigh above that."""
    known = {b.name for b in bones}
    found: dict[str, tuple[list[Any], Parts]] = {}
    for bone in bones:
        if not _FOOT_WORDS.intersection(words(bone.name)):
            continue
        line = [p for p in bone.parent_recursive if p.name in known]
        if len(line) < 2 or any(p.name in found for p in line):
            continue
        above = next((p for p in line[1:4] if rank(p.name, "thigh") is not None), None)
        below = next((p for p in line[:2] if rank(p.name, "shin") is not None), None)
        if above is None or below is None or line.index(above) <= line.index(below):
            continue
        path = [*line[: line.index(above) + 1][::-1], bone]
        found[bone.name] = (path, (0, path.index(below), len(path) - 1, True))
    return list(found.values())


# --- By build ------------------------------------------------------------------------------------


def _by_build(obj: Any, bones: Sequence[Any]) -> list[tuple[list[Any], Parts]]:
    """Mirrored limbs that end low, taken apart by the heights of their joints."""
    floor, top, up = stature(obj)
    tails = tails_tell(obj)
    sided = _sided(bones, up)
    found: list[tuple[list[Any], Parts]] = []
    for path in _paths(bones, sided, up):
        heights = np.array([_head(b) @ up for b in path]) - floor
        end = float(np.min(heights))
        if tails:
            end = min(end, float(np.array(path[-1].bone.tail_local) @ up) - floor)
        start = 1 if len(path) > 3 and _is_shoulder(path, up) else 0
        if len(path) - start < 2 or heights[start] <= _HIGH * (top - floor):
            continue
        if end / heights[start] > LOW:
            continue
        low = [
            i for i in range(start + 2, len(path)) if heights[i] <= _ANKLE * heights[start]
        ]  # fmt: skip
        foot = low[0] if low else len(path) - 1
        found.append((path, (start, start + 1, foot, False)))
    return found


def _is_shoulder(path: Sequence[Any], up: NDArray[np.float64]) -> bool:
    if _SHOULDERS.intersection(words(path[0].name)):
        return True
    first = _head(path[1]) - _head(path[0])
    length = float(np.linalg.norm(first))
    return length < _SHORT * _length(path) or abs(float(first @ up)) < 0.5 * length


def _sided(bones: Sequence[Any], up: NDArray[np.float64]) -> dict[str, int]:
    """Bones with a mirrored twin → the sign of their side; mirrored across the likeliest plane."""
    heads = np.array([_head(b) for b in bones])
    if len(heads) < 4:
        return {}
    size = float(np.ptp(heads, axis=0).max()) or 1.0
    best: dict[str, int] = {}
    sideways = np.flatnonzero(np.abs(up) < 0.5)
    # Most rigs are mirrored at their origin; a skeleton that was recorded, where it stood.
    for axis, middle in [(a, m) for a in sideways for m in (0.0, median(heads[:, a].tolist()))]:
        across = heads[:, axis] - middle
        mirrored = heads.copy()
        mirrored[:, axis] -= 2 * across
        apart = np.linalg.norm(heads[:, None] - mirrored[None], axis=2)
        twin = (apart < 0.02 * size).any(axis=1) & (np.abs(across) > 0.01 * size)
        signs = np.sign(across).astype(int).tolist()
        pairs = {b.name: s for b, s, t in zip(bones, signs, twin, strict=True) if t}
        if len(pairs) > len(best):
            best = pairs
    return best


def _paths(bones: Sequence[Any], sided: dict[str, int], up: NDArray[np.float64]) -> list[list[Any]]:
    """From every bone where a side begins down to the lowest end."""
    known = {b.name for b in bones}
    parent = {b.name: next((name for name in _above(b) if name in known), "") for b in bones}
    below: dict[str, list[Any]] = {}
    for bone in bones:
        below.setdefault(parent[bone.name], []).append(bone)
    lowest: dict[str, float] = {}
    # Children come after their parents.
    for bone in reversed(bones):
        heights = [lowest[b.name] for b in below.get(bone.name, [])]
        lowest[bone.name] = min([float(_head(bone) @ up), *heights])
    paths = []
    for bone in bones:
        sign = sided.get(bone.name)
        if sign is None or sided.get(parent[bone.name]) == sign:
            continue
        path = [bone]
        while step := [b for b in below.get(path[-1].name, []) if sided.get(b.name) == sign]:
            path.append(min(step, key=lambda b: lowest[b.name]))
        paths.append(path)
    return paths


def _above(bone: Any) -> Iterator[str]:
    """Names of a bone's parents, nearest first."""
    while (bone := bone.parent) is not None:
        yield bone.name
