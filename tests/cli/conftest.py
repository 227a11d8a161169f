# SPDX-License-Identifier: GPL-3.0-or-later
"""Two ways to run the program: in a child process, and (quicker) in this one."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from leapwright.cli.app import run

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True, slots=True)
class Told:
    """How a run ended and what it said."""

    code: int
    out: str
    err: str

    @property
    def data(self) -> dict[str, Any]:
        assert self.code == 0, self.err
        return json.loads(self.out)

    def refusal(self, code: int) -> str:
        """The one line of a refusal; asserts that it is one, and alone."""
        assert (self.code, self.out) == (code, ""), self
        lines = self.err.splitlines()
        assert len(lines) == 1, self.err
        assert lines[0].startswith("leapwright: ")
        return lines[0].removeprefix("leapwright: ")


@pytest.fixture
def here(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Callable[..., Told]:
    """Run the program in this process."""
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("NO_COLOR", "1")

    def told(*arguments: str) -> Told:
        code = run(arguments)
        out, err = capsys.readouterr()
        return Told(code, out, err)

    return told


@pytest.fixture
def child(tmp_path: Path) -> Callable[..., Told]:
    """Run ``python -m leapwright`` in an empty folder."""
    sources = [str(ROOT / "core"), str(ROOT / "addon"), os.environ.get("PYTHONPATH", "")]
    environment = {
        **os.environ,
        "PYTHONPATH": os.pathsep.join(sources),
        "PYTHONIOENCODING": "utf-8",
        "COLUMNS": "80",
    }
    environment.pop("FORCE_COLOR", None)
    folder = tmp_path / "run"
    folder.mkdir()

    def told(*arguments: str) -> Told:
        done = subprocess.run(
            [sys.executable, "-m", "leapwright", *arguments],
            cwd=folder,
            env=environment,
            capture_output=True,
            encoding="utf-8",
            timeout=120,
        )
        return Told(done.returncode, done.stdout, done.stderr)

    return told
