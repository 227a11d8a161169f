# SPDX-License-Identifier: GPL-3.0-or-later
"""Keys, handles and types of many animation channels as flat arrays.

The keys of channel ``i`` are ``starts[i]:starts[i + 1]`` of every key array. Nothing here knows
where the keys come from: the host layer reads them into a :class:`Curves` and writes one back.
Times are frames and values are in the channel's own unit: this is the edge where frames live.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from enum import IntEnum
from typing import Any

import numpy as np
import numpy.typing as npt

from leapwright.errors import InputError, KeysInTheWayError

__all__ = [
    "MERGE_FRAMES",
    "Channel",
    "Curves",
    "Easing",
    "Handle",
    "Interpolation",
    "Keys",
    "Kind",
    "Merged",
    "channel",
    "concat",
    "demand_apart",
    "identical",
    "keys_at",
    "keys_between",
    "merge",
    "move_keys",
    "remove_keys",
    "select",
    "shift_keys",
]

Floats = npt.NDArray[np.float64]
Singles = npt.NDArray[np.float32]
Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

MERGE_FRAMES = 0.01
"""Keys of one channel closer than this many frames are one key to the host."""

LARGEST = 1e15
"""Frames, values and handles that are larger are broken: single precision cannot play them."""

SAME_FRAME = 1e-3
"""A key this close to a frame is on that frame."""


class Handle(IntEnum):
    """Handle types, with the host's numbers."""

    FREE = 0
    AUTO = 1
    VECTOR = 2
    ALIGNED = 3
    AUTO_CLAMPED = 4


class Interpolation(IntEnum):
    """How a channel goes from a key to the next one, with the host's numbers."""

    CONSTANT = 0
    LINEAR = 1
    BEZIER = 2
    BACK = 3
    BOUNCE = 4
    CIRC = 5
    CUBIC = 6
    ELASTIC = 7
    EXPO = 8
    QUAD = 9
    QUART = 10
    QUINT = 11
    SINE = 12


class Kind(IntEnum):
    """What a key is to the animator, with the host's numbers."""

    KEYFRAME = 0
    EXTREME = 1
    BREAKDOWN = 2
    JITTER = 3
    MOVING_HOLD = 4
    GENERATED = 5


class Easing(IntEnum):
    """Which end of a segment eases, with the host's numbers."""

    AUTO = 0
    EASE_IN = 1
    EASE_OUT = 2
    EASE_IN_OUT = 3


@dataclass(frozen=True, slots=True)
class Channel:
    """One animated number. Two channels are the same when path and index are; groups only sort."""

    data_path: str
    index: int
    group: str = field(default="", compare=False)

    @property
    def label(self) -> str:
        """Data path and index, as messages and reports name a channel."""
        return f"{self.data_path}[{self.index}]"


