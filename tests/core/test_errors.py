# SPDX-License-Identifier: GPL-3.0-or-later
"""Every refusal is one line that names the argument, and outlives a process."""

from __future__ import annotations

import inspect
import pickle

import numpy as np
import pytest

from leapwright import errors, plan
from leapwright.units import frame_rate_of

GOOD = {"jump_height": 1.0, "push_height": 0.3}


@pytest.mark.parametrize("name", errors.__all__)
def test_errors_can_be_pickled(name):
    kind = getattr(errors, name)
    for error in (kind("it broke"), *special(kind)):
        copy = pickle.loads(pickle.dumps(error))
        assert type(copy) is kind
        assert str(copy) == str(error)
        assert vars(copy) == vars(error)
        assert isinstance(error, errors.LeapwrightError)


def special(kind):
    if kind in (errors.InputError, errors.ReachError):
        yield kind("must be 1", "push_height")
    if kind is errors.ClashError:
        yield kind("a and b clash", ("a", "b"))
    if kind is errors.KeysInTheWayError:
        yield kind("keys", [("hips.z", 4.0)])


def test_errors_are_builtins_too():
    parents = {
        errors.InputError: ValueError,
        errors.ClashError: ValueError,
        errors.ReachError: ValueError,
        errors.NotFoundError: LookupError,
        errors.FileError: OSError,
        errors.HostError: RuntimeError,
    }
    assert all(issubclass(ours, theirs) for ours, theirs in parents.items())


ABOVE_ZERO = ["jump_height", "rise_frames", "air_frames", "takeoff_speed", "push_height"]
ABOVE_ZERO += ["push_frames", "magnification", "absorb_height", "absorb_frames", "gravity"]
ABOVE_ZERO += ["absorb_limit"]
FROM_ZERO = ["crouch_hold_frames", "anticipation_frames", "recover_frames", "running"]
FROM_ZERO += ["start_height", "end_height"]
ANY = ["landing_level", "travel", "foot_travel", "heading", "shot_start", "cog_ahead", "cog_behind"]


def refused(kind, **ask):
    with pytest.raises(errors.LeapwrightError) as caught:
        plan(**ask)
    assert type(caught.value) is kind
    text = str(caught.value)
    assert "\n" not in text
    return text


@pytest.mark.parametrize("name", ABOVE_ZERO + FROM_ZERO + ANY)
def test_each_number_is_checked_by_name(name):
    for bad, quoted in ((np.nan, "nan"), (np.inf, "inf"), ("high", "high"), ([1, np.nan], "elem")):
        text = refused(errors.InputError, **{**GOOD, name: bad})
        assert text.startswith(name)
        assert quoted in text
    if name not in ANY:
        text = refused(errors.InputError, **{**GOOD, name: -0.25})
        assert text.startswith(name)
        assert "-0.25" in text
    if name in ABOVE_ZERO:
        assert "above 0" in refused(errors.InputError, **{**GOOD, name: 0})


def test_every_argument_is_in_these_lists():
    options = {"frame_rate", "keep", "twos", "subframes", "carry_on", "pins"}
    assert set(inspect.signature(plan).parameters) - options == {*ABOVE_ZERO, *FROM_ZERO, *ANY}


@pytest.mark.parametrize(
    ("ask", "pieces"),
    [
        ({"jump_height": 1}, ["push_height", "push_frames", "magnification"]),
        ({"push_height": 1}, ["jump_height", "rise_frames", "air_frames", "takeoff_speed"]),
        ({"push_frames": 3, "magnification": 4}, ["jump_height"]),
        ({**GOOD, "rise_frames": 12}, ["jump_height", "rise_frames"]),
        ({**GOOD, "push_frames": 3}, ["push_height", "push_frames"]),
        ({**GOOD, "magnification": 3}, ["push_height", "magnification"]),
        ({**GOOD, "magnification": 3, "keep": "poses"}, ["jump_height", "magnification"]),
        ({**GOOD, "travel": 3, "foot_travel": 4}, ["travel", "foot_travel"]),
        ({**GOOD, "absorb_height": 3, "absorb_frames": 4}, ["absorb_height", "absorb_frames"]),
    ],
)
def test_too_much_or_too_little(ask, pieces):
    text = refused(errors.ClashError, **ask)
    assert all(piece in text for piece in pieces), text


def test_a_level_that_cannot_be_reached():
    for level in (0.9, 0.95):
        text = refused(errors.ReachError, jump_height=0.9, push_height=0.3, landing_level=level)
        assert "landing_level" in text
        assert "0.9 m" in text
    text = refused(errors.ReachError, air_frames=12, push_height=0.3, landing_level=1.3)
    assert "air_frames must be at least 13" in text
    assert plan(air_frames=13, push_height=0.3, landing_level=1.3).frames.air == 13
    text = refused(errors.ReachError, air_frames=12, push_height=0.3, landing_level=-1.3)
    assert "at least 13" in text


def test_arrays_say_which_element():
    text = refused(errors.InputError, jump_height=[1, 2, -3], push_height=0.3)
    assert "-3 (element 2)" in text
    text = refused(errors.InputError, jump_height=[1, 2, 3], push_height=[0.3, 0.4])
    assert "shape" in text
    text = refused(errors.InputError, jump_height=np.zeros((0, 3)), push_height=0.3)
    assert "at least one" in text
    assert "(0, 3)" in text


def test_whole_frames():
    for name in ("rise_frames", "air_frames", "push_frames", "absorb_frames"):
        text = refused(errors.InputError, **{"rise_frames": 9, "push_frames": 3, name: 4.5})
        assert text.startswith(f"{name} must be a whole number of frames (4 or 5")
    assert refused(errors.InputError, **GOOD, shot_start=1.5).startswith("shot_start")
    assert "air_frames must be at least 2" in refused(
        errors.InputError, air_frames=1, push_frames=3
    )


def test_words_that_are_not_known():
    assert "gravity, poses, heights" in refused(errors.InputError, **GOOD, keep="height")
    assert "mars" in refused(errors.InputError, **GOOD, gravity="krypton")


@pytest.mark.parametrize("bad", [0, -24, "fast", "1/0", float("nan"), float("inf"), None, "", 1e9])
def test_frame_rates(bad):
    with pytest.raises(errors.InputError, match="frame_rate must be a number above 0"):
        frame_rate_of(bad)
