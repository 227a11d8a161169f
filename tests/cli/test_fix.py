# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright fix`` on the beginner's sample, as a user types it."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

HOPS = Path(__file__).parents[2] / "blend_samples" / "hare_first_hops.blend"

pytestmark = pytest.mark.needs_bpy


def fix(*more):
    return ("fix", str(HOPS), "--rig", "Hare", "--cog-from", "control", *more)


def test_fixed_into_a_file_that_is_clean(child, tmp_path):
    out = tmp_path / "fixed.blend"
    told = child(*fix("-o", str(out)))
    assert told.code == 0, told.err
    assert "Hare: 4 jumps;" in told.out
    assert "none after." in told.out
    assert "add keys where the feet leave and" in told.out
    assert max(map(len, told.out.splitlines())) <= 80
    assert f"Wrote {out}" in told.err
    clean = child("check", str(out), "--rig", "Hare", "--cog-from", "control", "--json")
    assert clean.code == 0
    assert len(clean.data["jumps"]) == 4
    assert all(f["severity"] == "note" for jump in clean.data["jumps"] for f in jump["findings"])


def test_a_dry_run_says_all_and_writes_nothing(child):
    before = hashlib.sha256(HOPS.read_bytes()).hexdigest()
    told = child(*fix("--dry-run", "--json", "--jump", "1", "--only", "no_key_on_contact"))
    data = told.data
    assert [one["fix"] for one in data["fixes"]] == ["add_contact_keys"]
    assert data["before"]["jumps"][0]["findings"]
    assert {"channel", "moved", "added", "changed", "left"} <= set(data["keys"][0])
    assert all(one["added"] for one in data["keys"])
    assert "Nothing was written (dry run)." in told.err
    assert hashlib.sha256(HOPS.read_bytes()).hexdigest() == before


@pytest.mark.parametrize(
    ("flags", "words"),
    [
        (("--dry-run", "--only", "wobbles"), "--only must name findings"),
        (("--dry-run", "--within", "0"), "within must be above 0"),
        (("--keep-on-arc", "--dry-run", "--only", "off_arc"), "is for fixes of findings"),
        ((), "say where to write"),
    ],
)
def test_refusals_are_one_line(child, flags, words):
    assert words in child(*fix(*flags)).refusal(2)
