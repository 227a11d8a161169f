# SPDX-License-Identifier: GPL-3.0-or-later
"""Keys of one control's location with their slopes: one cubic between two keys."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import Channel
from leapwright_blender.space import Control, data_path_location

__all__ = ["Played", "Ride"]

Floats = NDArray[np.float64]


class Played(NamedTuple):
    """A control's location on some frames, and its slopes to and from them; shapes (F, 3)."""

    value: Floats
    before: Floats
    after: Floats


@dataclass(frozen=True, slots=True)
class Ride:
    """Keys of one control's location: channel values with the slopes to and from them.

    Shapes (K,), (K, 3); slopes per frame. Between knots it is one cubic; outside it stands still.
    """

    control: Control
    knots: tuple[str, ...]
    frames: Floats
    values: Floats
    slopes: Floats
    slopes_after: Floats

    @property
    def channels(self) -> tuple[Channel, ...]:
        """The three channels that the keys are on."""
        path, group = data_path_location(self.control), self.control.bone or "Object Transforms"
        return tuple(Channel(path, axis, group) for axis in range(3))

    def play(self, frames: Floats) -> Played:
        """Channel values on any frames, with the slopes before and after."""
        last = len(self.frames) - 1
        after_it = np.clip(np.searchsorted(self.frames, frames, side="right") - 1, 0, last - 1)
        before_it = np.clip(np.searchsorted(self.frames, frames, side="left") - 1, 0, last - 1)
        value, after = self._in_piece(after_it, frames)
        _, before = self._in_piece(before_it, frames)
        outside = ((frames < self.frames[0]) | (frames > self.frames[-1]))[:, None]
        first, end = (frames == self.frames[0])[:, None], (frames == self.frames[-1])[:, None]
        return Played(
            value,
            np.where(outside | first, 0.0, before),
            np.where(outside | end, 0.0, after),
        )

    def _in_piece(self, piece: NDArray[np.int64], frames: Floats) -> tuple[Floats, Floats]:
        span = (self.frames[piece + 1] - self.frames[piece])[:, None]
        u = np.clip((frames - self.frames[piece])[:, None] / span, 0, 1)
        y0, y1 = self.values[piece], self.values[piece + 1]
        m0, m1 = self.slopes_after[piece] * span, self.slopes[piece + 1] * span
        square, cube = 3 * (y1 - y0) - 2 * m0 - m1, m0 + m1 - 2 * (y1 - y0)
        value = y0 + u * (m0 + u * (square + u * cube))
        return value, (m0 + u * (2 * square + u * 3 * cube)) / span
