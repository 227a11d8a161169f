# SPDX-License-Identifier: GPL-3.0-or-later
"""How far the shape of curves went astray on their way through a map of time."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from leapwright.curves import Curves, Interpolation, select
from leapwright.playback import evaluate, keys_before
from leapwright.timemap import TimeMap
from leapwright.wholekeys import near_bends

__all__ = ["Miss", "largest_miss"]

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

BLOCK = 64
"""Channels whose shapes are compared at once."""


class Miss(NamedTuple):
    """Where the shape differs most: by how much, in the channel's unit and as a part of its range,
    on which channel, at which frame after. The channel is "" where nothing differs."""

    value: float
    share: float
    channel: str
    frame: float


STILL = 1e-6
"""A channel that moves by less than this, in its own units, stands still: the rest is rounding."""


def largest_miss(before: Curves, after: Curves, time_map: TimeMap) -> Miss:
    """Find where a channel's shape after differs most from its shape before, through the map.

    Looked for on every whole and half frame (after) from the keys before the first bend to those
    after the last. Stepped segments have no shape and are passed over. The largest part of a
    channel's range counts.

    Parameters
    ----------
    before, after : Curves
        The same channels.
    """
    nothing = Miss(0.0, 0.0, "", 0.0)
    bends = time_map.bends()
    if not bends.size:
        return nothing
    best = nothing
    # A few channels at a time keep the table of samples small.
    for start in range(0, len(before.channels), BLOCK):
        these = np.arange(start, min(start + BLOCK, len(before.channels)))
        was, now = select(before, these), select(after, these)
        if not (len(was.frame) and len(now.frame)):
            continue
        # From the keys before the first bend to those after the last: the rest is a shift.
        ends = was.frame[near_bends(was, time_map)]
        reach = [np.min(ends, initial=bends[0]), np.max(ends, initial=bends[-1])]
        low, high = time_map.apply(reach)
        frames = np.arange(np.floor(low), np.ceil(high) + 0.5, 0.5)
        source = time_map.invert(frames)
        miss = np.abs(evaluate(was, source) - evaluate(now, frames))
        miss[_stepped(was, source) | _stepped(now, frames) | np.isnan(miss)] = 0.0
        share = miss / _spread(was)[:, None]
        c, f = np.unravel_index(int(np.argmax(share)), share.shape)
        if share[c, f] > best.share:
            label = was.channels[c].label
            best = Miss(float(miss[c, f]), float(share[c, f]), label, float(frames[f]))
    return best


def _stepped(curves: Curves, frames: Floats) -> Bools:
    """Where a channel is in a constant segment, bool[C, F]."""
    home = np.arange(len(curves.channels))[:, None]
    key = np.clip(keys_before(curves, home, frames), 0, len(curves.frame) - 1)
    return np.asarray(curves.interpolation[key] == Interpolation.CONSTANT)


def _spread(curves: Curves) -> Floats:
    """Range of each channel's keys; 1 where they are all of one value but for rounding."""
    full = np.flatnonzero(np.diff(curves.starts))
    spread = np.ones(len(curves.channels))
    if full.size:
        starts = curves.starts[full]
        value = curves.value.astype(np.float64)
        spread[full] = np.maximum.reduceat(value, starts) - np.minimum.reduceat(value, starts)
    return np.where(spread > STILL, spread, 1.0)
