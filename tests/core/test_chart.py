# SPDX-License-Identifier: GPL-3.0-or-later
"""The chart against free fall and against plan."""

from __future__ import annotations

import numpy as np
import pytest

from leapwright import InputError, chart, plan
from leapwright.units import METRES_PER_UNIT


def test_the_trades_table():
    """Common practice, no published source: at 24 fps four feet take 12 frames, about twenty
    inches 8."""
    rows = chart([12, 8])
    assert rows.height_m[0] / METRES_PER_UNIT["ft"] == pytest.approx(4, rel=0.01)
    assert rows.height_m[1] / METRES_PER_UNIT["in"] == pytest.approx(20, rel=0.08)


@pytest.mark.parametrize("rate", [12, 24, 25, 23.976, "30000/1001", 60])
@pytest.mark.parametrize("gravity", [9.80665, "mars", 1.0])
def test_rows_are_plans(rate, gravity):
    rows = chart(frame_rate=rate, gravity=gravity)
    jumps = plan(rise_frames=np.arange(1, 25), push_frames=3, frame_rate=rate, gravity=gravity)
    np.testing.assert_array_equal(rows.rise_frames, np.arange(1, 25))
    np.testing.assert_allclose(rows.height_m, jumps.jump_height, rtol=1e-14)
    np.testing.assert_allclose(rows.takeoff_speed_m_s, jumps.takeoff_speed, rtol=1e-14)
    np.testing.assert_array_equal(rows.air_frames, jumps.frames.air)


def test_fractional_rows():
    """Below one frame there is no frame before: the step is the whole height."""
    rows = chart([0.25, 0.5, 1, 1.5])
    assert rows.step_m[0] == pytest.approx(rows.height_m[0])
    assert rows.step_m[1] == pytest.approx(rows.height_m[1])
    assert rows.step_m[3] == pytest.approx(rows.height_m[3] - rows.height_m[1])


@pytest.mark.parametrize("bad", [0, -3, [4, 0], np.nan, "many", [[1, 2]]])
def test_bad_rows(bad):
    with pytest.raises(InputError, match="rise_frames"):
        chart(bad)
