# SPDX-License-Identifier: GPL-3.0-or-later
"""What a rig remembers, after its time was changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.fingerprint import Written, written_keys
from leapwright.retime import Retimed
from leapwright.style import Style
from leapwright.timemap import TimeMap
from leapwright_blender.cast import Cast, Part
from leapwright_blender.read import read_curves
from leapwright_blender.store import Remembered

__all__ = ["known_keys", "marked", "moved_memory", "shifted"]

Bools = NDArray[np.bool_]

TRUE = 1e-4
"""Ratios of a style that are as near to 1 are 1."""


def marked(jump: Remembered) -> dict[str, float]:
    """The moments that markers show: a hold has none."""
    return {name: frame for name, frame in jump.moments.items() if name != "hold"}


def moved_memory(
    cast: Cast,
    jumps: Sequence[Remembered],
    ours: Sequence[Sequence[Bools]],
    solved: Retimed,
    remembered: Remembered,
    moments: Mapping[str, float],
    *,
    whole: bool = True,
) -> list[Remembered]:
    """The retimed jump at its new time and in its new style; the others where they went.

    Parameters
    ----------
    cast : Cast
        As it was before the keys were written.
    jumps : sequence of Remembered
        All that the rig remembers.
    ours : sequence of sequence of bool[K]
        For each jump and each part, keys (before) that were as the jump wrote them.
    remembered : Remembered
        The jump that was retimed.
    moments : mapping of moment to frame
        Its moments after.
    whole : bool
        Whether what moved is on whole frames.
    """
    moved = []
    for jump, masks in zip(jumps, ours, strict=True):
        there = shifted(jump, solved.map, whole=whole)
        there = replace(there, written=known_keys(cast, masks, jump, there, solved.map))
        if jump.moments == remembered.moments:
            there = _retimed(there, solved, moments)
        moved.append(there)
    return moved


def known_keys(
    cast: Cast, masks: Sequence[Bools], jump: Remembered, there: Remembered, time_map: TimeMap
) -> Written:
    """Its own keys as they are now; edited ones stay known as edited, and those of what did not
    come along (props that were told to stay, say) as they were. Own keys that the change itself
    took away are forgotten."""
    held = {part.holder.label for part in cast.parts}
    own: dict[str, set[float]] = {}
    for part, mask in zip(cast.parts, masks, strict=True):
        told = written_keys(part.curves, part.holder.label, mask=mask)
        own |= {name: {frame for frame, _ in keys} for name, keys in told.items()}
    written = {
        name: [
            key
            for was, key in zip(keys, there.written[name], strict=True)
            if was[0] not in own.get(name, ())
        ]
        if name.partition("|")[0] in held
        else keys
        for name, keys in jump.written.items()
    }
    for part, mask in zip(cast.parts, masks, strict=True):
        for name, keys in _prints(part, mask, time_map).items():
            new = {frame for frame, _ in keys}
            old = [key for key in written.get(name, []) if key[0] not in new]
            written[name] = sorted([*old, *keys])
    return written


def _retimed(jump: Remembered, solved: Retimed, moments: Mapping[str, float]) -> Remembered:
    style, physics = _meant(solved.answer.style), solved.answer.physics
    return replace(
        jump,
        moments=dict(moments),
        poses={m: moments[m] for m in jump.poses if m in moments},
        style={} if style.is_true else style.to_json(),
        gravity_m_s2=physics.rise_gravity if physics else jump.gravity_m_s2,
    )


def _meant(style: Style) -> Style:
    """The style without what measuring in single precision adds to a true jump."""
    fall, push = (1.0 if abs(r - 1) < TRUE else r for r in (style.fall, style.push))
    return replace(style, fall=fall, push=push)


def shifted(jump: Remembered, time_map: TimeMap, *, whole: bool = True) -> Remembered:
    """Another jump of the rig, where the map puts it; on whole frames unless told otherwise."""

    def there(frame: float) -> float:
        to = float(time_map.apply([frame])[0])
        return float(np.rint(to)) if whole else to

    return replace(
        jump,
        moments={m: there(f) for m, f in jump.moments.items()},
        poses={m: there(f) for m, f in jump.poses.items()},
        written={c: [[there(f), key] for f, key in keys] for c, keys in jump.written.items()},
    )


def _prints(part: Part, ours: Bools, time_map: TimeMap) -> dict[str, list[list[Any]]]:
    """Fingerprints of the jump's own keys where they are now, read back from the host."""
    now = read_curves(part.holder.block).curves
    mask = np.zeros(len(now.frame), dtype=bool)
    home = now.channel_of_key()
    for i, name in enumerate(part.curves.channels):
        keys = slice(part.curves.starts[i], part.curves.starts[i + 1])
        frames = time_map.apply(part.curves.frame[keys][ours[keys]].astype(np.float64))
        if not frames.size or name not in now.channels:
            continue
        mine = np.flatnonzero(home == now.channels.index(name))
        nearest = np.abs(now.frame[mine][None, :] - frames[:, None]).argmin(axis=1)
        mask[mine[nearest]] = True
    return written_keys(now, part.holder.label, mask=mask)
