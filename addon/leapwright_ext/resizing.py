# SPDX-License-Identifier: GPL-3.0-or-later
"""Resize in the tab: how much higher or farther, and the button."""

# mypy: disable-error-code="valid-type"
# No postponed annotations here: the host reads properties from the annotations themselves.
import math
from typing import Any

import bpy
from bpy.props import BoolProperty, FloatProperty

from leapwright.errors import LeapwrightError
from leapwright_blender import rig_of
from leapwright_blender.store import load

from .asking import on_keys, rig_arguments
from .layout import write
from .options import OPTIONS, ChangeOptions, complete, draw_places, option_arguments
from .properties import FRESH, settings_of
from .readout import Units, length, units_of

__all__ = [
    "LEAPWRIGHT_OT_resize", "LeapwrightResize", "draw_resize", "resize_arguments",
    "resize_summary", "why_not",
]  # fmt: skip


class ResizeValues:
    """What is asked of a resize, as properties; mixed into settings and operator."""

    times_height: FloatProperty(
        name="Times height",
        description=(
            "How many times the jump height: 1.44 is higher, 0.8 is lower; gravity stays. "
            "0: not asked"
        ),
        min=0.0,
        soft_max=4.0,
        max=100.0,
        step=5,
        precision=2,
        options=FRESH,
    )
    jump_height: FloatProperty(
        name="Jump height",
        description="COG rise from take-off to apex that is wanted. 0: not asked",
        min=0.0,
        unit="LENGTH",
        precision=3,
        options=FRESH,
    )
    use_travel: BoolProperty(
        name="Travel",
        description="Ask for another travel; alone, every frame stays",
        options=FRESH,
    )
    travel: FloatProperty(
        name="Travel",
        description="Horizontal way of the COG in the air that is wanted",
        min=0.0,
        unit="LENGTH",
        precision=3,
        options=FRESH,
    )
    use_heading: BoolProperty(
        name="Heading",
        description="Say where the travel goes; else as before",
        options=FRESH,
    )
    heading: FloatProperty(
        name="Heading",
        description="Where the travel goes: 0° is +X, 90° is +Y",
        unit="ROTATION",
        options=FRESH,
    )


VALUES = tuple(ResizeValues.__annotations__)
ASKS = ("times_height", "jump_height", "use_travel", "use_heading", "pin")
"""What is asked once: nothing is left asked after a resize."""


class LeapwrightResize(ResizeValues, bpy.types.PropertyGroup):
    """What was entered for a resize of one rig; its options are those of retime."""


# Asked


def resize_arguments(values: Any, *, metres: float) -> dict[str, Any]:
    """Give the arguments of resize, as far as something is asked.

    Parameters
    ----------
    values : ResizeValues
    metres : float
        Metres in a unit of the scene.
    """
    asked: dict[str, Any] = {}
    # 32 bits of 1.44 are not 1.44.
    if values.times_height:
        asked["times_height"] = round(values.times_height, 6)
    if values.jump_height:
        asked["jump_height"] = round(values.jump_height * metres, 6)
    if values.use_travel:
        asked["travel"] = round(values.travel * metres, 6)
    if values.use_heading:
        asked["heading"] = round(math.degrees(values.heading), 4)
    return asked


def why_not(obj: Any) -> str:
    """Say why there is nothing to resize by yet, or nothing."""
    values, jumps = obj.leapwright_resize, load(obj)
    if not (values.times_height or values.jump_height or values.use_travel):
        return "Enter a height, or tick Travel."
    if len(jumps) > 1 and obj.leapwright_retime.jump > len(jumps):
        return f"There are {len(jumps)} jumps."
    return ""


