# SPDX-License-Identifier: GPL-3.0-or-later
"""Resize in the tab: how much higher or farther, and the button."""

# mypy: disable-error-code="valid-type"
# No postponed annotations here: the host reads properties from the annotations themselves.
import math
from typing import Any

import bpy
from bpy.props import BoolProperty, FloatProperty

from leapwright_blender.steps import Steps

from .aiming import rig_arguments
from .blocking import show
from .entry import Units, length, units_of
from .layout import Tab, action, split_column, write
from .moments import FRESH
from .options import OPTIONS, ChangeOptions, complete, draw_pin, draw_places, option_arguments
from .properties import settings_of
from .recall import jumps_of
from .subject import on_keys, subject
from .working import LongVerb, in_steps

__all__ = [
    "OPERATORS", "PANELS", "LeapwrightResize", "resize_arguments", "resize_summary", "why_not",
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
    values, jumps = obj.leapwright_resize, jumps_of(obj)
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


class LEAPWRIGHT_PT_resize(Tab, bpy.types.Panel):
    """How much higher or farther, and the button."""

    bl_idname = "LEAPWRIGHT_PT_resize"
    bl_label = "Higher, farther"
    bl_parent_id = "LEAPWRIGHT_PT_retime"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: Any) -> None:
        """Draw what is asked; without an ask the button is off."""
        layout, obj = self.layout, subject(context)
        values = obj.leapwright_resize
        column = split_column(layout)
        column.prop(values, "times_height")
        _draw_asked(column, values)
        missing = why_not(obj)
        if missing:
            write(layout, missing, region=context.region, icon="INFO")
        button = layout.column()
        button.enabled = not missing
        action(button, "leapwright.resize", text="Resize", icon="FULLSCREEN_ENTER")


# The button


class LEAPWRIGHT_OT_resize(ResizeValues, ChangeOptions, LongVerb, bpy.types.Operator):
    """Make the jump higher or farther for the whole character; gravity and poses stay."""

    bl_idname = "leapwright.resize"
    bl_label = "Resize Jump"
    bl_description = (
        "Make the jump higher or farther for the whole character; its gravity and its poses stay"
    )

    @classmethod
    def poll(cls: Any, context: Any) -> bool:
        """Say why the button is off."""
        return on_keys(cls, context, verb="resize")

    def invoke(self, context: Any, event: Any) -> Any:
        """From a menu, with nothing asked in the tab: ask now."""
        given = any(self.properties.is_property_set(name) for name in ASKS)
        if given or not why_not(subject(context)):
            return self.begin(context)
        return self.ask(context, width=300)

    def steps(self, context: Any, obj: Any) -> Steps[str]:
        """Resize, say what became of it, and ask for nothing more."""
        scene = context.scene
        entered = dict.fromkeys(OPTIONS, obj.leapwright_retime)
        entered |= dict.fromkeys(VALUES, obj.leapwright_resize)
        complete(self, entered, ASKS)
        result: Any = yield from in_steps(obj, scene).resize(
            **rig_arguments(settings_of(obj), obj),
            **resize_arguments(self, metres=float(scene.unit_settings.scale_length)),
            **option_arguments(self),
            jump=self.jump if len(jumps_of(obj)) > 1 else None,
            exact_shape=self.exact_shape,
            props=self.props,
        )
        for name in ASKS:
            entered[name].property_unset(name)
        show(obj, scene)
        self.warn(result.warnings)
        return resize_summary(result, units_of(scene))

    def draw(self, context: Any) -> None:
        """Draw the values that can be adjusted after the fact."""
        column = split_column(self.layout)
        column.prop(self, "times_height")
        column.prop(self, "jump_height")
        _draw_asked(column, self)
        if len(jumps_of(subject(context))) > 1:
            column.prop(self, "jump")
        draw_pin(column, self)
        draw_places(column, self)
        ticks = self.layout.column(align=True)
        for name in ("twos", "exact_shape", "subframes", "props"):
            ticks.prop(self, name)


OPERATORS = (LEAPWRIGHT_OT_resize,)
PANELS = (LEAPWRIGHT_PT_resize,)
