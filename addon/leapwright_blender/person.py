# SPDX-License-Identifier: GPL-3.0-or-later
"""A person among the bones of an armature: which bones, and how high a place is on them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.anatomy import place_of
from leapwright.body import Body, find_body
from leapwright.errors import NotFoundError
from leapwright.naming import is_mechanism

__all__ = ["body_of", "fraction_of_height", "standing_height"]

Floats = NDArray[np.float64]

# A figure stands at rest when its legs are in line with its trunk, within 45 degrees.
_STANDS = 0.7


def body_of(obj: Any, sex: str) -> Body:
    """The figure that an armature's bones make: the deform bones, or else all but machinery.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig.
    sex : str
        The mass table, one of `leapwright.segments.SEXES`.

    Raises
    ------
    NotFoundError
        No trunk was recognised, or there are no bones.
    """
    if obj.pose is None:
        raise NotFoundError(f"segments: {obj.name!r} has no bones")
    bones = list(obj.data.bones)
    parents = {b.name: b.parent.name if b.parent else None for b in bones}
    pools = [
        [b for b in bones if b.use_deform],
        [b for b in bones if not is_mechanism(b.name)],
    ]
    said = None
    for pool in (p for p in pools if p):
        heads = {b.name: np.array([b.head_local]) for b in pool}
        tails = {b.name: np.array([b.tail_local]) for b in pool} if _ends_tell(pool) else {}
        try:
            return find_body(heads, parents=parents, tails=tails, sex=sex)
        except NotFoundError as error:
            said = said or error
    raise NotFoundError(f"segments: {obj.name!r}: {said or 'no bones'}")


def _ends_tell(pool: Sequence[Any]) -> bool:
    """Whether bones end where others begin: some importers make the ends up."""
    starts = np.array([b.head_local for b in pool], dtype=np.float64)
    names = {b.name: number for number, b in enumerate(pool)}
    met = []
    for bone in pool:
        below = [names[c.name] for c in bone.children if c.name in names]
        if below:
            apart = np.linalg.norm(starts[below] - np.array(bone.tail_local), axis=1)
            met.append(bool(apart.min() <= 0.1 * bone.length))
    return 2 * sum(met) >= len(met)


def standing_height(obj: Any, body: Body, place: Floats) -> tuple[float, tuple[str, ...]]:
    """Part of the height of a recognised figure, sole to vertex, along its own up axis.

    Recorded skeletons may rest in any pose: then a note says so.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig.
    body : Body
        From `body_of`.
    place : ndarray, shape (3,)
        In the axes of the rig's object.

    Returns
    -------
    part : float
        0 sole to 1 vertex.
    notes : tuple of str
    """
    heads = {b.name: np.array(b.head_local, dtype=np.float64) for b in obj.data.bones}
    tails = {b.name: np.array(b.tail_local, dtype=np.float64) for b in obj.data.bones}
    low, top = (place_of(mix, heads, tails=tails) for mix in body.trunk)
    up = np.zeros(3)
    axis = int(np.argmax(np.abs(top - low)))
    up[axis] = np.sign((top - low)[axis]) or 1.0
    roles = body.skeleton.roles
    lowest = [heads[roles[r]] for r in roles if r[:-2] in {"foot", "toe", "shin", "thigh"}]
    soles = [tails[roles[r]] for r in roles if r[:-2] in {"foot", "toe"}] if body.has_tails else []
    ends = [place_of(body.vertex, heads, tails=tails), low, top, *lowest, *soles]
    feet = [heads[roles[r]] for r in roles if r.startswith("foot.")]
    leg = low - np.mean(feet, axis=0) if feet else top - low
    along = leg @ (top - low) / max(float(np.linalg.norm(leg) * np.linalg.norm(top - low)), 1e-30)
    notes = () if along > _STANDS else ("at rest it does not stand, so that height says little",)
    return fraction_of_height(place, np.array(ends), up), notes


def fraction_of_height(place: Floats, ends: Floats, up: Floats) -> float:
    """Part of the way up from the lowest to the highest end.

    Parameters
    ----------
    place : ndarray, shape (3,)
    ends : ndarray, shape (ends, 3)
    up : ndarray, shape (3,)
    """
    heights = ends @ up
    low, high = float(np.min(heights)), float(np.max(heights))
    return (float(place @ up) - low) / max(high - low, 1e-30)
