# SPDX-License-Identifier: GPL-3.0-or-later
"""Moments, and pins: moments put on a given frame. One pin places the jump; two fix the frames
between them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.errors import ClashError, InputError
from leapwright.units import finite

__all__ = ["MOMENTS", "Fixed", "demand_mapping", "read_pins"]

Floats = NDArray[np.float64]

MOMENTS = ("start", "crouch", "takeoff", "apex", "land", "low", "end")
"""The key poses of a jump, in their order in time."""

_BETWEEN = {
    ("crouch", "takeoff"): "push",
    ("crouch", "apex"): "push_rise",
    ("crouch", "land"): "push_air",
    ("takeoff", "apex"): "rise",
    ("takeoff", "land"): "air",
    ("apex", "land"): "fall",
}


def read_pins(pins: Mapping[str, ArrayLike], *, whole: bool) -> dict[str, Floats]:
    """Check pins: known moments, whole frames (unless sub-frames), in the order of time."""
    frames: dict[str, Floats] = {}
    for moment, frame in pins.items():
        if moment not in MOMENTS:
            raise InputError(f"pins must name one of {', '.join(MOMENTS)}, got {moment!r}", "pins")
        frames[moment] = finite(frame, f"pin {moment}", "frames")
        if whole and np.any(frames[moment] % 1 != 0):
            raise InputError(
                f"pin {moment} must be a whole frame (or ask for subframes), got {frame!r}", "pins"
            )
    ordered = {moment: frames[moment] for moment in MOMENTS if moment in frames}
    for (first, a), (second, b) in pairwise(ordered.items()):
        try:
            early, late = np.broadcast_arrays(a, b)
        except ValueError:
            raise InputError(
                f"pins must share one shape, got {a.shape} and {b.shape}", "pins"
            ) from None
        wrong = late <= early
        if np.any(wrong):
            after, before = late[wrong][0], early[wrong][0]
            raise ClashError(
                f"pins clash: {second}={after:g} must be after {first}={before:g}", ("pins",)
            )
    return ordered


def demand_mapping(pins: Mapping[str, Any] | None) -> Mapping[str, Any]:
    """Give pins as a mapping, an empty one for None.

    Raises
    ------
    InputError
        They are something else.
    """
    if pins is None:
        return {}
    if not isinstance(pins, Mapping):
        raise InputError(f"pins must map moments to frames, got {pins!r}", "pins")
    return pins


@dataclass(frozen=True, slots=True)
class Fixed:
    """Frame counts that the user typed or that pins leave no choice about; None is free.

    `push_rise` and `push_air` are sums: pins on the crouch and on the apex or land alone.
    """

    push: Floats | None = None
    rise: Floats | None = None
    air: Floats | None = None
    fall: Floats | None = None
    push_rise: Floats | None = None
    push_air: Floats | None = None

    @property
    def sums(self) -> bool:
        """Push and air are fixed together, and each of them is free."""
        return self.push_rise is not None or self.push_air is not None

    @classmethod
    def of(
        cls,
        pins: Mapping[str, Floats],
        *,
        rise: Floats | None,
        air: Floats | None,
        push: Floats | None,
    ) -> Fixed:
        """Join typed counts with what the pins between crouch and land fix."""
        counts: dict[str, Floats] = {}
        hard = [m for m in ("crouch", "takeoff", "apex", "land") if m in pins]
        for first, second in pairwise(hard):
            counts[_BETWEEN[first, second]] = pins[second] - pins[first]
        if "rise" in counts and "fall" in counts:
            counts["air"] = counts["rise"] + counts["fall"]
        for name, typed in (("rise", rise), ("air", air), ("push", push)):
            if typed is None:
                continue
            pinned = counts.setdefault(name, typed)
            if np.any(pinned != typed):
                raise ClashError(
                    f"pins leave {np.ravel(pinned)[0]:g} {name} frames, but {name}_frames is "
                    f"{np.ravel(typed)[0]:g}",
                    ("pins", f"{name}_frames"),
                )
        return cls(**_shared(counts))


def _shared(counts: dict[str, Floats]) -> dict[str, Floats]:
    """Where one count of a pinned sum is known, the other is too, and the sum has said its all."""
    for total, other in (("push_rise", "rise"), ("push_air", "air")):
        if total not in counts or ("push" not in counts and other not in counts):
            continue
        both = counts.pop(total)
        for known, left in (("push", other), (other, "push")):
            if known in counts:
                counts.setdefault(left, both - counts[known])
        bad = (counts["push"] + counts[other] != both) | (counts["push"] <= 0)
        bad |= counts[other] <= 0
        if np.any(bad):
            raise ClashError(
                f"pins leave {both[bad][0]:g} frames of push and {other} together, which does not "
                f"fit the {counts['push'][bad][0]:g} and {counts[other][bad][0]:g} asked",
                ("pins",),
            )
    return counts
