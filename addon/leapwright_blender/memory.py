# SPDX-License-Identifier: GPL-3.0-or-later
"""What a rig remembers, after its time was changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.fingerprint import written_keys
from leapwright.retime import Retimed
from leapwright.timemap import TimeMap
from leapwright_blender import store
from leapwright_blender.cast import Cast, Part
from leapwright_blender.read import read_curves
from leapwright_blender.store import Remembered

__all__ = ["marked", "moved_memory"]

Bools = NDArray[np.bool_]


def marked(jump: Remembered) -> dict[str, float]:
    """The moments that markers show: a hold has none."""
    return {name: frame for name, frame in jump.moments.items() if name != "hold"}


def moved_memory(
    obj: Any,
    cast: Cast,
    solved: Retimed,
    remembered: Remembered,
    moments: Mapping[str, float],
    ours: Sequence[Bools],
) -> list[Remembered]:
    """The retimed jump at its new time and in its new style; the others where they went.

    Parameters
    ----------
    cast : Cast
        As it was before the keys were written.
    moments : mapping of moment to frame
        After.
    ours : sequence of bool[K]
        For each part, keys (before) that were as the jump wrote them.
    """
    jumps = []
    for jump in store.load(obj):
        if jump.moments != remembered.moments:
            jumps.append(_shifted(jump, solved.map))
            continue
        written = {}
        for part, mask in zip(cast.parts, ours, strict=True):
            written.update(_prints(part, mask, solved.map))
        style, physics = solved.answer.style, solved.answer.physics
        jumps.append(
            replace(
                jump,
                moments=dict(moments),
                poses={m: moments[m] for m in jump.poses if m in moments},
                written=written,
                style={} if style.is_true else style.to_json(),
                gravity_m_s2=physics.rise_gravity if physics else jump.gravity_m_s2,
            )
        )
    return jumps


def _shifted(jump: Remembered, time_map: TimeMap) -> Remembered:
    def there(frame: float) -> float:
        return float(np.rint(time_map.apply([frame])[0]))

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
