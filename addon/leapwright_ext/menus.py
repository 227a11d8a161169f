# SPDX-License-Identifier: GPL-3.0-or-later
"""The same actions in menus: in the Dope Sheet, the Graph Editor and the 3D view.

The host's search finds them there, by the words that a person would type.
"""

from __future__ import annotations

from typing import Any

import bpy

from .moments import MOMENTS

__all__ = ["MENUS", "register", "unregister"]

_ENTRIES: tuple[tuple[str | None, str, Any], ...] = (
    ("find_controls", "Find Jump Controls", "VIEWZOOM"),
    ("guess_poses", "Mark Jump Poses from Keys", "KEYINGSET"),
    (None, "", ""),
    ("plan", "Plan Jump (Preview)", "HIDE_OFF"),
    ("block", "Block Jump", "KEYFRAME_HLT"),
    ("spline", "Spline Jump", "IPO_BEZIER"),
    (None, "", ""),
    ("retime", "Retime Jump (Snappier, Slower)", "TIME"),
    ("resize", "Resize Jump (Higher, Farther)", "FULLSCREEN_ENTER"),
    (None, "", ""),
    ("check", "Check Jump", "VIEWZOOM"),
    # Longer than others on purpose: the search puts short names first, and Enter takes the first.
    ("fix", "Fix Jump Findings", "TOOL_SETTINGS"),
)
_PLACES = ("DOPESHEET_MT_key", "GRAPH_MT_key", "VIEW3D_MT_pose", "VIEW3D_MT_object")


class LEAPWRIGHT_MT_pose(bpy.types.Menu):
    """Say that the current frame is the pose of a moment."""

    bl_idname = "LEAPWRIGHT_MT_pose"
    bl_label = "Mark Jump Pose"

    def draw(self, context: Any) -> None:
        """Draw the moments."""
        for moment, name in MOMENTS.items():
            entry = self.layout.operator("leapwright.mark_pose", text=f"Mark {name} Pose")
            entry.moment = moment


class LEAPWRIGHT_MT_jump(bpy.types.Menu):
    """Plan, block, retime, check and fix the jump of the selected rig."""

    bl_idname = "LEAPWRIGHT_MT_jump"
    bl_label = "Jump (Leapwright)"

    def draw(self, context: Any) -> None:
        """Draw the actions."""
        layout = self.layout
        layout.menu("LEAPWRIGHT_MT_pose", icon="KEYFRAME")
        for name, text, icon in _ENTRIES:
            if name is None:
                layout.separator()
            else:
                layout.operator(f"leapwright.{name}", text=text, icon=icon)


def _draw(self: Any, context: Any) -> None:
    self.layout.separator()
    self.layout.menu("LEAPWRIGHT_MT_jump")


MENUS = (LEAPWRIGHT_MT_pose, LEAPWRIGHT_MT_jump)


def register() -> None:
    """Put the menu at the end of others."""
    for name in _PLACES:
        getattr(bpy.types, name).append(_draw)


def unregister() -> None:
    """Take it out again."""
    for name in _PLACES:
        getattr(bpy.types, name).remove(_draw)
