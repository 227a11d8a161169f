# SPDX-License-Identifier: GPL-3.0-or-later
"""New keys on curves: the shape before is the shape after."""

from __future__ import annotations

import numpy as np
import pytest

from leapwright.curves import (
    MERGE_FRAMES,
    Channel,
    Curves,
    Handle,
    Interpolation,
    Kind,
    concat,
    identical,
)
from leapwright.errors import InputError
from leapwright.insert import insert_keys, stays_aligned
from leapwright.playback import evaluate

C = 12


def random_curves(seed: int, *, reach: float, modes: int = 3) -> Curves:
    """Twelve channels of 0 to 30 keys; handles from 0 to `reach` times the mean interval."""
    rng = np.random.default_rng(seed)
    counts = rng.integers(0, 30, C)
    counts[:3] = 0, 1, 2
    frame = np.concatenate([np.sort(rng.choice(240, n, replace=False)) for n in counts])
    frame = frame + rng.choice([0.0, 0.4], frame.size)
    value = rng.normal(0, 1, frame.size)
    out = rng.uniform(0, 1, (2, frame.size)) * reach * 240 / 20
    return Curves.checked(
        [Channel("c", i) for i in range(C)],
        np.r_[0, np.cumsum(counts)],
        frame,
        value,
        left=np.stack([frame - out[0], value + rng.normal(0, 0.5, frame.size)], -1),
        right=np.stack([frame + out[1], value + rng.normal(0, 0.5, frame.size)], -1),
        interpolation=rng.integers(0, modes, frame.size),
        left_type=rng.integers(0, 5, frame.size),
        right_type=rng.integers(0, 5, frame.size),
        kind=rng.integers(0, 6, frame.size),
        period=rng.uniform(1, 9, frame.size),
    )


def misses(before: Curves, after: Curves, frames: np.ndarray) -> np.ndarray:
    """Per channel, the largest difference; less what two single-precision steps of time make."""
    was, now = evaluate(before, frames), evaluate(after, frames)
    step = 2 * np.spacing(np.float32(256)).astype(float)
    slack = np.abs(evaluate(before, frames + step) - evaluate(before, frames - step))
    slack += np.abs(evaluate(after, frames + step) - evaluate(after, frames - step))
    return np.nanmax(np.maximum(np.abs(was - now) - slack, 0), axis=1, initial=0)


@pytest.mark.parametrize("reach", [0.3, 1.0, 4.0])
@pytest.mark.parametrize("seed", range(30))
def test_the_shape_stays(seed: int, reach: float) -> None:
    curves = random_curves(seed, reach=reach)
    rng = np.random.default_rng(seed + 1000)
    wanted = np.unique(np.r_[rng.integers(-20, 270, 12), rng.uniform(0, 240, 6).round(2)])
    which = rng.random(C) < 0.7
    got = insert_keys(curves, which, wanted)
    frames = np.linspace(-30, 280, 6203)
    assert misses(curves, got, frames).max() <= 2e-6 * np.ptp(curves.value)
    # Where a handle is short the speed is everywhere in bounds: then to the last bit of single.
    if reach == 0.3:
        size = np.abs(evaluate(curves, frames) - evaluate(got, frames))
        inside = np.abs(frames[:, None] - curves.frame).min(axis=1) > 1e-3
        assert np.nanmax(size[:, inside]) <= 1e-5 * np.ptp(curves.value)
    for c in range(C):
        old = curves.frame[curves.starts[c] : curves.starts[c + 1]]
        new = got.frame[got.starts[c] : got.starts[c + 1]]
        assert set(old) <= set(new)
        if not which[c] or not old.size:
            assert np.array_equal(old, new)
            continue
        gap = np.abs(wanted[:, None] - new).min(axis=1)
        assert gap.max() < MERGE_FRAMES
        added = np.setdiff1d(new, old)
        asked = np.abs(added[:, None] - wanted).min(axis=1, initial=np.inf) < 1e-4
        assert np.count_nonzero(~asked) <= np.count_nonzero(asked)


@pytest.mark.parametrize("seed", range(20))
def test_handles_of_half_an_interval_never_need_another_key(seed: int) -> None:
    rng = np.random.default_rng(seed)
    frame = np.cumsum(rng.uniform(1, 20, 30))
    half, value = np.diff(frame) / 2, rng.normal(0, 1, 30)
    out = np.stack([frame - np.r_[1, half] * rng.random(30), rng.normal(0, 1, 30)], -1)
    into = np.stack([frame + np.r_[half, 1] * rng.random(30), rng.normal(0, 1, 30)], -1)
    curve = Curves.checked([Channel("c", 0)], [0, 30], frame, value, left=out, right=into)
    wanted = np.arange(5, 200, 3)
    got = insert_keys(curve, [0], wanted)
    assert set(got.frame) <= set(curve.frame) | set(wanted.astype(np.float32))
    frames = np.linspace(0, 220, 3001)
    miss = np.abs(evaluate(got, frames) - evaluate(curve, frames)).max()
    assert miss <= 1e-5 * np.ptp(curve.value)


