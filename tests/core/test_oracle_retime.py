# SPDX-License-Identifier: GPL-3.0-or-later
"""The ranking against brute force over every count: plain Python, nothing shared."""

from __future__ import annotations

from math import log

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leapwright.errors import ClashError
from leapwright.retime import retime

oracle = settings(max_examples=100, deadline=None, derandomize=True)


def brute(n, m, k, step, *, air=None, push=None, even=None, pinned=None):
    """All whole answers as (odd, cost, air, push), best first.

    `pinned` is the sum of push and air. The even rule is for a level jump with even air.
    """
    even = n % (2 * step) == 0 if even is None else even
    found = []
    for n2 in range(2 * step, 4 * max(n, int(n / k) + 1) + 9 * step, step):
        pushes = range(step, 4 * max(m, int(m / k) + 1) + 9 * step, step)
        for m2 in pushes if push is None else [push]:
            if air not in (None, n2) or pinned not in (None, n2 + m2):
                continue
            cost = (2 * log(n2 * k / n)) ** 2 + log((n2 / m2) / (n / m)) ** 2
            found.append((even and n2 % (2 * step) != 0, cost, n2, m2))
    return sorted(found)


def compare(got, wanted):
    listed = [a for a in got.alternatives if not a.odd] or list(got.alternatives)
    best = [w for w in wanted if not w[0]] or wanted
    for answer, expected in zip(listed, best, strict=False):
        _, cost, air, push = expected
        same = [w[2:] for w in best if abs(w[1] - cost) < 1e-11]
        f = answer.frames
        assert (f.air, f.push) in same
        if len(same) == 1:
            assert (f.air, f.push) == (air, push)
    assert (got.frames_after.air, got.frames_after.push) == min(
        w[2:] for w in best if abs(w[1] - best[0][1]) < 1e-11
    )


def moments_of(n, m, crouch=11, even=True):
    apex = crouch + m + n / 2 if even else crouch + m + n / 2 - 1
    return {"crouch": crouch, "takeoff": crouch + m, "apex": apex, "land": crouch + m + n}


@oracle
@given(n=st.integers(2, 60), m=st.integers(1, 20), k=st.floats(0.25, 4))
def test_snappiness(n, m, k):
    got = retime(moments_of(n, m), snappiness=k)
    compare(got, brute(n, m, k, 1))
    assert len([a for a in got.alternatives if not a.odd]) == 5
    assert all(a.odd for a in got.alternatives[5:])


@oracle
@given(n=st.integers(4, 50), m=st.integers(1, 20), k=st.floats(0.25, 4))
def test_a_jump_to_another_level_has_no_even_rule(n, m, k):
    compare(retime(moments_of(n, m, even=False), snappiness=k), brute(n, m, k, 1, even=False))


@oracle
@given(n=st.integers(2, 25), m=st.integers(1, 10), k=st.floats(0.3, 3))
def test_twos(n, m, k):
    got = retime(moments_of(2 * n, 2 * m), snappiness=k, twos=True, shot_start=1)
    compare(got, brute(2 * n, 2 * m, k, 2))


@oracle
@given(n=st.integers(2, 50), m=st.integers(1, 20), air=st.integers(2, 60))
def test_typed_air(n, m, air):
    got = retime(moments_of(n, m), air_frames=air)
    compare(got, brute(n, m, n / air, 1, air=air, even=False))


@oracle
@given(n=st.integers(2, 50), m=st.integers(1, 20), k=st.floats(0.3, 3), push=st.integers(1, 20))
def test_typed_push(n, m, k, push):
    compare(retime(moments_of(n, m), snappiness=k, push_frames=push), brute(n, m, k, 1, push=push))


@oracle
@given(n=st.integers(2, 50), m=st.integers(1, 20), total=st.integers(2, 60))
def test_crouch_and_land_pinned(n, m, total):
    k = (n + m) / total
    wanted = brute(n, m, k, 1, pinned=total)
    pins = {"crouch": 11, "land": 11 + total}
    if not wanted:
        with pytest.raises(ClashError, match="leave no answer"):
            retime(moments_of(n, m), pins=pins)
        return
    compare(retime(moments_of(n, m), pins=pins), wanted)
