# SPDX-License-Identifier: GPL-3.0-or-later
"""What differs between versions of the host, and what it refuses: nowhere else is a version asked.

Since 4.4 the curves of an action are in action, layer, strip, channel bag of a slot; before, in
the action itself. The rest of the package asks this module and does not know.
"""

from __future__ import annotations

import gzip
import importlib
import re
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import bpy

from leapwright.errors import FileError, HostError

__all__ = [
    "BlendHeader",
    "animated",
    "ensure_fcurves",
    "fcurves_of",
    "is_muted",
    "make_editable",
    "needs_copy",
    "new_fcurve",
    "play_action",
    "read_header",
    "refuse_if_not_editable",
    "remove_fcurve",
    "slot_number",
    "slotted",
    "version",
    "version_text",
]

_GZIP, _ZSTD = b"\x1f\x8b", b"\x28\xb5\x2f\xfd"
_HEADER = re.compile(rb"BLENDER(?:[-_][vV](\d)(\d\d)|\d\d[-_]\d\d[vV](\d\d)(\d\d))")


@dataclass(frozen=True, slots=True)
class BlendHeader:
    """How a file begins: who saved it (major, minor; None if it cannot be told) and packed how."""

    version: tuple[int, int] | None
    compression: str

    @property
    def compressed(self) -> bool:
        """Whether the file is packed."""
        return self.compression != "none"


def version() -> tuple[int, int, int]:
    """Give the host's version."""
    major, minor, patch = bpy.app.version
    return (major, minor, patch)


def version_text(numbers: tuple[int, ...]) -> str:
    """Write a version with dots."""
    return ".".join(str(n) for n in numbers)


def read_header(path: str | Path) -> BlendHeader:
    """Read who saved a file, without loading it.

    Parameters
    ----------
    path : path
        A `.blend` file, plain, gzip or zstd.

    Raises
    ------
    FileError
        It cannot be read or is no Blender file.
    """
    try:
        with Path(path).open("rb") as file:
            start = file.read(64)
        packed = "gzip" if start[:2] == _GZIP else "zstd" if start[:4] == _ZSTD else "none"
        if packed == "gzip":
            with gzip.open(path, "rb") as file:
                start = file.read(64)
        elif packed == "zstd":
            start = _unpacked(path)
            if not start:
                return BlendHeader(None, packed)
    except (OSError, EOFError, zlib.error) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileError(f"cannot read {path}: {reason}") from error
    found = _HEADER.match(start)
    if not found:
        raise FileError(f"{path} is not a Blender file")
    old_major, old_minor, major, minor = found.groups()
    return BlendHeader((int(major or old_major), int(minor or old_minor)), packed)


def slotted() -> bool:
    """Say whether actions have slots (4.4 and later)."""
    return hasattr(bpy.types, "ActionSlot")


def animated(id_block: Any) -> bool:
    """Say whether the data-block has an action of its own with curves for it."""
    curves = fcurves_of(id_block)
    return curves is not None and len(curves) > 0


def fcurves_of(id_block: Any) -> Any | None:
    """Give the collection of curves that move this data-block, or None.

    With slots these are the curves of the slot in use; an action without a chosen slot moves
    nothing, so it gives None.
    """
    data = id_block.animation_data
    if data is None or data.action is None:
        return None
    if not slotted():
        return data.action.fcurves
    if data.action_slot is None:
        return None
    bag = _bag(data.action, data.action_slot)
    return None if bag is None else bag.fcurves


def is_muted(curve: Any) -> bool:
    """Say whether a curve is not played; since 4.4 a muted group's curves are."""
    return bool(curve.mute or (curve.group and curve.group.mute and not slotted()))


def slot_number(id_block: Any) -> int | None:
    """Give the number of the action's slot that moves the data-block: it stays in copies.

    None without an action, without a slot, and before 4.4.
    """
    data = id_block.animation_data
    return None if data is None or data.action is None else _slot_of(data)


def ensure_fcurves(id_block: Any, name: str) -> Any:
    """Give the collection of curves that move this data-block, made as far as it is missing.

    Parameters
    ----------
    id_block : bpy.types.ID
        What is animated.
    name : str
        Name of the action, if there is none.

    Raises
    ------
    HostError
        The data-block or its action cannot be edited.
    """
    refuse_if_not_editable(id_block)
    data = id_block.animation_data or id_block.animation_data_create()
    if data is None:
        raise HostError(f"{_named(id_block)} cannot be animated")
    if data.action is None:
        data.action = bpy.data.actions.new(name)
    action = data.action
    if not slotted():
        return action.fcurves
    if data.action_slot is None:
        data.action_slot = _own_slot(action, id_block)
    if data.action_slot is None:
        raise HostError(f"{_named(id_block)} takes no slot of action “{action.name}”")
    layer = action.layers[0] if action.layers else action.layers.new("Layer")
    strip = layer.strips[0] if layer.strips else layer.strips.new(type="KEYFRAME")
    slot = data.action_slot
    return (strip.channelbag(slot) or strip.channelbags.new(slot)).fcurves


