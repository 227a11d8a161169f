# SPDX-License-Identifier: GPL-3.0-or-later
"""The one reader of keys: a data-block's curves as arrays, and what stands in a writer's way."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from leapwright.curves import Channel, Curves, select
from leapwright_blender import host

__all__ = [
    "ATTRIBUTES",
    "Places",
    "Reading",
    "is_sampled",
    "read_co",
    "read_curves",
    "read_keys",
    "read_places",
    "read_played",
]

ATTRIBUTES: tuple[tuple[str, str, type, int], ...] = (
    ("co", "co", np.float32, 2),
    ("left", "handle_left", np.float32, 2),
    ("right", "handle_right", np.float32, 2),
    ("interpolation", "interpolation", np.int32, 1),
    ("left_type", "handle_left_type", np.int32, 1),
    ("right_type", "handle_right_type", np.int32, 1),
    ("kind", "type", np.int32, 1),
    ("easing", "easing", np.int32, 1),
    ("back", "back", np.float32, 1),
    ("amplitude", "amplitude", np.float32, 1),
    ("period", "period", np.float32, 1),
)
"""Our name, the host's name, buffer type and width of everything that a key holds."""


@dataclass(frozen=True, slots=True)
class Reading:
    """Curves of a data-block and which channels are special.

    Attributes
    ----------
    curves : Curves
        Channels with keys, in the host's order.
    driven : tuple of Channel
        Channels with a driver, keyed or not: the driver wins over keys.
    locked, muted, modified : tuple of Channel
        Keyed channels that are locked, muted, or changed by curve modifiers.
    sampled : tuple of Channel
        Baked channels: samples and no keys; they are not in `curves`.
    """

    curves: Curves
    driven: tuple[Channel, ...] = ()
    locked: tuple[Channel, ...] = ()
    muted: tuple[Channel, ...] = ()
    modified: tuple[Channel, ...] = ()
    sampled: tuple[Channel, ...] = ()


def read_curves(id_block: Any, *, paths: Collection[str] | None = None) -> Reading:
    """Read the curves that move a data-block.

    Parameters
    ----------
    id_block : bpy.types.ID
        An object, armature data, shape keys, a material...: each has its own.
    paths : collection of str, optional
        Only these data paths.

    Returns
    -------
    Reading
        Nothing is changed. Keys are as they are played: those of the action in use.
    """
    wanted = None if paths is None else frozenset(paths)
    found = [
        (Channel(c.data_path, c.array_index, c.group.name if c.group else ""), c)
        for c in host.fcurves_of(id_block) or ()
        if wanted is None or c.data_path in wanted
    ]
    keyed = [(channel, c) for channel, c in found if len(c.keyframe_points)]
    data = id_block.animation_data
    drivers = data.drivers if data is not None else ()
    return Reading(
        curves=read_keys([channel for channel, _ in keyed], [c for _, c in keyed]),
        driven=tuple(
            Channel(d.data_path, d.array_index)
            for d in drivers
            if wanted is None or d.data_path in wanted
        ),
        locked=tuple(channel for channel, c in keyed if c.lock),
        muted=tuple(channel for channel, c in keyed if host.is_muted(c)),
        modified=tuple(channel for channel, c in keyed if len(c.modifiers)),
        sampled=tuple(channel for channel, c in found if is_sampled(c)),
    )


def read_keys(channels: Sequence[Channel], fcurves: Sequence[Any]) -> Curves:
    """Read all keys of host curves, one for each channel, into arrays."""
    return _curves(tuple(channels), *_flat(fcurves, ATTRIBUTES))


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Where keys and handles are, as in `Curves`, without what else a key holds."""

    starts: npt.NDArray[np.int64]
    frame: npt.NDArray[np.float32]
    value: npt.NDArray[np.float32]
    left: npt.NDArray[np.float32]
    right: npt.NDArray[np.float32]


def read_places(fcurves: Sequence[Any]) -> Places:
    """Read where the keys of host curves are: a quarter of the work of `read_keys`."""
    starts, arrays = _flat(fcurves, ATTRIBUTES[:3])
    co, left, right = (arrays[name].reshape(-1, 2) for name in ("co", "left", "right"))
    return Places(starts, co[:, 0], co[:, 1], left, right)


def read_co(fcurves: Sequence[Any]) -> npt.NDArray[np.float32]:
    """Read frame and value of every key of host curves, float32[K, 2]."""
    return _flat(fcurves, ATTRIBUTES[:1])[1]["co"].reshape(-1, 2)


def read_played(id_block: Any, curves: Curves) -> Curves:
    """Read curves again that were written: with the handles that the host made of theirs.

    A quarter of the work of `read_curves`.

    Parameters
    ----------
    id_block : bpy.types.ID
        What is animated.
    curves : Curves
        Whole channels, all of them keyed, as they were written or left.
    """
    fcurves = {(c.data_path, c.array_index): c for c in host.fcurves_of(id_block) or ()}
    now = read_places([fcurves[c.data_path, c.index] for c in curves.channels])
    if not np.array_equal(now.frame, curves.frame):
        # Another script left keys that are not in order.
        every = read_curves(id_block).curves
        numbers = {c: i for i, c in enumerate(every.channels)}
        return select(every, [numbers[c] for c in curves.channels])
    value = np.ascontiguousarray(now.value)
    return replace(curves, value=value, left=now.left, right=now.right)


def _flat(
    fcurves: Sequence[Any], attributes: Sequence[tuple[str, str, type, int]]
) -> tuple[npt.NDArray[np.int64], dict[str, npt.NDArray[Any]]]:
    counts = [len(c.keyframe_points) for c in fcurves]
    starts = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    arrays: dict[str, npt.NDArray[Any]] = {
        ours: np.empty(int(starts[-1]) * width, kind) for ours, _, kind, width in attributes
    }
    widths = [(arrays[ours], theirs, width) for ours, theirs, _, width in attributes]
    bounds = starts.tolist()
    for i, curve in enumerate(fcurves):
        points = curve.keyframe_points
        for array, theirs, width in widths:
            points.foreach_get(theirs, array[bounds[i] * width : bounds[i + 1] * width])
    return starts, arrays


def is_sampled(curve: Any) -> bool:
    """Say whether a host curve is baked: samples and no keys."""
    return len(curve.sampled_points) > 0 and not len(curve.keyframe_points)


def _curves(
    channels: tuple[Channel, ...], starts: npt.NDArray[np.int64], arrays: dict[str, Any]
) -> Curves:
    pairs = {name: arrays.pop(name).reshape(-1, 2) for name in ("co", "left", "right")}
    key: dict[str, Any] = {
        "frame": np.ascontiguousarray(pairs["co"][:, 0]),
        "value": np.ascontiguousarray(pairs["co"][:, 1]),
        "left": pairs["left"],
        "right": pairs["right"],
        **arrays,
    }
    owner = np.repeat(np.arange(len(channels)), np.diff(starts))
    if ((np.diff(key["frame"]) < 0) & (np.diff(owner) == 0)).any():
        # Another script wrote keys and did not sort them.
        order = np.lexsort((key["frame"], owner))
        key = {name: array[order] for name, array in key.items()}
    return Curves(channels, starts, **key)
