# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright chart``: the trade's table, on whole feet and inches."""

from __future__ import annotations

import re

import pytest


def test_rows_of_the_json(here):
    rows = here("chart", "--json").data["rows"]
    assert [row["rise_frames"] for row in rows] == list(range(1, 25))
    for row in rows:
        keys = ["rise_frames", "height_m", "takeoff_speed_m_s", "air_frames", "step_m"]
        assert list(row) == keys
        assert row["height_m"] == pytest.approx(9.80665 * (row["rise_frames"] / 24) ** 2 / 2)
        assert row["air_frames"] == 2 * row["rise_frames"]
    # Galileo: the steps run 1 : 3 : 5 : 7, and add up to the height.
    first = rows[0]["step_m"]
    steps = [row["step_m"] / first for row in rows]
    assert steps == pytest.approx([2 * n - 1 for n in range(1, 25)])
    assert sum(row["step_m"] for row in rows) == pytest.approx(rows[-1]["height_m"])


def test_common_practice_in_inches(here):
    out = here("chart", "--rise-frames", "8,12", "--unit", "in").out
    heights = {int(r): float(h) for r, h in re.findall(r"^ +(\d+) +([\d.]+) ", out, re.MULTILINE)}
    # Four feet take 12 frames, about twenty inches 8 (reference-values.md).
    assert heights[12] == pytest.approx(48, rel=0.01)
    assert heights[8] == pytest.approx(20, rel=0.08)


def test_rates_bodies_and_ranges(child):
    told = child("chart", "--rise-frames", "2-4,10", "--fps", "30", "--gravity", "moon", "--json")
    rows = told.data["rows"]
    assert [row["rise_frames"] for row in rows] == [2, 3, 4, 10]
    assert rows[-1]["height_m"] == pytest.approx(1.6 * (10 / 30) ** 2 / 2)
