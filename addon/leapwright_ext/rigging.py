# SPDX-License-Identifier: GPL-3.0-or-later
"""Rig: the controls, found with one click, edited, kept in a rig file; where the COG is from."""

# mypy: disable-error-code="valid-type"
# No postponed annotations here: the host reads properties from the annotations themselves.
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import bpy
from bpy.props import EnumProperty, StringProperty

from leapwright.errors import InputError, LeapwrightError
from leapwright_blender import rig_of
from leapwright_blender.rigfile import SUFFIX, load_rig_file

from .aiming import aim, rig_arguments
from .layout import Tab, action, split_column, write
from .properties import settings_of
from .subject import Verb, subject
from .values import CONTROLS

__all__ = ["OPERATORS", "PANELS"]

_ROLES = {"root": "root", "cog": "COG control", "pelvis": "pelvis", "feet": "feet"}
_SURE_ICONS = {"sure": "CHECKMARK", "likely": "QUESTION", "guess": "ERROR"}


class LEAPWRIGHT_OT_find_controls(Verb, bpy.types.Operator):
    """Find the root, the COG control, the pelvis and the feet, and say how sure that is."""

    bl_idname = "leapwright.find_controls"
    bl_label = "Find Jump Controls"
    bl_description = (
        "Find the root, the COG control, the pelvis and the feet, and say how sure that is"
    )

    def work(self, context: Any, obj: Any) -> str:
        """Find anew; a rig file that is named stays."""
        settings = settings_of(obj)
        settings.found = ""
        file = rig_arguments(settings, obj)["rig_file"] if settings.rig_file else None
        try:
            found = rig_of(obj, context.scene).find(rig_file=file)
        except LeapwrightError as error:
            settings.found = str(error)
            raise
        _enter(settings, found)
        aim(settings, context.scene)
        return "Found: " + ", ".join(n for n in (*_named(settings),) if n)


class LEAPWRIGHT_OT_take_control(Verb, bpy.types.Operator):
    """Take the control from what is selected."""

    bl_idname = "leapwright.take_control"
    bl_label = "Take Control from Selection"
    bl_description = "Take it from what is selected: a bone, or an object of a figure without bones"

    role: EnumProperty(name="Control", items=[(r, n.capitalize(), "") for r, n in _ROLES.items()])

    def work(self, context: Any, obj: Any) -> str:
        """Take the active one; for the feet all that are selected."""
        if obj.pose is None:
            names = [o.name for o in context.selected_objects]
            active = obj.name
        else:
            bones = context.selected_pose_bones_from_active_object or ()
            names = [bone.name for bone in bones]
            active = context.active_pose_bone.name if context.active_pose_bone else ""
        if not names and not active:
            raise InputError("nothing is selected: select the control in pose mode", "role")
        text = ", ".join(names or [active]) if self.role == "feet" else active or names[0]
        setattr(settings_of(obj), self.role, text)
        return f"{_ROLES[self.role]}: {text}"


class LEAPWRIGHT_OT_load_rig_file(Verb, bpy.types.Operator):
    """Take the controls from a rig file."""

    bl_idname = "leapwright.load_rig_file"
    bl_label = "Load Rig File"
    bl_description = "Take the controls from a rig file, and keep to it"

    filepath: StringProperty(subtype="FILE_PATH", options={"SKIP_SAVE"})
    filter_glob: StringProperty(default=f"*{SUFFIX}", options={"HIDDEN"})

    def invoke(self, context: Any, event: Any) -> Any:
        """Ask which file."""
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def work(self, context: Any, obj: Any) -> str:
        """Read it, and find what it leaves open."""
        said = load_rig_file(bpy.path.abspath(self.filepath))
        found = rig_of(obj, context.scene).find(rig_file=said.path)
        settings = settings_of(obj)
        settings.rig_file = self.filepath
        _enter(settings, found)
        return f"Controls are those of {Path(self.filepath).name}"


