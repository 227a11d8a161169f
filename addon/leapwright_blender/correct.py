# SPDX-License-Identifier: GPL-3.0-or-later
"""Extra keys on the COG control where what is above or below it turns between the poses.

The measured COG then leaves the arc between the keys at the moments. What it misses is measured
on every frame while the planned keys are rehearsed, and given to the COG control.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.sparse import Sparse, interpolate, sparse_keys
from leapwright_blender.course import Course
from leapwright_blender.ground import Ground
from leapwright_blender.ride import Ride
from leapwright_blender.sample import linear_maps
from leapwright_blender.steps import Step, Steps, creeping, part

__all__ = ["Measure", "corrected", "fitted", "moved_share", "settled"]

Floats = NDArray[np.float64]

Measure = Callable[[Floats], Steps[Floats]]
"""The COG on frames, (F,) → (F, 3), m in the plan's axes, as the rig plays just now."""

ROUNDS = 6
"""At most so many times what is still missed is given to the COG control."""

HELD = "holding the COG on its arc"

NEAR = 0.2
"""Every frame is brought to this part of the distance before keys are left out."""

ROOM = 0.8
"""What part of the distance left-out keys may use; half of it where legs are planted after."""

TIGHTER = 0.7
"""Where left-out keys show more than they should, the distance is shortened by this."""

LEAST_SHARE, MOST_SHARE = 0.2, 1.5
"""How much of the COG control's move the COG can be thought to make."""


def corrected(
    obj: Any,
    scene: Any,
    ground: Ground,
    course: Course,
    ride: Ride,
    *,
    cog: Measure,
    posed: Collection[str],
    within: float,
    every_frame: bool = True,
) -> Steps[Ride]:
    """The same ride with what the measured COG misses of its course added; in steps.

    To be called while the ride is rehearsed. Keys are added, as few as hold the COG within a
    distance; posed values stay.

    Parameters
    ----------
    cog : callable
        Measures the COG.
    posed : collection of str
        Knots whose values are poses.
    within : float
        m.
    every_frame : bool
        Otherwise only the ride's own knots are looked at and nothing is added.

    Returns
    -------
    Ride
        The ride itself where it is near enough.
    """
    frames = course.every_frame if every_frame else ride.frames
    missing = course.at(frames) - (yield from cog(frames))
    at_knot = np.searchsorted(frames, ride.frames)
    missing[_stays(frames, ride, posed)] = 0
    if np.max(np.linalg.norm(missing, axis=1)) <= within:
        return ride
    linear = _linear(obj, scene, ground, ride, frames)
    own = np.linalg.solve(linear, missing[..., None])[..., 0]
    if not every_frame:
        return replace(ride, values=ride.values + own)
    return _with(ride, frames, own, fitted(frames, own, linear, at_knot, within))


def settled(
    obj: Any,
    scene: Any,
    ground: Ground,
    course: Course,
    ride: Ride,
    *,
    cog: Measure,
    posed: Collection[str],
    within: float,
    rehearse: Callable[[Ride], None],
    room: float = ROOM,
) -> Steps[Ride]:
    """As `corrected`, for a COG that moves with the body and not just with its control; in steps.

    Planted legs and hands do not come along when the COG control moves: what is missed is given
    to it again until nothing is, and which part of it the COG makes is learned on the way.

    Parameters
    ----------
    rehearse : callable
        Plays another ride in the place of this one.
    room : float
        What part of `within` left-out keys may use.

    Returns
    -------
    Ride
        Rehearsed; the ride itself where it is near enough.
    """
    frames = course.every_frame
    at_knot = np.searchsorted(frames, ride.frames)
    stays = _stays(frames, ride, posed)

    def missed(begun: float, ended: float) -> Steps[Floats]:
        missing = course.at(frames) - (yield from part(cog(frames), begun, ended, HELD))
        missing[stays] = 0
        return missing

    missing = yield from missed(0.0, 0.1)
    if np.max(np.linalg.norm(missing, axis=1)) <= within:
        return ride
    yield Step(0.1, HELD)
    linear = _linear(obj, scene, ground, ride, frames)
    own, share = np.zeros_like(missing), np.ones(len(frames))
    for number in range(ROUNDS):
        begun, ended = (0.1 + 0.6 * creeping(n) for n in (number, number + 1))
        yield Step(begun, HELD)
        by = missing / share[:, None]
        own = own + np.linalg.solve(linear, by[..., None])[..., 0]
        rehearse(_dense(ride, frames, own))
        before = missing
        missing = yield from missed(begun, ended)
        share = moved_share(by, before - missing)
        if np.max(np.linalg.norm(missing, axis=1)) <= NEAR * within:
            break
    asked = within * room
    for number in range(ROUNDS):
        begun, ended = (0.7 + 0.3 * creeping(n) for n in (number, number + 1))
        yield Step(begun, HELD)
        found = fitted(frames, own, linear * share[:, None, None], at_knot, asked)
        made = _with(ride, frames, own, found)
        rehearse(made)
        if np.max(np.linalg.norm((yield from missed(begun, ended)), axis=1)) <= within:
            break
        asked *= TIGHTER
    return made


