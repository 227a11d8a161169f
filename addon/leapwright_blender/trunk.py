# SPDX-License-Identifier: GPL-3.0-or-later
"""Root, COG control and pelvis of an armature: what carries what, asked by moving it a little."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.errors import NotFoundError
from leapwright.naming import ROLES, rank, role_words, side

from . import host
from .leg import Leg, body_bones, is_animators, leg_up, names_tell, rest_ankle, with_all_below
from .probe import Follow, Probe
from .space import Control, data_path_location, label, pose_bone

__all__ = ["find_cog", "find_pelvis", "find_root"]

Answer = tuple[Any, str, str]
"""A control or None, how sure that is, and why."""
_MOST_CANDIDATES = 300
# What stands higher than this part of the hips' height stands at the body, not at the floor.
_BODY = 0.4


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


def find_cog(obj: Any, legs: Sequence[Leg], feet: Sequence[Control], probe: Probe) -> Answer:
    """Find the COG control: it carries the body and all hips and leaves the feet.

    Raises
    ------
    NotFoundError
        No control carries the body; says what to give.
    """
    hips = [Control(leg.hip.object, leg.hip.bone) for leg in legs]
    above = {p.name for hip in hips for p in pose_bone(hip).parent_recursive}
    tell = names_tell(obj)
    animators = [b for b in obj.pose.bones if is_animators(b, names_tell=tell)]
    likely = [b for b in animators if b.name in above or rank(b.name, "cog") is not None]
    shown: list[tuple[Control, Follow]] = []
    for pool in (likely, animators[:_MOST_CANDIDATES]):
        tried = [Control(obj.name, b.name) for b in pool if Control(obj.name, b.name) not in feet]
        shown = [(c, f) for c in tried if (f := probe(c)) is not None and f.carries([c, *hips])]
        if shown and legs and not feet:
            return _fk_cog(obj, shown, legs)
        staying = [(c, f) for c, f in shown if f.leaves(feet)]
        if staying:
            return _best_cog(obj, staying, feet=bool(feet))
    if not shown:
        said = f"none of {len(animators)} controls carries the body and the legs"
        near = f"usual names: {role_words('cog')}"
        raise NotFoundError(f"no COG control found on {obj.name!r}: {said}; give `cog` ({near})")
    control, _, why = _best_cog(obj, shown, feet=False)
    return control, "guess", f"{why}; it takes the feet along, so check it or give `cog`"


def _best_cog(obj: Any, shown: Sequence[tuple[Control, Follow]], *, feet: bool) -> Answer:
    body = body_bones(obj)
    part = {c: f.part(body) for c, f in shown}
    most = max(part.values())
    equal = sorted((c for c in part if part[c] >= most - 0.02), key=lambda c: _order(obj, c, "cog"))
    ranked = [c for c in equal if rank(c.bone, "cog") is not None]
    best = equal[0]
    why = f"{best.bone!r} carries {part[best]:.0%} of the rig"
    if feet:
        why = f"{best.bone!r} carries the body and all legs and leaves the feet"
    if feet and len(equal) == 1:
        return best, "sure", f"{why}; no other control does"
    if not ranked:
        others = ", ".join(c.bone for c in equal[1:4])
        return best, "guess", f"{why}; so do {others}" if others else why
    named = f"{why}, and is named like one"
    # Hips and pelvis under a body control carry the same, but nobody calls them the COG.
    # A name that sits below another control which carries as much may be one too low.
    alone = _is_top(obj, best, equal) and not any(_cog_proper(c) for c in equal[1:])
    sure = feet and alone and _whole_name(best, "cog")
    return best, "sure" if sure else "likely", named


def _fk_cog(obj: Any, shown: Sequence[tuple[Control, Follow]], legs: Sequence[Leg]) -> Answer:
    """Everything above FK legs carries them: the topmost control that stands at the body.

    A root stands at the floor, and what is called one is one where another control will do.
    """
    ankles = [Control(obj.name, leg.foot) for leg in legs]
    carrying = [c for c, f in shown if f.carries(ankles)] or [c for c, _ in shown]
    up = leg_up(obj, legs[0])
    floor = min(float(rest_ankle(obj, leg) @ up) for leg in legs)
    hips = float(np.mean([_height(obj, Control(obj.name, leg.thigh), up) for leg in legs]))
    at_body = [c for c in carrying if _height(obj, c, up) - floor > _BODY * (hips - floor)]
    every = at_body or carrying
    pool = [c for c in every if not _whole_name(c, "root")] or every
    names = {c: rank(c.bone, "cog") for c in pool if _whole_name(c, "cog")}
    pool = sorted(pool, key=lambda c: (names.get(c, 999), *_order(obj, c, "cog")[1:]))
    best = pool[0]
    why = f"{best.bone!r} carries the body and all legs"
    if len(pool) == 1 and at_body:
        return best, "sure" if best in names else "likely", f"{why}; no other control at the body"
    if rank(best.bone, "cog") is not None:
        # Name and build say the same: the topmost is the only one that is called a COG control.
        alone = pool == every and not any(_cog_proper(c) for c in pool[1:])
        sure = alone and _cog_proper(best) and _is_top(obj, best, pool)
        return best, "sure" if sure else "likely", f"{why}, and is named like one"
    return best, "guess", f"{why}; so do {', '.join(c.bone for c in pool[1:4])}"


def _is_top(obj: Any, control: Control, others: Sequence[Control]) -> bool:
    return all(_depth(obj, control) <= _depth(obj, c) for c in others)


def _height(obj: Any, control: Control, up: NDArray[np.float64]) -> float:
    return float(np.array(obj.data.bones[control.bone].head_local, dtype=np.float64) @ up)


def find_root(
    obj: Any, cog: Control, legs: Sequence[Leg], feet: Sequence[Control], probe: Probe
) -> Answer:
    """Find the root: it carries the COG control, the hips and the feet."""
    above = {p.name for p in pose_bone(cog).parent_recursive} if cog.bone else set()
    tell = names_tell(obj)
    pool = [
        Control(obj.name, b.name)
        for b in obj.pose.bones
        if is_animators(b, names_tell=tell)
        and (b.parent is None or b.name in above or _whole_name(Control("", b.name), "root"))
    ]
    must = [cog, *feet, *(Control(leg.hip.object, leg.hip.bone) for leg in legs)]
    carrying = [
        c
        for c in pool
        if c != cog and c not in feet and (f := probe(c)) is not None and f.carries([c, *must])
    ]
    if not carrying:
        return _object_root(obj, feet)
    carrying.sort(key=lambda c: _order(obj, c, "root"))
    best = carrying[0]
    why = f"{best.bone!r} carries {'the COG control and all feet' if feet else 'the COG control'}"
    if len(carrying) == 1:
        return best, "sure", f"{why}; no other control does"
    if _whole_name(best, "root"):
        others = any(_whole_name(c, "root") for c in carrying[1:])
        alone = _is_top(obj, best, carrying) and not others
        return best, "sure" if alone else "likely", f"{why}, and is named like one"
    return best, "guess", f"{why}; so do {', '.join(c.bone for c in carrying[1:4])}"


def _object_root(obj: Any, feet: Sequence[Control]) -> Answer:
    """The armature object itself, where its own keys say that it is what moves about."""
    paths = {c.data_path for c in host.fcurves_of(obj) or ()}
    own = Control(obj.name)
    if obj.parent is None and data_path_location(own) in paths:
        return own, "likely", f"no bone is the root; the object {obj.name!r} itself is moved"
    what = "the body and the feet" if feet else "the COG control"
    return None, "sure", f"no root: no control carries {what}"


def find_pelvis(obj: Any, cog: Control, legs: Sequence[Leg], probe: Probe) -> Answer:
    """Find the bone that holds all thighs and moves with the COG control."""
    follow = probe(cog)
    lines = [[p.name for p in pose_bone(leg.hip).parent_recursive] for leg in legs]
    shared = [n for n in (lines[0] if lines else []) if all(n in line for line in lines)]
    if shared and shared[0] == cog.bone:
        return None, "sure", f"{label(cog)!r} holds all thighs itself: it is measured"
    above = {p.name for p in pose_bone(cog).parent_recursive} if cog.bone else set()
    if shared and shared[0] not in above and follow is not None:
        bone = Control(obj.name, shared[0])
        if follow.carries([bone]):
            return bone, "sure", f"{bone.bone!r} holds all thighs and moves with {label(cog)!r}"
    below = with_all_below(obj, [cog.bone]) - {cog.bone}
    holding = {name for line in lines for name in line}
    named = [
        Control(obj.name, b.name)
        for b in obj.pose.bones
        if b.name in below
        and not side(b.name)
        and rank(b.name, "pelvis") is not None
        and (not legs or b.name in holding)
    ]
    moving = [c for c in named if follow is not None and follow.carries([c])]
    if moving:
        best = min(moving, key=lambda c: _order(obj, c, "pelvis"))
        return best, "likely", f"{best.bone!r} is named like a pelvis and moves with {label(cog)!r}"
    return None, "likely", f"no pelvis under {label(cog)!r}: the COG control itself is measured"
