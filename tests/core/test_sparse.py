# SPDX-License-Identifier: GPL-3.0-or-later
"""Few keys, and yet within the distance on every frame."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicHermiteSpline

from leapwright.curves import Channel, Curves
from leapwright.errors import InputError
from leapwright.path import handles_at_thirds
from leapwright.playback import evaluate
from leapwright.sparse import Sparse, interpolate, sparse_keys

WAVES = st.tuples(st.integers(0, 10_000), st.integers(2, 70), st.sampled_from([1e-1, 1e-2, 1e-3]))


def wave(seed: int, count: int, depth: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Smooth channels on unevenly spaced frames."""
    rng = np.random.default_rng(seed)
    x = 90 + np.cumsum(rng.choice([0.5, 1.0, 1.0, 1.0], count))
    y = np.zeros((count, depth))
    for length in (9.0, 17.0, 40.0):
        phase = rng.uniform(0, 6, depth)
        y += rng.normal(0, length / 40, depth) * np.sin(x[:, None] / length * 2 * np.pi + phase)
    return x, y


def off(y: np.ndarray) -> Any:
    return lambda tried: np.linalg.norm(tried - y, axis=1)


def most_off(x: np.ndarray, y: np.ndarray, found: Sparse) -> float:
    return float(off(y)(interpolate(x, y, found)).max())


@settings(max_examples=60, deadline=None)
@given(WAVES)
def test_within_the_distance_on_every_frame(case: tuple[int, int, float]) -> None:
    seed, count, within = case
    x, y = wave(seed, count)
    must = np.unique(np.random.default_rng(seed).integers(0, count, 3))
    found = sparse_keys(x, y, knots=must, miss=off(y), within=within)
    # Played by another's cubics.
    played = CubicHermiteSpline(
        x[found.knots], y[found.knots], (found.slopes_in + found.slopes_out) / 2
    )(x)
    assert np.linalg.norm(played - y, axis=1).max() <= within * (1 + 1e-9)
    assert set(must) | {0, count - 1} <= set(found.knots)
    assert (np.diff(found.knots) > 0).all()
    assert np.array_equal(found.slopes_in, found.slopes_out)
    assert np.isfinite(found.slopes_in).all()


@settings(max_examples=40, deadline=None)
@given(WAVES)
def test_no_key_can_be_taken_out(case: tuple[int, int, float]) -> None:
    seed, count, within = case
    x, y = wave(seed, count)
    found = sparse_keys(x, y, knots=[], miss=off(y), within=within)
    for knot in found.knots[1:-1]:
        rest = found.knots[found.knots != knot]
        again = sparse_keys(x, y, knots=rest, miss=off(y), within=np.inf)
        assert np.array_equal(again.knots, rest)
        assert most_off(x, y, again) > within


def test_few_keys_for_long_smooth_curves() -> None:
    x, y = wave(4, 300)
    found = sparse_keys(x, y, knots=[], miss=off(y), within=0.02)
    assert most_off(x, y, found) <= 0.02
    assert len(found.knots) < 300 / 3


@pytest.mark.parametrize("seed", range(8))
def test_one_key_more_than_the_fewest_at_most(seed: int) -> None:
    x, y = wave(seed, 13)
    within = 0.004
    found = sparse_keys(x, y, knots=[], miss=off(y), within=within)

    def some(inner: int) -> bool:
        tries = (np.r_[0, c, 12] for c in combinations(range(1, 12), inner))
        return any(
            most_off(x, y, sparse_keys(x, y, knots=k, miss=off(y), within=np.inf)) <= within
            for k in tries
        )

    fewest = next(n for n in range(12) if some(n))
    assert fewest + 2 <= len(found.knots) <= fewest + 3


@pytest.mark.parametrize("power", [0, 1, 2, 3])
def test_a_cubic_needs_its_ends_only(power: int) -> None:
    x = np.array([1, 2, 3, 4.5, 6, 7, 8, 12, 13, 20.0])
    y = ((x - 9) / 10)[:, None] ** power * [1.0, -2.0]
    found = sparse_keys(x, y, knots=[], miss=off(y), within=1e-5)
    assert found.knots.tolist() == [0, 9]
    slope = power * ((x[[0, -1]] - 9) / 10)[:, None] ** max(power - 1, 0) * [0.1, -0.2]
    assert np.abs(found.slopes_in - (slope if power else 0)).max() < 1e-5


def test_keys_of_a_bent_line_are_its_corners() -> None:
    x = np.arange(21.0)
    y = np.interp(x, [0, 8, 20], [0, 4, -2])[:, None]
    corners = x == 8
    found = sparse_keys(x, y, knots=[8], miss=off(y), within=1e-6, corners=corners)
    assert found.knots.tolist() == [0, 8, 20]
    assert np.allclose(found.slopes_in[:, 0], [0.5, 0.5, -0.5], atol=1e-6)
    assert np.allclose(found.slopes_out[:, 0], [0.5, -0.5, -0.5], atol=1e-6)
    smooth = sparse_keys(x, y, knots=[8], miss=off(y), within=0.01)
    assert np.array_equal(smooth.slopes_in, smooth.slopes_out)
    assert len(smooth.knots) > 3