def new_fcurve(collection: Any, data_path: str, index: int, group: str = "") -> Any:
    """Add a curve to a collection of :func:`ensure_fcurves`, in the group if one is named."""
    parameters = collection.bl_rna.functions["new"].parameters
    for word in ("group_name", "action_group"):
        if word in parameters:
            return collection.new(data_path, index=index, **{word: group})
    curve = collection.new(data_path, index=index)
    if group:
        groups = _bag_of(collection).groups
        curve.group = groups.get(group) or groups.new(group)
        # Grouping re-orders the collection.
        curve = collection.find(data_path, index=index)
    return curve


def remove_fcurve(collection: Any, curve: Any) -> None:
    """Remove a curve from its collection."""
    collection.remove(curve)


def needs_copy(id_block: Any) -> str:
    """Say why keys need a copy of the action first; "" where they do not.

    So it is with the override of a linked rig that plays the rig's own, linked action.
    """
    data = id_block.animation_data
    if id_block.override_library is None or data is None or data.action is None:
        return ""
    action, library = data.action, data.action.library
    where = "" if library is None else f"is linked from {library.filepath}"
    return where and f"action “{action.name}” of {_named(id_block)} {where}"


def play_action(id_block: Any, action: Any) -> Callable[[], None]:
    """Make an action the one that moves a data-block, with the slot that fits it best.

    Returns
    -------
    function
        Puts back what was played before.

    Raises
    ------
    HostError
        The data-block takes no action, or the action has no slot for its kind.
    """
    data = id_block.animation_data
    was, number = data.action, slot_number(id_block)

    def put_back() -> None:
        data.action = was
        if was is not None and slotted():
            data.action_slot = next((s for s in was.slots if _handle(s) == number), None)

    try:
        data.action = action
    except (AttributeError, RuntimeError) as error:
        raise HostError(f"{_named(id_block)} takes no action “{action.name}”: {error}") from None
    if slotted() and (data.action_slot is None or _bag(action, data.action_slot) is None):
        kind = id_block.id_type
        fits = [s for s in action.slots if s.target_id_type in (kind, "UNSPECIFIED")]
        own = next((s for s in fits if s.name_display == id_block.name), None)
        if not fits:
            put_back()
            raise HostError(f"action “{action.name}” moves no {kind.lower()}")
        data.action_slot = own or fits[0]
    return put_back


def make_editable(id_block: Any) -> list[str]:
    """Give an override of a linked rig a copy of its linked action to write to.

    Returns
    -------
    list of str
        What was done, a sentence each; empty where nothing had to be.

    Raises
    ------
    HostError
        Where a copy is no help, as in `refuse_if_not_editable`. Nothing is changed.
    """
    refuse_if_not_editable(id_block, will_copy=True)
    why = needs_copy(id_block)
    if not why:
        return []
    data = id_block.animation_data
    number = slot_number(id_block)
    data.action = copy = data.action.copy()
    if slotted():
        # The host picks a slot of its own: the number is the same in the copy.
        data.action_slot = next((s for s in copy.slots if _handle(s) == number), None)
    return [f"{why}: a copy in this file, “{copy.name}”, holds the keys now"]


def refuse_if_not_editable(id_block: Any, *, will_copy: bool = False) -> None:
    """Raise where keys written for this data-block would be lost or would move something else.

    Parameters
    ----------
    id_block : bpy.types.ID
        What is animated.
    will_copy : bool
        `make_editable` is called before anything is written, so an override's linked action is
        no reason.

    Raises
    ------
    HostError
        The data-block or its action is linked, the action is not the data-block's alone, or the
        NLA plays it otherwise than it is keyed, or not at all. The message says which.
    """
    who = _named(id_block)
    if id_block.library is not None:
        raise HostError(f"{who} is linked from {id_block.library.filepath}: make an override")
    data = id_block.animation_data
    if data is None:
        return
    _refuse_nla(data, who)
    action = data.action
    if action is None or (will_copy and needs_copy(id_block)):
        return
    if action.library is not None:
        raise HostError(
            f"action “{action.name}” of {who} is linked from {action.library.filepath}: "
            "make it local or assign a copy first"
        )
    if not action.is_editable:
        raise HostError(f"action “{action.name}” of {who} cannot be edited")
    others = _sharing(id_block)
    if others:
        raise HostError(
            f"action “{action.name}” of {who} also moves {', '.join(others)}: "
            "make it single-user first"
        )


