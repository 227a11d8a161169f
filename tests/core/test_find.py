# SPDX-License-Identifier: GPL-3.0-or-later
"""Jumps are found by their feet or their COG, and measured back; nothing is invented."""

from __future__ import annotations

import time
from itertools import pairwise

import numpy as np
import pytest

from leapwright import plan
from leapwright.contacts import feet_of
from leapwright.errors import InputError
from leapwright.find import find, search
from leapwright.found import found_answer
from leapwright.style import Style, styled_air
from leapwright.track import Track

UP = np.array([0.0, 0.0, 1.0])
NAMES = ("crouch", "takeoff", "apex", "land", "low")


def random_plan(random, **more):
    height = float(np.exp(random.uniform(np.log(0.15), np.log(3))))
    asked = {
        "jump_height": height,
        "magnification": float(np.exp(random.uniform(np.log(0.6), np.log(6)))),
        "frame_rate": int(random.choice([24, 25, 30, 60])),
        "landing_level": float(random.uniform(-1, 0.5) * height) * (random.random() < 0.4),
        "crouch_hold_frames": int(random.integers(1, 6)) * (random.random() < 0.5),
        "travel": float(random.uniform(0, 3)),
        "heading": float(random.uniform(0, 360)),
        "pins": {"crouch": 40},
    }
    return plan(**{**asked, **more})


def span_of(jump):
    """First and last frame that the plan speaks of."""
    m = jump.moments
    start = m.crouch - jump.frames.crouch_hold if m.start is None else m.start
    return start, m.low if m.end is None else m.end


def track_of(jump, *, feet=True, noise=0.0, random=None, **more):
    """The plan on frames, the COG a metre up, and two soles that leave and come back with it."""
    m = jump.moments
    start, end = span_of(jump)
    t = np.arange(np.floor(start) - 8, np.ceil(end) + 9)
    cog = jump.cog(np.clip(t, start, end)).position + UP
    ends = jump.cog([m.takeoff, m.land]).position
    u = np.clip((t - m.takeoff) / (m.land - m.takeoff), 0, 1)[:, None]
    legs = np.concatenate([0 * u, 0 * u, 1 - 0.15 * np.sin(np.pi * u)], axis=-1)
    planted = np.where(t[:, None] < m.land, ends[0] * (1 - UP), ends[1])
    air = ((t > m.takeoff) & (t < m.land))[:, None]
    soles = np.stack(
        [np.where(air, cog - legs, planted) + np.array([0, d, 0]) for d in (-0.1, 0.1)]
    )
    if noise:
        cog = cog + random.normal(0, noise, cog.shape)
        soles = soles + random.normal(0, noise, soles.shape)
    return Track.of(
        cog, frames=t, frame_rate=jump.frame_rate, soles=soles if feet else None, **more
    )


def expected_of(jump):
    m = jump.moments
    apex = m.takeoff + jump.takeoff_speed / jump.gravity * float(jump.frame_rate)
    return np.array([m.crouch, m.takeoff, apex, m.land, m.low])


def moments_of(found):
    return np.array([getattr(found.moments, name) for name in NAMES])


@pytest.mark.parametrize("feet", [True, False])
def test_300_random_plans_are_measured_back(feet):
    random = np.random.default_rng(5)
    for _ in range(300):
        jump = random_plan(random)
        (found,) = find(track_of(jump, feet=feet))
        np.testing.assert_allclose(moments_of(found), expected_of(jump), atol=0.05)
        assert found.frames.crouch_hold == pytest.approx(jump.frames.crouch_hold, abs=0.05)
        h, g = found.heights, found.gravity
        assert [h.push, h.jump, h.fall, h.absorb] == pytest.approx(
            [jump.push_height, jump.jump_height, jump.fall_height, jump.absorb_height], rel=5e-3
        )
        assert [g.air, g.rise, g.fall] == pytest.approx([jump.gravity] * 3, rel=5e-3)
        assert found.travel == pytest.approx(jump.travel, rel=5e-3, abs=1e-6)
        assert found.magnification == pytest.approx(jump.magnification, rel=5e-3)
        assert found.push_force == pytest.approx(jump.push_force, rel=5e-3)
        assert not found.in_place


