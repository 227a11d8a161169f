# SPDX-License-Identifier: GPL-3.0-or-later
"""Buttons: gather, call, report."""

# mypy: disable-error-code="valid-type"
# No postponed annotations here: the host reads properties from the annotations themselves.
import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import bpy
from bpy.props import BoolProperty, EnumProperty, IntProperty, StringProperty

from leapwright.errors import KeysInTheWayError, LeapwrightError, NotFoundError
from leapwright_blender import rig_of

from .asking import block_arguments, on_rig, poses_to_read, rig_arguments
from .layout import draw_jump, draw_more
from .properties import (
    AIR_MEASURES,
    FRESH,
    MOMENTS,
    PUSH_MEASURES,
    VALUE_NAMES,
    LeapwrightValues,
    LeapwrightWithin,
    copy_values,
    set_pose,
    settings_of,
)
from .readout import spline_summary, summary
from .recall import again_arguments, last_low, recalled
from .resizing import LEAPWRIGHT_OT_resize
from .retiming import LEAPWRIGHT_OT_retime

__all__ = ["OPERATORS"]

_ROLES = {"root": "root", "cog": "COG control", "pelvis": "pelvis", "feet": "feet"}
_SELECTORS = {"air_measure": AIR_MEASURES, "push_measure": PUSH_MEASURES}
_moment = EnumProperty(
    name="Moment", items=[(key, name, "") for key, name in MOMENTS.items()], default="crouch"
)


class _OnRig:
    """Works on the active object."""

    @classmethod
    def poll(cls: Any, context: Any) -> bool:
        """Say why a button is off."""
        return on_rig(cls, context)


class LEAPWRIGHT_OT_find_controls(_OnRig, bpy.types.Operator):
    """Find the root, the COG control and the feet, and say how sure that is."""

    bl_idname = "leapwright.find_controls"
    bl_label = "Find controls"
    bl_description = "Find the root, the COG control and the feet, and say how sure that is"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: Any) -> Any:
        settings = settings_of(context.object)
        try:
            found = rig_of(context.object, context.scene).find()
        except LeapwrightError as error:
            settings.found = str(error)
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        settings.root = found.root.bone if found.root else ""
        settings.cog = found.cog.bone
        settings.feet = ", ".join(foot.bone or foot.object for foot in found.feet)
        settings.found = "\n".join(_how_sure(found.sure))
        return {"FINISHED"}


class LEAPWRIGHT_OT_mark_pose(_OnRig, bpy.types.Operator):
    """Say that the current frame is the pose of this moment."""

    bl_idname = "leapwright.mark_pose"
    bl_label = "Mark pose"
    bl_options = {"REGISTER", "UNDO"}

    moment: _moment
    frame: IntProperty(name="Frame", options={"SKIP_SAVE"})

    @classmethod
    def description(cls, context: Any, properties: Any) -> str:
        """Say which moment the button marks."""
        return f"The current frame is the {MOMENTS[properties.moment].lower()} pose"

    def execute(self, context: Any) -> Any:
        # Adjusting this operator later must not read the frame of that time.
        if not self.properties.is_property_set("frame"):
            self.frame = context.scene.frame_current
        set_pose(settings_of(context.object), self.moment, self.frame)
        if problem := _read_poses(context):
            self.report({"WARNING"}, problem)
        return {"FINISHED"}


class LEAPWRIGHT_OT_clear_pose(_OnRig, bpy.types.Operator):
    """Forget that this moment is posed; no key is touched."""

    bl_idname = "leapwright.clear_pose"
    bl_label = "Clear pose"
    bl_description = "Forget that this moment is posed; no key is touched"
    bl_options = {"REGISTER", "UNDO"}

    moment: _moment

    def execute(self, context: Any) -> Any:
        set_pose(settings_of(context.object), self.moment, None)
        if problem := _read_poses(context):
            self.report({"WARNING"}, problem)
        return {"FINISHED"}


class LEAPWRIGHT_OT_read_poses(_OnRig, bpy.types.Operator):
    """Read push height, landing level and travel from the marked poses."""

    bl_idname = "leapwright.read_poses"
    bl_label = "Read poses"
    bl_description = "Read push height, landing level and travel from the marked poses"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: Any) -> Any:
        if problem := _read_poses(context):
            self.report({"ERROR"}, problem)
            return {"CANCELLED"}
        return {"FINISHED"}


