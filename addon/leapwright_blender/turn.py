# SPDX-License-Identifier: GPL-3.0-or-later
"""Rotation channels of a bone: from their numbers to rotations and back, without flips."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from mathutils import Euler, Matrix
from numpy.typing import NDArray

from leapwright.curves import Channel
from leapwright.leg import rotation_about

from . import host

__all__ = ["Turn", "played_values", "standing", "turn_of"]

Floats = NDArray[np.float64]

_WIDE = {"rotation_quaternion": 4, "rotation_euler": 3, "rotation_axis_angle": 4}


@dataclass(frozen=True, slots=True)
class Turn:
    """How a bone is turned.

    Attributes
    ----------
    bone : str
    mode : str
        ``"QUATERNION"``, ``"AXIS_ANGLE"``, or an order of axes such as ``"XYZ"``.
    channels : tuple of Channel
        Its three or four rotation channels.
    """

    bone: str
    mode: str
    channels: tuple[Channel, ...]

    def matrices(self, values: Floats) -> Floats:
        """Rotations of channel values, as the host turns the bone.

        Parameters
        ----------
        values : ndarray, shape (F, C)

        Returns
        -------
        ndarray, shape (F, 3, 3)
        """
        if self.mode == "QUATERNION":
            return _of_quaternions(values)
        if self.mode == "AXIS_ANGLE":
            return rotation_about(_unit(values[:, 1:]), values[:, 0])
        first, second, third = ("XYZ".index(axis) for axis in self.mode)
        turns = [rotation_about(np.eye(3)[[axis]], values[:, axis]) for axis in range(3)]
        return turns[third] @ turns[second] @ turns[first]

    def values(self, matrices: Floats, posed: Floats, *, near: Floats) -> Floats:
        """Channel values of rotations, each the nearest to its neighbour's.

        Parameters
        ----------
        matrices : ndarray, shape (F, 3, 3)
        posed : ndarray, shape (F, C)
            Values that are given, with NaN in the other rows. Runs start from the given rows,
            which come back as they are.
        near : ndarray, shape (C,)
            What the first row is nearest to, where none is given.

        Returns
        -------
        ndarray, shape (F, C)
        """
        free = np.isnan(posed).any(axis=1)
        given = np.flatnonzero(~free)
        values, quaternions = np.array(posed), _to_quaternions(matrices)
        if not given.size:
            values[0] = self._near(matrices[0], quaternions[0], near)
        first = int(given[0]) if given.size else 0
        order = [(i, i - 1) for i in range(first + 1, len(posed))]
        order += [(i, i + 1) for i in range(first - 1, -1, -1)]
        for row, neighbour in order:
            if free[row]:
                values[row] = self._near(matrices[row], quaternions[row], values[neighbour])
        if self.mode == "QUATERNION" and given.size:
            # Keys need not be of length 1: then what lies between is not either.
            length = np.linalg.norm(values[given], axis=1)
            values[free] *= np.interp(np.flatnonzero(free), given, length)[:, None]
        return values

    def jumps(self, values: Floats) -> NDArray[np.bool_]:
        """Rows between which values jump though the rotation does not: both rows of each jump."""
        if self.mode == "QUATERNION":
            jump = np.einsum("fi,fi->f", values[1:], values[:-1]) < 0
        elif self.mode == "AXIS_ANGLE":
            jump = np.einsum("fi,fi->f", values[1:, 1:], values[:-1, 1:]) < 0
            jump |= np.abs(np.diff(values[:, 0])) > np.pi
        else:
            jump = (np.abs(np.diff(values, axis=0)) > np.pi / 2).any(axis=1)
        return np.r_[jump, False] | np.r_[False, jump]

    def _near(self, matrix: Floats, quaternion: Floats, near: Floats) -> Any:
        if self.mode == "QUATERNION":
            return quaternion if quaternion @ near >= 0 else -quaternion
        if self.mode == "AXIS_ANGLE":
            return _axis_angle(quaternion, near)
        order: Any = self.mode
        return Matrix(matrix.tolist()).to_euler(order, Euler(near.tolist(), order))


def turn_of(bone: Any) -> Turn:
    """Say how a pose bone is turned."""
    mode = bone.rotation_mode
    name = {"QUATERNION": "rotation_quaternion", "AXIS_ANGLE": "rotation_axis_angle"}.get(
        mode, "rotation_euler"
    )
    path = f'pose.bones["{bpy.utils.escape_identifier(bone.name)}"].{name}'
    return Turn(
        bone=bone.name,
        mode=mode,
        channels=tuple(Channel(path, i, group=bone.name) for i in range(_WIDE[name])),
    )


def played_values(obj: Any, turn: Turn, frames: Floats) -> Floats:
    """Values that the channels play on frames, or where they stand if not keyed: [F, C]."""
    collection = host.fcurves_of(obj)
    found = [
        None if collection is None else collection.find(c.data_path, index=c.index)
        for c in turn.channels
    ]
    still = standing(obj, turn)
    columns = [
        [still[i]] * len(frames) if curve is None else [curve.evaluate(f) for f in frames.tolist()]
        for i, curve in enumerate(found)
    ]
    return np.array(columns, dtype=np.float64).T


def standing(obj: Any, turn: Turn) -> Floats:
    """Where the channels stand just now: [C]."""
    return np.array(obj.path_resolve(turn.channels[0].data_path), dtype=np.float64)


def _unit(v: Floats) -> Floats:
    length = np.linalg.norm(v, axis=1)[:, None]
    return np.asarray(np.where(length > 0, v / np.where(length > 0, length, 1.0), 0.0))


def _of_quaternions(values: Floats) -> Floats:
    w, x, y, z = _unit(values).T
    rows = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
        [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
        [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
    ]
    return np.moveaxis(np.array(rows), -1, 0)


def _to_quaternions(m: Floats) -> Floats:
    """Quaternions (w, x, y, z) of rotations: the largest of four squares shows the rest."""
    t = np.moveaxis(m, 0, -1)
    xx, yy, zz = t[0, 0], t[1, 1], t[2, 2]
    wx, wy, wz = t[2, 1] - t[1, 2], t[0, 2] - t[2, 0], t[1, 0] - t[0, 1]
    xy, xz, yz = t[0, 1] + t[1, 0], t[0, 2] + t[2, 0], t[1, 2] + t[2, 1]
    table = np.array(
        [
            [1 + xx + yy + zz, wx, wy, wz],
            [wx, 1 + xx - yy - zz, xy, xz],
            [wy, xy, 1 - xx + yy - zz, yz],
            [wz, xz, yz, 1 - xx - yy + zz],
        ]
    )
    best = np.einsum("iif->if", table).argmax(axis=0)
    return _unit(table[best, :, np.arange(len(m))])


def _axis_angle(quaternion: Floats, near: Floats) -> Floats:
    """Angle and axis, on the near one's side and in its turn of the circle."""
    sine = float(np.linalg.norm(quaternion[1:]))
    along = _unit(near[None, 1:])[0]
    # Hardly turned, the axis is nobody's: the near one stays.
    axis = quaternion[1:] / sine if sine > 1e-6 or not along.any() else along
    angle = 2 * np.arctan2(sine, quaternion[0])
    if axis @ along < 0:
        axis, angle = -axis, -angle
    angle += 2 * np.pi * np.round((near[0] - angle) / (2 * np.pi))
    size = float(np.linalg.norm(near[1:])) or 1.0
    return np.array([angle, *(axis * size)])
