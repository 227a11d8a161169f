# SPDX-License-Identifier: GPL-3.0-or-later
"""Preferences: what holds for all rigs and files."""

# mypy: disable-error-code="valid-type"
# No postponed annotations here: the host reads properties from the annotations themselves.
from typing import Any

import bpy
from bpy.props import EnumProperty, FloatProperty, FloatVectorProperty, IntProperty

from .entry import PACKAGE, UNITS

__all__ = ["LeapwrightPreferences"]


class LeapwrightPreferences(bpy.types.AddonPreferences):
    """Units of entry, defaults of a jump, and how the overlay looks."""

    bl_idname = PACKAGE

    units: EnumProperty(
        name="Units of entry",
        description="Unit in which lengths are entered and told in the tab",
        items=[
            ("scene", "As the scene", "Units of the scene"),
            *((unit, title, "") for unit, (title, _) in UNITS.items()),
        ],
    )
    keep: EnumProperty(
        name="Keep",
        description="What stays as asked when whole frames make something give",
        items=(
            ("automatic", "Automatic", "Poses with a posed crouch and take-off, else gravity"),
            ("gravity", "Gravity", "Gravity stays, heights give; with a posed push, poses stay"),
            ("poses", "Poses", "Posed heights stay, the push gives"),
            ("heights", "Heights", "All heights stay, gravity gives"),
        ),
    )
    anticipation_frames: IntProperty(
        name="Anticipation frames",
        description="Frames from start to crouch; 0: none, -1: as long as it usually takes",
        default=-1,
        min=-1,
    )
    recover_frames: IntProperty(
        name="Recover frames",
        description="Frames from low to end; 0: none, -1: as long as it usually takes",
        default=-1,
        min=-1,
    )
    planned_colour: FloatVectorProperty(
        name="Planned",
        description="Colour of the planned arc; darker where the view is light",
        subtype="COLOR_GAMMA",
        size=3,
        min=0.0,
        max=1.0,
        default=(1.0, 0.66, 0.18),
    )
    measured_colour: FloatVectorProperty(
        name="Measured",
        description="Colour of the measured track; darker where the view is light",
        subtype="COLOR_GAMMA",
        size=3,
        min=0.0,
        max=1.0,
        default=(0.42, 0.78, 1.0),
    )
    overlay_size: FloatProperty(
        name="Size of marks", description="Of lines and dots", default=1.0, min=0.3, max=4.0
    )
    text_size: IntProperty(
        name="Size of text", description="Of the names of moments", default=12, min=6, max=40
    )

    def draw(self, context: Any) -> None:
        """Draw all of them."""
        column = self.layout.column()
        column.use_property_split = True
        for name in ("units", "keep", "anticipation_frames", "recover_frames"):
            column.prop(self, name)
        column.separator()
        column.label(text="Overlay")
        for name in ("planned_colour", "measured_colour", "overlay_size", "text_size"):
            column.prop(self, name)
