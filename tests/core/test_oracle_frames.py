# SPDX-License-Identifier: GPL-3.0-or-later
"""The whole-frame answers against brute force over every pair of counts in a wide window.

Nothing here is shared with the core: the formulas are written again, in plain loops over cases
and one table of all counts for each.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

import leapwright

G = 9.80665
KEEPS = ("gravity", "poses", "heights")
TIE = 1e-12


def exact_of(ask):
    """(h, p, level, M, N0, r0, m0) of an ask, by the textbook's formulas."""
    g, fps, level = ask["gravity"], ask["frame_rate"], ask["landing_level"]
    if "jump_height" in ask:
        h = ask["jump_height"]
    elif "rise_frames" in ask:
        h = 0.5 * g * (ask["rise_frames"] / fps) ** 2
    elif "air_frames" in ask:
        t = ask["air_frames"] / fps
        h = ((level + 0.5 * g * t * t) / t) ** 2 / (2 * g)
    else:
        h = ask["takeoff_speed"] ** 2 / (2 * g)
    v = math.sqrt(2 * g * h)
    if "push_height" in ask:
        p = ask["push_height"]
    elif "magnification" in ask:
        p = h / ask["magnification"]
    else:
        p = v * ask["push_frames"] / fps / 2
    n0 = fps * (v / g + math.sqrt(2 * (h - level) / g))
    return h, p, level, h / p, n0, fps * v / g, fps * 2 * p / v


def brute(ask, fixed, *, first=6, room=0):
    """The first answers as (air, push, apex key): level ones with a whole apex before the odd."""
    g, fps, keep = ask["gravity"], ask["frame_rate"], ask["keep"]
    step = 2 if ask["twos"] else 1
    h, p, level, big, n0, r0, m0 = exact_of(ask)
    # The window of the design, room for the rest of a list, and for what is fixed outside it.
    most_air = max(4 * n0 + 8 + room, *(2 * x for x in fixed.values()), 0)
    most_push = max(4 * m0 + 8 + room, *fixed.values(), 0)
    air = np.arange(2 * step, most_air + 1e-9, step)[:, None]
    push = np.arange(step, most_push + 1e-9, step)[None, :]
    t = air / fps
    if keep == "heights":
        got_g = g * (n0 / air) ** 2
        rise = r0 * air / n0
        costs = np.log(got_g / g) ** 2 + np.log(rise / push / big) ** 2
        fine = np.ones_like(costs, dtype=bool)
    else:
        v = (level + g * t * t / 2) / t
        fine = (v > 0) & (v < g * t)
        v = np.where(fine, v, 1.0)
        rise = v / g * fps
        first_part = np.log(v * v / (2 * g) / h) ** 2
        if keep == "gravity":
            costs = first_part + np.log(rise / push / big) ** 2
        else:
            costs = first_part + np.log(v * (push / fps) / (2 * p)) ** 2
    is_level = abs(level) <= 0.01 * h
    top = air / 2 if is_level else rise
    grid = np.arange(step, most_air + 2 * step, step)
    # Nearest grid frame inside the air, the earlier of two at one distance.
    far = np.abs(grid[None, :] - top) + np.where(grid[None, :] <= air - step, 0, np.inf)
    least = far.min(axis=1, keepdims=True)
    key = grid[(far <= least + 1e-9).argmax(axis=1)][:, None]
    counts = {
        "push": push,
        "air": air,
        "rise": key,
        "fall": air - key,
        "push_rise": push + key,
        "push_air": push + air,
    }
    for name, wanted in fixed.items():
        fine = fine & (counts[name] == wanted)
    odd = np.full(costs.shape, is_level) & (air % (2 * step) != 0)
    answers = []
    for wanted in (False, True):
        left = np.where(np.broadcast_to(fine, costs.shape) & (odd == wanted), costs, np.inf)
        for _ in range(first):
            low = left.min() if left.size else np.inf
            if not np.isfinite(low):
                break
            # The earliest row is the fewest air frames, the earliest column the fewest of push.
            i, j = np.argwhere(left <= low + TIE)[0]
            answers.append((int(air[i, 0]), int(push[0, j]), int(key[i, 0]), wanted))
            left[i, j] = np.inf
    return answers


