# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs inside the window: installs the zip, uses the tab as an animator would, notes it all."""

from __future__ import annotations

import importlib
import json
import os
import sys
import traceback
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bpy

sys.path.insert(0, str(Path(__file__).resolve().parent))

import costs
import findings
import long
import looks
import ways
import work

ASKED = json.loads(os.environ["LEAPWRIGHT_DRIVE"])
SEEN: dict[str, Any] = {}


def steps() -> Iterator[float]:
    bpy.context.preferences.view.show_splash = False
    bpy.context.preferences.view.smooth_view = 0
    bpy.ops.extensions.package_install_files(
        filepath=ASKED["zip"], repo="user_default", enable_on_install=True
    )
    package = importlib.import_module("leapwright").__file__
    SEEN["package"] = package
    parts = {
        "work": work.steps,
        "findings": findings.steps,
        "ways": ways.steps,
        "costs": costs.steps,
        "long": long.steps,
        "looks": looks.steps,
        "pop_ups": looks.pop_ups,
        "pictures": looks.pictures,
    }
    for name in ASKED["parts"]:
        yield from parts[name](ASKED, SEEN)


def finish() -> None:
    Path(ASKED["seen"]).write_text(json.dumps(SEEN), encoding="utf-8")
    bpy.ops.wm.quit_blender()


RUNNING = steps()


def work_on() -> float | None:
    try:
        return next(RUNNING)
    except StopIteration:
        pass
    except BaseException:
        SEEN["error"] = traceback.format_exc()
    finish()
    return None


# Persistent: opening the file must not end it.
bpy.app.timers.register(work_on, first_interval=1.0, persistent=True)
