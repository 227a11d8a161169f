# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs in a process of its own: installs the zip given, uses it, writes what it saw as JSON."""

from __future__ import annotations

import importlib
import json
import os
import sys
import traceback
from pathlib import Path
from typing import Any

import bpy

# Known only once bpy is loaded.
addon_utils = importlib.import_module("addon_utils")

# A development environment has the checkout on its path, before the extension's own packages.
CHECKOUT = Path(__file__).resolve().parents[2]
sys.path[:] = [p for p in sys.path if Path(p).resolve().parent != CHECKOUT]
sys.path.insert(0, str(Path(__file__).resolve().parent))

import more_steps  # noqa: E402
import steps  # noqa: E402
from jumper import (  # noqa: E402
    MODULE,
    SEEN,
    UNIT,
    ask,
    jumper,
    leftovers,
    make_rig,
    reports,
    types,
)


def install(zip_file: str) -> None:
    bpy.ops.extensions.package_install_files(
        filepath=zip_file, repo="user_default", enable_on_install=True
    )


def main(zip_file: str) -> None:
    before = leftovers()
    assert not before, before
    install(zip_file)
    SEEN["module"] = sys.modules[MODULE].__name__
    SEEN["user_resources"] = os.environ["BLENDER_USER_RESOURCES"]
    packages = [importlib.import_module(n) for n in ("leapwright", "leapwright_blender")]
    SEEN["packages"] = [p.__file__ for p in packages]
    bpy.context.scene.unit_settings.scale_length = UNIT
    # The host keeps gravity in units.
    bpy.context.scene.gravity = (0, 0, -9.80665 / UNIT)
    make_rig()
    assert bpy.ops.leapwright.find_controls() == {"FINISHED"}
    settings = jumper().leapwright_ask
    feet = sorted(settings.feet.split(", "))
    SEEN["controls"] = [settings.root, settings.cog, feet]
    SEEN["found"] = settings.found.splitlines()
    shown = importlib.import_module(f"{MODULE}.readout")
    with reports("blocking.summary") as lines:
        steps.see_poses(shown)
        ask(jumper().leapwright_ask)
        steps.see_readout(shown)
        steps.see_block()
    SEEN["report"] = lines[0]
    steps.see_again()
    steps.see_foot_texts()
    steps.see_options()
    with reports("blocking.spline_summary") as lines:
        steps.see_jumps_after_another()
    SEEN["spline_report"] = lines
    steps.see_retime()
    steps.see_resize()
    for see in (
        more_steps.see_controls, more_steps.see_plan, more_steps.see_pick,
        more_steps.see_landings, more_steps.see_gravity, more_steps.see_preferences,
        more_steps.see_check, more_steps.see_fix, more_steps.see_every_refusal,
    ):  # fmt: skip
        see()
    steps.see_clear_errors()
    steps.see_refusals()
    see_disabled()


def see_disabled() -> None:
    addon_utils.disable(MODULE)
    SEEN["left_behind"] = leftovers()
    addon_utils.enable(MODULE)
    SEEN["enabled_again"] = bool(types())
    addon_utils.disable(MODULE)


def upgrade(old: str, new: str) -> None:
    """The new zip over an older one that is enabled, then use it, and take it off."""
    install(old)
    place = Path(sys.modules[MODULE].__file__ or "").parent
    SEEN["old"] = [(place / "old_only.py").exists(), bool(types())]
    install(new)
    manifest = (place / "blender_manifest.toml").read_text(encoding="utf-8")
    SEEN["new"] = [(place / "old_only.py").exists(), manifest]
    make_rig()
    ask(jumper().leapwright_ask)
    SEEN["blocked_after_upgrade"] = list(bpy.ops.leapwright.block())
    repo = next(
        i for i, r in enumerate(bpy.context.preferences.extensions.repos)
        if r.module == "user_default"
    )  # fmt: skip
    bpy.ops.extensions.package_uninstall(repo_index=repo, pkg_id="leapwright")
    SEEN["uninstalled"] = [place.exists(), leftovers()]


if __name__ == "__main__":
    said = Path(sys.argv[1])
    do: Any = upgrade if len(sys.argv) > 3 else main
    try:
        do(*sys.argv[2:])
    except BaseException:
        SEEN["error"] = traceback.format_exc()
    said.write_text(json.dumps(SEEN), encoding="utf-8")
    sys.stdout.flush()
    sys.stderr.flush()
    # Some releases of bpy crash or hang in their own shutdown.
    os._exit(0)
