# SPDX-License-Identifier: GPL-3.0-or-later
"""Feet on the floor and off it, whatever the floor is."""

from __future__ import annotations

import numpy as np
import pytest

from leapwright.contacts import feet_of, turning_points
from leapwright.track import Track

FRAMES = np.arange(60.0)


def hop(start: float, stop: float, *, high: float = 0.4, to: float = 0.0) -> np.ndarray:
    """Height of a foot that leaves after `start`, is back at `stop`, and lands at `to`."""
    u = np.clip((FRAMES - start) / (stop - start), 0, 1)
    return 4 * high * u * (1 - u) + to * u


def soles_of(*heights: np.ndarray) -> np.ndarray:
    return np.array([np.stack([0 * h, 0 * h, h], axis=-1) for h in heights])


@pytest.mark.parametrize("floor", [0.0, -0.79, 3.0])
@pytest.mark.parametrize("step", [0.0, 0.6, -0.5])
@pytest.mark.parametrize("noise", [0.0, 0.002])
def test_contacts_are_found_on_any_floor(floor, step, noise):
    random = np.random.default_rng(1)
    toe = hop(20, 32, to=step) + floor
    heel = hop(19, 33, to=step) + floor + 0.08
    soles = soles_of(toe, heel, toe, heel)
    soles += random.normal(0, noise, soles.shape)
    feet = feet_of(Track.of(toe + 1.0, soles=soles))
    (clear,) = feet.clear
    assert (clear.last, clear.first) == (20, 32)
    assert feet.size == pytest.approx(1.0, abs=0.1)


def test_feet_that_leave_one_by_one_leave_when_the_last_does():
    left, right = hop(18, 30), hop(22, 34)
    (clear,) = feet_of(Track.of(left + 1, soles=soles_of(left, right))).clear
    assert (clear.last, clear.first) == (22, 30)


def test_known_contacts_are_believed():
    flags = [[True] * 10 + [False] * 8 + [True] * 42]
    (clear,) = feet_of(Track.of(np.ones(60), contacts=flags)).clear
    assert (clear.last, clear.first) == (9, 18)


def test_a_foot_that_sinks_between_keys_does_not_move_the_floor():
    height = hop(20, 32)
    height[5:15] -= 0.06 * np.sin(np.linspace(0, np.pi, 10))
    track = Track.of(height + 1, soles=soles_of(height), keys=[1, 21, 27, 33, 60])
    (clear,) = feet_of(track).clear
    assert (clear.last, clear.first) == (20, 32)


def test_a_given_ground_is_the_floor():
    height = hop(20, 32) + 0.2
    feet = feet_of(Track.of(height + 1, soles=soles_of(height)), ground=0.0)
    assert not feet.on.any()


def test_turning_points_swing_by_what_was_asked():
    random = np.random.default_rng(2)
    for _ in range(50):
        curve = np.cumsum(random.normal(size=200))
        rows, first_is_low = turning_points(curve, least=3.0)
        assert np.all(np.abs(np.diff(curve[rows])) >= 3.0)
        signs = np.sign(np.diff(curve[rows]))
        assert np.all(signs[1:] == -signs[:-1])
        assert first_is_low == (len(rows) > 1 and signs[0] > 0)
        # Between two of them nothing swings back by as much.
        for a, b, sign in zip(rows[:-1], rows[1:], signs, strict=True):
            way = sign * curve[a : b + 1]
            assert np.max(np.maximum.accumulate(way) - way) < 3.0
