# SPDX-License-Identifier: GPL-3.0-or-later
"""A host of its own that works through a script, and what the script saw."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

__all__ = ["seen_by"]


def seen_by(
    command: Sequence[str], said: Path, *, seconds: float, cwd: Path | None = None, **more: str
) -> dict[str, Any]:
    """What the script writes to the file `said`; `more` is put into the environment."""
    # The checkout must not stand in for the wheel.
    environment = {k: v for k, v in os.environ.items() if not k.startswith("PYTHON")}
    environment |= {"BLENDER_USER_RESOURCES": str(said.parent / "user"), **more}
    done = subprocess.run(
        command, cwd=cwd, env=environment, capture_output=True, text=True,
        timeout=seconds, check=False,
    )  # fmt: skip
    assert said.exists(), done.stdout[-3000:] + done.stderr[-3000:]
    result: dict[str, Any] = json.loads(said.read_text(encoding="utf-8"))
    assert "error" not in result, result["error"]
    # A panel, an overlay or a handler that fails says so here only.
    assert "Traceback" not in done.stdout + done.stderr, done.stdout + done.stderr
    return result
