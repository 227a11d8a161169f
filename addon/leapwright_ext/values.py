# SPDX-License-Identifier: GPL-3.0-or-later
"""What Block needs to know, as properties: the settings of a rig and the operator have the same."""

# mypy: disable-error-code="valid-type"
# No postponed annotations here: the host reads properties from the annotations themselves.
from typing import Any

import bpy
from bpy.props import (
    BoolProperty,
    BoolVectorProperty,
    EnumProperty,
    FloatProperty,
    IntProperty,
    IntVectorProperty,
    StringProperty,
)

from leapwright.units import BODIES_M_S2, STANDARD_GRAVITY

from .moments import FRESH, MOMENTS
from .tracking import drop_plan

__all__ = [
    "AIR_MEASURES",
    "CONTROLS",
    "PUSH_MEASURES",
    "VALUE_NAMES",
    "LeapwrightValues",
    "LeapwrightWithin",
]

AIR_MEASURES = ("jump_height", "rise_frames", "air_frames", "takeoff_speed")
PUSH_MEASURES = ("push_height", "push_frames", "magnification")
CONTROLS = ("root", "cog", "pelvis", "feet")


def _metres() -> float:
    return float(bpy.context.scene.unit_settings.scale_length)


def _get_within(self: Any) -> float:
    return float(self.within_m) / _metres()


def _set_within(self: Any, value: float) -> None:
    self.within_m = value * _metres()


def _asked_anew(self: Any, context: Any) -> None:
    """Frames that were picked from a list are those of another jump now."""
    if any(self.picked):
        for index, picked in enumerate(self.picked):
            if picked:
                self.pinned[index] = False
        self.picked = [False] * len(MOMENTS)
    if hasattr(self, "preview"):
        self.preview = ""
        drop_plan((context.scene.name, self.id_data.name))


def _posed_anew(self: Any, context: Any) -> None:
    if hasattr(self, "measured"):
        self.measured = ""
    _asked_anew(self, context)


