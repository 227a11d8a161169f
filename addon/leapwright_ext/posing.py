# SPDX-License-Identifier: GPL-3.0-or-later
"""Poses: which frames are posed, and the heights and the travel that they give."""

# mypy: disable-error-code="valid-type"
# No postponed annotations here: the host reads properties from the annotations themselves.
import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import bpy
from bpy.props import EnumProperty, IntProperty

from leapwright.errors import LeapwrightError
from leapwright_blender import rig_of
from leapwright_blender.guess import guess_poses

from .aiming import aim, rig_arguments
from .asking import measured, poses_to_read
from .entry import length, units_of
from .layout import Tab, action, table
from .moments import MOMENTS
from .properties import set_pose, settings_of
from .recall import last_low
from .subject import Verb, subject

__all__ = ["OPERATORS", "PANELS", "follow", "read_poses"]

_moment = EnumProperty(
    name="Moment", items=[(key, name, "") for key, name in MOMENTS.items()], default="crouch"
)
_SAID = {
    "push_height_m": "Push height",
    "landing_level_m": "Landing level",
    "travel_m": "Travel",
    "absorb_height_m": "Absorb height",
}


class LEAPWRIGHT_OT_mark_pose(Verb, bpy.types.Operator):
    """Say that the current frame is the pose of this moment."""

    bl_idname = "leapwright.mark_pose"
    bl_label = "Mark Jump Pose"

    moment: _moment
    frame: IntProperty(name="Frame", options={"SKIP_SAVE"})

    @classmethod
    def description(cls, context: Any, properties: Any) -> str:
        """Say which moment the button marks."""
        return f"The current frame is the {MOMENTS[properties.moment].lower()} pose"

    def work(self, context: Any, obj: Any) -> str:
        """Mark it, and read what the poses say now."""
        # Adjusting this operator later must not read the frame of that time.
        if not self.properties.is_property_set("frame"):
            self.frame = context.scene.frame_current
        set_pose(settings_of(obj), self.moment, self.frame)
        self.warn(read_poses(obj, context.scene))
        return f"{MOMENTS[self.moment]} is posed on frame {self.frame}"


class LEAPWRIGHT_OT_guess_poses(Verb, bpy.types.Operator):
    """Mark the keyed frames as the poses that they look like."""

    bl_idname = "leapwright.guess_poses"
    bl_label = "Mark Jump Poses from Keys"
    bl_description = (
        "Mark the keyed frames by how high the COG is and where the feet stand: the highest is "
        "the apex, the lowest before it the crouch"
    )

    def work(self, context: Any, obj: Any) -> str:
        """Mark what is clear; what is not stays unmarked."""
        settings = settings_of(obj)
        controls = rig_of(obj, context.scene).find(**rig_arguments(settings, obj))
        found = guess_poses(obj, context.scene, controls)
        for moment in MOMENTS:
            frame = found.get(moment)
            set_pose(settings, moment, None if frame is None else round(frame))
        self.warn(read_poses(obj, context.scene))
        return "Posed: " + ", ".join(f"{MOMENTS[m].lower()} {f:g}" for m, f in found.items())


class LEAPWRIGHT_OT_clear_pose(Verb, bpy.types.Operator):
    """Forget that this moment is posed; no key is touched."""

    bl_idname = "leapwright.clear_pose"
    bl_label = "Clear Jump Pose"
    bl_description = "Forget that this moment is posed; no key is touched"

    moment: _moment

    def work(self, context: Any, obj: Any) -> str:
        """Forget it, and read what the poses say now."""
        set_pose(settings_of(obj), self.moment, None)
        self.warn(read_poses(obj, context.scene))
        return ""


class LEAPWRIGHT_OT_read_poses(Verb, bpy.types.Operator):
    """Read push height, landing level and travel from the marked poses."""

    bl_idname = "leapwright.read_poses"
    bl_label = "Read Jump Poses"
    bl_description = "Read push height, landing level and travel from the marked poses"

    def work(self, context: Any, obj: Any) -> str:
        """Read them; what they cannot say is an error here."""
        _read(obj, context.scene)
        return ""


def follow(settings: Any, frames: Mapping[str, float]) -> None:
    """Note that poses stand on other frames now; what was read from them holds."""
    read, pinned, picked = settings.measured, tuple(settings.pinned), tuple(settings.picked)
    for moment, frame in frames.items():
        set_pose(settings, moment, round(frame))
    settings.measured = read
    settings.pinned, settings.picked = pinned, picked


def read_poses(obj: Any, scene: Any) -> tuple[str, ...]:
    """Read the marked poses into the settings; give the problem in one line, or nothing."""
    try:
        _read(obj, scene)
    except LeapwrightError as error:
        return (str(error),)
    return ()


def _read(obj: Any, scene: Any) -> None:
    settings = settings_of(obj)
    settings.measured = ""
    poses = poses_to_read(settings, low=last_low(obj) if settings.chain else None)
    source = None if settings.cog_from == "automatic" else settings.cog_from
    read = rig_of(obj, scene).measure_poses(poses, **rig_arguments(settings, obj), cog_from=source)
    settings.measured = json.dumps(asdict(read))
    aim(settings, scene)


class LEAPWRIGHT_PT_poses(Tab, bpy.types.Panel):
    """Frames of the posed moments."""

    bl_idname = "LEAPWRIGHT_PT_poses"
    bl_label = "Poses"
    bl_order = 1

    def draw(self, context: Any) -> None:
        """Draw a row for each moment, and what the poses say."""
        settings = settings_of(subject(context))
        action(
            self.layout,
            "leapwright.guess_poses",
            text="Mark keyed frames",
            icon="KEYINGSET",
        )
        column = self.layout.column(align=True)
        for index, (moment, name) in enumerate(MOMENTS.items()):
            row = column.split(factor=0.3, align=True)
            row.label(text=name)
            row = row.row(align=True)
            if settings.posed[index]:
                row.prop(settings, "pose_frames", index=index, text="")
                row.operator("leapwright.mark_pose", text="", icon="KEYFRAME_HLT").moment = moment
                row.operator("leapwright.clear_pose", text="", icon="X").moment = moment
            else:
                row.operator(
                    "leapwright.mark_pose", text="Mark this frame", icon="KEYFRAME"
                ).moment = moment
        if any(settings.posed):
            said, units = asdict(measured(settings)), units_of(context.scene)
            rows = [(t, length(said[n], units)) for n, t in _SAID.items() if said[n] is not None]
            table(self.layout, rows, widths=(0.5,))
            action(
                self.layout, "leapwright.read_poses", text="Read poses again", icon="FILE_REFRESH"
            )


OPERATORS = (
    LEAPWRIGHT_OT_mark_pose,
    LEAPWRIGHT_OT_guess_poses,
    LEAPWRIGHT_OT_clear_pose,
    LEAPWRIGHT_OT_read_poses,
)
PANELS = (LEAPWRIGHT_PT_poses,)
