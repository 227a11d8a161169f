# SPDX-License-Identifier: GPL-3.0-or-later
"""Fewer keys on curves, whose shape stays as it is: what a split added, taken out again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from leapwright.curves import Curves, Interpolation, remove_keys
from leapwright.errors import InputError
from leapwright.playback import blossom, controls

__all__ = ["join_keys"]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

IN_TIME = 3e-4
"""Frames by which a handle may miss where one cubic would have it."""

IN_VALUE = 3e-5
"""The same for its height, as a part of the heights about it."""


def join_keys(curves: Curves, mask: npt.ArrayLike) -> tuple[Curves, Bools]:
    """Take out those of the keys without which every channel keeps its shape.

    Parameters
    ----------
    mask : bool[K]
        Keys that may go. A channel's first and last key never do.

    Returns
    -------
    curves : Curves
        The handles that faced a key that went are as long again as before it was put in.
    gone : bool[K]
        The keys of the input that went.

    Raises
    ------
    InputError
        `mask` does not fit the keys.

    Notes
    -----
    De Casteljau's construction run backwards: of two pieces (p0 p1 p2 k), (k q1 q2 q3) of one
    cubic, k divides p2 q1 as u : 1 - u, and the handles were (p1 - p0)/u and (q3 - q2)/(1 - u).

    Examples
    --------
    >>> from leapwright.curves import Channel
    >>> from leapwright.insert import insert_keys
    >>> hop = Curves.checked([Channel("location", 2)], [0, 2], [0, 12], [0, 8],
    ...                      right=[[4, 8], [16, 8]], left=[[-4, 0], [8, 8]])
    >>> joined, gone = join_keys(insert_keys(hop, [0], [6]), [False, True, False])
    >>> joined.right.tolist()
    [[4.0, 8.0], [16.0, 8.0]]
    """
    may = np.asarray(mask)
    if may.dtype != np.bool_ or may.shape != curves.frame.shape:
        raise InputError(f"`mask` must be {len(curves.frame)} booleans, got {mask!r}", "mask")
    index = np.arange(len(curves.frame))
    gone = np.zeros(len(curves.frame), bool)
    # Of two neighbours one goes after the other: their pieces join one by one.
    while True:
        key, handles = _joinable(curves, np.flatnonzero(may))
        if not key.size:
            return curves, gone
        order = np.arange(key.size)
        begun = np.maximum.accumulate(np.where(np.diff(key, prepend=-2) > 1, order, 0))
        first = (order - begun) % 2 == 0
        key, handles = key[first], handles[first]
        right, left = curves.right.copy(), curves.left.copy()
        bent = curves.interpolation[key] == Interpolation.BEZIER
        right[key[bent] - 1] = handles[bent, 0]
        left[key[bent] + 1] = handles[bent, 1]
        out = np.zeros(len(index), bool)
        out[key] = True
        gone[index[out]] = True
        index, may = index[~out], may[~out]
        curves = remove_keys(replace(curves, left=left, right=right), out)


def _joinable(curves: Curves, key: Ints) -> tuple[Ints, Singles]:
    """Keys that may go without a change, and the two handles that then face each other."""
    home = curves.channel_of_key()[key]
    key = key[(key > curves.starts[home]) & (key < curves.starts[home + 1] - 1)]
    mode = curves.interpolation[key]
    key = key[(curves.interpolation[key - 1] == mode) & (mode <= Interpolation.BEZIER)]
    mode = curves.interpolation[key]
    p, q = controls(curves, key - 1, key), controls(curves, key, key + 1)
    size = np.abs(np.concatenate([p, q], axis=1)[:, :, 1]).max(axis=1, initial=0)
    slack = np.stack([np.full(size.shape, IN_TIME), IN_VALUE * size], axis=-1)
    span = q[:, 3, 0] - p[:, 0, 0]
    share = (p[:, 3, 0] - p[:, 0, 0]) / span
    on_line = p[:, 0] + share[:, None] * (q[:, 3] - p[:, 0])
    straight = (np.abs(on_line - p[:, 3]) <= slack).all(axis=1)
    still = np.abs(p[:, 3, 1] - p[:, 0, 1]) <= slack[:, 1]
    whole, fits = _whole(p, q, slack)
    good = np.select(
        [mode == Interpolation.CONSTANT, mode == Interpolation.LINEAR], [still, straight], fits
    )
    return key[good], whole[good][:, 1:3].astype(np.float32)


def _whole(p: Floats, q: Floats, slack: Floats) -> tuple[Floats, Bools]:
    """The cubic of which two Bezier segments are the pieces, and whether it is one."""
    scale = 1 / np.maximum(slack, 1e-300)
    chord, part = (q[:, 1] - p[:, 2]) * scale, (p[:, 3] - p[:, 2]) * scale
    length = (chord**2).sum(axis=1)
    u = (chord * part).sum(axis=1) / np.where(length > 0, length, 1.0)
    inside = (length > 0) & (u > 1e-3) & (u < 1 - 1e-3)
    u = np.where(inside, u, 0.5)
    out = p[:, 0] + (p[:, 1] - p[:, 0]) / u[:, None]
    back = q[:, 3] - (q[:, 3] - q[:, 2]) / (1 - u[:, None])
    # A short piece says little in single precision: there the long one, carried on, says more.
    start, end = -u / (1 - u), 1 / u
    out = np.where(u[:, None] < 0.3, blossom(q, start, start, np.ones_like(u)), out)
    back = np.where(u[:, None] > 0.7, blossom(p, np.zeros_like(u), end, end), back)
    whole = np.stack([p[:, 0], out, back, q[:, 3]], axis=1)
    level, first, last = whole, [], []
    for _ in range(3):
        level = level[:, :-1] + u[:, None, None] * np.diff(level, axis=1)
        first.append(level[:, 0])
        last.append(level[:, -1])
    made = np.stack([*first, last[1], last[0]], axis=1)
    wanted = np.stack([p[:, 1], p[:, 2], p[:, 3], q[:, 1], q[:, 2]], axis=1)
    near = (np.abs(made - wanted) <= slack[:, None]).all(axis=(1, 2))
    # The host would shorten a handle that is longer than its interval.
    played = (whole[:, 1, 0] <= whole[:, 3, 0]) & (whole[:, 2, 0] >= whole[:, 0, 0])
    return whole, inside & near & played
