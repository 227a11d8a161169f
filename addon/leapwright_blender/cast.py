# SPDX-License-Identifier: GPL-3.0-or-later
"""The curves of everything that belongs to a character, as one: what is on one frame stays on one.

Channels of several data-blocks may have the same path, so each is named after its data-block.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import Channel, Curves, concat, select
from leapwright_blender.character import Holder, holders
from leapwright_blender.read import Reading, read_curves

__all__ = ["Cast", "Part", "read_cast"]

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Part:
    """One data-block of a cast: its curves, and its channels' numbers in those of the cast."""

    holder: Holder
    reading: Reading
    curves: Curves
    channels: range


@dataclass(frozen=True, slots=True)
class Cast:
    """All curves of a character.

    Attributes
    ----------
    parts : tuple of Part
        The rig first.
    curves : Curves
        All channels, named ``holder's number|data path``.
    """

    parts: tuple[Part, ...]
    curves: Curves

    def split(self, curves: Curves) -> list[Curves]:
        """Curves of the whole cast, the same channels, as those of each part."""
        return [
            replace(picked, channels=part.curves.channels)
            for part in self.parts
            for picked in [select(curves, part.channels)]
        ]

    def split_keys(self, curves: Curves, mask: Bools) -> list[Bools]:
        """The same for a number per key of the whole cast's `curves`."""
        return [
            mask[curves.starts[p.channels.start] : curves.starts[p.channels.stop]]
            for p in self.parts
        ]

    def label(self, name: str) -> str:
        """A channel's label for messages: whose it is, unless the rig's, and the channel."""
        number, _, channel = name.partition("|")
        if number == "0":
            return channel
        return f"{self.parts[int(number)].holder.label}: {channel}"


def read_cast(obj: Any, *, props: bool, only: Collection[str] | None = None) -> Cast:
    """Read the curves of a character.

    Parameters
    ----------
    props : bool
        Whether props belong to it.
    only : collection of str, optional
        Beginnings of the data paths on the rig that count; nothing else does then.
    """
    parts, named = [], []
    start = 0
    for i, holder in enumerate(holders(obj, props=props and only is None)):
        if only is not None and i:
            break
        reading = read_curves(holder.block)
        curves = reading.curves if only is None else _only(reading.curves, tuple(only))
        count = len(curves.channels)
        parts.append(Part(holder, reading, curves, range(start, start + count)))
        named.append(_named(curves, i))
        start += count
    return Cast(tuple(parts), concat(named))


def _only(curves: Curves, beginnings: tuple[str, ...]) -> Curves:
    return select(
        curves, [i for i, c in enumerate(curves.channels) if c.data_path.startswith(beginnings)]
    )


def _named(curves: Curves, number: int) -> Curves:
    channels: Sequence[Channel] = [
        Channel(f"{number}|{c.data_path}", c.index, c.group) for c in curves.channels
    ]
    return replace(curves, channels=tuple(channels))
