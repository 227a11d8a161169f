# SPDX-License-Identifier: GPL-3.0-or-later
"""Keys on everything at every moment, so that each moment is a whole pose."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

from leapwright.curves import (
    MERGE_FRAMES,
    Channel,
    Curves,
    Handle,
    Interpolation,
    concat,
    keys_at,
    select,
)
from leapwright.errors import NotFoundError
from leapwright.insert import insert_at
from leapwright.naming import is_never
from leapwright.playback import evaluate, keys_before
from leapwright_blender.course import Course
from leapwright_blender.leg import is_animators
from leapwright_blender.schedule import KINDS

__all__ = ["WholePose", "selected_paths", "whole_pose"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_ON_BONE = re.compile(r'(?s)pose\.bones\["((?:[^"\\]|\\.)*)"\]\.?(.*)')
_TURNS = {"QUATERNION": ("rotation_quaternion", 4), "AXIS_ANGLE": ("rotation_axis_angle", 4)}


@dataclass(frozen=True, slots=True)
class WholePose:
    """Channels with keys at all moments, and those left without one at some: label and frame."""

    curves: Curves
    without: tuple[tuple[str, float], ...]


def whole_pose(
    obj: Any,
    curves: Curves,
    course: Course,
    *,
    which: str,
    never: Sequence[str],
    closed: Collection[Channel],
    stepped: bool,
) -> WholePose:
    """Keys at all moments that change no shape: the channels that get some.

    Easing segments cannot be split so that they keep their shape, nor those whose handles would
    need a key between frames. There a moment gets no key, unless `stepped`: then the segment
    becomes constant.

    Parameters
    ----------
    curves : Curves
        All channels of the rig as the jump has them.
    which : {"touched", "selected", "all"}
        Channels that are keyed already; or, beside those that they have, place, turn and scale of
        the selected controls; or all of that of all controls.
    never : sequence of str
        Channels that are never keyed, as in `leapwright.naming.is_never`.
    closed : collection of Channel
        Driven, locked and baked channels: they are left alone.
    stepped : bool
        New keys are constant.

    Raises
    ------
    NotFoundError
        No control is selected.
    """
    wanted = list(curves.channels)
    if which != "touched":
        controls = _controls(obj, which)
        names = {control.name for control in controls}
        if which == "selected":
            wanted = [c for c in wanted if _named(obj, c)[0] in names]
        wanted += [c for control in controls for c in _channels(control)]
    shut = set(closed)
    wanted = [
        c for c in dict.fromkeys(wanted) if c not in shut and not is_never(never, *_named(obj, c))
    ]
    place = {c: i for i, c in enumerate(curves.channels)}
    keyed = select(curves, [place[c] for c in wanted if c in place])
    inserted, without = _inserted(keyed, course, stepped)
    held = [_held(obj, c, course, stepped) for c in wanted if c not in place]
    return WholePose(_changed(concat([inserted, *held]), curves), without)


def _named(obj: Any, channel: Channel) -> tuple[str, str]:
    """Name of the control that a channel is of, and of what it moves."""
    on_bone = _ON_BONE.fullmatch(channel.data_path)
    who, what = obj.name, channel.data_path
    if on_bone:
        who, what = bpy.utils.unescape_identifier(on_bone[1]), on_bone[2]
    custom = re.fullmatch(r'(?s)\["(.*)"\]', what)
    return who, bpy.utils.unescape_identifier(custom[1]) if custom else what


def selected_paths(obj: Any) -> tuple[str, ...]:
    """Beginnings of the data paths of the selected controls' channels.

    Raises
    ------
    NotFoundError
        No control is selected.
    """
    chosen = _controls(obj, "selected")
    if not obj.pose:
        return ("",)
    # Its transforms, and its custom properties.
    return tuple(f"{bone.path_from_id()}{end}" for bone in chosen for end in ".[")


def _controls(obj: Any, which: str) -> list[Any]:
    bones = [b for b in obj.pose.bones if is_animators(b) or b.custom_shape] if obj.pose else []
    if which == "all":
        return bones or [obj]
    chosen = [b for b in bones if _selected(b)]
    if not obj.pose and obj.select_get():
        chosen = [obj]
    if not chosen:
        raise NotFoundError(f"`selected`: no control of {obj.name!r} is selected")
    return chosen


def _selected(bone: Any) -> bool:
    own = getattr(bone, "select", None)
    return bool(bone.bone.select if own is None else own)


def _channels(holder: Any) -> list[Channel]:
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
        if not locked[i] and not (name == "location" and joined)
    ]


def _inserted(
    keyed: Curves, course: Course, stepped: bool
) -> tuple[Curves, tuple[tuple[str, float], ...]]:
    """Keys at all moments, each of its moment's kind; and where there could be none."""
    hard = _eased(keyed, course.frames)
    while True:
        base, leave = keyed, hard
        if stepped:
            constant = np.where(hard, Interpolation.CONSTANT, keyed.interpolation)
            base, leave = replace(keyed, interpolation=constant.astype(np.int32)), hard & False
        now = _at_moments(base, course, leave)
        between = _between_frames(now, keyed, course.frames)
        if not between.any():
            break
        hard = hard | between
    if stepped:
        return _as_shown(now, keyed, course.frames), ()
    return now, tuple(_left_out(now, course.frames))