def test_noise_of_2_mm_moves_moments_by_less_than_a_quarter_frame():
    """Where the first frame of push and absorb moves the COG by at least five times the noise;
    elsewhere the uncertainty that is stated holds."""
    random = np.random.default_rng(6)
    clear, sharp, held, count = 0, 0, 0, 150
    for _ in range(count):
        jump = random_plan(random)
        (found,) = find(track_of(jump, noise=0.002, random=random))
        away = np.abs(moments_of(found) - expected_of(jump))
        bounds = [getattr(found.uncertainty, name) for name in NAMES]
        held += int(np.all(away <= np.maximum(bounds, 0.25)))
        first = min(
            jump.push_height / jump.frames.push**2, jump.absorb_height / jump.frames.absorb**2
        )
        if first >= 0.01:
            clear += 1
            sharp += int(np.all(away <= 0.25))
    assert clear >= 60
    assert sharp >= 0.97 * clear
    assert held >= 0.93 * count


def test_fractions_of_frames_are_found():
    random = np.random.default_rng(7)
    for _ in range(40):
        jump = random_plan(random, subframes=True, frame_rate=60, magnification=1.5)
        (found,) = find(track_of(jump, feet=False))
        np.testing.assert_allclose(moments_of(found), expected_of(jump), atol=0.1)


def chain(count, *, level=0.0):
    """Hops, one after the other: the low of each is the crouch of the next."""
    hop = plan(
        jump_height=0.5,
        push_height=0.25,
        absorb_height=0.25,
        travel=0.8,
        anticipation_frames=0,
        recover_frames=0,
        landing_level=level,
    )
    m = hop.moments
    piece = np.arange(m.crouch, m.low)
    cogs, flags = [], []
    for i in range(count):
        place = hop.cog(piece).position
        shift = hop.cog(m.low).position[0] - hop.cog(m.crouch).position[0]
        cogs.append(place + i * shift + UP)
        flags.append((piece <= m.takeoff) | (piece >= m.land))
    rest = np.repeat(cogs[-1][-1:], 12, axis=0)
    first = np.repeat(cogs[0][:1], 12, axis=0)
    cog = np.concatenate([first, *cogs, rest])
    on = np.concatenate([[True] * 12, *flags, [True] * 12])
    starts = 13 + (m.low - m.crouch) * np.arange(count)
    return Track.of(cog, contacts=on), hop, starts


@pytest.mark.parametrize("level", [0.0, 0.3, -0.2])
def test_hops_of_a_chain_share_their_moments(level):
    track, hop, starts = chain(4, level=level)
    jumps = find(track)
    assert len(jumps) == 4
    push, air = hop.frames.push, hop.frames.air
    for jump, start in zip(jumps, starts, strict=True):
        assert jump.moments.takeoff == pytest.approx(start + push, abs=0.05)
        assert jump.moments.land == pytest.approx(start + push + air, abs=0.05)
        assert jump.gravity.air == pytest.approx(hop.gravity, rel=5e-3)
    for here, there in pairwise(jumps):
        assert here.moments.low == there.moments.crouch
        assert there.shares_crouch


def test_a_running_leap_is_found():
    jump = plan(jump_height=0.6, push_height=0.2, running=4.0, travel=3.0, pins={"crouch": 20})
    (found,) = find(track_of(jump))
    np.testing.assert_allclose(moments_of(found), expected_of(jump), atol=0.05)
    assert found.travel == pytest.approx(jump.travel, rel=5e-3)


