# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright plan``: common practice, the contract of the JSON, and what a person reads."""

from __future__ import annotations

import re

import numpy as np
import pytest

PHASES = ["anticipation", "crouch_hold", "push", "rise", "fall", "absorb", "recover", "air"]
MOMENTS = ["start", "crouch", "takeoff", "apex", "land", "low", "end"]
CRATE = ["--landing-level", "0.545", "--jump-height", "0.85", "--push-height", "0.34"]
CRATE += ["--pin", "takeoff=101"]


@pytest.mark.parametrize(
    ("jump", "push", "rise", "push_frames"),
    # Common practice, no published source (reference-values.md).
    [("4ft", "1ft", 12, 3), ("20in", "10in", 8, 4), ("1.2192", "30.48cm", 12, 3)],
)
def test_common_practice(here, jump, push, rise, push_frames):
    answer = here("plan", "--jump-height", jump, "--push-height", push, "--json").data
    assert answer["frames"]["rise"] == answer["frames"]["fall"] == rise
    assert answer["frames"]["push"] == push_frames
    assert answer["magnification"] == pytest.approx(rise / push_frames, rel=1e-9)
    assert answer["moments"]["start"] == 1


def test_onto_a_crate_in_a_child_process(child):
    answer = child("plan", *CRATE, "--json").data
    assert {k: answer["frames"][k] for k in ("push", "rise", "fall")} == {
        "push": 4,
        "rise": 10,
        "fall": 6,
    }
    moments = answer["moments"]
    assert [moments[k] for k in ("crouch", "takeoff", "apex", "land")] == [97, 101, 111, 117]
    assert round(answer["heights_m"]["jump"], 4) == 0.8514
    assert round(answer["heights_m"]["push"], 4) == 0.3405
    assert answer["asked"]["pins"] == {"takeoff": 101}


def test_twos_from_the_shots_first_frame(here):
    shot = ["--twos", "--shot-start", "1001", "--pin", "takeoff=1025"]
    answer = here("plan", *shot, "--jump-height", "4ft", "--push-height", "1ft", "--json").data
    moments = answer["moments"]
    assert [moments[k] for k in ("crouch", "apex", "land")] == [1021, 1037, 1049]
    of_twelve = [a["frames"] for a in answer["alternatives"] if a["frames"]["rise"] == 12]
    assert [frames["push"] for frames in of_twelve][:2] == [4, 2]
    assert of_twelve[0] == answer["frames"]


def test_json_has_exactly_the_contracts_keys(here):
    answer = here("plan", *CRATE, "--anticipation-frames", "0", "--json").data
    assert list(answer) == [
        "asked", "frame_rate", "gravity_m_s2", "keep", "heights_m", "travel_m", "foot_travel_m",
        "magnification", "speeds_m_s", "force_body_weights", "frames", "subframes", "moments",
        "changes", "alternatives", "warnings",
    ]  # fmt: skip
    assert list(answer["heights_m"]) == ["push", "jump", "fall", "absorb", "landing_level"]
    assert list(answer["speeds_m_s"]) == ["takeoff", "landing", "travel"]
    assert list(answer["force_body_weights"]) == ["push", "absorb"]
    assert list(answer["frames"]) == list(answer["subframes"]) == PHASES
    assert list(answer["moments"]) == MOMENTS
    assert answer["moments"]["start"] is None
    assert answer["frames"]["anticipation"] == 0
    for change in answer["changes"]:
        assert list(change) == ["what", "asked", "got", "percent"]
    for alternative in answer["alternatives"]:
        assert list(alternative) == ["frames", "changes", "words"]
    assert answer["alternatives"][0]["frames"] == answer["frames"]
    assert answer["alternatives"][0]["changes"] == answer["changes"]


