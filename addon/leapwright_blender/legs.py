# SPDX-License-Identifier: GPL-3.0-or-later
"""Legs of a rig: those that foot controls steer, the others joint by joint.

How a leg is built says more than its name: a limb is a leg when its end is low, and a foot control
counts when moving it moves bones that a skin hangs on.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from .leg import Leg, body_bones, with_all_below
from .probe import Probe
from .steered import ik_legs
from .turned import fk_legs

__all__ = ["Leg", "find_legs"]

# A switched-off foot control moves nothing at all; a straight leg follows a pull a little.
_STEERS = 0.1


def find_legs(obj: Any, *, probe: Probe | None = None) -> tuple[Leg, ...]:
    """Legs of an armature: IK legs that are switched on, then FK legs where there are none.

    An IK limb is a leg when its end is at the floor; above that, when its names say foot and not
    hand; where names say neither or both, when its end is at most 35 % of the way up to its own
    first joint. Limbs such as tails are never legs.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig.
    probe : callable, optional
        From `leapwright_blender.probe.probing`: then a leg whose control moves no body bone
        (switched to the other kind by a property) is left out.
    """
    if obj.pose is None:
        return ()
    steered = ik_legs(obj, evaluated=None if probe is None else probe.evaluated)
    on = [leg for leg in steered if probe is None or _steers(obj, leg, probe)]
    found = [*on, *fk_legs(obj, on, probe=probe)]
    sides = [leg.side for leg in found]
    said = [replace(leg, alone=sides.count(leg.side) == 1) for leg in found]
    return tuple(sorted(said, key=lambda leg: (leg.side or "~", leg.foot)))


def _steers(obj: Any, leg: Leg, probe: Probe) -> bool:
    """Whether the foot control moves body bones other than those that hang on it."""
    follow = probe(leg.control)
    if follow is None:
        return True
    own: set[str] = set()
    if leg.control.bone:
        own = {leg.foot}
        if leg.foot_object == obj.name:
            own = with_all_below(obj, own)
    return follow.moves([c for c in body_bones(obj) if c.bone not in own], _STEERS)
