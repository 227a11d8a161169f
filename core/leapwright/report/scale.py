# SPDX-License-Identifier: GPL-3.0-or-later
"""Frames and heights to pixels, and the round numbers beside an axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Scale", "round_frames", "round_heights"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Scale:
    """One row of a plot.

    Attributes
    ----------
    first, last : float
        Frames at the left and the right end.
    low, high : float
        Heights at `bottom` and `top`, m.
    left, top, bottom : float
        Pixels.
    per_frame : float
        Pixels.
    """

    first: float
    last: float
    low: float
    high: float
    left: float
    top: float
    bottom: float
    per_frame: float

    @property
    def right(self) -> float:
        """Pixels."""
        return self.left + (self.last - self.first) * self.per_frame

    def x(self, frame: ArrayLike) -> Floats:
        """Pixels from the left."""
        return self.left + (np.asarray(frame, dtype=np.float64) - self.first) * self.per_frame

    def y(self, height: ArrayLike) -> Floats:
        """Pixels from the top."""
        share = (np.asarray(height, dtype=np.float64) - self.low) / (self.high - self.low)
        return self.bottom - share * (self.bottom - self.top)

    def points(self, frames: Floats, heights: Floats) -> Floats:
        """Both, shape (N, 2), of what lies within the row."""
        inside = (frames >= self.first - 1e-6) & (frames <= self.last + 1e-6)
        return np.stack([self.x(frames[inside]), self.y(heights[inside])], axis=-1)


def round_heights(low: float, high: float, *, most: int = 6) -> Floats:
    """Round numbers from `low` to `high`: steps of 1, 2 or 5 times a power of ten."""
    rough = (high - low) / most
    power = 10.0 ** np.floor(np.log10(rough))
    step = power * next(s for s in (1, 2, 5, 10) if s * power >= rough - 1e-12)
    return np.asarray(
        np.round(np.arange(np.ceil(low / step - 1e-9), high / step + 1e-9) * step, 10)
    )


def round_frames(first: float, last: float, per_frame: float) -> Floats:
    """Round frames at least 44 pixels apart."""
    steps = [s * 10**p for p in range(6) for s in (1, 2, 5)]
    step = next((s for s in steps if s * per_frame >= 44), steps[-1])
    return np.asarray(np.arange(np.ceil(first / step), np.floor(last / step) + 1) * step)
