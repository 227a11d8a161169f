# SPDX-License-Identifier: GPL-3.0-or-later
"""A reader that has seen enough, as in ``leapwright check shot.blend | head -1``."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(os.name == "nt", reason="Windows has another error for it")

ROOT = Path(__file__).parents[2]
HOPS = ROOT / "blend_samples" / "hare_first_hops.blend"

PROGRAM = """\
import atexit, sys
atexit.register(lambda: print("wound down", file=sys.stderr))
from leapwright.cli import main
sys.exit(main(sys.argv[1:]))
"""


def ended(*arguments: str) -> tuple[int, str]:
    """Run the program into a pipe that nobody reads any more: its exit code and standard error."""
    reads, writes = os.pipe()
    os.close(reads)
    sources = os.pathsep.join([str(ROOT / "core"), str(ROOT / "addon")])
    try:
        done = subprocess.run(
            [sys.executable, "-c", PROGRAM, *arguments],
            env={**os.environ, "PYTHONPATH": sources},
            stdout=writes,
            stderr=subprocess.PIPE,
            encoding="utf-8",
            timeout=120,
        )
    finally:
        os.close(writes)
    return done.returncode, done.stderr


@pytest.mark.parametrize("more", [[], ["--json"]])
def test_a_reader_that_is_gone_is_no_news(more):
    assert ended("chart", *more) == (1, "wound down\n")


@pytest.mark.needs_bpy
@pytest.mark.parametrize("more", [[], ["--json"]])
def test_bpy_does_not_wind_down_for_it(more):
    """Its own way out crashes or hangs; the process has to end at once, and says nothing."""
    code, said = ended("check", str(HOPS), *more)
    told = [line for line in said.splitlines() if not line.startswith("leapwright: note:")]
    assert (code, told) == (1, [])
