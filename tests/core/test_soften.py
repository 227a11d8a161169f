# SPDX-License-Identifier: GPL-3.0-or-later
"""Easings drawn as Bezier segments look the same."""

from __future__ import annotations

import numpy as np
import pytest

from leapwright.curves import Channel, Curves, Easing, Handle, Interpolation
from leapwright.errors import InputError
from leapwright.playback import evaluate
from leapwright.soften import soften

EASINGS = [i for i in Interpolation if i > Interpolation.BEZIER and i != Interpolation.ELASTIC]


def curve(interpolation: Interpolation, easing: Easing) -> Curves:
    return Curves.checked(
        [Channel("c", 0), Channel("c", 1)], [0, 3, 6], [0, 12, 13, 4, 30, 47], [0, 3, 2, -1, -1, 7],
        interpolation=interpolation, easing=easing, back=[1.7, 0, 3, 2, 1, 2],
        left_type=Handle.AUTO, right_type=Handle.AUTO,
    )  # fmt: skip


@pytest.mark.parametrize("easing", list(Easing))
@pytest.mark.parametrize("interpolation", EASINGS)
def test_the_shape_stays(interpolation: Interpolation, easing: Easing) -> None:
    hard = curve(interpolation, easing)
    soft = soften(hard, np.array([0, 1, 4]))
    frames = np.linspace(-1, 48, 9000)
    miss = np.abs(evaluate(hard, frames) - evaluate(soft, frames))
    # An upright end is as steep as single precision lets it be.
    step = 2e-5
    wide = np.abs(evaluate(hard, frames + step) - evaluate(hard, frames - step))
    slack = wide if interpolation == Interpolation.CIRC else 0
    assert (miss - slack).max() <= 1e-4 * 8
    assert set(hard.frame) <= set(soft.frame)
    begun = np.isin(soft.frame, [0, 12, 30])
    assert (soft.interpolation[begun] == Interpolation.BEZIER).all()
    # What was not asked for is as it was.
    assert soft.interpolation[soft.starts[1]] == interpolation
    if interpolation in (Interpolation.QUAD, Interpolation.CUBIC, Interpolation.BACK):
        assert len(soft.frame) == len(hard.frame) + (3 if easing == Easing.EASE_IN_OUT else 0)


def test_elastic_and_bezier_are_refused() -> None:
    for mode in (Interpolation.ELASTIC, Interpolation.BEZIER):
        with pytest.raises(InputError, match="ELASTIC"):
            soften(curve(mode, Easing.AUTO), np.array([0]))
    hard = curve(Interpolation.SINE, Easing.AUTO)
    assert soften(hard, np.array([], np.int64)) is hard