def resize_summary(result: Any, units: Units) -> str:
    """Say in one line what was resized."""
    solved, keys = result.solved, result.keys
    frames = solved.jump.frames
    was, now = (length(h, units) for h in (result.before.heights.jump, solved.jump.jump_height))
    way, far = (length(t, units) for t in (result.travel_before_m, solved.jump.travel))
    asked = _asked_height(result, units)
    asked = f", asked {asked}" if asked not in ("", now) else ""
    height = f"jump height {was} → {now} (times {solved.times_height:.2f}{asked})"
    travel = f"travel {way} → {far}"
    changed = [*([height] if asked or was != now else []), *([travel] if way != far else [])]
    added = f", {keys.split} added" if keys.split else ""
    merged = f", {len(keys.merged)} merged" if keys.merged else ""
    return (
        f"Resized: {', '.join(changed) or 'as before'}. "
        f"Push {frames.push:.4g}, rise {frames.rise:.4g}, fall {frames.fall:.4g}. "
        f"{keys.channels} channels, {keys.moved} keys moved{added}{merged}"
    )


def _asked_height(result: Any, units: Units) -> str:
    """Write the jump height that was asked for, or nothing."""
    asked = result.asked
    if "times_height" in asked:
        return length(asked["times_height"] * result.before.heights.jump, units)
    return length(asked["jump_height"], units) if "jump_height" in asked else ""


# Drawing


def _draw_asked(column: Any, values: Any) -> None:
    """Draw a travel and where it goes, each with its tick."""
    for name in ("travel", "heading") if values.use_travel or values.use_heading else ("travel",):
        row = column.row(heading=name.capitalize())
        row.prop(values, f"use_{name}", text="")
        value = row.row()
        value.enabled = getattr(values, f"use_{name}")
        value.prop(values, name, text="")


def draw_resize(layout: Any, context: Any) -> None:
    """Draw how much higher or farther, and the button."""
    values = context.object.leapwright_resize
    layout.separator(factor=0.5)
    layout.label(text="Higher, farther")
    column = layout.column()
    column.use_property_split = True
    column.use_property_decorate = False
    column.prop(values, "times_height")
    _draw_asked(column, values)
    missing = why_not(context.object)
    if missing:
        write(layout, missing, region=context.region, icon="INFO")
    button = layout.column()
    button.enabled = not missing
    button.operator("leapwright.resize", icon="FULLSCREEN_ENTER")


# The button


class LEAPWRIGHT_OT_resize(ResizeValues, ChangeOptions, bpy.types.Operator):
    """Make the jump higher or farther for the whole character; gravity and poses stay."""

    bl_idname = "leapwright.resize"
    bl_label = "Resize"
    bl_description = (
        "Make the jump higher or farther for the whole character; its gravity and its poses stay"
    )
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls: Any, context: Any) -> bool:
        """Say why the button is off."""
        return on_keys(cls, context, verb="resize")

    def execute(self, context: Any) -> Any:
        """Resize, say what became of it, and ask for nothing more."""
        obj, scene = context.object, context.scene
        entered = dict.fromkeys(OPTIONS, obj.leapwright_retime)
        entered |= dict.fromkeys(VALUES, obj.leapwright_resize)
        complete(self, entered, ASKS)
        try:
            result = rig_of(obj, scene).resize(
                **rig_arguments(settings_of(obj)),
                **resize_arguments(self, metres=float(scene.unit_settings.scale_length)),
                **option_arguments(self),
                jump=self.jump if len(load(obj)) > 1 else None,
                exact_shape=self.exact_shape,
                props=self.props,
            )
        except LeapwrightError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        for name in ASKS:
            entered[name].property_unset(name)
        for warning in result.warnings:
            self.report({"WARNING"}, warning)
        self.report({"INFO"}, resize_summary(result, units_of(scene)))
        return {"FINISHED"}

    def draw(self, context: Any) -> None:
        """Draw the values that can be adjusted after the fact."""
        column = self.layout.column()
        column.use_property_split = True
        column.use_property_decorate = False
        column.prop(self, "times_height")
        column.prop(self, "jump_height")
        _draw_asked(column, self)
        if len(load(context.object)) > 1:
            column.prop(self, "jump")
        draw_places(column, self)
        ticks = self.layout.column(align=True)
        for name in ("twos", "exact_shape", "subframes", "props"):
            ticks.prop(self, name)
