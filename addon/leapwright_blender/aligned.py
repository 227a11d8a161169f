# SPDX-License-Identifier: GPL-3.0-or-later
"""ALIGNED handles beside ones that the host makes anew: it would turn them along, so they go FREE.

Where time bends inside a segment that is not split (it is stepped, say), or where a split gave a
key another neighbour, a VECTOR handle points elsewhere than before.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import Curves, Handle
from leapwright.warp import SURE, Warped

__all__ = ["unturned"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

AUTOMATIC = (Handle.AUTO, Handle.AUTO_CLAMPED)


def unturned(warped: Warped) -> Warped:
    """Give what was warped with FREE handles where the host would turn ALIGNED ones."""
    curves = warped.curves
    left_type, right_type = curves.left_type.copy(), curves.right_type.copy()
    vectors = {side: _vector(curves, side) for side in (-1, 1)}
    for mine, theirs, side in (
        (left_type, curves.right_type, 1),
        (right_type, curves.left_type, -1),
    ):
        bound = warped.changed & (mine == Handle.ALIGNED) & (theirs == Handle.VECTOR)
        at = np.flatnonzero(bound)
        handle = curves.left if side > 0 else curves.right
        off = _off_line(curves, at, vectors[side][at], handle[at].astype(np.float64))
        mine[at[off > SURE * np.maximum(1.0, np.abs(curves.value[at]))]] = Handle.FREE
    free = (left_type != curves.left_type) | (right_type != curves.right_type)
    return replace(
        warped,
        curves=replace(curves, left_type=left_type, right_type=right_type),
        fixed=warped.fixed & ~free & ~_open_ended(curves),
    )


def _vector(curves: Curves, side: int) -> Floats:
    """VECTOR handles as the host makes them: a third of the way to the neighbour, at a channel's
    end to the other one's mirror image."""
    place = np.stack([curves.frame, curves.value], axis=-1).astype(np.float64)
    index = np.arange(len(place))
    home = curves.channel_of_key()
    first, last = curves.starts[home], curves.starts[home + 1] - 1
    facing = index + side
    outside = (facing < first) | (facing > last)
    other = np.clip(np.where(outside, index - side, facing), first, last)
    way = (place[other] - place) / 3
    return place + np.where(outside[:, None], -way, way)


def _off_line(curves: Curves, at: NDArray[np.int64], one: Floats, other: Floats) -> Floats:
    """How far the one handle's line, carried on to the other's frame, passes it in value."""
    key = np.stack([curves.frame[at], curves.value[at]], axis=-1).astype(np.float64)
    run, rise = (one - key).T
    slope = np.divide(rise, run, out=np.zeros_like(run), where=run != 0)
    off: Floats = np.abs(other[:, 1] - key[:, 1] - slope * (other[:, 0] - key[:, 0]))
    return off


def _open_ended(curves: Curves) -> Bools:
    """First and last keys of a channel with an automatic handle: the host has its own way there."""
    home: Any = curves.channel_of_key()
    index = np.arange(len(home))
    end = (index == curves.starts[home]) | (index == curves.starts[home + 1] - 1)
    auto = np.isin(curves.left_type, AUTOMATIC) | np.isin(curves.right_type, AUTOMATIC)
    return np.asarray(end & auto)
