# SPDX-License-Identifier: GPL-3.0-or-later
"""Putting results in place: killed at every step, taken up again, undone.

The steps are counted by Python's own audit events, in a child that ends at the n-th.
"""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from leapwright.batch.commit import settle, take_back
from leapwright.batch.journal import Journal

OLD, NEW = b"the shot before", b"the shot after, retimed"

PUT = """
import json, os, sys
from pathlib import Path
from leapwright.batch.commit import put
from leapwright.batch.journal import Journal
from leapwright.batch.row import row_of
from leapwright.batch.work import Task
from leapwright.errors import FileError
import leapwright.disk

EVENTS = {"open", "os.rename", "os.remove", "os.chmod", "os.utime", "shutil.copyfile",
          "shutil.copymode", "shutil.copystat", "os.truncate"}

def do(folder, last, in_place):
    shot = folder / "shots" / "hop.blend"
    target = shot if in_place else folder / "out" / "hop.blend"
    task = Task(1, "j", str(shot), str(target), in_place, "retime", {})
    said = json.loads((folder / "said.json").read_text())
    steps = 0
    def count(event, arguments):
        nonlocal steps
        if event in EVENTS and str(folder) in str(arguments[0]):
            steps += 1
            if steps == last:
                os._exit(9)
    journal = Journal(folder / "run")
    sys.addaudithook(count)
    try:
        kept = put(task, said, journal)
    except FileError as error:
        print(error, file=sys.stderr, flush=True)
        os._exit(1)
    journal.write_row(1, row_of(task, said | {"backup": str(kept) if kept else None}))
    os._exit(0)

# One import for all: each step is done by a fork of this process.
for line in sys.stdin:
    folder, last, in_place = json.loads(line)
    pid = os.fork()
    if pid == 0:
        do(Path(folder), last, in_place)
    print(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), flush=True)
"""

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="steps are forks of one process")


@pytest.fixture(scope="module")
def putter() -> Iterator[Callable[..., int]]:
    """Put a ready result in place until a step; how that ended: 0, 9 at the step, 1 refused."""
    child = subprocess.Popen(
        [sys.executable, "-c", PUT], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )

    def put_until(folder: Path, step: int, *, in_place: bool) -> int:
        assert child.stdin is not None
        assert child.stdout is not None
        child.stdin.write(json.dumps([str(folder), step, in_place]) + "\n")
        child.stdin.flush()
        return int(child.stdout.readline())

    yield put_until
    child.communicate()


def ready(folder: Path, *, in_place: bool) -> Path:
    """A result that lies ready, and where it is to go."""
    for name in ("shots", "out", "run"):
        (folder / name).mkdir(parents=True)
    source = folder / "shots" / "hop.blend"
    source.write_bytes(OLD)
    target = source if in_place else folder / "out" / "hop.blend"
    staged = target.with_name(".hop.s0-1-1.ready.blend")
    staged.write_bytes(NEW)
    now = source.stat()
    said = {
        "status": "done", "reason": None, "staged": str(staged),
        "stamp": [now.st_size, now.st_mtime_ns], "sha256": hashlib.sha256(NEW).hexdigest(),
    }  # fmt: skip
    (folder / "said.json").write_text(json.dumps(said))
    return target


def strays(folder: Path) -> list[str]:
    return [p.name for p in folder.rglob("*") if "ready" in p.name or p.suffix == ".part"]


def backups(folder: Path) -> list[Path]:
    return sorted((folder / "shots").glob("*.backup-*"))


