# SPDX-License-Identifier: GPL-3.0-or-later
"""Playing curves: the values of many channels at many frames, as the host gives them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from leapwright.curves import Curves, Interpolation
from leapwright.easing import eased
from leapwright.units import finite

__all__ = ["blossom", "controls", "evaluate", "keys_before", "parameter"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def evaluate(curves: Curves, frames: npt.ArrayLike) -> Floats:
    """Give the values of every channel at the frames, as the host plays them.

    Parameters
    ----------
    frames : array_like of F floats
        Frames, whole or not.

    Returns
    -------
    float64[C, F]
        Constant before the first and after the last key; NaN for a channel without keys.

    Raises
    ------
    InputError
        A frame is not finite.

    Notes
    -----
    A handle longer than its interval is shortened to it, in time and value, each handle by
    itself.
    """
    times = np.atleast_1d(finite(frames, "frames", ""))
    values = np.full((len(curves.channels), times.size), np.nan)
    full = np.flatnonzero(np.diff(curves.starts))
    if not full.size or not times.size:
        return values
    before = keys_before(curves, full[:, None], times)
    first, last = curves.starts[full][:, None], curves.starts[full + 1][:, None] - 1
    start = np.clip(before, first, last)
    stop = np.minimum(start + 1, last)
    time = np.broadcast_to(times, start.shape)
    held = (before < first) | (before >= last) | (time == curves.frame[start])
    found = curves.value[start].astype(np.float64)
    mode = np.where(held, Interpolation.CONSTANT, curves.interpolation[start])
    line = mode == Interpolation.LINEAR
    a, b = start[line], stop[line]
    t0, t1 = curves.frame[a].astype(np.float64), curves.frame[b].astype(np.float64)
    v0, v1 = curves.value[a].astype(np.float64), curves.value[b].astype(np.float64)
    found[line] = v0 + (v1 - v0) * (time[line] - t0) / (t1 - t0)
    bent = mode == Interpolation.BEZIER
    found[bent] = _bezier(curves, start[bent], stop[bent], time[bent])
    soft = mode > Interpolation.BEZIER
    found[soft] = eased(curves, start[soft], stop[soft], time[soft])
    values[full] = found
    return values


def keys_before(curves: Curves, channels: npt.ArrayLike, frames: npt.ArrayLike) -> Ints:
    """Find the last key at or before each frame in its channel.

    Parameters
    ----------
    channels, frames : array_like
        Indices of channels and frames, broadcast against each other.

    Returns
    -------
    int64
        Index of the key; one less than the channel's first where the frame is before all of them.
    """
    home, times = np.asarray(channels, np.int64), np.asarray(frames, np.float64)
    # Ranks in place of frames make one exact search over all channels at once.
    ranks = np.unique(curves.frame)
    stride = len(ranks) + 1
    key_rank = curves.channel_of_key() * stride + np.searchsorted(ranks, curves.frame)
    rank = np.searchsorted(ranks.astype(np.float64), times, side="right") - 1
    return np.searchsorted(key_rank, home * stride + rank, side="right") - 1


def controls(curves: Curves, start: Ints, stop: Ints) -> Floats:
    """Give the control points that the host plays Bezier segments with, float64[N, 4, 2].

    Parameters
    ----------
    start, stop : int64[N]
        Keys where each segment begins and ends.

    Notes
    -----
    A handle longer than its interval is shortened to it, in time and value.
    """
    p0 = np.stack([curves.frame[start], curves.value[start]], -1).astype(np.float64)
    p3 = np.stack([curves.frame[stop], curves.value[stop]], -1).astype(np.float64)
    span = p3[:, 0] - p0[:, 0]
    p1 = p0 + _fitted(curves.right[start] - p0, span)
    p2 = p3 - _fitted(p3 - curves.left[stop], span)
    return np.stack([p0, p1, p2, p3], axis=1)


def blossom(points: Floats, a: Floats, b: Floats, c: Floats) -> Floats:
    """Give the polar form of cubics at three parameters, float64[N, 2].

    De Casteljau's construction with another parameter in each round. The control points of the
    piece from u to w are the blossoms of (u, u, u), (u, u, w), (u, w, w) and (w, w, w).

    Parameters
    ----------
    points : float64[N, 4, 2]
        Control points.
    a, b, c : float64[N]
        Parameters, in any order.
    """
    level = points
    for t in (a, b, c):
        level = level[:, :-1] + t[:, None, None] * np.diff(level, axis=1)
    return np.asarray(level[:, 0])


def parameter(points: Floats, time: Floats) -> Floats:
    """Find where a Bezier segment is at `time`, as its parameter from 0 to 1, float64[N].

    Parameters
    ----------
    points : float64[N, 4, 2]
        As from `controls`: time never runs back along them.
    time : float64[N]
        Frames inside the segments.

    Notes
    -----
    Time never runs back, so Newton's method kept inside a shrinking bracket always finds the one
    parameter of a frame.
    """
    span = points[:, 3, 0] - points[:, 0, 0]
    # Newton on t(u) = time in units of the interval; the bracket halves when a step leaves it.
    a, b = ((points[:, i, 0] - points[:, 0, 0]) / span for i in (1, 2))
    x = (time - points[:, 0, 0]) / span
    c1, c2, c3 = 3 * a, 3 * (b - 2 * a), 1 + 3 * (a - b)
    found, todo = x.copy(), np.arange(x.size)
    low, high, u = np.zeros_like(x), np.ones_like(x), x
    for _ in range(60):
        miss = ((c3 * u + c2) * u + c1) * u - x
        low, high = np.where(miss <= 0, u, low), np.where(miss >= 0, u, high)
        slope = (3 * c3 * u + 2 * c2) * u + c1
        step = u - miss / np.where(slope > 1e-12, slope, 1e-12)
        # A step outside the bracket, or one that halves nothing, gives way to the middle.
        new = np.where((step > low) & (step < high), step, 0.5 * (low + high))
        new = np.where(miss == 0, u, new)
        found[todo] = new
        going = np.abs(new - u) > 1e-15
        if not going.any():
            break
        # Most are found in a few rounds; the others go on alone.
        todo = todo[going]
        u, x, low, high, c1, c2, c3 = (a[going] for a in (new, x, low, high, c1, c2, c3))
    return found


def _bezier(curves: Curves, start: Ints, stop: Ints, time: Floats) -> Floats:
    """Value at `time`, float64[N], on the segments from keys `start` to keys `stop`."""
    points = controls(curves, start, stop)
    u = parameter(points, time)
    w, y = 1 - u, points[:, :, 1]
    height: Floats = (
        w**3 * y[:, 0] + 3 * w * w * u * y[:, 1] + 3 * w * u * u * y[:, 2] + u**3 * y[:, 3]
    )
    return height


def _fitted(handle: Floats, span: Floats) -> Floats:
    """Shorten handles, [N, 2] from the key into its interval; none may point out of it."""
    length = np.maximum(handle[:, 0], 0.0)
    fit = np.where(length > span, span / np.where(length > span, length, 1.0), 1.0)
    return np.stack([length * fit, handle[:, 1] * fit], axis=-1)
