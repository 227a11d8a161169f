# SPDX-License-Identifier: GPL-3.0-or-later
"""Curves through a map of time: the shape kept, or tidy keys and a true largest miss."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from leapwright.curves import (
    Channel,
    Curves,
    Handle,
    Interpolation,
    Kind,
    channel,
    concat,
    identical,
)
from leapwright.errors import InputError
from leapwright.playback import evaluate
from leapwright.shape import Miss, largest_miss
from leapwright.timemap import TimeMap
from leapwright.warp import warp

G = 9.80665
LANDING = TimeMap.of([23, 35, 51, 55, 67], [23, 35, 47, 50, 67])
BEAT = TimeMap.of([38, 41, 65], [40, 42, 58])


def random_curve(rng: np.random.Generator, *, first: int = 0, modes: int = 3) -> Curves:
    """One channel of 2 to 25 keys over 120 frames, anything mixed."""
    count = int(rng.integers(2, 25))
    frame = first + np.sort(rng.choice(120, count, replace=False)) + rng.choice([0.0, 0.25], count)
    value, size = rng.normal(0, 1, count) * rng.uniform(0.1, 30), np.r_[np.diff(frame), 5.0]
    before = np.r_[5.0, size[:-1]]
    out, up = rng.uniform(0, 1.1, (2, count)), rng.normal(0, 1, (2, count))
    return Curves.checked(
        [Channel("c", 0)], [0, count], frame, value,
        left=np.stack([frame - before * out[0], value + up[0]], -1),
        right=np.stack([frame + size * out[1], value + up[1]], -1),
        interpolation=rng.integers(0, modes, count),
        left_type=rng.integers(0, 5, count),
        right_type=rng.integers(0, 5, count),
        kind=rng.integers(0, 6, count),
        easing=rng.integers(0, 4, count),
        period=rng.uniform(1, 9, count),
    )  # fmt: skip


def random_map(rng: np.random.Generator, *, first: int = 0) -> TimeMap:
    gaps = rng.integers(1, 30, rng.integers(1, 5))
    stretch = rng.uniform(0.34, 3, gaps.size)
    whole = np.maximum(1, np.round(gaps * stretch))
    start = first + rng.integers(0, 60)
    return TimeMap.of(np.r_[start, start + np.cumsum(gaps)], np.r_[start, start + np.cumsum(whole)])


def shape_miss(before: Curves, after: Curves, m: TimeMap, first: int = 0) -> float:
    """Largest difference over the range, of corresponding frames; what four
    single-precision steps of time are worth aside."""
    x = np.setdiff1d(np.linspace(first - 20, first + 160, 2500), before.frame)
    y = m.apply(x)
    step = 4 * np.spacing(np.float32(first + 256)).astype(float)
    was, now = evaluate(before, x), evaluate(after, y)
    slack = np.abs(evaluate(before, x + step) - evaluate(before, x - step))
    slack += np.abs(evaluate(after, y + step) - evaluate(after, y - step))
    return float((np.abs(was - now) - slack).max() / np.ptp(before.value.astype(float)))


# Exact


@pytest.mark.parametrize("first", [0, 1000])
@pytest.mark.parametrize("seed", range(150))
def test_exact_keeps_every_shape(seed: int, first: int) -> None:
    rng = np.random.default_rng([seed, first])
    # Every third with easings too: all but the elastic one, which is not split.
    modes = 13 if seed % 3 == 0 else 3
    curve, m = random_curve(rng, first=first, modes=modes), random_map(rng, first=first)
    plain = np.where(curve.interpolation == Interpolation.ELASTIC, 2, curve.interpolation)
    curve = replace(curve, interpolation=plain.astype(np.int32))
    got = warp(curve, m, exact=True)
    assert shape_miss(curve, got.curves, m, first) <= 1e-4
    assert got.unsplit == got.merged == ()
    if not got.softened:
        assert np.count_nonzero(got.split) <= 2 * m.bends().size


def test_back_again() -> None:
    joined = 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        curve, k = fitting(random_curve(rng)), rng.uniform(0.5, 2.5)
        knots = np.cumsum(rng.integers(4, 25, 3)) + 20.0
        m = TimeMap.of(knots, knots[0] + (knots - knots[0]) / k)
        there = warp(curve, m, exact=True, subframes=True)
        back = warp(there.curves, m.inverse(), exact=True, subframes=True)
        assert back.curves.starts[-1] == curve.starts[-1]
        assert len(back.joined) == np.count_nonzero(there.split)
        joined += len(back.joined)
        assert np.abs(back.curves.frame - curve.frame).max() <= 1e-4
        assert np.array_equal(back.curves.value, curve.value)
        for side in ("left", "right"):
            miss = np.abs(getattr(back.curves, side) - getattr(curve, side)).max(axis=0)
            assert miss[0] <= 1e-4
            assert miss[1] <= 1e-5 * np.ptp(curve.value)
    assert joined > 50


def fitting(curve: Curves) -> Curves:
    """The curve without breakdowns, its handles a tenth to a half of their interval."""
    rng = np.random.default_rng(len(curve.frame))
    gap = np.diff(curve.frame.astype(float))
    before, after = np.r_[5, gap], np.r_[gap, 5]
    reach = rng.uniform(0.1, 0.5, (2, len(curve.frame)))
    frame, value = curve.frame.astype(float), curve.value.astype(float)
    return Curves.checked(
        curve.channels, curve.starts, frame, value,
        left=np.stack([frame - reach[0] * before, value + rng.normal(0, 1, len(frame))], -1),
        right=np.stack([frame + reach[1] * after, value + rng.normal(0, 1, len(frame))], -1),
        interpolation=np.where(curve.interpolation == 2, 2, 1),
        kind=Kind.EXTREME,
    )  # fmt: skip


def test_a_channel_among_many_is_as_alone() -> None:
    rng = np.random.default_rng(4)
    ones = [renamed(random_curve(rng), f"c{i}") for i in range(30)]
    m = random_map(rng)
    for options in ({"exact": True}, {"exact": True, "subframes": True}, {"subframes": True}):
        together = warp(concat(ones), m, **options).curves
        for i, one in enumerate(ones):
            assert identical(channel(together, i), warp(one, m, **options).curves)


def renamed(curve: Curves, path: str) -> Curves:
    arrays = {
        n: getattr(curve, n)
        for n in ("left", "right", "interpolation", "left_type", "right_type", "kind", "period")
    }
    return Curves.checked([Channel(path, 0)], curve.starts, curve.frame, curve.value, **arrays)


def one(frames: list[float], values: list[float], path: str = "c", **others: object) -> Curves:
    return Curves.checked([Channel(path, 0)], [0, len(frames)], frames, values, **others)


# Tidy


@pytest.mark.parametrize("seed", range(60))
def test_tidy_keys_are_whole_and_keep_their_values(seed: int) -> None:
    rng = np.random.default_rng(seed)
    curves = concat([renamed(random_curve(rng), f"c{i}") for i in range(6)])
    m = random_map(rng)
    got = warp(curves, m)
    made = got.curves
    assert not got.split.any()
    assert len(made.frame) + len(got.merged) == len(curves.frame)
    first, last = m.reach
    for c in range(6):
        was, now = channel(curves, c), channel(made, c)
        away = {f for label, _, f in got.merged if label == was.channels[0].label}
        kept = ~np.isin(was.frame, sorted(away))
        assert np.array_equal(now.value, was.value[kept])
        assert np.array_equal(now.interpolation, was.interpolation[kept])
        inside = (was.frame[kept] > first) & (was.frame[kept] < last)
        rigid = m.slope(was.frame[kept], "before") == m.slope(was.frame[kept], "after")
        rigid &= m.slope(was.frame[kept]) == 1
        assert (now.frame[inside & ~rigid] % 1 == 0).all()
        off = np.abs(now.frame - m.apply(was.frame[kept]))
        # Half a frame; the second key of a pair as much more as the map stretches a frame, and
        # again where pairs of several channels share a frame.
        assert off.max(initial=0) <= 0.5 + 2 * 2 + 1e-4
    # A frame goes to one frame, on every channel.
    pairs = {}
    for c in range(6):
        was, now = channel(curves, c), channel(made, c)
        away = {f for label, _, f in got.merged if label == was.channels[0].label}
        for a, b in zip(was.frame[~np.isin(was.frame, sorted(away))], now.frame, strict=True):
            assert pairs.setdefault(float(a), float(b)) == b


@pytest.mark.parametrize("options", [{}, {"subframes": True}, {"exact": True}])
def test_keys_outside_the_reach_keep_every_byte(options: dict[str, bool]) -> None:
    for seed in range(40):
        rng = np.random.default_rng(seed)
        curve = random_curve(rng)
        got = warp(curve, LANDING, **options)
        made, (first, last) = got.curves, LANDING.reach
        following = np.r_[curve.frame[1:], np.inf]
        leading = np.r_[-np.inf, curve.frame[:-1]]
        head, tail = np.count_nonzero(following <= first), np.count_nonzero(leading >= last)
        for name in ("frame", "value", "left", "right", "left_type", "right_type", "kind"):
            was, now = getattr(curve, name), getattr(made, name)
            assert np.array_equal(was[:head], now[:head])
            assert not tail or np.array_equal(was[-tail:], now[-tail:])
        assert not got.changed[:head].any()
        assert not tail or not got.changed[-tail:].any()


def test_a_floaty_landing_of_a_satchel_and_a_switch() -> None:
    satchel = one([30, 51, 60], [0, 1, 0], "satchel")
    switch = one([20, 41, 42, 60], [0, 0, 1, 1], "switch", interpolation=Interpolation.CONSTANT)
    counter = one([20, 41, 42, 60], [3, 4, 9, 7], "counter")
    z = 1.2258
    t = 12 * z / 6
    cog = one(
        [23, 35, 51, 55], [0, z, 0, -0.3], "cog",
        left=[[22, 0], [31, z], [45.6667, 2 * z / 3], [53.6667, -0.3]],
        right=[[27, 4 * t / 12], [40.3333, z], [52.3333, -0.2], [60, -0.3]],
        left_type=Handle.ALIGNED, right_type=Handle.ALIGNED,
    )  # fmt: skip
    curves = concat([satchel, switch, counter, cog])
    got = warp(curves, LANDING, physics=[3], air=(23, 51), moments={35: 35})
    frames = [channel(got.curves, i).frame.tolist() for i in range(4)]
    assert frames == [[30, 47, 57], [20, 39, 40, 57], [20, 39, 40, 57], [23, 35, 47, 50]]
    assert got.merged == ()
    made = channel(got.curves, 3)
    # The apex key changes only its right handle.
    assert np.array_equal(made.left[1], cog.left[1])
    assert made.right[1, 0] == pytest.approx(39)
    assert made.right[1, 1] == np.float32(z)
    fall = evaluate(made, np.arange(35, 48))[0]
    np.testing.assert_allclose(np.diff(fall, 2), -2 * z / 144, atol=2e-6)
    assert fall[-2] == pytest.approx(0.1958, abs=1e-4)


def parabola(first: float, last: float, inner: list[float], height: float = 1.2) -> Curves:
    """A jump with exact handles on the given frames between take-off and land."""
    from leapwright.path import handles_at_thirds

    frames = np.array([first, *inner, last])
    u = (frames - first) / (last - first)
    key, left, right = handles_at_thirds(
        frames, 4 * height * u * (1 - u), 4 * height * (1 - 2 * u) / (last - first)
    )
    return one(
        key[:, 0], key[:, 1], "cog", left=left, right=right,
        left_type=Handle.ALIGNED, right_type=Handle.ALIGNED, kind=Kind.EXTREME,
    )  # fmt: skip


@pytest.mark.parametrize("after", [9, 13, 16, 17, 31])
def test_air_keys_of_the_cog_stay_on_the_arc(after: int) -> None:
    cog = parabola(41, 65, [44, 47, 53, 60, 62])
    m = TimeMap.of([41, 65], [41, 41 + after])
    got = warp(cog, m, physics=[True], air=(41, 65))
    made = got.curves
    assert (made.frame % 1 == 0).all()
    assert len(made.frame) + len(got.merged) == 7
    frames = np.linspace(41, 41 + after, 97)
    u = (frames - 41) / after
    np.testing.assert_allclose(evaluate(made, frames)[0], 4.8 * u * (1 - u), atol=5e-6)
    limb = warp(cog, m).curves
    assert set(limb.value) <= set(cog.value)
    if after == 16:
        assert made.frame.tolist() == [41, 43, 45, 49, 54, 55, 57]
        assert (made.kind == Kind.EXTREME).all()
        assert not got.split.any()
        assert got.moved == 6


def test_physics_channels_are_split_at_bends_where_they_have_no_key() -> None:
    whole = one([20, 80], [0, 4], "cog", right=[[40, 3], [90, 4]], left=[[10, 0], [60, 1]])
    got = warp(whole, BEAT, physics=[0], air=(41, 65))
    assert got.curves.frame.tolist() == [22, 40, 58, 73]
    assert got.split.tolist() == [False, True, True, False]
    assert shape_miss(whole, got.curves, BEAT) <= 1e-6
    assert warp(whole, BEAT).curves.frame.tolist() == [22, 73]


def test_two_keys_on_one_frame_keep_the_moments() -> None:
    squeeze = TimeMap.of([10, 20, 40], [10, 14, 34])
    got = warp(one([10, 18, 20, 40], [0, 5, 6, 1]), squeeze, moments={18: 13})
    assert got.merged == ()
    close = one([10, 19, 20, 22, 40], [0, 5, 6, 7, 1])
    got = warp(close, squeeze)
    # 19 | 20 would be a pair: land leads, its neighbour stays beside it.
    assert got.curves.frame.tolist() == [10, 13, 14, 16, 34]
    crowd = one([10, 12, 13, 14, 20], [0, 1, 2, 3, 9], kind=[0, 2, 0, 0, 0])
    got = warp(crowd, TimeMap.of([10, 20], [10, 12]))
    assert got.curves.frame.tolist() == [10, 11, 12]
    # 12, 13 and 14 are to be 10.4, 10.6 and 10.8: the first gives way to take-off.
    assert [tuple(m) for m in got.merged] == [("c[0]", 10, 12), ("c[0]", 14, 13)] or [
        tuple(m) for m in got.merged
    ] == [("c[0]", 10, 12), ("c[0]", 13, 14)]


def test_handle_types() -> None:
    frames, values = [0, 10, 20, 30, 40, 50], [0, 2, 3, 1, 0, 0]
    flat = {
        "left": [[f - 3, v] for f, v in zip(frames, values, strict=True)],
        "right": [[f + 3, v] for f, v in zip(frames, values, strict=True)],
    }
    steep = {
        "left": [[f - 3, v - 1] for f, v in zip(frames, values, strict=True)],
        "right": [[f + 3, v + 1] for f, v in zip(frames, values, strict=True)],
    }
    m = TimeMap.of([10, 30], [10, 20])

    def types(kind: Handle, handles: dict[str, object]) -> list[list[int]]:
        got = warp(one(frames, values, left_type=kind, right_type=kind, **handles), m).curves
        return np.stack([got.left_type, got.right_type], -1).tolist()

    aligned, free, auto = [Handle.ALIGNED] * 2, [Handle.FREE] * 2, [Handle.AUTO] * 2
    vector = [Handle.VECTOR] * 2
    assert types(Handle.ALIGNED, flat) == [aligned] * 6
    assert types(Handle.ALIGNED, steep) == [aligned, free, aligned, free, aligned, aligned]
    assert types(Handle.AUTO, flat) == [auto, aligned, auto, aligned, auto, auto]
    assert types(Handle.AUTO, steep) == [auto, free, auto, free, auto, auto]
    assert types(Handle.VECTOR, steep) == [vector] * 6
    assert types(Handle.FREE, steep) == [free] * 6


def test_rounding_alone_breaks_no_aligned_handles() -> None:
    rng = np.random.default_rng(1)
    frame = np.cumsum(rng.integers(2, 9, 20)).astype(float)
    value, slope = rng.normal(0, 1, 20), rng.normal(0, 0.3, 20)
    before, after = rng.uniform(0.5, 2, (2, 20))
    curve = one(
        frame, value, left=np.stack([frame - before, value - slope * before], -1),
        right=np.stack([frame + after, value + slope * after], -1),
        left_type=Handle.ALIGNED, right_type=Handle.ALIGNED,
    )  # fmt: skip
    end = frame[-1] + 5
    got = warp(curve, TimeMap.of([frame[0], end], [frame[0], frame[0] + 1.37 * (end - frame[0])]))
    made = got.curves
    assert (made.left_type[1:] == Handle.ALIGNED).all()
    assert (made.right_type[1:] == Handle.ALIGNED).all()
    # The host turns a long handle beside a short one by what rounding makes of it.
    assert np.count_nonzero(got.fixed) >= 15
    out = made.right - np.stack([made.frame, made.value], -1)
    np.testing.assert_allclose((out[:, 1] / out[:, 0])[1:], slope[1:] / 1.37, atol=1e-4)


def test_the_period_of_an_elastic_segment_is_in_frames() -> None:
    bounce = one(
        [40, 60], [0, 1], interpolation=Interpolation.ELASTIC, period=4, amplitude=2, easing=2
    )
    m = TimeMap.of([38, 65], [38, 56])
    got = warp(bounce, m, exact=True)
    assert got.curves.period[0] == pytest.approx(4 * 2 / 3)
    assert shape_miss(bounce, got.curves, m) <= 1e-6


@pytest.mark.parametrize("easing", [i for i in Interpolation if i > Interpolation.BEZIER])
def test_easings_outside_bends_keep_their_shape(easing: Interpolation) -> None:
    curve = one([0, 41, 60, 90], [0, 4, 1, 2], interpolation=[easing, easing, easing, 0])
    got = warp(curve, TimeMap.of([41, 60], [41, 50]), exact=True)
    assert shape_miss(curve, got.curves, TimeMap.of([41, 60], [41, 50])) <= 1e-6
    assert got.unsplit == ()
    got = warp(curve, TimeMap.of([41, 70], [41, 50]), exact=True)
    if easing == Interpolation.ELASTIC:
        assert got.unsplit == (("c[0]", 60),)
        assert not got.split.any()
    else:
        assert got.softened == (("c[0]", 60),)
        assert shape_miss(curve, got.curves, TimeMap.of([41, 70], [41, 50])) <= 1e-4
    tidy = warp(curve, TimeMap.of([41, 70], [41, 50]), physics=[0])
    assert tidy.unsplit == (("c[0]", 60),)


# The largest miss


@pytest.mark.parametrize("seed", range(12))
def test_the_stated_miss_is_the_true_one(seed: int) -> None:
    rng = np.random.default_rng(seed)
    curves = concat([renamed(random_curve(rng), f"c{i}") for i in range(80)])
    m = random_map(rng)
    got = warp(curves, m)
    said = largest_miss(curves, got.curves, m)
    worst = (0.0, "")
    frames = np.arange(np.floor(m.apply(-20)), m.apply(150), 0.5)
    for i in range(80):
        was, now = channel(curves, i), channel(got.curves, i)
        x = m.invert(frames)
        miss = np.abs(evaluate(was, x) - evaluate(now, frames))[0]
        for curve, at in ((was, x), (now, frames)):
            key = np.maximum(0, np.searchsorted(curve.frame, at, side="right") - 1)
            miss[curve.interpolation[key] == Interpolation.CONSTANT] = 0
        worst = max(worst, (float(miss.max() / np.ptp(was.value.astype(float))), f"c{i}[0]"))
    assert (said.share, said.channel) == (pytest.approx(worst[0]), worst[1])
    exact = largest_miss(curves, warp(curves, m, exact=True).curves, m)
    assert exact.share < 1e-2


def test_rounding_is_no_miss_in_shape() -> None:
    # A channel that stands still but for rounding has no shape: the other one's miss is told.
    still = Curves.checked([Channel("c", 0)], [0, 3], [23, 45, 67], [0.0, 3e-25, 0.0])
    moves = Curves.checked([Channel("c", 1)], [0, 3], [23, 45, 67], [0.0, 1.0, 0.0])
    both = concat([still, moves])
    assert largest_miss(both, warp(both, LANDING).curves, LANDING).channel == "c[1]"


def test_nothing_missed_is_said() -> None:
    curve = one([0, 10], [0, 1])
    nothing = Miss(0.0, 0.0, "", 0.0)
    assert largest_miss(curve, curve, TimeMap.identity()) == nothing
    assert largest_miss(Curves.empty(), Curves.empty(), BEAT) == nothing
    moved = warp(curve, TimeMap.of([20], [25]))
    assert largest_miss(curve, moved.curves, TimeMap.of([20], [25])) == nothing


# The door


def test_the_identity_and_no_keys_change_nothing() -> None:
    curve = random_curve(np.random.default_rng(0))
    got = warp(curve, TimeMap.of([1, 9], [1, 9]), exact=True)
    assert got.curves is curve
    assert not got.changed.any()
    assert got.moved == 0
    assert warp(Curves.empty(), BEAT).curves.frame.size == 0
    bare = Curves.checked([Channel("c", 0)], [0, 0], [], [])
    assert identical(warp(bare, BEAT, exact=True).curves, bare)


def test_a_shift_moves_all_and_bends_nothing() -> None:
    curve = random_curve(np.random.default_rng(3))
    got = warp(curve, TimeMap.of([0], [24]))
    assert np.array_equal(got.curves.frame, curve.frame + 24)
    assert np.array_equal(got.curves.left_type, curve.left_type)
    np.testing.assert_allclose(got.curves.left[:, 0], curve.left[:, 0] + 24, atol=1e-5)
    assert got.moved == len(curve.frame)


@pytest.mark.parametrize("physics", [[3], [-1], np.ones(2, bool), [0.5]])
def test_physics_must_be_channels(physics: object) -> None:
    with pytest.raises(InputError, match="physics"):
        warp(one([0, 10], [0, 1]), BEAT, physics=physics)  # type: ignore[arg-type]
