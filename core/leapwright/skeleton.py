# SPDX-License-Identifier: GPL-3.0-or-later
"""Which bones of a skeleton are a person's thighs, forearms, spine: names first, then the build."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .naming import side, words

__all__ = ["Skeleton", "find_skeleton"]

Floats = NDArray[np.float64]

# Joined words by role, best first; those after the bar say it only where nothing better does.
_SIDED: dict[str, tuple[str, ...]] = {
    "thigh": ("thigh", "upleg", "upperleg", "legupper", "femur", "|", "leg", "hip"),
    "shin": (
        "shin", "calf", "lowleg", "lowerleg", "leglower", "tibia", "shank", "knee", "|", "leg",
    ),
    "foot": ("ankle", "foot", "feet"),
    "toe": ("toebase", "toe", "toes", "ball"),
    "upper arm": (
        "upperarm", "uparm", "armupper", "humerus", "|", "arm", "shoulder", "shldr",
    ),
    "forearm": ("forearm", "lowerarm", "lowarm", "armlower", "elbow", "ulna", "|", "arm"),
    "hand": ("wrist", "hand"),
    "knuckle": ("middle", "fingermiddle", "mid"),
}  # fmt: skip
_MIDDLE: dict[str, tuple[str, ...]] = {
    "pelvis": ("pelvis", "hips", "hip"),
    "spine": (
        "spine", "chest", "upperchest", "torso", "abdomen", "belly", "thorax", "ribcage",
        "back", "lowerback", "upperback", "waist",
    ),
    "neck": ("neck",),
    "head": ("head", "skull"),
}  # fmt: skip
# Helpers beside the bones that count.
_HELPERS = frozenset(
    (
        "twist", "roll", "share", "helper", "ik", "pole", "target", "tgt", "mch", "tweak",
        "parent", "socket", "end", "nub", "heel", "rot", "ribs", "finger", "thumb", "index",
        "ring", "pinky", "little", "palm", "metacarpal",
    )
)  # fmt: skip
_BELOW = {"knuckle": "hand", "toe": "foot"}
# Bones of the spine this far up the trunk, and further, are neck and head.
_OVER = 1.02


@dataclass(frozen=True, slots=True)
class Skeleton:
    """Bones by what they are.

    Parameters
    ----------
    roles : dict of str to str
        ``"thigh.L"``, ``"upper arm.R"``, ``"head"`` … → bone.
    spine : tuple of str
        From the lowest up, without pelvis, neck and head.
    tail : bool
        Whether there is a tail: no person.
    """

    roles: dict[str, str]
    spine: tuple[str, ...] = ()
    tail: bool = False


def find_skeleton(parents: Mapping[str, str | None], heads: Mapping[str, Floats]) -> Skeleton:
    """Recognise the bones of a person.

    Parameters
    ----------
    parents : mapping of str to str or None
        Parents by bone; may hold more bones than `heads`. All None: names alone decide.
    heads : mapping of str to ndarray, shape (frames, 3)
        Where the bones begin. Only these bones are looked at.

    Returns
    -------
    Skeleton

    Examples
    --------
    >>> names = ["Hips", "LeftUpLeg", "LeftLeg", "LeftFoot", "Spine", "Spine1"]
    >>> found = find_skeleton(dict.fromkeys(names), {n: np.zeros((1, 3)) for n in names})
    >>> found.roles["thigh.L"], found.roles["shin.L"], found.spine
    ('LeftUpLeg', 'LeftLeg', ('Spine', 'Spine1'))
    """
    lines = {name: _line(name, parents) for name in heads}
    known = any(parents.values())
    fits = [(name, _fits(name)) for name in heads]
    roles: dict[str, str] = {}
    for which in "LR":
        # Upper and lower arms share a word, so do thighs and shins: the upper one chooses first.
        for role in _SIDED:
            taken = set(roles.values())
            able = [
                (*place, len(lines[name]), len(words(name)), number, name)
                for number, (name, found) in enumerate(fits)
                if side(name) == which and name not in taken
                for place in [found.get(role)]
                if place is not None and _hangs(name, role, which, roles, lines, known=known)
            ]
            if able:
                roles[f"{role}.{which}"] = min(able)[-1]
    middle = [(name, found) for name, found in fits if not side(name)]
    for role in ("pelvis", "neck", "head"):
        able = [
            (*found[role], len(lines[name]), len(words(name)), number, name)
            for number, (name, found) in enumerate(middle)
            if role in found
        ]
        if able:
            roles[role] = min(able)[-1]
    spine = [name for name, found in middle if "spine" in found and name not in roles.values()]
    spine.sort(key=lambda name: len(lines[name]))
    tail = any(_has_a_tail(name) for name in heads)
    return Skeleton(*_neck_and_head(roles, spine, heads), tail)


def _has_a_tail(name: str) -> bool:
    return "tail" in words(name)


def _line(name: str, parents: Mapping[str, str | None]) -> list[str]:
    """Parents of a bone, nearest first."""
    line: list[str] = []
    above = parents.get(name)
    while above is not None and above not in line:
        line.append(above)
        above = parents.get(above)
    return line


def _fits(name: str) -> dict[str, tuple[bool, int]]:
    """Roles that a name says, by its longest telling word: (weakly, place in the table)."""
    said = words(name)
    tables = _SIDED if side(name) else _MIDDLE
    helper = _HELPERS.intersection(said) and not ("neck" in said and not side(name))
    if helper:
        return {}
    joined = ["".join(said[i : i + n]) for n in (1, 2, 3) for i in range(len(said) - n + 1)]
    found: dict[str, tuple[bool, int]] = {}
    longest = 0
    for role, table in tables.items():
        for word in set(joined).intersection(table):
            if len(word) < longest or word == "|":
                continue
            if len(word) > longest:
                found, longest = {}, len(word)
            bar = table.index("|") if "|" in table else len(table)
            found[role] = (table.index(word) > bar, table.index(word))
    return found


def _hangs(
    name: str,
    role: str,
    which: str,
    roles: Mapping[str, str],
    lines: Mapping[str, Sequence[str]],
    *,
    known: bool,
) -> bool:
    """Whether fingers are on the hand and toes on the foot."""
    above = _BELOW.get(role)
    if above is None:
        return True
    holder = roles.get(f"{above}.{which}")
    return holder is not None and (not known or holder in lines[name])


def _neck_and_head(
    roles: dict[str, str], spine: list[str], heads: Mapping[str, Floats]
) -> tuple[dict[str, str], tuple[str, ...]]:
    """A spine that goes on above the shoulders is the neck, and its last bone is the head."""
    pairs = [("thigh.L", "thigh.R"), ("upper arm.L", "upper arm.R")]
    if not all(role in roles for pair in pairs for role in pair):
        return roles, tuple(spine)
    low, top = (0.5 * (heads[roles[a]] + heads[roles[b]]) for a, b in pairs)
    way = top - low
    square = np.maximum(np.sum(way**2, axis=1), 1e-30)
    up = {n: float(np.median(np.sum((heads[n] - low) * way, axis=1) / square)) for n in spine}
    over = [name for name in spine if up[name] > _OVER]
    if over and "head" not in roles:
        roles["head"] = over[-1]
    if over and "neck" not in roles and over[0] != roles["head"]:
        roles["neck"] = over[0]
    return roles, tuple(name for name in spine if name not in over)
