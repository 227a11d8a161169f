# SPDX-License-Identifier: GPL-3.0-or-later
"""What a rig remembers of its jumps, after one of them was resized."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import MERGE_FRAMES
from leapwright.fingerprint import Written, written_keys
from leapwright.resize import Resized
from leapwright_blender import store
from leapwright_blender.cast import Cast, Part
from leapwright_blender.course import Course
from leapwright_blender.memory import known_keys, shifted
from leapwright_blender.read import read_curves
from leapwright_blender.store import Remembered

__all__ = ["resized_memory"]

Bools = NDArray[np.bool_]

HEIGHTS = ("jump_height", "rise_frames", "air_frames", "takeoff_speed")
"""Measures that say how high a jump is."""


def resized_memory(
    obj: Any,
    cast: Cast,
    carrying: Bools,
    solved: Resized,
    remembered: Remembered,
    moments: Mapping[str, float],
    ours: Sequence[Sequence[Bools]],
    gone: Bools,
    course: Course,
    *,
    whole: bool,
) -> list[Remembered]:
    """The resized jump as it is now; the others where they went.

    Parameters
    ----------
    cast : Cast
        As it was before the keys were written.
    carrying : bool[C]
        Its channels that carry the COG.
    moments : mapping of moment to frame
        After.
    ours : sequence of sequences of bool[K]
        For each remembered jump and each part, keys (before) that were as the jump wrote them.
    gone : bool[K]
        Keys (before) of the rig itself that gave way.
    course : Course
        The new way of the COG: keys on it that were not there before are the jump's own.
    whole : bool
        Whether what moved is on whole frames.
    """
    moved = []
    for jump, masks in zip(store.load(obj), ours, strict=True):
        left = replace(jump, written=_without(jump.written, cast.parts[0], gone))
        there = shifted(left, solved.map, whole=whole)
        stay = [masks[0] & ~gone, *masks[1:]]
        there = replace(there, written=known_keys(cast, stay, left, there, solved.map))
        if jump.moments == remembered.moments:
            there = _resized(cast, carrying, solved, there, moments, gone, course)
        moved.append(there)
    return moved


def _without(written: Written, part: Part, gone: Bools) -> Written:
    """What was written without the keys that gave way."""
    home, left = part.curves.channel_of_key(), dict(written)
    for i in np.unique(home[gone]):
        name = f"{part.holder.label}|{part.curves.channels[i].label}"
        frames = part.curves.frame[gone & (home == i)]
        left[name] = [
            key for key in left.get(name, []) if np.abs(frames - key[0]).min() > MERGE_FRAMES
        ]
    return left


def _resized(
    cast: Cast,
    carrying: Bools,
    solved: Resized,
    jump: Remembered,
    moments: Mapping[str, float],
    gone: Bools,
    course: Course,
) -> Remembered:
    """The jump as it is now: where it is, what was asked of it, which keys are its own."""
    written = dict(jump.written)
    for number, part in enumerate(cast.parts):
        stay = np.ones(len(part.curves.frame), dtype=bool) if number else ~gone
        for name, keys in _new_prints(part, carrying, stay, solved, course).items():
            written[name] = sorted([*written.get(name, []), *keys])
    asked = {name: value for name, value in jump.asked.items() if name not in HEIGHTS}
    asked["jump_height"] = float(solved.jump.jump_height)
    if "magnification" in asked:
        del asked["magnification"]
        asked["push_height"] = float(solved.jump.push_height)
    if asked.get("push_frames") is not None:
        asked["push_frames"] = solved.jump.frames.push
    if asked.get("absorb_frames") is not None:
        asked["absorb_frames"] = solved.jump.frames.absorb
    if any(asked.get(name) is not None for name in ("travel", "foot_travel")):
        asked.pop("foot_travel", None)
        asked["travel"] = float(solved.jump.travel)
    if asked.get("pins"):
        asked["pins"] = {m: moments.get(m, f) for m, f in asked["pins"].items()}
    return replace(
        jump,
        asked=asked,
        moments=dict(moments),
        poses={m: moments[m] for m in jump.poses if m in moments},
        written=written,
    )


def _new_prints(
    part: Part, carrying: Bools, stay: Bools, solved: Resized, course: Course
) -> dict[str, list[list[Any]]]:
    """Fingerprints of the keys that the new way of the COG needed, read back from the host."""
    now = read_curves(part.holder.block).curves
    mask = np.zeros(len(now.frame), dtype=bool)
    home = now.channel_of_key()
    for i in np.flatnonzero(carrying[list(part.channels)]):
        name = part.curves.channels[i]
        mine = np.flatnonzero(home == now.channels.index(name))
        own = slice(part.curves.starts[i], part.curves.starts[i + 1])
        came = solved.map.apply(part.curves.frame[own][stay[own]].astype(np.float64))
        away = np.abs(now.frame[mine][:, None] - np.rint(came)[None, :]).min(axis=1, initial=np.inf)
        away = np.minimum(
            away, np.abs(now.frame[mine][:, None] - came[None, :]).min(axis=1, initial=np.inf)
        )
        frame = now.frame[mine]
        inside = (frame >= course.frames[0]) & (frame <= course.frames[-1])
        mask[mine[inside & (away > MERGE_FRAMES)]] = True
    return written_keys(now, part.holder.label, mask=mask)
