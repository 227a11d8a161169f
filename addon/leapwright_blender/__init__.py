# SPDX-License-Identifier: GPL-3.0-or-later
"""Leapwright inside Blender: read rigs, block jumps, write keys.

`open_shot` opens a file for a script; `rig_of` takes a live object. `bpy` is loaded when one of
them is first used, so that `leapwright_blender.stdout` can be called before.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from leapwright_blender.shot import Rig, Shot, open_shot, rig_of
    from leapwright_blender.steps import Runner, Step, Steps, run

__all__ = ["Rig", "Runner", "Shot", "Step", "Steps", "open_shot", "rig_of", "run"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from leapwright_blender import shot, steps

        return getattr(steps if hasattr(steps, name) else shot, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
