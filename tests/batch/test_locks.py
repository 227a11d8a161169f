# SPDX-License-Identifier: GPL-3.0-or-later
"""Two batches refuse each other; what a dead one left is not heeded."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from leapwright.batch.locks import STALE, Locks, whose
from leapwright.errors import FileError


@pytest.fixture
def show(tmp_path: Path) -> Path:
    for name in ("shots", "out", "one", "two"):
        (tmp_path / name).mkdir()
    return tmp_path


def locked(show: Path, run: str, reads: list[str], writes: list[str]) -> Locks:
    return Locks(show / run, (str(show / r) for r in reads), (str(show / w) for w in writes))


def lock_files(show: Path) -> list[Path]:
    return list(show.rglob(".leapwright-*"))


@pytest.mark.parametrize(
    ("first", "second", "clash"),
    [
        ((["shots/a"], ["out/a"]), (["shots/a"], ["out/b"]), None),
        ((["shots/a"], ["out/a"]), (["shots/b"], ["out/a"]), "out/a"),
        ((["shots/a"], ["shots/a"]), (["shots/a"], ["out/b"]), "shots/a"),
        ((["shots/a"], ["out/b"]), (["shots/a"], ["shots/a"]), "shots/a"),
        ((["shots/a"], []), (["shots/a"], []), None),
        ((["shots/a"], ["shots/a"]), (["shots/b"], ["shots/b"]), None),
    ],
)
def test_the_same_files(show, first, second, clash):
    with locked(show, "one", *first):
        if clash is None:
            with locked(show, "two", *second):
                assert len(lock_files(show)) > 2
        else:
            with pytest.raises(FileError) as caught, locked(show, "two", *second):
                pass
            said = str(caught.value)
            assert str(show / clash) in said
            assert str(show / "one") in said
            assert f"process {os.getpid()} on {socket.gethostname()}" in said
            # The one that is refused takes its word back, and the other's stands.
            assert all("-one-" in path.name for path in lock_files(show))
    assert lock_files(show) == []


def test_one_run_has_one_runner(show):
    with locked(show, "one", [], []):
        # A process has one lock in a folder: give the first another name, as of another process.
        name = next(iter(lock_files(show)))
        name.rename(name.with_name(".leapwright-one-1.lock"))
        with pytest.raises(FileError, match="journal"), locked(show, "one", [], []):
            pass


def leave_lock(show: Path, **said: object) -> Path:
    path = show / "out" / ".leapwright-gone-77.lock"
    whole = {**whose(), "run": "gone", "reads": [], "writes": ["a"], **said}
    path.write_text(json.dumps(whole), encoding="ascii")
    return path


def test_word_of_a_process_that_was_killed(show):
    code = (
        "import sys, time; from leapwright.batch.locks import Locks\n"
        "from pathlib import Path\n"
        f"Locks(Path({str(show / 'one')!r}), (), [{str(show / 'out' / 'a')!r}]).__enter__()\n"
        "print('held', flush=True); time.sleep(60)"
    )
    child = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    assert child.stdout.readline() == "held\n"
    with (
        pytest.raises(FileError, match=f"process {child.pid}"),
        locked(show, "two", [], ["out/a"]),
    ):
        pass
    child.kill()
    child.wait()
    child.stdout.close()
    assert len(lock_files(show)) == 2
    with locked(show, "two", [], ["out/a"]):
        assert all("-two-" in path.name for path in lock_files(show / "out"))


def test_a_number_that_is_used_again_is_another_process(show):
    leave_lock(show, started=whose()["started"] - 1000)
    with locked(show, "two", [], ["out/a"]):
        pass


def test_word_of_another_machine_is_heeded_while_it_is_fresh(show):
    path = leave_lock(show, host="another", pid=77)
    with (
        pytest.raises(FileError, match="process 77 on another"),
        locked(show, "two", [], ["out/a"]),
    ):
        pass
    old = time.time() - STALE - 5
    os.utime(path, (old, old))
    with locked(show, "two", [], ["out/a"]):
        assert not path.exists()


def test_a_lock_that_cannot_be_read_stops_nothing(show):
    (show / "out" / ".leapwright-odd-1.lock").write_bytes(b"{")
    with locked(show, "two", [], ["out/a"]):
        pass
