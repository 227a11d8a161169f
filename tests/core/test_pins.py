# SPDX-License-Identifier: GPL-3.0-or-later
"""Pins: one places the jump, two fix the frames between them, more may clash."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from leapwright import ClashError, InputError, plan
from leapwright.pins import MOMENTS

GOOD = {"jump_height": 0.85, "push_height": 0.34, "landing_level": 0.3}
PAIRS = list(itertools.combinations(MOMENTS, 2))


@pytest.mark.parametrize("twos", [False, True])
@pytest.mark.parametrize("moment", MOMENTS)
def test_one_pin_places_the_jump(moment, twos):
    free = plan(**GOOD, twos=twos)
    for frame in (-37, 201):
        pinned = plan(**GOOD, twos=twos, pins={moment: frame})
        assert pinned.frames == free.frames
        shift = frame - getattr(free.moments, moment)
        assert dict(pinned.moments) == {name: at + shift for name, at in free.moments}


@pytest.mark.parametrize("pair", PAIRS)
def test_any_two_pins_hold(pair):
    """Pins a frame further apart than the jump would have them: something gives, both hold."""
    free = dict(plan(**GOOD, keep="poses").moments)
    for stretch in (0, 1):
        pins = {pair[0]: free[pair[0]] + 50, pair[1]: free[pair[1]] + 50 + stretch}
        jump = plan(**GOOD, keep="poses", pins=pins)
        got = dict(jump.moments)
        assert {name: got[name] for name in pins} == pins
        frames = [got[name] for name in MOMENTS]
        assert all(b > a for a, b in itertools.pairwise(frames))


def test_all_pins_at_once():
    free = dict(plan(**GOOD).moments)
    pins = {name: frame + 100 for name, frame in free.items()}
    assert dict(plan(**GOOD, pins=pins).moments) == pins


def test_the_phase_between_gives():
    free = plan(**GOOD)
    takeoff, land = free.moments.takeoff, free.moments.land
    low = plan(**GOOD, pins={"takeoff": takeoff, "low": land + 9})
    assert low.frames.absorb == 9
    assert low.absorb_height == pytest.approx(low.landing_speed * 9 / 48)
    start = plan(**GOOD, pins={"start": takeoff - free.frames.push - 17, "takeoff": takeoff})
    assert start.frames.anticipation == 17
    held = plan(
        **GOOD,
        pins={"start": takeoff - free.frames.push - 17, "takeoff": takeoff},
        anticipation_frames=12,
    )
    assert (held.frames.anticipation, held.frames.crouch_hold) == (12, 5)
    end = plan(**GOOD, pins={"takeoff": takeoff, "end": land + free.frames.absorb + 3})
    assert end.frames.recover == 3


@pytest.mark.parametrize(
    ("ask", "words"),
    [
        ({"pins": {"takeoff": 10, "land": 10}}, ["land=10", "after takeoff=10"]),
        ({"pins": {"apex": 10, "takeoff": 30}}, ["apex=10", "takeoff=30"]),
        ({"pins": {"takeoff": 1, "apex": 5, "land": 40}}, ["takeoff=1", "apex=5", "land=40"]),
        ({"pins": {"start": 1, "takeoff": 3}}, ["start=1", "anticipation"]),
        ({"pins": {"takeoff": 1, "end": 18}}, ["end=18", "recover"]),
        ({"pins": {"takeoff": 1, "low": 15}}, ["low=15", "absorb"]),
        ({"pins": {"takeoff": 1, "low": 30}, "absorb_frames": 4}, ["absorb_frames=4"]),
        ({"pins": {"takeoff": 1, "end": 50}, "recover_frames": 4}, ["recover_frames=4"]),
        ({"pins": {"start": 1}, "anticipation_frames": 0}, ["start", "no anticipation"]),
        ({"pins": {"end": 1}, "recover_frames": 0}, ["end", "no recover"]),
        ({"pins": {"start": 1}, "running": 3}, ["start", "no anticipation"]),
    ],
)
def test_pins_that_clash_say_so(ask, words):
    with pytest.raises(ClashError) as caught:
        plan(**GOOD, **ask)
    assert all(word in str(caught.value) for word in words), caught.value


def test_typed_counts_and_pins():
    ask = {"rise_frames": 10, "push_frames": 4}
    with pytest.raises(ClashError, match="pins leave 5 push frames, but push_frames is 4"):
        plan(**ask, pins={"crouch": 1, "takeoff": 6})
    with pytest.raises(ClashError, match="pins leave 13 frames of push and rise"):
        plan(**ask, pins={"crouch": 1, "apex": 14})
    jump = plan(**ask, pins={"crouch": 1, "apex": 15})
    assert (jump.frames.push, jump.frames.rise) == (4, 10)
    with pytest.raises(ClashError, match="push"):
        plan(rise_frames=10, push_height=0.3, pins={"crouch": 1, "apex": 11})


def test_off_the_twos():
    with pytest.raises(ClashError, match=r"takeoff=102 is off the twos.*use 101 or 103"):
        plan(**GOOD, twos=True, pins={"takeoff": 102})
    assert plan(**GOOD, twos=True, shot_start=2, pins={"takeoff": 102}).moments.takeoff == 102


def test_pins_are_read_at_the_door():
    with pytest.raises(InputError, match=r"one of start, crouch.*got 'top'"):
        plan(**GOOD, pins={"top": 4})
    with pytest.raises(InputError, match="pin land must be a whole frame"):
        plan(**GOOD, pins={"land": 4.5})
    assert plan(**GOOD, pins={"land": 4.5}, subframes=True).moments.land == pytest.approx(4.5)
    with pytest.raises(InputError, match="pin land must be finite"):
        plan(**GOOD, pins={"land": np.nan})
    with pytest.raises(InputError, match="pins must share one shape"):
        plan(**GOOD, pins={"takeoff": [1, 2], "land": [20, 21, 22]})


def test_pins_as_arrays():
    takeoff = np.array([[10, 20, 30]])
    land = takeoff + np.array([[14], [17]])
    many = plan(**GOOD, pins={"takeoff": takeoff, "land": land})
    for index in np.ndindex(2, 3):
        pins = {"takeoff": takeoff[0, index[1]], "land": land[index]}
        one = plan(**GOOD, pins=pins)
        for name, frame in one.moments:
            assert getattr(many.moments, name)[index] == frame
        assert many.jump_height[index] == one.jump_height
    np.testing.assert_array_equal(many.frames.air, land - takeoff)


def test_the_clash_of_one_of_many_is_said():
    pins = {"start": [1, 1, 1], "takeoff": [20, 30, 3]}
    with pytest.raises(ClashError, match="start=1 leaves -2 frames of anticipation"):
        plan(**GOOD, pins=pins)
    with pytest.raises(ClashError, match="land=3 must be after takeoff=7"):
        plan(**GOOD, pins={"takeoff": [1, 7], "land": [20, 3]})


@pytest.mark.parametrize("pair", PAIRS)
def test_fractional_pins(pair):
    free = dict(plan(**GOOD, subframes=True).moments)
    pins = {pair[0]: free[pair[0]] + 7.3, pair[1]: free[pair[1]] + 7.8}
    got = dict(plan(**GOOD, subframes=True, pins=pins).moments)
    assert {name: got[name] for name in pins} == pytest.approx(pins)
