# SPDX-License-Identifier: GPL-3.0-or-later
"""The built zip in a real window: BLENDER=path names the program, SHOTS=folder keeps a picture."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
REPOSITORY = HERE.parent.parent
SETTINGS = {"jump_height": 0.85, "push_height": 0.34, "landing_level": 0.545, "takeoff": 101}
# Onto a crate: the numbers of the textbook at 24 frames a second.
MOMENTS = {"crouch": 97, "takeoff": 101, "apex": 111, "land": 117}


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What the script saw in the window, step by step."""
    folder = tmp_path_factory.mktemp("window")
    build = [sys.executable, str(REPOSITORY / "tools" / "build_extension.py"), "--out", str(folder)]
    subprocess.run(build, check=True, capture_output=True)
    said = folder / "seen.json"
    asked = {
        "zip": str(next(folder.glob("*.zip"))),
        "file": str(REPOSITORY / "blend_samples" / "hare_market.blend"),
        "seen": str(said),
        "shots": os.environ.get("SHOTS", ""),
        "settings": SETTINGS,
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
        timeout=900,
        check=False,
    )
    assert said.exists(), done.stdout[-3000:] + done.stderr[-3000:]
    result: dict[str, Any] = json.loads(said.read_text(encoding="utf-8"))
    assert "error" not in result, result["error"]
    # A panel that fails to draw says so here only.
    assert "Traceback" not in done.stdout + done.stderr, done.stdout + done.stderr
    return result


def test_the_tab_is_open_and_drawn(seen: dict[str, Any]) -> None:
    assert seen["tab"] == "Leapwright"
    assert seen["draws"] > 0


def test_find_controls_fills_the_fields(seen: dict[str, Any]) -> None:
    assert seen["controls"] == {"root": "root", "cog": "body", "feet": ["paw.L", "paw.R"]}
    assert seen["found"] == ["sure: root, COG control, pelvis, feet"]


def test_block_keys_the_planned_frames(seen: dict[str, Any]) -> None:
    assert set(MOMENTS.values()) <= set(seen["key_frames"])
    assert all(frame == int(frame) for frame in seen["key_frames"])


def test_the_frame_stays_where_it_was(seen: dict[str, Any]) -> None:
    assert seen["frame_before"] == seen["frame_after"]


def test_one_undo_takes_it_all_back(seen: dict[str, Any]) -> None:
    assert seen["key_frames_after_undo"] == seen["key_frames_before"]
    assert seen["markers_after_undo"] == seen["markers_before"]
    assert seen["settings_after_undo"] == pytest.approx(SETTINGS["jump_height"])


def test_marked_poses_are_read(seen: dict[str, Any]) -> None:
    assert seen["measured"]["push_height_m"] == pytest.approx(0.25, abs=1e-5)


def test_the_spline_button_waits_for_a_block(seen: dict[str, Any]) -> None:
    assert seen["spline_before_block"] is False


def test_a_click_on_spline_makes_curves_of_the_stepped_block(seen: dict[str, Any]) -> None:
    span = range(97, 119)
    before = [key for key in seen["stepped"] if key[2] in span]
    after = [key for key in seen["splined"] if key[2] in span]
    assert before
    assert {key[4] for key in before} == {"CONSTANT"}
    assert {key[4] for key in after} <= {"BEZIER", "LINEAR"}
    # No key is added, none goes elsewhere.
    assert [key[:3] for key in seen["splined"]] == [key[:3] for key in seen["stepped"]]
    assert [key[3] for key in after] == pytest.approx([key[3] for key in before], abs=1e-6)


def test_undo_takes_the_spline_pass_back(seen: dict[str, Any]) -> None:
    assert seen["stepped_after_undo"] == seen["stepped"]


def test_more_opens_in_a_narrow_sidebar(seen: dict[str, Any]) -> None:
    assert seen["sidebar_width"] == 260
    assert seen["more_opened"]


def test_a_click_on_retime_moves_the_jump_and_undo_takes_it_back(seen: dict[str, Any]) -> None:
    before, after = seen["before_retime"], seen["retimed"]
    assert {key[2] for key in before} >= set(MOMENTS.values())
    # Air 16 becomes 11 or 10 frames, the push 3 or 2: on whole frames, no pose changed.
    assert before != after
    assert all(key[2] == int(key[2]) for key in after)
    assert max(k[2] for k in after) < max(k[2] for k in before)
    assert seen["snappiness_after"] == 1.0
    assert seen["after_retime_undone"] == before


def test_a_click_on_resize_makes_the_jump_higher_and_undo_takes_it_back(
    seen: dict[str, Any],
) -> None:
    before, after = seen["before_retime"], seen["resized"]
    # Nothing asked: the button is off.
    assert seen["resized_by_nothing"] == before
    assert before != after
    assert all(key[2] == int(key[2]) for key in after)
    # Up the longest way of the COG control; the air lasts longer.
    assert max(k[3] for k in after) > max(k[3] for k in before) + 0.1
    assert max(k[2] for k in after) > max(k[2] for k in before)
    assert seen["resize_left_asked"] == [0.0, False, False]
    assert seen["after_resize_undone"] == before