def test_json_numbers_obey_free_fall(here):
    answer = here("plan", *CRATE, "--gravity", "moon", "--fps", "30000/1001", "--json").data
    g, rate = answer["gravity_m_s2"], answer["frame_rate"]
    heights, speeds = answer["heights_m"], answer["speeds_m_s"]
    assert (g, rate) == (1.6, pytest.approx(30000 / 1001, rel=1e-15))
    assert speeds["takeoff"] ** 2 == pytest.approx(2 * g * heights["jump"], rel=1e-12)
    assert speeds["landing"] ** 2 == pytest.approx(2 * g * heights["fall"], rel=1e-12)
    air = (speeds["takeoff"] + speeds["landing"]) / g * rate
    assert air == pytest.approx(answer["frames"]["air"], rel=1e-12)


def test_units_say_the_same_jump(here):
    def answer(*flags: str) -> dict:
        got = here("plan", *flags, "--push-frames", "4", "--json").data
        got.pop("asked")
        return got

    feet = answer("--jump-height", "1ft6in", "--running", "18km/h", "--landing-level", "-1.5ft")
    metres = answer("--jump-height", "0.4572", "--running", "5", "--landing-level", "-0.4572")
    assert_close(feet, metres)


def assert_close(first, second):
    if isinstance(first, dict):
        assert list(first) == list(second)
        for key in first:
            assert_close(first[key], second[key])
    elif isinstance(first, list):
        for a, b in zip(first, second, strict=True):
            assert_close(a, b)
    elif isinstance(first, float):
        np.testing.assert_allclose(first, second, rtol=1e-9, atol=1e-9)
    else:
        assert first == second


def test_stop_and_carry_on(here):
    flags = ["plan", "--jump-height", "1", "--push-frames", "4", "--running", "4m/s", "--json"]
    assert here(*flags, "--stop").data["asked"]["carry_on"] is False
    assert here(*flags, "--carry-on").data["asked"]["carry_on"] is True
    assert "carry_on" not in here(*flags).data["asked"]


def test_the_table_shows_asked_and_got(here):
    told = here("plan", "--jump-height", "4ft", "--push-height", "1ft")
    assert told.code == 0
    assert told.err == ""
    assert told.out.startswith(
        "Push 3, rise 12, fall 12: a jump of 1.226 m from a push of 0.306 m at 24 fps.\n"
    )
    assert re.search(r"^ crouch +11 +push +2\.99 +3 *$", told.out, re.MULTILINE)
    assert re.search(r"^ jump height +1\.219 +1\.226 +m *$", told.out, re.MULTILINE)
    assert re.search(r"^ push force +– +5\.00 +body weights *$", told.out, re.MULTILINE)


@pytest.mark.parametrize("columns", ["80", "60"])
def test_nothing_is_cut_in_a_narrow_window(here, monkeypatch, columns):
    monkeypatch.setenv("COLUMNS", columns)
    flags = ["plan", *CRATE, "--travel", "1.5m", "--running", "4m/s", "--keep", "heights"]
    told = here(*flags)
    head, *tables = told.out.splitlines()
    assert max(map(len, tables)) <= int(columns)
    assert "…" not in told.out
    assert head.endswith("at 24 fps.")
    # Every alternative is there, whole.
    answer = here(*flags, "--json").data
    words = " ".join(told.out.split())
    for alternative in answer["alternatives"]:
        for change in alternative["changes"]:
            if change["what"] == "gravity_m_s2" and abs(change["percent"]) > 0.05:
                assert f"gravity {change['got']:.2f} m/s²" in words
    assert told.err == "".join(f"leapwright: note: {w}\n" for w in answer["warnings"])
    assert answer["warnings"]


def test_no_colour_off_a_terminal(child):
    assert "\x1b" not in child("plan", *CRATE).out


def test_the_table_takes_a_unit(here):
    out = here("plan", "--jump-height", "4ft", "--push-height", "1ft", "--unit", "ft").out
    assert re.search(r"^ jump height +4\.00 +4\.02 +ft *$", out, re.MULTILINE)
