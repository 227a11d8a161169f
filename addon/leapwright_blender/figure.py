# SPDX-License-Identifier: GPL-3.0-or-later
"""Controls of a figure without bones: objects that are parented to one another."""

from __future__ import annotations

from typing import Any

from leapwright.naming import ROLES, rank, words

from .space import Control

__all__ = ["find_figure", "members"]

Answer = tuple[Any, str, str]
# Helpers that stand beside a figure and are no part of its body.
_NO_PARTS = frozenset(("CAMERA", "LIGHT", "LIGHT_PROBE", "SPEAKER", "ARMATURE"))


def members(obj: Any) -> list[Any]:
    """The object and all objects parented to it, parents first; rigs are left out with theirs."""
    found = [obj]
    for child in obj.children:
        if child.type not in _NO_PARTS:
            found += members(child)
    return found


def find_figure(obj: Any) -> dict[str, Answer]:
    """Answers for root, COG control and feet, each with how sure and why.

    A part that is named like a body and does not carry the feet is the COG control, parts named
    like feet are the feet, the object itself is the root. With none of that the object itself is
    the COG control.
    """
    parts = members(obj)[1:]
    own = Control(obj.name)
    feet = [p for p in parts if _names_a_foot(obj, p)]
    feet = [p for p in feet if not any(q in feet for q in _above(p, obj))]
    steady = [p for p in parts if p not in feet and not any(q in feet for q in _above(p, obj))]
    bodies = [p for p in steady if _place(obj, p) is not None]
    bodies.sort(key=lambda p: (_place(obj, p), len(_above(p, obj))))
    if bodies:
        best = [p for p in bodies if _place(obj, p) == _place(obj, bodies[0])]
        found = _with_body(obj, bodies[0], feet)
        if len(best) > 1:
            why = f"{best[0].name!r} is named like a body; so is {best[1].name!r}"
            found["cog"] = (found["cog"][0], "guess", why)
        return found
    free = [p for p in feet if p.parent == obj]
    largest = sorted(
        (p for p in steady if p.parent == obj), key=lambda p: (-len(members(p)), -_size(p))
    )
    if len(free) > 1 and largest:
        body = largest[0]
        why = f"{body.name!r} is the largest part that is no foot; no part is named like a body"
        return {**_with_body(obj, body, free), "cog": (Control(body.name), "guess", why)}
    why = f"{obj.name!r} has no bones: the object itself is the COG control"
    how = "sure"
    if (rig := _rig_at(obj)) is not None:
        how = "guess"
        why = f"{obj.name!r} has no bones, but the rig {rig.name!r} goes with it: give that instead"
    elif parts:
        how = "likely"
        why = f"no part of {obj.name!r} is named like a body: the object itself is the COG control"
    said = "no parts named like feet" if parts else ""
    return {"cog": (own, how, why), "root": (None, how, ""), "feet": ((), "likely", said)}


def _rig_at(obj: Any) -> Any:
    """A rig that deforms the object or hangs on it: the likelier choice."""
    deforming = (m.object for m in obj.modifiers if m.type == "ARMATURE" and m.object is not None)
    below = (o for o in obj.children_recursive if o.type == "ARMATURE")
    return next(iter((*deforming, *below)), None)


def _with_body(obj: Any, body: Any, feet: list[Any]) -> dict[str, Answer]:
    free = [p for p in feet if body not in _above(p, obj)]
    whole = (_place(obj, body) or 0) < len(ROLES["cog"])
    why = f"{body.name!r} moves with {obj.name!r}"
    if free:
        why += " and leaves the feet"
    cog = (Control(body.name), "sure" if free and whole else "likely", f"{why}, named like a body")
    listed = ", ".join(p.name for p in free)
    said = f"foot controls {listed}: named like feet, not moved by {body.name!r}"
    if not free:
        held = ", ".join(p.name for p in feet)
        said = f"the feet ({held}) move with {body.name!r}" if held else "no parts named like feet"
    root = (Control(obj.name), "sure", f"{obj.name!r} carries the COG control and all parts")
    controls = tuple(Control(p.name) for p in sorted(free, key=lambda p: p.name))
    return {
        "cog": cog,
        "root": root,
        "feet": (controls, "sure" if len(free) > 1 else "likely", said),
    }


def _above(part: Any, top: Any) -> list[Any]:
    """Parents of a part below the top object, nearest first."""
    found = []
    while part.parent is not None and part.parent != top:
        part = part.parent
        found.append(part)
    return found


def _bare(obj: Any, part: Any) -> str:
    """A part's name without the words that the figure itself is called."""
    shared = set(words(obj.name))
    return " ".join(w for w in words(part.name) if w not in shared) or part.name


def _place(obj: Any, part: Any) -> int | None:
    """How well a part's name fits a body; only whole names count."""
    place = rank(_bare(obj, part), "cog")
    return place if place is not None and place < len(ROLES["cog"]) else None


def _names_a_foot(obj: Any, part: Any) -> bool:
    name = _bare(obj, part)
    return rank(name, "foot") is not None and rank(name, "hand") is None


def _size(part: Any) -> float:
    x, y, z = part.dimensions
    return float(x * y * z)
