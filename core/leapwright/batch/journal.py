# SPDX-License-Identifier: GPL-3.0-or-later
"""The journal of a run: what was decided, line by line, on the disk before it is acted on.

A kill at any moment leaves at most one torn line at the end, which is cut off when the run is taken
up. The rows of the results are a file of their own, written first: the journal says how long that
file was when a row was whole.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO, Any

from leapwright.batch.row import Row

__all__ = ["Journal", "read_lines"]


class Journal:
    """The journal and the rows of a run.

    Parameters
    ----------
    folder : Path
        The run's.

    Attributes
    ----------
    done : dict of int to str
        Number of each task that has its row → its status.
    ready : dict of int to dict
        Number of each task whose result lay ready, with what was about to be done; without those
        that are done.
    undone : set of int
        Tasks that were undone.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / "journal.jsonl"
        self.rows_path = folder / "results.jsonl"
        self.done: dict[int, str] = {}
        self.ready: dict[int, dict[str, Any]] = {}
        self.undone: set[int] = set()
        length = 0
        _cut_torn_line(self.path)
        for entry in read_lines(self.path):
            length = self._take(entry, length)
        self._journal = self.path.open("ab")
        with self.rows_path.open("ab") as rows:
            if rows.tell() > length:
                rows.truncate(length)
        self._rows = self.rows_path.open("ab")

    def _take(self, entry: Mapping[str, Any], length: int) -> int:
        number = entry.get("task", 0)
        if entry["event"] == "done":
            self.done[number] = entry["status"]
            self.ready.pop(number, None)
            return int(entry["rows_end"])
        if entry["event"] == "ready":
            self.ready[number] = dict(entry)
        elif entry["event"] == "undone":
            self.undone.add(number)
        return length

    def write(self, event: str, **said: Any) -> None:
        """Add a line; it is on the disk when this returns."""
        entry = {"event": event, **said}
        _append(self._journal, entry)
        self._take(entry, 0)

    def write_row(self, number: int, row: Row, **said: Any) -> None:
        """Add a task's row, and then that it is done."""
        _append(self._rows, row.to_json())
        self.write("done", task=number, status=row.status, rows_end=self._rows.tell(), **said)

    def rows(self) -> Iterator[Row]:
        """The rows so far, one at a time from the disk."""
        for said in read_lines(self.rows_path):
            yield Row.from_json(said)

    def close(self) -> None:
        """Close the files."""
        self._journal.close()
        self._rows.close()


def _append(file: IO[bytes], said: Mapping[str, Any]) -> None:
    # Names that are no Unicode survive as escapes.
    file.write(json.dumps(said).encode("ascii") + b"\n")
    file.flush()
    os.fsync(file.fileno())


def _cut_torn_line(path: Path) -> None:
    if not path.exists():
        return
    with path.open("rb+") as file:
        data = file.read()
        whole = data.rfind(b"\n") + 1
        if whole < len(data):
            file.truncate(whole)
            file.flush()
            os.fsync(file.fileno())


def read_lines(path: Path) -> Iterator[dict[str, Any]]:
    """The lines of a file of JSON lines, without a torn one at the end."""
    if not path.exists():
        return
    with path.open("rb") as file:
        for line in file:
            if line.endswith(b"\n"):
                yield json.loads(line)
