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

from leapwright.errors import ClashError, HostError, InputError, NotFoundError
from leapwright.naming import some

from .figure import find_figure
from .leg import Leg
from .legs import find_legs
from .probe import probing
from .rigfile import RigFile, bones_named, load_rig_file, rig_file_for
from .soles import find_soles, never_keyed
from .space import Control, Point, label, the_object
from .steered import goals_of
from .trunk import find_cog, find_pelvis, find_root

__all__ = ["Control", "Controls", "Leg", "Point", "find_controls"]

Answer = tuple[Any, str, str]
_LEVELS = ("guess", "likely", "sure")


@dataclass(frozen=True, slots=True)
class Controls:
    """The controls of a rig, and how sure that is.

    Parameters
    ----------
    cog : Control
        The COG control; for a single object without bones the object itself.
    root : Control or None
        What carries everything; an armature object where no bone does and the object is animated.
    pelvis : Control or None
        The bone that carries the legs under the COG control; measured, never keyed.
    feet : tuple of Control
        Foot controls; empty for FK legs and for single objects.
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
        An armature, or any object without bones: then controls are looked for among it and the
        objects that are parented to it.
    root, cog, pelvis : str, optional
        Names (or patterns) of bones, or of objects of a figure without bones.
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
        return _of_figure(obj, named, named_feet, said)
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
        listed = some(several, most=12)
        message = f"`{role}`: {pattern!r} covers several controls: {listed}; give one"
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


def _of_figure(
    obj: Any, named: dict[str, Answer | None], named_feet: Answer | None, said: RigFile
) -> Controls:
    if (given := named["pelvis"]) is not None and given[0] is not None:
        raise NotFoundError(f"`pelvis`: {obj.name!r} has no bones, so it has no pelvis")
    found = find_figure(obj)
    cog = named["cog"] or found["cog"]
    root = named["root"] or found["root"]
    if root[0] == cog[0]:
        if named["root"] is not None and named["cog"] is None:
            what = f"{label(cog[0])!r} is the COG control of this figure; give `cog` too"
            raise NotFoundError(f"`root`: {what}")
        root = (None, "sure", f"no root: {label(cog[0])!r} is the COG control")
    feet = named_feet or found["feet"]
    by_root = root[0] is not None
    why = "the root carries the body and the feet" if by_root else "the COG control moves alone"
    answers = {"root": root, "cog": cog, "feet": feet}
    if root[0] is not None or feet[0]:
        answers["carries"] = ("root" if by_root else "feet", root[1], why)
    return Controls(
        cog=cog[0],
        root=root[0],
        feet=feet[0],
        soles=find_soles(obj, feet[0], (), said),
        carries="root" if by_root else "feet",
        never=never_keyed(obj, root[0]) if said.never is None else said.never,
        sure={role: (how, text) for role, (_, how, text) in answers.items() if text},
    )


def _of_armature(
    obj: Any,
    named: dict[str, Answer | None],
    named_feet: Answer | None,
    said: RigFile,
    scene: Any,
) -> Controls:
    said_of = [answer[0] for answer in named.values() if answer is not None and answer[0]]
    said_of += [] if named_feet is None else named_feet[0]
    others = [*(the_object(c) for c in said_of), *goals_of(obj)]
    with probing(obj, others, scene) as probe:
        legs = find_legs(obj, probe=probe)
        feet_answer = named_feet or _feet(legs)
        feet: tuple[Control, ...] = feet_answer[0]
        if named_feet is not None:
            # A foot that was named may well be a leg's foot by another name: keep the leg.
            legs = tuple(leg for leg in legs if not leg.ik or leg.control in feet) or legs
        cog = named["cog"] or _no_surer(find_cog(obj, legs, feet, probe), _paired(legs))
        root = named["root"] or _no_surer(find_root(obj, cog[0], legs, feet, probe), cog[1])
        pelvis = named["pelvis"] or _no_surer(find_pelvis(obj, cog[0], legs, probe), cog[1])
        follow = probe(root[0]) if root[0] is not None else None
        carried = follow is not None and follow.carries([cog[0], *feet])
    by_root = "the root carries the body and the feet"
    by_feet = "no root carries the feet: COG control and feet move on their own"
    if not feet:
        by_feet = "no root: the COG control carries everything"
    air = ("root", root[1], by_root) if carried else ("feet", root[1], by_feet)
    answers = {"root": root, "cog": cog, "pelvis": pelvis, "feet": feet_answer, "carries": air}
    return Controls(
        cog=cog[0],
        root=root[0],
        pelvis=pelvis[0],
        feet=feet,
        legs=legs,
        soles=find_soles(obj, feet, legs, said),
        carries=air[0],
        never=never_keyed(obj, root[0]) if said.never is None else said.never,
        sure={role: (how, why) for role, (_, how, why) in answers.items()},
    )


def _paired(legs: Sequence[Leg]) -> str:
    """``"likely"`` where a leg lacks its partner on the other side: one may have been missed."""
    sides = [leg.side for leg in legs]
    return "sure" if sides.count("L") == sides.count("R") else "likely"


def _no_surer(answer: Answer, how: str) -> Answer:
    """An answer that rests on another is no surer than that one."""
    control, own, why = answer
    return control, min(own, how, key=_LEVELS.index), why


def _feet(legs: Sequence[Leg]) -> Answer:
    feet = tuple(leg.control for leg in legs if leg.ik)
    turned = [leg for leg in legs if not leg.ik]
    known = all(leg.named for leg in legs)
    bones = ", ".join(leg.foot for leg in turned)
    if feet:
        listed = ", ".join(label(c) for c in feet)
        why = f"foot controls {listed}: they steer IK legs"
        if turned:
            why += f"; the feet {bones} turn with FK legs"
        return feet, _paired(legs) if known and not turned else "likely", why
    if turned:
        how, by = ("likely", "") if known else ("guess", ", going by the build alone")
        return (), how, f"FK legs: keys on the legs hold the planted feet ({bones}){by}"
    return (), "likely", "no feet: no IK legs, no thigh, shin and foot, no mirrored limbs end low"
