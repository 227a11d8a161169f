# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright batch``: what it says before anything runs."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from leapwright.batch import schema

JOBS = """\
[[jobs]]
files = "shots/*.blend"
output = "out/{name}"
retime = { snappiness = 1.5 }

[[jobs.shots]]
files = "shots/b.blend"
skip = "approved"
"""


@pytest.fixture
def show(tmp_path: Path) -> Path:
    (tmp_path / "shots").mkdir()
    for name in ("a", "b", "c c"):
        (tmp_path / "shots" / f"{name}.blend").touch()
    (tmp_path / "JOBS.toml").write_text(JOBS, encoding="utf-8")
    return tmp_path


def test_a_dry_run_lists_what_would_be_done(here, show):
    told = here("batch", str(show / "JOBS.toml"), "--dry-run")
    shots, out = show / "shots", show / "out"
    assert told.code == 0
    assert told.out.splitlines() == [
        f"retime {shots / 'a.blend'} -> {out / 'a.blend'}",
        f"skip {shots / 'b.blend'}: approved",
        f"retime {shots / 'c c.blend'} -> {out / 'c c.blend'}",
    ]
    assert told.err == "3 shots. Nothing was done (dry run).\n"
    assert sorted(p.name for p in show.iterdir()) == ["JOBS.toml", "shots"]
    data = here("batch", str(show / "JOBS.toml"), "--dry-run", "--json").data
    assert data[0]["target"] == str(out / "a.blend")
    assert data[0]["ask"]["snappiness"] == 1.5


def test_a_dry_run_counts_what_is_refused(here, show):
    text = JOBS.replace('"shots/*.blend"', '["shots/a.blend", "shots/none.blend"]')
    text = text.replace("shots/b.blend", "shots/a.blend")
    (show / "JOBS.toml").write_text(text, encoding="utf-8")
    told = here("batch", str(show / "JOBS.toml"), "--dry-run")
    assert told.code == 0
    assert f"refuse {show / 'shots' / 'none.blend'}: there is no such file" in told.out
    # A shot that is skipped on purpose is not refused.
    assert told.err == "2 shots, 1 refused. Nothing was done (dry run).\n"


def test_one_shot_is_one(here, show):
    text = JOBS.replace("*", "a").replace("shots/b", "shots/a")
    (show / "JOBS.toml").write_text(text, encoding="utf-8")
    told = here("batch", str(show / "JOBS.toml"), "--dry-run")
    assert told.err == "1 shot. Nothing was done (dry run).\n"


def test_mistakes_are_in_the_words_of_the_file(here, show):
    jobs = (
        '[[jobs]]\nfiles = "shots/a.blend"\noutput = "out/"\nfix = { only = "off_ark" }\n'
        '[[jobs]]\nfiles = "shots/b.blend"\noutput = "out/"\nretime = { phases = "jump" }\n'
    )
    (show / "JOBS.toml").write_text(jobs, encoding="utf-8")
    said = here("batch", str(show / "JOBS.toml"), "--dry-run").err
    assert "line 4: fix: only must name findings" in said
    assert "in_place" in said
    assert "line 8: retime: `phases` must be of anticipation, push" in said
    assert "--" not in said


def test_in_place_is_for_all_jobs(here, show):
    told = here("batch", str(show / "JOBS.toml"), "--in-place", "--dry-run")
    assert told.out.splitlines()[0] == f"retime {show / 'shots' / 'a.blend'} in place"


def test_every_mistake_is_listed(here, show):
    (show / "JOBS.toml").write_text("x = 1\n[[jobs]]\nfiles = 3\nretime = { hop = 1 }\n")
    told = here("batch", str(show / "JOBS.toml"))
    assert (told.code, told.out) == (2, "")
    lines = told.err.splitlines()
    assert lines[0].startswith(f"leapwright: {show / 'JOBS.toml'} has 3 mistakes:")
    assert [line.split(":")[0] for line in lines[1:]] == ["  line 1", "  line 3", "  line 4"]
    assert lines[2].endswith("files must be a text in quotes or a list of them, got 3")


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ('output = "shots/{name}"', "would be written to"),
        ('output = "shots/new_{name}"', "would be taken for a shot the next time"),
        ('output = "out/one.blend"', "would both be written to"),
        ('output = "out/{name}"\nrig-file = "none/*.rig.toml"', "no rig file is covered"),
        ('output = "out/{name}"\n[[jobs.shots]]\nfiles="shots/x.blend"', "none of the job's shots"),
    ],
)
def test_clashes_are_refused(here, show, more, said):
    text = f'[[jobs]]\nfiles = "shots/*.blend"\nretime = {{}}\n{more}\n'
    (show / "JOBS.toml").write_text(text, encoding="utf-8")
    told = here("batch", str(show / "JOBS.toml"), "--dry-run")
    assert (told.code, told.out) == (2, "")
    if "shots/{name}" in more:
        # Read and written at once, but one by one: that is what in-place is for.
        said = "is the shot itself"
    assert said in told.err