def _landing_anew(self: Any, context: Any) -> None:
    _asked_anew(self, context)
    if hasattr(self, "aimed"):
        # Known once it is measured; the settings do that at once.
        self.aim(context)


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
    """Everything that Block needs to know; mixed into settings and operator."""

    root: StringProperty(
        name="Root", description="Control that carries the whole rig; empty: found", options=FRESH
    )
    cog: StringProperty(
        name="COG control",
        description="Control that carries the body and leaves the feet; empty: found",
        options=FRESH,
    )
    pelvis: StringProperty(
        name="Pelvis",
        description="Bone that carries the legs under the COG control; it is measured, never "
        "keyed. Empty: found",
        options=FRESH,
    )
    feet: StringProperty(
        name="Feet", description="Foot controls, with commas between; empty: found", options=FRESH
    )
    rig_file: StringProperty(
        name="Rig file",
        description="File that says what the controls of this rig are; empty: the one that "
        "matches, next to the .blend or in your folder of rig files",
        subtype="FILE_PATH",
        options=FRESH,
    )
    cog_from: EnumProperty(
        name="COG from",
        description="Where the centre of gravity is taken from",
        items=(
            ("automatic", "Automatic", "The COG control to block with, what fits to check with"),
            ("control", "COG control", "The COG control, or the pelvis under it"),
            ("segments", "Body parts", "Masses of a person's body parts"),
            ("mesh", "Mesh", "The volume of the character's closed meshes"),
        ),
        options=FRESH,
    )  # fmt: skip

    posed: BoolVectorProperty(name="Posed", size=7, options={"HIDDEN", *FRESH})
    pose_frames: IntVectorProperty(
        name="Frame",
        description="Frame on which this moment is posed",
        size=7,
        options={"HIDDEN", *FRESH},
        update=_posed_anew,
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
        update=_asked_anew,
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
        update=_asked_anew,
    )
    rise_frames: IntProperty(
        name="Rise frames",
        description="Frames from take-off to apex",
        default=8,
        min=1,
        options=FRESH,
        update=_asked_anew,
    )
    air_frames: IntProperty(
        name="Air frames",
        description="Frames from take-off to land",
        default=16,
        min=2,
        options=FRESH,
        update=_asked_anew,
    )
    takeoff_speed: FloatProperty(
        name="Take-off speed",
        description="Upward speed of the COG at take-off",
        default=3.0,
        min=1e-3,
        unit="VELOCITY",
        options=FRESH,
        update=_asked_anew,
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
        update=_asked_anew,
    )
    push_height: FloatProperty(
        name="Push height",
        description="COG rise from crouch to take-off",
        default=0.2,
        min=1e-4,
        unit="LENGTH",
        precision=3,
        options=FRESH,
        update=_asked_anew,
    )
    push_frames: IntProperty(
        name="Push frames",
        description="Frames from crouch to take-off",
        default=3,
        min=1,
        options=FRESH,
        update=_asked_anew,
    )
    magnification: FloatProperty(
        name="Magnification",
        description="Jump height over push height",
        default=3.0,
        min=1e-3,
        options=FRESH,
        update=_asked_anew,
    )

    landing: EnumProperty(
        name="Landing",
        description="What says where the jump lands",
        items=(
            ("level", "Level and travel", "Numbers"),
            ("cursor", "3D cursor", "The feet land where the 3D cursor is"),
            ("object", "Top of object", "The feet land on top of an object"),
        ),
        options=FRESH,
        update=_landing_anew,
    )
    landing_level: FloatProperty(
        name="Landing level",
        description="COG at land minus COG at take-off: platform up, drop down",
        unit="LENGTH",
        precision=3,
        options=FRESH,
        update=_asked_anew,
    )
    travel: FloatProperty(
        name="Travel",
        description="Horizontal way of the COG in the air, the way the rig faces",
        min=0.0,
        unit="LENGTH",
        precision=3,
        options=FRESH,
        update=_asked_anew,
    )
    to_middle: BoolProperty(
        name="To its middle",
        description="Travel to the middle of the top; off: as far as Travel says",
        default=True,
        options=FRESH,
        update=_landing_anew,
    )

    gravity_from: EnumProperty(
        name="Gravity",
        description="Where the strength of gravity is taken from; its direction is the scene's",
        items=(
            ("standard", "Standard", f"{STANDARD_GRAVITY} m/s²"),
            ("scene", "Scene", "That of the scene"),
            ("number", "Number", "A number that you enter"),
            ("body", "Planet or moon", "That of a body of the solar system"),
        ),
        options=FRESH,
        update=_asked_anew,
    )
    gravity: FloatProperty(
        name="Gravity, m/s²",
        description="Metres per second, each second",
        default=STANDARD_GRAVITY,
        min=1e-3,
        precision=3,
        options=FRESH,
        update=_asked_anew,
    )
    body: EnumProperty(
        name="Body",
        description="Whose gravity",
        items=[
            (name, name.capitalize(), f"{strength:g} m/s²")
            for name, strength in BODIES_M_S2.items()
        ],
        default="moon",
        options=FRESH,
        update=_asked_anew,
    )

    keep: EnumProperty(
        name="Keep",
        description="What stays as asked when whole frames make something give",
        items=(
            ("automatic", "Automatic", "As the preferences say"),
            ("gravity", "Gravity", "Gravity stays, heights give"),
            ("poses", "Poses", "Posed heights stay, the push gives"),
            ("heights", "Heights", "All heights stay, gravity gives"),
        ),
        options=FRESH,
        update=_asked_anew,
    )  # fmt: skip
    twos: BoolProperty(
        name="On twos",
        description="Every moment on twos, counted from the first frame of the scene",
        options=FRESH,
        update=_asked_anew,
    )
    stepped: BoolProperty(
        name="Stepped",
        description="Keys that hold their pose until the next",
        options=FRESH,
    )
    anticipation_frames: IntProperty(
        name="Anticipation",
        description="Frames from start to crouch; 0: none, -1: as the preferences say",
        default=-1,
        min=-1,
        options=FRESH,
        update=_asked_anew,
    )
    recover_frames: IntProperty(
        name="Recover",
        description="Frames from low to end; 0: none, -1: as the preferences say",
        default=-1,
        min=-1,
        options=FRESH,
        update=_asked_anew,
    )
    pinned: BoolVectorProperty(
        name="Pinned",
        description="Put this moment on a frame",
        size=7,
        options=FRESH,
    )
    pin_frames: IntVectorProperty(
        name="On frame",
        description="Frame that this moment is put on",
        size=7,
        default=(1, 13, 17, 25, 33, 36, 46),
        options=FRESH,
    )
    # Pins that came with frames picked from the list: they go when something else is asked.
    picked: BoolVectorProperty(size=7, options={"HIDDEN", *FRESH})

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
            ("shift", "Move later", "Later keys are pushed later, past the end of the jump"),
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
        update=_posed_anew,
    )
    running_measured: BoolProperty(
        name="Run-up from keys",
        description="The character comes running, as fast and where to as the keys before the "
        "first pose say, or without poses those before the current frame",
        options=FRESH,
        update=_asked_anew,
    )
    props: BoolProperty(
        name="Props go along",
        description="Props that are parented or constrained to the character are blocked with it",
        default=True,
        options=FRESH,
    )


# The operator names its ground, the settings point at it: only they follow a new name.
# Pins come last: what is asked anew takes the picked ones away.
_LAST = ("pin_frames", "pinned", "picked")
VALUE_NAMES = (
    "within_m",
    *(n for n in LeapwrightValues.__annotations__ if n not in _LAST),
    "ground",
    *_LAST,
)
