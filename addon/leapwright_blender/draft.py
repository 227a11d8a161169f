# SPDX-License-Identifier: GPL-3.0-or-later
"""A character's curves as they are to be: nothing is written, every step gives new ones."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import MERGE_FRAMES, Curves
from leapwright.errors import InputError
from leapwright.repair import Repair
from leapwright.timemap import TimeMap
from leapwright.warp import warp
from leapwright_blender.aligned import unturned
from leapwright_blender.cast import Cast
from leapwright_blender.recast import joined

__all__ = ["Draft", "Played", "followed", "fresh_keys", "warped"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Played = list[tuple[Any, Curves]]


@dataclass(frozen=True, slots=True, eq=False)
class Draft:
    """Curves of a character as they are to be.

    Attributes
    ----------
    cast : Cast
        As it is in the file.
    curves : list of Curves
        For each part.
    frames : ndarray, shape (K,)
        Frame that each key of the file is on now.
    moved : dict of float to float
        Frames of moments that went elsewhere: before and after.
    moments : dict of jump to dict of moment to frame
        Where the moments of fixed jumps are.
    told : dict of (jump, fix) to str
    words : tuple of str
        Warnings.
    """

    cast: Cast
    curves: list[Curves]
    frames: Floats
    moved: Mapping[float, float] = field(default_factory=dict)
    moments: Mapping[int, Mapping[str, float]] = field(default_factory=dict)
    told: Mapping[tuple[int, str], str] = field(default_factory=dict)
    words: tuple[str, ...] = ()

    @classmethod
    def of(cls, cast: Cast) -> Draft:
        """The file itself."""
        return cls(cast, [part.curves for part in cast.parts], cast.curves.frame.astype(np.float64))

    @property
    def played(self) -> Played:
        """Each data-block with its channels as they are to be."""
        return [(p.holder.block, c) for p, c in zip(self.cast.parts, self.curves, strict=True)]

    @property
    def touched(self) -> bool:
        """Whether anything differs from the file."""
        return any(
            now is not part.curves for part, now in zip(self.cast.parts, self.curves, strict=True)
        )

    def own(self, number: int) -> Floats:
        """Frame that each key of one part, as it is in the file, is on now."""
        part = self.cast.parts[number]
        starts = self.cast.curves.starts
        return self.frames[starts[part.channels.start] : starts[part.channels.stop]]


def fresh_keys(before: Curves, went: Floats, now: Curves) -> Bools:
    """Keys of `now` that are none of the file's, bool[K].

    Parameters
    ----------
    before : Curves
        In the file.
    went : ndarray
        Frame that each of its keys is on now.
    now : Curves
    """
    fresh = np.ones(len(now.frame), dtype=bool)
    for i, name in enumerate(before.channels):
        there = went[before.starts[i] : before.starts[i + 1]]
        j = now.channels.index(name)
        own = slice(now.starts[j], now.starts[j + 1])
        frames = now.frame[own].astype(np.float64)
        away = np.abs(frames[:, None] - there[None, :]).min(axis=1, initial=np.inf)
        fresh[own] = away > MERGE_FRAMES
    return fresh


def warped(made: Draft, time_map: TimeMap, repairs: Sequence[Repair]) -> Draft:
    """Everything through the map of time at once; poses keep their values.

    Parameters
    ----------
    made : Draft
    time_map : TimeMap
    repairs : sequence of Repair
        Whose moments it moves.

    Raises
    ------
    InputError
        Keys would meet, or time would bend inside a segment that cannot be split.
    """
    if time_map.is_identity:
        return made
    moments = {r.before[m]: r.after[m] for r in repairs for m in r.before}
    every = joined(made.cast, made.curves)
    through = unturned(warp(every, time_map, moments=moments))
    if through.merged:
        first = through.merged[0]
        raise InputError(
            f"keys on frames {first.kept:g} and {first.away:g} of "
            f"{made.cast.label(first.channel)} would come onto one frame"
        )
    if len(through.curves.frame) != len(every.frame):
        raise InputError("time would bend inside a segment that cannot be split")
    frames = followed(made, every, through.curves)
    moved = {a: b for a, b in moments.items() if a != b}
    return replace(
        made,
        curves=made.cast.split(through.curves),
        frames=frames,
        moved={**made.moved, **moved},
    )


def followed(made: Draft, before: Curves, after: Curves) -> Floats:
    """Where the file's keys are, once the keys of `before` are those of `after`, one by one.

    Parameters
    ----------
    made : Draft
    before, after : Curves
        All channels of the cast.
    """
    frames = made.frames.copy()
    for i in range(len(before.channels)):
        own = slice(before.starts[i], before.starts[i + 1])
        file = slice(made.cast.curves.starts[i], made.cast.curves.starts[i + 1])
        was = before.frame[own].astype(np.float64)
        if not was.size or file.start == file.stop:
            continue
        at = np.abs(was[None, :] - frames[file][:, None]).argmin(axis=1)
        frames[file] = after.frame[own].astype(np.float64)[at]
    return frames
