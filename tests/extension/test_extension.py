# SPDX-License-Identifier: GPL-3.0-or-later
"""The built zip, installed into a clean host of its own: enable, block, undo, adjust, disable."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
BUILD = HERE.parent.parent / "tools" / "build_extension.py"
FRAMES = {"crouch": 97, "takeoff": 101, "apex": 111, "land": 117}


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The zip, built once."""
    folder = tmp_path_factory.mktemp("built")
    command = [sys.executable, str(BUILD), "--out", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "validated by the host's own tool" in done.stdout
    (target,) = folder.glob("*.zip")
    return target


@pytest.fixture(scope="session")
def seen(built: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What a fresh process saw, step by step."""
    folder = tmp_path_factory.mktemp("host")
    said = folder / "seen.json"
    # The checkout must not stand in for the wheel.
    environment = {k: v for k, v in os.environ.items() if not k.startswith("PYTHON")}
    environment["BLENDER_USER_RESOURCES"] = str(folder / "user")
    done = subprocess.run(
        [sys.executable, "-P", str(HERE / "drive.py"), str(built), str(said)],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert said.exists(), done.stdout[-3000:] + done.stderr[-3000:]
    result: dict[str, Any] = json.loads(said.read_text(encoding="utf-8"))
    assert "error" not in result, result["error"]
    assert "Traceback" not in done.stdout + done.stderr, done.stdout + done.stderr
    return result


def test_the_zip_holds_the_extension_and_one_pure_wheel(built: Path) -> None:
    with zipfile.ZipFile(built) as packed:
        names = packed.namelist()
        manifest = tomllib.loads(packed.read("blender_manifest.toml").decode())
        (wheel,) = (name for name in names if name.startswith("wheels/"))
        with packed.open(wheel) as inner, zipfile.ZipFile(inner) as unpacked:
            tops = {name.split("/")[0] for name in unpacked.namelist()}
    assert wheel.endswith("-py3-none-any.whl")
    assert {name for name in tops if not name.endswith(".dist-info")} == {
        "leapwright",
        "leapwright_blender",
    }
    assert manifest["wheels"] == [f"./{wheel}"]
    assert manifest["id"] == "leapwright"
    assert manifest["schema_version"] == "1.0.0"
    assert manifest["blender_version_min"] == "4.2.0"
    assert manifest["license"] == ["SPDX:GPL-3.0-or-later"]
    assert built.name == f"leapwright-{manifest['version']}.zip"
    # It reads no files of the user's and asks no network.
    assert "permissions" not in manifest
    assert not [name for name in names if "__pycache__" in name]


def test_its_packages_come_from_the_wheel(seen: dict[str, Any]) -> None:
    user = Path(seen["user_resources"]).resolve()
    assert seen["module"] == "bl_ext.user_default.leapwright"
    for place in seen["packages"]:
        assert user in Path(place).resolve().parents


def test_find_controls(seen: dict[str, Any]) -> None:
    assert seen["controls"] == ["root", "body", ["foot.L", "foot.R"]]
    assert all(line.partition(":")[0] in ("sure", "likely", "guess") for line in seen["found"])


def test_marked_poses_are_read(seen: dict[str, Any]) -> None:
    assert seen["marked"] == {"crouch": 1, "takeoff": 2}
    # In metres, in a scene whose unit is half a metre.
    assert seen["measured"]["push_height_m"] == pytest.approx(0.2, abs=1e-5)
    assert seen["measured"]["landing_level_m"] is None
    assert "push" in seen["shown_from_poses"]["phases"][1]
    # Without poses only the legs of the current frame are known.
    known = {k for k, v in seen["measured_after_clear"].items() if v is not None}
    assert known <= {"absorb_limit_m"}
    assert seen["problem_after_clear"] == "Mark the crouch and the take-off, or enter a push."


def test_the_live_answer_is_the_plan(seen: dict[str, Any]) -> None:
    shown = seen["shown"]
    assert [f"{m} {f}" for m, f in (("crouch", 97), ("take-off", 101), ("apex", 111))] == [
        line for line in shown["moments"] if line.split()[0] in ("crouch", "take-off", "apex")
    ]
    assert {"push 4", "fall 6"} <= {line.partition(" (")[0] for line in shown["phases"]}
    assert "rise 10 (asked 9.99)" in shown["phases"]
    assert "jump height 0.8514 m (asked 0.85 m)" in shown["changes"]
    assert shown["planned_once"]


def test_block_keys_the_planned_frames(seen: dict[str, Any]) -> None:
    assert set(FRAMES.values()) <= set(seen["keys"])
    assert all(frame == int(frame) for frame in seen["keys"])
    assert seen["report"].startswith("Blocked: push 4, rise 10, fall 6; take-off 101. Largest")
    assert seen["frame"] == [7, 7]


def test_undo_takes_every_key_back(seen: dict[str, Any]) -> None:
    assert seen["keys"]
    assert seen["keys_after_undo"] == []
    assert seen["markers_after_undo"] == []


def test_running_again_with_another_height_is_what_the_api_does(seen: dict[str, Any]) -> None:
    assert seen["again"] == seen["api"]
    assert seen["again"] != seen["first"]
    assert seen["settings_after_again_m"] == pytest.approx(1.2, abs=1e-6)


def test_what_cannot_be_is_one_plain_line(seen: dict[str, Any]) -> None:
    assert len(seen["refused"].strip().splitlines()) == 1
    assert "landing" in seen["refused"]
    assert seen["keys_after_refusal"] == []
    assert seen["poll_without_object"] is False


def test_disabling_leaves_nothing_behind(seen: dict[str, Any]) -> None:
    assert seen["left_behind"] == []
    assert seen["enabled_again"]