class LEAPWRIGHT_OT_block(LeapwrightValues, _OnRig, bpy.types.Operator):
    """Put the keys of the jump on their whole frames."""

    bl_idname = "leapwright.block"
    bl_label = "Block"
    bl_description = "Put the keys of the jump on their whole frames"
    bl_options = {"REGISTER", "UNDO"}

    ground: StringProperty(
        name="Land on",
        description="Object to land on: its top under each foot is the landing level",
        options=FRESH,
    )
    again: BoolProperty(
        name="Again",
        description="Block the jump that the rig remembers once more, with what is given changed",
        options={"HIDDEN", *FRESH},
    )

    def execute(self, context: Any) -> Any:
        try:
            arguments = self._arguments(context)
            result = rig_of(context.object, context.scene).block(**arguments)
        except KeysInTheWayError as error:
            self.report({"ERROR"}, f"{error}. To replace them, tick Replace keys in the way")
            return {"CANCELLED"}
        except LeapwrightError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        # The panel shows what was blocked, also after an adjustment.
        settings = settings_of(context.object)
        copy_values(self, settings)
        _follow(settings, {m: result.moments[m] for m in arguments["poses"]})
        for warning in result.warnings:
            self.report({"WARNING"}, warning)
        self.report({"INFO"}, summary(result))
        return {"FINISHED"}

    def draw(self, context: Any) -> None:
        """Draw the values that can be adjusted after the fact."""
        draw_jump(self.layout, self)
        draw_more(self.layout, self)

    def _arguments(self, context: Any) -> dict[str, Any]:
        """Complete the values that were not given, and give the arguments of block."""
        obj, scene = context.object, context.scene
        # Adjusting this operator runs it again with all its values set: these stay.
        unset = [n for n in VALUE_NAMES if not self.properties.is_property_set(n)]
        for selector, measures in _SELECTORS.items():
            given = [n for n in measures if n not in unset]
            if selector in unset and len(given) == 1:
                setattr(self, selector, given[0])
                unset.remove(selector)
        copy_values(settings_of(obj), self, names=unset)
        if not self.again:
            return block_arguments(self, scene, low=last_low(obj) if self.chain else None)
        jumps = rig_of(obj, scene).remembered()
        if not jumps:
            raise NotFoundError(f"{obj.name!r} remembers no jump: block one first")
        said = recalled(jumps[-1], metres=scene.unit_settings.scale_length)
        for name in (n for n in unset if n in said):
            setattr(self, name, said[name])
        return again_arguments(self, jumps[-1], scene)


class LEAPWRIGHT_OT_spline(LeapwrightWithin, _OnRig, bpy.types.Operator):
    """Turn the stepped jumps of this rig into splines."""

    bl_idname = "leapwright.spline"
    bl_label = "Spline"
    bl_description = (
        "Turn the stepped jumps of this rig into splines: the COG's air on the exact arc, all "
        "poses as they are"
    )
    bl_options = {"REGISTER", "UNDO"}

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
        if last_low(context.object) is None:
            cls.poll_message_set("Block a jump first")
            return False
        return True

    def execute(self, context: Any) -> Any:
        settings = settings_of(context.object)
        unset = [n for n in ("within_m", "props") if not self.properties.is_property_set(n)]
        copy_values(settings, self, names=unset)
        try:
            result = rig_of(context.object, context.scene).spline(
                **rig_arguments(settings),
                handle=None if self.handle == "preferences" else self.handle,
                legs=self.legs,
                within=round(self.within_m, 8),
                props=self.props,
            )
        except LeapwrightError as error:
            self.report({"ERROR"}, str(error))
            return {"CANCELLED"}
        for warning in result.warnings:
            self.report({"WARNING"}, warning)
        self.report({"INFO"}, spline_summary(result))
        return {"FINISHED"}

    def draw(self, context: Any) -> None:
        """Draw what can be adjusted after the fact."""
        column = self.layout.column()
        column.use_property_split = True
        column.prop(self, "handle")
        column.prop(self, "legs")
        if self.legs:
            column.prop(self, "within")
        column.prop(self, "props")


def _how_sure(roles: Mapping[str, tuple[str, str]]) -> list[str]:
    """One line for all that is sure, and one with the reason for each that is not."""
    shown = {name: roles[role] for role, name in _ROLES.items() if role in roles}
    sure = [name for name, (how, _) in shown.items() if how == "sure"]
    lines = [f"sure: {', '.join(sure)}"] if sure else []
    return lines + [f"{how}: {why}" for how, why in shown.values() if how != "sure"]


def _follow(settings: Any, frames: Mapping[str, float]) -> None:
    """Note that poses stand on other frames now; what was read from them holds."""
    read = settings.measured
    for moment, frame in frames.items():
        set_pose(settings, moment, round(frame))
    settings.measured = read


def _read_poses(context: Any) -> str:
    """Read the marked poses into the settings; give the problem in one line, or nothing."""
    settings = settings_of(context.object)
    settings.measured = ""
    poses = poses_to_read(settings, low=last_low(context.object) if settings.chain else None)
    try:
        rig = rig_of(context.object, context.scene)
        read = rig.measure_poses(poses, **rig_arguments(settings))
    except LeapwrightError as error:
        return str(error)
    settings.measured = json.dumps(asdict(read))
    return ""


OPERATORS = (
    LEAPWRIGHT_OT_find_controls,
    LEAPWRIGHT_OT_mark_pose,
    LEAPWRIGHT_OT_clear_pose,
    LEAPWRIGHT_OT_read_poses,
    LEAPWRIGHT_OT_block,
    LEAPWRIGHT_OT_spline,
    LEAPWRIGHT_OT_retime,
    LEAPWRIGHT_OT_resize,
)
