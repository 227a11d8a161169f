# SPDX-License-Identifier: GPL-3.0-or-later
"""The frame of reference of a jump in a scene: which way is up, how long a metre, how fast time."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.errors import InputError
from leapwright_blender import sample

__all__ = ["Ground", "ground_of"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Ground:
    """What turns world places into those of a plan.

    Attributes
    ----------
    axes : ndarray, shape (3, 3)
        Rows: the plan's x, y and up, as world directions. With gravity along -Z they are X, Y, Z.
    metres : float
        Metres in a Blender unit.
    frame_rate : Fraction
    gravity : float
        m/s².
    """

    axes: Floats
    metres: float
    frame_rate: Fraction
    gravity: float

    def to_plan(self, world: Floats) -> Floats:
        """World places (..., 3) in Blender units as plan places in m."""
        return np.asarray(world @ self.axes.T * self.metres)

    def to_world(self, plan: Floats) -> Floats:
        """Plan places (..., 3) in m as world places in Blender units."""
        return np.asarray(plan @ self.axes / self.metres)


def ground_of(scene: Any) -> Ground:
    """Read a scene's units, frame rate and gravity.

    Raises
    ------
    InputError
        The scene has no gravity: nothing comes down, and there is no up.
    """
    vector = sample.gravity(scene)
    strength = float(np.linalg.norm(vector))
    if strength < 1e-9:
        raise InputError("the scene's gravity must not be zero: there is no up and down", "gravity")
    up = -vector / strength
    # World X stays the plan's x as far as it is level; where it is not, Y takes its place.
    reference = np.array([1.0, 0.0, 0.0]) if abs(up[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    x = reference - up * (reference @ up)
    x /= np.linalg.norm(x)
    return Ground(
        axes=np.stack([x, np.cross(up, x), up]),
        metres=sample.metres_per_unit(scene),
        frame_rate=sample.frame_rate(scene),
        gravity=strength,
    )
