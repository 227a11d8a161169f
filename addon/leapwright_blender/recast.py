# SPDX-License-Identifier: GPL-3.0-or-later
"""A character's curves before and after a change of time: what is written, and its account."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import Curves, Interpolation, channel, concat, identical, select
from leapwright.errors import NotFoundError
from leapwright.fingerprint import changed_keys
from leapwright.jump import Moments
from leapwright.naming import some
from leapwright.shape import largest_miss
from leapwright.timemap import TimeMap
from leapwright.warp import Warped, warp
from leapwright_blender import host
from leapwright_blender.aligned import unturned
from leapwright_blender.cast import Cast, Part
from leapwright_blender.closed import refuse_channels
from leapwright_blender.heights import Flight
from leapwright_blender.held import to_free, with_free
from leapwright_blender.read import read_played
from leapwright_blender.retimed import KeysMoved
from leapwright_blender.space import Control, data_path_location
from leapwright_blender.store import Remembered

__all__ = [
    "Recast",
    "Sheets",
    "carrying",
    "eased_words",
    "holding",
    "joined",
    "keys_of",
    "moved_moments",
    "open_up",
    "ours",
    "played",
    "refuse_closed",
    "sheets",
    "through",
    "told",
    "with_curves",
]

Bools = NDArray[np.bool_]
Sheets = list[tuple[Any, Curves, Bools, Curves]]


@dataclass(frozen=True, slots=True, eq=False)
class Recast:
    """The character's curves before and after.

    Attributes
    ----------
    cast : Cast
        Before.
    after : Curves
        The same channels.
    changed, fixed : ndarray of bool, shape (K,)
        Per key of `after`: what differs at all, and what the host must leave as it is written.
    warped : Warped
        What the map of time did.
    """

    cast: Cast
    after: Curves
    changed: Bools
    fixed: Bools
    warped: Warped


def through(
    cast: Cast,
    time_map: TimeMap,
    carriers: Sequence[Control],
    *,
    air: tuple[float, float],
    moments: Mapping[float, float],
    exact: bool,
    subframes: bool,
) -> Recast:
    """Everything through the map at once, so that what is on one frame stays on one.

    Parameters
    ----------
    carriers : sequence of Control
        Whose locations carry the COG.
    air : (float, float)
        Take-off and land before.
    moments : mapping of float to float
        Frames of the moments before and after.

    Raises
    ------
    NotFoundError
        There are no keys.
    """
    if not len(cast.curves.frame):
        raise NotFoundError("there are no keys to retime")
    # A channel that is eased there follows no law of ours, and its easing is kept.
    physics = carrying(cast, carriers) & ~_eases(cast.curves, time_map)
    warped = unturned(
        warp(
            cast.curves,
            time_map,
            exact=exact,
            subframes=subframes,
            physics=physics,
            air=air,
            moments=moments,
        )
    )
    return Recast(cast, warped.curves, warped.changed, warped.fixed, warped)


def moved_moments(before: Flight, after: Moments) -> dict[float, float]:
    """Frames of the moments before and after: their keys go there. One between frames has none."""
    there = dict(after)
    return {
        frame: float(there[name])
        for name, frame in before.moments.items()
        if there.get(name) is not None and float(frame).is_integer()
    }


def _eases(curves: Curves, time_map: TimeMap) -> Bools:
    """Channels with easing segments between the first bend of time and the last, bool[C]."""
    bends, home = time_map.bends(), curves.channel_of_key()
    eases = np.zeros(len(curves.channels), dtype=bool)
    if bends.size and len(home) > 1:
        key = np.flatnonzero(
            (curves.interpolation[:-1] > Interpolation.BEZIER)
            & (home[1:] == home[:-1])
            & (curves.frame[1:] > bends[0])
            & (curves.frame[:-1] < bends[-1])
        )
        eases[home[key]] = True
    return eases


def carrying(cast: Cast, carriers: Sequence[Control]) -> Bools:
    """Which channels of the cast are the carriers' locations."""
    ways = {(data_path_location(c), c.object) for c in carriers}
    return np.array(
        [
            part.holder.kind == "objects" and (c.data_path, part.holder.name) in ways
            for part in cast.parts
            for c in part.curves.channels
        ],
        dtype=bool,
    )


def played(recast: Recast) -> list[tuple[Any, Curves]]:
    """Each data-block with its channels as they are to be."""
    halves = zip(recast.cast.parts, recast.cast.split(recast.after), strict=True)
    return [(part.holder.block, curves) for part, curves in halves]


def joined(cast: Cast, made: Sequence[Curves]) -> Curves:
    """The parts' curves as those of the whole cast."""
    return concat(
        [
            replace(c, channels=select(cast.curves, part.channels).channels)
            for part, c in zip(cast.parts, made, strict=True)
        ]
    )


