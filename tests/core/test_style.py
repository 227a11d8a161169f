# SPDX-License-Identifier: GPL-3.0-or-later
"""Styled air: its own laws, and free flight where nothing is styled."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leapwright import plan
from leapwright.errors import InputError
from leapwright.style import Style, fall_ratio, push_ratio, styled_air

law = settings(max_examples=150, deadline=None, derandomize=True)


@st.composite
def airs(draw, hangs=True):
    h = draw(st.floats(0.05, 10))
    air = draw(st.floats(0.2, 4))
    hang = air * draw(st.floats(0.01, 0.8)) if hangs else 0.0
    style = Style(fall=draw(st.floats(0.3, 3)), hang=hang * 24)
    drop = h * draw(st.floats(0.05, 4))
    asked = {"jump_height": h, "fall_height": drop, "air": air, "hang": hang}
    return style, asked, styled_air(style, **asked, travel=[2.0, -1.0])


@law
@given(styled=airs() | airs(hangs=False))
def test_pieces_are_parabolas_joined_in_place_and_speed(styled):
    style, asked, air = styled
    size, pace = asked["jump_height"] + asked["fall_height"], np.abs(air.path.velocity).max()
    c, span = air.path.coefficients, np.diff(air.path.times)[:, None]
    np.testing.assert_allclose(c[:, 3] * span**3, 0, atol=1e-6 * size)
    end = c[:, 0] + span * (c[:, 1] + span * (c[:, 2] + span * c[:, 3]))
    speed = c[:, 1] + span * (2 * c[:, 2] + span * 3 * c[:, 3])
    np.testing.assert_allclose(end[:-1], c[1:, 0], atol=1e-9 * size)
    np.testing.assert_allclose(speed[:-1], c[1:, 1], atol=1e-9 * pace)
    # One horizontal speed.
    np.testing.assert_allclose(c[:, 1, :2], c[:1, 1, :2].repeat(len(c), 0), atol=1e-12 * pace)
    np.testing.assert_allclose(c[:, 2, :2] * span, 0, atol=1e-9 * pace)
    gravity = -2 * c[:, 2, 2]
    assert gravity[0] == pytest.approx(air.rise_gravity, rel=1e-5)
    assert gravity[-1] == pytest.approx(air.rise_gravity * style.fall, rel=1e-5)
    assert air.fall_gravity == pytest.approx(air.rise_gravity * style.fall)


@law
@given(styled=airs() | airs(hangs=False))
def test_heights_and_time_are_kept(styled):
    _, asked, air = styled
    h, drop = asked["jump_height"], asked["fall_height"]
    top = air.path.at([0, air.rise, asked["air"]])
    assert top.position[:, 2] == pytest.approx([0, h, h - drop], abs=1e-8 * (h + drop))
    assert top.velocity[1, 2] == pytest.approx(0, abs=1e-8 * np.abs(top.velocity).max())
    assert air.rise + air.fall == pytest.approx(asked["air"])
    assert 0 < air.hang_start <= air.rise <= air.hang_end < asked["air"]


@law
@given(styled=airs())
def test_the_quarters_by_the_top_are_one_slower_parabola(styled):
    style, asked, air = styled
    base = (air.hang_start + asked["air"] - air.hang_end) * 4 / 3
    assert base == pytest.approx(asked["air"] - asked["hang"])
    if style.fall == 1:
        assert air.hang_gravity < air.rise_gravity
    short = styled_air(
        Style(fall=style.fall, hang=1e-9), **{**asked, "air": base, "hang": 1e-12}
    )  # fmt: skip
    # The longer the top hangs, the less there is to do before it: gravity gives.
    assert air.rise_gravity < short.rise_gravity


def test_nothing_styled_is_free_flight():
    jump = plan(jump_height=1.4, push_height=0.4, landing_level=0.5, subframes=True)
    seconds = jump.frames.air / 24
    air = styled_air(Style(), jump_height=1.4, fall_height=0.9, air=seconds)
    assert air.rise_gravity == air.hang_gravity == pytest.approx(jump.gravity)
    assert air.rise * 24 == pytest.approx(jump.frames.rise)
    tiny = styled_air(Style(hang=1e-9), jump_height=1.4, fall_height=0.9, air=seconds, hang=1e-12)
    t = np.linspace(0, seconds, 50)
    wanted = jump.cog(jump.moments.takeoff + t * 24).position[:, 2]
    np.testing.assert_allclose(air.path.at(t).position[:, 0], wanted, atol=1e-12)
    np.testing.assert_allclose(tiny.path.at(t).position[:, 0], wanted, atol=1e-9)


def test_a_level_hang_by_hand():
    # Rise and fall 0.5 s each and 0.25 s of hang: quarters of 0.125 s, so the top lasts 0.5 s at
    # half the gravity; h = g (15/32 0.25 + 0.125² 0.5 / (2 · 0.25)).
    air = styled_air(Style(hang=6), jump_height=1.0, fall_height=1.0, air=1.25, hang=0.25)
    g = 1 / (15 / 32 * 0.25 + 0.125**2)
    assert air.rise_gravity == pytest.approx(g)
    assert air.hang_gravity == pytest.approx(g / 2)
    assert [air.hang_start, air.rise, air.hang_end] == pytest.approx([0.375, 0.625, 0.875])


def test_ratios_of_a_floaty_landing():
    assert fall_ratio(rise=12, fall=16, jump_height=1.2258, fall_height=1.2258) == 0.5625
    air = styled_air(Style(fall=0.5625), jump_height=1.2258, fall_height=1.2258, air=28 / 24)
    assert air.rise * 24 == pytest.approx(12)
    assert air.fall_gravity == pytest.approx(5.516, abs=1e-3)


def test_the_push_of_constant_force_has_ratio_one():
    jump = plan(jump_height=1.2, push_height=0.3, subframes=True)
    got = push_ratio(speed=jump.takeoff_speed, time=jump.frames.push / 24, push_height=0.3)
    assert got == pytest.approx(1)


def test_json_and_truth():
    style = Style(fall=1.5, push=0.8, hang=3)
    assert Style.from_json(json.loads(json.dumps(style.to_json()))) == style
    assert Style.from_json({}).is_true
    assert not style.is_true
    with pytest.raises(InputError, match="data"):
        Style.from_json({"hover": 1})


@pytest.mark.parametrize("bad", [{"fall": 0}, {"push": -1}, {"hang": -1}, {"fall": np.nan}])
def test_bad_styles(bad):
    with pytest.raises(InputError) as caught:
        Style(**bad)
    assert caught.value.argument == next(iter(bad))


def test_a_hang_needs_its_seconds_and_some_air():
    measures = {"jump_height": 1.0, "fall_height": 1.0, "air": 1.0}
    with pytest.raises(InputError, match="seconds"):
        styled_air(Style(hang=4), **measures)
    with pytest.raises(InputError, match="below the air"):
        styled_air(Style(hang=24), **measures, hang=1.0)