def ease(keys, values, t):
    i = np.clip(np.searchsorted(keys, t, side="right") - 1, 0, len(keys) - 2)
    u = np.clip((t - keys[i]) / (keys[i + 1] - keys[i]), 0, 1)
    return values[i] + (values[i + 1] - values[i]) * u * u * (3 - 2 * u)


def beginner(*, hops=4, crouch=0.65, top=1.2, legs=0.9, rise=8):
    """Keys at crouch, apex and low only, all eased; legs bend by their own eased angle."""
    frames, body, leg, way = [1, 12], [0.92, crouch], [0.92, crouch], [0.0, 0.0]
    for _ in range(hops):
        frames += [frames[-1] + rise, frames[-1] + 2 * rise]
        body += [top, crouch]
        leg += [legs, crouch]
        way += [way[-1] + 0.3, way[-1] + 0.6]
    keys = np.array([*frames, frames[-1] + 14], dtype=float)
    bend = np.arccos(np.array([*leg, 0.92]) / 0.92)

    def cog_and_sole(t):
        z = ease(keys, np.array([*body, 0.92]), t)
        x = ease(keys, np.array([*way, way[-1]]), t)
        sole = z - 0.92 * np.cos(ease(keys, bend, t))
        return np.stack([x, 0 * x, z], -1), np.stack([x, 0 * x, sole], -1)

    t = np.arange(1, keys[-1] + 1)
    cog, sole = cog_and_sole(t)
    fine = np.arange(1, keys[-1], 0.01)
    above = cog_and_sole(fine)[1][:, 2] > 1e-3
    change = np.diff(above.astype(int))
    leave, back = fine[:-1][change > 0], fine[1:][change < 0]
    return Track.of(cog, soles=sole, keys=keys), leave, back


@pytest.mark.parametrize("ground", [None, 0.0])
@pytest.mark.parametrize("legs", [0.9, 0.75])
@pytest.mark.parametrize(("top", "rise"), [(1.1, 8), (1.4, 9)])
def test_the_beginners_hops_are_found_with_their_contacts(top, rise, legs, ground):
    track, leave, back = beginner(top=top, rise=rise, legs=legs)
    jumps = find(track, ground=ground)
    assert len(jumps) == 4
    for jump in jumps:
        assert np.abs(leave - jump.takeoffs.contact).min() <= 1
        assert np.abs(back - jump.contact_land).min() <= 1
        assert jump.moments.apex == pytest.approx(jump.moments.crouch + rise, abs=0.5)


def in_place(kind):
    """The shape of a game's jumps: legs straighten, the feet are drawn up, the body hovers."""
    air = {"short": 14, "long": 48}[kind]
    t = np.arange(1.0, 30 + air)
    keys = np.array([1, 9, 13, 10 + air - 7, 10 + air - 1, 10 + air + 10])
    z = ease(keys, np.array([0.39, 0.27, 0.51, 0.51, 0.245, 0.39]), t)
    if kind == "long":
        z -= 0.065 * np.sin(np.pi * np.clip((t - 18) / 32, 0, 1)) ** 2
    lift = ease(np.array([9.0, 13, 10 + air - 6, 10 + air]), np.array([0, 0.13, 0.13, 0.0]), t)
    sole = np.stack([0 * t, 0 * t, lift], -1)
    return Track.of(z, frame_rate=30, soles=np.stack([sole, sole + np.array([0, 0.1, 0])]))


@pytest.mark.parametrize("kind", ["short", "long"])
def test_in_place_jumps_are_named(kind):
    (jump,) = find(in_place(kind))
    assert jump.in_place
    assert jump.takeoffs.contact == pytest.approx(9, abs=1)


