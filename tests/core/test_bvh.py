# SPDX-License-Identifier: GPL-3.0-or-later
"""Motion-capture text: read right, or refused in words."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from leapwright.bvh import read_bvh
from leapwright.errors import InputError

ORDERS = ("XYZ", "XZY", "YXZ", "YZX", "ZXY", "ZYX")


def text_of(order: str, motion: np.ndarray) -> str:
    turns = " ".join(f"{axis}rotation" for axis in order)
    rows = "\n".join(" ".join(f"{v:.17g}" for v in row) for row in motion)
    return f"""HIERARCHY
ROOT Hips
{{
  OFFSET 9 9 9
  CHANNELS 6 Xposition Yposition Zposition {turns}
  JOINT Left Leg
  {{
    OFFSET 1.0 -2.0 0.5
    CHANNELS 3 {turns}
    End Site
    {{
      OFFSET 0.0 -3.0 0.25
    }}
  }}
}}
MOTION
Frames: {len(motion)}
Frame Time: 0.0333333
{rows}
"""


@pytest.mark.parametrize("order", ORDERS)
def test_joints_are_where_another_library_puts_them(order):
    random = np.random.default_rng(3)
    motion = random.uniform(-170, 170, (7, 9))
    clip = read_bvh(text_of(order, motion))
    assert clip.names == ("Hips", "Left Leg", "Left Leg end")
    assert clip.frame_time == pytest.approx(1 / 30, rel=1e-4)
    hips = Rotation.from_euler(order, motion[:, 3:6], degrees=True)
    leg = hips * Rotation.from_euler(order, motion[:, 6:9], degrees=True)
    knee = motion[:, :3] + hips.apply([1.0, -2.0, 0.5])
    toe = knee + leg.apply([0.0, -3.0, 0.25])
    expected = np.stack([motion[:, :3], knee, toe])
    # Y is up in the file, Z here.
    x, y, z = np.moveaxis(expected, -1, 0)
    np.testing.assert_allclose(clip.positions(scale=0.01), 0.01 * np.stack([x, -z, y], -1))


GOOD = text_of("ZXY", np.zeros((2, 9)))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda s: "", "HIERARCHY"),
        (lambda s: "\x00\x01", "HIERARCHY"),
        (lambda s: s.replace("ROOT Hips", ""), "ROOT"),
        (lambda s: s.split("MOTION")[0], "MOTION"),
        (lambda s: s.replace("OFFSET 1.0", "OFFSET one"), "number, got 'one'"),
        (lambda s: s.replace("OFFSET 1.0", "OFFSET nan"), "finite"),
        (lambda s: s.replace("Frames: 2", "Frames: 3"), "3 frames of 9 numbers"),
        (lambda s: s.replace("Frames: 2", "Frames: -2"), "whole number"),
        (lambda s: s.replace("Frames: 2", "Frames: many"), "number"),
        (lambda s: s.replace("Frame Time: 0.0333333", "Frame Time: 0"), "above 0"),
        (lambda s: s.replace("CHANNELS 3", "CHANNELS 7"), "0 to 6"),
        (lambda s: s.replace("CHANNELS 3 Zrotation", "CHANNELS 3 Wrotation"), "Xposition"),
        (lambda s: s.rsplit("0", 1)[0] + "x", "numbers only"),
        (lambda s: s.replace("}\nMOTION", "MOTION"), "ends"),
        (lambda s: s.replace("JOINT Left Leg", "JOINT Left Leg {"), "must stand"),
    ],
)
def test_broken_text_is_refused_in_words(change, words):
    with pytest.raises(InputError, match=words):
        read_bvh(change(GOOD))


def test_any_damage_is_either_read_or_refused():
    random = np.random.default_rng(5)
    letters = [*"{}0.-eE\n \t:JXn", "OFFSET ", "End Site", "MOTION", "CHANNELS 6 "]
    read = refused = 0
    for _ in range(600):
        text = GOOD
        for _ in range(int(random.integers(1, 4))):
            at, stop = sorted(random.integers(0, len(text), 2))
            stop = min(stop, at + int(random.integers(0, 30)))
            text = text[:at] + str(random.choice(letters)) + text[stop:]
        try:
            places = read_bvh(text).positions()
        except InputError:
            refused += 1
        else:
            assert places.shape[2] == 3
            read += 1
    assert read > 0
    assert refused > 100


def test_a_chain_of_thousands_is_read():
    deep = 3000
    head = "HIERARCHY\nROOT a { OFFSET 0 1 0 CHANNELS 1 Xposition " + (
        "JOINT b { OFFSET 0 1 0 " * deep
    )
    text = head + "}" * (deep + 1) + "\nMOTION\nFrames: 1\nFrame Time: 0.1\n2\n"
    assert read_bvh(text).positions()[-1, 0].tolist() == [2, 0, deep + 1]


@pytest.mark.parametrize("scale", [0, -1, np.nan])
def test_scale_is_above_zero(scale):
    with pytest.raises(InputError, match="scale"):
        read_bvh(GOOD).positions(scale=scale)
