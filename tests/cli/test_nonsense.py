# SPDX-License-Identifier: GPL-3.0-or-later
"""Nonsense gives one clear line, the right exit code, no data and no file."""

from __future__ import annotations

import pytest

from leapwright.cli.app import _in_flags
from leapwright.errors import ClashError, FileError, InputError, NotFoundError

NONSENSE = {
    "plan": "nothing says how high the jump is: give one of --jump-height, --rise-frames",
    "plan --jump-height 1": "nothing says what the push is: give one of --push-height, --push-fra",
    "plan --jump-height 4lb --push-height 1": "--jump-height must be a length like 1.2m",
    "plan --jump-height 4s --push-height 1": "got '4s'",
    "plan --jump-height tall --push-height 1": "got 'tall'",
    "plan --jump-height nan --push-height 1": "got 'nan'",
    "plan --jump-height 1e999 --push-height 1": "--jump-height must be finite in m",
    "plan --jump-height 1 --push-height -1ft": "--push-height must be above 0 m, got -0.3048 "
    "(typed '-1ft')",
    "plan --jump-height 0 --push-height 1": "--jump-height must be above 0 m, got 0",
    "plan --rise-frames 2.5 --push-frames 1": "--rise-frames must be a whole number of frames",
    "plan --rise-frames some --push-frames 1": "--rise-frames must be a number of frames",
    "plan --takeoff-speed 4m --push-frames 1": "--takeoff-speed must be a speed like 4m/s",
    "plan --rise-frames 9 --magnification x": "--magnification must be a number, got 'x'",
    "plan --rise-frames 9 --push-frames 1 --gravity vulcan": "--gravity must be a number in m/s² "
    "or one of mercury",
    "plan --rise-frames 9 --push-frames 1 --gravity -9.8": "--gravity must be above 0 m/s²",
    "plan --rise-frames 9 --push-frames 1 --gravity 9.8m": "--gravity must be a number in m/s²",
    "plan --rise-frames 9 --push-frames 1 --fps 0": "--fps must be a number above 0",
    "plan --rise-frames 9 --push-frames 1 --fps 24/0": "got '24/0'",
    "plan --rise-frames 9 --push-frames 1 --keep all": "'all' is not one of 'gravity', 'poses'",
    "plan --rise-frames 9 --jump-height 1 --push-frames 1": "--jump-height and --rise-frames each "
    "say how high",
    "plan --jump-height 1 --push-frames 1 --push-height 1": "each say what the push is",
    "plan --jump-height 1 --push-frames 3 --landing-level 5": "this jump rises 1 m and cannot land "
    "higher, got 5 m",
    "plan --jump-height 4ft --push-height 1ft --twos --shot-start 1001 --pin takeoff=1024": "use "
    "1023 or 1025",
    "plan --jump-height 1 --push-frames 3 --pin hop=3": "--pin must name one of start, crouch",
    "plan --jump-height 1 --push-frames 3 --pin takeoff": "--pin must be MOMENT=FRAME",
    "plan --jump-height 1 --push-frames 3 --pin takeoff=x": "got 'takeoff=x'",
    "plan --jump-height 1 --push-frames 3 --pin land=9 --pin land=10": "land is given twice",
    "plan --push-frames 3 --pin takeoff=9 --pin land=5": "land=5 must be after takeoff=9",
    "plan --nope": "No such option: --nope",
    "plan --jump-height": "--jump-height",
    "plan extra": "extra",
    "hop": "No such command 'hop'",
    "chart --rise-frames 0": "--rise-frames must be above 0 frames",
    "chart --rise-frames 1-99999": "got '1-99999'",
    "chart --rise-frames 9-3": "got '9-3'",
    "chart --rise-frames ,": "--rise-frames must be a number of frames",
    "chart --unit furlong": "'furlong' is not one of",
    "block": "FILE",
    "block shot.blend --jump-height 1 --push-height 1 -o out.blend": "--rig",
    "block shot.blend --rig Hare --jump-height 1": "-o OUT, --in-place, or --dry-run",
    "block shot.blend --rig Hare --in-place -o out.blend": "-o and --in-place each say",
    "block shot.blend --rig Hare --pose hop=3 -o out.blend": "--pose must name one of",
    "block shot.blend --rig Hare --air wings -o out.blend": "'wings' is not one of",
    "block shot.blend --rig Hare --jump-height 3kg -o out.blend": "got '3kg'",
    "block shot.blend --rig Hare --fps x -o out.blend": "--fps must be",
}


@pytest.mark.parametrize("line", NONSENSE)
def test_usage_is_refused_on_one_line(here, line, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert NONSENSE[line] in here(*line.split()).refusal(2)
    assert list(tmp_path.iterdir()) == []


def test_refusal_in_a_child_process(child, tmp_path):
    told = child("plan", "--jump-height", "-4ft", "--push-height", "1ft")
    assert told.refusal(2) == "--jump-height must be above 0 m, got -1.2192 (typed '-4ft')"


@pytest.mark.parametrize("more", [["-o", "out.blend"], ["--dry-run"], ["--in-place"]])
def test_a_missing_file_is_told_before_the_host_is_loaded(here, more, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    told = here("block", "no.blend", "--rig", "Hare", "--jump-height", "1", *more)
    assert told.refusal(1) == "no.blend: there is no such file"
    assert list(tmp_path.iterdir()) == []


def test_targets_that_cannot_be_meant(here, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "shot.blend").write_bytes(b"x")
    (tmp_path / "folder").mkdir()
    block = ["block", "shot.blend", "--rig", "Hare", "-o"]
    assert "use --in-place" in here(*block, "shot.blend").refusal(2)
    assert "this is a folder" in here(*block, "folder").refusal(1)
    assert "there is no folder" in here(*block, "lost/out.blend").refusal(1)
    assert "this is a folder" in here("block", "folder", "--rig", "A", "--dry-run").refusal(1)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["folder", "shot.blend"]


def test_no_verb_shows_the_help_and_fails(here):
    told = here()
    assert told.code == 2
    assert all(verb in told.out for verb in ("plan", "chart", "block"))


@pytest.mark.parametrize(
    ("error", "message"),
    [
        (InputError("push_height must be above 0 m, got -1", "push_height"), "--push-height must"),
        (InputError("frame_rate must be a number, got 'x'", "frame_rate"), "--fps must be"),
        (
            InputError("`cog`: 'Hare' has no control 'cog'", "cog"),
            "--cog: 'Hare' has no control 'c",
        ),
        (
            ClashError("travel and foot_travel clash", ("travel", "foot_travel")),
            "--travel and --fo",
        ),
        (ClashError("pins clash: land=1", ("pins",)), "pins clash: land=1"),
        (InputError("x: got 'push_height'", "push_height"), "x: got 'push_height'"),
        (FileError("/a/push_height/b.blend: no"), "/a/push_height/b.blend: no"),
        (FileError("push_height.blend: no"), "push_height.blend: no"),
        (NotFoundError("travel is no rig"), "travel is no rig"),
        (InputError("only must name in_place", "only"), "--only must name in_place"),
        (InputError("say in_place", "in_place"), "say --in-place"),
    ],
)
def test_argument_names_are_said_as_flags(error, message):
    assert _in_flags(error).startswith(message)
