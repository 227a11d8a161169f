# SPDX-License-Identifier: GPL-3.0-or-later
"""The hare's first hops, as a beginner keys them: crouch, apex and low, and nothing between.

The legs are turned joint by joint. Where the feet are in each pose is chosen here and the legs are
solved for it; between the keys nobody looks after them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import acos, atan2, cos, degrees, hypot, radians, sin

import bpy
from hare_poses import Pose, pose_controls
from hare_rig import ANKLE, BALL, HIP, KNEE, TOE
from objects import CRATE_SIZE, add, crate_mesh

Side = tuple[float, float]
SLIM, HIGH = 0.2, 0.25
"""The crates lie flat: parts of a crate's width and height."""


@dataclass(frozen=True, slots=True)
class Key:
    """One key pose of the hops.

    Attributes
    ----------
    moment, frame
        What it is and where it is keyed.
    along : float
        How far the hare has come, m.
    body : (float, float)
        The COG control from there: forward and up from its rest, m.
    foot : (float, float)
        The ball of the foot from there: forward from its rest and above the floor, m.
    heel : float
        How far the heel is lifted, degrees.
    pitch : mapping of bone to degrees
        All that is above the legs.
    """

    moment: str
    frame: int
    along: float
    body: Side
    foot: Side
    heel: float
    pitch: Mapping[str, float]


_CROUCHED = {
    "body": 45,
    "spine": 6,
    "chest": 6,
    "neck": -20,
    "head": -28,
    "ear_1": -30,
    "ear_2": -12,
    "tail": -18,
    "upper_arm": 50,
    "forearm": 8,
    "satchel": -26,
    "scarf.1": 12,
    "scarf.2": 16,
}
_FLYING = {
    "body": 2,
    "spine": 2,
    "chest": 0,
    "neck": -6,
    "head": -8,
    "ear_1": -16,
    "ear_2": 4,
    "tail": 12,
    "upper_arm": -50,
    "forearm": -12,
    "satchel": 4,
    "scarf.1": 2,
    "scarf.2": -6,
}


def _crouch(frame: int, along: float, deep: float) -> Key:
    return Key("crouch", frame, along, (0.0, deep), (0.0, 0.0), 0.0, _CROUCHED)


def _apex(frame: int, along: float, high: float, foot: Side, heel: float) -> Key:
    return Key("apex", frame, along, (0.0, high), foot, heel, _FLYING)


# The third is timid: its push is higher than its jump.
HOPS = (
    _crouch(1, 0.0, -0.12),
    _apex(10, 0.34, 0.20, (0.05, 0.18), 70.0),
    _crouch(19, 0.68, -0.12),
    _apex(29, 1.04, 0.20, (0.05, 0.18), 70.0),
    _crouch(39, 1.40, -0.12),
    _apex(51, 1.66, 0.18, (0.0, 0.05), 45.0),
    _crouch(63, 1.92, -0.12),
    _apex(72, 2.26, 0.18, (0.05, 0.18), 70.0),
    _crouch(81, 2.60, -0.12),
)


def key_hops(rig: bpy.types.Object, controls: tuple[str, ...]) -> None:
    """Key the hops with the host's own eased handles. The root is not keyed."""
    cog = rig.data.bones["body"].head_local
    for key in HOPS:
        forward, up = key.body
        pitch = {**key.pitch, **leg_pitches(key, (cog[1], cog[2]))}
        place = (0.0, -(key.along + forward), up)
        pose = Pose(key.moment, "EXTREME", (0.0, 0.0, 0.0), place, pitch)
        pose_controls(rig, pose)
        for name in controls:
            if name == "root":
                continue
            bone = rig.pose.bones[name]
            turn = {"QUATERNION": "rotation_quaternion", "AXIS_ANGLE": "rotation_axis_angle"}
            channels = [turn.get(bone.rotation_mode, "rotation_euler")]
            if name == "body":
                channels = ["location", *channels]
            for channel in channels:
                bone.keyframe_insert(channel, frame=key.frame, group=name, keytype="EXTREME")
    rig.animation_data.action.name = "Hare first hops"


def hop_numbers() -> list[dict[str, float]]:
    """Frames of each hop's keys, and how far the hare has come there."""
    return [
        {"crouch": a.frame, "apex": b.frame, "low": c.frame, "from_m": a.along, "to_m": c.along}
        for a, b, c in zip(HOPS[:-2:2], HOPS[1::2], HOPS[2::2], strict=True)
    ]


def add_crates() -> None:
    """A low crate to hop over in each hop but the timid one, from the night market."""
    mesh = crate_mesh()
    for number, (start, apex, low) in enumerate(
        zip(HOPS[:-2:2], HOPS[1::2], HOPS[2::2], strict=True), 1
    ):
        if apex.foot[1] < 2 * HIGH * CRATE_SIZE[2]:
            continue
        # Half-way between the toes that leave and the heels that come down.
        along = (start.along - TOE[1] + low.along - ANKLE[1]) / 2
        crate = add(f"Crate_{number}", mesh, at=(along, 0.0, HIGH * CRATE_SIZE[2] / 2))
        crate.scale = (SLIM, 1.0, HIGH)


def leg_pitches(key: Key, cog: Side) -> dict[str, float]:
    """Pitches of thigh, shin, foot and toe that put the ball of the foot where it is wanted."""
    body = radians(key.pitch["body"])
    forward, up = key.body
    start = cog[0] - key.along - forward, cog[1] + up
    hip = _add(start, _turned((HIP[1] - cog[0], HIP[2] - cog[1]), body))
    ball = BALL[1] - key.along - key.foot[0], BALL[2] + key.foot[1]
    heel = radians(key.heel)
    ankle = _add(ball, _turned(_from(BALL, ANKLE), heel))
    thigh, shin = _from(HIP, KNEE), _from(KNEE, ANKLE)
    a, b = hypot(*thigh), hypot(*shin)
    way = ankle[0] - hip[0], ankle[1] - hip[1]
    far = min(hypot(*way), 0.999 * (a + b))
    bend = acos((a * a + far * far - b * b) / (2 * a * far))
    # Positive pitches take an upright bone forward, which is -Y; the knee is in front.
    to_knee = atan2(way[1], way[0]) - bend
    knee = _add(hip, (a * cos(to_knee), a * sin(to_knee)))
    to_ankle = atan2(ankle[1] - knee[1], ankle[0] - knee[0])
    upper = to_knee - atan2(thigh[1], thigh[0])
    lower = to_ankle - atan2(shin[1], shin[0])
    return {
        "thigh": _plain(upper - body),
        "shin": _plain(lower - upper),
        "foot": _plain(heel - lower),
        "toe": _plain(-heel),
    }


def _from(head: tuple[float, float, float], tail: tuple[float, float, float]) -> Side:
    return tail[1] - head[1], tail[2] - head[2]


def _add(a: Side, b: Side) -> Side:
    return a[0] + b[0], a[1] + b[1]


def _turned(way: Side, angle: float) -> Side:
    """Turned about +X, in (y, z)."""
    return (
        way[0] * cos(angle) - way[1] * sin(angle),
        way[0] * sin(angle) + way[1] * cos(angle),
    )


def _plain(angle: float) -> float:
    """Degrees from -180 to 180."""
    return degrees(atan2(sin(angle), cos(angle)))