def fitted(
    frames: Floats,
    own: Floats,
    linear: Floats,
    knots: NDArray[np.int64],
    within: float,
    corners: NDArray[np.bool_] | None = None,
) -> Sparse:
    """As few keys as hold location values within a distance.

    Parameters
    ----------
    frames : ndarray, shape (F,)
    own : ndarray, shape (F, A)
        Values of the location's axes.
    linear : ndarray, shape (F, 3, A)
        COG displacement (m) = matrix @ change of them.
    knots : int array
        Indices of frames that are keyed in any case.
    within : float
        m.
    corners : bool array, shape (F,), optional
        Where slopes may change; default on all `knots`.
    """
    return sparse_keys(
        frames,
        own,
        knots=knots,
        miss=lambda tried: np.linalg.norm(np.einsum("fij,fj->fi", linear, own - tried), axis=1),
        within=within,
        corners=np.isin(np.arange(len(frames)), knots) if corners is None else corners,
    )


def moved_share(by: Floats, moved: Floats) -> Floats:
    """Which part of a move the COG made, frame by frame, shape (F,); where there was next to no
    move, that of all frames together.

    Parameters
    ----------
    by, moved : ndarray, shape (F, 3)
        What the control was moved by, and the COG.
    """
    made, asked = np.sum(by * moved, axis=1), np.sum(by * by, axis=1)
    whole = float(np.sum(made)) / max(float(np.sum(asked)), 1e-30)
    small = asked < 1e-3 * np.max(asked, initial=0.0)
    share = np.where(small, whole, made / np.where(small, 1.0, asked))
    return np.clip(share, LEAST_SHARE, MOST_SHARE)


def _stays(frames: Floats, ride: Ride, posed: Collection[str]) -> NDArray[np.int64]:
    """Indices of the frames on which the ride shows a pose."""
    stays = [("crouch" if name == "hold" else name) in posed for name in ride.knots]
    return np.searchsorted(frames, ride.frames)[np.array(stays, dtype=bool)]


def _linear(obj: Any, scene: Any, ground: Ground, ride: Ride, frames: Floats) -> Floats:
    linear = linear_maps(obj, frames, ride.control, scene=scene)
    return np.asarray(ground.axes @ linear * ground.metres)


def _names(ride: Ride, frames: Sequence[float]) -> tuple[str, ...]:
    names = dict(zip(ride.frames.tolist(), ride.knots, strict=True))
    return tuple(names.get(frame, "") for frame in frames)


def _dense(ride: Ride, frames: Floats, own: Floats) -> Ride:
    """The ride with values added on every frame, each of them keyed."""
    values = ride.play(frames).value + own
    slopes = np.gradient(values, frames, axis=0)
    return Ride(ride.control, _names(ride, frames.tolist()), frames, values, slopes, slopes)


def _with(ride: Ride, frames: Floats, own: Floats, found: Sparse) -> Ride:
    """The ride with values added, keyed where it was found best."""
    at = frames[found.knots]
    played = ride.play(at)
    return Ride(
        ride.control,
        _names(ride, at.tolist()),
        at,
        played.value + interpolate(frames, own, found)[found.knots],
        played.before + found.slopes_in,
        played.after + found.slopes_out,
    )