@pytest.mark.parametrize("in_place", [True, False])
def test_killed_at_every_step(tmp_path, putter, in_place):
    outcomes = set()
    for step in range(1, 60):
        folder = tmp_path / str(step)
        target = ready(folder, in_place=in_place)
        ended = putter(folder, step, in_place=in_place)
        if ended == 0:
            break
        assert ended == 9
        journal = Journal(folder / "run")
        if 1 in journal.done:
            outcomes.add("row")
            landed = True
        elif 1 in journal.ready:
            landed = settle(journal.ready[1])
            outcomes.add("settled" if landed else "anew")
            # Doing it twice changes nothing.
            assert settle(journal.ready[1]) == landed
        else:
            landed = False
            outcomes.add("nothing decided")
            target.with_name(".hop.s0-1-1.ready.blend").unlink()
        journal.close()
        assert strays(folder) == [], step
        if landed:
            assert target.read_bytes() == NEW
            assert [b.read_bytes() for b in backups(folder)] == ([OLD] if in_place else [])
        else:
            assert (folder / "shots" / "hop.blend").read_bytes() == OLD
            assert backups(folder) == []
    else:
        pytest.fail("it never came to its end")
    assert step > (8 if in_place else 2), "too few steps were seen to say anything"
    assert "settled" in outcomes
    assert (
        tmp_path / str(step) / ("shots" if in_place else "out") / "hop.blend"
    ).read_bytes() == NEW


def entry_of(folder: Path) -> dict[str, Any]:
    lines = (folder / "run" / "journal.jsonl").read_text().splitlines()
    return next(e for e in map(json.loads, lines) if e["event"] == "ready")


def test_undone_byte_by_byte(tmp_path, putter):
    target = ready(tmp_path, in_place=True)
    assert putter(tmp_path, 999, in_place=True) == 0
    assert target.read_bytes() == NEW
    assert take_back(entry_of(tmp_path)) == ""
    assert target.read_bytes() == OLD
    assert backups(tmp_path) == []
    assert take_back(entry_of(tmp_path)) == ""


def test_what_was_changed_since_is_left_alone(tmp_path, putter):
    target = ready(tmp_path, in_place=True)
    assert putter(tmp_path, 999, in_place=True) == 0
    target.write_bytes(b"polished by an animator")
    assert take_back(entry_of(tmp_path)) == "it was changed since"
    assert target.read_bytes() == b"polished by an animator"
    assert len(backups(tmp_path)) == 1
    target.write_bytes(NEW)
    backups(tmp_path)[0].write_bytes(b"?")
    assert "was changed" in take_back(entry_of(tmp_path))


def test_a_shot_that_somebody_saved_meanwhile_is_not_overwritten(tmp_path, putter):
    target = ready(tmp_path, in_place=True)
    target.write_bytes(b"an animator saved here")
    assert putter(tmp_path, 999, in_place=True) == 1
    assert target.read_bytes() == b"an animator saved here"
    assert strays(tmp_path) == []


@pytest.mark.parametrize("renamed", [True, False])
def test_a_shot_that_was_saved_after_the_kill_is_left_alone(tmp_path, putter, renamed):
    target = ready(tmp_path, in_place=True)
    assert putter(tmp_path, 999, in_place=True) == 0
    entry = entry_of(tmp_path)
    if not renamed:
        Path(entry["staged"]).write_bytes(NEW)
    target.write_bytes(b"polished by an animator")
    assert settle(entry) is False
    assert target.read_bytes() == b"polished by an animator"
    assert [b.read_bytes() for b in backups(tmp_path)] == [OLD]
    assert strays(tmp_path) == []


# The journal


def test_a_torn_line_is_cut_off(tmp_path):
    journal = Journal(tmp_path)
    journal.write("session", session="s1")
    journal.write("ready", task=3, target="t")
    journal.close()
    path = tmp_path / "journal.jsonl"
    whole = path.read_bytes()
    for cut in range(len(whole)):
        path.write_bytes(whole[:cut])
        again = Journal(tmp_path)
        again.write("session", session="s2")
        again.close()
        lines = path.read_bytes().splitlines()
        assert [json.loads(line)["event"] for line in lines][-1] == "session"
        assert (3 in again.ready) == (whole[:cut].count(b"\n") == 2)


def test_rows_without_their_word_in_the_journal_are_cut_off(tmp_path):
    from leapwright.batch.row import Row

    journal = Journal(tmp_path)
    row = Row("a\udcff\n.blend", None, None, "check", "done", None)
    journal.write_row(1, row)
    journal.close()
    with journal.rows_path.open("ab") as rows:
        rows.write(b'{"file": "half')
    again = Journal(tmp_path)
    assert list(again.rows()) == [row]
    again.write_row(2, row)
    assert list(again.rows()) == [row, row]
    assert again.done == {1: "done", 2: "done"}
    again.close()
