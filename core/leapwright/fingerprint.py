# SPDX-License-Identifier: GPL-3.0-or-later
"""Fingerprints of keys: whether a key still is as it was written, whoever edited the rest.

A fingerprint is text: a hash of all that must be equal to the bit and, where a handle is ALIGNED,
that handle itself, because the host makes such handles anew at every update and rounds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import blake2b
from typing import Any

import numpy as np
import numpy.typing as npt

from leapwright.curves import MERGE_FRAMES, Curves, Handle
from leapwright.errors import InputError

__all__ = ["Edited", "Written", "changed_keys", "fingerprints", "written_keys"]

Written = dict[str, list[list[Any]]]
"""Per channel, ``holder|path[index]``: frame and fingerprint of each key that was written."""

ROUNDINGS = 4
"""How many last digits an ALIGNED handle may be off: the host's updates move it by one or two."""

_HASH_BYTES = 6
_ROW = np.dtype(
    [("places", "<f4", 2), ("kinds", "i1", 3), ("sides", "i1", 2), ("handles", "<f4", (2, 2))]
)


@dataclass(frozen=True, slots=True, eq=False)
class Edited:
    """What became of keys that were written.

    Attributes
    ----------
    ours : bool[K]
        Keys, of those that are there now, that stand exactly as they were written.
    changed : tuple of (str, float)
        Channel label and frame of keys that stand where one was written, but are others now.
    gone : tuple of (str, float)
        Channel label and frame of keys that were written and are no longer there.
    """

    ours: npt.NDArray[np.bool_]
    changed: tuple[tuple[str, float], ...] = ()
    gone: tuple[tuple[str, float], ...] = ()


def fingerprints(curves: Curves) -> list[str]:
    """Give each key's fingerprint.

    It covers frame, value, interpolation and handle types, and the places of FREE and ALIGNED
    handles. Handles that the host makes by itself from the neighbours (AUTO, AUTO_CLAMPED,
    VECTOR, and ALIGNED ones beside those) count by their type alone, so editing a neighbour
    leaves a key's fingerprint. It is the same on every machine and in every session.

    Parameters
    ----------
    curves : Curves
        As read back from the host, which may have moved handles a little.

    Returns
    -------
    list of K str

    Examples
    --------
    >>> from leapwright.curves import Channel
    >>> hop = Curves.checked([Channel("location", 2)], [0, 2], [1, 13], [0.0, 1.2])
    >>> fingerprints(hop)
    ['45e00a9e0417', '20822ce3b550']
    """
    aligned, free = _placed(curves)
    rows = np.zeros(len(curves.frame), _ROW)
    # Adding 0 makes one of the two zeros.
    rows["places"] = np.stack([curves.frame, curves.value], axis=-1) + np.float32(0)
    rows["kinds"] = np.stack([curves.interpolation, curves.left_type, curves.right_type], axis=-1)
    rows["sides"] = aligned + 2 * free
    rows["handles"] = np.where(free[:, :, None], _handles(curves) + np.float32(0), 0)
    packed, width = rows.tobytes(), _ROW.itemsize
    hashes = [
        blake2b(packed[at : at + width], digest_size=_HASH_BYTES).hexdigest()
        for at in range(0, len(packed), width)
    ]
    loose = _handles(curves).astype("<f4")
    for key, side in np.argwhere(aligned).tolist():
        hashes[key] += loose[key, side].tobytes().hex()
    return hashes


def written_keys(
    curves: Curves, label_prefix: str, *, mask: npt.ArrayLike | None = None
) -> Written:
    """List frame and fingerprint of keys, as a shot remembers them.

    Parameters
    ----------
    curves : Curves
        As read back after writing.
    label_prefix : str
        Name of what holds the channels.
    mask : bool[K], optional
        Only these keys. Channels without any are left out.

    Examples
    --------
    >>> from leapwright.curves import Channel
    >>> hop = Curves.checked([Channel("location", 2)], [0, 2], [1, 13], [0.0, 1.2])
    >>> written_keys(hop, "Hare", mask=[False, True])
    {'Hare|location[2]': [[13.0, '20822ce3b550']]}
    """
    count = len(curves.frame)
    chosen = np.ones(count, bool) if mask is None else np.asarray(mask)
    if chosen.dtype != np.bool_ or chosen.shape != (count,):
        came = f"{chosen.dtype}{list(chosen.shape)}"
        raise InputError(f"`mask` must be {count} booleans, got {came}", "mask")
    prints, frames, bounds = fingerprints(curves), curves.frame.tolist(), curves.starts.tolist()
    found = {
        f"{label_prefix}|{channel.label}": [
            [frames[k], prints[k]] for k in range(bounds[i], bounds[i + 1]) if chosen[k]
        ]
        for i, channel in enumerate(curves.channels)
    }
    return {label: keys for label, keys in found.items() if keys}


