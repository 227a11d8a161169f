# SPDX-License-Identifier: GPL-3.0-or-later
"""Higher and farther: gravity stays, times go with the square root."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leapwright.errors import InputError, ReachError
from leapwright.resize import resize
from leapwright.retimed import Heights
from leapwright.style import Style

G = 9.80665
law = settings(max_examples=80, deadline=None, derandomize=True)
TEN = G * (10 / 24) ** 2 / 2
WAS = {"start": 8, "crouch": 20, "takeoff": 23, "apex": 33, "land": 43, "low": 46, "end": 60}


def test_a_rise_of_12_for_10_is_1_44_times_the_height():
    assert abs(TEN - 0.851) < 5e-4
    got = resize(WAS, Heights(TEN, 0.26), times_height=1.44)
    assert (got.jump.frames.rise, got.jump.frames.fall) == (12, 12)
    assert got.times_height == pytest.approx(1.44)
    assert got.jump.jump_height == pytest.approx(1.226, abs=5e-4)
    assert got.gravity == got.jump.gravity == pytest.approx(G)
    assert got.jump.push_height == 0.26
    assert got.moments_after.crouch == 20
    assert got.map.apply([8, 20, 23, 43]).tolist()[:2] == [8, 20]


def test_near_heights_take_the_nearest_whole_frames():
    got = resize(WAS, Heights(TEN, 0.26), jump_height=1.2)
    assert got.jump.frames.rise == 12
    assert got.jump.jump_height == pytest.approx(TEN * 1.44)


@law
@given(
    times=st.floats(0.3, 6),
    level=st.floats(-2, 0.2),
    air=st.integers(6, 60),
    push=st.integers(1, 9),
)
def test_subframes_are_exact_and_land_where_they_did(times, level, air, push):
    h = 0.9
    was = {"crouch": 5, "takeoff": 5 + push, "land": 5 + push + air}
    heights = Heights(h, 0.3, landing_level=level * h)
    got = resize(was, heights, times_height=times, subframes=True)
    jump = got.jump
    assert jump.jump_height == pytest.approx(times * h)
    assert jump.landing_level == pytest.approx(level * h)
    assert jump.gravity == pytest.approx(got.gravity)
    rise = air * heights.rise_share
    assert jump.frames.rise == pytest.approx(rise * np.sqrt(times))
    assert got.gravity == pytest.approx(2 * h * (24 / rise) ** 2)
    assert got.map.apply(was["land"]) == pytest.approx(got.moments_after.land)
    # Air and push are one motion without a step in speed.
    f = [jump.moments.takeoff - 1e-6, jump.moments.takeoff + 1e-6]
    speed = jump.cog(f).velocity[:, 2]
    assert speed[0] == pytest.approx(speed[1], abs=1e-4)


def test_farther_alone_keeps_every_frame():
    got = resize(WAS, Heights(TEN, 0.26), travel=3.0, travel_before=1.0)
    assert got.map.is_identity
    assert got.jump.travel == 3
    assert got.times_height == pytest.approx(1)
    assert got.moments_after == got.moments_before


def test_stretch_and_pins():
    heights = Heights(TEN, 0.26)
    got = resize(WAS, heights, times_height=1.44, after="stretch", before="stretch")
    assert (got.moments_after.start, got.moments_after.end) == (8, 60)
    assert got.map.reach == (23, 60)
    got = resize(WAS, heights, times_height=1.44, pins={"land": 43})
    assert got.moments_after.land == 43
    assert got.moments_after.takeoff == 19
    got = resize(WAS, heights, times_height=1.44, twos=True, shot_start=1)
    assert got.moments_after.crouch == 19
    assert got.jump.frames.air % 4 == 0


def test_without_low_and_end_there_is_none_after():
    was = {"crouch": 20, "takeoff": 23, "land": 43}
    got = resize(was, Heights(TEN, 0.26), times_height=2)
    assert got.moments_after.low is got.moments_after.end is got.moments_after.start is None
    assert got.map.source.tolist() == [20, 23, 43]


def test_a_hold_stays():
    got = resize(WAS, Heights(TEN, 0.3), times_height=1.44, crouch_hold_frames=4)
    assert got.jump.frames.crouch_hold == 4
    assert got.map.apply(16) == got.moments_after.crouch - 4


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({}, "nothing to change"),
        ({"jump_height": 1, "times_height": 2}, "jump_height or times_height"),
        ({"jump_height": 0}, "jump_height"),
        ({"times_height": 2, "style": Style(fall=2)}, "styled air"),
        ({"times_height": 2, "before": "pull"}, "before"),
    ],
)
def test_the_door(change, match):
    with pytest.raises(InputError, match=match):
        resize(WAS, Heights(TEN, 0.26), **change)


def test_no_push_and_no_reach():
    with pytest.raises(InputError, match="push"):
        resize({"takeoff": 3, "land": 23}, Heights(TEN), times_height=2)
    with pytest.raises(ReachError):
        resize(
            {"crouch": 1, "takeoff": 3, "land": 23}, Heights(1, 0.3, landing_level=0.6),
            times_height=0.5,
        )  # fmt: skip
    with pytest.raises(InputError, match="at least 2"):
        resize(WAS, Heights(TEN, 0.26), times_height=2, pins={"takeoff": 23, "land": 24})


def test_the_height_that_is_asked_for_comes_before_the_push() -> None:
    """Up onto a crate, 1.44 times as high: 21 air frames give 1.231 m, 22 would give 1.321 m."""
    was = {"crouch": 97, "takeoff": 101, "apex": 111, "land": 117, "low": 119}
    higher = resize(was, Heights(jump=0.8514, push=0.3405, landing_level=0.545), times_height=1.44)
    assert higher.jump.frames.air == 21
    assert higher.jump.jump_height == pytest.approx(1.2307, abs=1e-3)
    assert higher.jump.alternatives[0].frames == higher.jump.frames
    changed = {change.what: change for change in higher.jump.changes}
    assert changed["jump_height_m"].asked == pytest.approx(1.44 * 0.8514)
