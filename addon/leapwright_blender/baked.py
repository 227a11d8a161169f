# SPDX-License-Identifier: GPL-3.0-or-later
"""Baked curves through a map of time: one sample on each frame, taken anew."""

from __future__ import annotations

import math
from contextlib import ExitStack
from typing import Any

import numpy as np
import numpy.typing as npt

from leapwright.errors import HostError
from leapwright.timemap import TimeMap
from leapwright_blender.span import come_from, go_to, moves

__all__ = ["retime_baked"]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]


def retime_baked(
    curve: Any, time_map: TimeMap, named: str, undo: ExitStack
) -> tuple[bool, list[str]]:
    """Sample a baked curve anew, so that it is at each frame what it was where that comes from.

    Parameters
    ----------
    curve : bpy.types.FCurve
        It has samples and no keys.
    time_map : TimeMap
    named : str
        What it is called in messages.
    undo : ExitStack
        Takes what puts the curve back.

    Returns
    -------
    bool
        Whether anything changed.
    list of str
        How far it misses the samples that fell between frames.

    Raises
    ------
    HostError
        The samples are not one frame apart, or the host does not take the new ones.
    """
    old = _samples(curve)
    frames, values = old[:, 0].astype(np.float64), old[:, 1].astype(np.float64)
    first, last = float(frames[0]), float(frames[-1])
    # A lone sample holds for ever.
    if len(frames) == 1 or not moves(time_map, first, last):
        return False, []
    if (np.diff(frames) != 1).any() or first % 1:
        raise HostError(f"{named} is baked with samples that are not one on each frame")
    ends = math.floor(go_to(time_map, first)), math.ceil(go_to(time_map, last))
    after = np.arange(ends[0], ends[1] + 1, dtype=np.float64)
    taken = np.interp(come_from(time_map, after), frames, values)
    new = np.stack([after, taken], axis=-1).astype(np.float32)
    undo.callback(_set_samples, curve, old, named)
    _set_samples(curve, new, named)
    miss = float(np.abs(np.interp(time_map.apply(frames), after, taken) - values).max())
    told = f"{named} is baked: sampled anew, it misses what fell between frames by {miss:.3g}"
    return True, [told] if miss > 1e-5 * max(1.0, float(np.abs(values).max())) else []


def _samples(curve: Any) -> Singles:
    flat = np.empty(2 * len(curve.sampled_points), np.float32)
    curve.sampled_points.foreach_get("co", flat)
    return flat.reshape(-1, 2)


def _set_samples(curve: Any, samples: Singles, named: str) -> None:
    """Give a baked curve these samples, as many as they are."""
    if len(curve.sampled_points) != len(samples):
        now = _samples(curve)
        # Samples cannot be added: only keys become samples, one on each frame of a range.
        curve.convert_to_keyframes(int(now[0, 0]), int(now[-1, 0]) + 1)
        curve.convert_to_samples(int(samples[0, 0]), int(samples[-1, 0]) + 1)
    if len(curve.sampled_points) != len(samples) or len(curve.keyframe_points):
        raise HostError(f"{named} is baked, and the host does not bake it over other frames")
    curve.sampled_points.foreach_set("co", np.ascontiguousarray(samples).ravel())