@pytest.mark.parametrize("feet", [True, False])
def test_blocked_poses_are_measured_by_their_keys(feet):
    jump = plan(jump_height=0.8, push_height=0.3, travel=1.5, pins={"crouch": 20})
    m = jump.moments
    keys = np.array([1, m.start, m.crouch, m.takeoff, m.apex, m.land, m.low, m.end, m.end + 20])
    t = np.arange(1.0, keys[-1] + 1)
    pose = np.searchsorted(keys, t, side="right") - 1
    place = jump.cog(np.clip(keys, m.start, m.end)).position[pose] + UP
    on = (keys != m.apex)[pose][None] if feet else None
    (found,) = find(Track.of(place, frames=t, contacts=on, keys=keys, stepped=True))
    np.testing.assert_allclose(moments_of(found), expected_of(jump), atol=1e-6)
    assert found.heights.jump == pytest.approx(jump.jump_height, rel=1e-6)
    assert found.gravity.air == pytest.approx(jump.gravity, rel=1e-6)


def test_poses_held_on_twos_are_judged_on_their_grid():
    jump = plan(jump_height=1.0, push_height=0.35, travel=1.5, twos=True, pins={"crouch": 21})
    m = jump.moments
    t = np.arange(m.start - 10.0, m.end + 12)
    grid = 1 + 2 * np.floor((t - 1) / 2)
    place = jump.cog(np.clip(grid, m.start, m.end)).position
    on = (grid <= m.takeoff) | (grid >= m.land)
    (found,) = find(Track.of(place + UP, frames=t, contacts=on, stepped=True))
    np.testing.assert_allclose(moments_of(found), expected_of(jump), atol=0.05)
    assert found.gravity.air == pytest.approx(jump.gravity, rel=5e-3)


def test_a_hang_is_measured():
    air = styled_air(
        Style(fall=1.5, hang=4), jump_height=1.2, fall_height=1.2, air=1.25, hang=4 / 24
    )
    t = np.arange(1.0, 91)
    s = (t - 30) / 24
    v, w = air.path.velocity[[0, -1], 0]
    up, down = v**2 / 2 / 0.4, w**2 / 2 / 0.4
    crouch, low = -v / up, 1.25 - w / down
    before = np.where(s > crouch, v * s + up * s**2 / 2, -0.4)
    q = np.minimum(s, low) - 1.25
    z = np.where(
        s < 0, before, np.where(s > 1.25, w * q + down * q**2 / 2, air.path.at(s).position[:, 0])
    )
    (found,) = find(Track.of(z + 1, frames=t, contacts=(s <= 0) | (s >= 1.25)))
    assert found.hang == pytest.approx(4, abs=0.1)
    assert found.gravity.fall / found.gravity.rise == pytest.approx(1.5, rel=0.01)
    assert found.heights.jump == pytest.approx(1.2, rel=5e-3)


def test_a_step_off_a_ledge_has_no_push():
    t = np.arange(1.0, 60)
    z = np.where(t < 20, 2.0, np.maximum(2 - 9.8 * ((t - 20) / 24) ** 2 / 2, 1.0))
    (jump,) = find(Track.of(z, contacts=(t <= 20) | (z <= 1.0)))
    assert jump.magnification is None
    assert jump.push_force is None
    assert found_answer(jump)["magnification"] == {"heights": None, "timing": None}
    assert jump.heights.fall == pytest.approx(1.0)


def test_takeoff_says_how_far_its_definitions_are_apart():
    jump = plan(jump_height=0.8, push_height=0.35, pins={"takeoff": 30})
    (found,) = find(track_of(jump))
    spread = found_answer(found)["takeoff_definitions"]
    assert spread["used"] == "arc"
    assert spread["last_contact"] == 30
    assert spread["start_of_arc"] == pytest.approx(30, abs=0.05)
    assert spread["spread_frames"] == pytest.approx(found.takeoffs.frames)
    assert 0 < found.takeoffs.frames <= 1


