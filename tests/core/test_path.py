# SPDX-License-Identifier: GPL-3.0-or-later
"""The path's own laws: parabola in the air, no step in speed, and keys that say all of it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leapwright import InputError, Path, plan
from leapwright.path import handles_at_thirds

G = 9.80665
law = settings(max_examples=60, deadline=None, derandomize=True)


@st.composite
def jumps(draw):
    height = draw(st.floats(0.05, 10))
    return plan(
        jump_height=height,
        push_height=height / draw(st.floats(0.3, 20)),
        landing_level=height * draw(st.floats(-3, 0.98)),
        travel=draw(st.floats(-10, 10)),
        heading=draw(st.floats(-180, 180)),
        frame_rate=draw(st.sampled_from([12, 24, 25, "30000/1001", 60])),
        keep=draw(st.sampled_from(["gravity", "poses", "heights"])),
        twos=draw(st.booleans()),
        carry_on=draw(st.booleans()),
        shot_start=draw(st.integers(-50, 5000)),
        crouch_hold_frames=draw(st.sampled_from([0, 4])),
        anticipation_frames=draw(st.sampled_from([None, 0, 8])),
        recover_frames=draw(st.sampled_from([None, 0, 8])),
    )


@law
@given(jump=jumps())
def test_second_differences_in_the_air(jump):
    moments, dt = jump.moments, 1 / float(jump.frame_rate)
    z = jump.cog(np.arange(moments.takeoff, moments.land + 1)).position
    size = np.abs(z).max() + jump.gravity * dt**2
    second = np.diff(z, 2, axis=0)
    assert second[:, 2] == pytest.approx(-jump.gravity * dt**2, abs=1e-13 * size)
    assert second[:, :2] == pytest.approx(0, abs=1e-13 * size)


@law
@given(jump=jumps())
def test_speed_and_place_are_continuous_at_all_moments(jump):
    path = jump.path()
    c = path.coefficients
    span = np.diff(path.times)[:, None]
    end = c[:, 0] + span * (c[:, 1] + span * (c[:, 2] + span * c[:, 3]))
    pace = c[:, 1] + span * (2 * c[:, 2] + span * 3 * c[:, 3])
    scale, speed = np.abs(path.position).max(), np.abs(path.velocity).max()
    kept = span[:, 0] > 0
    starts = np.flatnonzero(kept)
    np.testing.assert_allclose(end[starts[:-1]], c[starts[1:], 0], atol=1e-12 * scale)
    np.testing.assert_allclose(pace[starts[:-1]], c[starts[1:], 1], atol=1e-12 * speed)
    # Apex: both halves of the air are one parabola.
    rise, fall = c[3], c[4]
    np.testing.assert_allclose(rise[3], 0, atol=1e-9 * jump.gravity / span[3, 0])
    np.testing.assert_allclose(rise[2], fall[2], atol=1e-9 * jump.gravity)


def bezier(key, left, right, frames):
    """The curve of a host: cubic Bezier segments, evaluated by halving for the parameter."""
    at = np.clip(np.searchsorted(key[:, 0], frames, side="right") - 1, 0, len(key) - 2)
    points = np.stack([key[at], right[at], left[at + 1], key[at + 1]]).astype(np.float64)

    def cast(u):
        level = points
        while len(level) > 1:
            level = level[:-1] + u[:, None] * (level[1:] - level[:-1])
        return level[0]

    low, high = np.zeros(len(frames)), np.ones(len(frames))
    for _ in range(60):
        middle = (low + high) / 2
        under = cast(middle)[:, 0] < frames
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return cast((low + high) / 2)[:, 1]


@law
@given(jump=jumps())
def test_keys_alone_say_the_path(jump):
    """Handles in single precision, evaluated in double, on every quarter frame.

    What is left is the rounding of values, and that of a handle's frame (half a spacing, weighing
    at most 3/4 of the way between keys) times how far the slope differs from that at the handle.
    """
    path, fps = jump.path(), float(jump.frame_rate)
    times, first = np.unique(path.times, return_index=True)
    frames = np.rint(jump.moments.takeoff + times * fps)
    sampled = np.linspace(frames[0], frames[-1], 4 * int(frames[-1] - frames[0]) + 1)
    wanted, velocity, _ = jump.cog(sampled)
    slopes = np.ptp(velocity / fps, axis=0)
    spacing = float(np.spacing(np.float32(np.abs(frames).max() + 40)))
    for axis in range(3):
        key, left, right = handles_at_thirds(
            frames, path.position[first, axis], path.velocity[first, axis] / fps
        )
        assert key.dtype == left.dtype == right.dtype == np.float32
        got = bezier(key, left, right, sampled)
        size = max(1.0, np.abs(wanted[:, axis]).max())
        miss = np.abs(got - wanted[:, axis]).max()
        assert miss <= 3e-7 * size + 3 / 8 * spacing * slopes[axis]
        assert miss <= 2e-5 * size
        if frames[-1] < 128 and slopes[axis] < 0.4:
            assert miss <= 1e-6 * size


def test_handles_stand_at_thirds():
    key, left, right = handles_at_thirds([1, 7, 10], [0.0, 2.0, 1.0], [0.5, 0.0, -1.0])
    np.testing.assert_array_equal(key[:, 0], [1, 7, 10])
    np.testing.assert_array_equal(right[:, 0], [3, 8, 11])
    np.testing.assert_array_equal(left[:, 0], [-1, 5, 9])
    np.testing.assert_allclose(right[:, 1], [1.0, 2.0, 0.0], atol=1e-6)
    np.testing.assert_allclose(left[:, 1], [-1.0, 2.0, 2.0], atol=1e-6)


def test_one_key_has_handles_too():
    key, left, right = handles_at_thirds([5], [2.0], [3.0])
    assert key.tolist() == [[5, 2]]
    np.testing.assert_allclose([left[0], right[0]], [[5 - 1 / 3, 1], [5 + 1 / 3, 3]], rtol=1e-6)


def test_outside_its_moments_a_path_goes_on_as_it_was():
    run = plan(jump_height=1, push_height=0.3, running=2.0)
    before, after = run.cog([run.moments.crouch - 24, run.moments.end + 24]).position
    assert before[0] == pytest.approx(-2.0 * (1 + run.frames.push / 24))
    stay = plan(jump_height=1, push_height=0.3)
    far = stay.cog([stay.moments.start - 100, stay.moments.end + 100])
    np.testing.assert_allclose(far.velocity, 0, atol=1e-14)
    np.testing.assert_array_equal(far.acceleration, 0)
    assert after[2] == pytest.approx(run.cog(run.moments.end).position[0, 2])


def test_a_moment_has_the_acceleration_of_the_phase_that_begins_there():
    for subframes in (False, True):
        jump = plan(jump_height=1, push_height=0.3, subframes=subframes, shot_start=4001)
        moments = jump.moments
        at = jump.cog([moments.crouch, moments.takeoff, moments.apex, moments.land])
        push = jump.takeoff_speed**2 / (2 * jump.push_height)
        absorb = jump.landing_speed**2 / (2 * jump.absorb_height)
        assert at.acceleration[:, 2] == pytest.approx([push, -G, -G, absorb], rel=1e-9)


def test_many_paths_at_once():
    height = np.array([[0.5, 1.0, 1.5], [2.0, 0.2, 0.9]])
    many = plan(jump_height=height, push_height=0.3, travel=1.0)
    frames = np.linspace(-5, 60, 14)
    motion = many.cog(frames)
    assert motion.position.shape == (2, 3, 14, 3)
    for index in np.ndindex(2, 3):
        one = plan(jump_height=height[index], push_height=0.3, travel=1.0).cog(frames)
        for a, b in zip(motion, one, strict=True):
            np.testing.assert_array_equal(a[index], b)


def test_transformed():
    path = plan(jump_height=1, push_height=0.3, travel=2.0).path()
    matrix = np.array([[0.0, -2.0, 0.0], [1.0, 0.0, 3.0]])
    times = np.linspace(-1, 2, 30)
    moved = path.transformed(matrix, np.array([5.0, -1.0])).at(times)
    still = path.at(times)
    np.testing.assert_allclose(moved.position, still.position @ matrix.T + [5, -1], atol=1e-12)
    np.testing.assert_allclose(moved.velocity, still.velocity @ matrix.T, atol=1e-12)


def test_a_path_checks_its_arrays():
    three = np.zeros((3, 2))
    with pytest.raises(InputError, match="shape"):
        Path(np.arange(4.0), three, three)
    with pytest.raises(InputError, match="times must not decrease"):
        Path(np.array([0.0, 2.0, 1.0]), three, three)
