# SPDX-License-Identifier: GPL-3.0-or-later
"""Whole runs: bad shots, kills, stopping, undoing, and the same work by a cluster."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

import leapwright.batch as batches
from batch.kills import ROOT, done_twice, host_pids, kill, rows_done, run_with_kills, runner
from batch.read_keys import keys_of
from batch.trial import make_trial
from leapwright.batch import Stop, engine, load_jobs
from leapwright.errors import FileError, HostError

pytestmark = pytest.mark.needs_bpy


def show(folder: Path, base: Path, count: int, said: str = 'output = "out/{name}"') -> Path:
    """Copies of the hare's jump, and a file of jobs that retimes them."""
    (folder / "shots").mkdir(parents=True)
    for number in range(count):
        shutil.copyfile(base / "hop.blend", folder / "shots" / f"hop_{number:02d}.blend")
    jobs = folder / "JOBS.toml"
    jobs.write_text(
        f'[defaults]\nrig = "Hare"\nplots = false\n[[jobs]]\nfiles = "shots/*.blend"\n{said}\n'
        "retime = { snappiness = 1.5 }\n",
        encoding="utf-8",
    )
    return jobs


def outputs(folder: Path) -> list[Path]:
    return sorted((folder / "out").glob("*"))


def files(folder: Path) -> set[str]:
    found = (p for p in folder.rglob("*") if p.is_file())
    return {p.relative_to(folder).as_posix() for p in found if ".leapwright" not in p.parts}


