# SPDX-License-Identifier: GPL-3.0-or-later
"""Playing keys without writing them: what a rig would do, seen before anything is changed.

Each data-block plays a copy of its action meanwhile. The action itself is never touched, so
nothing has to be put back in it.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from typing import Any

import bpy

from leapwright.curves import Curves

from . import host
from .read import read_curves
from .write import Written, write_curves

__all__ = ["Rehearsal", "rehearsal"]

_CUSTOM = re.compile(r'(?s)(.*)\["((?:[^"\\]|\\.)*)"\]')


class Rehearsal:
    """The keys that are played just now; more of them can be changed."""

    def __init__(self, stack: ExitStack) -> None:
        self._stack = stack
        self._values: dict[Any, dict[str, Any]] = {}
        stack.callback(_put_values_back, self._values)

    def write(self, id_block: Any, curves: Curves) -> Written:
        """Make whole channels of a data-block play `curves`, until the rehearsal ends.

        Raises
        ------
        HostError
            As in `write_curves`, and where the data-block's own action could not be written.
        """
        kept = self._values.get(id_block, {})
        if id_block not in self._values:
            host.refuse_if_not_editable(id_block, will_copy=True)
            kept = _values(id_block, read_curves(id_block).curves)
            self._values[id_block] = kept
            self._stack.enter_context(_playing_a_copy(id_block))
        kept.update(_values(id_block, curves, but=kept))
        return write_curves(id_block, curves)


@contextmanager
def rehearsal(written: Sequence[tuple[Any, Curves]] = ()) -> Iterator[Rehearsal]:
    """Play planned keys, in place of those in the file.

    Inside, `sample` and side scenes show the planned keys, and the curves that are read are the
    planned ones. At the end every data-block has its action, its slot and, where they were not
    keyed yet, its poses again, also after an error; no undo step is made.

    Parameters
    ----------
    written : sequence of (bpy.types.ID, Curves)
        Whole channels of each, as for `write_curves`; other channels play as they are.

    Yields
    ------
    Rehearsal
        Its ``write(id_block, curves)`` changes what is played.
    """
    with ExitStack() as stack:
        played = Rehearsal(stack)
        for id_block, curves in written:
            played.write(id_block, curves)
        yield played


@contextmanager
def _playing_a_copy(id_block: Any) -> Iterator[None]:
    had = id_block.animation_data is not None
    data = id_block.animation_data or id_block.animation_data_create()
    own, slot = data.action, _slot(data)
    copy = bpy.data.actions.new(id_block.name) if own is None else own.copy()
    try:
        _assign(data, copy, slot)
        yield
    finally:
        if had:
            _assign(data, own, slot)
        else:
            id_block.animation_data_clear()
        bpy.data.actions.remove(copy)


def _slot(data: Any) -> int | None:
    slot = data.action_slot if host.slotted() else None
    return None if slot is None else int(slot.handle)


def _assign(data: Any, action: Any, handle: int | None) -> None:
    """Assign an action and the slot of that handle, not the one that the host would pick."""
    data.action = action
    if action is not None and host.slotted():
        data.action_slot = next((s for s in action.slots if s.handle == handle), None)


def _put_values_back(values: dict[Any, dict[str, Any]]) -> None:
    """Put poses back that are not keyed: the frame the user is on is played anew first."""
    bpy.context.view_layer.update()
    for id_block, before in values.items():
        for path, value in before.items():
            if value is not None and _value(id_block, path) != value:
                _set_value(id_block, path, value)


def _values(id_block: Any, curves: Curves, but: Collection[str] = ()) -> dict[str, Any]:
    paths = dict.fromkeys(c.data_path for c in curves.channels if c.data_path not in but)
    return {path: _value(id_block, path) for path in paths}


def _value(id_block: Any, path: str) -> Any:
    """What a data path is at, or None where it leads nowhere."""
    try:
        value = id_block.path_resolve(path)
    except ValueError:
        return None
    return tuple(value) if hasattr(value, "__len__") and not isinstance(value, str) else value


def _set_value(id_block: Any, path: str, value: Any) -> None:
    custom = _CUSTOM.fullmatch(path)
    if custom:
        holder = id_block.path_resolve(custom[1]) if custom[1] else id_block
        holder[bpy.utils.unescape_identifier(custom[2])] = value
        return
    above, _, name = path.rpartition(".")
    setattr(id_block.path_resolve(above) if above else id_block, name, value)
