# SPDX-License-Identifier: GPL-3.0-or-later
"""Spans of frames under a map of time: where they go, and whether they stay in proportion.

The host keeps times in single precision, so a span may end a hair beside the bend that it ends at.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from leapwright.timemap import TimeMap

__all__ = [
    "TOUCH",
    "Straight",
    "come_from",
    "go_to",
    "inner_bends",
    "length_after",
    "moves",
    "nearest_frame",
    "straight",
]

Floats = npt.NDArray[np.float64]

TOUCH = 2e-3
"""Frames within which single precision cannot tell a bend from the end of a span."""

_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Straight:
    """Frames that become ``slope * frame + shift``."""

    slope: float
    shift: float

    def __call__(self, frame: float) -> float:
        """Give where a frame goes, also one outside the span."""
        return self.slope * frame + self.shift


def go_to(time_map: TimeMap, frame: float) -> float:
    """Give where a frame goes; one that stays, stays to the bit."""
    return _firm(float(time_map.apply(frame)), frame)


def come_from(time_map: TimeMap, frames: npt.ArrayLike) -> Floats:
    """Give where frames come from, any shape; those that stay, stay to the bit."""
    after = np.asarray(frames, np.float64)
    before = time_map.invert(after)
    near = np.abs(before - after) <= _ROUNDING * np.maximum(1.0, np.abs(after))
    return np.asarray(np.where(near, after, before))


def length_after(time_map: TimeMap, first: float, length: float) -> float:
    """Give how long a span will be that begins at `first`."""
    if not length or not moves(time_map, first, first + length):
        return length
    return _firm(float(np.diff(time_map.apply([first, first + length]))[0]), length)


def inner_bends(time_map: TimeMap, first: float, last: float) -> Floats:
    """List the bends inside a span, not those at its ends; float64[B]."""
    bends = time_map.bends()
    return np.asarray(bends[(bends > first + TOUCH) & (bends < last - TOUCH)])


def straight(time_map: TimeMap, first: float, last: float) -> Straight | None:
    """Give the one straight line that a span follows, or None where it bends.

    A span may be infinite on either side.
    """
    if inner_bends(time_map, first, last).size:
        return None
    if math.isfinite(first) and math.isfinite(last):
        middle = (first + last) / 2
        slope = float(time_map.slope(middle))
    else:
        middle = first if math.isfinite(first) else last if math.isfinite(last) else 0.0
        slope = 1.0
    return Straight(slope, float(time_map.apply(middle)) - slope * middle)


def moves(time_map: TimeMap, first: float, last: float) -> bool:
    """Say whether the map moves any frame of a span."""
    low, high = time_map.reach
    return low < high and first < high - TOUCH and last > low + TOUCH


def nearest_frame(frame: float) -> int:
    """Give the nearest whole frame; a tie goes to the earlier."""
    return math.ceil(frame - 0.5 - _ROUNDING)


def _firm(after: float, before: float) -> float:
    return before if abs(after - before) <= _ROUNDING * max(1.0, abs(before)) else after
