# SPDX-License-Identifier: GPL-3.0-or-later
"""The built zip in a real window: BLENDER=path names the program, SHOTS=folder keeps pictures."""

from __future__ import annotations

from typing import Any

import pytest

from window.driven import drive

MOST_CLICKS = 8
"""From a selected, posed rig to its first jump."""


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The work of an animator, by clicks; then what could leave something dangling."""
    return drive(tmp_path_factory.mktemp("window"), "work", "findings", "ways")


def test_controls_and_poses_are_found_with_a_click_each(seen: dict[str, Any]) -> None:
    assert seen["controls"] == ["root", "body", "pelvis", "paw.L, paw.R"]
    assert seen["posed"] == [[True] * 7, [1, 2, 3, 4, 5, 6, 7]]
    assert seen["measured"]["push_height_m"] == pytest.approx(0.365, abs=1e-4)


def test_the_first_jump_takes_few_clicks(seen: dict[str, Any]) -> None:
    # And one for the tab.
    clicks = len(seen["clicks"]) + 1
    print(f"first jump: {clicks} clicks")
    assert clicks <= MOST_CLICKS
    assert seen["blocked"] != seen["before_block"]


def test_clicks_write_the_keys_that_python_writes(seen: dict[str, Any]) -> None:
    assert seen["blocked"] == seen["api_blocked"]
    assert seen["retimed"] == seen["api_retimed"]
    assert seen["blocked_again"] == seen["api_blocked_again"]
    assert seen["blocked"] != seen["retimed"] != seen["blocked_again"]
    assert all(key[2] == int(key[2]) for key in seen["retimed"])


def test_a_height_changed_after_the_fact_blocks_anew(seen: dict[str, Any]) -> None:
    # In the panel of the last operation, lower left and at the mouse.
    assert seen["height_adjusted"] == pytest.approx(1.2)
    assert seen["adjusted"] == seen["api_adjusted"] != seen["blocked"]
    assert seen["adjusted_at_mouse"] == seen["api_adjusted"]


def test_undo_and_redo_by_keys(seen: dict[str, Any]) -> None:
    assert seen["undone"] == seen["before_block"]
    assert seen["markers_undone"] == []
    assert seen["redone"] == seen["adjusted"]
    assert seen["blocked_after_undo"] == seen["blocked"]
    assert seen["retime_undone"]
    assert seen["retime_redone"]


def test_poses_are_marked_on_the_current_frame(seen: dict[str, Any]) -> None:
    order = ("start", "crouch", "takeoff", "apex", "land", "low", "end")
    frames = {"start": 1, "crouch": 2, "takeoff": 3, "land": 5}
    assert {name: at for name, (at, _, _) in seen["marked"].items()} == frames
    _, posed, there = seen["marked"]["land"]
    assert dict(zip(order, posed, strict=True)) == {name: name in frames for name in order}
    assert {n: f for n, f in zip(order, there, strict=True) if n in frames} == frames
    assert seen["marked_measured"] == seen["api_marked_measured"]
    assert seen["mark_undone"] == [name in frames and name != "land" for name in order]
    assert seen["mark_redone"] == posed


def test_retime_shows_the_frames_before_it_is_done(seen: dict[str, Any]) -> None:
    then = {name: float(frame) for name, _, frame in seen["retime_shown"]}
    after = seen["retimed_moments"]
    counts = {
        "Push": after["takeoff"] - after["crouch"],
        "Rise": after["apex"] - after["takeoff"],
        "Fall": after["land"] - after["apex"],
        "Absorb": after["low"] - after["land"],
    }
    moments = {"Crouch": "crouch", "Take-off": "takeoff", "Apex": "apex", "Land": "land"}
    assert then == counts | {name: after[moment] for name, moment in moments.items()}
    assert seen["snappiness_after"] == 1.0


def test_check_says_what_python_says_and_touches_nothing(seen: dict[str, Any]) -> None:
    said, api = seen["checked"], seen["api_checked"]
    assert said["jumps"] == api["jumps"]
    assert seen["keys_after_check"]


def test_a_saved_file_is_as_it_was_and_blocked_again(seen: dict[str, Any]) -> None:
    assert seen["reopened"] == seen["blocked"]
    height, posed = seen["settings_reopened"]
    assert height == pytest.approx(0.85)
    assert posed == [True] * 7
    assert seen["blocked_reopened_otherwise"]
    assert seen["blocked_reopened"] == seen["blocked"]


def findings(said: dict[str, Any]) -> list[dict[str, Any]]:
    return [found for jump in said["jumps"] for found in jump["findings"]]


def test_findings_are_gone_to_and_fixed_by_clicks(seen: dict[str, Any]) -> None:
    found = findings(seen["wrong_checked"])
    assert seen["active"] == 0
    assert seen["went_to"] == round(found[0]["frames"][0])
    assert seen["fixed_changed"]
    left = [f for f in findings(seen["fixed_checked"]) if f["severity"] != "note"]
    assert len(left) < len([f for f in found if f["severity"] != "note"])
    assert seen["fix_undone"]


def test_a_finding_is_meant_for_the_reason_that_is_typed(seen: dict[str, Any]) -> None:
    was, now = findings(seen["wrong_checked"]), findings(seen["meant_checked"])
    assert [f["id"] for f in now] == [f["id"] for f in was]
    assert was[0]["severity"] != "note"
    assert (now[0]["severity"], now[0]["intended"]) == ("note", "ears carry it")
    assert now[1:] == was[1:]
    # It stays meant when the others are fixed.
    assert [f["intended"] for f in findings(seen["fixed_checked"])].count("ears carry it") == 1


def test_the_search_offers_what_a_person_types(seen: dict[str, Any]) -> None:
    assert seen["searched"] == {
        "jump": "LEAPWRIGHT_OT_block",
        "block jump": "LEAPWRIGHT_OT_block",
        "snappier": "LEAPWRIGHT_OT_retime",
        "retime": "LEAPWRIGHT_OT_retime",
    }
    assert seen["search_blocks"]
    assert seen["searched_snappier"] == seen["searched_retime"] == seen["retimed_by_operator"]


def test_menus_of_the_dope_sheet_and_the_graph_editor_do_it(seen: dict[str, Any]) -> None:
    assert seen["menu_checked"] == 1
    assert seen["menu_planned"]


def test_the_tab_is_about_the_rig_that_is_clicked(seen: dict[str, Any]) -> None:
    rigs, clicked, heights = zip(*seen["shown"], strict=True)
    assert rigs == ("Hare", "Leveret")
    assert clicked == rigs
    assert [float(text) for text in heights] == pytest.approx([0.85, 0.4])


def test_nothing_dangles_when_the_rig_or_the_file_goes(seen: dict[str, Any]) -> None:
    # That no draw fails meanwhile is asserted where the window is driven.
    assert seen["shown_before"] == 1
    assert seen["shown_after_load"] == 0
