# SPDX-License-Identifier: GPL-3.0-or-later
"""Maps of time: every frame before to a frame after, in straight pieces."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from leapwright.errors import InputError
from leapwright.units import finite

__all__ = ["TimeMap"]

Floats = npt.NDArray[np.float64]

NEAREST = 1e-9
"""Knots nearer than this many frames are one: nothing could be told apart between them."""

STRAIGHT = 1e-12
"""Slopes nearer than this are one slope: no bend."""


@dataclass(frozen=True, slots=True, eq=False)
class TimeMap:
    """A rising map of frames in straight pieces; outside its knots frames shift, unstretched.

    Attributes
    ----------
    source, target : float64[K]
        Frames before and where they go, both strictly increasing, K at least 1.

    Raises
    ------
    InputError
        The knots are not of one length, not finite, or not each a little after the one before.

    Examples
    --------
    >>> beat = TimeMap.of([38, 41, 65], [40, 42, 58])
    >>> beat.apply([0, 41, 53, 70]).tolist()
    [2.0, 42.0, 50.0, 63.0]
    >>> beat.invert(50.0).tolist()
    53.0
    """

    source: Floats
    target: Floats

    def __post_init__(self) -> None:
        for name in ("source", "target"):
            knots = getattr(self, name)
            good = isinstance(knots, np.ndarray) and knots.dtype == np.float64 and knots.ndim == 1
            if not good or not knots.size or not np.isfinite(knots).all():
                raise InputError(
                    f"`{name}` must be one finite frame or more (float64), got {knots!r}", name
                )
            if not (np.diff(knots) > NEAREST).all():
                raise InputError(
                    f"`{name}` must rise, by more than {NEAREST:g}, got {knots.tolist()}", name
                )
        if self.source.shape != self.target.shape:
            raise InputError(
                f"`target` must have {self.source.size} frames, got {self.target.size}", "target"
            )

    @classmethod
    def of(cls, source: npt.ArrayLike, target: npt.ArrayLike) -> TimeMap:
        """Build from anything array-like, copied."""
        return cls(
            np.array(finite(source, "source", "frames")),
            np.array(finite(target, "target", "frames")),
        )

    @classmethod
    def identity(cls) -> TimeMap:
        """The map that leaves every frame where it is."""
        return cls(np.zeros(1), np.zeros(1))

    @property
    def is_identity(self) -> bool:
        """Whether every frame stays where it is."""
        return bool(np.array_equal(self.source, self.target))

    @property
    def reach(self) -> tuple[float, float]:
        """Frames (before) between which frames are moved; at them and outside nothing is.

        Infinite on a side that is moved as a whole; both infinite and turned round, ``(inf,
        -inf)``, for the identity.
        """
        moving = np.flatnonzero(self.target != self.source)
        if not moving.size:
            return np.inf, -np.inf
        first, last = moving[0] - 1, moving[-1] + 1
        return (
            float(self.source[first]) if first >= 0 else -np.inf,
            float(self.source[last]) if last < self.source.size else np.inf,
        )

    def apply(self, frames: npt.ArrayLike) -> Floats:
        """Give where frames go.

        Parameters
        ----------
        frames : array_like
            Frames before, any shape.

        Returns
        -------
        float64, the same shape
        """
        return _through(self.source, self.target, finite(frames, "frames", ""))

    def invert(self, frames: npt.ArrayLike) -> Floats:
        """Give where frames come from; undoes `apply`."""
        return _through(self.target, self.source, finite(frames, "frames", ""))

    def inverse(self) -> TimeMap:
        """Turn the map round."""
        return TimeMap(self.target, self.source)

    def slope(self, frames: npt.ArrayLike, side: Literal["before", "after"] = "after") -> Floats:
        """Give how many frames after one frame before becomes, on one side of each frame.

        Parameters
        ----------
        frames : array_like
            Frames before, any shape.
        side : {"before", "after"}
            Which of two slopes counts on a knot.
        """
        if side not in ("before", "after"):
            raise InputError(f"`side` must be before or after, got {side!r}", "side")
        x = finite(frames, "frames", "")
        inner = np.diff(self.target) / np.diff(self.source)
        slopes = np.concatenate([[1.0], inner, [1.0]])
        place = np.searchsorted(self.source, x, side="right" if side == "after" else "left")
        return np.asarray(slopes[place])

    def bends(self) -> Floats:
        """Give the knots (before) where the slope changes, float64[B]."""
        change = self.slope(self.source, "after") - self.slope(self.source, "before")
        return np.asarray(self.source[np.abs(change) > STRAIGHT])

    def compose(self, first: TimeMap) -> TimeMap:
        """Give the map that does `first` and then this one.

        Examples
        --------
        >>> slow = TimeMap.of([0, 10], [0, 20])
        >>> slow.inverse().compose(slow).is_identity
        True
        """
        source = np.unique(np.concatenate([first.source, first.invert(self.source)]))
        # Knots that rounding made two of one.
        apart = np.diff(source, prepend=-np.inf) > 1e-9 * np.maximum(1.0, np.abs(source))
        source = source[apart]
        return TimeMap(source, self.apply(first.apply(source)))

    def to_json(self) -> dict[str, list[float]]:
        """Give plain lists: {"source": [...], "target": [...]}."""
        return {"source": self.source.tolist(), "target": self.target.tolist()}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> TimeMap:
        """Read what `to_json` gave.

        Raises
        ------
        InputError
            A list is missing or no list of frames.
        """
        if not isinstance(data, Mapping) or {"source", "target"} - set(data):
            raise InputError(f"`data` must have source and target, got {data!r}", "data")
        return cls.of(data["source"], data["target"])


def _through(source: Floats, target: Floats, x: Floats) -> Floats:
    inside = np.interp(x, source, target)
    shifted = np.where(x < source[0], x + (target[0] - source[0]), inside)
    return np.asarray(np.where(x > source[-1], x + (target[-1] - source[-1]), shifted))
