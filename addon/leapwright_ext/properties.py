# SPDX-License-Identifier: GPL-3.0-or-later
"""What the animator has entered, per rig, and what was last read of it: saved with the file."""

# mypy: disable-error-code="valid-type"
# No postponed annotations here: the host reads properties from the annotations themselves.
from collections.abc import Iterable
from typing import Any

import bpy
from bpy.props import PointerProperty, StringProperty

from .aiming import aim
from .entry import entered
from .moments import MOMENTS
from .values import VALUE_NAMES, LeapwrightValues

__all__ = ["LeapwrightSettings", "copy_values", "set_pose", "settings_of"]

SURFACES = ("MESH", "CURVE", "SURFACE", "FONT", "META")


def _is_ground(self: Any, obj: Any) -> bool:
    return obj.type in SURFACES and obj.name in bpy.context.scene.objects


def _ground_anew(self: Any, context: Any) -> None:
    self.aim(context)


class LeapwrightSettings(LeapwrightValues, bpy.types.PropertyGroup):
    """Entered values of one rig, with what was last found and read of it."""

    ground: PointerProperty(
        name="Land on",
        description="Object to land on: its top under each foot is the landing level",
        type=bpy.types.Object,
        poll=_is_ground,
        update=_ground_anew,
    )
    found: StringProperty(
        name="Found", description="How sure the controls are, a line for each", options={"HIDDEN"}
    )
    measured: StringProperty(
        name="Measured",
        description="What was read from the poses, as JSON in metres; empty: not read",
        options={"HIDDEN"},
    )
    aimed: StringProperty(
        name="Aimed",
        description="Where the feet stand and the object's top is, as JSON; empty: not read",
        options={"HIDDEN"},
    )

    preview: StringProperty(
        name="Preview",
        description="What a block would touch, as JSON; empty: not worked out",
        options={"HIDDEN"},
    )

    # The same lengths again, in the unit of entry that the preferences name.
    entered_jump_height: entered("jump_height", "Jump height", least=0.0)
    entered_push_height: entered("push_height", "Push height", least=0.0)
    entered_landing_level: entered("landing_level", "Landing level")
    entered_travel: entered("travel", "Travel", least=0.0)

    def aim(self, context: Any) -> None:
        """Measure where the jump lands."""
        aim(self, context.scene)


def settings_of(obj: Any) -> LeapwrightSettings:
    """Give the settings of a rig."""
    return obj.leapwright_ask


def set_pose(settings: LeapwrightSettings, moment: str, frame: int | None) -> None:
    """Note that a moment is posed on `frame`, or with None that it is not."""
    index = list(MOMENTS).index(moment)
    settings.posed[index] = frame is not None
    settings.pose_frames[index] = frame or 0
    settings.measured = ""


def copy_values(source: Any, target: Any, *, names: Iterable[str] = VALUE_NAMES) -> None:
    """Copy values from settings to an operator or back."""
    for name in names:
        value, there = getattr(source, name), getattr(target, name)
        if name in ("posed", "pose_frames", "pinned", "pin_frames", "picked"):
            # Arrays of the host are never equal to each other.
            value, there = tuple(value), tuple(there)
        elif name == "ground":
            value = value if isinstance(value, str) else value.name if value else ""
            if isinstance(target, LeapwrightSettings):
                # Who lands elsewhere still has picked what is picked.
                value = bpy.context.scene.objects.get(value) or there
        if there != value:
            setattr(target, name, value)