def random_ask(rng, keep, *, twos):
    """An ask with random measures, level or not, sometimes almost as high as can be reached."""
    step = 2 if twos else 1
    fps = float(rng.choice([12, 15, 24, 25, 30, 48, 60, rng.integers(12, 61)]))
    gravity = float(rng.choice([G, G, 3.7, 23.1]))
    ask = {"keep": keep, "twos": twos, "frame_rate": fps, "gravity": gravity, "landing_level": 0.0}
    h = float(10 ** rng.uniform(-1.3, 0.5))
    big = float(10 ** rng.uniform(-0.3, 1.2))
    speed = math.sqrt(2 * gravity * h)
    rise = max(1, round(fps * speed / gravity / step)) * step
    kind = rng.choice(["jump_height", "rise_frames", "air_frames", "takeoff_speed"])
    if kind == "jump_height":
        ask[kind] = h
    elif kind == "takeoff_speed":
        ask[kind] = speed
    else:
        ask[kind] = rise if kind == "rise_frames" else 2 * rise + step * int(rng.integers(0, 2))
        h = 0.5 * gravity * (rise / fps) ** 2
    share = float(
        rng.choice([0.0, 0.0, 0.009, rng.uniform(-3, 0.95), rng.uniform(-0.2, 0.2), 0.99, 0.9999])
    )
    if kind == "air_frames":
        # What can be reached in a given time is level = g T²/2 up or down.
        t = ask["air_frames"] / fps
        ask["landing_level"] = (
            float(rng.choice([0.0, rng.uniform(-0.95, 0.95)])) * gravity * t * t / 2
        )
    else:
        ask["landing_level"] = share * h
    which = (
        "push_height"
        if keep == "poses"
        else rng.choice(["push_height", "push_frames", "magnification"])
    )
    if which == "push_height":
        ask[which] = h / big
    elif which == "magnification":
        ask[which] = big
    else:
        ask[which] = int(max(1, round(rise / big / step))) * step
    return ask


def typed(ask):
    names = {"rise_frames": "rise", "air_frames": "air", "push_frames": "push"}
    return {short: ask[name] for name, short in names.items() if name in ask}


def given(jump):
    """(air, push with its hold, apex key) of every alternative."""
    return [
        (a.frames.air, a.frames.push + a.frames.crouch_hold, a.frames.rise)
        for a in jump.alternatives
    ]


@pytest.mark.parametrize("keep", KEEPS)
def test_the_first_answer_is_that_of_brute_force(keep):
    """Five hundred random asks, on ones and twos, over the design's window."""
    rng = np.random.default_rng([17, KEEPS.index(keep)])
    solved = 0
    for i in range(500):
        ask = random_ask(rng, keep, twos=i % 2 == 1)
        wanted = brute(ask, typed(ask), first=1)
        if not wanted:
            with pytest.raises(leapwright.ClashError):
                leapwright.plan(**ask)
            continue
        solved += 1
        jump = leapwright.plan(**ask)
        assert given(jump)[0] == wanted[0][:3], ask
        assert (jump.frames.air, jump.frames.rise) == (wanted[0][0], wanted[0][2])
        assert jump.frames == jump.alternatives[0].frames
    assert solved > 450


@pytest.mark.parametrize("keep", KEEPS)
def test_the_list_of_answers_is_that_of_brute_force(keep):
    rng = np.random.default_rng([18, KEEPS.index(keep)])
    solved = 0
    for i in range(100):
        ask = random_ask(rng, keep, twos=i % 2 == 1)
        wanted = brute(ask, typed(ask), room=40)
        if not wanted:
            with pytest.raises(leapwright.ClashError):
                leapwright.plan(**ask)
            continue
        solved += 1
        jump = leapwright.plan(**ask)
        got = given(jump)
        assert got[0] == wanted[0][:3], ask
        even = [answer[:3] for answer in wanted if not answer[3]]
        assert got[: len(even)] == even, ask
        assert (jump.frames.air, jump.frames.rise) == (got[0][0], got[0][2])
        between = ["top between frames" in a.words for a in jump.alternatives]
        assert between == [False] * len(even) + [True] * (len(got) - len(even)), ask
    assert solved > 90


