# SPDX-License-Identifier: GPL-3.0-or-later
"""The one writer of keys: whole channels from arrays, then a look whether they arrived."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from leapwright.curves import Channel, Curves, Handle, concat, demand_apart, select
from leapwright.errors import HostError, InputError
from leapwright_blender import host
from leapwright_blender.read import ATTRIBUTES, Places, is_sampled, read_co, read_places

__all__ = ["Written", "put_keys", "write_all", "write_curves"]

FRAME_MISS = 1.001e-3
"""How far, in frames, the host may move a handle of a `fixed` key: its own thousandth of a frame is
a little more in single precision."""

VALUE_MISS = 1e-5
"""The same in value, for values up to 1; in proportion above."""


@dataclass(frozen=True, slots=True)
class Written:
    """What was written: channels and keys, and which channels are new or gone."""

    channels: int
    keys: int
    created: tuple[Channel, ...]
    removed: tuple[Channel, ...]


def write_curves(
    id_block: Any, curves: Curves, *, fixed: npt.ArrayLike | None = None, name: str | None = None
) -> Written:
    """Make the keys of each channel of `curves` exactly those of `curves`.

    Channels that are not in `curves` are not touched. A channel without keys loses its host
    curve, unless that has modifiers.

    Parameters
    ----------
    id_block : bpy.types.ID
        What is animated.
    curves : Curves
        Whole channels; groups are used for channels that are new.
    fixed : bool[K], optional
        Keys whose handles must come back as written though they are not FREE, say ALIGNED ones
        that are meant to be in line already. FREE handles always must, unless the other handle of
        their key is AUTO_CLAMPED: the host may line them up.
    name : str, optional
        Name for an action, if there is none: the data-block's name unless given.

    Raises
    ------
    InputError
        Keys closer than the host can hold apart, or `fixed` of a wrong shape. Nothing is written.
    HostError
        A channel is driven or baked, or the action cannot be edited: nothing is written. Or the
        host changed keys that it was given, which should never be: then they are written.
    """
    return _write(id_block, curves, _fixed(curves, fixed), None, name or id_block.name)


def _write(
    id_block: Any,
    curves: Curves,
    held: npt.NDArray[np.bool_],
    before: Curves | None,
    name: str,
) -> Written:
    """As `write_curves`; of what is there as in `before` only the difference is written."""
    demand_apart(curves, "curves")
    host.refuse_if_not_editable(id_block)
    _refuse_drivers(id_block, curves)
    existing = _by_channel(host.fcurves_of(id_block) or ())
    baked = [c for c in curves.channels if c in existing and is_sampled(existing[c])]
    if baked:
        raise HostError(f"baked curves hold no keys: {_list(baked)}; un-bake them first")
    if not curves.channels:
        return Written(0, 0, (), ())
    collection = host.ensure_fcurves(id_block, name)
    counts = np.diff(curves.starts).tolist()
    created = tuple(
        c for c, n in zip(curves.channels, counts, strict=True) if n and c not in existing
    )
    for channel in created:
        existing[channel] = host.new_fcurve(
            collection, channel.data_path, channel.index, channel.group
        )
    targets = [existing.get(channel) for channel in curves.channels]
    _write_keys(curves, targets, None if before is None else _differing(curves, before, targets))
    after = _verify(curves, targets, held)
    _undo_rounding(curves, after, targets)
    removed = _drop_empty(curves, targets, collection)
    id_block.animation_data.action.update_tag()
    return Written(len(curves.channels), len(curves.frame), created, removed)


@contextmanager
def write_all(
    sheets: Sequence[tuple[Any, Curves, npt.NDArray[np.bool_] | None, Curves]],
) -> Iterator[None]:
    """Write the curves of several data-blocks, all or none.

    Parameters
    ----------
    sheets : sequence of (bpy.types.ID, Curves, bool[K] or None, Curves)
        What is animated; whole channels; keys that are `fixed`; and what was there before, in
        which channels that are not there yet are missing.

    Raises
    ------
    LeapwrightError
        As `write_curves`. Then, and after any error inside the ``with``, every data-block has its
        keys from before.
    """
    done: list[tuple[Any, Curves, Curves]] = []
    try:
        for id_block, curves, fixed, before in sheets:
            done.append((id_block, curves, before))
            _write(id_block, curves, _fixed(curves, fixed), before, id_block.name)
        yield
    except BaseException:
        for id_block, curves, before in reversed(done):
            if id_block.animation_data is not None and id_block.animation_data.action is not None:
                write_curves(id_block, _former(curves, before))
        raise


def _former(curves: Curves, before: Curves) -> Curves:
    """The channels of `curves` as they were: those that were not there are empty."""
    places = {channel: i for i, channel in enumerate(before.channels)}
    known = select(before, [places[c] for c in curves.channels if c in places])
    fresh = [c for c in curves.channels if c not in places]
    nothing = Curves.checked(fresh, np.zeros(len(fresh) + 1, np.int64), [], [])
    return concat([known, nothing]) if fresh else known


def put_keys(curves: Curves, targets: Sequence[Any]) -> None:
    """Make the keys of host curves, one for each channel, those of `curves`: for curves that no
    action holds. Nothing is refused and nothing checked."""
    each = list(targets)
    _write_keys(curves, each, None)
    _undo_rounding(curves, read_places(each), each)


def _write_keys(
    curves: Curves, targets: list[Any], differing: dict[str, npt.NDArray[np.bool_]] | None
) -> None:
    """Write all keys, but only attributes and channels that are `differing`, if that is known."""
    buffers = _buffers(curves)
    every = np.ones(len(targets), bool)
    wanted = [
        (differing.get(ours, every) if differing is not None else every).tolist()
        for ours, *_ in ATTRIBUTES
    ]
    bounds = curves.starts.tolist()
    for i, target in enumerate(targets):
        if target is None:
            continue
        points, first, last = target.keyframe_points, bounds[i], bounds[i + 1]
        if len(points) != last - first:
            points.clear()
            points.add(last - first)
        for (theirs, array, width), needed in zip(buffers, wanted, strict=True):
            if needed[i]:
                points.foreach_set(theirs, array[first * width : last * width])
        target.update()


def _differing(
    curves: Curves, before: Curves, targets: list[Any]
) -> dict[str, npt.NDArray[np.bool_]]:
    """Channels in which an attribute is other than `before`, bool[C] by our name; where keys are
    is always written. A channel that does not hold the keys of `before` just so counts as other.
    """
    if not before.channels:
        return {}
    places = {channel: i for i, channel in enumerate(before.channels)}
    at = np.array([places.get(c, -1) for c in curves.channels], np.int64)
    count = np.diff(before.starts)[at]
    held = [0 if target is None else len(target.keyframe_points) for target in targets]
    alike = (at >= 0) & (np.diff(curves.starts) == count) & (held == count)
    new, home = np.flatnonzero(np.repeat(alike, np.diff(curves.starts))), np.flatnonzero(alike)
    home = np.repeat(home, count[alike])
    old = new + (before.starts[at] - curves.starts[:-1])[home]
    # Another script may have left keys that are not in order: they are read in order.
    co = read_co([t for t, same in zip(targets, alike, strict=True) if same])
    moved = (co[:, 0] != before.frame[old]) | (co[:, 1] != before.value[old])
    alike[home[moved]] = False
    one_to_one = old.size == len(before.frame) and bool((np.diff(old) > 0).all())
    differing = {}
    for ours, *_ in ATTRIBUTES[3:]:
        now, was = getattr(curves, ours)[new], getattr(before, ours)
        was = was if one_to_one else was[old]
        other = ~alike
        # Bits, so that zeros of two signs are two.
        other[home[now.view(np.int32) != was.view(np.int32)]] = True
        differing[ours] = other
    return differing


def _buffers(curves: Curves) -> list[tuple[str, npt.NDArray[Any], int]]:
    """Flat buffers under the host's names."""
    left, right = _sided(curves)
    pairs = {
        "co": np.stack([curves.frame, curves.value], axis=-1),
        "left": left,
        "right": right,
    }
    return [
        (theirs, np.ascontiguousarray(pairs.get(ours, getattr(curves, ours, None))).ravel(), width)
        for ours, theirs, _, width in ATTRIBUTES
    ]