def test_two_jobs_on_one_file(here, show):
    text = (
        '[[jobs]]\nname = "one"\nfiles = "shots/a.blend"\nin-place = true\nretime = {}\n'
        '[[jobs]]\nname = "two"\nfiles = "shots/*.blend"\ncheck = {}\n'
    )
    (show / "JOBS.toml").write_text(text, encoding="utf-8")
    told = here("batch", str(show / "JOBS.toml"), "--dry-run")
    assert told.code == 2
    assert "a.blend is a shot, and one would write it" in told.err
    assert "line 1" in told.err


def test_one_wish_at_a_time(here, show):
    jobs = str(show / "JOBS.toml")
    assert "say what to do" in here("batch").refusal(2)
    assert "each say what to do" in here("batch", jobs, "--resume", str(show)).refusal(2)
    said = here("batch", "--resume", str(show), "--timeout", "5").refusal(2)
    assert "--timeout goes with JOBS" in said
    assert "there is no run in" in here("batch", "--resume", str(show)).refusal(1)
    assert "there is no run in" in here("batch", "--undo", str(show)).refusal(1)
    assert "--memory must be a size" in here("batch", jobs, "--memory", "4 elephants").refusal(2)
    assert "cannot read" in here("batch", str(show / "none.toml")).refusal(1)


def test_the_schema_is_printed(here):
    assert here("batch", "--schema").data == schema()


def test_shots_that_are_not_there(here, show):
    text = '[[jobs]]\nfiles = ["shots/a.blend", "shots/none.blend", "x/*.blend"]\ncheck = {}\n'
    (show / "JOBS.toml").write_text(text, encoding="utf-8")
    told = here("batch", str(show / "JOBS.toml"), "--dry-run")
    assert told.code == 0
    assert f"refuse {show / 'shots' / 'none.blend'}: there is no such file" in told.out
    assert "no shot is covered by 'x/*.blend'" in told.err


def test_no_shot_at_all_is_told_with_patterns_and_folder(here, show):
    text = '[[jobs]]\nfiles = ["x/*.blend", "y.*"]\ncheck = {}\n'
    (show / "JOBS.toml").write_text(text, encoding="utf-8")
    told = here("batch", str(show / "JOBS.toml"), "--dry-run")
    assert told.code == 2
    assert f"line 2: no shot is covered by these files: 'x/*.blend', 'y.*' in {show}" in told.err
    text = '[[jobs]]\nfiles = "shots/*.blend"\nexcept = "shots/*"\ncheck = {}\n'
    (show / "JOBS.toml").write_text(text, encoding="utf-8")
    told = here("batch", str(show / "JOBS.toml"), "--dry-run")
    assert "that are not excepted: 'shots/*.blend' in" in told.err


def test_nothing_to_do_but_refusals_needs_no_blender(child, here, show):
    """A whole run in a process of its own: results, table and report are written."""
    text = '[[jobs]]\nfiles = "shots/none.blend"\ncheck = {}\n'
    (show / "JOBS.toml").write_text(text, encoding="utf-8")
    told = child("batch", str(show / "JOBS.toml"), "--run", str(show / "run"))
    assert told.code == 1, told.err
    assert told.out.startswith("1 shot: 1 failed in ")
    assert "there is no such file" in told.err
    run = show / "run"
    assert {p.name for p in run.iterdir()} >= {"results.jsonl", "summary.csv", "report.html"}
    row = json.loads((run / "results.jsonl").read_text(encoding="utf-8"))
    assert (row["status"], row["verb"], row["output"]) == ("failed", "check", None)
    undone = here("batch", "--undo", str(run))
    assert (undone.code, undone.err) == (0, "")
    assert undone.out.startswith("Nothing to give back: ")
