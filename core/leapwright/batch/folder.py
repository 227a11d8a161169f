# SPDX-License-Identifier: GPL-3.0-or-later
"""The folder of a run: its work, its journal, its results, and word between its processes.

work.jsonl      the tasks, as they were planned when the run began
journal.jsonl   what was decided, in order
results.jsonl   a row for each shot
summary.csv     the same in short
report.html     the report, one file that opens offline
logs/           what the host said about shots that failed
"""

from __future__ import annotations

import contextlib
import json
import secrets
import shutil
import socket
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from leapwright.batch.hosts import sweep
from leapwright.batch.journal import Journal, read_lines
from leapwright.batch.locks import is_alive
from leapwright.batch.process import kill_tree, remove_scratch
from leapwright.batch.work import Task, Work
from leapwright.disk import write_whole
from leapwright.errors import FileError

__all__ = ["RunFolder"]

FORMAT = 1
_NOTES = ("begun", "hosts")


class RunFolder:
    """The folder of a run.

    Parameters
    ----------
    path : Path
    """

    def __init__(self, path: Path) -> None:
        self.path = path.absolute()
        self.session = ""

    @classmethod
    def new(cls, beside: Path) -> RunFolder:
        """A folder that is not there yet, below ``.leapwright/runs``, by the date."""
        base = beside / ".leapwright" / "runs"
        stamp = f"{datetime.now():%Y%m%d-%H%M%S}"
        path, number = base / stamp, 1
        while path.exists():
            number += 1
            path = base / f"{stamp}-{number}"
        return cls(path)

    @property
    def results(self) -> Path:
        """The rows."""
        return self.path / "results.jsonl"

    @property
    def summary(self) -> Path:
        """The table."""
        return self.path / "summary.csv"

    @property
    def report(self) -> Path:
        """The page."""
        return self.path / "report.html"

    def begin(self, work: Work, settings: Mapping[str, Any]) -> None:
        """Make the folder and write what is to be done.

        Raises
        ------
        FileError
            It cannot be made, or a run is in it already.
        """
        if (self.path / "work.jsonl").exists():
            raise FileError(f"{self.path} holds a run already: resume it, or name another folder")
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            head = {"format": FORMAT, "roots": list(map(str, work.roots)), **settings}
            lines = [head, *(task.to_json() for task in work.tasks)]
            text = "".join(json.dumps(line) + "\n" for line in lines)
            write_whole(self.path / "work.jsonl", text.encode("ascii"))
        except OSError as error:
            raise FileError(f"cannot write {self.path}: {error.strerror or error}") from error

    def read(self) -> tuple[Work, dict[str, Any]]:
        """What is to be done, and the settings it was begun with.

        Raises
        ------
        FileError
            There is no run in it.
        """
        path = self.path / "work.jsonl"
        lines = list(read_lines(path))
        if not lines:
            raise FileError(f"there is no run in {self.path}")
        head, *tasks = lines
        if head["format"] != FORMAT:
            raise FileError(f"{path} was written by another version of leapwright")
        roots = tuple(map(Path, head.pop("roots")))
        return Work(tuple(map(Task.from_json, tasks)), roots), head

    def open(self, journal: Journal, tasks: Sequence[Task]) -> None:
        """Begin a session: processes of earlier ones are ended, what they left is removed."""
        earlier = self._sessions()
        self.session = "s" + secrets.token_hex(6)
        journal.write("session", session=self.session)
        write_whole(self.path / "session", self.session.encode("ascii"))
        (self.path / "stopping").unlink(missing_ok=True)
        self._end_hosts()
        for name in _NOTES:
            (self.path / name).mkdir(exist_ok=True)
        self.tidy_targets(tasks, earlier)

    def _sessions(self) -> list[str]:
        return [e["session"] for e in read_lines(self.path / "journal.jsonl") if "session" in e]

    def _end_hosts(self) -> None:
        """End host processes that a killed runner left on this machine; others see the session."""
        for note in (self.path / "hosts").glob("*.json"):
            with contextlib.suppress(OSError, ValueError):
                said = json.loads(note.read_text(encoding="ascii"))
                if is_alive(said):
                    kill_tree(said["pid"])
                if said["host"] == socket.gethostname():
                    remove_scratch(Path(said["folder"]))
                note.unlink()

    def tidy_targets(self, tasks: Sequence[Task], sessions: Sequence[str]) -> None:
        """Remove results of sessions that are over and were not put in place."""
        sweep([task.target for task in tasks if task.target], sessions)

    def close(self, tasks: Sequence[Task]) -> None:
        """End the session: notes between the processes go."""
        self.tidy_targets(tasks, self._sessions())
        for name in _NOTES:
            shutil.rmtree(self.path / name, ignore_errors=True)
        (self.path / "stopping").unlink(missing_ok=True)

    def stop(self) -> None:
        """Say that no shot is to be begun any more."""
        with contextlib.suppress(OSError):
            (self.path / "stopping").touch()

    def keep_log(self, number: int, text: str) -> str | None:
        """Keep what a host said about a task; the file's path."""
        if not text.strip():
            return None
        path = self.path / "logs" / f"{number:05d}.log"
        path.parent.mkdir(exist_ok=True)
        path.write_text(text, encoding="utf-8", errors="backslashreplace", newline="\n")
        return str(path)