def _sided(curves: Curves) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Put handles on their own side of the key, where the host would put them anyway."""
    left, right = curves.left.copy(), curves.right.copy()
    np.minimum(left[:, 0], curves.frame, out=left[:, 0])
    np.maximum(right[:, 0], curves.frame, out=right[:, 0])
    return left, right


def _verify(curves: Curves, targets: list[Any], held: npt.NDArray[np.bool_]) -> Places:
    """Read again, and raise where keys vanished or exact ones moved."""
    pairs = [(c, t) for c, t in zip(curves.channels, targets, strict=True) if t is not None]
    after = read_places([t for _, t in pairs])
    counts = np.diff(curves.starts)[[t is not None for t in targets]]
    dropped = np.flatnonzero(np.diff(after.starts) != counts)
    if dropped.size:
        raise HostError(f"the host dropped keys of {_list([pairs[i][0] for i in dropped])}")
    wrong = (after.frame != curves.frame) | (after.value != curves.value)
    for handle, now, kind, other in zip(
        _sided(curves),
        (after.left, after.right),
        (curves.left_type, curves.right_type),
        (curves.right_type, curves.left_type),
        strict=True,
    ):
        watched = held | ((kind == Handle.FREE) & (other != Handle.AUTO_CLAMPED))
        key = np.flatnonzero(watched & _unequal(now, handle))
        frame, value = curves.frame[key], curves.value[key]
        floor = FRAME_MISS + 2 * np.spacing(np.abs(frame))
        miss = np.abs(now[key].astype(np.float64) - handle[key])
        # 4.5 and later keep a FREE handle a thousandth of a frame from its key; all versions line
        # one up with an AUTO_CLAMPED handle on the other side where that would overshoot.
        short = np.abs(handle[key, 0] - frame) <= floor
        moved = (miss[:, 1] > 0) | (miss[:, 0] > np.where(short, floor, 0.0))
        bent = (miss[:, 1] > VALUE_MISS * np.maximum(1.0, np.abs(value))) | (miss[:, 0] > floor)
        free = (kind[key] == Handle.FREE) & (other[key] != Handle.AUTO_CLAMPED)
        wrong[key] |= (free & moved) | (held[key] & bent)
    if wrong.any():
        at = int(np.flatnonzero(wrong)[0])
        channel = curves.channels[int(curves.channel_of_key()[at])]
        raise HostError(
            f"the host changed {np.count_nonzero(wrong)} keys as they were written, "
            f"first at frame {curves.frame[at]:g} of {_list([channel])}"
        )
    return after


def _undo_rounding(curves: Curves, after: Places, targets: list[Any]) -> None:
    """Put handles back that the host moved by no more than its own rounding.

    It makes ALIGNED handles anew at every update, a little differently each time: without this
    keys that are read and written again and again would creep.
    """
    home = curves.channel_of_key()
    bounds = curves.starts.tolist()
    for name, handle, now in zip(
        ("handle_left", "handle_right"), _sided(curves), (after.left, after.right), strict=True
    ):
        key = np.flatnonzero(_unequal(now, handle))
        wanted, place = handle[key], np.stack([curves.frame[key], curves.value[key]], axis=-1)
        length = np.abs(wanted.astype(np.float64) - place)
        room = 1e-5 * np.maximum(1.0, np.abs(wanted) + length)
        near = (np.abs(now[key].astype(np.float64) - wanted) <= room).all(axis=1)
        # Where the host moved a handle farther it has its reasons.
        handle[key[~near]] = now[key[~near]]
        flat = handle.ravel()
        for i in np.unique(home[key[near]]).tolist():
            targets[i].keyframe_points.foreach_set(name, flat[2 * bounds[i] : 2 * bounds[i + 1]])


def _unequal(a: npt.NDArray[np.float32], b: npt.NDArray[np.float32]) -> npt.NDArray[np.bool_]:
    """Which rows of two differ, bool[K]."""
    return np.asarray((a[:, 0] != b[:, 0]) | (a[:, 1] != b[:, 1]))


def _drop_empty(curves: Curves, targets: list[Any], collection: Any) -> tuple[Channel, ...]:
    gone = [
        (channel, target)
        for channel, target, count in zip(
            curves.channels, targets, np.diff(curves.starts), strict=True
        )
        if target is not None and not count and not len(target.modifiers)
    ]
    for _, target in gone:
        host.remove_fcurve(collection, target)
    return tuple(channel for channel, _ in gone)


def _refuse_drivers(id_block: Any, curves: Curves) -> None:
    data = id_block.animation_data
    driven = _by_channel(data.drivers) if data is not None else {}
    clash = [c for c in curves.channels if c in driven]
    if clash:
        raise HostError(f"drivers win over keys on {_list(clash)}: nothing was written")


def _fixed(curves: Curves, fixed: npt.ArrayLike | None) -> npt.NDArray[np.bool_]:
    if fixed is None:
        return np.zeros(len(curves.frame), bool)
    held = np.asarray(fixed)
    if held.dtype != np.bool_ or held.shape != curves.frame.shape:
        raise InputError(
            f"`fixed` must be {len(curves.frame)} booleans, got {held.dtype}{list(held.shape)}",
            "fixed",
        )
    return held


def _by_channel(fcurves: Any) -> dict[Channel, Any]:
    return {Channel(c.data_path, c.array_index): c for c in fcurves}


def _list(channels: list[Channel]) -> str:
    return ", ".join(c.label for c in channels)
