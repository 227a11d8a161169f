# SPDX-License-Identifier: GPL-3.0-or-later
"""What the animator has entered, per rig; the Block operator carries the same as its own."""

# mypy: disable-error-code="valid-type"
# No postponed annotations here: the host reads properties from the annotations themselves.
from collections.abc import Iterable
from typing import Any

import bpy
from bpy.props import (
    BoolProperty,
    BoolVectorProperty,
    EnumProperty,
    FloatProperty,
    IntProperty,
    IntVectorProperty,
    PointerProperty,
    StringProperty,
)

__all__ = [
    "AIR_MEASURES",
    "MOMENTS",
    "PUSH_MEASURES",
    "VALUE_NAMES",
    "LeapwrightSettings",
    "LeapwrightValues",
    "LeapwrightWithin",
    "copy_values",
    "ground_name",
    "posed_frames",
    "set_pose",
    "settings_of",
]

MOMENTS = {
    "start": "Start",
    "crouch": "Crouch",
    "takeoff": "Take-off",
    "apex": "Apex",
    "land": "Land",
    "low": "Low",
    "end": "End",
}

AIR_MEASURES = ("jump_height", "rise_frames", "air_frames", "takeoff_speed")
PUSH_MEASURES = ("push_height", "push_frames", "magnification")
SURFACES = ("MESH", "CURVE", "SURFACE", "FONT", "META")

# Values of an operator are those of the rig at hand, never those of the last rig.
FRESH: Any = {"SKIP_SAVE"}


def _forget_measured(self: Any, context: Any) -> None:
    if isinstance(self, LeapwrightSettings):
        self.measured = ""


def _metres() -> float:
    return float(bpy.context.scene.unit_settings.scale_length)


def _get_within(self: Any) -> float:
    return float(self.within_m) / _metres()


def _set_within(self: Any, value: float) -> None:
    self.within_m = value * _metres()


class LeapwrightWithin:
    """How near solved legs keep to their places: the same 5 mm whatever a unit is."""

    within_m: FloatProperty(default=0.005, min=1e-5, options={"HIDDEN", *FRESH})
    within: FloatProperty(
        name="Soles within",
        description="How far soles of FK legs may be off their places between keys",
        min=1e-5,
        unit="LENGTH",
        precision=4,
        get=_get_within,
        set=_set_within,
        options=FRESH,
    )


