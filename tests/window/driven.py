# SPDX-License-Identifier: GPL-3.0-or-later
"""A real Blender with a window, driven by the scripts beside this file."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

__all__ = ["drive"]

HERE = Path(__file__).parent
REPOSITORY = HERE.parent.parent
HARE = REPOSITORY / "blend_samples" / "hare_market.blend"
APART = 5.0
"""Seconds between the starts of windows side by side: each looks for a free screen."""


def drive(folder: Path, *parts: str) -> dict[str, Any]:
    """What the script saw in the window, step by step."""
    worker = os.environ.get("PYTEST_XDIST_WORKER", "gw0")
    time.sleep(APART * int(worker.removeprefix("gw")))
    build = [sys.executable, str(REPOSITORY / "tools" / "build_extension.py"), "--out", str(folder)]
    subprocess.run(build, check=True, capture_output=True)
    said = folder / "seen.json"
    asked = {
        "zip": str(next(folder.glob("*.zip"))),
        # One to save over, one as it was.
        "file": str(shutil.copyfile(HARE, folder / "shot.blend")),
        "sample": str(shutil.copyfile(HARE, folder / "as_it_was.blend")),
        "seen": str(said),
        "shots": os.environ.get("SHOTS", ""),
        "parts": parts,
    }
    environment = {
        **{k: v for k, v in os.environ.items() if not k.startswith("PYTHON")},
        "BLENDER_USER_RESOURCES": str(folder / "user"),
        "LEAPWRIGHT_DRIVE": json.dumps(asked),
    }
    command = [os.environ["BLENDER"], "--factory-startup", "-p", "0", "0", "1600", "900"]
    done = subprocess.run(
        [*command, "--enable-event-simulate", "--python", str(HERE / "drive.py")],
        env=environment,
        capture_output=True,
        text=True,
        timeout=1500,
        check=False,
    )
    assert said.exists(), done.stdout[-3000:] + done.stderr[-3000:]
    result: dict[str, Any] = json.loads(said.read_text(encoding="utf-8"))
    assert "error" not in result, result["error"]
    # A panel, an overlay or a handler that fails says so here only.
    assert "Traceback" not in done.stdout + done.stderr, done.stdout + done.stderr
    return result
