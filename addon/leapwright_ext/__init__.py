# SPDX-License-Identifier: GPL-3.0-or-later
"""Leapwright in the 3D view: a sidebar tab that plans a jump and blocks it on the selected rig."""

from __future__ import annotations

from typing import Any

import bpy

from .operators import OPERATORS
from .panel import PANELS
from .properties import LeapwrightSettings
from .readout import forget
from .resizing import LeapwrightResize
from .retiming import LeapwrightRetime
from .retiming import forget as forget_retimes

__all__ = ["register", "unregister"]

# Typed loosely: the property is ours.
HOST_OBJECT: Any = bpy.types.Object
CLASSES = (LeapwrightSettings, LeapwrightRetime, LeapwrightResize, *OPERATORS, *PANELS)


def register() -> None:
    """Add everything to the host."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    # Not plainly `leapwright`: that custom property is the record of what was blocked.
    HOST_OBJECT.leapwright_ask = bpy.props.PointerProperty(type=LeapwrightSettings)
    HOST_OBJECT.leapwright_retime = bpy.props.PointerProperty(type=LeapwrightRetime)
    HOST_OBJECT.leapwright_resize = bpy.props.PointerProperty(type=LeapwrightResize)


def unregister() -> None:
    """Leave nothing behind in the host; entered values stay in the file."""
    forget()
    forget_retimes()
    del HOST_OBJECT.leapwright_ask, HOST_OBJECT.leapwright_retime, HOST_OBJECT.leapwright_resize
    for cls in reversed(CLASSES):
        bpy.utils.unregister_class(cls)