def _refuse_nla(data: Any, who: str) -> None:
    """Raise where the action's keys are not what is played, or are played in another time."""
    if data.use_tweak_mode:
        tweaked = (s for t in data.nla_tracks for s in t.strips if s.action == data.action)
        named = " or ".join(f"“{strip.name}”" for strip in tweaked)
        raise HostError(f"{who} is in NLA tweak mode, on strip {named}: leave it first")
    alone = next((track.name for track in data.nla_tracks if track.is_solo), None)
    if alone is not None and data.use_nla:
        raise HostError(f"{who} plays the NLA track “{alone}” alone: unset its star first")
    if data.action is None:
        if any(True for _ in _playing_strips(data)):
            raise HostError(f"{who} has NLA strips and no action of its own: give it one first")
        return
    blend, influence = data.action_blend_type, data.action_influence
    # Muted strips count here: the action then is blended onto the channels' resting values.
    strips = [strip.name for track in _playing_tracks(data) for strip in track.strips]
    if not strips or (blend == "REPLACE" and influence >= 1):
        return
    by = blend.lower() if blend != "REPLACE" else f"with an influence of {influence:.2g}"
    raise HostError(
        f"action “{data.action.name}” of {who} is blended onto NLA strips "
        f"{', '.join(f'“{name}”' for name in strips)} ({by}): set it to replace them, with an "
        "influence of 1"
    )


def _sharing(id_block: Any) -> list[str]:
    """Name who else plays this data-block's own curves."""
    data = id_block.animation_data
    slot = data.action_slot if slotted() else None
    if slotted() and slot is None:
        return []
    return _players(data.action, slot, id_block)


def _players(action: Any, slot: Any, id_block: Any) -> list[str]:
    """Name all but the data-block itself that play a slot; muted strips and fake users do not."""
    names = []
    # Not slot.users(): it ends the process [4.5, 5.2] for some slots that were just made.
    users = bpy.data.user_map(subset={action})[action]
    for user in sorted(users, key=lambda user: user.name_full):
        data = getattr(user, "animation_data", None)
        if data is None:
            continue
        if user != id_block and data.action == action and _slot_of(data) == _handle(slot):
            names.append(_named(user))
        elif any(
            strip.action == action and _slot_of(strip) == _handle(slot)
            for strip in _playing_strips(data)
        ):
            names.append(f"an NLA strip of {_named(user)}")
    return names


def _playing_tracks(data: Any) -> Iterator[Any]:
    return (track for track in data.nla_tracks if data.use_nla and not track.mute)


def _playing_strips(data: Any) -> Iterator[Any]:
    return (s for track in _playing_tracks(data) for s in track.strips if not s.mute)


def _slot_of(user: Any) -> int | None:
    return _handle(user.action_slot) if slotted() else None


def _handle(slot: Any) -> int | None:
    return None if slot is None else int(slot.handle)


def _bag(action: Any, slot: Any) -> Any | None:
    for layer in action.layers:
        for strip in layer.strips:
            return strip.channelbag(slot)
    return None


def _bag_of(collection: Any) -> Any:
    """Find the channel bag that holds a collection of curves."""
    bags = (
        bag
        for layer in collection.id_data.layers
        for strip in layer.strips
        for bag in strip.channelbags
    )
    return next(bag for bag in bags if bag.fcurves == collection)


def _own_slot(action: Any, id_block: Any) -> Any:
    """Find the slot named for the data-block, or make one: never another one's."""
    for slot in action.slots:
        named = slot.target_id_type == id_block.id_type and slot.name_display == id_block.name
        if named and not _players(action, slot, id_block):
            return slot
    return action.slots.new(id_block.id_type, id_block.name)


def _named(id_block: Any) -> str:
    return f"{id_block.id_type.lower().replace('_', ' ')} “{id_block.name_full}”"


def _unpacked(path: str | Path) -> bytes:
    """Read the first bytes of a zstd file, or none where no zstd is at hand."""
    try:
        zstd: Any = importlib.import_module("zstandard")
    except ImportError:
        return b""
    try:
        with Path(path).open("rb") as file, zstd.ZstdDecompressor().stream_reader(file) as stream:
            return bytes(stream.read(64))
    except zstd.ZstdError as error:
        raise FileError(f"cannot read {path}: {error}") from error