def _eased(curves: Curves, frames: Floats) -> Bools:
    """Keys whose segment is an easing with a moment inside."""
    start = curves.frame.astype(np.float64) + MERGE_FRAMES
    stop = np.append(curves.frame[1:], 0.0)[: len(start)].astype(np.float64) - MERGE_FRAMES
    last = np.zeros(len(start), dtype=bool)
    last[curves.starts[1:][np.diff(curves.starts) > 0] - 1] = True
    inside = np.searchsorted(frames, start) < np.searchsorted(frames, stop)
    return np.asarray((curves.interpolation > Interpolation.BEZIER) & inside & ~last)


def _at_moments(base: Curves, course: Course, leave: Bools) -> Curves:
    """Keys at all moments but for those inside the segments of some keys."""
    every, now = np.arange(len(base.channels)), base
    for knot, frame in zip(course.knots, course.frames.tolist(), strict=True):
        before = keys_before(base, every, frame)
        left = np.zeros(len(every), dtype=bool)
        inside = before >= base.starts[:-1]
        left[inside] = leave[before[inside]]
        home = every[~left]
        now = insert_at(now, home, np.full(len(home), frame), kind=KINDS[knot])
    return now


def _between_frames(now: Curves, before: Curves, frames: Floats) -> Bools:
    """Keys of `before` in whose segments other keys than those of the moments came to be."""
    home = now.channel_of_key()
    extra = ~_were_there(now, before, np.arange(len(home)))
    extra[keys_at(now, frames).index] = False
    found = np.zeros(len(before.frame), dtype=bool)
    found[keys_before(before, home[extra], now.frame[extra].astype(np.float64))] = True
    return found


def _were_there(now: Curves, before: Curves, index: NDArray[np.int64]) -> Bools:
    """Which of some keys are keys of `before`, whose channels are the same."""
    home, frame = now.channel_of_key()[index], now.frame[index].astype(np.float64)
    at = keys_before(before, home, frame)
    inside = at >= before.starts[home]
    there = np.zeros(len(index), dtype=bool)
    there[inside] = before.frame[at[inside]] == frame[inside]
    return there


def _left_out(now: Curves, frames: Floats) -> list[tuple[str, float]]:
    return [
        (channel.label, frame)
        for channel, a, b in _spans(now)
        for frame in frames.tolist()
        if np.abs(now.frame[a:b] - frame).min(initial=1.0) >= MERGE_FRAMES
    ]


def _as_shown(now: Curves, before: Curves, frames: Floats) -> Curves:
    """Stepped keys at the moments; the new ones hold what was shown there before."""
    index = keys_at(now, frames).index
    constant = now.interpolation.copy()
    constant[index] = Interpolation.CONSTANT
    new = index[~_were_there(now, before, index)]
    moment = np.abs(now.frame[new, None] - frames).argmin(axis=1)
    shown = evaluate(before, frames)[now.channel_of_key()[new], moment]
    by = (shown - now.value[new]).astype(np.float32)
    value, left, right = now.value.copy(), now.left.copy(), now.right.copy()
    value[new] += by
    left[new, 1] += by
    right[new, 1] += by
    return replace(now, value=value, left=left, right=right, interpolation=constant)


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


def _changed(after: Curves, before: Curves) -> Curves:
    """Only the channels that have more keys than before, or that step where they did not."""
    was = {c: before.interpolation[a:b] for c, a, b in _spans(before)}
    return select(
        after,
        [
            i
            for i, (c, a, b) in enumerate(_spans(after))
            if c not in was or not np.array_equal(was[c], after.interpolation[a:b])
        ],
    )


def _spans(curves: Curves) -> list[tuple[Channel, int, int]]:
    bounds = curves.starts.tolist()
    return list(zip(curves.channels, bounds[:-1], bounds[1:], strict=True))