_SINGLE = {"frame": 0.0, "value": 0.0, "back": 1.70158, "amplitude": 0.8, "period": 4.1}
_PAIR = ("left", "right")
_WHOLE = {
    "interpolation": Interpolation.BEZIER,
    "left_type": Handle.FREE,
    "right_type": Handle.FREE,
    "kind": Kind.KEYFRAME,
    "easing": Easing.AUTO,
}
_PER_KEY = (*_SINGLE, *_PAIR, *_WHOLE)


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """Many channels' keys, in the order of their channels and, inside one, of their frames.

    Attributes
    ----------
    channels : tuple of Channel
        ``C`` channels, each once.
    starts : int64[C + 1]
        First key of each channel, and the number of keys ``K`` last.
    frame, value : float32[K]
        Where each key is.
    left, right : float32[K, 2]
        Frame and value of both handles.
    interpolation, left_type, right_type, kind, easing : int32[K]
        Numbers of the enums of this module.
    back, amplitude, period : float32[K]
        Settings of the easings of those names; `period` is in frames.

    Raises
    ------
    InputError
        Wrong type, shape or order of an array, or a number that is not finite or absurdly large.
    """

    channels: tuple[Channel, ...]
    starts: Ints
    frame: Singles
    value: Singles
    left: Singles
    right: Singles
    interpolation: npt.NDArray[np.int32]
    left_type: npt.NDArray[np.int32]
    right_type: npt.NDArray[np.int32]
    kind: npt.NDArray[np.int32]
    easing: npt.NDArray[np.int32]
    back: Singles
    amplitude: Singles
    period: Singles

    def __post_init__(self) -> None:
        count, keys = len(self.channels), len(self.frame)
        # By plain tuples: curves are made over and over, and a channel's own hash takes longer.
        if len({(c.data_path, c.index) for c in self.channels}) != count:
            raise InputError("`channels` must each be there once, got one twice", "channels")
        starts = self.starts
        _demand("starts", starts, np.int64, (count + 1,))
        if starts[0] != 0 or starts[-1] != keys or (np.diff(starts) < 0).any():
            raise InputError(f"`starts` must rise from 0 to {keys}, got {starts}", "starts")
        for name in _PER_KEY:
            array = getattr(self, name)
            _demand(
                name,
                array,
                np.int32 if name in _WHOLE else np.float32,
                (keys, 2) if name in _PAIR else (keys,),
            )
            if name not in _WHOLE and not _within(array):
                self._refuse_size(name, array)
        back = np.flatnonzero(np.diff(self.frame) < 0)
        back = back[~np.isin(back + 1, starts)]
        if back.size:
            at = int(back[0])
            raise InputError(
                "`frame` must rise within each channel, "
                f"got {self.frame[at]:g} before {self.frame[at + 1]:g}",
                "frame",
            )

    def _refuse_size(self, name: str, array: Singles) -> None:
        """Name the first key whose number is too large to work with, or none."""
        key = int(np.argwhere(~(np.abs(array) <= LARGEST))[0][0])
        whose = self.channels[int(self.channel_of_key()[key])].label
        raise InputError(
            f"`{name}` must be finite and within {LARGEST:g}, got {array[key].tolist()} in {whose}",
            name,
        )

    @classmethod
    def checked(
        cls,
        channels: Sequence[Channel],
        starts: npt.ArrayLike,
        frame: npt.ArrayLike,
        value: npt.ArrayLike,
        **others: npt.ArrayLike,
    ) -> Curves:
        """Build from anything array-like, copied; what is left out gets a plain value.

        Parameters
        ----------
        channels, starts, frame, value
            As in the class.
        **others : array_like
            Any other key array of the class; one number stands for all keys. Handles that are
            left out lie on their key.

        Examples
        --------
        >>> hop = Curves.checked([Channel("location", 2)], [0, 2], [1, 13], [0.0, 1.2],
        ...                      interpolation=Interpolation.LINEAR)
        >>> from leapwright.playback import evaluate
        >>> evaluate(hop, [7]).tolist()[0][0]
        0.6000000238418579
        """
        unknown = set(others) - set(_PER_KEY)
        if unknown:
            allowed = ", ".join(_PER_KEY)
            raise InputError(f"`others` must be of {allowed}, got {sorted(unknown)}", "others")
        frames, values = np.array(frame, np.float32), np.array(value, np.float32)
        given: dict[str, Any] = {"frame": frames, "value": values, **others}
        arrays: dict[str, Any] = {}
        for name in _PER_KEY:
            kind = np.int32 if name in _WHOLE else np.float32
            if name in _PAIR and name not in given and frames.shape == values.shape:
                arrays[name] = np.stack([frames, values], axis=-1)
                continue
            default = _WHOLE.get(name, _SINGLE.get(name, 0.0))
            array = np.array(given.get(name, default), kind)
            arrays[name] = np.full(frames.shape, array, kind) if array.ndim == 0 else array
        return cls(tuple(channels), np.array(starts, np.int64), **arrays)

    @classmethod
    def empty(cls) -> Curves:
        """No channels and no keys."""
        return cls.checked([], [0], [], [])

    def channel_of_key(self) -> Ints:
        """Index of each key's channel, int64[K]."""
        return np.repeat(np.arange(len(self.channels)), np.diff(self.starts))


def _within(array: Singles) -> bool:
    """Whether all are numbers within `LARGEST`; its ends make no copy, and pass on what is none."""
    ends = np.min(array, initial=0.0), np.max(array, initial=0.0)
    return bool(ends[0] >= -LARGEST and ends[1] <= LARGEST)


