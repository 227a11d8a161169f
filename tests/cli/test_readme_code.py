# SPDX-License-Identifier: GPL-3.0-or-later
"""The Python of the README runs as it stands, and prints what it says."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.needs_bpy

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
(JOBS,) = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)


def run(code: str, folder: Path) -> str:
    # The host may crash while the interpreter winds down.
    ending = "\nimport os, sys\nsys.stdout.flush()\nos._exit(0)\n"
    sources = os.pathsep.join([str(ROOT / "core"), str(ROOT / "addon")])
    done = subprocess.run(
        [sys.executable, "-c", code + ending],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": sources},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_plan(tmp_path: Path) -> None:
    lines = run(BLOCKS[0], tmp_path).splitlines()
    assert lines[0] == "4 10 6"
    heights = [float(x) for x in lines[1].strip("[] ").split()]
    assert heights[0] == 0.0
    assert abs(heights[1] - 0.8514) < 1e-4
    assert abs(heights[2] - 0.545) < 1e-6


def test_block(tmp_path: Path) -> None:
    (tmp_path / "build").mkdir()
    (tmp_path / "blend_samples").mkdir()
    name = "blend_samples/hare_market.blend"
    shutil.copy(ROOT / name, tmp_path / name)
    said = run(BLOCKS[1], tmp_path)
    assert "push=4, rise=10, fall=7" in said
    assert "17 -> 14 push 4 → 3, air 17 → 14" in said
    assert (tmp_path / "build" / "blocked.blend").exists()
    assert (tmp_path / "build" / "snappier.blend").exists()


def test_a_night(tmp_path: Path) -> None:
    """The jobs file and the script beside it, on two shots: one is done, and undone."""
    (tmp_path / "shots").mkdir()
    (tmp_path / "build").mkdir()
    (tmp_path / "blend_samples").mkdir()
    name = "blend_samples/hare_market.blend"
    shutil.copy(ROOT / name, tmp_path / name)
    run(BLOCKS[1], tmp_path)
    for shot in ("hop_007", "hop_012"):
        shutil.copy(tmp_path / "build" / "blocked.blend", tmp_path / "shots" / f"{shot}.blend")
    before = (tmp_path / "shots" / "hop_012.blend").read_bytes()
    (tmp_path / "night.toml").write_text(JOBS, encoding="utf-8")
    said = run(BLOCKS[2], tmp_path)
    assert "done " in said
    assert "1 done; 0 failed;" in said
    assert (tmp_path / "shots" / "hop_012.blend").read_bytes() == before


def test_watched_steps(tmp_path: Path) -> None:
    (tmp_path / "blend_samples").mkdir()
    name = "blend_samples/hare_first_hops.blend"
    shutil.copy(ROOT / name, tmp_path / name)
    said = re.findall(r"^(\d+)% (.+)$", run(BLOCKS[3], tmp_path), re.MULTILINE)
    shares = [int(share) for share, _ in said]
    assert len(shares) > 3
    assert shares == sorted(shares)
    assert any(words.startswith("frame ") for _, words in said)


def test_there_is_no_other_code() -> None:
    assert len(BLOCKS) == 4
