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
        timeout=900,
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


SAME = (
    "options", "ground", "run", "again_block", "again_other", "chain", "spline",
    "retime", "retime_pinned", "retime_between", "retime_selected",
    "resize", "resize_between", "resize_farther",
)  # fmt: skip


@pytest.mark.parametrize("what", SAME)
def test_an_operator_does_what_the_api_does(seen: dict[str, Any], what: str) -> None:
    assert seen[what]["operator"] == seen[what]["api"]
    assert seen[what]["operator"] != seen[what]["before"]


@pytest.mark.parametrize("what", SAME)
def test_undo_restores_every_key(seen: dict[str, Any], what: str) -> None:
    assert seen[what]["undone"] == seen[what]["before"]


def test_options_reach_the_keys(seen: dict[str, Any]) -> None:
    options = seen["options"]["operator"]
    # All controls at every moment: bones that the jump itself never keys, too.
    moments = {97, 101, 111, 117}
    assert all(moments <= {key[0] for key in curve} for curve in options.values())
    assert {name.split('"')[1] for name in options} >= {"root", "body", "foot.L", "foot.R"}
    # The left foot leaves a frame before take-off, the right one comes down two after land.
    left = {k[0] for n, c in options.items() if "foot.L" in n and "location" in n for k in c}
    right = {k[0] for n, c in options.items() if "foot.R" in n and "location" in n for k in c}
    assert 100 in left - right
    assert 119 in right


def test_the_ground_follows_a_new_name(seen: dict[str, Any]) -> None:
    assert seen["ground_of_settings"] == seen["ground"]["operator"]


def test_the_spline_pass_adds_no_key_and_changes_no_other_value(seen: dict[str, Any]) -> None:
    before, after = seen["spline"]["before"], seen["spline"]["operator"]
    assert {k[6] for curve in before.values() for k in curve} == {"CONSTANT"}
    assert before.keys() == after.keys()
    for name, curve in before.items():
        assert [k[0] for k in after[name]] == [k[0] for k in curve]
        if "body" not in name and "root" not in name:
            assert [k[1] for k in after[name]] == [k[1] for k in curve]
    inside = {k[6] for curve in after.values() for k in curve[:-1]}
    assert inside <= {"BEZIER", "LINEAR"}
    (said,) = seen["spline_report"]
    assert said.startswith("Spline: 1 jump, ")
    assert "no keys added. Largest distance 0.0" in said


def test_spline_waits_for_a_block(seen: dict[str, Any]) -> None:
    assert seen["spline_poll_before"] is False
    assert seen["spline_poll_after"] is True


def test_marks_follow_their_poses(seen: dict[str, Any]) -> None:
    posed, frames, read = seen["followed"]
    (moments,) = seen["remembered"]
    assert posed == [False, True, True, False, False, False, False]
    assert frames[1:3] == [moments["crouch"], moments["takeoff"]]
    assert read


def test_the_live_answer_goes_on_from_the_low(seen: dict[str, Any]) -> None:
    (moments,) = seen["remembered"]
    assert not seen["shown_chained"]["problem"]
    assert f"crouch {moments['low']:g}" in seen["shown_chained"]["moments"]
    keyed = {key[0] for curve in seen["chain"]["operator"].values() for key in curve}
    shown = {float(line.split()[-1]) for line in seen["shown_chained"]["moments"]}
    assert shown <= keyed


def test_retime_shows_its_frames_before_it_is_done(seen: dict[str, Any]) -> None:
    assert seen["retime_not_asked"]["asked"] is False
    assert "snappiness" in seen["retime_not_asked"]["problem"]
    shown = seen["retime_shown"]
    assert not shown["problem"]
    assert seen["retime_solved_once"]
    (after,) = seen["retime_moments"]
    assert f"land 117 → {after['land']:g}" in shown["moments"]
    assert "crouch 97" in shown["moments"]
    push = after["takeoff"] - after["crouch"]
    rise, fall = after["apex"] - after["takeoff"], after["land"] - after["apex"]
    lines = {f"push 4 → {push:g}", f"rise 10 → {rise:g}", f"fall 6 → {fall:g}"}
    assert lines <= set(shown["phases"])
    said = seen["retime_report"]
    assert said.startswith(f"Retimed: push {push:g}, rise {rise:g}, fall {fall:g}. ")


