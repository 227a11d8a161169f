# SPDX-License-Identifier: GPL-3.0-or-later
"""Leapwright in the 3D view: plan, block, retime, check and fix the jumps of the selected rig."""

from __future__ import annotations

from typing import Any

import bpy

from . import (
    blocking,
    check_panel,
    checking,
    display,
    jump_panel,
    menus,
    overlay,
    posing,
    readout,
    recall,
    resizing,
    retiming,
    rigging,
    tracking,
    working,
)
from .checking import LeapwrightCheck
from .display import LeapwrightDisplay
from .preferences import LeapwrightPreferences
from .properties import LeapwrightSettings
from .resizing import LeapwrightResize
from .retiming import LeapwrightRetime

__all__ = ["register", "unregister"]

# Typed loosely: the properties are ours.
HOST_OBJECT: Any = bpy.types.Object
# Not plainly `leapwright`: that custom property is the record of what was blocked.
GROUPS = {
    "leapwright_ask": LeapwrightSettings,
    "leapwright_retime": LeapwrightRetime,
    "leapwright_resize": LeapwrightResize,
    "leapwright_check": LeapwrightCheck,
    "leapwright_display": LeapwrightDisplay,
}
WITH_OPERATORS = (rigging, posing, blocking, retiming, resizing, checking, display)
WITH_PANELS = (rigging, posing, jump_panel, retiming, resizing, check_panel, display)
CLASSES = (
    LeapwrightPreferences,
    *GROUPS.values(),
    *(cls for module in WITH_OPERATORS for cls in module.OPERATORS),
    *(cls for module in WITH_PANELS for cls in module.PANELS),
    *menus.MENUS,
)


def register() -> None:
    """Add everything to the host."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    for name, group in GROUPS.items():
        setattr(HOST_OBJECT, name, bpy.props.PointerProperty(type=group))
    menus.register()
    working.register()
    tracking.register()
    overlay.register()


def unregister() -> None:
    """Leave nothing behind in the host; entered values stay in the file."""
    overlay.unregister()
    working.unregister()
    tracking.unregister()
    menus.unregister()
    for module in (readout, recall, retiming, checking):
        module.forget()
    for name in GROUPS:
        delattr(HOST_OBJECT, name)
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
