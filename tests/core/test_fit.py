# SPDX-License-Identifier: GPL-3.0-or-later
"""The joint fit gives back the jump it is shown."""

from __future__ import annotations

import numpy as np
import pytest

from leapwright import plan
from leapwright.fit import Guess, air_parabola, fit_jump, jitter
from leapwright.style import Style, styled_air

FPS = 24.0


def guess_of(moments) -> Guess:
    return Guess(moments.crouch, moments.takeoff, moments.land, moments.low)


def heights_of(jump):
    m = jump.moments
    t = np.arange(m.crouch, m.low + 1.0)
    return t, jump.cog(t).position[:, 2]


def test_a_plan_is_given_back():
    jump = plan(jump_height=0.8, push_height=0.35, landing_level=-0.3, pins={"crouch": 10})
    t, z = heights_of(jump)
    fit = fit_jump(t, z, guess_of(jump.moments), noise=0.0)
    assert fit.arc == "one"
    assert fit.takeoff_height - fit.crouch_height == pytest.approx(jump.push_height, rel=1e-6)
    assert fit.apex_height - fit.takeoff_height == pytest.approx(jump.jump_height, rel=1e-6)
    assert fit.takeoff_speed * FPS == pytest.approx(jump.takeoff_speed, rel=1e-6)
    assert fit.rise_gravity * FPS**2 == pytest.approx(jump.gravity, rel=1e-6)
    rise = jump.takeoff_speed / jump.gravity * FPS
    assert fit.apex == pytest.approx(jump.moments.takeoff + rise, abs=1e-4)


@pytest.mark.parametrize("off", [(2, -1.4, 1.3, -1), (-2, 1.2, -1.2, 2)])
def test_a_wrong_guess_is_left(off):
    jump = plan(jump_height=1.5, push_height=0.6, frame_rate=60, pins={"crouch": 10})
    t, z = heights_of(jump)
    m = jump.moments
    places = np.array([m.crouch, m.takeoff, m.land, m.low]) + off
    fit = fit_jump(t, z, Guess(*places), noise=0.0)
    assert [fit.crouch, fit.takeoff, fit.land, fit.low] == pytest.approx(
        [m.crouch, m.takeoff, m.land, m.low], abs=0.01
    )


@pytest.mark.parametrize("style", [Style(fall=1.78), Style(fall=0.6), Style(fall=1.5, hang=5)])
def test_a_style_is_told_apart(style):
    hang = style.hang / FPS
    air = styled_air(style, jump_height=1.2, fall_height=1.2, air=30 / FPS, hang=hang)
    speed, stop = air.path.velocity[0, 0], air.path.velocity[-1, 0]
    push, absorb, high, deep = 4 / FPS, 4 / FPS, 0.5, 0.4
    t = np.arange(0, 39.0)
    s = t / FPS - push
    u, w = np.clip(s / push + 1, 0, 1), np.clip((s - 30 / FPS) / absorb, 0, 1)
    # Cubics from rest to the air's speed, and from there to rest.
    before = high * (u * u * (3 - 2 * u) - 1) + push * speed * u * u * (u - 1)
    after = -deep * w * w * (3 - 2 * w) + absorb * stop * w * (1 - w) ** 2
    z = np.where(s < 0, before, np.where(w > 0, after, air.path.at(s).position[:, 0]))
    fit = fit_jump(t, z, Guess(0, 4, 34, 38), noise=0.0)
    assert fit.rise_gravity * FPS**2 == pytest.approx(air.rise_gravity, rel=5e-3)
    assert fit.fall_gravity / fit.rise_gravity == pytest.approx(style.fall, rel=5e-3)
    assert fit.hang == pytest.approx(style.hang, abs=0.05)
    assert fit.apex == pytest.approx(4 + air.rise * FPS, abs=0.1)
    assert fit.apex_height == pytest.approx(1.2, abs=1e-3)


def test_noise_is_measured_and_its_bounds_hold():
    random = np.random.default_rng(4)
    jump = plan(jump_height=1.0, push_height=0.5, frame_rate=60, pins={"crouch": 10})
    t, z = heights_of(jump)
    m = jump.moments
    held = 0
    for _ in range(40):
        fit = fit_jump(t, z + random.normal(0, 0.002, len(t)), guess_of(m), noise=0.002)
        assert fit.noise == pytest.approx(0.002, rel=0.5)
        away = np.abs(
            np.array([fit.crouch, fit.takeoff, fit.land, fit.low])
            - (m.crouch, m.takeoff, m.land, m.low)
        )
        held += int(np.all(away <= 2 * fit.sigma + 0.01))
    assert held >= 36


def test_air_parabola_is_the_nearest():
    random = np.random.default_rng(6)
    t = np.sort(random.uniform(0, 30, 25))
    z = random.normal(size=25)
    curve, rest = air_parabola(t, z)
    expected = np.polyfit(t - t[0], z, 2)[::-1]
    np.testing.assert_allclose(curve, expected, atol=1e-9)
    np.testing.assert_allclose(rest, z - np.polyval(expected[::-1], t - t[0]), atol=1e-9)


@pytest.mark.parametrize("size", [0.001, 0.02])
def test_jitter_is_that_of_the_noise_not_of_the_jump(size):
    random = np.random.default_rng(7)
    t = np.arange(400.0)
    way = np.where(t < 200, 0, np.maximum(0, 2 * (t - 200) / 24 - 4.9 * ((t - 200) / 24) ** 2))
    assert jitter(way + random.normal(0, size, 400)) == pytest.approx(size, rel=0.3)
    assert jitter(way) < 1e-9
