# SPDX-License-Identifier: GPL-3.0-or-later
"""A track holds what it was given, or says what is wrong with it."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from leapwright.errors import InputError
from leapwright.track import Track


def test_heights_alone_are_a_track():
    track = Track.of([1.0, 2.0], frame_rate="30000/1001")
    assert track.cog.tolist() == [[0, 0, 1], [0, 0, 2]]
    assert track.frames.tolist() == [1, 2]
    assert track.frame_rate == Fraction(30000, 1001)
    assert not track.has_feet


def test_one_sole_may_come_without_its_axis():
    track = Track.of([1.0, 2.0], soles=np.ones((2, 3)))
    assert track.soles.shape == (1, 2, 3)
    assert track.names == ("sole 1",)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"cog": []}, "at least one frame"),
        ({"cog": "high"}, "numbers"),
        ({"cog": np.ones((3, 2))}, "shape"),
        ({"cog": [1, np.nan, np.inf]}, "2 of 3, first on frame 2"),
        ({"cog": [1, 2], "frames": [1, 1]}, "increase"),
        ({"cog": [1, 2], "frames": [1, 1 + 1e-9]}, "increase, by 0.001"),
        ({"cog": [1, 2], "frames": [1, np.nan]}, "finite"),
        ({"cog": [1, 2], "frames": [1]}, "shape"),
        ({"cog": [1, 2], "frame_rate": 0}, "frame_rate"),
        ({"cog": [1, 2], "soles": np.ones((1, 3, 3))}, "shape"),
        ({"cog": [1, 2], "soles": np.full((1, 2, 3), np.inf)}, "finite"),
        ({"cog": [1, 2], "contacts": [[True]]}, "shape"),
        ({"cog": [1, 2], "stretch": [[1, np.nan]]}, "finite"),
        ({"cog": [1, 2], "keys": [np.nan]}, "keys"),
        ({"cog": [1, 2], "contacts": [[1, 1]], "names": ["a", "b"]}, "names"),
    ],
)
def test_nonsense_is_refused_by_name(given, words):
    with pytest.raises(InputError, match=words):
        Track.of(given.pop("cog"), **given)


def test_held_poses_are_known_on_their_keys_only():
    cog = np.repeat([1.0, 0.5, 2.0], 4)
    assert Track.of(cog, stepped=True).known().tolist() == [0, 4, 8]
    assert Track.of(cog, stepped=True, keys=[1, 9]).known().tolist() == [0, 8]
    assert Track.of(cog).known().tolist() == list(range(12))
