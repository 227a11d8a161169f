# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright check`` and ``leapwright cog``: what is printed, how it ends, what is refused."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from cli.conftest import Told
from core.test_recording import text
from leapwright import Style, Track, plan
from leapwright.checked import Meant, check_track
from leapwright.cli.check_table import show_checked
from leapwright.findings import FINDINGS

Run = Callable[..., Told]
HARE = Path(__file__).parents[2] / "blend_samples" / "hare.blend"


@pytest.fixture
def clip(tmp_path: Path) -> Path:
    path = tmp_path / "leap.bvh"
    path.write_text(text(unit=0.01), encoding="ascii")
    return path


def shown(told, width: str, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("COLUMNS", width)
    out = io.StringIO()
    show_checked(told, out=out)
    return out.getvalue()


def moon_track() -> Track:
    jump = plan(rise_frames=12, push_frames=3, pins={"takeoff": 30}, travel=1.0)
    return Track.of(jump.cog(np.arange(1, 80)).position)


# --- Recordings ----------------------------------------------------------------------------------


def test_a_sound_recording_ends_with_0_and_says_so(here: Run, clip: Path) -> None:
    told = here("check", str(clip))
    assert told.code == 0, told
    for words in ("Hips in leap.bvh, 1 jump, 30 fps", "take-off", "Nothing is off.", "±"):
        assert words in told.out
    assert max(map(len, told.out.splitlines())) <= 80
    assert "is a guess" in told.err
    assert "leapwright: note: scale 0.01 m a unit" in told.err


def test_json_of_a_recording(here: Run, clip: Path) -> None:
    said = here("check", str(clip), "--scale", "0.01", "--json").data
    assert (said["file"], said["rig"], said["cog_from"]) == (str(clip), "Hips", "segments")
    assert said["frame_rate"] == 30.0
    assert len(said["jumps"]) == 1
    assert said["warnings"] == []


@pytest.mark.parametrize(
    ("fail_on", "intended", "code"),
    [
        ("warning", None, 0), ("note", None, 1), ("note", "gravity=she is on the moon", 0),
    ],
)  # fmt: skip
def test_fail_on_ends_with_1_and_what_is_intended_does_not(
    here: Run, clip: Path, fail_on: str, intended: str | None, code: int
) -> None:
    more = [] if intended is None else ["--intended", intended]
    told = here("check", str(clip), "--gravity", "moon", "--fail-on", fail_on, *more)
    assert told.code == code
    assert "In the air gravity is" in told.out
    assert ("meant: she is on the moon" in told.out) == (intended is not None)


@pytest.mark.parametrize(
    ("flags", "said"),
    [
        (["--scale", "0"], "scale must be above 0"),
        (["--scale", "tall"], "scale must be a number"),
        (["--ground", "Crate"], "--ground is for .blend files"),
        (["--action", "Hop"], "action is for .blend files"),
        (["--gravity", "scene"], "--gravity must not be scene"),
        (["--cog-from", "mesh"], "segments or control"),
        (["--intended", "falls_faster"], "must be FINDING=REASON"),
        (["--intended", "floats=style"], "must name a finding"),
        (["--style", "rise=2"], "fall=1.4,push=1,hang=4"),
        (["--limit", "hangs"], "must be NAME=NUMBER"),
        (["--plot", "out.gif"], "an .svg or .png file"),
        (["--rig", "Hare"], "'Hips'"),
    ],
)
def test_what_cannot_be_is_refused_on_one_line(
    here: Run, clip: Path, flags: list[str], said: str
) -> None:
    assert said in here("check", str(clip), *flags).refusal(2)


def test_files_that_cannot_be_read_end_with_1(here: Run, tmp_path: Path) -> None:
    assert "no such file" in here("check", str(tmp_path / "none.bvh")).refusal(1)
    assert "folder" in here("check", str(tmp_path)).refusal(1)
    bad = tmp_path / "bad.bvh"
    bad.write_bytes(b"\xff\xfe\x00 not a recording")
    assert "HIERARCHY" in here("check", str(bad)).refusal(1)


def test_a_recording_without_a_jump_is_an_answer(here: Run, tmp_path: Path) -> None:
    head, _, tail = text().partition("MOTION")
    row = tail.splitlines()[3]
    still = tmp_path / "still.bvh"
    still.write_text(f"{head}MOTION\nFrames: 1\nFrame Time: 0.04\n{row}\n", encoding="ascii")
    told = here("check", str(still), "--scale", "1")
    assert told.code == 0
    assert "One frame cannot hold a jump" in told.out
    assert here("check", str(still), "--json").data["jumps"] == []


def test_a_plot_is_drawn(here: Run, clip: Path, tmp_path: Path) -> None:
    out = tmp_path / "height.svg"
    told = here("check", str(clip), "--plot", str(out))
    assert told.code == 0
    assert out.read_text(encoding="utf-8").lstrip().startswith("<svg")
    assert f"Wrote {out}" in told.err


# --- The table -----------------------------------------------------------------------------------


@pytest.mark.parametrize("width", ["60", "80", "120"])
def test_the_table_fits_and_cuts_nothing(width: str, monkeypatch: pytest.MonkeyPatch) -> None:
    told = check_track(moon_track(), file="a/market.blend", rig="Hare", meant=Meant("moon"))
    lines = shown(told, width, monkeypatch).splitlines()
    assert max(map(len, lines[1:])) <= int(width)
    whole = " ".join(" ".join(lines).split())
    assert told.findings[0].text in whole
    assert "…" not in whole


def test_severity_is_a_word_and_a_mark(monkeypatch: pytest.MonkeyPatch) -> None:
    meant = Meant("moon", Style(), {"gravity": "it is the moon"})
    told = check_track(moon_track(), rig="Hare", meant=meant)
    text_ = shown(told, "80", monkeypatch)
    assert "= intended" in text_
    assert "1 intended." in text_
    assert "- note" in shown(check_track(moon_track(), meant=Meant("moon")), "80", monkeypatch)


def test_every_finding_has_a_name_to_mark_it_by() -> None:
    assert all(name.isidentifier() for name in FINDINGS)


# --- Shots ---------------------------------------------------------------------------------------


@pytest.mark.needs_bpy
def test_a_shot_from_block_to_a_style_that_is_meant(child: Run, tmp_path: Path) -> None:
    """Blocked, found clean; the same under another style is found, and may be meant."""
    shot, styled = tmp_path / "shot.blend", tmp_path / "styled.blend"
    done = child(
        "block", str(HARE), "--rig", "Hare", "--rise-frames", "12", "--push-frames", "3",
        "-o", str(shot),
    )  # fmt: skip
    assert done.code == 0, done.err
    told = child("check", str(shot))
    assert told.code == 0, told
    assert "Hare in shot.blend, 1 jump, 24 fps, COG at its control" in told.out
    assert "Nothing is off." in told.out
    said = child("check", str(shot), "--rig", "Hare", "--json").data
    (jump,) = said["jumps"]
    assert jump["moments"] == pytest.approx(
        {"crouch": 11, "takeoff": 14, "apex": 26, "land": 38, "low": 41}, abs=0.05
    )
    done = child(
        "retime", str(shot), "--rig", "Hare", "--rise-frames", "12", "--hang-frames", "4",
        "--fall-frames", "9", "-o", str(styled),
    )  # fmt: skip
    assert done.code == 0, done.err
    told = child("check", str(styled), "--style", "fall=1,push=1,hang=0")
    assert told.code == 1
    assert "falls faster than it rises" in told.out
    assert "hangs at the top" in told.out
    told = child(
        "check", str(styled), "--style", "fall=1,push=1,hang=0",
        "--intended", "falls_faster=the show", "--intended", "hangs=the show",
    )  # fmt: skip
    assert told.code == 0
    assert told.out.count("meant: the show") == 2
    assert child("check", str(styled)).code == 0


@pytest.mark.needs_bpy
def test_cog_shows_what_weighs_what(child: Run) -> None:
    told = child("cog", str(HARE))
    assert told.code == 0, told.err
    assert "% of the height" in told.out
    said = child("cog", str(HARE), "--rig", "Hare", "--json").data
    assert said["cog_from"] == "mesh"
    assert sum(said["masses"].values()) == pytest.approx(1)
    assert 0.2 < said["height_fraction"] < 0.6
    assert "no rig 'Fox'" in child("cog", str(HARE), "--rig", "Fox").refusal(2)


@pytest.mark.needs_bpy
@pytest.mark.parametrize(
    ("flags", "said"),
    [
        (["--scale", "1"], "--scale"),
        (["--action", "Hop"], "there is no action 'Hop'"),
        (["--ground", "Crate"], "no object 'Crate'"),
    ],
)
def test_what_a_shot_refuses(child: Run, flags: list[str], said: str) -> None:
    assert said in child("check", str(HARE), *flags).refusal(2)


@pytest.mark.needs_bpy
def test_a_shot_without_keys_is_an_answer(child: Run) -> None:
    told = child("check", str(HARE))
    assert told.code == 0
    assert "has no keys" in told.out
