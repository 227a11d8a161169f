# SPDX-License-Identifier: GPL-3.0-or-later
"""The seven poses of the hare's jump, keyed on frames 1 to 7 on every control.

Pitches are turns about the hare's own X axis in degrees, measured in the parent's frame: positive
tips an upright bone forward, swings a hanging one back and lifts a heel.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import radians

import bpy
from mathutils import Matrix, Vector

FOOT_TRAVEL = 1.80  # m, from planted feet to planted feet
STACK_HEIGHT = 0.64  # m, top of the crate stack


@dataclass(frozen=True, slots=True)
class Pose:
    """One key pose: where root and body are (m, armature axes), and pitches by bone name."""

    moment: str
    kind: str
    root: tuple[float, float, float]
    body: tuple[float, float, float]
    pitch: Mapping[str, float]
    paw: Mapping[str, tuple[float, float, float]] = field(default_factory=dict)
    flap: float = 0.0


_REST = (0.0, 0.0, 0.0)
_ON_STACK = (0.0, -FOOT_TRAVEL, STACK_HEIGHT)

POSES = (
    Pose(
        "start",
        "KEYFRAME",
        _REST,
        (0, 0, 0),
        {
            "ear_1": -6,
            "ear_3": -6,
            "upper_arm": 4,
            "scarf.1": 30,
            "scarf.2": 15,
        },
    ),
    Pose(
        "crouch",
        "EXTREME",
        _REST,
        (0, 0.0, -0.17),
        {
            "body": 36,
            "spine": 8,
            "chest": 6,
            "neck": -18,
            "head": -24,
            "ear_1": -34,
            "ear_2": -14,
            "ear_3": -10,
            "tail": -20,
            "upper_arm": 62,
            "forearm": 8,
            "hand": 10,
            "satchel": -30,
            "scarf.1": 10,
            "scarf.2": 18,
        },
        flap=0.0,
    ),
    Pose(
        "take-off",
        "KEYFRAME",
        _REST,
        (0, -0.265, 0.195),
        {
            "body": 16,
            "spine": -4,
            "chest": -8,
            "neck": -4,
            "head": -4,
            "ear_1": -42,
            "ear_2": -20,
            "ear_3": -14,
            "tail": 25,
            "upper_arm": -112,
            "forearm": 24,
            "hand": -10,
            "satchel": 26,
            "scarf.1": 25,
            "scarf.2": 20,
            "paw": 42,
            "toe": -42,
        },
        flap=0.15,
    ),
    Pose(
        "apex",
        "EXTREME",
        (0, -0.80, 0.62),
        (0, -0.14, 0.405),
        {
            "body": 30,
            "spine": 10,
            "chest": 6,
            "neck": -16,
            "head": -20,
            "ear_1": -26,
            "ear_2": -8,
            "ear_3": 16,
            "tail": -25,
            "upper_arm": -62,
            "forearm": -20,
            "hand": -10,
            "satchel": -24,
            "scarf.1": -8,
            "scarf.2": -16,
            "paw": 24,
            "toe": 12,
        },
        paw={"L": (0.0, -0.06, 0.50), "R": (0.0, 0.02, 0.46)},
        flap=0.9,
    ),
    Pose(
        "land",
        "KEYFRAME",
        _ON_STACK,
        (0, 0.105, 0.03),
        {
            "body": 2,
            "spine": 12,
            "chest": 8,
            "neck": -8,
            "head": -6,
            "ear_1": 8,
            "ear_2": 14,
            "ear_3": 18,
            "tail": 30,
            "upper_arm": -80,
            "forearm": -14,
            "hand": 6,
            "satchel": -6,
            "scarf.1": -42,
            "scarf.2": -26,
        },
        flap=0.5,
    ),
    Pose(
        "low",
        "EXTREME",
        _ON_STACK,
        (0, 0.01, -0.215),
        {
            "body": 40,
            "spine": 12,
            "chest": 8,
            "neck": -22,
            "head": -28,
            "ear_1": 26,
            "ear_2": 24,
            "ear_3": 20,
            "tail": -15,
            "upper_arm": -26,
            "forearm": -30,
            "hand": 10,
            "satchel": -42,
            "scarf.1": 16,
            "scarf.2": 26,
        },
    ),
    Pose(
        "end",
        "KEYFRAME",
        _ON_STACK,
        (0, 0, 0),
        {
            "spine": -2,
            "head": 3,
            "ear_1": -4,
            "ear_2": 4,
            "upper_arm": 2,
            "scarf.1": 30,
            "scarf.2": 15,
        },
    ),
)


def pose_controls(rig: bpy.types.Object, pose: Pose) -> None:
    """Put every control of the rig into one pose; nothing is keyed."""
    for bone in rig.pose.bones:
        stem, _, side = bone.name.rpartition(".")
        name = stem if side in ("L", "R") else bone.name
        place = _place(pose, name, side)
        turn = Matrix.Rotation(radians(pose.pitch.get(name, 0.0)), 3, "X")
        rest = bone.bone.matrix_local.to_3x3()
        bone.location = rest.inverted() @ Vector(place)
        _turn(bone, rest.inverted() @ turn @ rest)
    rig.pose.bones["satchel"]["flap"] = pose.flap


def _place(pose: Pose, name: str, side: str) -> tuple[float, float, float]:
    if name == "root":
        return pose.root
    if name == "body":
        return pose.body
    return pose.paw.get(side, _REST) if name == "paw" else _REST


def _turn(bone: bpy.types.PoseBone, turn: Matrix) -> None:
    if bone.rotation_mode == "QUATERNION":
        bone.rotation_quaternion = turn.to_quaternion()
    elif bone.rotation_mode == "AXIS_ANGLE":
        axis, angle = turn.to_quaternion().to_axis_angle()
        bone.rotation_axis_angle = (angle, *axis)
    else:
        bone.rotation_euler = turn.to_euler(bone.rotation_mode)


_CHANNELS = {"QUATERNION": "rotation_quaternion", "AXIS_ANGLE": "rotation_axis_angle"}


def key_poses(rig: bpy.types.Object, controls: tuple[str, ...]) -> None:
    """Key all poses on frames 1, 2, 3 ... on location, rotation and the satchel's own property."""
    for frame, pose in enumerate(POSES, start=1):
        pose_controls(rig, pose)
        for name in controls:
            bone = rig.pose.bones[name]
            turn = _CHANNELS.get(bone.rotation_mode, "rotation_euler")
            for channel in ("location", turn):
                bone.keyframe_insert(channel, frame=frame, group=name, keytype=pose.kind)
        rig.pose.bones["satchel"].keyframe_insert(
            '["flap"]', frame=frame, group="satchel", keytype=pose.kind
        )
    rig.animation_data.action.name = "Hare poses"