class LEAPWRIGHT_OT_save_rig_file(Verb, bpy.types.Operator):
    """Save the controls as a rig file."""

    bl_idname = "leapwright.save_rig_file"
    bl_label = "Save Rig File"
    bl_description = (
        "Save the controls as a rig file: next to the .blend it is found by itself from then on"
    )
    bl_options: Any = {"REGISTER"}

    filepath: StringProperty(subtype="FILE_PATH", options={"SKIP_SAVE"})
    filter_glob: StringProperty(default=f"*{SUFFIX}", options={"HIDDEN"})

    def invoke(self, context: Any, event: Any) -> Any:
        """Ask where to; next to the .blend is offered."""
        beside = Path(bpy.data.filepath).parent if bpy.data.filepath else Path.home()
        self.filepath = str(beside / (bpy.path.clean_name(subject(context).name) + SUFFIX))
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def work(self, context: Any, obj: Any) -> str:
        """Write what is entered, the rest as it is found."""
        path = bpy.path.abspath(self.filepath)
        path = path if path.endswith(SUFFIX) else str(Path(path).with_suffix("")) + SUFFIX
        rig = rig_of(obj, context.scene)
        rig.save_rig_file(path, rig.find(**rig_arguments(settings_of(obj), obj)))
        return f"Saved {Path(path).name}"


def _enter(settings: Any, found: Any) -> None:
    """Enter found controls."""
    settings.root = found.root.bone or found.root.object if found.root else ""
    settings.cog = found.cog.bone or found.cog.object
    settings.pelvis = found.pelvis.bone if found.pelvis else ""
    settings.feet = ", ".join(foot.bone or foot.object for foot in found.feet)
    settings.found = "\n".join(_how_sure(found.sure))


def _named(settings: Any) -> list[str]:
    return [getattr(settings, role) for role in CONTROLS]


def _how_sure(roles: Mapping[str, tuple[str, str]]) -> list[str]:
    """One line for all that is sure, and one with the reason for each that is not."""
    shown = {name: roles[role] for role, name in _ROLES.items() if role in roles}
    sure = [name for name, (how, _) in shown.items() if how == "sure"]
    lines = [f"sure: {', '.join(sure)}"] if sure else []
    return lines + [f"{how}: {why}" for how, why in shown.values() if how != "sure"]


class LEAPWRIGHT_PT_rig(Tab, bpy.types.Panel):
    """Controls of the rig, and where the COG is taken from."""

    bl_idname = "LEAPWRIGHT_PT_rig"
    bl_label = "Rig"
    bl_order = 0

    @classmethod
    def poll(cls: Any, context: Any) -> bool:
        """Always there: it says what to select."""
        return True

    def draw(self, context: Any) -> None:
        """Draw the controls."""
        obj = subject(context)
        if obj is None:
            write(self.layout, "Select the rig or the object that jumps.", region=context.region)
            return
        settings = settings_of(obj)
        icon: Any = "OUTLINER_OB_ARMATURE" if obj.pose else "OBJECT_DATA"
        self.layout.label(text=obj.name, icon=icon)
        action(self.layout, "leapwright.find_controls", text="Find controls", icon="VIEWZOOM")
        _draw_controls(self.layout, obj, settings, context.scene)
        for line in settings.found.splitlines():
            how = _SURE_ICONS.get(line.partition(":")[0], "ERROR")
            write(self.layout, line, region=context.region, icon=how)
        column = split_column(self.layout)
        column.prop(settings, "cog_from")
        header, body = self.layout.panel("LEAPWRIGHT_rig_file", default_closed=True)
        header.label(text="Rig file")
        if body is not None:
            body.prop(settings, "rig_file", text="")
            row = body.row(align=True)
            row.operator("leapwright.load_rig_file", text="Load", icon="FILE_FOLDER")
            row.operator("leapwright.save_rig_file", text="Save", icon="FILE_TICK")


def _draw_controls(layout: Any, obj: Any, settings: Any, scene: Any) -> None:
    column = split_column(layout)
    for role in CONTROLS:
        row = column.row(align=True)
        if role == "feet":
            row.prop(settings, role)
        elif obj.pose is not None:
            row.prop_search(settings, role, obj.pose, "bones")
        elif role != "pelvis":
            row.prop_search(settings, role, scene, "objects")
        else:
            continue
        row.operator("leapwright.take_control", text="", icon="RESTRICT_SELECT_OFF").role = role


OPERATORS = (
    LEAPWRIGHT_OT_find_controls,
    LEAPWRIGHT_OT_take_control,
    LEAPWRIGHT_OT_load_rig_file,
    LEAPWRIGHT_OT_save_rig_file,
)
PANELS = (LEAPWRIGHT_PT_rig,)
