# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright resize`` on a sample, as a user types it."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

SAMPLES = Path(__file__).parents[2] / "blend_samples"

pytestmark = pytest.mark.needs_bpy


def resized(file, *more):
    return ("resize", str(file), "--rig", "Hare", *more)


@pytest.fixture
def one(child, tmp_path):
    """A rise of 10 and a push of 3 frames, take-off on 41."""
    out = tmp_path / "one.blend"
    child(
        *("block", str(SAMPLES / "hare.blend"), "--rig", "Hare", "--rise-frames", "10"),
        *("--push-frames", "3", "--travel", "1.2", "--pin", "takeoff=41", "-o", str(out)),
    )
    return out


def test_higher_into_a_file_and_back(child, one, tmp_path):
    two, three = tmp_path / "two.blend", tmp_path / "three.blend"
    answer = child(*resized(one, "--times-height", "1.44", "-o", str(two), "--json")).data
    assert answer["asked"] == {"times_height": 1.44}
    assert answer["heights_m"]["before"]["jump"] == pytest.approx(0.851, abs=5e-4)
    assert answer["measured"]["after"]["jump_height_m"] == pytest.approx(1.226, abs=5e-4)
    assert answer["measured"]["largest_distance_m"] < 2e-5
    assert answer["gravity_m_s2"] == pytest.approx(9.80665, rel=1e-4)
    names = ("crouch", "takeoff", "apex", "land", "low")
    assert [answer["moments_after"][m] for m in names] == [38, 41, 53, 65, 68]
    # The file remembers where its jump is now.
    back = child(*resized(two, "--jump-height", "85.13cm", "-o", str(three), "--json")).data
    assert [back["moments_after"][m] for m in names[:4]] == [38, 41, 51, 61]
    assert back["heights_m"]["before"]["jump"] == pytest.approx(1.226, abs=5e-4)


def test_the_table_and_a_dry_run(child, one):
    before = hashlib.sha256(one.read_bytes()).hexdigest()
    told = child(*resized(one, "--jump-height", "4ft", "--travel", "2m", "--dry-run"))
    assert told.code == 0, told.err
    assert "The jump is 1.226 m high (asked 1.219), before 0.851 m: 1.44 times the height." in (
        told.out
    )
    assert "Gravity 9.81 m/s² stays; magnification 3.33, now 4.80." in told.out
    assert "Travel 1.200 m, now 2.000 m." in told.out
    assert "lands 0.800 m from before: later keys of root are moved by that" in told.err
    assert "Nothing was written (dry run)." in told.err
    assert hashlib.sha256(one.read_bytes()).hexdigest() == before


def test_what_cannot_be_is_said_in_one_line(child, one):
    for typed, says in (
        ("", "ask for a height or a travel"),
        ("--jump-height 2 --times-height 2", "give --jump-height or --times-height"),
        ("--times-height -2", "--times-height must be above 0, got -2"),
        ("--jump-height high", "--jump-height must be a length"),
        ("--times-height 2 --jump 4", "--jump must be 1 to 1, got 4"),
        (
            "--times-height 2 --moment takeoff=41 --moment land=61",
            "--moment must say where the crouch is",
        ),
    ):
        assert says in child(*resized(one, *typed.split(), "--dry-run")).refusal(2)