def test_many_channels_are_as_each_alone() -> None:
    curves = random_curves(5, reach=1)
    one_by_one = curves
    for c in range(C):
        one_by_one = insert_keys(one_by_one, [c], [3, 7, 100, 300])
    assert identical(insert_keys(curves, np.ones(C, bool), [300, 100, 7, 3]), one_by_one)


def test_de_casteljau_by_hand() -> None:
    curve = Curves.checked(
        [Channel("location", 2)], [0, 2], [0, 12], [0, 8], right=[[4, 8], [16, 8]],
        left=[[-4, 0], [8, 8]],
    )  # fmt: skip
    got = insert_keys(curve, [0], [6])
    assert got.frame.tolist() == [0, 6, 12]
    assert got.value.tolist() == [0, 7, 8]
    assert got.right[:2].tolist() == [[2, 4], [8, 8]]
    assert got.left[1:].tolist() == [[4, 6], [10, 8]]
    assert got.left_type[1] == got.right_type[1] == Handle.ALIGNED
    assert got.kind.tolist() == [Kind.KEYFRAME, Kind.BREAKDOWN, Kind.KEYFRAME]
    assert insert_keys(curve, [0], [6], kind=Kind.EXTREME).kind[1] == Kind.EXTREME


def test_a_key_that_is_there_is_not_doubled() -> None:
    curves = random_curves(3, reach=1)
    near = curves.frame + np.float32(0.005)
    for frames in (curves.frame[[5]], near[[5]]):
        c = int(curves.channel_of_key()[5])
        assert insert_keys(curves, [c], frames) is curves
    assert insert_keys(curves, np.zeros(C, bool), [1, 2]) is curves
    assert insert_keys(curves, [], [1]) is curves
    assert insert_keys(curves, [1, 2], []) is curves


def test_what_no_new_key_touches_keeps_every_byte() -> None:
    curves = random_curves(8, reach=1)
    rows = [
        insert_keys(curves, [9], [120.7]),
        curves,
    ]
    at = int(np.searchsorted(curves.frame[curves.starts[9] : curves.starts[10]], 120.7))
    at += int(curves.starts[9])
    for name in ("frame", "value", "interpolation", "kind", "period"):
        got, was = (getattr(r, name) for r in rows)
        assert np.array_equal(got[:at], was[:at])
        assert np.array_equal(got[-(len(was) - at) :], was[at:])
    # Handles: all but the two that face the new key.
    got, was = rows
    tail = len(was.frame) - at
    assert np.array_equal(got.left[:at], was.left[:at])
    assert np.array_equal(got.right[: at - 1], was.right[: at - 1])
    assert np.array_equal(got.right[-tail:], was.right[at:])
    assert np.array_equal(got.left[1 - tail :], was.left[at + 1 :])
    for side in ("left_type", "right_type"):
        assert np.array_equal(getattr(got, side)[: at - 1], getattr(was, side)[: at - 1])
        assert np.array_equal(getattr(got, side)[1 - tail :], getattr(was, side)[at + 1 :])


@pytest.mark.parametrize("interpolation", [Interpolation.LINEAR, Interpolation.BEZIER])
@pytest.mark.parametrize("kind", list(Handle))
def test_handle_types_beside_a_new_key(kind: Handle, interpolation: Interpolation) -> None:
    curve = Curves.checked(
        [Channel("location", 2)], [0, 4], [0, 9, 18, 27], [0, 1, 3, 3],
        left=[[-3, 0], [6, 0.4], [15, 2.9], [24, 3]],
        right=[[3, 0], [12, 1.6], [21, 3.1], [30, 3]],
        left_type=kind, right_type=kind, interpolation=interpolation,
    )  # fmt: skip
    got = insert_keys(curve, [0], [12])
    types = np.stack([got.left_type, got.right_type], -1).tolist()
    assert types[0] == types[4] == [kind, kind]
    assert types[2] == [Handle.ALIGNED] * 2
    if kind in (Handle.AUTO, Handle.AUTO_CLAMPED):
        assert types[1] == types[3] == [Handle.FREE] * 2
    elif kind == Handle.VECTOR and interpolation == Interpolation.BEZIER:
        assert types[1] == [Handle.VECTOR, Handle.FREE]
        assert types[3] == [Handle.FREE, Handle.VECTOR]
    else:
        assert types[1] == types[3] == [kind, kind]