def changed_keys(
    written: Mapping[str, Sequence[Sequence[Any]]], curves_now: Curves, label_prefix: str
) -> Edited:
    """Compare what is there now with what was written.

    Parameters
    ----------
    written : mapping
        From `written_keys`; channels of other holders are not looked at.
    curves_now : Curves
        All channels that the holder has now.
    label_prefix : str
        Name of the holder, as it was given to `written_keys`.

    Examples
    --------
    >>> from leapwright.curves import Channel
    >>> hop = Curves.checked([Channel("location", 2)], [0, 2], [1, 13], [0.0, 1.2])
    >>> now = Curves.checked([Channel("location", 2)], [0, 2], [1, 9], [0.5, 1.2])
    >>> edited = changed_keys(written_keys(hop, "Hare"), now, "Hare")
    >>> edited.ours.tolist(), edited.changed, edited.gone
    ([False, False], (('location[2]', 1.0),), (('location[2]', 13.0),))
    """
    before = f"{label_prefix}|"
    ours = {label[len(before) :]: k for label, k in written.items() if label.startswith(before)}
    place = {channel.label: i for i, channel in enumerate(curves_now.channels)}
    labels = [label for label, keys in ours.items() for _ in keys]
    frames = np.array([key[0] for keys in ours.values() for key in keys], np.float64)
    prints = [str(key[1]) for keys in ours.values() for key in keys]
    home = np.array([place.get(label, -1) for label in labels], np.int64)
    found = _nearest(curves_now, home, frames)
    there = found >= 0
    same = np.zeros(len(labels), bool)
    same[there] = _same(curves_now, found[there], [prints[i] for i in np.flatnonzero(there)])
    mask = np.zeros(len(curves_now.frame), bool)
    mask[found[same]] = True

    def listed(which: npt.NDArray[np.bool_]) -> tuple[tuple[str, float], ...]:
        return tuple((labels[i], float(frames[i])) for i in np.flatnonzero(which))

    return Edited(mask, changed=listed(there & ~same), gone=listed(~there))


def _handles(curves: Curves) -> npt.NDArray[np.float32]:
    """Both handles of each key, float32[K, 2 sides, 2]."""
    return np.stack([curves.left, curves.right], axis=1)


def _placed(curves: Curves) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Which handles the user places himself, bool[K, 2 sides]: the ALIGNED and the FREE ones."""
    kinds = np.stack([curves.left_type, curves.right_type], axis=-1)
    by_hand = (kinds == Handle.FREE) | (kinds == Handle.ALIGNED)
    # An ALIGNED handle turns with the one on the other side.
    return (kinds == Handle.ALIGNED) & by_hand[:, ::-1], kinds == Handle.FREE


def _nearest(
    curves: Curves, home: npt.NDArray[np.int64], frames: npt.NDArray[np.float64]
) -> npt.NDArray[np.int64]:
    """Key of a channel on a frame, int64; -1 where none is near enough to be the same key."""
    nearest = np.full(len(frames), -1, np.int64)
    if not len(curves.frame) or not len(frames):
        return nearest
    # All channels one after another on one line, far enough apart that none is near the next.
    apart = 4 * (1 + max(float(np.abs(curves.frame).max()), float(np.abs(frames).max())))
    line = curves.channel_of_key() * apart + curves.frame.astype(np.float64)
    wanted = home * apart + frames
    after = np.searchsorted(line, wanted)
    pair = np.stack([after - 1, after]).clip(0, len(line) - 1)
    away = np.abs(line[pair] - wanted)
    best = pair[away.argmin(axis=0), np.arange(len(frames))]
    near = away.min(axis=0) < MERGE_FRAMES
    nearest[near] = best[near]
    return nearest


def _same(
    curves: Curves, keys: npt.NDArray[np.int64], prints: Sequence[str]
) -> npt.NDArray[np.bool_]:
    """Whether keys have these fingerprints, up to the host's rounding of ALIGNED handles."""
    every, size = fingerprints(curves), 2 * _HASH_BYTES
    now = [every[k] for k in keys.tolist()]
    same = np.array([ours == theirs for ours, theirs in zip(now, prints, strict=True)], bool)
    if same.all():
        return same
    aligned, room = _placed(curves)[0], _room(curves)
    for i in np.flatnonzero(~same).tolist():
        key, ours, theirs = int(keys[i]), now[i], prints[i]
        if ours[:size] == theirs[:size]:
            same[i] = _near(ours[size:], theirs[size:], room[key][aligned[key]])
    return same


def _near(now: str, then: str, room: npt.NDArray[np.float64]) -> bool:
    """Whether ALIGNED handles differ by no more than rounding."""
    try:
        ours, theirs = (np.frombuffer(bytes.fromhex(text), "<f4") for text in (now, then))
    except ValueError:
        return False
    away = np.abs(ours.astype(np.float64) - theirs) if ours.shape == theirs.shape else np.inf
    return bool((away <= room.ravel()).all())


def _room(curves: Curves) -> npt.NDArray[np.float64]:
    """How far rounding may move each handle, float64[K, 2 sides, 2].

    The host turns a handle by the other one: a last digit of that one's frame is a slope, which
    grows with the handle's length over the other one's.
    """
    handles = _handles(curves).astype(np.float64)
    arm = handles - np.stack([curves.frame, curves.value], axis=-1)[:, None, :]
    length = np.linalg.norm(arm, axis=-1, keepdims=True)
    digit = np.spacing(np.maximum(np.abs(handles), length).astype(np.float32)).astype(np.float64)
    tiny = np.finfo(np.float64).tiny
    slope = np.abs(arm[..., 1] / np.where(arm[..., 0] == 0, np.inf, arm[..., 0]))
    digit[..., 1] += digit[..., 0] * slope
    grown = np.maximum(length / np.maximum(length[:, ::-1], tiny), 1)
    return np.asarray(ROUNDINGS * digit * grown)
