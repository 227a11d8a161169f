# SPDX-License-Identifier: GPL-3.0-or-later
"""The COG's air laid out anew where its top is to hang: no map of time makes that of the old."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import (
    MERGE_FRAMES,
    Channel,
    Curves,
    Interpolation,
    Kind,
    channel,
    concat,
    select,
)
from leapwright.path import Path, handles_at_thirds
from leapwright.playback import evaluate
from leapwright.sparse import interpolate, sparse_keys
from leapwright_blender.cog import Source, measure
from leapwright_blender.ground import Ground
from leapwright_blender.rehearsal import rehearsal
from leapwright_blender.sample import linear_maps, sample
from leapwright_blender.space import Control, Point, data_path_location

__all__ = ["WITHIN_M", "laid_anew", "spliced"]

Floats = NDArray[np.float64]

WITHIN_M = 2e-4
"""How near the COG is held to the styled air on every frame, m."""


def laid_anew(
    scene: Any,
    ground: Ground,
    measured: Control | Point,
    carriers: Sequence[Control],
    played: Sequence[tuple[Any, Curves]],
    path: Path,
    air: tuple[float, float],
    *,
    source: Source | None = None,
) -> list[Curves]:
    """Curves with the COG on a path between take-off and land.

    Parameters
    ----------
    measured : Control or Point
        What is measured as the COG.
    carriers : sequence of Control
        Whose locations take what the COG is to do otherwise: the root, or COG control and feet.
    played : sequence of (bpy.types.ID, Curves)
        Data-blocks and their whole channels as they are to be.
    path : Path
        COG from take-off (0 s, origin), m in the plan's axes, the last of them up; without a
        horizontal way the measured one is kept.
    air : (float, float)
        Frames of take-off and land.
    source : Source, optional
        Measure the COG with this instead.

    Returns
    -------
    list of Curves
        One for each data-block. Keys in the air of the carriers' locations are others; all on
        whole frames or where there was one.
    """
    fps = float(ground.frame_rate)
    rig = next(block for block, _ in played)
    with rehearsal(list(played)):
        frames = np.unique([*np.arange(np.ceil(air[0]), np.floor(air[1]) + 1), *air])
        world = (
            sample(rig, frames, [measured], scene=scene).positions[0]
            if source is None
            else measure(rig, scene, frames, source)
        )
        places = ground.to_plan(world)
        wanted = places.copy()
        rise = path.at((frames - air[0]) / fps).position[:, -1]
        wanted[:, 2] = places[0, 2] + rise
        share = ((frames - air[0]) / (air[1] - air[0]))[:, None]
        wanted[:, :2] = places[0, :2] + share * (places[-1, :2] - places[0, :2])
        missing = wanted - places
        missing[[0, -1]] = 0
        linear = {
            c: ground.axes @ linear_maps(rig, frames, c, scene=scene) * ground.metres
            for c in carriers
        }
    made = []
    for block, curves in played:
        now = curves
        for control in carriers:
            if control.object == block.name and hasattr(block, "matrix_world"):
                now = _added(now, control, frames, missing, linear[control])
        made.append(now)
    return made


def _added(
    curves: Curves, control: Control, frames: Floats, missing: Floats, linear: Floats
) -> Curves:
    """The curves with a displacement (m) added to a control's location between two frames."""
    path, group = data_path_location(control), control.bone or "Object Transforms"
    names = [Channel(path, axis, group) for axis in range(3)]
    known = [curves.channels.index(c) for c in names if c in curves.channels]
    if len(known) < 3:
        return curves
    values = evaluate(select(curves, known), frames).T
    own = values + np.linalg.solve(linear, missing[..., None])[..., 0]
    keyed = np.concatenate([channel(curves, i).frame for i in known]).astype(np.float64)
    must = np.flatnonzero(np.abs(frames[:, None] - keyed[None, :]).min(axis=1) < MERGE_FRAMES)
    found = sparse_keys(
        frames,
        own,
        knots=must,
        miss=lambda tried: np.linalg.norm(np.einsum("fij,fj->fi", linear, own - tried), axis=1),
        within=WITHIN_M,
    )
    at = frames[found.knots]
    fitted = interpolate(frames, own, found)[found.knots]
    parts = []
    for axis, i in enumerate(known):
        key, left, right = handles_at_thirds(
            at, fitted[:, axis], found.slopes_in[:, axis], slopes_after=found.slopes_out[:, axis]
        )
        parts.append(spliced(channel(curves, i), key, left, right))
    rest = [i for i in range(len(curves.channels)) if i not in known]
    order = [*(curves.channels[i] for i in rest), *(curves.channels[i] for i in known)]
    joined = concat([select(curves, rest), *parts])
    return select(joined, [order.index(c) for c in curves.channels])


def spliced(
    one: Curves,
    key: NDArray[np.float32],
    left: NDArray[np.float32],
    right: NDArray[np.float32],
) -> Curves:
    """One channel with its keys between the first and the last new key taken from these."""
    first, last = float(key[0, 0]), float(key[-1, 0])
    before = np.flatnonzero(one.frame < first - MERGE_FRAMES)
    after = np.flatnonzero(one.frame > last + MERGE_FRAMES)
    kinds = np.full(len(key), Kind.BREAKDOWN, dtype=np.int32)
    for k, frame in enumerate(key[:, 0]):
        there = np.flatnonzero(np.abs(one.frame - frame) < MERGE_FRAMES)
        if there.size:
            kinds[k] = one.kind[there[0]]
    new = Curves.checked(
        one.channels, [0, len(key)], key[:, 0], key[:, 1],
        left=left, right=right, interpolation=Interpolation.BEZIER, kind=kinds,
    )  # fmt: skip
    start = np.flatnonzero(np.abs(one.frame - first) < MERGE_FRAMES)
    end = np.flatnonzero(np.abs(one.frame - last) < MERGE_FRAMES)
    if start.size:
        new.left[0] = one.left[start[0]]
        new.left[0, 1] += new.value[0] - one.value[start[0]]
    if end.size:
        new.right[-1] = one.right[end[0]]
        new.right[-1, 1] += new.value[-1] - one.value[end[0]]
        new.interpolation[-1] = one.interpolation[end[0]]
    return _in_a_row(one, before, new, after)


def _in_a_row(
    one: Curves, before: NDArray[np.int64], new: Curves, after: NDArray[np.int64]
) -> Curves:
    names = (
        "frame", "value", "left", "right", "interpolation", "left_type", "right_type", "kind",
        "easing", "back", "amplitude", "period",
    )  # fmt: skip
    arrays = {
        name: np.concatenate(
            [getattr(one, name)[before], getattr(new, name), getattr(one, name)[after]]
        )
        for name in names
    }
    count = len(arrays["frame"])
    return Curves(one.channels, np.array([0, count], dtype=np.int64), **arrays)
