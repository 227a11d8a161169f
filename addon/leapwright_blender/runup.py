# SPDX-License-Identifier: GPL-3.0-or-later
"""How fast a character runs before a jump, measured from the keys that are there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

from leapwright.errors import InputError
from leapwright_blender.cog import Source, measure
from leapwright_blender.ground import Ground
from leapwright_blender.read import read_curves
from leapwright_blender.sample import sample
from leapwright_blender.space import Control, Point, the_object

__all__ = ["Run", "measure_run", "travel_text"]

Floats = NDArray[np.float64]

LEAST_M_S = 0.1
"""Slower than this, m/s, nothing runs."""

SAME_FRAME = 1e-3


@dataclass(frozen=True, slots=True)
class Run:
    """A run as it is just before a jump.

    Attributes
    ----------
    speed_m_s : float
        Level speed.
    heading_deg : float
        Where to, as headings of `plan`: from the plan's x towards its y.
    first_frame, last_frame : float
        What was measured.
    keyed : bool
        Whether a key stands inside that span; if not, it is interpolated all the way.
    scatter_m : float
        How far places are off an even run along the heading at most: bobbing, or a speed that
        changes.
    """

    speed_m_s: float
    heading_deg: float
    first_frame: float
    last_frame: float
    keyed: bool
    scatter_m: float = 0.0

    @property
    def text(self) -> str:
        """One sentence."""
        off = f", {self.scatter_m * 100:.0f} cm uneven" if self.scatter_m >= 0.005 else ""
        return (
            f"the run has {self.speed_m_s:.1f} m/s on frames {self.first_frame:g} to "
            f"{self.last_frame:g}{off}"
        )


def measure_run(
    obj: Any,
    scene: Any,
    ground: Ground,
    point: Control | Point,
    *,
    until: float,
    frames: int = 8,
    source: Source | None = None,
) -> Run:
    """Measure the level velocity of a point just before a frame.

    A line is fitted to its level places on whole frames, least squares in both directions. Over
    whole strides a run that bobs and sways gives its speed.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig.
    scene : bpy.types.Scene
        It is read, not stepped.
    ground : Ground
    point : Control or Point
        What runs: the COG control, say.
    until : float
        The jump begins here; what comes later does not count.
    frames : int
        How far to look back, at least 2; no farther than the character's first key.
    source : Source, optional
        Measure the speed of this COG, not of the point, whose keys still say where to look.

    Raises
    ------
    InputError
        `running`: no keys before `until`, fewer than 2 frames, or nothing that moves.
    """
    if frames < 2:
        raise InputError(f"`frames` must be 2 or more, got {frames}", "frames")
    keys = _keys(obj, point)
    before = keys[keys < until - SAME_FRAME]
    if not before.size:
        raise InputError(
            f"`running` cannot be measured: {obj.name!r} has no keys before frame {until:g}",
            "running",
        )
    first = max(until - frames, float(before[0]))
    # Whole frames back from the end, which may lie between frames itself.
    at = until - np.arange(np.floor(until - first + SAME_FRAME) + 1)[::-1]
    if at.size < 2:
        raise InputError(
            f"`running` cannot be measured: the keys of {obj.name!r} begin on frame "
            f"{before[0]:g}, less than a frame before {until:g}",
            "running",
        )
    world = (
        sample(obj, at, [point], scene=scene).positions[0]
        if source is None
        else measure(obj, scene, at, source)
    )
    places = ground.to_plan(world)[:, :2]
    times = (at - at.mean()) / float(ground.frame_rate)
    velocity = times @ (places - places.mean(axis=0)) / (times @ times)
    speed = float(np.hypot(*velocity))
    if speed < LEAST_M_S:
        raise InputError(
            f"`running` cannot be measured: {obj.name!r} does not run on frames {at[0]:g} to "
            f"{at[-1]:g} ({speed:.2f} m/s)",
            "running",
        )
    off = places - places.mean(axis=0) - np.outer(times, velocity)
    return Run(
        speed_m_s=speed,
        heading_deg=float(np.degrees(np.arctan2(velocity[1], velocity[0]))),
        first_frame=float(at[0]),
        last_frame=float(at[-1]),
        keyed=bool(((keys >= at[0] - SAME_FRAME) & (keys <= at[-1] + SAME_FRAME)).any()),
        scatter_m=float(np.max(np.linalg.norm(off, axis=1))),
    )


def travel_text(needs_m_s: float, has_m_s: float) -> str:
    """Say what speed a jump needs and what the run has; "" where that is the same to be read.

    Examples
    --------
    >>> travel_text(4.83, 4.0)
    'the jump needs 4.8 m/s, the run has 4.0'
    """
    needs, has = f"{needs_m_s:.1f}", f"{has_m_s:.1f}"
    if needs == has and abs(needs_m_s - has_m_s) > 0.005:
        needs, has = f"{needs_m_s:.2f}", f"{has_m_s:.2f}"
    return "" if needs == has else f"the jump needs {needs} m/s, the run has {has}"


def _keys(obj: Any, point: Control | Point) -> Floats:
    """Frames on which what moves the point has keys, sorted."""
    frames = [read_curves(holder).curves.frame for holder in _holders(obj, the_object(point))]
    return np.unique(np.concatenate(frames).astype(np.float64)) if frames else np.empty(0)


def _holders(*objects: Any) -> Iterator[Any]:
    """The objects and all that they are parented to."""
    seen = set()
    for obj in objects:
        while obj is not None and obj.name not in seen:
            seen.add(obj.name)
            yield bpy.data.objects[obj.name]
            obj = obj.parent
