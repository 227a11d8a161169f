# SPDX-License-Identifier: GPL-3.0-or-later
"""Whole channels of a leg: solved keys inside planted spans, everything else as it was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import (
    MERGE_FRAMES,
    Channel,
    Curves,
    Handle,
    Interpolation,
    Kind,
    concat,
    merge,
    remove_keys,
    select,
)
from leapwright.path import handles_at_thirds

__all__ = ["Row", "among", "leg_curves", "posed_frames"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_KEPT = ("kind", "easing", "back", "amplitude", "period")


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """Keys of one planted span, for all channels of the leg.

    Attributes
    ----------
    frames : ndarray, shape (K,)
    values, slopes_in, slopes_out : ndarray, shape (K, D)
    """

    frames: Floats
    values: Floats
    slopes_in: Floats
    slopes_out: Floats


@dataclass(frozen=True, slots=True, eq=False)
class _Spans:
    """Rows of all spans in one: where a span begins and ends, and where there are only poses."""

    frames: Floats
    values: Floats
    slopes_in: Floats
    slopes_out: Floats
    begins: Mask
    ends: Mask


def posed_frames(curves: Curves, channels: Sequence[Channel]) -> Floats:
    """Frames on which any of the channels has a key, rising."""
    wanted = np.array([c in set(channels) for c in curves.channels], bool)
    keys = wanted[curves.channel_of_key()]
    return np.unique(curves.frame[keys].astype(np.float64))


def among(frames: Floats, others: Floats) -> Mask:
    """Which frames are among others, to what the host takes for one key."""
    if not len(others):
        return np.zeros(len(frames), bool)
    return np.asarray(np.abs(frames - others[_nearest(frames, others)]) < MERGE_FRAMES)


def leg_curves(
    before: Curves,
    channels: Sequence[Channel],
    rows: Sequence[Row],
    *,
    moments: Floats,
    still: Floats,
    stepped: bool,
) -> Curves:
    """Put the keys of planted spans into a leg's channels.

    Parameters
    ----------
    before : Curves
        As it is.
    channels : sequence of Channel
        ``D`` channels of the leg.
    rows : sequence of Row
        In order of time; two may share a frame.
    moments : ndarray
        Frames whose new keys are keyframes; the others are breakdowns.
    still : ndarray, shape (D,)
        Where channels without keys stand. The leg's poses outside the spans keep that.
    stepped : bool
        New keys are held, and keys that are there are left alone.
    """
    spans = _joined([row for row in rows if len(row.frames)])
    if spans is None:
        return Curves.empty()
    poses = posed_frames(before, channels)
    own = {c: i for i, c in enumerate(before.channels)}
    done = []
    for d, channel in enumerate(channels):
        base = select(before, [own[channel]]) if channel in own else Curves.empty()
        keys = _keys(base, channel, spans, d, moments=moments, stepped=stepped)
        done.append(merge(base, keys, replace=True).curves)
        if channel not in own:
            guards = _guards(channel, poses[~among(poses, spans.frames)], still[d], stepped=stepped)
            done[-1] = merge(done[-1], guards, replace=True).curves
    return concat(done)


def _joined(rows: Sequence[Row]) -> _Spans | None:
    """All rows in one; where two spans meet, what reaches the frame is the first one's."""
    if not rows:
        return None
    frames = np.concatenate([r.frames for r in rows])
    values, reach, leave = (
        np.concatenate([getattr(r, name) for r in rows])
        for name in ("values", "slopes_in", "slopes_out")
    )
    starts = np.cumsum([0] + [len(r.frames) for r in rows])
    begins, ends = np.zeros(len(frames), bool), np.zeros(len(frames), bool)
    begins[starts[:-1]] = ends[starts[1:] - 1] = True
    met = np.flatnonzero(np.diff(frames) < MERGE_FRAMES)
    leave[met], ends[met] = leave[met + 1], ends[met + 1]
    keep = np.delete(np.arange(len(frames)), met + 1)
    return _Spans(*(a[keep] for a in (frames, values, reach, leave, begins, ends)))


def _keys(
    base: Curves, channel: Channel, spans: _Spans, d: int, *, moments: Floats, stepped: bool
) -> Curves:
    """Keys of one channel in all spans; those that were there keep their value and kind."""
    frames, there = spans.frames, base.frame.astype(np.float64)
    known, place = among(frames, there), _nearest(frames, there)
    _, left, right = handles_at_thirds(
        frames, spans.values[:, d], spans.slopes_in[:, d], slopes_after=spans.slopes_out[:, d]
    )
    value = spans.values[:, d].astype(np.float32)
    frame = frames.astype(np.float32)
    arrays: dict[str, Any] = {
        "kind": np.where(among(frames, moments), Kind.KEYFRAME, Kind.BREAKDOWN),
        "interpolation": np.full(
            len(frames), Interpolation.CONSTANT if stepped else Interpolation.BEZIER
        ),
    }
    for name in _KEPT if known.any() else ():
        kept = getattr(base, name)[place]
        arrays[name] = np.where(known, kept, arrays.get(name, kept))
    if known.any():
        frame = np.where(known, base.frame[place], frame)
        value = np.where(known, base.value[place], value)
        # What follows the last key of a span is the air's.
        held = known & spans.ends
        arrays["interpolation"][held] = base.interpolation[place][held]
    _flatten(left, right, frame, value, spans, there[~among(there, frames)])
    keys = Curves.checked(
        [channel],
        [0, len(frame)],
        frame,
        value,
        left=left,
        right=right,
        left_type=Handle.FREE,
        right_type=Handle.FREE,
        **arrays,
    )
    return remove_keys(keys, known) if stepped else keys


def _flatten(
    left: NDArray[np.float32],
    right: NDArray[np.float32],
    frame: NDArray[np.float32],
    value: NDArray[np.float32],
    spans: _Spans,
    others: Floats,
) -> None:
    """Flat handles towards the air, a third of the way to the next key there."""
    every = np.union1d(others, frame.astype(np.float64))
    place = np.searchsorted(every, frame.astype(np.float64))
    gap = np.diff(every)
    before = np.concatenate([[np.inf], gap])[place]
    after = np.concatenate([gap, [np.inf]])[place]
    before[np.isinf(before)] = after[np.isinf(before)]
    after[np.isinf(after)] = before[np.isinf(after)]
    reach = np.where(np.isfinite(np.stack([before, after])), [before, after], 3.0) / 3
    for handle, where, step in ((left, spans.begins, -reach[0]), (right, spans.ends, reach[1])):
        handle[where, 0] = (frame + step)[where]
        handle[where, 1] = value[where]


def _guards(channel: Channel, frames: Floats, value: float, *, stepped: bool) -> Curves:
    """Keys that keep poses outside the spans on a channel that had no keys."""
    return Curves.checked(
        [channel],
        [0, len(frames)],
        frames,
        np.full(len(frames), value),
        left=np.stack([frames - 1, np.full(len(frames), value)], axis=1),
        right=np.stack([frames + 1, np.full(len(frames), value)], axis=1),
        left_type=Handle.AUTO_CLAMPED,
        right_type=Handle.AUTO_CLAMPED,
        kind=Kind.BREAKDOWN,
        interpolation=Interpolation.CONSTANT if stepped else Interpolation.BEZIER,
    )


def _nearest(frames: Floats, others: Floats) -> NDArray[np.int64]:
    """Index of the nearest of the others, for each frame; zeros where there are none."""
    if not len(others):
        return np.zeros(len(frames), np.int64)
    return np.asarray(np.abs(frames[:, None] - others).argmin(axis=1))
