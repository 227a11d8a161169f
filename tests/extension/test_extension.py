# SPDX-License-Identifier: GPL-3.0-or-later
"""The built zip, installed into a clean host of its own: enable, block, undo, adjust, disable."""

from __future__ import annotations

import io
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path
from typing import Any

import pytest

from outside import seen_by

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
    return drive(tmp_path_factory.mktemp("host"), built)


def drive(folder: Path, *zips: Path) -> dict[str, Any]:
    """Run the script in a fresh host of its own; with two zips it upgrades the first."""
    said = folder / "seen.json"
    command = [sys.executable, "-P", str(HERE / "drive.py"), str(said), *map(str, zips)]
    return seen_by(command, said, seconds=900, cwd=folder)


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
    assert "Push" in [name for name, _, _ in seen["shown_from_poses"]["phases"]]
    # Without poses only the legs of the current frame are known.
    known = {k for k, v in seen["measured_after_clear"].items() if v is not None}
    assert known <= {"absorb_limit_m"}
    assert seen["problem_after_clear"] == "Mark the crouch and the take-off, or enter a push."


def test_the_live_answer_is_the_plan(seen: dict[str, Any]) -> None:
    shown = seen["shown"]
    moments = dict(shown["moments"])
    assert [moments[m] for m in ("Crouch", "Take-off", "Apex")] == ["97", "101", "111"]
    given = {name: given for name, _, given in shown["phases"]}
    assert (given["Push"], given["Fall"]) == ("4", "6")
    # Asked and given side by side.
    assert ["Rise", "9.99", "10"] in shown["phases"]
    assert ["Jump height", "0.85 m", "0.851 m"] in shown["changes"]
    assert shown["planned_once"]


def test_block_keys_the_planned_frames(seen: dict[str, Any]) -> None:
    assert set(FRAMES.values()) <= set(seen["keys"])
    assert all(frame == int(frame) for frame in seen["keys"])
    assert seen["report"].startswith(
        "Blocked: push 4, rise 10, fall 6; take-off 101. COG off its arc"
    )
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
    "cursor", "crate", "moon", "scene_gravity", "own_gravity", "mesh", "pinned",
    "preferred", "over_preferred", "fix", "fix_one",
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
    assert "no keys added. COG off its arc by 0.0" in said


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
    assert ["Crouch", f"{moments['low']:g}"] in seen["shown_chained"]["moments"]
    keyed = {key[0] for curve in seen["chain"]["operator"].values() for key in curve}
    shown = {float(frame) for _, frame in seen["shown_chained"]["moments"]}
    assert shown <= keyed


def test_retime_shows_its_frames_before_it_is_done(seen: dict[str, Any]) -> None:
    assert seen["retime_not_asked"]["asked"] is False
    assert "snappiness" in seen["retime_not_asked"]["problem"]
    shown = seen["retime_shown"]
    assert not shown["problem"]
    assert seen["retime_solved_once"]
    (after,) = seen["retime_moments"]
    assert ["Land", "117", f"{after['land']:g}"] in shown["moments"]
    assert ["Crouch", "97", "97"] in shown["moments"]
    push = after["takeoff"] - after["crouch"]
    rise, fall = after["apex"] - after["takeoff"], after["land"] - after["apex"]
    for row in (("Push", 4, push), ("Rise", 10, rise), ("Fall", 6, fall)):
        assert [f"{part:g}" if part != row[0] else part for part in row] in shown["phases"]
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
    "jump height 0.851 m → 1.231 m (times 1.45, asked 1.226 m). Push 3, rise 12, fall 9. ",
    "jump height 0.851 m → 1.2 m (times 1.41). Push 3.369, rise 11.87, fall 8.772. ",
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


def test_controls_are_found_taken_saved_and_loaded(seen: dict[str, Any]) -> None:
    assert seen["found_by_operator"] == seen["found_by_api"]
    assert seen["taken_feet"] == ["thigh.L", "thigh.R"]
    assert 'feet = ["foot.L", "foot.R"]' in seen["rig_file"]
    assert seen["loaded_controls"] == ["root", "body", "pelvis", "foot.L, foot.R"]
    assert seen["own_pelvis"] == ["body", "body"]


def test_a_plan_shows_what_block_would_touch_and_touches_nothing(seen: dict[str, Any]) -> None:
    assert seen["plan"]["keys"] is True
    assert seen["plan"]["channels"]
    assert seen["plan"]["channels"] == seen["plan"]["api"]
    # It is of what was asked then.
    assert seen["plan_forgotten"] == ""


def test_frames_are_picked_from_the_list(seen: dict[str, Any]) -> None:
    given, chosen, pinned = seen["picked"]
    assert given == chosen
    # The take-off was pinned by hand and stays where it was.
    assert seen["picked_blocked"] == [*chosen, 101]
    assert seen["others_stay"]
    assert pinned == [False, True, True, False, True, False, False]
    assert seen["picked_after_block"] == [False, True, False, False, True, False, False]
    pinned, picked = seen["pins_after_new_ask"]
    assert pinned == [False, False, True, False, False, False, False]
    assert not any(picked)
    assert "no frames to pick" in seen["refused_pick"]


