# SPDX-License-Identifier: GPL-3.0-or-later
"""Thigh, shin and the bone after it: turned so that the foot is in place.

All places here are in the axes of the rig's object: there bones keep their length, however the
object and its parents are scaled.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from mathutils import Matrix
from numpy.typing import NDArray

from leapwright.curves import Channel
from leapwright.leg import bend

from .leg import Leg
from .sample import Samples
from .space import Control, Point, pose_bone
from .turn import Turn, turn_of

__all__ = ["Limb", "PosedLimb", "between", "limb_of"]

Floats = NDArray[np.float64]

_STEPS = 6
# A knee bent by more than this, in radians, shows its side.
_SHOWN = 0.02
# Rounding of the host's matrices, down a long line of bones.
_UNSCALED = 1e-5


@dataclass(frozen=True, slots=True, eq=False)
class Limb:
    """Bones of a leg that are keyed.

    Attributes
    ----------
    object : str
    bones : tuple of bpy.types.PoseBone
        Thigh, shin, and the bone after the shin if there is one: the foot, or the hock of an
        animal.
    turns : tuple of Turn
        One for each.
    sole : Point
    end : ndarray, shape (4, 4)
        From the last bone to the ankle: where a leg ends with its shin, that is the shin's tail.
    """

    object: str
    bones: tuple[Any, ...]
    turns: tuple[Turn, ...]
    sole: Point
    end: Floats

    @property
    def foot(self) -> bool:
        """Whether there is a bone after the shin."""
        return len(self.bones) > 2

    @property
    def channels(self) -> tuple[Channel, ...]:
        """Rotation channels of the bones, in order."""
        return tuple(c for turn in self.turns for c in turn.channels)

    @property
    def points(self) -> tuple[Control | Point, ...]:
        """What must be sampled to know the limb: see `on`."""
        names = ["", *(b.name for b in self._parents if b is not None)]
        names += [b.name for b in self.bones]
        controls = [Control(self.object, n) for n in dict.fromkeys(names)]
        return (*controls, self.sole)

    @property
    def _parents(self) -> list[Any]:
        """What each hangs on: the thigh on something or nothing, the others on the bone before, or
        on one that hangs on it."""
        return [bone.parent for bone in self.bones]

    def on(self, samples: Samples, rows: NDArray[np.int64]) -> PosedLimb:
        """The limb as it was sampled, on some of the frames."""

        def world(point: Control | Point) -> Floats:
            return samples.matrices[samples.points.index(point)][rows]

        objects = world(Control(self.object))
        local = np.asarray(np.linalg.inv(objects), np.float64)
        parents = [
            np.broadcast_to(np.eye(4), local.shape)
            if bone is None
            else local @ world(Control(self.object, bone.name))
            for bone in self._parents
        ]
        bones = [local @ world(Control(self.object, b.name)) for b in self.bones]
        basis = [
            _convert(bone, matrices, parent, invert=True)
            for bone, matrices, parent in zip(self.bones, bones, parents, strict=True)
        ]
        # A bone may be mirrored: its scale says so, its matrix does not.
        sizes = [
            np.linalg.norm(b[:, :3, :3], axis=1) * np.where(np.array(bone.scale) < 0, -1.0, 1.0)
            for b, bone in zip(basis, self.bones, strict=True)
        ]
        ends = bones[-1] @ self.end
        sole = np.broadcast_to(np.eye(4)[3], (len(rows), 4))
        if self.foot:
            inverse = np.asarray(np.linalg.inv(objects @ ends), np.float64)
            sole = _times(inverse, _heads(world(self.sole)))
        return PosedLimb(
            limb=self,
            world=objects,
            above=parents[0],
            carry=tuple(
                np.asarray(np.linalg.solve(bone, parent), np.float64)
                for bone, parent in zip(bones, parents[1:], strict=False)
            ),
            bones=(bones[0], bones[1], ends),
            places=tuple(b[:, :3, 3] for b in basis),
            sizes=tuple(sizes),
            sole=sole,
            target=ends,
        )


def limb_of(obj: Any, leg: Leg, sole: Point) -> Limb:
    """Find the bones of an FK leg."""
    names = [leg.thigh, leg.shin, *([leg.after] if leg.after else [])]
    bones = tuple(pose_bone(Control(obj.name, n)) for n in names)
    end = np.eye(4)
    if not leg.after:
        end[1, 3] = bones[1].bone.length
    return Limb(obj.name, bones, tuple(turn_of(b) for b in bones), sole, end)


@dataclass(frozen=True, slots=True, eq=False)
class PosedLimb:
    """A limb on F frames.

    Attributes
    ----------
    limb : Limb
    world : ndarray, shape (F, 4, 4)
        The object's world matrices.
    above : ndarray, shape (F, 4, 4)
        What the thigh hangs on.
    carry : tuple of ndarrays, shape (F, 4, 4)
        From the thigh to what the shin hangs on, from the shin to what the bone after it hangs on:
        twist bones and the like between them ride on the upper one.
    bones : tuple of three ndarrays, shape (F, 4, 4)
        Thigh, shin, and the foot (or the end of the shin, where there is no foot).
    places, sizes : tuples of ndarrays, shape (F, 3)
        Location and scale channels of the limb's bones.
    sole : ndarray, shape (F, 4)
        The sole in the axes of the foot.
    target : ndarray, shape (F, 4, 4)
        Where the foot is wanted.
    """

    limb: Limb
    world: Floats
    above: Floats
    carry: tuple[Floats, ...]
    bones: tuple[Floats, ...]
    places: tuple[Floats, ...]
    sizes: tuple[Floats, ...]
    sole: Floats
    target: Floats

    @property
    def length(self) -> float:
        """Hip to ankle of the straight leg, Blender units of the world."""
        hip, knee, ankle = (_heads(b)[:, :3] for b in self.bones)
        pieces = np.linalg.norm(knee - hip, axis=1) + np.linalg.norm(ankle - knee, axis=1)
        return float(np.max(pieces * self._scale))

    @property
    def _scale(self) -> Floats:
        return np.asarray(np.abs(np.linalg.det(self.world[:, :3, :3])) ** (1 / 3))

    def planted(self, held: Floats) -> PosedLimb:
        """The same, wanted at world matrices, shape (F, 4, 4)."""
        return replace(self, target=np.linalg.inv(self.world) @ held @ self.limb.end)

    def solve(self) -> tuple[list[Floats], Floats]:
        """Turn the leg until the bone after the shin is where it is wanted.

        Returns
        -------
        rotations : list of ndarrays, shape (F, 3, 3)
            Of the rotation channels of each of the limb's bones.
        short : ndarray, shape (F,)
            Missing length, as in `leapwright.leg.Bent`, Blender units of the world.
        """
        bones = list(self.bones)
        wanted = _heads(self.target)[:, :3]
        axis = self._knee_axis()
        rotations: list[Floats] = []
        # A leg under something squashed is turned a little off: once more from where it is then.
        for _ in range(_STEPS):
            hip, knee, ankle = (_heads(b)[:, :3] for b in bones)
            bent = bend(hip, knee, ankle, wanted, axis=axis)
            first = self._rotation(0, _turned(bent.thigh, bones[0]), self.above)
            thigh = self._pose(0, first, self.above)
            knee_on = thigh @ self.carry[0]
            second = self._rotation(1, _turned(bent.shin, bones[1]), knee_on)
            shin = self._pose(1, second, knee_on)
            rotations = [first, second]
            if self.limb.foot:
                rotations.append(self._rotation(2, self.target, shin @ self.carry[1]))
            bones = self._chain(rotations)
            off = np.linalg.norm(_heads(bones[2])[:, :3] - wanted, axis=1)
            if (off <= np.abs(bent.short) + 1e-7 * self.length).all():
                break
        return rotations, np.asarray(bent.short * self._scale)

    def miss(self, values: Floats) -> Floats:
        """How far sole or ankle, whichever is more, are off: Blender units of the world, [F].

        Parameters
        ----------
        values : ndarray, shape (F, D)
            Of all rotation channels of the limb.
        """
        bounds = np.cumsum([len(t.channels) for t in self.limb.turns])[:-1]
        columns = np.split(values, bounds, axis=1)
        rotations = [turn.matrices(v) for turn, v in zip(self.limb.turns, columns, strict=True)]
        return self._off(self._chain(rotations)[2], self.sole)

    def miss_of(self, played: PosedLimb) -> Floats:
        """The same of the limb as it was played."""
        return self._off(played.bones[2], played.sole)

    def _off(self, ankle: Floats, sole: Floats) -> Floats:
        place = _heads(ankle) - _heads(self.target)
        step = _times(ankle, sole) - _times(self.target, self.sole)
        off = [_times(self.world[:, :3, :3], d[:, :3]) for d in (place, step)]
        return np.asarray(np.linalg.norm(off, axis=2).max(axis=0))

    def _chain(self, rotations: Sequence[Floats]) -> list[Floats]:
        """Thigh, shin and foot, as these rotations of their channels pose them."""
        thigh = self._pose(0, rotations[0], self.above)
        shin = self._pose(1, rotations[1], thigh @ self.carry[0])
        if not self.limb.foot:
            return [thigh, shin, shin @ self.limb.end]
        return [thigh, shin, self._pose(2, rotations[2], shin @ self.carry[1])]

    def _pose(self, i: int, rotation: Floats, parent: Floats) -> Floats:
        basis = np.zeros_like(parent)
        basis[:, :3, :3] = rotation * self.sizes[i][:, None, :]
        basis[:, :3, 3] = self.places[i]
        basis[:, 3, 3] = 1.0
        return _convert(self.limb.bones[i], basis, parent, invert=False)

    def _rotation(self, i: int, wanted: Floats, parent: Floats) -> Floats:
        """Rotation channels, as matrices, that turn a bone as wanted."""
        basis = _convert(self.limb.bones[i], wanted, parent, invert=True)
        return _nearest_rotation(basis[:, :3, :3] / self.sizes[i][:, None, :])

    def _knee_axis(self) -> Floats:
        """What the knee bends about, from the pose in which it shows best, else from the rest."""
        hip, knee, ankle = (_heads(b)[:, :3] for b in self.bones)
        thigh, shin = _unit(knee - hip), _unit(ankle - knee)
        cross = np.cross(thigh, shin)
        best = int(np.argmax(np.linalg.norm(cross, axis=1)))
        turned = _nearest_rotation(self.bones[0][:, :3, :3])
        if np.linalg.norm(cross[best]) > _SHOWN:
            own = turned[best].T @ cross[best]
        else:
            rest = np.array(self.limb.bones[0].bone.matrix_local, dtype=np.float64)[:3, :3]
            own = rest.T @ _rest_axis(self.limb.bones)
        return np.asarray(turned @ own)


def between(at: Floats, matrices: Floats, frames: Floats) -> Floats:
    """Matrices on frames between those on frames `at`: smoothly from each to the next, [F, 4, 4].

    Places go straight, rotations the short way round.
    """
    if len(at) == 1:
        return np.repeat(matrices, len(frames), axis=0)
    start = np.clip(np.searchsorted(at, frames, side="right") - 1, 0, len(at) - 2)
    u = np.clip((frames - at[start]) / (at[start + 1] - at[start]), 0.0, 1.0)
    u = u * u * (3 - 2 * u)
    found = [
        _blend(matrices[i], matrices[i + 1], part)
        for i, part in zip(start.tolist(), u.tolist(), strict=True)
    ]
    return np.array(found)


def _blend(one: Floats, other: Floats, part: float) -> Floats:
    if part in (0.0, 1.0):
        return one if part == 0.0 else other
    turns = [Matrix(m.tolist()).to_quaternion() for m in (one, other)]
    done = np.eye(4)
    sizes = [np.linalg.norm(m[:3, :3], axis=0) for m in (one, other)]
    signs = np.sign(np.linalg.det(one[:3, :3])) or 1.0
    size = ((1 - part) * sizes[0] + part * sizes[1]) * signs
    done[:3, :3] = np.array(turns[0].slerp(turns[1], part).to_matrix()) * size
    done[:3, 3] = (1 - part) * one[:3, 3] + part * other[:3, 3]
    return done


def _heads(matrices: Floats) -> Floats:
    return matrices[:, :, 3]


def _times(matrices: Floats, rows: Floats) -> Floats:
    return np.asarray(np.einsum("fij,fj->fi", matrices, rows))


def _unit(v: Floats) -> Floats:
    return np.asarray(v / np.maximum(np.linalg.norm(v, axis=1), 1e-30)[:, None])


def _turned(rotation: Floats, matrices: Floats) -> Floats:
    """The same bones turned about their own heads."""
    done = matrices.copy()
    done[:, :3, :3] = rotation @ matrices[:, :3, :3]
    return done


def _nearest_rotation(linear: Floats) -> Floats:
    u, _, v = np.linalg.svd(linear)
    mirrored = np.linalg.det(u @ v) < 0
    u[:, :, 2] *= np.where(mirrored, -1.0, 1.0)[:, None]
    return np.asarray(u @ v)


def _rest_axis(bones: Sequence[Any]) -> Floats:
    """What the knee bends about by the rest pose: as bent there, else towards the toes."""
    thigh, shin, foot = bones[0].bone, bones[1].bone, bones[-1].bone
    hip, knee = (np.array(b.head_local, dtype=np.float64) for b in (thigh, shin))
    ankle = np.array(shin.tail_local if foot == shin else foot.head_local, dtype=np.float64)
    line = _unit(np.array([knee - hip, ankle - knee]))
    bent = np.cross(*line)
    if np.linalg.norm(bent) > _SHOWN:
        return np.asarray(bent)
    toes = _unit(np.array([foot.tail_local - foot.head_local], dtype=np.float64))[0]
    forward = np.cross(toes, line[0])
    if np.linalg.norm(forward) > _SHOWN:
        return np.asarray(forward)
    return np.array(shin.matrix_local, dtype=np.float64)[:3, 0]


def _only_turned(matrices: Floats) -> bool:
    """Whether nothing is scaled: then every way to inherit scale is the same."""
    linear = matrices[:, :3, :3]
    off = np.swapaxes(linear, 1, 2) @ linear - np.eye(3)
    return bool(np.abs(off).max(initial=0.0) < _UNSCALED)


def _convert(bone: Any, matrices: Floats, parents: Floats, *, invert: bool) -> Floats:
    """From channels to the pose, or back (`invert`), with the parent as planned, [F, 4, 4]."""
    rest = np.array(bone.bone.matrix_local, dtype=np.float64)
    above = bone.parent.bone if bone.parent is not None else None
    plain = bone.bone.use_inherit_rotation and (
        bone.bone.inherit_scale == "FULL" or _only_turned(parents)
    )
    if bone.bone.use_local_location and (above is None or plain):
        if above is not None:
            rest = np.linalg.inv(np.array(above.matrix_local, dtype=np.float64)) @ rest
        base = parents @ rest
        return np.asarray(np.linalg.solve(base, matrices) if invert else base @ matrices)
    kept = {"parent_matrix_local": above.matrix_local} if above is not None else {}
    rows = []
    for matrix, parent in zip(matrices.tolist(), parents.tolist(), strict=True):
        given = {**kept, "parent_matrix": Matrix(parent)} if above is not None else {}
        rows.append(
            bone.bone.convert_local_to_pose(
                Matrix(matrix), bone.bone.matrix_local, invert=invert, **given
            )
        )
    return np.array(rows, dtype=np.float64)
