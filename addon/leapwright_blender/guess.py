# SPDX-License-Identifier: GPL-3.0-or-later
"""Which keyed frames are which poses of a jump, by how high the COG is and where the feet stand."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.errors import InputError, NotFoundError
from leapwright_blender.ground import ground_of
from leapwright_blender.poses import cog_on
from leapwright_blender.read import read_curves
from leapwright_blender.rig import Controls
from leapwright_blender.sample import sample

__all__ = ["guess_poses", "moments_by_height"]

Floats = NDArray[np.float64]

STANDS_M = 0.02
"""Feet that are as near as this to where they stood still stand there, m."""

MOST_POSES = 30
"""More keyed frames than this are no poses to be timed, but animation."""


def guess_poses(obj: Any, scene: Any, controls: Controls) -> dict[str, float]:
    """Say which moment each posed frame is; what is not clear is left out.

    Parameters
    ----------
    obj : bpy.types.Object
    scene : bpy.types.Scene
    controls : Controls

    Returns
    -------
    dict of moment to frame
        In time order: crouch and apex at least.

    Raises
    ------
    NotFoundError
        There are no posed frames.
    InputError
        The COG does not go up and come down over them, or they are too many.
    """
    frames = _posed_frames(obj)
    ground = ground_of(scene)
    heights = cog_on(obj, scene, ground, controls, frames)[:, 2]
    feet = None
    if controls.soles:
        feet = ground.to_plan(sample(obj, frames, [*controls.soles], scene=scene).positions)
    return moments_by_height(frames, heights, feet)


def moments_by_height(
    frames: ArrayLike, heights: ArrayLike, feet: ArrayLike | None = None
) -> dict[str, float]:
    """Name posed frames: the apex is the highest, crouch and low the lowest before and after it.

    Parameters
    ----------
    frames : array_like, shape (F,)
        Increasing.
    heights : array_like, shape (F,)
        Of the COG, m.
    feet : array_like, shape (S, F, 3), optional
        Places of the soles, m. Where they never leave, there are the poses on the ground alone.
        Take-off is the last frame after the crouch on which some sole is
        where it stood, land the first before the low. Without feet they are named only where one
        frame alone can be meant.

    Raises
    ------
    InputError
        The COG does not go up and come down, and the feet do not stand still below it.

    Examples
    --------
    >>> moments_by_height([1, 2, 3, 4, 5, 6], [0.8, 0.6, 0.9, 1.7, 0.9, 0.7])
    {'start': 1.0, 'crouch': 2.0, 'takeoff': 3.0, 'apex': 4.0, 'land': 5.0, 'low': 6.0}
    """
    at, high = (np.asarray(x, dtype=np.float64) for x in (frames, heights))
    top = int(np.argmax(high))
    stand = None if feet is None else np.asarray(feet, dtype=np.float64)
    if not 0 < top < len(at) - 1:
        return _on_the_ground(at, high, stand)
    crouch = int(np.argmin(high[:top]))
    low = top + 1 + int(np.argmin(high[top + 1 :]))
    found = {
        "start": _one(range(crouch)),
        "crouch": crouch,
        "takeoff": _standing(stand, crouch, range(crouch + 1, top), last=True),
        "apex": top,
        "land": _standing(stand, low, range(top + 1, low), last=False),
        "low": low,
        "end": _one(range(low + 1, len(at))),
    }
    if found["land"] is None and low == top + 1:
        # One pose after the apex is where it lands: nothing was posed lower.
        found["land"], found["low"] = low, None
    return {name: float(at[i]) for name, i in found.items() if i is not None}


def _on_the_ground(at: Floats, high: Floats, stand: Floats | None) -> dict[str, float]:
    """Poses of feet that never leave: the crouch is the lowest, the take-off the one after it."""
    crouch = int(np.argmin(high))
    after = _one(range(crouch + 1, len(at)))
    away = np.inf if stand is None else np.linalg.norm(stand - stand[:, [crouch]], axis=2).min(0)
    if after is None or np.max(away) >= STANDS_M:
        raise InputError(
            "poses: the keyed frames show no jump yet: go to the crouch and to the take-off, and "
            "mark this frame in their rows",
            "poses",
        )
    found = {"start": _one(range(crouch)), "crouch": crouch, "takeoff": after}
    return {name: float(at[i]) for name, i in found.items() if i is not None}


def _one(some: range) -> int | None:
    return some[0] if len(some) == 1 else None


def _standing(feet: Floats | None, home: int, some: range, *, last: bool) -> int | None:
    """The last (or first) of some frames on which a sole is where it stands at `home`."""
    if feet is None or len(some) < 2:
        return _one(some)
    away = np.linalg.norm(feet[:, some] - feet[:, [home]], axis=2).min(axis=0)
    there = [some[i] for i in np.flatnonzero(away < STANDS_M)]
    return (there[-1] if last else there[0]) if there else None


def _posed_frames(obj: Any) -> Floats:
    """Whole frames on which at least half as many channels are keyed as on the fullest one."""
    data = obj.animation_data
    curves = None if data is None or data.action is None else read_curves(obj).curves
    if curves is None or not len(curves.frame):
        raise NotFoundError(f"{obj.name!r} has no keyed poses: key them, or mark them by hand")
    frames, counts = np.unique(np.rint(curves.frame), return_counts=True)
    posed = frames[2 * counts >= np.max(counts)].astype(np.float64)
    if len(posed) > MOST_POSES:
        raise InputError(
            f"poses: {len(posed)} frames are keyed alike: these are no poses to be timed, but "
            "animation; mark the poses by hand",
            "poses",
        )
    return posed
