# SPDX-License-Identifier: GPL-3.0-or-later
"""The Python of the README runs as it stands, and prints what it says."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
BLOCKS = re.findall(
    r"```python\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL
)


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
    assert (tmp_path / "build" / "blocked.blend").exists()


def test_there_is_no_other_code() -> None:
    assert len(BLOCKS) == 2