@dataclass(frozen=True, slots=True, eq=False)
class Keys:
    """Some keys of a `Curves`: ``mask`` over all of them, then index, channel and frame of each."""

    mask: Mask
    index: Ints
    channel: Ints
    frame: Singles


@dataclass(frozen=True, slots=True, eq=False)
class Merged:
    """What `merge` made.

    Attributes
    ----------
    curves : Curves
        The result: channels of the base, then the new ones.
    replaced : int64[R]
        Keys of the base that gave way, as indices into the base's keys.
    kept : int64[B - R]
        Where the other keys of the base are in the result.
    added : int64[A]
        Where each added key is in the result.
    """

    curves: Curves
    replaced: Ints
    kept: Ints
    added: Ints


def select(curves: Curves, indices: npt.ArrayLike) -> Curves:
    """Pick the channels of the given indices, in that order."""
    chosen = np.atleast_1d(np.asarray(indices, np.int64))
    count = len(curves.channels)
    if chosen.ndim != 1 or (chosen < 0).any() or (chosen >= count).any():
        raise InputError(f"`indices` must be from 0 to {count - 1}, got {chosen}", "indices")
    if chosen.size == count and (chosen == np.arange(count)).all():
        return curves
    lengths = np.diff(curves.starts)[chosen]
    starts = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
    keys = np.arange(starts[-1]) + np.repeat(curves.starts[:-1][chosen] - starts[:-1], lengths)
    return _take(curves, keys, tuple(curves.channels[i] for i in chosen), starts)


def channel(curves: Curves, i: int) -> Curves:
    """Pick channel `i` alone."""
    return select(curves, [i])


def concat(many: Sequence[Curves]) -> Curves:
    """Put all channels one after another; no channel may be in two of the curves."""
    if not many:
        return Curves.empty()
    if len(many) == 1:
        return many[0]
    offsets = np.cumsum([0] + [len(c.frame) for c in many])
    starts = np.concatenate([[0]] + [c.starts[1:] + o for c, o in zip(many, offsets, strict=False)])
    arrays: dict[str, Any] = {n: np.concatenate([getattr(c, n) for c in many]) for n in _PER_KEY}
    return Curves(sum((c.channels for c in many), ()), starts.astype(np.int64), **arrays)


def identical(first: Curves, second: Curves) -> bool:
    """Say whether channels, groups and every bit of every array are the same."""
    ours = [(c.data_path, c.index, c.group) for c in first.channels]
    theirs = [(c.data_path, c.index, c.group) for c in second.channels]
    names = [f.name for f in fields(Curves) if f.name != "channels"]
    return ours == theirs and all(
        getattr(first, n).tobytes() == getattr(second, n).tobytes() for n in names
    )


def keys_between(curves: Curves, first: float, last: float) -> Keys:
    """Find the keys from `first` to `last`, both included, to a thousandth of a frame."""
    frame = curves.frame.astype(np.float64)
    return _keys(curves, (frame >= first - SAME_FRAME) & (frame <= last + SAME_FRAME))


def keys_at(curves: Curves, frames: npt.ArrayLike) -> Keys:
    """Find the keys on any of the frames, to a thousandth of a frame."""
    wanted = np.unique(_finite("frames", frames))
    if not wanted.size:
        return _keys(curves, np.zeros(len(curves.frame), bool))
    frame = curves.frame.astype(np.float64)
    place = np.searchsorted(wanted, frame)
    before = np.abs(frame - wanted[np.maximum(place - 1, 0)])
    after = np.abs(frame - wanted[np.minimum(place, wanted.size - 1)])
    return _keys(curves, np.minimum(before, after) <= SAME_FRAME)


def remove_keys(curves: Curves, mask: npt.ArrayLike) -> Curves:
    """Leave out the keys of `mask`, bool[K]; a channel may be left with no keys."""
    keep = np.flatnonzero(~_mask(curves, mask))
    return _take(curves, keep, curves.channels, np.searchsorted(keep, curves.starts))


