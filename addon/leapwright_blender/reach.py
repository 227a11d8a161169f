# SPDX-License-Identifier: GPL-3.0-or-later
"""How far legs reach, and what a pose asks of them.

A rig may stretch its legs, so that nothing looks wrong at the feet. Reach is therefore measured
from rest lengths, the hip and the place that the ankle is asked to be at.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

from leapwright.errors import NotFoundError

from .leg import Leg, rest_ankle
from .space import Control, pose_bone, world_matrix

__all__ = ["FOLD_DEGREES", "Reach", "fold_length", "leg_reach", "rest_length"]

FOLD_DEGREES = 25.0
"""A knee does not close further than this angle between thigh and shin."""
# Misses smaller than this are the rounding of poses, not a leg that is too short.
_SAID_FROM_M = 5e-4


@dataclass(frozen=True, slots=True)
class Reach:
    """What a pose asks of a leg, in metres.

    Parameters
    ----------
    leg : str
        The leg in words.
    moment : str
        ``"take-off"``, ``"crouch"`` …
    distance, reach, fold : float
        Hip to ankle as asked; the longest and the shortest that the leg can do.
    """

    leg: str
    moment: str
    distance: float
    reach: float
    fold: float

    @property
    def over(self) -> float:
        """Leg that is missing, m; 0 when it reaches."""
        return max(self.distance - self.reach, 0.0)

    @property
    def under(self) -> float:
        """Leg that is too much to fold away, m; 0 when it fits."""
        return max(self.fold - self.distance, 0.0)

    @property
    def text(self) -> str:
        """One plain sentence, empty when the leg can do it."""
        if self.over > _SAID_FROM_M:
            asks = f"{_length(self.over)} more leg than the rig has"
            return f"{self.moment} asks for {asks} ({self.leg})"
        if self.under > _SAID_FROM_M:
            return f"{self.moment} folds the {self.leg} {_length(self.under)} further than it can"
        return ""


def _length(metres: float) -> str:
    return f"{metres * 100:.1f} cm" if metres < 1 else f"{metres:.2f} m"


def _lengths(obj: Any, leg: Leg) -> NDArray[np.float64]:
    """Rest lengths of the thigh and of all below it, armature units, shape [2].

    From joint to joint: the tails of imported bones do not point at the next joint.
    """
    bones = obj.data.bones
    if any(name not in bones for name in leg.chain):
        raise NotFoundError(f"{obj.name!r} has no bones {', '.join(leg.chain)}")
    joints = [np.array(bones[n].head_local, dtype=np.float64) for n in leg.chain]
    joints.append(rest_ankle(obj, leg))
    pieces = np.linalg.norm(np.diff(joints, axis=0), axis=1)
    return np.array([pieces[0], pieces[1:].sum()])


def rest_length(obj: Any, leg: Leg) -> float:
    """Length of the straight leg in the rest pose, armature units."""
    return float(_lengths(obj, leg).sum())


def fold_length(obj: Any, leg: Leg) -> float:
    """Hip to ankle with the knee closed to 25°, armature units."""
    thigh, rest = _lengths(obj, leg)
    cosine = np.cos(np.radians(FOLD_DEGREES))
    return float(np.sqrt(thigh**2 + rest**2 - 2 * thigh * rest * cosine))


def leg_reach(obj: Any, leg: Leg, *, depsgraph: Any = None) -> float:
    """How far the leg reaches from hip to ankle at the current pose, Blender units."""
    depsgraph = depsgraph or bpy.context.evaluated_depsgraph_get()
    return rest_length(obj, leg) * _scale(obj, leg, depsgraph)


def _scale(obj: Any, leg: Leg, depsgraph: Any) -> float:
    """World size of one armature unit at the hip: the rig's scale and its master scale.

    Read above the thigh, since a stretching thigh is itself scaled.
    """
    above = pose_bone(leg.hip, obj=obj).parent
    holder = Control(obj.name, above.name if above is not None else "")
    linear = world_matrix(holder, depsgraph)[:3, :3]
    return float(abs(np.linalg.det(linear)) ** (1 / 3))
