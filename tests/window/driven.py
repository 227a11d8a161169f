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

from outside import seen_by

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
    command = [os.environ["BLENDER"], "--factory-startup", "-p", "0", "0", "1600", "900"]
    command += ["--enable-event-simulate", "--python", str(HERE / "drive.py")]
    return seen_by(command, said, seconds=1500, LEAPWRIGHT_DRIVE=json.dumps(asked))
