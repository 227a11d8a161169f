# SPDX-License-Identifier: GPL-3.0-or-later
"""Display: what of a rig the overlay shows."""

# mypy: disable-error-code="valid-type"
# No postponed annotations here: the host reads properties from the annotations themselves.
from typing import Any

import bpy
from bpy.props import BoolProperty

from .layout import Tab, action, write
from .subject import Verb, subject
from .tracking import PROBLEMS, is_stale, measured_share, trail_of, want

__all__ = ["OPERATORS", "PANELS", "LeapwrightDisplay"]

_PARTS = ("planned", "measured", "moments", "mark", "floor")


class LeapwrightDisplay(bpy.types.PropertyGroup):
    """What of one rig is drawn in the 3D view."""

    show: BoolProperty(
        name="Show in the view", description="Draw the jumps of this rig", default=True
    )
    planned: BoolProperty(
        name="Planned arc",
        description="A line with a round dot on each frame: the true arc of each jump",
        default=True,
    )
    measured: BoolProperty(
        name="Measured track",
        description="A thin line with a cross on each frame: where the COG really is",
        default=True,
    )
    moments: BoolProperty(
        name="Moments", description="A diamond and a name for each moment", default=True
    )
    mark: BoolProperty(
        name="COG on this frame",
        description="A ring with two filled quarters where the COG is now",
        default=True,
    )
    floor: BoolProperty(
        name="Floor",
        description="A dashed line as low as the feet at take-off",
        default=True,
    )


class LEAPWRIGHT_OT_measure(Verb, bpy.types.Operator):
    """Measure the COG of this rig anew for the view, a little at a time."""

    bl_idname = "leapwright.measure"
    bl_label = "Measure Jump Track"
    bl_description = "Measure the COG of this rig on all frames anew, for the view"
    bl_options: Any = {"REGISTER"}

    def work(self, context: Any, obj: Any) -> str:
        """Have it measured; the window stays alive meanwhile."""
        obj.leapwright_display.show = True
        want((context.scene.name, obj.name))
        return ""


class LEAPWRIGHT_PT_display(Tab, bpy.types.Panel):
    """What is drawn in the view."""

    bl_idname = "LEAPWRIGHT_PT_display"
    bl_label = "Display"
    bl_order = 5
    bl_options = {"DEFAULT_CLOSED"}

    def draw_header(self, context: Any) -> None:
        """Tick to show anything at all."""
        self.layout.prop(subject(context).leapwright_display, "show", text="")

    def draw(self, context: Any) -> None:
        """Draw a tick for each part, and how far measuring is."""
        layout, obj = self.layout, subject(context)
        display = obj.leapwright_display
        column = layout.column(align=True)
        column.enabled = display.show
        for name in _PARTS:
            column.prop(display, name)
        key = (context.scene.name, obj.name)
        share, trail = measured_share(key), trail_of(key)
        if key in PROBLEMS:
            write(layout, PROBLEMS[key], region=context.region, icon="ERROR")
        elif share is not None:
            write(layout, f"Measuring: {100 * share:.0f} %", region=context.region, icon="SORTTIME")
        elif trail is not None:
            old = ", before the last edits" if is_stale(key) else ""
            said = f"COG from {trail.cog_from}, {len(trail.frames)} frames{old}"
            write(layout, said, region=context.region)
        action(layout, "leapwright.measure", text="Measure", icon="FILE_REFRESH")


OPERATORS = (LEAPWRIGHT_OT_measure,)
PANELS = (LEAPWRIGHT_PT_display,)
