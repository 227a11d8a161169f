# SPDX-License-Identifier: GPL-3.0-or-later
"""What of a character sits in time besides its keys, and must follow a retime.

Curve modifiers, baked curves, an action's frame range and pose markers, NLA strips. Never drivers
(their x is not time), nor markers of the scene, nor anything of another data-block.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np

from leapwright.curves import Channel
from leapwright.timemap import TimeMap
from leapwright_blender import host
from leapwright_blender.baked import retime_baked
from leapwright_blender.character import Holder
from leapwright_blender.modifiers import bears_time, retime_modifier, untimed
from leapwright_blender.nla import left_strips, retime_strips, strips_in_time
from leapwright_blender.read import is_sampled
from leapwright_blender.span import go_to, nearest_frame

__all__ = ["Moved", "Timed", "retime_others", "time_bearing"]


@dataclass(frozen=True, slots=True)
class Timed:
    """What there is besides keys that sits in time, by name.

    Attributes
    ----------
    modifiers, baked, pose_markers, strips, ranges : tuple of str
        Curve modifiers with frames of their own, baked curves, pose markers, NLA strips on
        tracks that play, actions with a frame range of their own.
    said : tuple of str
        What no retime can move, or need not, a sentence each.
    """

    modifiers: tuple[str, ...] = ()
    baked: tuple[str, ...] = ()
    pose_markers: tuple[str, ...] = ()
    strips: tuple[str, ...] = ()
    ranges: tuple[str, ...] = ()
    said: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Moved:
    """How many of each were moved, and a sentence for each that could not be mapped exactly."""

    modifiers: int = 0
    baked: int = 0
    pose_markers: int = 0
    strips: int = 0
    ranges: int = 0
    said: tuple[str, ...] = ()


def time_bearing(
    holders: Sequence[Holder], *, channels: Collection[Channel] | None = None
) -> Timed:
    """List what `retime_others` may move, whatever the map. Nothing is changed.

    Parameters
    ----------
    holders : sequence of Holder
        What belongs to the character.
    channels : collection of Channel, optional
        Only the modifiers and samples of these.
    """
    modifiers, baked, said = [], [], []
    for curve, named in _curves(holders, channels):
        baked += [named] if is_sampled(curve) else []
        modifiers += [_modifier(m, named) for m in curve.modifiers if bears_time(m)]
        said += [told for m in curve.modifiers if (told := untimed(m, _modifier(m, named)))]
    if channels is not None:
        return Timed(tuple(modifiers), tuple(baked), said=tuple(said))
    markers, strips, ranges = [], [], []
    for action, why in _actions(holders):
        found = [marker.name for marker in action.pose_markers if marker.camera is None]
        said += [why] if why and (found or action.use_frame_range) else []
        markers += [] if why else [f"“{name}” of action “{action.name}”" for name in found]
        ranges += [f"action “{action.name}”"] if action.use_frame_range and not why else []
    for holder in holders:
        strips += [f"“{s.name}” of {holder.label}" for s in strips_in_time(holder.block)]
        said += left_strips(holder.block, holder.label)
    return Timed(*(tuple(names) for names in (modifiers, baked, markers, strips, ranges, said)))


def retime_others(
    holders: Sequence[Holder],
    time_map: TimeMap,
    *,
    channels: Collection[Channel] | None = None,
    exact: bool = False,
    subframes: bool = False,
    undo: ExitStack | None = None,
) -> Moved:
    """Send everything that sits in time, but the keys, through a map.

    Parameters
    ----------
    holders : sequence of Holder
        What belongs to the character. What two of them share is moved once.
    time_map : TimeMap
        Frames before to frames after. What lies outside its reach is left to the bit.
    channels : collection of Channel, optional
        Only the modifiers and samples of these; markers, frame ranges and strips stay.
    exact : bool
        Keep shape at corresponding frames: steps of stepped modifiers are stretched (else they
        hold as long as before), envelopes get points where the map bends, the keys of strips are
        split there.
    subframes : bool
        Leave the keys of strips and the ends of frame ranges where the map puts them.
    undo : contextlib.ExitStack, optional
        Gets what takes everything back, for when something later fails.

    Returns
    -------
    Moved

    Raises
    ------
    HostError
        An action that cannot be edited or is shared, as in `host.refuse_if_not_editable`, or
        baked samples that cannot be made anew.
    NotFoundError
        A holder is gone. On any error everything is as it was.
    """
    if time_map.is_identity:
        return Moved()
    blocks = [holder.block for holder in holders]
    for block in blocks:
        host.refuse_if_not_editable(block)
    with ExitStack() as back:
        # Runs last of all, when everything is back.
        back.callback(_tag, blocks)
        modifiers, baked, said = _retime_curves(holders, channels, time_map, back, exact)
        markers = ranges = strips = 0
        if channels is None:
            whole = not (exact or subframes)
            markers, ranges = _retime_actions(holders, time_map, back, whole, said)
            for holder, block in zip(holders, blocks, strict=True):
                count, told = retime_strips(
                    block, time_map, holder.label, back, exact=exact, subframes=subframes
                )
                strips += count
                said += [*told, *left_strips(block, holder.label)]
        done = back.pop_all()
    if undo is not None:
        undo.push(done)
    _tag(blocks)
    return Moved(modifiers, baked, markers, strips, ranges, tuple(said))


def _retime_curves(
    holders: Sequence[Holder],
    channels: Collection[Channel] | None,
    time_map: TimeMap,
    undo: ExitStack,
    exact: bool,
) -> tuple[int, int, list[str]]:
    modifiers = baked = 0
    said: list[str] = []
    for curve, named in _curves(holders, channels):
        if is_sampled(curve):
            changed, told = retime_baked(curve, time_map, named, undo)
            baked += changed
            said += told
        for modifier in curve.modifiers:
            name = _modifier(modifier, named)
            changed, told = retime_modifier(modifier, time_map, name, undo, exact=exact)
            modifiers += changed
            said += told
    return modifiers, baked, said


def _retime_actions(
    holders: Sequence[Holder], time_map: TimeMap, undo: ExitStack, whole: bool, said: list[str]
) -> tuple[int, int]:
    """Move pose markers and frame ranges, and count them."""
    markers = ranges = 0
    for action, why in _actions(holders):
        old = [(m, m.frame) for m in action.pose_markers if m.camera is None]
        new = [(m, nearest_frame(go_to(time_map, frame))) for m, frame in old]
        limits = (action.frame_start, action.frame_end)
        ends = tuple(_end(time_map, frame, whole) for frame in limits)
        moved = [i for i in range(len(old)) if old[i][1] != new[i][1]]
        ranged = action.use_frame_range and not _alike(limits, ends)
        if why:
            said += [why] if moved or ranged else []
            continue
        if moved:
            undo.callback(_set_markers, old)
            _set_markers(new)
        if ranged:
            undo.callback(_set_range, action, limits)
            _set_range(action, ends)
        markers += len(moved)
        ranges += ranged
    return markers, ranges


def _end(time_map: TimeMap, frame: float, whole: bool) -> float:
    """Where an end of a frame range goes: with the key on it, on a whole frame."""
    to = go_to(time_map, frame)
    return float(nearest_frame(to)) if whole and frame == round(frame) else to


def _alike(one: Sequence[float], two: Sequence[float]) -> bool:
    """Whether the host cannot tell them apart."""
    return np.array_equal(np.array(one, np.float32), np.array(two, np.float32))


def _set_markers(pairs: Sequence[tuple[Any, int]]) -> None:
    for marker, frame in pairs:
        marker.frame = frame


def _set_range(action: Any, limits: tuple[float, ...]) -> None:
    # In this order: the host moves the end along where the start would pass it.
    action.frame_start, action.frame_end = limits


def _curves(
    holders: Sequence[Holder], channels: Collection[Channel] | None
) -> Iterator[tuple[Any, str]]:
    """Each curve of the character once, and its name for messages."""
    seen = set()
    for holder in holders:
        block = holder.block
        for curve in host.fcurves_of(block) or ():
            if (place := curve.as_pointer()) in seen:
                continue
            seen.add(place)
            channel = Channel(curve.data_path, curve.array_index)
            if channels is None or channel in channels:
                yield curve, f"{channel.label} of {holder.label}"


def _actions(holders: Sequence[Holder]) -> Iterator[tuple[Any, str]]:
    """Each action of the character once, and why it is not the character's alone."""
    blocks = [holder.block for holder in holders]
    seen = set()
    for block in blocks:
        data = block.animation_data
        action = None if data is None else data.action
        if action is None or action.name_full in seen:
            continue
        seen.add(action.name_full)
        others = sorted(
            user.name_full
            for user in bpy.data.user_map(subset={action})[action]
            if user not in blocks and _plays(user, action)
        )
        yield (
            action,
            f"action “{action.name}” also moves {', '.join(others)}: its frame range and pose "
            "markers are left"
            if others
            else "",
        )


def _plays(user: Any, action: Any) -> bool:
    data = getattr(user, "animation_data", None)
    if data is None:
        return False
    return data.action == action or any(
        s.action == action and not s.mute for s in strips_in_time(user)
    )


def _modifier(modifier: Any, named: str) -> str:
    return f"{modifier.name or modifier.type.capitalize()} modifier of {named}"


def _tag(blocks: Sequence[Any]) -> None:
    for block in blocks:
        data = block.animation_data
        if data is not None and data.action is not None:
            data.action.update_tag()
        block.update_tag()