def test_a_posed_push_beside_typed_frames_keeps_both():
    ask = {"keep": "poses", "twos": False, "frame_rate": 24.0, "gravity": G, "landing_level": 0.3}
    ask |= {"jump_height": 0.9, "push_height": 0.35}
    for frames in range(2, 6):
        jump = leapwright.plan(**ask, push_frames=frames)
        assert given(jump)[0] == brute(ask, {"push": frames})[0][:3]
        assert jump.push_height == 0.35
        assert jump.frames.push == frames


PAIRS = {
    ("crouch", "takeoff"): "push",
    ("takeoff", "land"): "air",
    ("crouch", "land"): "push_air",
    ("takeoff", "apex"): "rise",
    ("apex", "land"): "fall",
    ("crouch", "apex"): "push_rise",
}


@pytest.mark.parametrize("keep", KEEPS)
@pytest.mark.parametrize("pair", PAIRS, ids=[f"{a}-{b}" for a, b in PAIRS])
def test_two_pins_fix_the_frames_between_them(keep, pair):
    rng = np.random.default_rng([list(PAIRS).index(pair), KEEPS.index(keep)])
    solved = 0
    for _ in range(40):
        twos = bool(rng.integers(0, 2))
        step = 2 if twos else 1
        ask = {"keep": keep, "twos": twos, "frame_rate": 24.0, "gravity": G}
        h = float(10 ** rng.uniform(-0.7, 0.8))
        level = float(rng.choice([0.0, rng.uniform(-1.5, 0.9)]) * h)
        ask |= {"jump_height": h, "landing_level": level, "push_height": h / rng.uniform(0.7, 6)}
        _, _, _, _, n0, r0, m0 = exact_of(ask)
        near = {"push": m0, "air": n0, "rise": r0, "fall": n0 - r0}
        near |= {"push_air": m0 + n0, "push_rise": m0 + r0}
        count = PAIRS[pair]
        least = {"air": 2, "push_air": 3, "push_rise": 2}.get(count, 1)
        frames = step * max(least, round(near[count] * rng.uniform(0.6, 1.6) / step))
        first = 101 + step * int(rng.integers(0, 9))
        pins = {pair[0]: first, pair[1]: first + frames}
        wanted = brute(ask, {count: frames})
        if not wanted:
            kind = leapwright.ReachError if count == "air" else leapwright.ClashError
            with pytest.raises(kind, match="pins"):
                leapwright.plan(**ask, pins=pins)
            continue
        jump = leapwright.plan(**ask, pins=pins)
        solved += 1
        even = [answer[:3] for answer in wanted if not answer[3]]
        assert given(jump)[0] == wanted[0][:3], (ask, pins)
        assert given(jump)[: len(even)] == even, (ask, pins)
        if jump.frames.crouch_hold == 0:
            assert getattr(jump.moments, pair[0]) == pins[pair[0]]
        if not (pair[1] == "apex" and jump.frames.air % 2):
            assert getattr(jump.moments, pair[1]) == pins[pair[1]]
    assert solved > 20


def test_pins_stand_for_measures():
    """Take-off and land pinned say the air, crouch and take-off the push."""
    pins = {"crouch": 90, "takeoff": 95, "land": 115}
    jump = leapwright.plan(pins=pins)
    assert (jump.frames.push, jump.frames.air) == (5, 20)
    assert jump.jump_height == pytest.approx(G * (10 / 24) ** 2 / 2, rel=1e-14)
    assert jump.magnification == pytest.approx(2)
    same = leapwright.plan(push_frames=5, pins={"crouch": 90, "land": 115})
    assert same.frames == jump.frames
    assert same.moments == jump.moments