class LeapwrightValues(LeapwrightWithin):
    """Everything that Block needs to know, as properties; mixed into settings and operator."""

    root: StringProperty(
        name="Root", description="Control that carries the whole rig; empty: found", options=FRESH
    )
    cog: StringProperty(
        name="COG control",
        description="Control that carries the body and leaves the feet; empty: found",
        options=FRESH,
    )
    feet: StringProperty(
        name="Feet", description="Foot controls, with commas between; empty: found", options=FRESH
    )

    posed: BoolVectorProperty(name="Posed", size=7, options={"HIDDEN", *FRESH})
    pose_frames: IntVectorProperty(
        name="Frame",
        description="Frame on which this moment is posed",
        size=7,
        options={"HIDDEN", *FRESH},
        update=_forget_measured,
    )

    air_measure: EnumProperty(
        name="Air",
        description="The measure that says how the jump goes through the air",
        items=(
            ("jump_height", "Jump height", "COG rise from take-off to apex"),
            ("rise_frames", "Rise frames", "Frames from take-off to apex"),
            ("air_frames", "Air frames", "Frames from take-off to land"),
            ("takeoff_speed", "Take-off speed", "Upward speed of the COG at take-off"),
        ),
        options=FRESH,
    )
    # The least lengths are those that a scene in millimetres still shows.
    jump_height: FloatProperty(
        name="Jump height",
        description="COG rise from take-off to apex",
        default=0.5,
        min=1e-4,
        unit="LENGTH",
        precision=3,
        options=FRESH,
    )
    rise_frames: IntProperty(
        name="Rise frames",
        description="Frames from take-off to apex",
        default=8,
        min=1,
        options=FRESH,
    )
    air_frames: IntProperty(
        name="Air frames",
        description="Frames from take-off to land",
        default=16,
        min=2,
        options=FRESH,
    )
    takeoff_speed: FloatProperty(
        name="Take-off speed",
        description="Upward speed of the COG at take-off",
        default=3.0,
        min=1e-3,
        unit="VELOCITY",
        options=FRESH,
    )

    push_measure: EnumProperty(
        name="Push",
        description="The measure that says how the push goes",
        items=(
            ("poses", "From poses", "COG rise between the posed crouch and take-off"),
            ("push_height", "Push height", "COG rise from crouch to take-off"),
            ("push_frames", "Push frames", "Frames from crouch to take-off"),
            ("magnification", "Magnification", "Jump height over push height"),
        ),
        options=FRESH,
    )
    push_height: FloatProperty(
        name="Push height",
        description="COG rise from crouch to take-off",
        default=0.2,
        min=1e-4,
        unit="LENGTH",
        precision=3,
        options=FRESH,
    )
    push_frames: IntProperty(
        name="Push frames",
        description="Frames from crouch to take-off",
        default=3,
        min=1,
        options=FRESH,
    )
    magnification: FloatProperty(
        name="Magnification",
        description="Jump height over push height",
        default=3.0,
        min=1e-3,
        options=FRESH,
    )

    landing_level: FloatProperty(
        name="Landing level",
        description="COG at land minus COG at take-off: platform up, drop down",
        unit="LENGTH",
        precision=3,
        options=FRESH,
    )
    travel: FloatProperty(
        name="Travel",
        description="Horizontal way of the COG in the air, the way the rig faces",
        min=0.0,
        unit="LENGTH",
        precision=3,
        options=FRESH,
    )
    keep: EnumProperty(
        name="Keep",
        description="What stays as asked when whole frames make something give",
        items=(
            ("automatic", "Automatic", "Poses with a posed crouch and take-off, else gravity"),
            ("gravity", "Gravity", "Gravity stays, heights give"),
            ("poses", "Poses", "Posed heights stay, the push gives"),
            ("heights", "Heights", "All heights stay, gravity gives"),
        ),
        options=FRESH,
    )
    twos: BoolProperty(
        name="On twos",
        description="Every moment on twos, counted from the first frame of the scene",
        options=FRESH,
    )
    stepped: BoolProperty(
        name="Stepped",
        description="Keys that hold their pose until the next",
        options=FRESH,
    )
    placed_by: EnumProperty(
        name="Starts",
        description="Where the jump is in time",
        items=(
            ("start", "At the scene's start", "The first moment is on the first frame"),
            ("takeoff", "Take-off on frame", "Take-off is pinned to a frame"),
        ),
        options=FRESH,
    )
    takeoff_frame: IntProperty(
        name="Take-off", description="Frame of take-off", default=25, options=FRESH
    )
    replace: BoolProperty(
        name="Replace keys in the way",
        description="Keys that stand where the jump is written are replaced; off: nothing is "
        "written and they are named",
        options=FRESH,
    )
    after: EnumProperty(
        name="Later keys",
        description="What becomes of the keys after the jump",
        items=(
            ("keep", "Stay", "Later keys stay on their frames"),
            ("shift", "Move back", "Later keys are pushed back, past the end of the jump"),
        ),
        options=FRESH,
    )
    key: EnumProperty(
        name="Whole poses",
        description="What gets a key at every moment, so that each is a whole pose",
        items=(
            ("none", "As posed", "Only what the jump and its poses need"),
            ("touched", "Keyed channels", "Every channel that has keys"),
            ("selected", "Selected controls", "All channels of the selected controls"),
            ("all", "All controls", "All channels of all controls"),
        ),
        options=FRESH,
    )
    foot: StringProperty(
        name="Foot offsets",
        description="Feet that leave before take-off or plant after land, in frames from there: "
        "paw.L=release-4,plant+0; paw.R=plant+2. Patterns like front* are allowed",
        options=FRESH,
    )
    chain: BoolProperty(
        name="Go on from the last low",
        description="Begin in the low of the jump that this rig remembers: that low is the crouch",
        options=FRESH,
        update=_forget_measured,
    )
    running_measured: BoolProperty(
        name="Run-up from keys",
        description="The character comes running, as fast and where to as the keys before the "
        "first pose say, or without poses those before the current frame",
        options=FRESH,
    )
    props: BoolProperty(
        name="Props go along",
        description="Props that are parented or constrained to the character are blocked with it",
        default=True,
        options=FRESH,
    )


# The operator names its ground, the settings point at it: only they follow a new name.
VALUE_NAMES = ("within_m", *LeapwrightValues.__annotations__, "ground")


def _is_ground(self: Any, obj: Any) -> bool:
    return obj.type in SURFACES and obj.name in bpy.context.scene.objects


class LeapwrightSettings(LeapwrightValues, bpy.types.PropertyGroup):
    """Entered values of one rig, with what was last found and read of it."""

    ground: PointerProperty(
        name="Land on",
        description="Object to land on: its top under each foot is the landing level",
        type=bpy.types.Object,
        poll=_is_ground,
    )
    found: StringProperty(
        name="Found", description="How sure the controls are, a line for each", options={"HIDDEN"}
    )
    measured: StringProperty(
        name="Measured",
        description="What was read from the poses, as JSON in metres; empty: not read",
        options={"HIDDEN"},
    )


def settings_of(obj: Any) -> LeapwrightSettings:
    """Give the settings of a rig."""
    return obj.leapwright_ask


def posed_frames(values: Any) -> dict[str, int]:
    """Give the frame of each posed moment."""
    every = zip(MOMENTS, values.posed, values.pose_frames, strict=True)
    return {moment: frame for moment, posed, frame in every if posed}


def ground_name(values: Any) -> str:
    """Give the name of the object to land on, or nothing."""
    ground = values.ground
    return ground if isinstance(ground, str) else ground.name if ground else ""


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
        if name in ("posed", "pose_frames"):
            # Arrays of the host are never equal to each other.
            value, there = tuple(value), tuple(there)
        elif name == "ground":
            value = ground_name(source)
            if isinstance(target, LeapwrightSettings):
                value = bpy.context.scene.objects.get(value)
        if there != value:
            setattr(target, name, value)
