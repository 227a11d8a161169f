# SPDX-License-Identifier: GPL-3.0-or-later
"""Keys on everything at every moment, so that each moment is a whole pose."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import (
    Channel,
    Curves,
    Handle,
    Interpolation,
    concat,
    keys_at,
    select,
)
from leapwright.errors import NotFoundError
from leapwright.insert import insert_keys
from leapwright.naming import is_never
from leapwright_blender.course import Course
from leapwright_blender.leg import is_animators
from leapwright_blender.schedule import KINDS

__all__ = ["whole_pose"]

_TURNS = {"QUATERNION": ("rotation_quaternion", 4), "AXIS_ANGLE": ("rotation_axis_angle", 4)}


def whole_pose(
    obj: Any,
    curves: Curves,
    course: Course,
    *,
    which: str,
    never: Sequence[str],
    closed: Collection[Channel],
    stepped: bool,
) -> Curves:
    """Keys at all moments that change no shape: the channels that get some.

    Parameters
    ----------
    curves : Curves
        All channels of the rig as the jump has them.
    which : {"touched", "selected", "all"}
        Channels that are keyed already; or, beside those of them that they have, place, turn and
        scale of the selected controls, or of all.
    never : sequence of str
        Channels that are never keyed, as in `leapwright.naming.is_never`.
    closed : collection of Channel
        Driven and locked channels: they are left alone.
    stepped : bool
        New keys are constant.

    Raises
    ------
    NotFoundError
        No control is selected.
    """
    if which == "touched":
        wanted = list(curves.channels)
    else:
        wanted = [c for bone in _controls(obj, which) for c in _channels(bone, never)]
    wanted = [c for c in wanted if c not in closed]
    place = {c: i for i, c in enumerate(curves.channels)}
    keyed = select(curves, [place[c] for c in wanted if c in place])
    frames = course.frames
    parts = [_inserted(keyed, course, stepped)]
    parts += [_held(obj, c, course, stepped) for c in wanted if c not in place]
    return _changed(concat(parts), curves, frames)


def _controls(obj: Any, which: str) -> list[Any]:
    bones = [b for b in obj.pose.bones if is_animators(b) or b.custom_shape] if obj.pose else []
    if which == "all":
        return bones or [obj]
    chosen = [b for b in bones if _selected(b)]
    if not obj.pose and obj.select_get():
        chosen = [obj]
    if not chosen:
        raise NotFoundError(f"key=selected: no control of {obj.name!r} is selected")
    return chosen


def _selected(bone: Any) -> bool:
    own = getattr(bone, "select", None)
    return bool(bone.bone.select if own is None else own)


def _channels(holder: Any, never: Sequence[str]) -> list[Channel]:
    """Place, turn and scale of a control, without what is locked."""
    bone = hasattr(holder, "bone")
    path = holder.path_from_id() + "." if bone else ""
    group = holder.name if bone else "Object Transforms"
    turn, width = _TURNS.get(holder.rotation_mode, ("rotation_euler", 3))
    locks = list(holder.lock_rotation)
    if width == 4:
        locks = [holder.lock_rotation_w if holder.lock_rotations_4d else False, *locks]
    named = (("location", holder.lock_location), (turn, locks), ("scale", holder.lock_scale))
    joined = bone and holder.bone.use_connect and holder.parent is not None
    return [
        Channel(path + name, i, group)
        for name, locked in named
        for i in range(len(locked))
        if not locked[i]
        and not (name == "location" and joined)
        and not is_never(never, holder.name, name)
    ]


def _inserted(keyed: Curves, course: Course, stepped: bool) -> Curves:
    """Keys at all moments, each of its moment's kind."""
    now = keyed
    for knot, frame in zip(course.knots, course.frames.tolist(), strict=True):
        now = insert_keys(now, np.arange(len(now.channels)), [frame], kind=KINDS[knot])
    if not stepped:
        return now
    at = np.zeros(len(now.frame), dtype=bool)
    at[keys_at(now, course.frames).index] = True
    constant = np.where(at, Interpolation.CONSTANT, now.interpolation)
    return replace(now, interpolation=constant.astype(np.int32))


def _held(obj: Any, channel: Channel, course: Course, stepped: bool) -> Curves:
    """A channel without keys: what it is at, at every moment."""
    value = obj.path_resolve(channel.data_path)[channel.index]
    count = len(course.frames)
    return Curves.checked(
        [channel],
        [0, count],
        course.frames,
        np.full(count, float(value)),
        left_type=Handle.AUTO_CLAMPED,
        right_type=Handle.AUTO_CLAMPED,
        interpolation=Interpolation.CONSTANT if stepped else Interpolation.BEZIER,
        kind=[int(KINDS[knot]) for knot in course.knots],
    )


def _changed(after: Curves, before: Curves, frames: NDArray[np.float64]) -> Curves:
    """Only the channels that have more keys than before."""
    counts = {c: int(n) for c, n in zip(before.channels, np.diff(before.starts), strict=True)}
    more = [
        i
        for i, (c, n) in enumerate(zip(after.channels, np.diff(after.starts), strict=True))
        if int(n) != counts.get(c, 0)
    ]
    return select(after, more)
