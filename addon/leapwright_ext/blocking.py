# SPDX-License-Identifier: GPL-3.0-or-later
"""Plan, Block and Spline: the buttons of the jump."""

# mypy: disable-error-code="valid-type"
# No postponed annotations here: the host reads properties from the annotations themselves.
import json
from typing import Any

import bpy
from bpy.props import BoolProperty, EnumProperty, FloatProperty, StringProperty

from leapwright.errors import KeysInTheWayError, NotFoundError
from leapwright_blender import rig_of
from leapwright_blender.steps import Steps
from leapwright_blender.trail import planned_arc

from .aiming import aim, rig_arguments
from .asking import block_arguments
from .jump_layout import draw_jump, draw_more, draw_pins
from .moments import FRESH, MOMENTS, pin
from .posing import follow
from .preview import preview_of
from .properties import copy_values, settings_of
from .readout import read_out, spline_summary, summary
from .recall import again_arguments, last_low, recalled
from .subject import Verb, subject
from .tracking import drop_plan, note_plan, want
from .values import AIR_MEASURES, PUSH_MEASURES, VALUE_NAMES, LeapwrightValues, LeapwrightWithin
from .working import LongVerb, in_steps

__all__ = ["OPERATORS"]

_SELECTORS = {
    "air_measure": AIR_MEASURES,
    "push_measure": PUSH_MEASURES,
}


class _Asked(LeapwrightValues):
    """What plan and block share: their values, taken from the tab where they are not given."""

    ground: StringProperty(
        name="Land on",
        description="Object to land on: its top under each foot is the landing level",
        options=FRESH,
    )
    again: BoolProperty(
        name="Again",
        description="The jump that the rig remembers once more, with what is given changed",
        options={"HIDDEN", *FRESH},
    )

    def draw(self: Any, context: Any) -> None:
        """Draw the values that can be adjusted after the fact."""
        draw_jump(self.layout, self, region=context.region)
        draw_pins(self.layout, self)
        draw_more(self.layout, self)

    def hint(self, error: Exception) -> str:
        """Say how keys in the way can be replaced."""
        known = isinstance(error, KeysInTheWayError)
        return "Tick Replace keys in the way (More) to replace them" if known else ""

    def arguments(self: Any, obj: Any, scene: Any) -> dict[str, Any]:
        """Complete the values that were not given, and give the arguments of block."""
        # Adjusting this operator runs it again with all its values set: these stay.
        unset = [n for n in VALUE_NAMES if not self.properties.is_property_set(n)]
        for selector, measures in _SELECTORS.items():
            given = [n for n in measures if n not in unset]
            if selector in unset and len(given) == 1:
                setattr(self, selector, given[0])
                unset.remove(selector)
        if "landing" in unset and "ground" not in unset:
            self.landing = "object"
            unset.remove("landing")
        copy_values(settings_of(obj), self, names=unset)
        if not self.again:
            return block_arguments(self, obj, scene, low=last_low(obj) if self.chain else None)
        jumps = rig_of(obj, scene).remembered()
        if not jumps:
            raise NotFoundError(f"{obj.name!r} remembers no jump: block one first")
        said = recalled(jumps[-1], metres=scene.unit_settings.scale_length)
        for name in (n for n in unset if n in said):
            setattr(self, name, said[name])
        return again_arguments(self, jumps[-1], obj, scene)


class LEAPWRIGHT_OT_plan(_Asked, LongVerb, bpy.types.Operator):
    """Work the jump out without writing a key: its frames, its arc, and what would be written."""

    bl_idname = "leapwright.plan"
    bl_label = "Plan Jump"
    bl_description = (
        "Work the jump out without writing a key: its arc is drawn, and what would be written is "
        "listed"
    )

    def steps(self, context: Any, obj: Any) -> Steps[str]:
        """Block dry, and keep what is to be seen of it."""
        scene, settings = context.scene, settings_of(obj)
        settings.preview = ""
        asked = self.arguments(obj, scene)
        result: Any = yield from in_steps(obj, scene).block(**asked, dry_run=True)
        settings.preview = json.dumps(preview_of(result))
        note_plan((scene.name, obj.name), planned_arc(obj, scene, result.controls, result.course))
        frames = result.jump.frames
        self.warn(result.warnings)
        return (
            f"Plan: push {frames.push:g}, rise {frames.rise:g}, fall {frames.fall:g}; "
            f"take-off {result.jump.moments.takeoff:g}. {preview_of(result)['sum']}"
        )


class LEAPWRIGHT_OT_block(_Asked, LongVerb, bpy.types.Operator):
    """Put the keys of the jump on their whole frames."""

    bl_idname = "leapwright.block"
    bl_label = "Block Jump"
    bl_description = "Put the keys of the jump on their whole frames"

    def steps(self, context: Any, obj: Any) -> Steps[str]:
        """Block, and show in the tab what was blocked, also after an adjustment."""
        scene, settings = context.scene, settings_of(obj)
        arguments = self.arguments(obj, scene)
        result: Any = yield from in_steps(obj, scene).block(**arguments)
        copy_values(self, settings)
        follow(settings, {m: result.moments[m] for m in arguments["poses"]})
        settings.preview = ""
        show(obj, scene)
        self.warn(result.warnings)
        return summary(result)