def test_aligned_handles_out_of_line_become_free() -> None:
    curve = Curves.checked(
        [Channel("location", 2)], [0, 3], [0, 9, 18], [0, 1, 3],
        left=[[-3, 0], [6, 0], [15, 3]], right=[[3, 0], [12, 3], [21, 3]],
        left_type=Handle.ALIGNED, right_type=Handle.ALIGNED,
    )  # fmt: skip
    assert stays_aligned(curve).tolist() == [True, False, True]
    got = insert_keys(curve, [0], [12])
    assert got.right_type[1] == Handle.FREE


def test_outside_the_keys_the_held_value_is_keyed() -> None:
    curve = Curves.checked(
        [Channel("location", 2)], [0, 2], [10, 20], [1, 3], left=[[7, 0], [17, 2]],
        right=[[13, 2], [23, 9]], interpolation=Interpolation.ELASTIC,
    )  # fmt: skip
    got = insert_keys(curve, [0], [1, 4, 26])
    assert got.frame.tolist() == [1, 4, 10, 20, 26]
    assert got.value.tolist() == [1, 1, 1, 3, 3]
    assert got.interpolation.tolist() == [2, 2, Interpolation.ELASTIC, 2, 2]
    assert got.left[:3, 1].tolist() == [*got.right[:2, 1].tolist(), 1] == [1, 1, 1]
    assert got.right[3].tolist() == [22, 3]
    assert got.right[2].tolist() == [13, 2]


def test_a_piece_no_handles_can_play_gets_one_more_key() -> None:
    # Both handles a full interval long: time stands still half-way.
    curve = Curves.checked(
        [Channel("location", 2)], [0, 2], [0, 12], [0, 8], right=[[12, 0], [24, 8]],
        left=[[-12, 0], [0, 8]],
    )  # fmt: skip
    got = insert_keys(curve, [0], [9])
    assert got.frame.tolist() == [0, 6, 9, 12]
    assert np.array_equal(got.value[[0, 1, 3]], [0, 4, 8])
    frames = np.setdiff1d(np.linspace(0, 12, 500), [6.0])
    near = np.abs(frames - 6) < 1e-3
    miss = np.abs(evaluate(curve, frames) - evaluate(got, frames))[0]
    assert miss[~near].max() < 1e-5


@pytest.mark.parametrize("easing", [i for i in Interpolation if i > Interpolation.BEZIER])
def test_easings_are_refused_by_name(easing: Interpolation) -> None:
    curve = Curves.checked(
        [Channel("ear", 1)], [0, 3], [0, 12, 20], [0, 8, 9], interpolation=[easing, 1, easing]
    )
    with pytest.raises(InputError, match=f"{easing.name} segment from frame 0 of ear\\[1\\]"):
        insert_keys(curve, [0], [14, 5])
    assert insert_keys(curve, [0], [14, 12, 0]).frame.tolist() == [0, 12, 14, 20]


@pytest.mark.parametrize("which", [[C], [-1], [0.5], np.ones(C + 1, bool), [[0], [1]]])
def test_which_is_checked(which: object) -> None:
    with pytest.raises(InputError, match="`which` must be"):
        insert_keys(random_curves(0, reach=1), which, [1])  # type: ignore[arg-type]


def test_frames_are_checked() -> None:
    with pytest.raises(InputError, match="frames"):
        insert_keys(random_curves(0, reach=1), [0], [np.nan])
    with pytest.raises(InputError, match=r"apart, got 3 and 3\.005"):
        insert_keys(random_curves(0, reach=1), [0], [3, 3.005])


def test_a_thousand_channels_take_little_longer_than_their_arrays() -> None:
    one = random_curves(2, reach=1)
    many = concat(
        [
            Curves.checked(
                [Channel(f"{k}.{c.data_path}", c.index) for c in one.channels],
                one.starts, one.frame, one.value, left=one.left, right=one.right,
                interpolation=one.interpolation,
            )
            for k in range(20)
        ]
    )  # fmt: skip
    got = insert_keys(many, np.ones(len(many.channels), bool), [60.5, 120.5])
    single = insert_keys(one, np.ones(C, bool), [60.5, 120.5])
    assert np.array_equal(got.frame, np.tile(single.frame, 20))
    assert np.array_equal(got.right, np.tile(single.right, (20, 1)))
