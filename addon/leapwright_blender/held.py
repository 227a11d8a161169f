# SPDX-License-Identifier: GPL-3.0-or-later
"""Handles that the host would make otherwise than they are meant, held as they are.

The host makes AUTO, AUTO_CLAMPED and VECTOR handles anew from their neighbours, and ALIGNED ones
beside them. What it makes also depends on keys further off, so it is asked.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import Channel, Curves, Handle, Interpolation, select
from leapwright_blender import host
from leapwright_blender.read import read_curves, read_places
from leapwright_blender.rehearsal import rehearsal

__all__ = ["put_back", "to_free", "with_free"]

Bools = NDArray[np.bool_]

Sheet = tuple[Any, Curves, Bools]
"""A data-block, whole channels of it as they are to be, and keys of these."""

ROUNDS = 8
"""How often the host is asked: a handle that goes FREE may be followed by its neighbours'."""

WITHIN = 1e-5
"""How far a handle may be off in value, as a part of its channel's range."""

FRAMES = 2e-3
"""How far in time."""


def to_free(sheets: Sequence[Sheet]) -> list[Bools]:
    """Say which keys need FREE handles for every shape to be as it is meant.

    Parameters
    ----------
    sheets : sequence of (bpy.types.ID, Curves, bool[K])
        The keys are those that may change; the others are left out of it.

    Returns
    -------
    list of bool[K]
        For each data-block.
    """
    with rehearsal() as played:
        found = []
        for block, curves, may in sheets:
            free = np.zeros(len(curves.frame), dtype=bool)
            for _ in range(ROUNDS):
                tried = with_free(curves, free)
                played.write(block, tried)
                more = _turned(tried, read_curves(block).curves) & may & ~free
                if not more.any():
                    break
                free |= more
            found.append(free)
    return found


def with_free(curves: Curves, keys: Bools) -> Curves:
    """The curves with FREE handles at these keys."""
    return replace(
        curves,
        left_type=np.where(keys, np.int32(Handle.FREE), curves.left_type),
        right_type=np.where(keys, np.int32(Handle.FREE), curves.right_type),
    )


def _turned(curves: Curves, played: Curves) -> Bools:
    """Keys with a handle that counts and is not where it was written."""
    places = {channel: i for i, channel in enumerate(played.channels)}
    now = select(played, [places[c] for c in curves.channels])
    home = curves.channel_of_key()
    room = WITHIN * _range(curves)[home]
    bent = curves.interpolation == Interpolation.BEZIER
    same = np.r_[False, home[1:] == home[:-1]]
    turned = np.zeros(len(home), dtype=bool)
    for mine, theirs, counts in (
        (curves.left, now.left, same & np.r_[False, bent[:-1]]),
        (curves.right, now.right, np.r_[same[1:], False] & bent),
    ):
        off = np.abs(mine.astype(np.float64) - theirs)
        turned |= counts & ((off[:, 0] > FRAMES) | (off[:, 1] > room))
    return turned


def _range(curves: Curves) -> NDArray[np.float64]:
    """Of each channel's keys; 1 where they are all of one value."""
    value = curves.value.astype(np.float64)
    starts = curves.starts[:-1]
    spread = np.maximum.reduceat(value, starts) - np.minimum.reduceat(value, starts)
    return np.where(spread > 0, spread, 1.0)


def put_back(sheets: Sequence[Sheet]) -> None:
    """Give keys that are not to change their handles again, where the host made others.

    Parameters
    ----------
    sheets : sequence of (bpy.types.ID, Curves, bool[K])
        What was written; the keys are those to put back.
    """
    for block, curves, keys in sheets:
        by_channel = {Channel(c.data_path, c.array_index): c for c in host.fcurves_of(block) or ()}
        targets = [by_channel[channel] for channel in curves.channels]
        now = read_places(targets)
        sides = (("handle_left", curves.left, now.left), ("handle_right", curves.right, now.right))
        home, touched = curves.channel_of_key(), False
        for name, meant, made in sides:
            moved = keys & (meant != made).any(axis=1)
            back = np.where(moved[:, None], meant, made)
            for i in np.unique(home[moved]).tolist():
                own = slice(curves.starts[i], curves.starts[i + 1])
                targets[i].keyframe_points.foreach_set(
                    name, np.ascontiguousarray(back[own]).ravel()
                )
                touched = True
        if touched:
            block.animation_data.action.update_tag()