def with_curves(recast: Recast, after: Curves) -> Recast:
    """The same with other curves; every key of a channel that differs counts as changed."""
    changed, fixed = [recast.changed[:0]], [recast.fixed[:0]]
    for i, _ in enumerate(after.channels):
        own = slice(recast.after.starts[i], recast.after.starts[i + 1])
        same = identical(channel(after, i), channel(recast.after, i))
        count = int(after.starts[i + 1] - after.starts[i])
        changed.append(recast.changed[own] if same else np.ones(count, dtype=bool))
        fixed.append(recast.fixed[own] if same else np.zeros(count, dtype=bool))
    return replace(
        recast, after=after, changed=np.concatenate(changed), fixed=np.concatenate(fixed)
    )


def holding(recast: Recast) -> Recast:
    """The same with FREE handles wherever the host would make others."""
    free = np.zeros(len(recast.after.frame), dtype=bool)
    numbers = [keys for _, _, keys in _changing(recast, np.arange(free.size))]
    for keys, found in zip(numbers, to_free(keys_of(recast, recast.changed)), strict=True):
        free[keys] = found
    return replace(recast, after=with_free(recast.after, free), fixed=recast.fixed & ~free)


def refuse_closed(recast: Recast) -> None:
    """Raise HostError where an action cannot be edited, or a locked channel would change."""
    touched = _touched(recast)
    for part in recast.cast.parts:
        names = {
            c for i, c in zip(part.channels, part.curves.channels, strict=True) if i in touched
        }
        if not names:
            continue
        host.refuse_if_not_editable(part.holder.block, will_copy=True)
        refuse_channels(part.reading.locked, names, "locked channels would be retimed", "unlock")


def open_up(recast: Recast) -> list[str]:
    """Give what belongs to the character an action of its own where it needs one; say what was
    done. Not before nothing is left to be refused."""
    return [said for p in recast.cast.parts for said in host.make_editable(p.holder.block)]


def _touched(recast: Recast) -> set[int]:
    """Channels of the cast of which anything changes."""
    before, after = recast.cast.curves, recast.after
    touched = np.diff(before.starts) != np.diff(after.starts)
    touched[after.channel_of_key()[recast.changed]] = True
    return set(np.flatnonzero(touched).tolist())


def eased_words(recast: Recast) -> list[str]:
    """What became of eased segments, a sentence each."""
    texts = []
    for listed, said in (
        (recast.warped.unsplit, "eased segments that time bends in are stretched as a whole"),
        (recast.warped.softened, "eased segments that time bends in are Bezier segments now"),
    ):
        if listed:
            where = [f"{recast.cast.label(c)} from {f:g}" for c, f in listed]
            texts.append(f"{said}: {some(where)}")
    return texts


def _changing(recast: Recast, keys: NDArray[Any]) -> list[tuple[Part, Curves, NDArray[Any]]]:
    """Each part of the cast that changes: the channels that do, and what `keys` says of theirs."""
    touched = _touched(recast)
    halves = zip(
        recast.cast.parts,
        recast.cast.split(recast.after),
        recast.cast.split_keys(recast.after, keys),
        strict=True,
    )
    found = []
    for part, after, own in halves:
        at = [i for i, number in enumerate(part.channels) if number in touched]
        if at:
            found.append((part, select(after, at), own[np.isin(after.channel_of_key(), at)]))
    return found


def sheets(recast: Recast) -> Sheets:
    """For the writer: data-block, channels that change, keys to be left, what was before."""
    return [
        (part.holder.block, curves, fixed, part.curves)
        for part, curves, fixed in _changing(recast, recast.fixed)
    ]


def keys_of(recast: Recast, mask: Bools) -> list[tuple[Any, Curves, Bools]]:
    """For `held`: data-block, channels that change, and which of their keys `mask` has."""
    return [(part.holder.block, curves, keys) for part, curves, keys in _changing(recast, mask)]


def told(recast: Recast, time_map: TimeMap, *, but: Bools | None = None) -> KeysMoved:
    """What became of the keys, with the shapes that the host plays now.

    Parameters
    ----------
    but : ndarray of bool, shape (C,), optional
        Channels that were to have another shape: no miss is looked for on them.
    """
    cast, warped = recast.cast, recast.warped
    now = joined(cast, [read_played(block, curves) for block, curves in played(recast)])
    rest = np.arange(len(cast.curves.channels)) if but is None else np.flatnonzero(~but)
    miss = largest_miss(select(cast.curves, rest), select(now, rest), time_map)
    more = np.diff(recast.after.starts) - np.diff(warped.curves.starts)
    return KeysMoved(
        channels=len(_touched(recast)),
        moved=warped.moved,
        split=int(np.count_nonzero(warped.split) + more[more > 0].sum()),
        merged=tuple((cast.label(m.channel), m.kept, m.away) for m in warped.merged),
        largest_miss=miss._replace(channel=cast.label(miss.channel) if miss.channel else ""),
    )


def ours(cast: Cast, remembered: Remembered | None) -> list[Bools]:
    """Keys that are as the remembered jump wrote them, for each part."""
    return [
        np.zeros(len(part.curves.frame), dtype=bool)
        if remembered is None
        else changed_keys(remembered.written, part.curves, part.holder.label).ours
        for part in cast.parts
    ]