class LEAPWRIGHT_OT_spline(LeapwrightWithin, LongVerb, bpy.types.Operator):
    """Turn the stepped jumps of this rig into splines."""

    bl_idname = "leapwright.spline"
    bl_label = "Spline Jump"
    bl_description = (
        "Turn the stepped jumps of this rig into splines: the COG's air on the exact arc, all "
        "poses as they are"
    )

    handle: EnumProperty(
        name="Handles",
        description="Handles of the keys on all other channels than the COG's",
        items=(
            ("preferences", "As in preferences", "The handle type that new keys get"),
            ("auto-clamped", "Auto clamped", "Smooth, and never beyond the keys"),
            ("auto", "Automatic", "Smooth"),
            ("vector", "Vector", "Straight to the next key"),
            ("aligned", "Aligned", "Both sides in one line"),
            ("free", "Free", "Each side by itself"),
        ),
        options=FRESH,
    )
    legs: BoolProperty(
        name="Hold FK legs",
        description="Add keys to FK legs, so that planted feet stay where they are",
        options=FRESH,
    )
    props: BoolProperty(
        name="Props go along",
        description="Props that are parented or constrained to the character are turned with it",
        default=True,
        options=FRESH,
    )

    @classmethod
    def poll(cls: Any, context: Any) -> bool:
        """Say why the button is off."""
        if not super().poll(context):
            return False
        if last_low(subject(context)) is None:
            cls.poll_message_set("Block a jump first")
            return False
        return True

    def steps(self, context: Any, obj: Any) -> Steps[str]:
        """Spline what is stepped."""
        settings = settings_of(obj)
        unset = [n for n in ("within_m", "props") if not self.properties.is_property_set(n)]
        copy_values(settings, self, names=unset)
        result: Any = yield from in_steps(obj, context.scene).spline(
            **rig_arguments(settings, obj),
            handle=None if self.handle == "preferences" else self.handle,
            legs=self.legs,
            within=round(self.within_m, 8),
            props=self.props,
        )
        show(obj, context.scene)
        self.warn(result.warnings)
        return spline_summary(result)

    def draw(self, context: Any) -> None:
        """Draw what can be adjusted after the fact."""
        column = self.layout.column()
        column.use_property_split = True
        column.prop(self, "handle")
        column.prop(self, "legs")
        if self.legs:
            column.prop(self, "within")
        column.prop(self, "props")


class LEAPWRIGHT_OT_pick_frames(Verb, bpy.types.Operator):
    """Take the frames of this answer; heights and gravity give as it says."""

    bl_idname = "leapwright.pick_frames"
    bl_label = "Pick Frames of Jump"
    bl_description = "Take these frames of push and air; what gives is what the line says"

    push: FloatProperty(name="Push frames", options={"SKIP_SAVE"})
    air: FloatProperty(name="Air frames", options={"SKIP_SAVE"})

    def work(self, context: Any, obj: Any) -> str:
        """Pin the jump to the frames; the best answer needs no pins."""
        settings = settings_of(obj)
        shown = read_out(settings, context.scene)
        if shown.problem:
            raise NotFoundError(f"there are no frames to pick: {shown.problem}")
        others = shown.others
        chosen = next((o for o in others if (o.push, o.air) == (self.push, self.air)), None)
        if chosen is None:
            raise NotFoundError(
                f"there is no answer with push {self.push:g} and air {self.air:g}; there are "
                + ", ".join(f"push {o.push:g} air {o.air:g}" for o in others)
            )
        free_frames(settings)
        if chosen is not others[0]:
            for moment, frame in chosen.pins:
                if not settings.pinned[list(MOMENTS).index(moment)]:
                    pin(settings, moment, frame, picked=True)
        settings.preview = ""
        return f"Push {chosen.push:g}, air {chosen.air:g}: {chosen.words}"


class LEAPWRIGHT_OT_measure_landing(Verb, bpy.types.Operator):
    """Measure anew where the feet stand and where the picked object's top is."""

    bl_idname = "leapwright.measure_landing"
    bl_label = "Measure Jump Landing"
    bl_description = "Measure anew where the feet stand and where the top of the object is"

    def work(self, context: Any, obj: Any) -> str:
        """Note where the landing is."""
        aim(settings_of(obj), context.scene)
        return ""


def free_frames(settings: Any) -> None:
    """Let picked frames go."""
    for index, moment in enumerate(MOMENTS):
        if settings.picked[index]:
            pin(settings, moment, None)


def show(obj: Any, scene: Any) -> None:
    """Have the overlay show what was written instead of what was planned."""
    key = (scene.name, obj.name)
    drop_plan(key)
    if obj.leapwright_display.show:
        want(key)


OPERATORS = (
    LEAPWRIGHT_OT_plan,
    LEAPWRIGHT_OT_block,
    LEAPWRIGHT_OT_spline,
    LEAPWRIGHT_OT_pick_frames,
    LEAPWRIGHT_OT_measure_landing,
)