@pytest.mark.parametrize(
    ("track", "reason"),
    [
        (Track.of([1.0]), "one frame cannot hold a jump"),
        (Track.of(np.ones(3)), "3 frames cannot"),
        (Track.of(np.ones(50)), "never goes up"),
        (Track.of(np.linspace(0, 5, 50)), "never goes up"),
        (Track.of(np.sin(np.arange(50.0)), soles=np.zeros((2, 50, 3))), "a foot is on the floor"),
        (Track.of(np.ones(50), contacts=np.zeros((1, 50))), "never on the floor"),
        (Track.of(np.ones(50), contacts=np.arange(50) < 30), "do not leave the floor and come"),
        (Track.of(np.ones(50), contacts=np.abs(np.arange(50) - 30) > 2), "more than a step"),
        (Track.of(np.r_[np.ones(30), np.full(40, 0.6), np.ones(30)]), "never goes up"),
    ],
)
def test_where_no_jump_is_none_is_found_and_why_is_said(track, reason):
    found = search(track)
    assert found.jumps == ()
    assert reason in found.reason


def test_walking_on_noise_is_no_jump():
    random = np.random.default_rng(8)
    t = np.arange(2000) / 24
    z = 1 + 0.03 * np.sin(2 * np.pi * t * 2) + random.normal(0, 0.002, len(t))
    assert find(Track.of(z)) == ()
    left, right = (np.maximum(0, 0.15 * np.sin(2 * np.pi * t + p)) for p in (0, np.pi))
    soles = np.stack([np.stack([t, 0 * t, h], -1) for h in (left, right)])
    soles += random.normal(0, 0.002, soles.shape)
    assert find(Track.of(z, soles=soles)) == ()


def test_any_numbers_are_answered():
    random = np.random.default_rng(9)
    for scale in (1e-12, 1e-3, 1.0, 1e9):
        for _ in range(5):
            cog = np.cumsum(random.normal(0, scale, (300, 3)), axis=0)
            soles = np.cumsum(random.normal(0, scale, (3, 300, 3)), axis=1)
            for jump in find(Track.of(cog, soles=soles)) + find(Track.of(cog)):
                assert np.all(np.isfinite(moments_of(jump)))
                assert np.all(np.diff(moments_of(jump)) >= 0)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"gravity": -9.8}, "gravity must be above 0"),
        ({"gravity": "nowhere"}, "gravity"),
        ({"gravity": np.nan}, "gravity must be finite"),
        ({"least_height": 0}, "least_height"),
        ({"ground": np.nan}, "ground"),
        ({"ground": np.ones(7)}, "ground must fit"),
    ],
)
def test_what_is_asked_is_checked(asked, words):
    with pytest.raises(InputError, match=words):
        find(Track.of(np.ones(50), soles=np.zeros((1, 50, 3))), **asked)


def test_upside_down_is_no_jump():
    jump = plan(jump_height=0.8, push_height=0.3, pins={"crouch": 20})
    track = track_of(jump)
    flags = (track.frames <= jump.moments.takeoff) | (track.frames >= jump.moments.land)
    found = search(Track.of(-track.cog, frames=track.frames, contacts=flags))
    assert found.jumps == ()
    assert "step" in found.reason


def test_100_000_frames_take_seconds():
    random = np.random.default_rng(10)
    jump = plan(jump_height=0.8, push_height=0.3, pins={"crouch": 20})
    piece = jump.cog(np.arange(1, 61)).position[:, 2]
    rest = np.full(100_000 - 60 * 100, piece[-1])
    z = np.r_[np.tile(piece, 100), rest] + random.normal(0, 1e-4, 100_000)
    start = time.perf_counter()
    assert len(find(Track.of(z))) == 100
    assert time.perf_counter() - start < 20


def test_feet_and_ground_agree_on_a_plan():
    jump = plan(jump_height=0.8, push_height=0.3, pins={"crouch": 20})
    track = track_of(jump)
    here, there = feet_of(track), feet_of(track, ground=0.0)
    assert np.array_equal(here.on, there.on)
    assert here.clear[0].last == there.clear[0].last