def merge(base: Curves, added: Curves, *, replace: bool) -> Merged:
    """Put keys into curves, by frame, in the same or in new channels.

    A key of the base closer than `MERGE_FRAMES` to an added one of its channel is in the way:
    with `replace` the added key stands instead of it, else nothing is merged.

    Raises
    ------
    KeysInTheWayError
        Keys are in the way and `replace` is false; it lists channel and frame of each.
    InputError
        Two added keys of a channel are closer than `MERGE_FRAMES`.
    """
    demand_apart(added, "added")
    place = {c: i for i, c in enumerate(base.channels)}
    for c in added.channels:
        place.setdefault(c, len(place))
    channels = tuple(place)
    home = np.array([place[c] for c in added.channels], np.int64)
    ours, theirs = base.channel_of_key(), home[added.channel_of_key()]
    clash = _closer(ours, base.frame, theirs, added.frame)
    if clash.any() and not replace:
        where = [(channels[ours[k]].label, float(base.frame[k])) for k in np.flatnonzero(clash)]
        raise KeysInTheWayError(f"{len(where)} keys stand where keys would be written", where)
    keep = np.flatnonzero(~clash)
    home_of = np.concatenate([ours[keep], theirs])
    frame = np.concatenate([base.frame[keep], added.frame])
    order = np.lexsort((frame, home_of))
    arrays: dict[str, Any] = {
        n: np.concatenate([getattr(base, n)[keep], getattr(added, n)])[order] for n in _PER_KEY
    }
    starts = np.searchsorted(home_of[order], np.arange(len(channels) + 1)).astype(np.int64)
    where_now = np.empty(len(order), np.int64)
    where_now[order] = np.arange(len(order))
    return Merged(
        curves=Curves(channels, starts, **arrays),
        replaced=np.flatnonzero(clash),
        kept=where_now[: len(keep)],
        added=where_now[len(keep) :],
    )


def shift_keys(curves: Curves, which: npt.ArrayLike, by: float) -> Curves:
    """Move keys and both their handles in time.

    Parameters
    ----------
    which : bool[K] or float
        The keys, or a frame: every key on it or later.
    by : float
        Frames.

    Raises
    ------
    InputError
        A key would pass or meet another one of its channel.
    """
    chosen = np.asarray(which)
    if chosen.ndim == 0:
        chosen = keys_between(curves, float(chosen), np.inf).mask
    step = np.where(_mask(curves, chosen), float(_finite("by", by)), 0.0)
    left, right = curves.left.copy(), curves.right.copy()
    left[:, 0] += step
    right[:, 0] += step
    frame = (curves.frame + step).astype(np.float32)
    _demand_order(curves, frame, "by")
    return replace(curves, frame=frame, left=left, right=right)


def move_keys(curves: Curves, mask: npt.ArrayLike, new_frames: npt.ArrayLike) -> Curves:
    """Move keys to new frames; values stay.

    Each handle's time from its key is scaled by new over old interval on its side, also on keys
    that stay beside one that moves; its height over the key stays. So a segment keeps its shape,
    stretched. Handles outside the first and last key keep their length. The period of an elastic
    segment, which is in frames, is scaled too.

    Parameters
    ----------
    mask : bool[K]
        The keys that move.
    new_frames : array_like of M floats, or one
        Where each of them goes, in the order of the keys.

    Raises
    ------
    InputError
        A key would pass or meet another one of its channel.

    Examples
    --------
    >>> pose = Curves.checked([Channel("location", 2)], [0, 2], [1, 2], [0, 1],
    ...                       right=[[1.5, 0], [3, 1]])
    >>> move_keys(pose, [True, True], [97, 101]).right.tolist()
    [[99.0, 0.0], [102.0, 1.0]]
    """
    chosen = _mask(curves, mask)
    wanted = _finite("new_frames", new_frames)
    if wanted.ndim and wanted.shape != (np.count_nonzero(chosen),):
        raise InputError(
            f"`new_frames` must have one frame for each of {np.count_nonzero(chosen)} keys, "
            f"got shape {wanted.shape}",
            "new_frames",
        )
    old = curves.frame.astype(np.float64)
    frame = curves.frame.copy()
    frame[chosen] = wanted
    _demand_order(curves, frame, "new_frames")
    new = frame.astype(np.float64)
    inside = np.diff(curves.channel_of_key()) == 0
    gap = np.where(inside, np.diff(old), 0.0)
    ratio = np.ones(len(old) + 1)
    ratio[1:-1] = np.where(gap > 0, np.diff(new) / np.where(gap > 0, gap, 1.0), 1.0)
    left, right = curves.left.copy(), curves.right.copy()
    left[:, 0] = new + (curves.left[:, 0] - old) * ratio[:-1]
    right[:, 0] = new + (curves.right[:, 0] - old) * ratio[1:]
    elastic = curves.interpolation == Interpolation.ELASTIC
    period = np.where(elastic, curves.period * ratio[1:], curves.period).astype(np.float32)
    return replace(curves, frame=frame, left=left, right=right, period=period)


