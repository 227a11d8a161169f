# SPDX-License-Identifier: GPL-3.0-or-later
"""Laws of the time map, and a few of its values by hand."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leapwright.errors import InputError
from leapwright.timemap import TimeMap

law = settings(max_examples=150, deadline=None, derandomize=True)
FRAMES = np.linspace(-300, 900, 2401)


@st.composite
def maps(draw):
    count = draw(st.integers(1, 6))
    gaps = st.lists(st.floats(0.05, 60), min_size=count, max_size=count)
    first = draw(st.floats(-100, 300)), draw(st.floats(-100, 300))
    return TimeMap(*(start + np.cumsum(draw(gaps)) for start in first))


@law
@given(m=maps())
def test_invert_undoes_apply(m):
    np.testing.assert_allclose(m.invert(m.apply(FRAMES)), FRAMES, atol=1e-9)
    np.testing.assert_allclose(m.apply(m.invert(FRAMES)), FRAMES, atol=1e-9)
    np.testing.assert_array_equal(m.inverse().apply(FRAMES), m.invert(FRAMES))
    np.testing.assert_array_equal(m.apply(m.source), m.target)


@law
@given(m=maps())
def test_frames_keep_their_order_and_outside_their_distance(m):
    went = m.apply(FRAMES)
    assert (np.diff(went) > 0).all()
    first, last = m.source[[0, -1]]
    for outside in (FRAMES[np.less(FRAMES, first)], FRAMES[np.greater(FRAMES, last)]):
        np.testing.assert_allclose(np.diff(m.apply(outside)), np.diff(outside), atol=1e-9)


@law
@given(m=maps())
def test_slope_is_the_difference_of_frames(m):
    away = FRAMES[np.abs(FRAMES[:, None] - m.source).min(axis=1) > 0.01]
    h = 0.005
    wanted = (m.apply(away + h) - m.apply(away - h)) / (2 * h)
    np.testing.assert_allclose(m.slope(away), wanted, rtol=1e-7)
    np.testing.assert_array_equal(m.slope(away, "before"), m.slope(away, "after"))
    tiny = 1e-3
    for side, sign in (("before", -1), ("after", 1)):
        step = (m.apply(m.source + sign * tiny) - m.target) / (sign * tiny)
        np.testing.assert_allclose(m.slope(m.source, side), step, rtol=1e-7)


@law
@given(first=maps(), then=maps())
def test_compose_is_one_after_the_other(first, then):
    both = then.compose(first)
    np.testing.assert_allclose(both.apply(FRAMES), then.apply(first.apply(FRAMES)), atol=1e-6)


@law
@given(m=maps())
def test_json_holds_all_of_it(m):
    again = TimeMap.from_json(json.loads(json.dumps(m.to_json())))
    np.testing.assert_array_equal(again.source, m.source)
    np.testing.assert_array_equal(again.target, m.target)


def test_a_drum_beat():
    beat = TimeMap.of([38, 41, 65], [40, 42, 58])
    assert beat.apply([[20, 38], [41, 53], [65, 100]]).tolist() == [[22, 40], [42, 50], [58, 93]]
    assert beat.slope([38, 41, 65], "before").tolist() == [1, 2 / 3, 2 / 3]
    assert beat.slope([38, 41, 65]).tolist() == [2 / 3, 2 / 3, 1]
    assert beat.bends().tolist() == [38, 65]
    assert beat.reach == (-np.inf, np.inf)
    assert not beat.is_identity


def test_reach_ends_where_frames_stay():
    landing = TimeMap.of([23, 35, 51, 55, 67], [23, 35, 47, 50, 67])
    assert landing.reach == (35, 67)
    # The absorb shrinks as the fall does: no bend at land.
    assert landing.bends().tolist() == [35, 55, 67]
    assert TimeMap.of([35, 51], [35, 47]).reach == (35, np.inf)


def test_the_identity():
    stay = TimeMap.identity()
    assert stay.is_identity
    assert stay.reach == (np.inf, -np.inf)
    assert TimeMap.of([3, 9, 12], [3, 9, 12]).is_identity
    assert stay.bends().size == 0
    np.testing.assert_array_equal(stay.apply(FRAMES), FRAMES)
    assert not TimeMap.of([3], [4]).is_identity


@pytest.mark.parametrize(
    ("source", "target", "argument"),
    [
        ([1, 1], [1, 2], "source"),
        ([1, 2], [2, 1], "target"),
        ([1, 2], [1, 2, 3], "target"),
        ([], [], "source"),
        ([np.nan], [1], "source"),
        ([1], [np.inf], "target"),
        ([[1, 2]], [[1, 2]], "source"),
    ],
)
def test_bad_knots(source, target, argument):
    with pytest.raises(InputError) as caught:
        TimeMap.of(source, target)
    assert caught.value.argument == argument


def test_bad_questions():
    with pytest.raises(InputError, match="side"):
        TimeMap.identity().slope([1], "left")
    with pytest.raises(InputError, match="data"):
        TimeMap.from_json({"source": [1]})
    with pytest.raises(InputError, match="finite"):
        TimeMap.identity().apply([np.nan])
