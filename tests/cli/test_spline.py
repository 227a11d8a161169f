# SPDX-License-Identifier: GPL-3.0-or-later
"""Chains, contacts and ``leapwright spline`` on the samples, as a user types them."""

from __future__ import annotations

from pathlib import Path

import pytest

SAMPLES = Path(__file__).parents[2] / "blend_samples"

pytestmark = pytest.mark.needs_bpy


def test_two_hops_from_the_command_line(child, tmp_path):
    one, two = tmp_path / "one.blend", tmp_path / "two.blend"
    hop = (
        *("--rise-frames", "6", "--push-height", "0.1532"),
        *("--absorb-height", "0.1532", "--recover-frames", "0"),
    )
    first = child(
        *("block", str(SAMPLES / "hare.blend"), "--rig", "Hare", "--keep", "poses", *hop),
        *("--pin", "crouch=1", "--anticipation-frames", "0", "-o", str(one), "--json"),
    ).data
    second = child(
        *("block", str(one), "--rig", "Hare", "--keep", "poses", *hop),
        *("--chain", "-o", str(two), "--json"),
    ).data
    names = ("crouch", "takeoff", "apex", "land", "low")
    assert [first["moments"][m] for m in names] == [1, 4, 10, 16, 19]
    assert [second["moments"][m] for m in names] == [19, 22, 28, 34, 37]
    assert second["measured"]["largest_distance_m"] < 2e-5


def test_a_stepped_block_becomes_splines(child, tmp_path):
    stepped, out = tmp_path / "stepped.blend", tmp_path / "out.blend"
    child(
        *("block", str(SAMPLES / "hare.blend"), "--rig", "Hare", "--rise-frames", "12"),
        *("--push-frames", "4", "--pin", "takeoff=12", "--stepped", "--key", "all"),
        *("-o", str(stepped)),
    )
    dry = child("spline", str(stepped), "--rig", "Hare", "--dry-run")
    assert dry.code == 0
    assert "Nothing was written" in dry.err
    assert "take-off 12, apex 24, land 36" in dry.out
    answer = child("spline", str(stepped), "--rig", "Hare", "-o", str(out), "--json").data
    assert answer["jumps"][0]["moments"]["takeoff"] == 12
    assert answer["measured"][0]["jump_height_m"] == pytest.approx(1.2258, abs=1e-4)
    assert answer["measured"][0]["largest_distance_m"] < 2e-5
    assert sum(k["added"] + k["moved"] + k["replaced"] for k in answer["keyed"]) == 0
    assert out.is_file()


def test_what_cannot_be_splined_is_said_in_one_line(child, tmp_path):
    said = child(
        *("spline", str(SAMPLES / "hare.blend"), "--rig", "Hare", "-o", str(tmp_path / "x.blend"))
    ).refusal(2)
    assert "remembers no jump" in said
    assert not (tmp_path / "x.blend").exists()


def test_again_changes_one_measure(child, tmp_path):
    one, two = tmp_path / "one.blend", tmp_path / "two.blend"
    child(
        *("block", str(SAMPLES / "hare.blend"), "--rig", "Hare", "--rise-frames", "12"),
        *("--push-frames", "4", "--pin", "takeoff=20", "-o", str(one)),
    )
    answer = child(
        *("block", str(one), "--rig", "Hare", "--again", "--jump-height", "0.85"),
        *("-o", str(two), "--json"),
    ).data
    assert answer["frames"]["rise"] == 10
    assert answer["frames"]["push"] == 4
    assert answer["moments"]["takeoff"] == 20
    assert sum(k["replaced"] for k in answer["keyed"]) > 0