def demand_apart(curves: Curves, argument: str) -> None:
    """Raise `InputError` where two keys of a channel are so close that the host makes them one."""
    _demand_order(curves, curves.frame, argument, MERGE_FRAMES)


def _closer(ours: Ints, our_frame: Singles, theirs: Ints, their_frame: Singles) -> Mask:
    """Which of our keys are closer than `MERGE_FRAMES` to one of theirs in the same channel."""
    order = np.lexsort((their_frame, theirs))
    home, frame = theirs[order], their_frame[order].astype(np.float64)
    close = np.zeros(len(ours), bool)
    if not len(home):
        return close
    joined = np.lexsort(
        (np.r_[np.ones(len(home)), np.zeros(len(ours))], np.r_[frame, our_frame], np.r_[home, ours])
    )
    is_ours = joined >= len(home)
    after = np.empty(len(ours), np.int64)
    after[joined[is_ours] - len(home)] = np.cumsum(~is_ours)[is_ours]
    for neighbour in (after - 1, after):
        near = np.clip(neighbour, 0, len(home) - 1)
        close |= (home[near] == ours) & (np.abs(frame[near] - our_frame) < MERGE_FRAMES)
    return close


def _take(curves: Curves, keys: Ints, channels: tuple[Channel, ...], starts: Ints) -> Curves:
    arrays: dict[str, Any] = {name: getattr(curves, name)[keys] for name in _PER_KEY}
    return Curves(channels, starts.astype(np.int64), **arrays)


def _keys(curves: Curves, mask: Mask) -> Keys:
    index = np.flatnonzero(mask)
    return Keys(mask, index, curves.channel_of_key()[index], curves.frame[index])


def _mask(curves: Curves, mask: npt.ArrayLike) -> Mask:
    array = np.asarray(mask)
    if array.dtype != np.bool_ or array.shape != curves.frame.shape:
        raise InputError(
            f"`mask` must be {len(curves.frame)} booleans, got {array.dtype}{list(array.shape)}",
            "mask",
        )
    return array


def _finite(argument: str, numbers: npt.ArrayLike) -> Floats:
    array = np.asarray(numbers, np.float64)
    if array.ndim > 1 or not np.isfinite(array).all():
        raise InputError(f"`{argument}` must be finite frames, got {array}", argument)
    return array


def _demand(name: str, array: Any, kind: type, shape: tuple[int, ...]) -> None:
    if not isinstance(array, np.ndarray) or array.dtype != kind or array.shape != shape:
        came = f"{array.dtype}{list(array.shape)}" if isinstance(array, np.ndarray) else array
        raise InputError(f"`{name}` must be {kind.__name__}{list(shape)}, got {came}", name)


def _demand_order(curves: Curves, frame: Singles, argument: str, least: float = 0.0) -> None:
    """Raise where frames of a channel do not rise, by `least` or at all."""
    gap = np.diff(frame.astype(np.float64))
    bad = (np.diff(curves.channel_of_key()) == 0) & ((gap <= 0) | (gap < least))
    if bad.any():
        at = int(np.flatnonzero(bad)[0])
        name = curves.channels[int(curves.channel_of_key()[at])].label
        raise InputError(
            f"`{argument}` must keep the keys of a channel in order and {MERGE_FRAMES} frames "
            f"apart, got {frame[at]:g} and {frame[at + 1]:g} on {name}",
            argument,
        )