def test_the_landing_is_pointed_at(seen: dict[str, Any]) -> None:
    aimed, expected = seen["aimed"], seen["aimed_expected"]
    assert aimed["foot_travel"] == pytest.approx(expected["foot_travel"], abs=1e-6)
    assert aimed["heading"] == pytest.approx(expected["heading"], abs=1e-4)
    # The soles of this jumper are its foot bones, 5 cm above the floor.
    assert aimed["landing_level"] == pytest.approx(expected["landing_level"] - 0.05, abs=1e-6)
    assert seen["aimed_at_crate"]["foot_travel"] == pytest.approx(2.0, abs=1e-6)
    assert seen["aimed_at_crate"]["heading"] == pytest.approx(-90.0, abs=1e-4)
    assert seen["crate_arguments"]["ground"] == "Crate of lamps"


def test_gravity_is_chosen(seen: dict[str, Any]) -> None:
    last = {
        name: max(key[0] for curve in seen[name]["operator"].values() for key in curve)
        for name in ("moon", "scene_gravity", "own_gravity")
    }
    assert last["moon"] > last["own_gravity"] > last["scene_gravity"]


def test_preferences_hold_where_the_rig_says_nothing(seen: dict[str, Any]) -> None:
    shown, entered = seen["entered"]
    assert shown == pytest.approx(85.0, abs=1e-4)
    assert entered == pytest.approx(1.2, abs=1e-6)
    # 7 frames of anticipation before the push, which begins on another frame without them.
    assert seen["preferred"]["operator"] != seen["over_preferred"]["operator"]


def test_check_says_what_the_api_says(seen: dict[str, Any]) -> None:
    assert seen["check"]["operator"] == seen["check"]["api"]
    assert seen["check_keys"]
    assert seen["check_summary"].startswith("1 jump: ")
    frame, first = seen["went"]
    assert frame == round(first)
    assert "there is no finding 99" in seen["no_such_finding"]


def test_a_finding_is_meant_with_a_reason(seen: dict[str, Any]) -> None:
    assert "reason" in seen["no_reason"]
    assert seen["intended"] == {seen["intended_kind"]: "the lamp pulls"}
    assert seen["intended"] == seen["intended_by_api"]
    assert set(seen["unmarked"]) == {None}


def test_fix_leaves_less_to_find(seen: dict[str, Any]) -> None:
    before, after = seen["fix_findings"]
    assert len(after) < len(before)
    assert set(after) <= set(before)


CLEAR = {
    "deleted bone": "no control 'wing'",
    "edit mode": "Go to object mode or pose mode first",
    "linked": "make a library override first",
    "no selection": "Select the rig or the object that jumps",
    "no bones": "",
}
EVERY = {
    "find_controls", "mark_pose", "plan", "block", "spline", "retime", "resize", "check", "fix",
    "mark_intended", "go_to_finding",
}  # fmt: skip


@pytest.mark.parametrize("case", CLEAR)
def test_every_operator_says_clearly_why_it_does_not_run(seen: dict[str, Any], case: str) -> None:
    said = seen["every_refusal"][case]
    least = EVERY if case not in ("deleted bone", "no bones") else {"plan", "block", "fix"}
    assert least <= said.keys()
    for text in said.values():
        assert CLEAR[case] in text
        assert len(text.splitlines()) == 1
        assert text
        assert "Unexpected" not in text
    assert seen["keys_after_every_refusal"]


@pytest.fixture(scope="session")
def older(built: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same zip as it might have been before: an older version, with a file that is gone now."""
    target = tmp_path_factory.mktemp("older") / "leapwright-0.0.1.zip"
    with zipfile.ZipFile(built) as packed, zipfile.ZipFile(target, "w") as made:
        manifest = packed.read("blender_manifest.toml").decode()
        version = tomllib.loads(manifest)["version"]
        (wheel,) = (name for name in packed.namelist() if name.startswith("wheels/"))
        old_wheel = "wheels/leapwright-0.0.1-py3-none-any.whl"
        manifest = manifest.replace(f'"{version}"', '"0.0.1"').replace(wheel, old_wheel)
        for name in packed.namelist():
            if name == wheel:
                made.writestr(old_wheel, _aged(packed.read(name)))
            else:
                text = manifest.encode() if name == "blender_manifest.toml" else packed.read(name)
                made.writestr(name, text)
        made.writestr("old_only.py", "")
    return target


def _aged(wheel: bytes) -> bytes:
    """A wheel as one of version 0.0.1."""
    made = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(wheel)) as packed, zipfile.ZipFile(made, "w") as aged:
        (info,) = {n.split("/")[0] for n in packed.namelist() if ".dist-info/" in n}
        version = info.removeprefix("leapwright-").removesuffix(".dist-info")
        for name in packed.namelist():
            content = packed.read(name)
            if name.startswith(info):
                content = content.replace(version.encode(), b"0.0.1")
            aged.writestr(name.replace(info, "leapwright-0.0.1.dist-info"), content)
    return made.getvalue()


def test_it_upgrades_over_an_older_version_and_uninstalls(
    built: Path, older: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    seen = drive(tmp_path_factory.mktemp("upgrade"), older, built)
    assert seen["old"] == [True, True]
    old_file, manifest = seen["new"]
    assert not old_file
    assert tomllib.loads(manifest)["version"] != "0.0.1"
    assert seen["blocked_after_upgrade"] == ["FINISHED"]
    assert seen["uninstalled"] == [False, []]