def test_retime_waits_for_keys_and_asks_nothing_twice(seen: dict[str, Any]) -> None:
    assert seen["retime_poll_before"] is False
    assert seen["retime_poll_after"] is True
    assert seen["retime_left_asked"] == 1.0
    errors = seen["retime_errors"]
    assert "nothing to change" in errors["nothing"]
    assert "snappiness and rise_frames" in errors["both"]
    assert "117" in errors["off the grid"]
    assert "119" in errors["off the grid"]
    assert all(len(text.splitlines()) == 1 for text in errors.values())


def test_retime_of_selected_controls_leaves_the_others(seen: dict[str, Any]) -> None:
    before, after = seen["retime_selected"]["before"], seen["retime_selected"]["operator"]
    changed = {name for name in before if before[name] != after[name]}
    assert changed
    assert all("body" in name for name in changed)


def test_resize_waits_for_keys_and_for_something_to_do(seen: dict[str, Any]) -> None:
    assert seen["resize_poll_before"] is False
    assert seen["resize_poll_after"] is True
    why, then = seen["resize_why_not"]
    assert why == "Enter a height, or tick Travel."
    assert then == ""
    assert seen["resize_left_asked"] == [0.0, 0.0, False, False, "none"]


SAID = (
    # Whole frames onto a crate: what was got and what was asked.
    "jump height 0.8514 m → 1.231 m (times 1.45, asked 1.226 m). Push 3, rise 12, fall 9. ",
    "jump height 0.8514 m → 1.2 m (times 1.41). Push 3.369, rise 11.87, fall 8.772. ",
    "travel 0 m → 1.5 m. Push 4, rise 10, fall 6. ",
)


def test_resize_is_higher_at_the_same_gravity(seen: dict[str, Any]) -> None:
    before, after = seen["resize_moments"]
    # The pin of More holds for a resize, too.
    assert after["takeoff"] == 102
    # Rise 10 is 12 at 1.44 times the height.
    assert before["apex"] - before["takeoff"] == 10
    assert after["apex"] - after["takeoff"] == 12
    for said, start in zip(seen["resize_report"][:3], SAID, strict=True):
        assert said.startswith(f"Resized: {start}")
        assert len(said.splitlines()) == 1


def test_a_resize_that_cannot_be_is_one_clear_line(seen: dict[str, Any]) -> None:
    errors = seen["resize_errors"]
    expected = {
        "nothing": "nothing to change",
        "both": "jump_height or times_height",
        "straight up": "heading must be given",
        "too low": "landing",
    }
    for name, text in expected.items():
        assert text in errors[name]
    assert all(len(text.splitlines()) == 1 for text in errors.values())


FEET = {
    "paw.L=release-4,plant+0; paw.R=plant+2": {
        "paw.L": {"release": -4, "plant": 0},
        "paw.R": {"plant": 2},
    },
    " a=b = plant +3 ;": {"a=b": {"plant": 3}},
    "": {},
    "front*=release-2": {"front*": {"release": -2}},
}


def test_offsets_of_feet_are_read(seen: dict[str, Any]) -> None:
    read = {text: said for text, said in seen["foot_texts"].items() if isinstance(said, dict)}
    refused = [said for said in seen["foot_texts"].values() if not isinstance(said, dict)]
    assert read == FEET
    assert len(refused) == 5
    assert all(argument == "foot" and ", got '" in text for argument, text in refused)


def test_errors_are_one_clear_line(seen: dict[str, Any]) -> None:
    errors = seen["clear_errors"]
    expected = {
        "foot": "NAME=release-4,plant+0",
        "foot_name": "no foot 'wing'",
        "ground": "no object 'Crates'; close to it: Crate of lamps",
        "chain": "remembers no jump to go on from",
        "again": "remembers no jump: block one first",
        "running": "no keys before frame",
    }
    for name, text in expected.items():
        assert text in errors[name]
        assert len(errors[name].splitlines()) == 1
    assert seen["keys_after_errors"] == {}


def test_what_cannot_be_is_one_plain_line(seen: dict[str, Any]) -> None:
    assert len(seen["refused"].strip().splitlines()) == 1
    assert "landing" in seen["refused"]
    assert seen["keys_after_refusal"] == []
    assert seen["poll_without_object"] is False


def test_disabling_leaves_nothing_behind(seen: dict[str, Any]) -> None:
    assert seen["left_behind"] == []
    assert seen["enabled_again"]
