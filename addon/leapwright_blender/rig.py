# SPDX-License-Identifier: GPL-3.0-or-later
"""Which controls of a rig are its root, its COG control, its pelvis and its feet.

Structure first, names second: a control is what moves the right things. Candidates are moved a
little in a side scene, what follows is measured, and the control is put back as it was.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import bpy
import numpy as np

from leapwright.errors import ClashError, HostError, InputError, NotFoundError
from leapwright.naming import ROLES, rank, role_words, side, words

from .legs import Leg, find_legs, is_animators, leg_up, rest_up
from .rigfile import RigFile, bones_named, load_rig_file, rig_file_for, some_names
from .sample import Follow, Probe, probing
from .space import Control, Point, label, pose_bone, rest_offset

__all__ = ["Control", "Controls", "Leg", "Point", "find_controls"]

_MOST_CANDIDATES = 300
Answer = tuple[Any, str, str]


@dataclass(frozen=True, slots=True)
class Controls:
    """The controls of a rig, and how sure that is.

    Parameters
    ----------
    cog : Control
        The COG control; for an object without bones the object itself.
    root : Control or None
    pelvis : Control or None
        The bone that carries the legs under the COG control; measured, never keyed.
    feet : tuple of Control
        Foot controls; empty for FK legs and for objects.
    legs : tuple of Leg
    soles : tuple of Point
        Places on the ground under the feet.
    carries : str
        What takes the feet through the air: ``"root"`` or ``"feet"``.
    never : tuple of str
        Channels that are never keyed, as in `leapwright.naming.is_never`.
    sure : dict
        Role → (``"sure"``, ``"likely"`` or ``"guess"``; why, in one sentence).
    """

    cog: Control
    root: Control | None = None
    pelvis: Control | None = None
    feet: tuple[Control, ...] = ()
    legs: tuple[Leg, ...] = ()
    soles: tuple[Point, ...] = ()
    carries: str = "feet"
    never: tuple[str, ...] = ()
    sure: dict[str, tuple[str, str]] = field(default_factory=dict)

    @property
    def text(self) -> tuple[str, ...]:
        """One plain sentence per role."""
        return tuple(f"{how}: {why}" for how, why in self.sure.values())


def find_controls(
    obj: Any,
    *,
    root: str | None = None,
    cog: str | None = None,
    pelvis: str | None = None,
    feet: Sequence[str] | None = None,
    rig_file: RigFile | str | Path | None = None,
    folders: Sequence[str | Path] | None = None,
    scene: Any = None,
) -> Controls:
    """Find the controls of a rig. Nothing in the file is changed.

    What the caller names wins, then what the rig file says, then what the rig itself shows.

    Parameters
    ----------
    obj : bpy.types.Object
        An armature, or any object without bones.
    root, cog, pelvis : str, optional
        Names (or patterns) of bones.
    feet : sequence of str, optional
        Names of bones, or of objects that are foot controls.
    rig_file : RigFile or path, optional
        Default: the one that matches, next to the .blend or in the user's folder.
    folders : sequence of path, optional
        Where to look for rig files instead; ``()`` looks nowhere.
    scene : bpy.types.Scene, optional
        Default: the one of the context.

    Returns
    -------
    Controls

    Raises
    ------
    NotFoundError
        A named control is not there, or none could be found: says what to give.
    ClashError
        A name covers several controls, or two rig files match.
    HostError
        The rig cannot be posed just now.
    """
    scene = scene or bpy.context.scene
    _check_posable(obj)
    if rig_file is None:
        rig_file = rig_file_for(obj, folders=folders)
    elif not isinstance(rig_file, RigFile):
        rig_file = load_rig_file(rig_file)
    said = rig_file or RigFile()
    one = {"root": root, "cog": cog, "pelvis": pelvis}
    named = {r: _named(obj, r, value, getattr(said, r)) for r, value in one.items()}
    named_feet = _named_feet(obj, feet, said.feet)
    if obj.pose is None:
        return _of_object(obj, named, said)
    return _of_armature(obj, named, named_feet, said, scene)


def _check_posable(obj: Any) -> None:
    if obj is None or not isinstance(obj, bpy.types.Object):
        raise InputError(f"`rig` must be an object, got {obj!r}", "rig")
    if obj.type != "ARMATURE":
        return
    if obj.mode == "EDIT":
        raise HostError(f"{obj.name!r} is in edit mode: leave it first")
    if not obj.pose or not len(obj.pose.bones):
        raise NotFoundError(f"{obj.name!r} has no bones: give another rig")
    if obj.data.pose_position == "REST":
        raise HostError(f"{obj.name!r} is shown in rest position: set it to pose position")


# --- What was named ----------------------------------------------------------------------------


def _named(obj: Any, role: str, asked: str | None, filed: str | None) -> Answer | None:
    pattern = asked if asked is not None else filed
    if pattern is None:
        return None
    who = "you named it" if asked is not None else "the rig file says so"
    if pattern == "" and asked is None:
        return None, "sure", f"no {role}: {who}"
    found = bones_named(obj, role, pattern)
    if len(found) > 1:
        several = [label(c) for c in found]
        message = f"`{role}`: {pattern!r} covers several controls: {some_names(several)}; give one"
        raise ClashError(message, several)
    return found[0], "sure", f"{label(found[0])!r} is the {_SAID[role]}: {who}"


_SAID = {"root": "root", "cog": "COG control", "pelvis": "pelvis", "feet": "foot control"}


def _named_feet(
    obj: Any, asked: Sequence[str] | None, filed: Sequence[str] | None
) -> Answer | None:
    patterns = asked if asked is not None else filed
    if patterns is None:
        return None
    who = "you named them" if asked is not None else "the rig file says so"
    names = (patterns,) if isinstance(patterns, str) else tuple(patterns)
    found = dict.fromkeys(c for name in names for c in bones_named(obj, "feet", name))
    listed = ", ".join(label(c) for c in found) or "none"
    return tuple(found), "sure", f"foot controls {listed}: {who}"


# --- Finding -----------------------------------------------------------------------------------


def _of_object(obj: Any, named: dict[str, Answer | None], said: RigFile) -> Controls:
    for role in ("root", "pelvis"):
        if (given := named[role]) is not None and given[0] is not None:
            raise NotFoundError(f"`{role}`: {obj.name!r} has no bones, so it has no {role}")
    why = f"{obj.name!r} has no bones: the object itself is the COG control"
    return Controls(cog=Control(obj.name), never=said.never or (), sure={"cog": ("sure", why)})


def _of_armature(
    obj: Any,
    named: dict[str, Answer | None],
    named_feet: Answer | None,
    said: RigFile,
    scene: Any,
) -> Controls:
    legs = find_legs(obj)
    feet_answer = named_feet or _feet(legs)
    feet: tuple[Control, ...] = feet_answer[0]
    if named_feet is not None:
        # A foot that was named may well be a leg's foot by another name: keep the leg.
        legs = tuple(leg for leg in legs if not leg.ik or leg.control in feet) or legs
    others = [*feet, *(Control(leg.ankle.object, leg.ankle.bone) for leg in legs)]
    with probing(obj, others, scene) as probe:
        cog = named["cog"] or _cog(obj, legs, feet, probe)
        root = named["root"] or _root(obj, cog[0], legs, feet, probe)
        pelvis = named["pelvis"] or _pelvis(obj, cog[0], legs, probe)
        follow = probe(root[0]) if root[0] is not None else None
        carried = follow is not None and follow.carries([cog[0], *feet])
    by_root = "the root carries the body and the feet"
    by_feet = "no root carries the feet: COG control and feet move on their own"
    air = ("root", "sure", by_root) if carried else ("feet", "sure", by_feet)
    answers = {"root": root, "cog": cog, "pelvis": pelvis, "feet": feet_answer, "carries": air}
    return Controls(
        cog=cog[0],
        root=root[0],
        pelvis=pelvis[0],
        feet=feet,
        legs=legs,
        soles=_soles(obj, feet, legs, said),
        carries=air[0],
        never=_never(obj, root[0]) if said.never is None else said.never,
        sure={role: (how, why) for role, (_, how, why) in answers.items()},
    )


def _feet(legs: Sequence[Leg]) -> Answer:
    feet = tuple(leg.control for leg in legs if leg.ik)
    if feet:
        listed = ", ".join(label(c) for c in feet)
        known = all(rank(label(c), "foot") is not None for c in feet)
        return feet, "sure" if known else "likely", f"foot controls {listed}: they steer IK legs"
    if legs:
        bones = ", ".join(leg.foot for leg in legs)
        return (), "likely", f"FK legs: the feet ({bones}) turn with the legs and are not planted"
    return (), "likely", "no feet: no IK legs, and no thigh, shin and foot by name"


def _bones(obj: Any) -> list[Control]:
    """Bones that show whether a control carries the body: the deform bones, or all."""
    deform = [b.name for b in obj.data.bones if b.use_deform]
    return [Control(obj.name, name) for name in deform or obj.data.bones.keys()]


def _depth(obj: Any, control: Control) -> int:
    return len(obj.pose.bones[control.bone].parent_recursive) if control.bone else -1


def _order(obj: Any, control: Control, role: str) -> tuple[int, bool, int]:
    """Sort key: best name, then a drawn control, then nearest to the top."""
    place = rank(control.bone, role)
    shaped = bool(obj.pose.bones[control.bone].custom_shape)
    return (999 if place is None else place, not shaped, _depth(obj, control))


def _whole_name(control: Control, role: str) -> bool:
    place = rank(control.bone, role)
    return place is not None and place < len(ROLES[role])


def _cog_proper(control: Control) -> bool:
    place = rank(control.bone, "cog")
    return place is not None and place < ROLES["cog"].index("hips")


def _cog(obj: Any, legs: Sequence[Leg], feet: Sequence[Control], probe: Probe) -> Answer:
    hips = [Control(leg.hip.object, leg.hip.bone) for leg in legs]
    above = {p.name for hip in hips for p in pose_bone(hip).parent_recursive}
    animators = [b for b in obj.pose.bones if is_animators(b)]
    likely = [b for b in animators if b.name in above or rank(b.name, "cog") is not None]
    shown: list[tuple[Control, Follow]] = []
    for pool in (likely, animators[:_MOST_CANDIDATES]):
        tried = [Control(obj.name, b.name) for b in pool if Control(obj.name, b.name) not in feet]
        shown = [(c, f) for c in tried if (f := probe(c)) is not None and f.carries([c, *hips])]
        staying = [(c, f) for c, f in shown if f.leaves(feet)]
        if staying:
            return _best_cog(obj, staying, feet=bool(feet), legs=legs)
    if not shown:
        said = f"none of {len(animators)} controls carries the body and the legs"
        near = f"usual names: {role_words('cog')}"
        raise NotFoundError(f"no COG control found on {obj.name!r}: {said}; give `cog` ({near})")
    control, _, why = _best_cog(obj, shown, feet=False, legs=legs)
    return control, "guess", f"{why}; it takes the feet along, so check it or give `cog`"


def _best_cog(
    obj: Any, shown: Sequence[tuple[Control, Follow]], *, feet: bool, legs: Sequence[Leg]
) -> Answer:
    body = _bones(obj)
    part = {c: f.part(body) for c, f in shown}
    most = max(part.values())
    equal = sorted((c for c in part if part[c] >= most - 0.02), key=lambda c: _order(obj, c, "cog"))
    ranked = [c for c in equal if rank(c.bone, "cog") is not None]
    if not ranked and not feet and legs:
        # FK: everything above the hips carries all; the COG control is the lowest of those.
        equal.sort(key=lambda c: -_depth(obj, c))
    best = equal[0]
    if feet:
        why = f"{best.bone!r} carries the body and all legs and leaves the feet"
    elif legs:
        why = f"{best.bone!r} carries the body and all legs"
    else:
        why = f"{best.bone!r} carries {part[best]:.0%} of the rig"
    if feet and len(equal) == 1:
        return best, "sure", f"{why}; no other control does"
    if not ranked:
        others = ", ".join(c.bone for c in equal[1:4])
        return best, "guess", f"{why}; so do {others}" if others else why
    named = f"{why}, and is named like one"
    # Hips and pelvis under a body control carry the same, but nobody calls them the COG.
    alone = _whole_name(best, "cog") and not any(_cog_proper(c) for c in equal[1:])
    return best, "sure" if feet and alone else "likely", named


def _root(
    obj: Any, cog: Control, legs: Sequence[Leg], feet: Sequence[Control], probe: Probe
) -> Answer:
    above = {p.name for p in pose_bone(cog).parent_recursive} if cog.bone else set()
    pool = [
        Control(obj.name, b.name)
        for b in obj.pose.bones
        if is_animators(b)
        and (b.parent is None or b.name in above or _whole_name(Control("", b.name), "root"))
    ]
    must = [cog, *feet, *(Control(leg.hip.object, leg.hip.bone) for leg in legs)]
    carrying = [
        c
        for c in pool
        if c != cog and c not in feet and (f := probe(c)) is not None and f.carries([c, *must])
    ]
    if not carrying:
        what = "the body and the feet" if feet else "the COG control"
        return None, "sure", f"no root: no control carries {what}"
    carrying.sort(key=lambda c: _order(obj, c, "root"))
    best = carrying[0]
    why = f"{best.bone!r} carries {'the COG control and all feet' if feet else 'the COG control'}"
    if len(carrying) == 1:
        return best, "sure", f"{why}; no other control does"
    if _whole_name(best, "root"):
        alone = not any(_whole_name(c, "root") for c in carrying[1:])
        return best, "sure" if alone else "likely", f"{why}, and is named like one"
    return best, "guess", f"{why}; so do {', '.join(c.bone for c in carrying[1:4])}"


def _pelvis(obj: Any, cog: Control, legs: Sequence[Leg], probe: Probe) -> Answer:
    follow = probe(cog)
    lines = [[p.name for p in pose_bone(leg.hip).parent_recursive] for leg in legs]
    shared = [n for n in (lines[0] if lines else []) if all(n in line for line in lines)]
    if shared and shared[0] != cog.bone and follow is not None:
        bone = Control(obj.name, shared[0])
        if follow.carries([bone]):
            return bone, "sure", f"{bone.bone!r} holds all thighs and moves with {label(cog)!r}"
    below = [b for b in obj.pose.bones if cog.bone in {p.name for p in b.parent_recursive}]
    middle = [b for b in below if not side(b.name) and rank(b.name, "pelvis") is not None]
    named = [Control(obj.name, b.name) for b in middle]
    moving = [c for c in named if follow is not None and follow.carries([c])]
    if moving:
        best = min(moving, key=lambda c: _order(obj, c, "pelvis"))
        return best, "likely", f"{best.bone!r} is named like a pelvis and moves with {label(cog)!r}"
    return None, "likely", f"no pelvis under {label(cog)!r}: the COG control itself is measured"


# --- Soles and never ---------------------------------------------------------------------------


def _soles(
    obj: Any, feet: Sequence[Control], legs: Sequence[Leg], said: RigFile
) -> tuple[Point, ...]:
    if said.soles is not None:
        found = [c for pattern in said.soles for c in bones_named(obj, "soles", pattern)]
        return tuple(Point(c.object, c.bone) for c in dict.fromkeys(found))
    by_foot = {leg.control: leg for leg in legs}
    places = [*feet, *(leg.control for leg in legs if not leg.ik)]
    return tuple(_sole(obj, foot, by_foot.get(foot)) for foot in places)


def _sole(obj: Any, foot: Control, leg: Leg | None) -> Point:
    """The place under the ankle at the height of the lowest bone end that rides on the foot."""
    if foot.object != obj.name:
        return Point(foot.object)
    bone = obj.data.bones[foot.bone]
    riding = [bone, *bone.children_recursive]
    ends = np.array([e for b in riding for e in (b.head_local, b.tail_local)], dtype=np.float64)
    ankle = np.array(bone.head_local, dtype=np.float64)
    if leg is not None and leg.ik:
        ankle = np.array(obj.data.bones[leg.chain[-1]].tail_local, dtype=np.float64)
    up = rest_up(obj) if leg is None else leg_up(obj, leg)
    floor = float(np.min(ends @ up))
    return Point(foot.object, foot.bone, rest_offset(bone, ankle + up * (floor - ankle @ up)))


def _never(obj: Any, root: Control | None) -> tuple[str, ...]:
    """Master scales: any scale of the root, and bones that are named so."""
    scales = [f"{label(root)}/*scale*"] if root is not None else []
    master = {"master", "global", "main", "world", "rig", "character"}
    for bone in obj.pose.bones:
        said = set(words(bone.name))
        if "scale" in said and said & master:
            scales.append(bone.name)
    return tuple(scales)
