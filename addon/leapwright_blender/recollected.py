# SPDX-License-Identifier: GPL-3.0-or-later
"""What a rig remembers of its jumps, after some of them were fixed."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.checked import Checked
from leapwright.curves import MERGE_FRAMES, Curves, channel
from leapwright.fingerprint import Written, written_keys
from leapwright_blender.cast import Cast
from leapwright_blender.draft import Draft
from leapwright_blender.read import read_curves
from leapwright_blender.recast import joined, ours
from leapwright_blender.store import Remembered

__all__ = ["recollected"]

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]


def recollected(
    cast: Cast, draft: Draft, before: Checked, jumps: Sequence[Remembered]
) -> Callable[[], list[Remembered]]:
    """Look at what is remembered before keys are written; give what makes it true after.

    Parameters
    ----------
    cast : Cast
        Before.
    draft : Draft
        What is written.
    before : Checked
    jumps : sequence of Remembered
    """
    masks = [ours(cast, jump) for jump in jumps]
    linked = {
        number: found.number
        for found, number in zip(before.jumps, before.remembered, strict=True)
        if number is not None
    }
    fixed = {number for number, own in linked.items() if any(n == own for n, _ in draft.told)}
    laid = {number for number, own in linked.items() if (own, "lay_arc") in draft.told}

    def after() -> list[Remembered]:
        told = []
        for number, (jump, own) in enumerate(zip(jumps, masks, strict=True), start=1):
            now = draft.moments.get(linked.get(number, -1), {})
            there = {m: now.get(m, draft.moved.get(f, f)) for m, f in jump.moments.items()}
            told.append(
                replace(
                    jump,
                    moments=there,
                    poses={m: there.get(m, f) for m, f in jump.poses.items()},
                    written=_written(cast, draft, jump, own, there, changed=number in fixed),
                    cog_from=before.cog_from if number in laid else jump.cog_from,
                    style={} if number in laid else jump.style,
                )
            )
        return told

    return after


def _written(
    cast: Cast,
    draft: Draft,
    jump: Remembered,
    own: Sequence[Bools],
    moments: Mapping[str, float],
    *,
    changed: bool,
) -> Written:
    """Fingerprints of a jump's own keys where they are now; those that the fix set are among
    them."""
    first, last = min(moments.values()), max(moments.values())
    after = joined(cast, draft.curves)
    written = dict(jump.written)
    for part, mask in zip(cast.parts, own, strict=True):
        now = read_curves(part.holder.block).curves
        keep = np.zeros(len(now.frame), dtype=bool)
        for i, name in enumerate(part.curves.channels):
            if name not in now.channels:
                continue
            at = part.channels[i]
            went = draft.frames[cast.curves.starts[at] : cast.curves.starts[at + 1]]
            old, new = channel(cast.curves, at), channel(after, at)
            label = f"{part.holder.label}|{name.label}"
            frames = went[mask[part.curves.starts[i] : part.curves.starts[i + 1]]]
            if label in written:
                written[label] = _followed(written[label], old.frame, went)
            if changed:
                set_by_fix = _set_frames(old, went, new)
                inside = (set_by_fix >= first) & (set_by_fix <= last)
                frames = np.concatenate([frames, set_by_fix[inside]])
                if set_by_fix.size and label in written:
                    written[label] = _there(written[label], new.frame)
            if not frames.size:
                continue
            j = now.channels.index(name)
            keys = np.arange(now.starts[j], now.starts[j + 1])
            near = np.abs(now.frame[keys][:, None] - frames[None, :]).min(axis=1)
            keep[keys[near < MERGE_FRAMES]] = True
        for label, prints in written_keys(now, part.holder.label, mask=keep).items():
            frames_now = {frame for frame, _ in prints}
            rest = [key for key in written.get(label, []) if key[0] not in frames_now]
            written[label] = sorted([*rest, *prints])
    return written


def _set_frames(old: Curves, went: Floats, new: Curves) -> Floats:
    """Frames of one channel's keys that are new, or moved, changed or reshaped."""
    frames = new.frame.astype(np.float64)
    if not len(old.frame):
        return frames
    away = np.abs(frames[:, None] - went[None, :])
    at, fresh = away.argmin(axis=1), away.min(axis=1) > MERGE_FRAMES
    same = (new.frame == old.frame[at]) & (new.value == old.value[at])
    for name in ("left", "right"):
        same &= (getattr(new, name) == getattr(old, name)[at]).all(axis=1)
    return np.asarray(frames[fresh | ~same])


def _there(keys: list[list[Any]], frames: NDArray[np.float32]) -> list[list[Any]]:
    """Remembered keys of which there still is one on the frame."""
    now = frames.astype(np.float64)
    return [key for key in keys if np.abs(now - key[0]).min(initial=np.inf) < MERGE_FRAMES]


def _followed(
    keys: list[list[Any]], was: NDArray[np.float32], went: NDArray[np.float64]
) -> list[list[Any]]:
    """Remembered keys on the frames that they went to."""
    found = []
    for frame, key in keys:
        near = np.abs(was.astype(np.float64) - frame)
        at = int(near.argmin()) if near.size else -1
        found.append([float(went[at]) if at >= 0 and near[at] < MERGE_FRAMES else frame, key])
    return found
