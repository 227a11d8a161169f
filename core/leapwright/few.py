# SPDX-License-Identifier: GPL-3.0-or-later
"""Work on a few channels of many: they are picked, changed and put back among the others."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
import numpy.typing as npt

from leapwright.curves import Curves, select
from leapwright.playback import keys_before

__all__ = ["are_few", "last_keys", "put_back"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

FEW = 4
"""Channels are few when they are at most this part of all."""


def are_few(curves: Curves, which: Ints) -> bool:
    """Say whether it pays to pick the channels `which`, each named once."""
    return FEW * which.size <= len(curves.channels)


def put_back(curves: Curves, which: Ints, few: Curves) -> Curves:
    """Give the channels `which`, in order, the keys of `few`: they may be more or less than were.

    Parameters
    ----------
    which : int64[N]
        Channels of `curves`, in order.
    few : Curves
        N channels.
    """
    pieces: list[tuple[Curves, slice]] = []
    stop, bounds, ends = 0, few.starts.tolist(), curves.starts.tolist()
    for i, c in enumerate(which.tolist()):
        pieces += [(curves, slice(stop, ends[c])), (few, slice(bounds[i], bounds[i + 1]))]
        stop = ends[c + 1]
    pieces.append((curves, slice(stop, None)))
    counts = np.diff(curves.starts)
    counts[which] = np.diff(few.starts)
    arrays: dict[str, Any] = {
        f.name: np.concatenate([getattr(part, f.name)[keys] for part, keys in pieces])
        for f in fields(Curves)
        if f.name not in ("channels", "starts")
    }
    return Curves(curves.channels, np.r_[0, np.cumsum(counts)], **arrays)


def last_keys(curves: Curves, home: Ints, frames: Floats) -> Ints:
    """Find the last key at or before each frame, as `keys_before`: quick for a few channels."""
    which = np.unique(home)
    if not are_few(curves, which):
        return keys_before(curves, home, frames)
    few, at = select(curves, which), np.searchsorted(which, home)
    return keys_before(few, at, frames) + (curves.starts[which] - few.starts[:-1])[at]
