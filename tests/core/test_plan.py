# SPDX-License-Identifier: GPL-3.0-or-later
"""What plan answers: the issue's own examples, the rules of the model, and arrays."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

import leapwright
from leapwright import plan

G = 9.80665
FOOT = 0.3048


def test_four_feet_over_one_foot():
    jump = plan(jump_height=4 * FOOT, push_height=FOOT)
    assert (jump.frames.rise, jump.frames.fall, jump.frames.push) == (12, 12, 3)
    assert jump.magnification == pytest.approx(4)
    assert jump.moments.start == 1
    assert jump.jump_height == pytest.approx(G / 8)
    assert jump.push_height == pytest.approx(G / 32)


def test_twenty_inches_over_ten():
    jump = plan(jump_height=20 * 0.0254, push_height=10 * 0.0254)
    assert (jump.frames.rise, jump.frames.push) == (8, 4)


def test_onto_a_crate():
    ask = {"jump_height": 0.85, "push_height": 0.34, "landing_level": 0.545}
    jump = plan(**ask, pins={"takeoff": 101})
    assert (jump.frames.push, jump.frames.rise, jump.frames.fall) == (4, 10, 6)
    moments = jump.moments
    assert (moments.crouch, moments.takeoff, moments.apex, moments.land) == (97, 101, 111, 117)
    assert jump.jump_height == pytest.approx(0.8514, abs=5e-5)
    assert jump.push_height == pytest.approx(0.3405, abs=5e-5)
    assert jump.landing_level == 0.545


def test_posed_push():
    jump = plan(push_height=0.360, rise_frames=12, keep="poses")
    assert (jump.frames.push, jump.push_height) == (4, 0.360)
    crouch, takeoff = jump.moments.crouch, jump.moments.takeoff
    way = jump.cog(np.arange(crouch + 1, takeoff + 1)).position[:, 2] + 0.360
    assert way == pytest.approx([0.0179, 0.0778, 0.1888, 0.3600], abs=5e-5)
    before, after = jump.cog([takeoff - 1e-7, takeoff + 1e-7]).velocity[:, 2]
    assert before == pytest.approx(after, abs=1e-5)
    assert before == pytest.approx(G / 2, abs=1e-5)


def test_a_landing_pose_that_is_lower_over_the_feet():
    jump = plan(jump_height=0.85, push_height=0.34, landing_level=0.600 + 0.834 - 1.000)
    assert (jump.frames.push, jump.frames.rise, jump.frames.fall) == (4, 10, 7)


def test_twos():
    ask = {"jump_height": 4 * FOOT, "push_height": FOOT, "twos": True, "shot_start": 1001}
    jump = plan(**ask, pins={"takeoff": 1025})
    assert [a.frames.push for a in jump.alternatives if a.frames.air == 24][:2] == [4, 2]
    assert jump.frames == jump.alternatives[0].frames
    moments = jump.moments
    assert (moments.crouch, moments.apex, moments.land) == (1021, 1037, 1049)


def test_typed_counts_on_twos():
    jump = plan(rise_frames=12, push_frames=2, twos=True, absorb_frames=6, crouch_hold_frames=4)
    assert (jump.frames.push, jump.frames.rise, jump.frames.absorb) == (2, 12, 6)
    assert jump.frames.crouch_hold == 4
    assert all(frame % 2 == 1 for _, frame in jump.moments)
    for name in ("rise_frames", "push_frames", "absorb_frames", "anticipation_frames"):
        ask = {"rise_frames": 12, "push_frames": 2, name: 3}
        with pytest.raises(leapwright.InputError, match=rf"{name} must be a multiple of 2.*2 or 4"):
            plan(**ask, twos=True)


def test_least_values():
    for twos, least in ((False, 1), (True, 2)):
        jump = plan(jump_height=1e-6, push_height=1e-6, twos=twos)
        frames = jump.frames
        assert (frames.push, frames.rise, frames.fall, frames.absorb) == (least,) * 4
        assert (frames.air, frames.crouch_hold) == (2 * least, 0)


def test_odd_air_has_its_top_between_frames():
    jump = plan(air_frames=11, push_height=0.3)
    assert (jump.frames.air, jump.frames.rise, jump.frames.fall) == (11, 5, 6)
    assert jump.moments.apex == jump.moments.takeoff + 5.5
    assert jump.alternatives[0].words.startswith("top between frames")
    top = jump.cog(jump.moments.apex)
    assert top.velocity[0, 2] == pytest.approx(0, abs=1e-12)
    assert top.position[0, 2] == pytest.approx(jump.jump_height)


def test_level_up_to_one_part_in_a_hundred():
    for share, even in ((0.0099, True), (-0.0099, True)):
        jump = plan(jump_height=1.0, push_height=0.3, landing_level=share)
        assert (jump.frames.air % 2 == 0) is even
        assert jump.moments.apex == jump.moments.takeoff + jump.frames.air / 2
    levels = np.array([0.0101, -0.0101])
    heights = np.linspace(0.6, 1.4, 60)[:, None]
    jumps = plan(jump_height=heights, push_height=0.3, landing_level=levels * heights)
    assert np.any(jumps.frames.air % 2 == 1)


@pytest.mark.parametrize("twos", [False, True])
def test_the_apex_key_is_near_the_top(twos):
    """At most g/8f² below it (four times that on twos) where rise and fall last long enough."""
    rng = np.random.default_rng(5)
    height = rng.uniform(0.3, 3.0, 2000)
    level = height * rng.uniform(-2, 0.9, 2000)
    jumps = plan(jump_height=height, push_height=0.3, landing_level=level, twos=twos)
    step = 2 if twos else 1
    key, air, speed = jumps.frames.rise, jumps.frames.air, jumps.takeoff_speed
    top = speed * 24 / G
    slanted = np.abs(level) > 0.01 * height
    long = slanted & (top >= step / 2) & (air - top >= step / 2)
    below = jumps.jump_height - (speed * key / 24 - G * (key / 24) ** 2 / 2)
    assert long.sum() > 1500
    assert np.all(below[long] <= G / 8 / 24**2 * step**2 * (1 + 1e-9))
    assert np.all((key >= step) & (key <= air - step))
    assert np.all(key % step == 0)


def test_the_apex_key_takes_the_earlier_of_two():
    """A rise of exactly 10.5 frames: the key is on 10."""
    # v = g 10.5/f and an air of 16 frames give the level that is between them.
    level = G * (10.5 / 24) * (16 / 24) - G * (16 / 24) ** 2 / 2
    jump = plan(air_frames=16, landing_level=level, push_height=0.3)
    assert jump.takeoff_speed * 24 / G == pytest.approx(10.5, rel=1e-14)
    assert (jump.frames.rise, jump.frames.fall) == (10, 6)


def test_a_long_posed_push_is_split_into_hold_and_push():
    jump = plan(jump_height=1.0, push_height=0.3, keep="poses", push_frames=8)
    constant = 2 * 0.3 * 24 / jump.takeoff_speed
    assert jump.frames.push == math.floor(1.5 * constant)
    assert jump.frames.push + jump.frames.crouch_hold == 8
    assert jump.push_factor == pytest.approx(jump.frames.push / constant)
    assert jump.moments.takeoff - jump.moments.crouch == jump.frames.push
    assert jump.moments.start == jump.moments.crouch - jump.frames.crouch_hold - 10
    assert any("crouch hold" in text for text in jump.warnings)
    z = jump.cog(np.linspace(jump.moments.crouch, jump.moments.takeoff, 99)).position[:, 2]
    assert np.all(np.diff(z) > 0)
    hold = jump.cog(np.linspace(jump.moments.crouch - jump.frames.crouch_hold, jump.moments.crouch))
    assert np.ptp(hold.position[:, 2]) == 0


def test_a_short_posed_push_is_drawn_and_said():
    jump = plan(jump_height=1.0, push_height=0.6, keep="poses", push_frames=3)
    assert jump.push_factor < 0.75
    assert jump.frames.push == 3
    assert any("too short" in text for text in jump.warnings)
    assert plan(jump_height=1.0, push_height=0.6, keep="poses").warnings == ()


def test_absorb_by_default():
    """c = min(p, p (h - level)/h), whole frames nearest to 2 c f/v."""
    for level in (-0.5, 0.0, 0.4):
        ask = {"jump_height": 0.9, "push_height": 0.35, "landing_level": level}
        depth = min(0.35, 0.35 * (0.9 - level) / 0.9)
        for keep in ("poses", "heights"):
            jump = plan(**ask, keep=keep)
            assert jump.absorb_height == pytest.approx(depth)
            wanted = 2 * depth * 24 / jump.landing_speed
            assert jump.frames.absorb == max(1, math.floor(wanted + 0.5))
            assert jump.absorb_factor == pytest.approx(jump.frames.absorb / wanted)
        true = plan(**ask)
        assert true.absorb_height == pytest.approx(
            true.landing_speed * true.frames.absorb / 48, rel=1e-14
        )
        assert true.absorb_factor == pytest.approx(1)
    legs = plan(jump_height=0.9, push_height=0.35, keep="heights", absorb_limit=0.1)
    assert legs.absorb_height == 0.1
    assert legs.absorb_force == pytest.approx(1 + 0.9 / 0.1)


def test_absorb_as_asked():
    jump = plan(jump_height=0.9, push_height=0.35, absorb_frames=7)
    assert jump.frames.absorb == 7
    assert jump.absorb_height == pytest.approx(jump.landing_speed * 7 / 48)
    kept = plan(jump_height=0.9, push_height=0.35, absorb_height=0.2, keep="heights")
    assert kept.absorb_height == 0.2
    both = plan(jump_height=0.9, push_height=0.35, absorb_height=0.2, absorb_frames=9, keep="poses")
    assert (both.absorb_height, both.frames.absorb) == (0.2, 9)
    with pytest.raises(leapwright.ClashError, match="absorb_height and absorb_frames"):
        plan(jump_height=0.9, push_height=0.35, absorb_height=0.2, absorb_frames=9)


def test_anticipation_and_recover():
    """max(10 frames at 24 fps, √(6 s/g)), to the nearest frame; 0 leaves the phase out."""
    for rate in (24, 30, 60):
        for start in (0.0, 0.5, 1.9):
            jump = plan(jump_height=1, push_height=0.4, start_height=start, frame_rate=rate)
            wanted = rate * max(10 / 24, math.sqrt(6 * start / G))
            assert jump.frames.anticipation == math.floor(wanted + 0.5)
    bare = plan(jump_height=1, push_height=0.4, anticipation_frames=0, recover_frames=0)
    assert (bare.moments.start, bare.moments.end) == (None, None)
    assert (bare.frames.anticipation, bare.frames.recover) == (0, 0)
    assert bare.moments.crouch == 1
    many = plan(jump_height=[1, 1], push_height=0.4, anticipation_frames=[0, 5])
    assert np.isnan(many.moments.start[0])
    assert many.moments.start[1] == 1


def test_foot_travel():
    """Foot travel = v (T + (push + absorb)/2): the speed is gained and lost linearly."""
    jump = plan(jump_height=0.9, push_height=0.35, foot_travel=2.0, heading=30)
    seconds = (jump.frames.air + (jump.frames.push + jump.frames.absorb) / 2) / 24
    assert jump.travel_speed * seconds == pytest.approx(2.0, rel=1e-14)
    assert jump.travel == pytest.approx(jump.travel_speed * jump.frames.air / 24)
    ends = jump.cog([jump.moments.crouch, jump.moments.low]).position
    way = ends[1] - ends[0]
    assert np.hypot(way[0], way[1]) == pytest.approx(2.0)
    assert math.degrees(math.atan2(way[1], way[0])) == pytest.approx(30)
    with pytest.raises(leapwright.ClashError, match="travel and foot_travel"):
        plan(jump_height=0.9, push_height=0.35, foot_travel=2.0, travel=2.0)


def test_foot_travel_with_posed_offsets():
    """In general: v T + COG ahead of the feet at take-off + COG behind them at land."""
    jump = plan(jump_height=0.9, push_height=0.35, foot_travel=2.0, cog_ahead=0.2, cog_behind=0.1)
    assert jump.travel_speed * jump.frames.air / 24 + 0.3 == pytest.approx(2.0, rel=1e-14)
    assert jump.foot_travel == pytest.approx(2.0)


def test_running_and_carrying_on():
    run = plan(jump_height=0.9, push_height=0.35, running=4.0)
    assert (run.frames.anticipation, run.moments.start, run.carry_on) == (0, None, True)
    assert run.moments.crouch == 1
    speed = run.cog(np.linspace(-5, run.moments.end + 5, 50)).velocity[:, 0]
    np.testing.assert_allclose(speed, 4.0, rtol=1e-13)
    stop = plan(jump_height=0.9, push_height=0.35, running=4.0, carry_on=False)
    assert stop.cog(stop.moments.land - 1e-6).velocity[0, 0] == pytest.approx(4)
    assert stop.cog([stop.moments.low, stop.moments.end]).velocity[:, 0] == pytest.approx([0, 0])
    clash = plan(jump_height=0.9, push_height=0.35, running=4.0, travel=9.0)
    assert any("needs" in text and "9 m" in text for text in clash.warnings)


def test_subframes_are_exactly_what_was_asked():
    jump = plan(jump_height=0.77, push_height=0.29, landing_level=0.31, subframes=True)
    assert (jump.jump_height, jump.push_height) == pytest.approx((0.77, 0.29), rel=1e-14)
    assert jump.frames == jump.subframes
    assert jump.frames.rise == pytest.approx(24 * math.sqrt(2 * 0.77 / G))
    assert jump.frames.fall == pytest.approx(24 * math.sqrt(2 * 0.46 / G))
    assert jump.frames.push == pytest.approx(24 * 2 * 0.29 / math.sqrt(2 * G * 0.77))
    assert jump.cog(jump.moments.land).position[0, 2] == pytest.approx(0.31)
    whole = plan(jump_height=0.77, push_height=0.29, landing_level=0.31)
    assert whole.subframes == jump.subframes
    third = plan(rise_frames=10.25, push_frames=3.5, subframes=True)
    assert (third.frames.rise, third.frames.push) == pytest.approx((10.25, 3.5))
    with pytest.raises(leapwright.ClashError, match="anticipation"):
        plan(rise_frames=9, push_frames=3, subframes=True, pins={"start": 10, "takeoff": 12})


def test_keep_says_what_gives():
    ask = {"jump_height": 0.8, "push_height": 0.3, "landing_level": 0.2}
    true, posed, kept = (plan(**ask, keep=keep) for keep in ("gravity", "poses", "heights"))
    assert (true.gravity, posed.gravity) == (G, G)
    assert true.push_factor == 1
    assert (posed.push_height, posed.landing_level) == (0.3, 0.2)
    assert (kept.jump_height, kept.push_height, kept.landing_level) == (0.8, 0.3, 0.2)
    exact = kept.subframes.air
    assert kept.gravity == pytest.approx(G * (exact / kept.frames.air) ** 2)
    for jump in (true, posed, kept):
        names = {change.what for change in jump.changes}
        given = {"jump_height_m": 0.8, "push_height_m": 0.3, "gravity_m_s2": G}
        got = (jump.jump_height, jump.push_height, jump.gravity)
        moved = {n for (n, a), b in zip(given.items(), got, strict=True) if abs(a - b) > 1e-9}
        assert names & set(given) == moved
        for change in jump.changes:
            assert change.percent == pytest.approx(100 * (change.got / change.asked - 1))


def flat(jump):
    """Every number of a jump or of many by name."""
    numbers = {}
    for field in dataclasses.fields(jump):
        value = getattr(jump, field.name)
        if field.name in ("frames", "subframes", "moments"):
            for part in dataclasses.fields(value):
                numbers[f"{field.name}.{part.name}"] = getattr(value, part.name)
        elif field.name not in ("asked", "changes", "alternatives", "warnings"):
            numbers[field.name] = value
    return numbers


@pytest.mark.parametrize("shape", [(1,), (40,), (5, 8), (2, 1, 20)])
@pytest.mark.parametrize("keep", ["gravity", "poses", "heights"])
def test_arrays_equal_the_loop(shape, keep):
    rng = np.random.default_rng([len(shape), *shape])
    height = rng.uniform(0.2, 2.5, shape)
    ask = {
        "jump_height": height,
        "push_height": height / rng.uniform(0.8, 6, shape),
        "landing_level": height * rng.choice([0.0, 0.3, -0.7, 0.9], shape),
        "foot_travel": rng.uniform(0, 3, shape),
        "anticipation_frames": 2 * rng.integers(0, 4, shape),
        "gravity": rng.choice([G, 3.7], shape),
    }
    ways = [{}, {"twos": True}, {"subframes": True}, {"running": 3.0}, {"pins": {"takeoff": 101}}]
    for way in ways:
        asked = {**ask, **way}
        if "running" in way:
            del asked["foot_travel"]
        many = flat(plan(**asked, keep=keep))
        for index in np.ndindex(shape):
            one = flat(
                plan(
                    **{k: v[index] if isinstance(v, np.ndarray) else v for k, v in asked.items()},
                    keep=keep,
                )
            )
            for name, value in one.items():
                got = many[name]
                got = got[index] if isinstance(got, np.ndarray) else got
                if value is None:
                    assert np.isnan(got), (name, index)
                else:
                    assert got == value, (name, index)


def test_whole_counts_are_integers():
    jumps = plan(jump_height=[0.5, 1.0], push_height=0.3)
    for name in ("push", "rise", "fall", "air", "absorb", "recover", "anticipation"):
        assert getattr(jumps.frames, name).dtype == np.int64
        assert type(getattr(plan(jump_height=1, push_height=0.3).frames, name)) is int


def test_many_jumps_pass_the_edges_of_chunks():
    height = np.linspace(0.3, 2.0, 45_000)
    jumps = plan(jump_height=height, push_height=0.3)
    for i in (0, 19_999, 20_000, 39_999, 40_000, 44_999):
        one = plan(jump_height=height[i], push_height=0.3)
        assert (jumps.frames.air[i], jumps.frames.push[i]) == (one.frames.air, one.frames.push)
        assert jumps.jump_height[i] == one.jump_height


@pytest.mark.parametrize("keep", ["gravity", "poses", "heights"])
@pytest.mark.parametrize("height", [1e-6, 1e-3, 1e4])
@pytest.mark.parametrize("big", [1e-2, 1.0, 1e3])
def test_tiny_and_huge(height, big, keep):
    jump = plan(jump_height=height, push_height=height / big, keep=keep)
    path = jump.path()
    assert np.all(np.isfinite(path.coefficients))
    assert jump.magnification == pytest.approx(jump.jump_height / jump.push_height)
    if keep == "heights":
        assert jump.jump_height == height


def test_rational_frame_rates():
    a = plan(jump_height=1, push_height=0.3, frame_rate="24000/1001")
    b = plan(jump_height=1, push_height=0.3, frame_rate=23.976)
    assert a.frame_rate.denominator == 1001
    assert a.jump_height == pytest.approx(b.jump_height, rel=1e-5)
    assert a.jump_height == pytest.approx(G * (a.frames.rise * 1001 / 24000) ** 2 / 2, rel=1e-14)
