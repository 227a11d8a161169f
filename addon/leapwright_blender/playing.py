# SPDX-License-Identifier: GPL-3.0-or-later
"""Playing a named action on a rig for a while, in memory only."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import bpy

from leapwright.errors import HostError, NotFoundError
from leapwright.naming import close_names, some
from leapwright_blender import host

__all__ = ["played_action", "playing"]

_BLENDING = ("action_blend_type", "action_extrapolation", "action_influence", "use_nla")


def played_action(obj: Any) -> str:
    """Name of the action that a rig plays by itself; "" where it has none."""
    data = obj.animation_data
    return "" if data is None or data.action is None else str(data.action.name)


@contextmanager
def playing(obj: Any, name: str | None) -> Iterator[None]:
    """Play an action alone, without NLA strips, and put everything back.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig.
    name : str or None
        None: as the scene plays it.

    Raises
    ------
    NotFoundError
        There is no such action: lists those that there are.
    HostError
        The rig is in NLA tweak mode, or takes no action.
    """
    if name is None:
        yield
        return
    action = bpy.data.actions.get(name)
    if action is None:
        names = sorted(a.name for a in bpy.data.actions)
        near = close_names(name, names)
        hint = f"; close to it: {', '.join(near)}" if near else ""
        there = f"; actions: {some(names, most=12)}" if names else ": the file has no actions"
        raise NotFoundError(f"there is no action {name!r} in this file{hint}{there}")
    fresh = obj.animation_data is None
    data = obj.animation_data or obj.animation_data_create()
    if data is None:
        raise HostError(f"{obj.name!r} cannot be animated")
    if data.use_tweak_mode:
        raise HostError(f"{obj.name!r} is in NLA tweak mode: leave it first")
    before = {key: getattr(data, key) for key in _BLENDING}
    put_back = host.play_action(obj, action)
    try:
        data.use_nla = False
        data.action_blend_type, data.action_influence = "REPLACE", 1.0
        yield
    finally:
        put_back()
        for key, value in before.items():
            setattr(data, key, value)
        if fresh:
            obj.animation_data_clear()
