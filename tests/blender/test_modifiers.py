# SPDX-License-Identifier: GPL-3.0-or-later
"""Curve modifiers and baked curves do the same at corresponding frames."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import bpy
import numpy as np
import pytest

from blender.in_time import (
    BEAT,
    air_envelope,
    air_limits,
    air_steps,
    air_wave,
    bake,
    dump,
    envelope,
    everything,
    hare,
    held,
    keyed,
    modify,
    numbers_of,
    own_steps,
    samples,
)
from leapwright.timemap import TimeMap
from leapwright.warp import warp
from leapwright_blender import host
from leapwright_blender.read import read_curves
from leapwright_blender.timed import Moved, retime_others
from leapwright_blender.write import write_curves


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


def retime_all(obj: Any, time_map: TimeMap) -> Moved:
    """Keys and the rest, exact."""
    made = warp(read_curves(obj).curves, time_map, exact=True)
    write_curves(obj, made.curves, fixed=made.fixed)
    return retime_others(held(obj), time_map, exact=True)


@pytest.mark.parametrize("make", [air_envelope, air_limits, air_steps, own_steps, air_wave])
def test_a_modifier_in_a_straight_piece_does_the_same_at_corresponding_frames(
    make: Callable[[Any], Any],
) -> None:
    obj = hare()
    curve = keyed(obj, {40: 10, 47: 60, 58: 20, 66: 30})
    make(curve)
    x = np.arange(42, 64, 0.37)
    before = [curve.evaluate(f) for f in x]
    bare = [float(f) for f in np.interp(x, [40, 47, 58, 66], [10, 60, 20, 30])]
    assert np.abs(np.subtract(before, bare)).max() > 0.5
    moved = retime_all(obj, BEAT)
    assert moved == Moved(modifiers=1)
    curve = host.fcurves_of(obj)[0]
    after = [curve.evaluate(f) for f in BEAT.apply(x)]
    np.testing.assert_allclose(after, before, atol=2e-4)


def test_an_envelope_gets_points_where_the_map_bends_and_loses_them_on_the_way_back() -> None:
    obj = hare()
    curve = keyed(obj, {1: 0.4})
    envelope(curve, (30, -0.5, 1), (50, -2, 1.5), (80, -1, 3))
    x = np.arange(20, 90, 0.37)
    before, was = [curve.evaluate(f) for f in x], everything()
    moved = retime_others(held(obj), BEAT, exact=True)
    assert moved == Moved(modifiers=1)
    points = [p.frame for p in curve.modifiers[0].control_points]
    np.testing.assert_allclose(points, [32, 40, 48, 58, 73], atol=1e-5)
    after = [curve.evaluate(f) for f in BEAT.apply(x)]
    np.testing.assert_allclose(after, before, atol=1e-5)
    retime_others(held(obj), BEAT.inverse(), exact=True)
    assert len(curve.modifiers[0].control_points) == 3
    np.testing.assert_allclose(numbers_of(everything()), numbers_of(was), atol=1e-4)


@pytest.mark.parametrize("seed", range(12))
def test_any_map_keeps_an_envelope_and_a_range_and_its_inverse_brings_them_back(seed: int) -> None:
    rng = np.random.default_rng(seed)
    obj = hare()
    curve = keyed(obj, {1: 0.4})
    frames = 990 + np.cumsum(rng.integers(3, 20, 5))
    low, high = rng.uniform(-3, 0, 5), rng.uniform(1, 3, 5)
    envelope(curve, *zip(frames.tolist(), low.tolist(), high.tolist(), strict=True))
    # Neighbouring slopes that hardly differ need no point: these do.
    knots = 980 + np.cumsum(rng.integers(4, 20, 7))
    slopes = np.array([0.5, 1.6, 0.7, 2.1, 1.2, 0.4])
    time_map = TimeMap.of(knots, 1000 + np.cumsum(np.r_[0, np.diff(knots) * slopes]))
    modify(curve, "LIMITS", (float(frames[0]), float(frames[3])), use_max_y=True, max_y=0.5)
    x = np.arange(frames[0] - 10, frames[-1] + 10, 0.37)
    # A step of the limits falls between single and double precision.
    x = x[np.abs(x[:, None] - frames[[0, 3]]).min(axis=1) > 0.01]
    before, was = [curve.evaluate(f) for f in x], everything()
    assert retime_others(held(obj), time_map, exact=True).modifiers == 2
    after = [curve.evaluate(f) for f in time_map.apply(x)]
    np.testing.assert_allclose(after, before, atol=1e-3)
    retime_others(held(obj), time_map.inverse(), exact=True)
    np.testing.assert_allclose(numbers_of(everything()), numbers_of(was), atol=2.5e-4)


def test_an_envelope_that_is_not_to_be_exact_keeps_its_points_and_says_so() -> None:
    obj = hare()
    modifier = envelope(keyed(obj, {1: 0.4}), (30, -0.5, 1), (50, -2, 1.5), (80, -2, 1.5))
    moved = retime_others(held(obj), BEAT)
    np.testing.assert_allclose([p.frame for p in modifier.control_points], [32, 48, 73])
    told = "bends at its own points only, not where the retime does"
    said = (f"Envelope modifier of location[0] of Hare {told}",)
    assert moved == Moved(modifiers=1, said=said)


def test_noise_runs_faster_with_the_air() -> None:
    obj = hare()
    curve = keyed(obj, {1: 0, 100: 0})
    modifier = modify(curve, "NOISE", (43, 62), scale=7, offset=3.3, phase=1.7, strength=2)
    x = np.arange(43.5, 62, 0.37)
    before = np.array([curve.evaluate(f) for f in x])
    moved = retime_others(held(obj), BEAT)
    after = np.array([curve.evaluate(f) for f in BEAT.apply(x)])
    assert modifier.scale == pytest.approx(7 * 16 / 24)
    if getattr(modifier, "use_legacy_noise", True):
        assert "keeps its pace" in moved.said[0]
        assert np.corrcoef(before, after)[0, 1] > 0.9
    else:
        assert moved == Moved(modifiers=1)
        np.testing.assert_allclose(after, before, atol=1e-5)
        modifier.use_legacy_noise = True
        assert "keeps its pace" in retime_others(held(obj), BEAT.inverse()).said[0]


def test_noise_that_only_shifts_is_the_same_noise() -> None:
    obj = hare()
    curve = keyed(obj, {1: 0, 100: 0})
    modify(curve, "NOISE", (70, 90), scale=7, offset=3.3, phase=1.7, blend_in=3, blend_out=2)
    x = np.arange(60, 95, 0.37)
    before = [curve.evaluate(f) for f in x]
    assert retime_others(held(obj), BEAT) == Moved(modifiers=1)
    np.testing.assert_allclose([curve.evaluate(f - 7) for f in x], before, atol=1e-5)


def test_steps_on_twos_stay_on_twos() -> None:
    obj = hare()
    curve = keyed(obj, {1: 0, 100: 99})
    inside = modify(curve, "STEPPED", (43, 62), frame_step=2, frame_offset=1)
    after = modify(curve, "STEPPED", (70, 90), frame_step=2, frame_offset=1)
    everywhere = modify(curve, "STEPPED", frame_step=2, frame_offset=50)
    moved = retime_others(held(obj), BEAT)
    assert [m.frame_step for m in (inside, after, everywhere)] == [2, 2, 2]
    # 43 goes to 43 1/3 and 50 to 48; after the jump all is 7 earlier.
    assert [m.frame_offset for m in (inside, after, everywhere)] == [1, -6, 48]
    assert moved.modifiers == 3
    assert moved.said == tuple(
        f"{m.name} modifier of location[0] of Hare still holds for 2 frames"
        for m in (inside, everywhere)
    )


def test_a_blend_over_a_bend_keeps_its_ends_and_is_said() -> None:
    obj = hare()
    modifier = modify(keyed(obj, {1: 0}), "LIMITS", (36, 70), blend_in=6, blend_out=10)
    moved = retime_others(held(obj), BEAT)
    ends = (modifier.frame_start, modifier.frame_end, modifier.blend_in, modifier.blend_out)
    # From 36 to 42 and from 60 to 70 before.
    assert ends == pytest.approx((38, 63, 42 + 2 / 3 - 38, 63 - (42 + 19 * 2 / 3)))
    assert [told.split(" of ")[2] for told in moved.said] == [
        "Hare blends in evenly over a bend",
        "Hare blends out evenly over a bend",
    ]


@pytest.mark.parametrize("far", [1000, -1000])
def test_a_range_goes_far_beyond_its_former_end(far: int) -> None:
    obj = hare()
    curve = keyed(obj, {1: 0})
    made = [
        modify(curve, kind, (45, 60), blend_in=10, blend_out=5) for kind in ("LIMITS", "STEPPED")
    ]
    retime_others(held(obj), TimeMap.of([0], [far]))
    for m in made:
        assert (m.frame_start, m.frame_end) == (45 + far, 60 + far)
        assert (m.blend_in, m.blend_out) == (10, 5)


def test_frames_of_a_stepped_modifier_go_beyond_its_former_end() -> None:
    modifier = own_steps(keyed(hare(), {1: 0}))
    retime_others(held(bpy.data.objects["Hare"]), TimeMap.of([0], [1000]))
    assert (modifier.frame_start, modifier.frame_end) == (1044, 1060)


def test_a_blend_grows_longer_than_its_range_was() -> None:
    modifier = modify(keyed(hare(), {1: 0}), "LIMITS", (45, 50), blend_in=4, blend_out=1)
    retime_others(held(bpy.data.objects["Hare"]), TimeMap.of([45, 50], [45, 95]))
    assert (modifier.frame_start, modifier.frame_end) == (45, 95)
    assert (modifier.blend_in, modifier.blend_out) == (40, 10)


def test_a_point_of_the_users_own_stays_on_a_bend_where_it_is_no_corner() -> None:
    obj = hare()
    modifier = envelope(keyed(obj, {1: 0.4}), (30, -1, 1), (38, -1, 1), (50, -1, 1))
    assert retime_others(held(obj), BEAT, exact=True) == Moved(modifiers=1)
    np.testing.assert_allclose([p.frame for p in modifier.control_points], [32, 40, 48])


def test_functions_of_the_frame_and_repeats_are_left_and_named() -> None:
    obj = hare()
    curve = keyed(obj, {1: 0, 50: 3})
    modify(curve, "CYCLES")
    modify(curve, "GENERATOR", use_additive=True)
    modify(curve, "FNGENERATOR", use_additive=True, phase_multiplier=0.3)
    modify(curve, "NOISE", scale=5)
    was = everything()
    moved = retime_others(held(obj), BEAT, exact=True)
    assert everything() == was
    of = "modifier of location[0] of Hare"
    assert moved == Moved(
        said=(
            f"Cycles {of} repeats the keys and so follows them, outside their frames too",
            f"Generator {of} is a function of the frame: it is left as it is",
            f"Built-In Function {of} runs as before: the retime bends inside it",
            f"Noise {of} runs as before: the retime bends inside it",
        )
    )


def test_a_baked_curve_is_at_each_frame_what_it_was_where_that_comes_from() -> None:
    obj = hare()
    values = np.random.default_rng(4).normal(size=61)
    curve = bake(keyed(obj, {1: 0}), 30, values)
    modify(curve, "LIMITS", (45, 60))
    keyed(obj, {10: 1, 50: 2}, index=1)
    other = dump(host.fcurves_of(obj)[1])
    before = samples(curve)
    moved = retime_others(held(obj), BEAT)
    after = samples(curve)
    assert after[:, 0].tolist() == list(range(32, 84))
    frames = BEAT.invert(after[:, 0].astype(np.float64))
    expected = np.interp(frames, before[:, 0], before[:, 1])
    np.testing.assert_allclose(after[:, 1], expected, atol=1e-6)
    # What only shifts is the same to the bit, and so is what falls on samples.
    assert after[after[:, 0] <= 40, 1].tobytes() == before[before[:, 0] <= 38, 1].tobytes()
    assert after[after[:, 0] >= 58, 1].tobytes() == before[before[:, 0] >= 65, 1].tobytes()
    assert curve.evaluate(50) == pytest.approx(float(before[53 - 30, 1]), abs=1e-6)
    assert not len(curve.keyframe_points)
    assert dump(host.fcurves_of(obj)[1]) == other
    # The stated miss is the true one.
    again = [curve.evaluate(f) for f in BEAT.apply(before[:, 0].astype(np.float64))]
    curve.modifiers.remove(curve.modifiers[0])
    again = [curve.evaluate(f) for f in BEAT.apply(before[:, 0].astype(np.float64))]
    miss = float(np.abs(again - before[:, 1]).max())
    assert (moved.baked, moved.modifiers) == (1, 1)
    assert moved.said[0].startswith("location[0] of Hare is baked")
    assert float(moved.said[0].rpartition(" ")[2]) == pytest.approx(miss, rel=5e-3)


def test_samples_that_a_slower_map_puts_on_frames_come_back_to_the_bit() -> None:
    obj = hare()
    curve = bake(keyed(obj, {1: 0}), 10, np.random.default_rng(5).normal(size=40))
    slow = TimeMap.of([20, 30, 60], [20, 50, 80])
    was = samples(curve)
    assert retime_others(held(obj), slow) == Moved(baked=1)
    assert len(curve.sampled_points) == 60
    assert retime_others(held(obj), slow.inverse()).baked == 1
    assert samples(curve).tobytes() == was.tobytes()
