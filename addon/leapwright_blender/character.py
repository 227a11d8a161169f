# SPDX-License-Identifier: GPL-3.0-or-later
"""What of a file belongs to a character: everything whose keys must keep time with its jump.

A rig is rarely alone: faces live in shape keys, satchels hang on hands, a figure may have no bones
at all. Other characters that merely ride along are named apart and left alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import blake2b
from typing import Any

import bpy

from leapwright.errors import NotFoundError
from leapwright.fingerprint import fingerprints

from . import host
from .figure import members
from .legs import find_legs
from .read import read_curves
from .store import PROPERTY, load

__all__ = ["Holder", "holders", "print_of"]

# Constraints that take their owner along; those that only turn it to look are no tie.
_TIES = frozenset(
    (
        "ARMATURE",
        "CHILD_OF",
        "COPY_LOCATION",
        "COPY_ROTATION",
        "COPY_SCALE",
        "COPY_TRANSFORMS",
        "PIVOT",
        "TRANSFORM",
    )
)
_KINDS = {"objects": "", "shape_keys": "shape keys", "armatures": "armature data"}


@dataclass(frozen=True, slots=True)
class Holder:
    """A data-block that holds keys, by name.

    Parameters
    ----------
    kind : str
        Collection of ``bpy.data``: ``"objects"``, ``"shape_keys"`` or ``"armatures"``.
    name : str
    why : str
        Why it belongs to the character, in a few words.
    """

    kind: str
    name: str
    why: str

    @property
    def block(self) -> Any:
        """The data-block; NotFoundError when it is gone."""
        found = getattr(bpy.data, self.kind).get(self.name)
        if found is None:
            raise NotFoundError(f"{self.label!r} is no longer in this file")
        return found

    @property
    def label(self) -> str:
        """Short name for messages: "Satchel", "Key (shape keys)"."""
        kind = _KINDS[self.kind]
        return f"{self.name} ({kind})" if kind else self.name


def holders(obj: Any, *, props: bool = True) -> tuple[Holder, ...]:
    """List what belongs to a character and has keys of its own; the rig is always the first.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig, or the top object of a figure without bones.
    props : bool
        Also objects (and their shape keys) that are parented or constrained to the character,
        to its parts, or to each other; cameras and lights among them say so.

    Returns
    -------
    tuple of Holder
        The rig, its armature data, parts and meshes that it moves with their shape keys, props.
    """
    found = [Holder("objects", obj.name, "the rig itself")]
    found += _inside(obj, "of the rig itself")
    for part, why in _parts(obj):
        found += _of(part, why)
    if props:
        for prop, why in _riding(obj):
            found += _of(prop, why)
    # Several meshes may share one data-block; the first reason stands.
    first: dict[tuple[str, str], Holder] = {}
    for holder in found:
        first.setdefault((holder.kind, holder.name), holder)
    return tuple(first.values())


def print_of(obj: Any) -> str:
    """A short text that is another one once a key of the character is another one.

    Parameters
    ----------
    obj : bpy.types.Object
        Its rig. Props do not count.
    """
    digest = blake2b(digest_size=12)
    for holder in holders(obj, props=False):
        curves = read_curves(holder.block).curves
        names = [f"{c.label}:{n}" for c, n in zip(curves.channels, curves.starts[1:], strict=True)]
        digest.update("\n".join([holder.label, *names, *fingerprints(curves)]).encode())
    return digest.hexdigest()


def _of(obj: Any, why: str) -> list[Holder]:
    own = [Holder("objects", obj.name, why)] if host.animated(obj) else []
    return [*own, *_inside(obj, f"of {obj.name!r}, {why}")]


def _inside(obj: Any, whose: str) -> list[Holder]:
    """Shape keys and armature data of an object, as far as they have keys."""
    data = obj.data
    found = []
    if obj.type == "ARMATURE" and host.animated(data):
        found.append(Holder("armatures", data.name, f"armature data {whose}"))
    keys = getattr(data, "shape_keys", None)
    if keys is not None and host.animated(keys):
        found.append(Holder("shape_keys", keys.name, f"shape keys {whose}"))
    return found


def _parts(obj: Any) -> list[tuple[Any, str]]:
    """Objects of a figure; meshes (curves, lattices) that a rig deforms."""
    if obj.pose is None:
        return [(o, f"part of {obj.name!r}") for o in members(obj)[1:]]
    return [(o, f"deformed by {obj.name!r}") for o in bpy.data.objects if _deforms(obj, o)]


def _deforms(rig: Any, obj: Any) -> bool:
    by_parent = obj.parent == rig and obj.parent_type == "ARMATURE"
    return by_parent or any(m.type == "ARMATURE" and m.object == rig for m in obj.modifiers)


def _riding(obj: Any) -> list[tuple[Any, str]]:
    """Props of a character, each with how it is tied: no other character, nor what hangs on one."""
    ties: dict[str, list[tuple[Any, str]]] = {}
    for other in bpy.data.objects:
        for target, why in _ties(other):
            ties.setdefault(target.name, []).append((other, why))
    parts = [part for part, _ in _parts(obj)]
    # What holds the character up is no prop of it, even where it is constrained to it in turn.
    seen = {obj.name, *(part.name for part in parts), *(up.name for up in _above(obj))}
    waiting = [obj, *parts]
    riding: list[tuple[Any, str]] = []
    while waiting:
        for prop, why in ties.get(waiting.pop(0).name, []):
            if prop.name in seen:
                continue
            seen.add(prop.name)
            if _is_character(prop):
                continue
            riding.append((prop, why))
            waiting.append(prop)
    return riding


def _above(obj: Any) -> Iterator[Any]:
    while (obj := obj.parent) is not None:
        yield obj


def _is_character(obj: Any) -> bool:
    jumps = PROPERTY in obj or bool(load(obj))
    return jumps or (obj.type == "ARMATURE" and bool(find_legs(obj)))


def _ties(obj: Any) -> Iterator[tuple[Any, str]]:
    """What an object is parented or constrained to, and how, in a few words."""
    kind = {"CAMERA": "camera ", "LIGHT": "light "}.get(obj.type, "")
    if obj.parent is not None:
        to = f"{obj.parent_bone!r} of " if obj.parent_type == "BONE" else ""
        yield obj.parent, f"{kind}parented to {to}{obj.parent.name!r}"
    owners = [obj, *(obj.pose.bones if obj.pose else ())]
    for con in (c for owner in owners for c in owner.constraints):
        if con.type not in _TIES or con.mute:
            continue
        aims = list(con.targets) if con.type == "ARMATURE" else [con]
        for aim in aims:
            if aim.target is not None and aim.target != obj:
                to = f"{aim.subtarget!r} of " if aim.subtarget else ""
                yield aim.target, f"{kind}constrained to {to}{aim.target.name!r}"
