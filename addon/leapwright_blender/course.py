# SPDX-License-Identifier: GPL-3.0-or-later
"""The course of a jump through a scene: the plan laid through the posed bodies."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leapwright import Jump, Path
from leapwright.motion import KNOTS
from leapwright_blender.poses import Stand

__all__ = ["Course", "course_through", "lay_course"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Course:
    """The COG's way in a scene.

    Attributes
    ----------
    knots : tuple of str
        Moments that this jump has, in order; "hold" is where a crouch hold begins.
    frames : ndarray, shape (K,)
    path : Path
        In the plan's axes, m, over seconds from take-off.
    feet_move : ndarray, shape (3,)
        From the feet planted before to the feet planted after, m.
    carry_on : bool
        The body keeps its travel after landing.
    """

    knots: tuple[str, ...]
    frames: Floats
    path: Path
    feet_move: Floats
    takeoff_frame: float
    fps: float
    carry_on: bool = False

    def at(self, frames: Floats) -> Floats:
        """COG on some frames, shape (F, 3), m in the plan's axes."""
        return self.path.at((frames - self.takeoff_frame) / self.fps).position

    def slope(self, frames: Floats) -> Floats:
        """Speed of the COG on some frames, shape (F, 3), m per frame."""
        return self.path.at((frames - self.takeoff_frame) / self.fps).velocity / self.fps

    @property
    def every_frame(self) -> Floats:
        """All whole frames of the jump, and those of its knots."""
        first, last = self.frames[0], self.frames[-1]
        whole = np.arange(np.ceil(first - 1e-6), np.floor(last + 1e-6) + 1)
        return np.unique(np.concatenate([whole, self.frames]))

    def frame(self, knot: str) -> float:
        """On which frame a knot is."""
        return float(self.frames[self.index(knot)])

    def index(self, knot: str) -> int:
        """Where a knot stands."""
        return self.knots.index(knot)


def lay_course(jump: Jump, stands: Mapping[str, Stand], home: Stand) -> Course:
    """Lay a plan through the posed bodies.

    Posed places are kept as they are; the apex is where the arc has it. What is not posed is
    where the plan has it, seen from the body at take-off (`home` when that is not posed).
    """
    planned = jump.path()
    position, velocity = planned.position.copy(), planned.velocity.copy()
    position = position + _takeoff_place(stands, home, position[KNOTS.index("crouch")])
    if "takeoff" in stands and not jump.running:
        # Before take-off and unposed: over the feet, where the body stands at home.
        position[: KNOTS.index("takeoff"), :2] = home.cog[:2]
    for knot, name in enumerate(KNOTS):
        moment = "crouch" if name == "hold" else name
        if moment in stands and moment != "apex":
            position[knot] = stands[moment].cog
    land, low = KNOTS.index("land"), KNOTS.index("low")
    if "low" not in stands and "land" in stands and not jump.carry_on:
        stop = velocity[land, :2] * (planned.times[low] - planned.times[land]) / 2
        position[low, :2] = position[land, :2] + stop
    if "end" not in stands and not jump.carry_on:
        position[-1, :2] = position[low, :2]
    frames = planned.times * float(jump.frame_rate) + jump.moments.takeoff
    there = np.array(
        [
            jump.frames.anticipation > 0,
            jump.frames.crouch_hold > 0,
            True,
            True,
            True,
            True,
            True,
            jump.frames.recover > 0,
        ]
    )
    snapped = np.rint(frames) if float(jump.moments.takeoff).is_integer() else frames
    whole = np.where(np.abs(frames - snapped) < 1e-6, snapped, frames)
    return Course(
        knots=tuple(name for name, is_there in zip(KNOTS, there, strict=True) if is_there),
        frames=whole[there],
        path=Path(planned.times[there], position[there], velocity[there]),
        feet_move=_feet_move(jump, stands, home, position),
        takeoff_frame=float(jump.moments.takeoff),
        fps=float(jump.frame_rate),
        carry_on=bool(jump.carry_on),
    )


def course_through(
    frames: Mapping[str, float],
    stands: Mapping[str, Stand],
    *,
    gravity: float,
    fps: float,
    running: bool = False,
    carry_on: bool = False,
) -> Course:
    """The course through a body that is posed on every knot, on the frames that the poses have.

    The air is the one arc of this gravity from take-off to land, and what is posed at the apex is
    put on it.

    Parameters
    ----------
    frames : mapping of knot to frame
    stands : mapping of knot to Stand
        At least take-off, land, crouch and low.
    gravity : float
        m/s².
    """
    knots = tuple(k for k in KNOTS if k in frames)
    at = np.array([frames[k] for k in knots], dtype=np.float64)
    times = (at - frames["takeoff"]) / fps
    position = np.array([stands[k].cog for k in knots])
    up, top, down = (knots.index(k) for k in ("takeoff", "apex", "land"))
    air = times[down]
    velocity = np.zeros_like(position)
    launch = (position[down] - position[up]) / air + np.array([0, 0, gravity * air / 2])
    fall = np.array([0, 0, -gravity])
    for knot in (up, top, down):
        velocity[knot] = launch + fall * times[knot]
    position[top] = position[up] + times[top] * (launch + fall * times[top] / 2)
    if running:
        velocity[:up, :2] = launch[:2]
    if carry_on:
        velocity[down:, :2] = launch[:2]
    return Course(
        knots=knots,
        frames=at,
        path=Path(times, position, velocity),
        feet_move=stands["land"].held - stands["takeoff"].held,
        takeoff_frame=float(frames["takeoff"]),
        fps=fps,
        carry_on=carry_on,
    )


def _takeoff_place(stands: Mapping[str, Stand], home: Stand, crouch: Floats) -> Floats:
    """Where the COG is at take-off: posed, else above the posed crouch, else as high as at home.
    `crouch` is the planned place seen from take-off."""
    if "takeoff" in stands:
        return stands["takeoff"].cog
    if "crouch" in stands:
        return np.asarray(stands["crouch"].cog - crouch)
    return np.asarray(home.cog - crouch * np.array([1.0, 1.0, 0.0]))


def _feet_move(jump: Jump, stands: Mapping[str, Stand], home: Stand, position: Floats) -> Floats:
    """How far unposed feet go: so that the body stands over them after landing as it did at home,
    and as high over them at land as at take-off. The body, not its raised arms: where the COG
    control holds it."""
    leaves = stands.get("takeoff", home)
    lands, lows = stands.get("land", leaves), stands.get("low", home)
    takeoff, land, low = (
        position[KNOTS.index(knot)] + stand.held - stand.cog
        for knot, stand in (("takeoff", leaves), ("land", lands), ("low", lows))
    )
    level = land[:2] - takeoff[:2] if jump.carry_on else low[:2] - home.held[:2]
    return np.append(level, land[2] - takeoff[2])
