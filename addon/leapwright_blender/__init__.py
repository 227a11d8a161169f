# SPDX-License-Identifier: GPL-3.0-or-later
"""Leapwright inside Blender: read rigs, block jumps, write keys.

`open_shot` opens a file for a script; `rig_of` takes a live object. `bpy` is loaded when one of
them is first used, so that `leapwright_blender.stdout` can be called before.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from leapwright_blender.shot import Rig, Shot, open_shot, rig_of

__all__ = ["Rig", "Shot", "open_shot", "rig_of"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from leapwright_blender import shot

        return getattr(shot, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
