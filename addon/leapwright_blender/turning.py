# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a rig's jump is: given, remembered, or read off the turning points of its COG."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.errors import ClashError, InputError, NotFoundError
from leapwright.pins import MOMENTS
from leapwright.units import finite
from leapwright_blender import store
from leapwright_blender.character import holders
from leapwright_blender.ground import Ground
from leapwright_blender.poses import measured_at
from leapwright_blender.read import read_curves
from leapwright_blender.rig import Controls
from leapwright_blender.sample import sample
from leapwright_blender.store import Remembered

__all__ = ["jump_moments"]

Floats = NDArray[np.float64]

NEEDED = ("takeoff", "land")

STANDS_M = 0.01
"""A sole that is no higher than this over where it stands is on the ground, m."""


def jump_moments(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    *,
    moments: Mapping[str, float | None] | None = None,
    jump: int | None = None,
) -> tuple[dict[str, float], Remembered | None]:
    """Frames of a jump's moments, and what the rig remembers of it.

    Parameters
    ----------
    moments : mapping of moment to frame, optional
        As the user says; take-off and land at least. One that is None is absent.
    jump : int, optional
        Which of the remembered jumps, from 1; needed where there are several.

    Raises
    ------
    InputError, ClashError
        Moments that are unknown, missing or out of order; no such jump.
    NotFoundError
        No jump is given, remembered or found.
    """
    if moments:
        return _given(moments), None
    remembered = store.load(obj)
    if len(remembered) > 1 and jump is None:
        listed = ", ".join(
            f"{i} (take-off {r.moments['takeoff']:g})" for i, r in enumerate(remembered, start=1)
        )
        raise InputError(f"jump: {obj.name!r} remembers several, say which: {listed}", "jump")
    if remembered:
        number = 1 if jump is None else jump
        if not 1 <= number <= len(remembered):
            raise InputError(f"jump must be 1 to {len(remembered)}, got {number}", "jump")
        chosen = remembered[number - 1]
        return dict(chosen.moments), chosen
    return _turning(obj, scene, ground, controls), None


def _given(moments: Mapping[str, float | None]) -> dict[str, float]:
    given = {name: frame for name, frame in moments.items() if frame is not None}
    for name in given:
        if name not in MOMENTS:
            raise InputError(
                f"moments must name some of {', '.join(MOMENTS)}, got {name!r}", "moments"
            )
    missing = [name for name in NEEDED if name not in given]
    if missing:
        raise InputError(
            f"moments must say take-off and land; {missing[0]} is not there", "moments"
        )
    ordered = {
        name: float(finite(given[name], f"moments[{name!r}]", "frames"))
        for name in MOMENTS
        if name in given
    }
    for (first, a), (second, b) in pairwise(ordered.items()):
        if b <= a:
            raise ClashError(
                f"moments must follow each other in time: {second} is on {b:g}, {first} on {a:g}",
                ("moments",),
            )
    return ordered


def _turning(obj: Any, scene: Any, ground: Ground, controls: Controls) -> dict[str, float]:
    """Crouch, apex and low where the COG turns; take-off and land where the soles leave."""
    hint = "say where take-off and land are"
    if not controls.soles:
        raise NotFoundError(
            f"{obj.name!r} remembers no jump and has no soles to find one by; {hint}"
        )
    span = _keyed_span(obj)
    if span is None:
        raise NotFoundError(f"{obj.name!r} has no keys, so there is no jump in it")
    frames = np.arange(np.floor(span[0]), np.ceil(span[1]) + 1)
    samples = sample(obj, frames, [measured_at(controls), *controls.soles], scene=scene)
    heights = ground.to_plan(samples.positions)[:, :, 2]
    cog, soles = heights[0], heights[1:]
    off = (soles > _floors(soles) + STANDS_M).all(axis=0)
    apex = _apex(cog, off)
    if apex is None:
        raise NotFoundError(f"{obj.name!r} never leaves the ground with all feet; {hint}")
    takeoff = int(np.flatnonzero(~off[:apex])[-1])
    land = apex + int(np.flatnonzero(~off[apex:])[0])
    found = {
        "crouch": _lowest(cog, takeoff, -1),
        "takeoff": takeoff,
        "apex": apex,
        "land": land,
        "low": _lowest(cog, land, +1),
    }
    if found["crouch"] == takeoff:
        del found["crouch"]
    if found["low"] == land:
        del found["low"]
    return {name: float(frames[i]) for name, i in found.items()}


def _keyed_span(obj: Any) -> tuple[float, float] | None:
    frames = [read_curves(h.block).curves.frame for h in holders(obj, props=False)]
    keys = np.concatenate(frames) if frames else np.zeros(0)
    return None if not keys.size else (float(np.min(keys)), float(np.max(keys)))


def _floors(soles: Floats) -> Floats:
    """The level each sole stands on, frame by frame: the lower of the lowest before and after,
    so that a landing on something higher is one."""
    before = np.minimum.accumulate(soles, axis=1)
    after = np.minimum.accumulate(soles[:, ::-1], axis=1)[:, ::-1]
    return np.maximum(before, after)


def _apex(cog: Floats, off: NDArray[np.bool_]) -> int | None:
    """The highest frame of all that are off the ground, between two that are on it."""
    on = np.flatnonzero(~off)
    if not on.size:
        return None
    inside = off.copy()
    inside[: on[0]] = inside[on[-1] :] = False
    if not inside.any():
        return None
    return int(np.argmax(np.where(inside, cog, -np.inf)))


def _lowest(cog: Floats, start: int, step: int) -> int:
    """Where the COG stops sinking when one goes on from a frame."""
    at = start
    while 0 <= at + step < len(cog) and cog[at + step] < cog[at]:
        at += step
    return at
