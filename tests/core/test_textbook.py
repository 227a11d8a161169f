# SPDX-License-Identifier: GPL-3.0-or-later
"""Printed answers of textbooks and papers; each source stands beside its figures.

CP is OpenStax College Physics, UP OpenStax University Physics volume 1, with the module and the
exercise. Both use g = 9.80.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.constants

from leapwright import chart, plan
from leapwright.units import BODIES_M_S2, METRES_PER_UNIT, STANDARD_GRAVITY

BOOK_G = 9.80


def digits(text):
    """Half a unit of the last printed digit."""
    mantissa, _, exponent = text.partition("e")
    places = len(mantissa.partition(".")[2])
    return pytest.approx(float(text), abs=0.5000001 * 10.0 ** (int(exponent or 0) - places))


def exact(**ask):
    return plan(gravity=BOOK_G, subframes=True, **ask)


def test_a_crouch_of_0_3_m_and_a_rise_of_0_9_m():
    """CP m42132 fs-id3065143: take-off 4.20 m/s, push 29.4 m/s², 4.31e3 N for 110 kg."""
    jump = exact(jump_height=0.900, push_height=0.300)
    assert jump.takeoff_speed == digits("4.20")
    assert jump.cog(jump.moments.crouch).acceleration[0, 2] == digits("29.4")
    assert jump.push_force * 110 * BOOK_G == digits("4.31e3")
    assert jump.push_force == pytest.approx(1 + 0.9 / 0.3)


def test_a_crouch_of_0_4_m_and_a_rise_of_0_95_m():
    """CP m42154 fs-id1162811: 4.32 m/s, 3.47e3 N for 105 kg, 3.375 body weights."""
    jump = exact(jump_height=0.950, push_height=0.400)
    assert jump.takeoff_speed == digits("4.32")
    assert jump.push_force * 105 * BOOK_G == digits("3.47e3")
    assert jump.push_force == pytest.approx(3.375)


@pytest.mark.parametrize(
    ("stop", "newton", "weights"), [(0.0150, "3.21e4", "41.0"), (0.300, "2.35e3", "3.00")]
)
def test_landing_from_0_6_m(stop, newton, weights):
    """CP m42153 fs-id1700259: 80 kg drops 0.600 m onto straight or bent legs."""
    jump = exact(jump_height=0.600, push_height=0.3, absorb_height=stop)
    assert jump.absorb_force * 80 * BOOK_G == digits(newton)
    assert jump.absorb_force == digits(weights)


def test_a_rise_of_1_25_m():
    """CP m42102 fs-id1781525: leaves at 4.95 m/s."""
    assert exact(jump_height=1.25, push_height=0.3).takeoff_speed == digits("4.95")


def test_leaving_at_13_m_s():
    """CP m42102 fs-id1788413: 8.62 m high, 2.65 s in the air."""
    jump = exact(takeoff_speed=13.0, push_height=0.3)
    assert jump.jump_height == digits("8.62")
    assert jump.frames.air / 24 == digits("2.65")


def test_the_long_jump_loses_1_07_m_at_30_degrees():
    """UP m58293 fs-id1165039312347: 8.0 m at 45°; the same speed at 30° goes 1.07 m less far."""
    speed = np.sqrt(8.0 * BOOK_G)
    angle = np.deg2rad([45.0, 30.0])
    jumps = exact(
        takeoff_speed=speed * np.sin(angle), push_height=0.3, running=speed * np.cos(angle)
    )
    assert jumps.travel[0] == pytest.approx(8.0)
    assert jumps.travel[0] - jumps.travel[1] == digits("1.07")


def test_height_from_time_in_the_air():
    """Bosco, Luhtanen & Komi 1983, Eur J Appl Physiol 50:273: h = g t²/8."""
    frames = np.arange(4, 40, 2)
    jumps = plan(air_frames=frames, push_frames=4)
    np.testing.assert_allclose(jumps.jump_height, STANDARD_GRAVITY * (frames / 24) ** 2 / 8, 1e-14)


def test_force_of_the_load_jumps():
    """Load-jump sample set of one athlete, 85 kg, push 0.35 m, g = 9.81: times in the air give
    F = (m + load) g (1 + h/d) and V = √(g h/2); regressed, F0 = 2235.995 N, V0 = 4.037337 m/s."""
    load = np.array([0.0, 20.0, 40.0, 60.0])
    time = np.array([0.4991416, 0.4188160, 0.3664766, 0.2746293])
    jumps = plan(air_frames=time * 24, push_height=0.35 * np.ones(4), gravity=9.81, subframes=True)
    force = (85 + load) * 9.81 * jumps.push_force
    speed = jumps.takeoff_speed / 2
    slope, at_rest = np.polyfit(force, speed, 1)
    assert at_rest == pytest.approx(4.037337, abs=1e-5)
    assert -at_rest / slope == pytest.approx(2235.995, abs=0.01)


def test_the_froghopper_jumps_in_less_than_a_frame():
    """Burrows, jumping of froghoppers: 4.7 m/s, 0.875 ms of push; 1.13 m without drag."""
    jump = plan(takeoff_speed=4.7, push_height=4.7 * 0.875e-3 / 2, subframes=True)
    assert jump.jump_height == digits("1.13")
    assert jump.frames.push / 24 == pytest.approx(0.875e-3)
    # The mean over 0.875 ms; the paper's 5400 m/s² is the same to its two digits.
    assert jump.cog(jump.moments.crouch).acceleration[0, 2] == digits("5.4e3")


def test_standard_gravity():
    """9.80665 m/s² exact: 3rd General Conference on Weights and Measures, 1901."""
    assert STANDARD_GRAVITY == 9.80665 == scipy.constants.g
    assert plan(jump_height=1, push_height=0.3).asked["gravity"] == 9.80665


def test_bodies():
    """NASA Planetary Fact Sheet (metric)."""
    sheet = {"mercury": 3.7, "venus": 8.9, "earth": 9.8, "mars": 3.7, "jupiter": 23.1}
    sheet |= {"saturn": 9.0, "uranus": 8.7, "neptune": 11.0, "pluto": 0.7}
    assert {name: BODIES_M_S2[name] for name in sheet} == sheet
    for name, gravity in sheet.items():
        jump = plan(rise_frames=24, push_frames=8, gravity=name.title())
        assert jump.gravity == gravity
        assert jump.jump_height == pytest.approx(gravity / 2)


def test_units():
    """International yard and pound agreement, 1959."""
    for short, name in (("ft", "foot"), ("in", "inch"), ("yd", "yard")):
        assert METRES_PER_UNIT[short] == pytest.approx(getattr(scipy.constants, name), rel=1e-15)


@pytest.mark.parametrize("rate", [24, 25, 60, "30000/1001"])
def test_odd_numbers(rate):
    """Distances fallen in equal times run 1 : 3 : 5 : 7 (Galileo, Two New Sciences, 1638)."""
    rows = chart(np.arange(1, 31), frame_rate=rate)
    odd = 2 * np.arange(1, 31) - 1
    np.testing.assert_allclose(rows.step_m / rows.step_m[0], odd, rtol=1e-14)
    np.testing.assert_allclose(np.cumsum(rows.step_m), rows.height_m, rtol=1e-13)
    jump = plan(rise_frames=12, push_frames=3, frame_rate=rate)
    apex = jump.moments.apex
    fallen = jump.cog(np.arange(apex, jump.moments.land + 1)).position[:, 2]
    np.testing.assert_allclose(-np.diff(fallen), rows.step_m[:12], rtol=1e-12)
    risen = jump.cog(np.arange(jump.moments.takeoff, apex + 1)).position[:, 2]
    np.testing.assert_allclose(np.diff(risen), rows.step_m[:12][::-1], rtol=1e-12)


FOOT, INCH = 0.3048, 0.0254


@pytest.mark.parametrize(
    ("height", "push", "rise", "frames"),
    [(4 * FOOT, 1 * FOOT, 12, 3), (20 * INCH, 10 * INCH, 8, 4), (4 * FOOT, 4 * FOOT, 12, 12)],
)
def test_frames_of_common_practice(height, push, rise, frames):
    """Common practice, no published source: at 24 fps four feet take 12 frames up and about
    twenty inches 8; a rise of 4 ft over a push of 1 ft takes 3 of push; a rise equal to its push
    takes as many frames to push as to rise."""
    jump = plan(jump_height=height, push_height=push)
    assert (jump.frames.rise, jump.frames.fall, jump.frames.push) == (rise, rise, frames)


def test_snappier_shrinks_both_alike():
    """Common practice, no published source: a rise and push of 5 or 6 frames each become 3 and
    3. Times by a half are a jump under four times the gravity."""
    slow = plan(rise_frames=6, push_frames=6)
    fast = plan(jump_height=slow.jump_height, push_height=slow.push_height, gravity=4 * 9.80665)
    assert (fast.frames.rise, fast.frames.push) == (3, 3)
