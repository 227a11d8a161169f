# SPDX-License-Identifier: GPL-3.0-or-later
"""Curves: arrays in, arrays out; each result against plain Python over single keys."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from leapwright.curves import (
    Channel,
    Curves,
    Handle,
    Interpolation,
    channel,
    concat,
    identical,
    keys_at,
    keys_between,
    merge,
    move_keys,
    remove_keys,
    select,
    shift_keys,
)
from leapwright.errors import InputError, KeysInTheWayError
from leapwright.playback import evaluate

Z = Channel("location", 2, "Hare")
X = Channel("location", 0, "Hare")
EAR = Channel('pose.bones["ear.L"].rotation_euler', 1, "ear.L")
PER_KEY = [
    "frame",
    "value",
    "left",
    "right",
    "interpolation",
    "left_type",
    "right_type",
    "kind",
    "easing",
    "back",
    "amplitude",
    "period",
]


def random_curves(seed: int, counts: tuple[int, ...] = (5, 1, 0, 9), prefix: str = "c") -> Curves:
    rng = np.random.default_rng(seed)
    frames = [np.sort(rng.choice(200, n, replace=False)) + rng.uniform(0, 0.9) for n in counts]
    frame = np.concatenate(frames).astype(np.float32)
    value = rng.normal(0, 2, frame.size)
    reach = rng.uniform(0, 40, (2, frame.size))
    return Curves.checked(
        [Channel(f"{prefix}{i}", i, f"g{i}") for i in range(len(counts))],
        np.r_[0, np.cumsum(counts)],
        frame,
        value,
        left=np.stack([frame - reach[0], value + rng.normal(0, 1, frame.size)], -1),
        right=np.stack([frame + reach[1], value + rng.normal(0, 1, frame.size)], -1),
        interpolation=rng.integers(0, 3, frame.size),
        left_type=rng.integers(0, 5, frame.size),
        right_type=rng.integers(0, 5, frame.size),
        kind=rng.integers(0, 6, frame.size),
        easing=rng.integers(0, 4, frame.size),
        back=rng.uniform(0, 3, frame.size),
        amplitude=rng.uniform(0, 3, frame.size),
        period=rng.uniform(1, 9, frame.size),
    )


def rows(curves: Curves) -> list[tuple[Any, ...]]:
    """Every key as a plain tuple: path, index, then all it holds."""
    owner = curves.channel_of_key()
    return [
        (
            curves.channels[owner[k]].data_path,
            curves.channels[owner[k]].index,
            *(np.asarray(getattr(curves, n)[k]).tobytes() for n in PER_KEY),
        )
        for k in range(len(curves.frame))
    ]


def flat(*frames: float, **others: Any) -> Curves:
    return Curves.checked([Z], [0, len(frames)], frames, np.arange(len(frames)), **others)


# What is let in


def test_left_out_arrays_get_plain_values() -> None:
    made = flat(1, 12)
    assert made.left.tolist() == [[1, 0], [12, 1]] == made.right.tolist()
    assert made.interpolation.tolist() == [Interpolation.BEZIER] * 2
    assert made.left_type.tolist() == [Handle.FREE] * 2
    assert [getattr(made, n).dtype for n in ("frame", "kind")] == [np.float32, np.int32]


def test_given_arrays_are_copied() -> None:
    frame = np.array([1, 5], np.float32)
    made = flat(*frame)
    copied = Curves.checked([Z], [0, 2], frame, frame)
    frame[0] = 3
    assert copied.frame.tolist() == made.frame.tolist() == [1, 5]


@pytest.mark.parametrize(
    ("change", "argument"),
    [
        ({"frame": [5, 1]}, "frame"),
        ({"frame": [1, np.nan]}, "frame"),
        ({"value": [0, np.inf]}, "value"),
        ({"left": [[1, 0], [np.nan, 0]]}, "left"),
        ({"left": [1, 2]}, "left"),
        ({"value": [1, 2, 3]}, "value"),
        ({"starts": [0, 1]}, "starts"),
        ({"starts": [1, 2]}, "starts"),
        ({"starts": [0, 2, 2]}, "starts"),
        ({"kind": [1]}, "kind"),
        ({"colour": [1]}, "others"),
    ],
)
def test_wrong_arrays_are_named(change: dict[str, Any], argument: str) -> None:
    arguments: dict[str, Any] = {"starts": [0, 2], "frame": [1, 2], "value": [0, 0], **change}
    with pytest.raises(InputError) as caught:
        Curves.checked([Z], **arguments)
    assert caught.value.argument == argument
    assert "\n" not in str(caught.value)


def test_a_channel_is_there_once_and_its_group_does_not_count() -> None:
    with pytest.raises(InputError, match="`channels`"):
        Curves.checked([Z, Channel("location", 2, "other")], [0, 1, 2], [1, 1], [0, 0])


def test_frames_may_fall_from_one_channel_to_the_next() -> None:
    assert Curves.checked([Z, X], [0, 2, 4], [5, 9, 1, 2], [0] * 4).frame.tolist() == [5, 9, 1, 2]


def test_float64_arrays_are_refused_by_the_class_itself() -> None:
    made = flat(1, 2)
    with pytest.raises(InputError, match="`frame` must be float32"):
        Curves(
            made.channels,
            made.starts,
            made.frame.astype(float),
            *(  # type: ignore[arg-type]
                getattr(made, n) for n in PER_KEY[1:]
            ),
        )


# Choosing


def test_select_concat_and_channel_agree() -> None:
    whole = random_curves(1)
    parts = [channel(whole, i) for i in range(4)]
    assert identical(concat(parts), whole)
    backwards = select(whole, [3, 2, 1, 0])
    assert identical(concat(parts[::-1]), backwards)
    assert identical(select(backwards, [3, 2, 1, 0]), whole)
    assert not identical(backwards, whole)
    assert identical(concat([]), Curves.empty())
    assert identical(select(whole, []), Curves.empty())


@pytest.mark.parametrize("bad", [[4], [-1], [[0, 1]]])
def test_select_refuses_what_is_not_there(bad: list[Any]) -> None:
    with pytest.raises(InputError, match="`indices`"):
        select(random_curves(1), bad)


@pytest.mark.parametrize("seed", range(5))
def test_keys_between_and_at_equal_a_loop(seed: int) -> None:
    curves = random_curves(seed)
    first, last = float(curves.frame[1]) + 5e-4, float(curves.frame.max()) - 20
    found = keys_between(curves, first, last)
    expected = [k for k, f in enumerate(curves.frame.tolist()) if first - 1e-3 <= f <= last + 1e-3]
    assert found.index.tolist() == expected
    assert 1 in expected or first > last
    assert found.frame.tolist() == curves.frame[expected].tolist()
    assert found.channel.tolist() == [
        next(c for c in range(4) if curves.starts[c] <= k < curves.starts[c + 1]) for k in expected
    ]
    wanted = [*(curves.frame[[2, 7]] + 9e-4), 500.0, float(curves.frame[11]) - 2e-3]
    near = [
        k for k, f in enumerate(curves.frame.tolist()) if any(abs(f - w) <= 1e-3 for w in wanted)
    ]
    assert keys_at(curves, wanted).index.tolist() == near
    assert {2, 7} <= set(near)
    assert not keys_at(curves, []).mask.any()


# Removing and merging


def test_remove_keys_leaves_the_others_bit_for_bit() -> None:
    curves = random_curves(3)
    mask = np.zeros(15, bool)
    mask[[0, 5, 9, 14]] = True
    left = remove_keys(curves, mask)
    assert left.channels == curves.channels
    assert rows(left) == [r for k, r in enumerate(rows(curves)) if not mask[k]]
    assert left.starts.tolist() == [0, 4, 4, 4, 11]
    with pytest.raises(InputError, match="`mask` must be 15 booleans"):
        remove_keys(curves, [0, 1])


@pytest.mark.parametrize("seed", range(8))
def test_merge_equals_a_loop_over_keys(seed: int) -> None:
    rng = np.random.default_rng(seed + 100)
    base = random_curves(seed, (6, 3, 0, 8))
    added = random_curves(seed + 50, (4, 2, 5), prefix="n")
    names = [Channel("c3", 3), Channel("new", 0, "N"), Channel("c2", 2)]
    frame = added.frame.copy()
    frame[0] = base.frame[9] + rng.choice([0.009, -0.009, 0.0])  # in the way of c3
    frame[:4] = np.sort(frame[:4])
    added = Curves(tuple(names), added.starts, frame, *(getattr(added, n) for n in PER_KEY[1:]))
    result = merge(base, added, replace=True)

    taken = [
        k
        for k, row in enumerate(rows(base))
        if any(
            row[:2] == other[:2] and abs(float(base.frame[k]) - float(added.frame[j])) < 0.01
            for j, other in enumerate(rows(added))
        )
    ]
    assert 9 in taken
    assert result.replaced.tolist() == taken
    assert result.curves.channels == (*base.channels, names[1])
    every = [(r, float(base.frame[k])) for k, r in enumerate(rows(base)) if k not in taken]
    every += [(r, float(added.frame[k])) for k, r in enumerate(rows(added))]
    order = {(c.data_path, c.index): i for i, c in enumerate(result.curves.channels)}
    every.sort(key=lambda pair: (order[pair[0][:2]], pair[1]))
    assert rows(result.curves) == [row for row, _ in every]
    merged = rows(result.curves)
    assert [merged[k] for k in result.added] == rows(added)
    assert [merged[k] for k in result.kept] == [
        r for k, r in enumerate(rows(base)) if k not in taken
    ]

    with pytest.raises(KeysInTheWayError) as caught:
        merge(base, added, replace=False)
    assert [f for _, f in caught.value.keys] == base.frame[taken].tolist()


def test_merge_keeps_a_key_just_far_enough_away() -> None:
    made = merge(flat(10, 20), flat(10.02), replace=False)
    assert made.curves.frame.tolist() == pytest.approx([10, 10.02, 20], abs=1e-5)
    assert made.replaced.size == 0


def test_merge_with_nothing_is_the_same() -> None:
    base = random_curves(4)
    assert identical(merge(base, Curves.empty(), replace=False).curves, base)
    assert identical(merge(Curves.empty(), base, replace=False).curves, base)


def test_merge_refuses_added_keys_that_are_one() -> None:
    with pytest.raises(InputError, match=r"`added`.*location\[2\]"):
        merge(flat(1), flat(5, 5.005), replace=True)


# Moving


def test_shift_moves_key_and_handles_alike() -> None:
    curves = flat(1, 5, 9, left=[[0, 0], [3, 0], [8, 2]], right=[[2, 0], [6, 1], [11, 2]])
    moved = shift_keys(curves, 5.0, 2.5)
    assert moved.frame.tolist() == [1, 7.5, 11.5]
    assert moved.left.tolist() == [[0, 0], [5.5, 0], [10.5, 2]]
    assert moved.right.tolist() == [[2, 0], [8.5, 1], [13.5, 2]]
    assert identical(moved, shift_keys(curves, [False, True, True], 2.5))
    assert identical(shift_keys(moved, 7.5, -2.5), curves)
    with pytest.raises(InputError, match="`by`"):
        shift_keys(curves, 5.0, -4.0)
    with pytest.raises(InputError, match="`by`"):
        shift_keys(curves, 5.0, np.nan)


def test_moved_segments_are_the_old_ones_stretched() -> None:
    rng = np.random.default_rng(8)
    curves = flat(
        1, 4, 9, 12,
        left=np.c_[[-1, 2, 6, 10], rng.normal(0, 1, 4)],
        right=np.c_[[2, 7, 11, 15], rng.normal(0, 1, 4)],
    )  # fmt: skip
    moved = move_keys(curves, [False, True, True, True], [11, 12, 30])
    u = np.linspace(0, 1, 41)
    for old, new in (((1, 4), (1, 11)), ((4, 9), (11, 12)), ((9, 12), (12, 30))):
        before = evaluate(curves, old[0] + u * (old[1] - old[0]))
        after = evaluate(moved, new[0] + u * (new[1] - new[0]))
        assert after == pytest.approx(before, abs=2e-5)
    assert moved.value.tobytes() == curves.value.tobytes()
    assert (moved.left[:, 1] == curves.left[:, 1]).all()
    assert moved.frame[0] - moved.left[0, 0] == 2
    assert moved.right[3, 0] - moved.frame[3] == 3


def test_moving_nothing_or_back_changes_no_bit() -> None:
    curves = random_curves(6)
    still = np.zeros(15, bool)
    assert identical(move_keys(curves, still, []), curves)
    assert identical(move_keys(curves, ~still, curves.frame), curves)
    one = still.copy()
    one[2] = True
    middle = 0.5 * (curves.frame[1] + curves.frame[3])
    touched = rows(move_keys(curves, one, [middle]))
    assert [k for k, r in enumerate(rows(curves)) if touched[k] != r] == [1, 2, 3]


def test_elastic_periods_stretch_with_their_segment() -> None:
    curves = flat(1, 5, 9, interpolation=[7, 7, 2], period=[4, 4, 4])
    moved = move_keys(curves, [False, False, True], 13)
    assert moved.period.tolist() == [4, 8, 4]


def test_keys_may_not_cross() -> None:
    with pytest.raises(InputError, match=r"`new_frames`.*location\[2\]"):
        move_keys(flat(1, 5, 9), [True, False, False], [6])
    with pytest.raises(InputError, match="one frame for each of 2 keys"):
        move_keys(flat(1, 5, 9), [True, True, False], [6])


# Playing


def by_bisection(curves: Curves, i: int, frame: float) -> float:
    """Value of one channel at one frame, the slow and plain way."""
    span = range(curves.starts[i], curves.starts[i + 1])
    before = [k for k in span if float(curves.frame[k]) <= frame]
    if not before:
        return float(curves.value[span[0]])
    k = before[-1]
    if k == span[-1] or curves.interpolation[k] == 0 or frame == float(curves.frame[k]):
        return float(curves.value[k])
    t0, t3 = float(curves.frame[k]), float(curves.frame[k + 1])
    v0, v3 = float(curves.value[k]), float(curves.value[k + 1])
    if curves.interpolation[k] == 1:
        return v0 + (v3 - v0) * (frame - t0) / (t3 - t0)
    t1, v1 = (float(n) for n in curves.right[k])
    t2, v2 = (float(n) for n in curves.left[k + 1])
    out, back = t1 - t0, t3 - t2
    if out > t3 - t0:
        v1, t1 = v0 + (v1 - v0) * (t3 - t0) / out, t3
    if back > t3 - t0:
        v2, t2 = v3 + (v2 - v3) * (t3 - t0) / back, t0
    low, high = 0.0, 1.0
    for _ in range(200):
        u = 0.5 * (low + high)
        w = 1 - u
        time = w**3 * t0 + 3 * w * w * u * t1 + 3 * w * u * u * t2 + u**3 * t3
        low, high = (u, high) if time < frame else (low, u)
    return math.fsum([w**3 * v0, 3 * w * w * u * v1, 3 * w * u * u * v2, u**3 * v3])


@pytest.mark.parametrize("seed", range(10))
def test_evaluate_equals_bisection(seed: int) -> None:
    curves = random_curves(seed, (7, 2, 1, 12))
    frames = np.random.default_rng(seed).uniform(-10, 215, 60)
    got = evaluate(curves, frames)
    for i in range(4):
        expected = [by_bisection(curves, i, f) for f in frames.tolist()]
        assert got[i] == pytest.approx(expected, rel=1e-9, abs=1e-9)
    assert evaluate(channel(curves, 3), frames)[0] == pytest.approx(got[3], rel=1e-12, abs=1e-13)


def test_keys_are_met_exactly_and_ends_are_held() -> None:
    curves = random_curves(11, (6,))
    assert (evaluate(curves, curves.frame)[0] == curves.value).all()
    assert evaluate(curves, [-1e6, 1e6])[0].tolist() == curves.value[[0, -1]].tolist()


@pytest.mark.parametrize("lengths", [(10, 10), (0, 0), (10, 0), (0, 10), (1e6, 1e6), (-3, -3)])
def test_extreme_handles_are_solved(lengths: tuple[float, float]) -> None:
    a, b = lengths
    curves = flat(0, 10, right=[[a, 0], [10, 1]], left=[[0, 0], [10 - b, 1]])
    fitted = flat(
        0, 10, right=[[min(max(a, 0), 10), 0], [10, 1]], left=[[0, 0], [10 - min(max(b, 0), 10), 1]]
    )
    frames = np.linspace(0, 10, 301)
    got = evaluate(curves, frames)[0]
    assert got == pytest.approx([by_bisection(fitted, 0, f) for f in frames.tolist()], abs=2e-5)
    assert (np.diff(got) >= -1e-9).all()


def test_a_parabola_is_exact_with_handles_at_thirds() -> None:
    g, n = 9.80665 / 24**2, 24
    frame = np.array([0, n])
    speed = g * n / 2
    curves = Curves.checked(
        [Z], [0, 2], frame, [0, 0],
        right=[[n / 3, speed * n / 3], [n, 0]], left=[[0, 0], [n - n / 3, speed * n / 3]],
    )  # fmt: skip
    frames = np.arange(n + 1)
    height = evaluate(curves, frames)[0]
    assert np.diff(height, 2) == pytest.approx(np.full(n - 1, -g), rel=1e-5)


def test_no_keys_no_frames() -> None:
    curves = Curves.checked([Z, X], [0, 0, 1], [3], [7])
    got = evaluate(curves, [1, 2])
    assert np.isnan(got[0]).all()
    assert got[1].tolist() == [7, 7]
    assert evaluate(curves, []).shape == (2, 0)
    assert evaluate(Curves.empty(), [1, 2]).shape == (0, 2)


EASE_IN = {
    Interpolation.SINE: lambda u: 1 - math.cos(u * math.pi / 2),
    Interpolation.QUAD: lambda u: u**2,
    Interpolation.CUBIC: lambda u: u**3,
    Interpolation.QUART: lambda u: u**4,
    Interpolation.QUINT: lambda u: u**5,
    Interpolation.CIRC: lambda u: 1 - math.sqrt(1 - u**2),
    Interpolation.EXPO: lambda u: (2 ** (10 * (u - 1)) - 2**-10) / (1 - 2**-10),
    Interpolation.BACK: lambda u: u * u * (2.5 * u - 1.5),
}


@pytest.mark.parametrize("mode", list(EASE_IN))
def test_easings_in_out_and_both(mode: Interpolation) -> None:
    """Against plain formulas; the host itself is asked in tests/blender."""
    ease = EASE_IN[mode]
    frames = [2, 3.5, 6, 8]
    for easing in (1, 2, 3):
        over = 1.5 / 1.525 if easing == 3 else 1.5
        curves = flat(0, 10, interpolation=mode, easing=easing, back=over)
        span = [float(v) for v in curves.value]
        for frame, got in zip(frames, evaluate(curves, frames)[0], strict=True):
            u = frame / 10
            if easing == 1:
                part = ease(u)
            elif easing == 2:
                part = 1 - ease(1 - u)
            else:
                part = ease(2 * u) / 2 if u < 0.5 else 1 - ease(2 - 2 * u) / 2
            assert got == pytest.approx(span[0] + (span[1] - span[0]) * part, rel=1e-6, abs=1e-6)


def test_a_hundred_thousand_keys_play_without_a_loop_over_keys() -> None:
    many = concat([random_curves(9, (200,), prefix=f"p{i}_") for i in range(500)])
    got = evaluate(many, np.arange(0, 200, 10.5))
    assert got.shape == (500, 20)
    assert got == pytest.approx(np.broadcast_to(got[0], got.shape), rel=1e-12, abs=1e-13)
