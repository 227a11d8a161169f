# SPDX-License-Identifier: GPL-3.0-or-later
"""Recordings: scale, rate and feet of motion-capture text, and a jump measured through them."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from leapwright.checked import check_track
from leapwright.errors import InputError, NotFoundError
from leapwright.recording import read_recording

# Joint: parent and offset, a person of 1.74 m in metres, y up; ends are heads, hands, toes.
JOINTS = {
    "Hips": ("", (0, 0.93, 0)),
    "Spine": ("Hips", (0, 0.1, 0)),
    "Neck": ("Spine", (0, 0.42, 0)),
    "Head": ("Neck", (0, 0.07, 0)),
    "LeftArm": ("Spine", (0.18, 0.4, 0)),
    "LeftForeArm": ("LeftArm", (0, -0.28, 0)),
    "LeftHand": ("LeftForeArm", (0, -0.26, 0)),
    "RightArm": ("Spine", (-0.18, 0.4, 0)),
    "RightForeArm": ("RightArm", (0, -0.28, 0)),
    "RightHand": ("RightForeArm", (0, -0.26, 0)),
    "LeftUpLeg": ("Hips", (0.09, 0, 0)),
    "LeftLeg": ("LeftUpLeg", (0, -0.42, 0)),
    "LeftFoot": ("LeftLeg", (0, -0.43, 0)),
    "LeftToes": ("LeftFoot", (0, -0.08, 0.14)),
    "RightUpLeg": ("Hips", (-0.09, 0, 0)),
    "RightLeg": ("RightUpLeg", (0, -0.42, 0)),
    "RightFoot": ("RightLeg", (0, -0.43, 0)),
    "RightToes": ("RightFoot", (0, -0.08, 0.14)),
}
ENDS = {"Head": (0, 0.2, 0), "LeftToes": (0, 0, 0.05), "RightToes": (0, 0, 0.05)}
CROUCH, TAKEOFF, APEX, LAND, LOW = 21, 29, 37, 45, 53
"""Rows from 1. At 30 fps: push and absorb as long as rise and fall, so as high too."""
FPS, G = 30, 9.80665


def heights():
    """Of the hips over where they stand, m."""
    t = np.arange(1.0, 71)
    v = G * (APEX - TAKEOFF) / FPS
    push = v * (TAKEOFF - CROUCH) / FPS / 2
    air = v * (t - TAKEOFF) / FPS - G * ((t - TAKEOFF) / FPS) ** 2 / 2
    up = push * (np.clip((t - CROUCH) / 8, 0, 1) ** 2 - 1)
    down = -push * (1 - (1 - np.clip((t - LAND) / 8, 0, 1)) ** 2)
    body = np.where(t < TAKEOFF, up, np.where(t > LAND, down, air))
    u = np.clip((t - 1) / 12, 0, 1)
    body = np.where(t < 14, -push * u * u * (3 - 2 * u), body)
    u = np.clip((t - LOW) / 12, 0, 1)
    return np.where(t > LOW, -push * (1 - u * u * (3 - 2 * u)), body)


def text(*, unit=1.0, fps="0.0333333", bend=True):
    """A jump whose legs bend so that the feet stay: `unit` metres in a unit of the file."""
    rows = []
    for z in heights():
        thigh, shin, hips = 0.42, 0.43, 0.93 + min(z, 0) - 0.0801
        ankle = 0.0
        # The knee by the law of cosines: the ankle stays under the hip.
        far = min(hips - ankle, thigh + shin - 1e-9)
        hip_angle = np.degrees(np.arccos((thigh**2 + far**2 - shin**2) / (2 * thigh * far)))
        knee = 180 - np.degrees(np.arccos((thigh**2 + shin**2 - far**2) / (2 * thigh * shin)))
        turns = {"UpLeg": -hip_angle, "Leg": knee, "Foot": hip_angle - knee} if bend else {}
        row = [0.0, (0.93 + z) / unit, 0.0]
        for joint in order("Hips"):
            part = joint.removeprefix("Left").removeprefix("Right")
            row += [turns.get(part, 0.0), 0.0, 0.0]
        rows.append(" ".join(f"{x:.6f}" for x in row))
    head = "\n".join(["HIERARCHY", *tree("Hips", unit)])
    return f"{head}\nMOTION\nFrames: {len(rows)}\nFrame Time: {fps}\n" + "\n".join(rows) + "\n"


def below(joint):
    return [name for name, (parent, _) in JOINTS.items() if parent == joint]


def order(joint):
    return [joint, *(name for child in below(joint) for name in order(child))]


def tree(joint, unit):
    parent, offset = JOINTS[joint]
    turns = "Xrotation Yrotation Zrotation"
    channels = f"3 {turns}" if parent else f"6 Xposition Yposition Zposition {turns}"
    place = " ".join(f"{x / unit:.6f}" for x in offset)
    lines = [f"{'JOINT' if parent else 'ROOT'} {joint}", "{", f"OFFSET {place}"]
    lines.append(f"CHANNELS {channels}")
    for child in below(joint):
        lines += tree(child, unit)
    if joint in ENDS or not below(joint):
        end = " ".join(f"{x / unit:.6f}" for x in ENDS.get(joint, (0, -0.1, 0)))
        lines += ["End Site {", f"OFFSET {end}", "}"]
    return [*lines, "}"]


@pytest.mark.parametrize(
    ("unit", "said"),
    [(1.0, "metres"), (0.01, "centimetres"), (0.001, "millimetres"), (0.0254, "inches")],
)
def test_the_unit_is_guessed_from_the_height_and_said(unit, said):
    clip = read_recording(text(unit=unit))
    assert clip.scale == unit
    assert clip.height == pytest.approx(1.74, rel=0.06)
    assert any(said in warning and "guess" in warning for warning in clip.warnings)


def test_an_odd_unit_makes_a_person_of_it_and_a_typed_one_is_believed():
    clip = read_recording(text(unit=0.1))
    assert clip.height == pytest.approx(1.7)
    typed = read_recording(text(unit=0.1), scale=0.1)
    assert typed.scale == 0.1
    assert typed.height == pytest.approx(1.74, rel=0.06)
    assert typed.warnings == ()


@pytest.mark.parametrize(
    ("frame_time", "rate"),
    [
        ("0.0333333", 30), ("0.033333", 30), ("0.0416667", 24), ("0.04", 25), ("0.0166670", 60),
        ("0.0083333", 120), ("0.041708", Fraction(24000, 1001)), ("0.1", 10),
    ],
)  # fmt: skip
def test_the_frame_time_is_the_rate(frame_time, rate):
    assert read_recording(text(fps=frame_time), scale=1.0).track.frame_rate == rate


@pytest.mark.parametrize("unit", [1.0, 0.01])
def test_a_recorded_jump_is_measured(unit):
    clip = read_recording(text(unit=unit), scale=unit)
    assert (clip.cog_from, clip.track.frames[0]) == ("segments", 1.0)
    told = check_track(clip.track)
    (jump,) = told.jumps
    m = jump.moments
    assert [m.crouch, m.takeoff, m.apex, m.land, m.low] == pytest.approx(
        [CROUCH, TAKEOFF, APEX, LAND, LOW], abs=1.0
    )
    assert jump.takeoffs.contact == pytest.approx(TAKEOFF, abs=1)
    assert jump.contact_land == pytest.approx(LAND, abs=1)
    assert jump.gravity.air == pytest.approx(G, rel=0.05)
    assert told.worst in (None, "note")


def test_the_root_joint_can_be_the_cog():
    clip = read_recording(text(), scale=1.0, cog_from="control")
    np.testing.assert_allclose(clip.track.cog[:, 2], 0.93 + heights(), atol=1e-5)
    assert clip.cog_from == "control"


def test_something_that_is_no_person_is_read_by_its_root():
    ball = "\n".join(
        [
            "HIERARCHY ROOT Ball { OFFSET 0 0 0 CHANNELS 3 Xposition Yposition Zposition",
            "End Site { OFFSET 0 0.4 0 } } MOTION", "Frames: 2", "Frame Time: 0.04",
            "0 1 0", "0 2 0",
        ]
    )  # fmt: skip
    clip = read_recording(ball)
    assert (clip.name, clip.cog_from, clip.track.soles) == ("Ball", "control", None)
    assert any("no person" in warning for warning in clip.warnings)
    with pytest.raises(NotFoundError):
        read_recording(ball, cog_from="segments")


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        ({"scale": 0.0}, "scale"),
        ({"scale": float("nan")}, "scale"),
        ({"cog_from": "mesh"}, "segments or control"),
    ],
)
def test_what_is_not_allowed_is_refused(ask, said):
    with pytest.raises(InputError, match=said):
        read_recording(text(), **ask)