@pytest.fixture(scope="module")
def right_keys(base: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The keys of a shot that was retimed by itself, without any batch."""
    out = tmp_path_factory.mktemp("alone") / "hop.blend"
    code = (
        "import os, sys\nfrom leapwright_blender import open_shot\n"
        f"shot = open_shot({str(base / 'hop.blend')!r})\n"
        f"shot.rig('Hare').retime(snappiness=1.5)\nshot.save({str(out)!r})\nos._exit(0)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)
    return keys_of([out])[0]


# Bad shots


def test_a_night_with_bad_shots(base, tmp_path, monkeypatch, right_keys):
    trial = make_trial(tmp_path / "show", base, good=3, plots=True)
    for name, value in trial.faults().items():
        monkeypatch.setenv(name, value)
    there = trial.files()
    progress = []
    rows = []
    result = batches.run(trial.jobs, workers=2, on_result=rows.append, on_progress=progress.append)
    by_name = {
        Path(os.path.relpath(row.file, trial.folder / "shots")).as_posix(): row for row in rows
    }
    assert len(rows) == len(by_name) == trial.total
    for name, words in trial.bad.items():
        row = by_name[name]
        assert (row.status, row.output) == ("failed", None), row
        assert words in row.reason, (name, row.reason)
    for name in trial.good:
        row = by_name[name]
        assert (row.status, row.reason) == ("done", None), row
    plotted = [by_name[name] for name in trial.good if name.startswith("hop_")]
    assert len(plotted) == len(trial.good) - 1
    for row in plotted:
        assert row.before["jumps"], "no plot"
        assert row.after["jumps"], "no plot"
    flipped = by_name[trial.odd[0]]
    assert flipped.status in ("done", "failed")
    right = [*trial.good, *(n for n in trial.odd if by_name[n].status == "done")]
    assert (result.progress.done, result.exit_code) == (len(right), 1)
    assert progress[-1].finished == progress[-1].total == trial.total
    assert (by_name["crashes.blend"].attempts, by_name["hangs.blend"].attempts) == (2, 1)
    for name in ("crashes.blend", "hangs.blend", "eats.blend"):
        assert "fault for a test" in Path(by_name[name].log).read_text(encoding="utf-8")
    # No stray file, nothing else touched, and what was kept is as it was.
    assert trial.files() - there == {f"retimed/shots/{name}" for name in right}
    assert trial.output("shots/kept.blend").read_bytes() == b"an approved shot"
    assert not list(trial.folder.parent.rglob("*.was_run")), "a script inside a file has run"
    assert set(keys_of([trial.output(f"shots/{name}") for name in trial.good])) == {right_keys}
    # What is told: rows, table, report.
    assert Counter(row.status for row in result.rows()) == Counter(row.status for row in rows)
    with result.summary.open(encoding="utf-8-sig", newline="") as table:
        told = {line["file"]: line for line in csv.DictReader(table)}
    assert {file: line["status"] for file, line in told.items()} == {
        row.file: row.status for row in rows
    }
    assert result.report_problem == ""
    assert result.report.stat().st_size > 10_000
    # Every line is JSON as the standard has it.
    for line in result.results.read_bytes().splitlines():
        json.loads(line, parse_constant=pytest.fail)


# Kills


def test_killed_again_and_again(base, tmp_path, monkeypatch, right_keys):
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    for name in ("TMPDIR", "TEMP", "TMP"):
        monkeypatch.setenv(name, str(scratch))
    jobs = show(tmp_path, base, 9, "in-place = true")
    told = run_with_kills(jobs, tmp_path / "run", total=9, kills=3, seed=11)
    assert told == {"runner": 1, "host": 1, "both": 1}
    assert done_twice(tmp_path / "run") == []
    shots = sorted((tmp_path / "shots").glob("hop_??.blend"))
    assert keys_of(shots) == [right_keys] * 9
    assert not list(scratch.glob("leapwright-host-*")), "what killed runners left is removed"
    backups = sorted((tmp_path / "shots").glob("*.backup-*"))
    whole = (base / "hop.blend").read_bytes()
    assert [b.read_bytes() == whole for b in backups] == [True] * 9
    assert not [p for p in tmp_path.rglob(".*") if p.is_file()]


# Stopping and undoing


def test_stopped_taken_up_again_and_undone(base, tmp_path, right_keys):
    jobs = show(tmp_path, base, 6)
    before = files(tmp_path)
    run = tmp_path / "run"
    stop = Stop()
    first = batches.run(
        load_jobs(jobs, in_place=True),
        workers=1,
        folder=run,
        stop=stop,
        on_result=lambda row: stop.soon(),
    )
    # The one in hand when the first was told may still be finished.
    assert 1 <= first.progress.done <= 3
    assert (first.left, first.exit_code) == (6 - first.progress.done, 1)
    shots = sorted((tmp_path / "shots").glob("hop_??.blend"))
    whole = (base / "hop.blend").read_bytes()
    assert sum(p.read_bytes() != whole for p in shots) == first.progress.done
    with pytest.raises(FileError, match="holds a run already"):
        batches.run(jobs, folder=run)
    rows = []
    second = batches.resume(run, workers=1, on_result=rows.append)
    assert len(rows) == first.left
    assert (second.progress.done, second.left, second.exit_code) == (6, 0, 0)
    assert keys_of(shots) == [right_keys] * 6
    third = batches.resume(run, on_result=pytest.fail)
    assert third.progress.done == 6
    shots[1].write_bytes(b"polished since")
    undone = batches.undo(run)
    assert sorted(undone.back) == [str(p) for p in shots if p is not shots[1]]
    assert undone.kept == ((str(shots[1]), "it was changed since"),)
    assert [p.read_bytes() == whole for p in shots] == [True, False, *[True] * 4]
    assert shots[1].read_bytes() == b"polished since"
    left = files(tmp_path) - before
    assert {Path(name).parts[0] for name in left} == {"run", "shots"}
    assert sum("backup" in name for name in left) == 1
    assert batches.undo(run).back == ()


def test_two_batches_refuse_each_other_and_ctrl_c_twice_stops_now(base, tmp_path):
    jobs = show(tmp_path, base, 3)
    faults = {"LEAPWRIGHT_TEST_FAULTS": json.dumps({"hop_01.blend": "sleep"})}
    run = tmp_path / "run"
    process = runner(str(jobs), "--run", str(run), "--workers", "1", "--json", env=faults)
    wait_until(lambda: rows_done(run) == 1 and list((run / "begun").glob("*-2")))
    with pytest.raises(FileError, match=f"process {process.pid} on") as caught:
        batches.run(jobs, folder=tmp_path / "two")
    assert str(run) in str(caught.value)
    with pytest.raises(FileError, match="another batch is at work"):
        batches.resume(run)
    if os.name == "nt":
        # No signals of a terminal there.
        kill(process.pid)
        process.communicate()
    else:
        time.sleep(0.5)
        stop_twice(process, run)
        assert [p.name for p in outputs(tmp_path)] == ["hop_00.blend"]
    result = batches.resume(run, workers=1)
    assert (result.progress.done, result.exit_code) == (3, 0)


def stop_twice(process: subprocess.Popen[str], run: Path) -> None:
    process.send_signal(signal.SIGINT)
    time.sleep(0.5)
    assert process.poll() is None, "the shot in hand is finished first"
    begun = time.monotonic()
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert time.monotonic() - begun < 30
    assert process.returncode == 1
    told = json.loads(out)
    assert (told["done"], told["left"], told["failed"]) == (1, 2, 0)
    assert f"leapwright batch --resume {run}" in err
    assert host_pids(run) == []


def wait_until(true, seconds: float = 120.0) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it never came to it"
        time.sleep(0.02)


# Hosts


@pytest.mark.parametrize("rig", [None, "Cr*"])
def test_an_object_without_bones_is_taken_as_by_a_script(tmp_path, rig):
    (tmp_path / "shots").mkdir()
    crate = tmp_path / "shots" / "crate.blend"
    code = (
        "import os\nfrom leapwright_blender import open_shot\n"
        f"shot = open_shot({str(ROOT / 'blend_samples' / 'crate.blend')!r})\n"
        "shot.rig('Crate').block(jump_height=0.5, push_height=0.1)\n"
        f"shot.save({str(crate)!r})\nos._exit(0)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True, capture_output=True)
    named = "" if rig is None else f'rig = "{rig}"\n'
    (tmp_path / "JOBS.toml").write_text(
        f'[[jobs]]\n{named}files = "shots/*.blend"\noutput = "out/{{name}}"\nplots = false\n'
        "retime = { snappiness = 1.5 }\n",
        encoding="utf-8",
    )
    done = batches.run(load_jobs(tmp_path / "JOBS.toml"), workers=1)
    assert [(row.status, row.rig) for row in done.rows()] == [("done", "Crate")]


def test_a_blender_that_is_none(base, tmp_path):
    jobs = show(tmp_path, base, 1)
    with pytest.raises(HostError, match="cannot start"):
        batches.run(jobs, blender=str(tmp_path / "no blender"), folder=tmp_path / "run")
    with pytest.raises(HostError, match=rf"did not start \({re.escape(sys.executable)}\)"):
        batches.run(jobs, blender=sys.executable, folder=tmp_path / "run2")
    assert outputs(tmp_path) == []


# A cluster that is there


@pytest.fixture
def cluster() -> Iterator[tuple[str, list[subprocess.Popen[str]]]]:
    """A scheduler and two workers, each a process of its own."""
    sources = os.pathsep.join(map(str, (ROOT / "core", ROOT / "addon")))
    env = {**os.environ, "PYTHONPATH": sources}
    started: list[subprocess.Popen[str]] = []

    def start(*arguments: str) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [sys.executable, "-m", *arguments], env=env, stderr=subprocess.PIPE, text=True
        )
        started.append(process)
        return process

    scheduler = start(
        "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard"
    )
    address = ""
    assert scheduler.stderr is not None
    while not address:
        line = scheduler.stderr.readline()
        assert line, "the scheduler ended"
        if "Scheduler at:" in line:
            address = line.split()[-1]
    workers = [
        start(
            "distributed.cli.dask_worker", address, "--nthreads", "1", "--no-dashboard",
            "--no-nanny",
        )
        for _ in range(2)
    ]  # fmt: skip
    yield address, workers
    for process in reversed(started):
        kill(process.pid)
        process.communicate()


def test_a_cluster_that_is_there_gives_the_same(base, tmp_path, cluster, right_keys, monkeypatch):
    address, workers = cluster
    here = show(tmp_path / "here", base, 4)
    there = show(tmp_path / "there", base, 8)
    with monkeypatch.context() as patch:
        patch.setattr(engine, "WAIT", 1.0)
        with pytest.raises(HostError, match="no scheduler answers"):
            batches.run(here, scheduler="tcp://127.0.0.1:9", folder=tmp_path / "nobody")
    # Alone, each host is replaced after two shots.
    run = tmp_path / "run"
    seen: set[int] = set()
    alone = batches.run(
        here, workers=1, folder=run, recycle=2, on_result=lambda row: seen.update(host_pids(run))
    )
    assert len(seen) == 2
    killed: list[int] = []

    def once_in_the_middle(row: object) -> None:
        if not killed:
            killed.append(workers[0].pid)
            kill(workers[0].pid)

    spread = batches.run(there, scheduler=address, on_result=once_in_the_middle)
    assert killed
    assert (spread.progress.done, spread.exit_code) == (8, 0)
    both = outputs(tmp_path / "there") + outputs(tmp_path / "here")
    assert keys_of(both) == [right_keys] * 12
    assert files(tmp_path / "there") == {
        "JOBS.toml",
        *(f"{folder}/hop_{n:02d}.blend" for folder in ("shots", "out") for n in range(8)),
    }

    def told(result: batches.BatchResult) -> list[object]:
        row = next(row for row in result.rows() if row.file.endswith("hop_00.blend"))
        return [row.status, row.result]

    assert told(alone) == told(spread)
