# SPDX-License-Identifier: GPL-3.0-or-later
"""What becomes of each channel's keys: moved, replaced, added and left, key by key."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import MERGE_FRAMES, Channel, Curves, channel

__all__ = ["Keyed", "account"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Keyed:
    """What becomes of one channel's keys.

    Attributes
    ----------
    channel : str
        Data path and index; before it, for what is not on the rig itself, whose it is.
    frames : tuple of float
        Frames of the keys that the jump has on it.
    moves : tuple of (float, float)
        Keys that go to another frame: from where to where.
    gone, new, stay : tuple of float
        Frames of keys that give way, that are new, and that stay as they are.
    ours : bool
        The channel carries the COG's path: its values in the air are the plan's.
    """

    channel: str
    frames: tuple[float, ...]
    moves: tuple[tuple[float, float], ...]
    gone: tuple[float, ...]
    new: tuple[float, ...]
    stay: tuple[float, ...]
    ours: bool

    @property
    def moved(self) -> int:
        """Keys that go to another frame."""
        return len(self.moves)

    @property
    def replaced(self) -> int:
        """Keys that give way."""
        return len(self.gone)

    @property
    def added(self) -> int:
        """Keys that are new."""
        return len(self.new)

    @property
    def left(self) -> int:
        """Keys that stay as they are."""
        return len(self.stay)

    @property
    def became(self) -> str:
        """The same in words."""
        counts = (
            (self.moved, "moved"),
            (self.replaced, "replaced"),
            (self.added, "added"),
            (self.left, "left"),
        )
        return ", ".join(f"{n} {word}" for n, word in counts if n) or "nothing"

    def to_json(self) -> dict[str, Any]:
        """The counts, and every key by its frame."""
        return {
            "channel": self.channel,
            "frames": list(self.frames),
            "became": self.became,
            "moved": self.moved,
            "replaced": self.replaced,
            "added": self.added,
            "left": self.left,
            "keys": {
                "moved": [list(pair) for pair in self.moves],
                "replaced": list(self.gone),
                "added": list(self.new),
                "left": list(self.stay),
            },
        }


def account(
    old: Curves,
    went: Floats,
    written: Curves,
    span: tuple[float, float],
    *,
    carrying: Collection[Channel] = (),
    whose: str = "",
) -> tuple[Keyed, ...]:
    """Tell what becomes of the keys of the channels that are written.

    Parameters
    ----------
    old, written : Curves
        Channels before and after; channels of `written` that are not in `old` are new.
    went : ndarray, shape (K,)
        Frame that each key of `old` goes to; NaN for one that gives way.
    span : (float, float)
        First and last frame of the jump.
    carrying : collection of Channel
        Channels that carry the COG.
    whose : str
        Put before the channels' names.
    """
    places = {name: i for i, name in enumerate(old.channels)}
    home = old.channel_of_key()
    told = []
    for i, name in enumerate(written.channels):
        frames = channel(written, i).frame.astype(np.float64)
        mine = home == places[name] if name in places else np.zeros(len(home), dtype=bool)
        was, now = old.frame[mine].astype(np.float64), went[mine]
        gone = np.isnan(now)
        moved = ~gone & (np.abs(now - was) > MERGE_FRAMES)
        came = now[~gone]
        new = frames[np.abs(frames[:, None] - came[None, :]).min(axis=1, initial=1) > MERGE_FRAMES]
        inside = (frames >= span[0] - MERGE_FRAMES) & (frames <= span[1] + MERGE_FRAMES)
        told.append(
            Keyed(
                channel=f"{whose}{name.label}",
                frames=tuple(frames[inside].tolist()),
                moves=tuple(zip(was[moved].tolist(), now[moved].tolist(), strict=True)),
                gone=tuple(was[gone].tolist()),
                new=tuple(new.tolist()),
                stay=tuple(was[~gone & ~moved].tolist()),
                ours=name in carrying,
            )
        )
    return tuple(told)