def test_given_slopes_are_kept_to_the_bit() -> None:
    x, y = wave(2, 20, 2)
    flat = np.zeros(2)
    steep = np.array([0.3, -0.7])
    fixed: dict[int, Any] = {0: (flat, None), 7: (steep, None), 11: (None, steep)}
    fixed |= {13: (flat, steep), 19: (None, flat)}
    found = sparse_keys(x, y, knots=[], miss=off(y), within=0.01, fixed_slopes=fixed)
    assert most_off(x, y, found) <= 0.01
    into = dict(zip(found.knots.tolist(), found.slopes_in, strict=True))
    out = dict(zip(found.knots.tolist(), found.slopes_out, strict=True))
    assert np.array_equal(into[0], flat)
    assert not np.array_equal(out[0], flat)
    assert np.array_equal(into[7], steep)
    assert np.array_equal(out[7], steep)
    assert np.array_equal(into[11], steep)
    assert np.array_equal(out[11], steep)
    assert np.array_equal(into[13], flat)
    assert np.array_equal(out[13], steep)
    assert np.array_equal(out[19], flat)
    assert not np.array_equal(into[19], flat)


def test_keyed_values_come_back_to_the_bit() -> None:
    x, y = wave(5, 31)
    found = sparse_keys(x, y, knots=[4, 9], miss=off(y), within=0.01)
    assert np.array_equal(interpolate(x, y, found)[found.knots], y[found.knots])


def test_bezier_keys_play_the_same() -> None:
    x, y = wave(6, 40, 1)
    x = np.arange(1.0, 41.0)
    found = sparse_keys(x, y, knots=[], miss=off(y), within=0.01)
    key, left, right = handles_at_thirds(
        x[found.knots],
        y[found.knots, 0],
        found.slopes_in[:, 0],
        slopes_after=found.slopes_out[:, 0],
    )
    keys = Curves.checked([Channel("hop", 0)], [0, len(key)], *key.T, left=left, right=right)
    assert np.abs(evaluate(keys, x)[0] - interpolate(x, y, found)[:, 0]).max() < 2e-6


def test_what_cannot_be_held_is_keyed_and_ends() -> None:
    x, y = wave(7, 15)
    found = sparse_keys(x, y, knots=[], miss=off(y), within=0.0)
    assert len(found.knots) == 15
    # Frames that the wanted values themselves miss ask for no key.
    far = sparse_keys(x, y, knots=[], miss=lambda v: np.full(15, 9.0), within=0.0)
    assert far.knots.tolist() == [0, 14]


def test_two_frames() -> None:
    found = sparse_keys([3, 4], [[1.0], [2.0]], knots=[], miss=off(np.zeros(1)), within=9)
    assert found.knots.tolist() == [0, 1]
    assert found.slopes_out.ravel().tolist() == pytest.approx([1, 1])


@pytest.mark.parametrize(
    ("argument", "wrong"),
    [
        ("frames", {"frames": [1, 1, 2]}),
        ("frames", {"frames": [1]}),
        ("values", {"values": [[1.0], [2.0]]}),
        ("values", {"values": [[1.0], [2.0], [np.nan]]}),
        ("within", {"within": -1}),
        ("within", {"within": np.nan}),
        ("knots", {"knots": [3]}),
        ("knots", {"knots": [-1]}),
        ("knots", {"knots": [0.5]}),
        ("corners", {"corners": [True]}),
    ],
)
def test_the_door(argument: str, wrong: dict[str, Any]) -> None:
    good = {"frames": [1, 2, 3], "values": [[1.0], [2.0], [3.0]], "knots": [], "within": 1}
    asked = good | wrong
    with pytest.raises(InputError, match=f"`{argument}`") as caught:
        sparse_keys(
            asked["frames"],
            asked["values"],
            knots=asked["knots"],
            miss=lambda v: np.zeros(len(v)),
            within=asked["within"],
            corners=asked.get("corners"),
        )
    assert caught.value.argument == argument


def test_hundreds_of_frames_that_need_a_key_each_do_not_take_minutes():
    random = np.random.default_rng(3)
    frames, wanted = np.arange(400.0), random.normal(0, 1, (400, 9))
    calls = []

    def miss(tried):
        calls.append(1)
        return np.abs(tried - wanted).max(axis=1)

    found = sparse_keys(
        frames, wanted, knots=[], miss=miss, within=1e-3, corners=np.ones(400, bool)
    )
    assert np.all(miss(interpolate(frames, wanted, found))[found.knots] == 0)
    assert len(calls) < 2000
