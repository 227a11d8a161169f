# SPDX-License-Identifier: GPL-3.0-or-later
"""Two batches do not work on the same files: each leaves word in the folders that it touches.

A lock is a small hidden file, ``.leapwright-RUN.lock``, that says who, where, since when, and
which files are read and written. Word of a process that is gone is not heeded: on this machine the
process is looked for, on others the lock's date must be fresh, which its owner sees to.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import threading
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import psutil

from leapwright.disk import write_whole
from leapwright.errors import FileError

__all__ = ["STALE", "Locks", "is_alive", "whose"]

REFRESH, STALE = 15.0, 120.0
"""Seconds between two refreshments, and after which a lock of another machine is stale."""


def whose() -> dict[str, Any]:
    """Who we are: machine, number, and since when, so that a number used again is not it."""
    started = psutil.Process().create_time()
    return {"host": socket.gethostname(), "pid": os.getpid(), "started": started}


def is_alive(said: Mapping[str, Any]) -> bool | None:
    """Whether a process is there; None where it is on another machine."""
    if said["host"] != socket.gethostname():
        return None
    try:
        begun = float(psutil.Process(said["pid"]).create_time())
        return abs(begun - float(said["started"])) < 2.0
    except psutil.NoSuchProcess:
        return False
    except psutil.Error:
        return True


class Locks:
    """The locks of one run; a context manager.

    Parameters
    ----------
    run : Path
        The run's folder; its name is in the locks.
    reads, writes : iterable of str
        Files, without links.

    Raises
    ------
    FileError
        Another batch is at work on some of them: says which batch, where, and on which file. Or a
        folder that is written to cannot be locked.
    """

    def __init__(self, run: Path, reads: Iterable[str], writes: Iterable[str]) -> None:
        self.run = run
        self.held: list[Path] = []
        self._stop = threading.Event()
        self._folders: dict[Path, dict[str, list[str]]] = {}
        for kind, files in (("reads", reads), ("writes", writes)):
            for file in files:
                path = Path(file)
                said = self._folders.setdefault(path.parent, {"reads": [], "writes": []})
                said[kind].append(path.name)

    def __enter__(self) -> Locks:
        try:
            self._lock(self.run, {"reads": [], "writes": ["journal.jsonl"]})
            for folder, files in sorted(self._folders.items()):
                self._lock(folder, files)
        except BaseException:
            self.release()
            raise
        threading.Thread(target=self._refresh, daemon=True).start()
        return self

    def __exit__(self, *error: object) -> None:
        self.release()

    def _lock(self, folder: Path, files: Mapping[str, list[str]]) -> None:
        """Leave word first and look around then: of two at once at least one sees the other."""
        if not folder.is_dir():
            return
        own = folder / f".leapwright-{self.run.name}-{os.getpid()}.lock"
        said = {**whose(), "run": str(self.run), **files}
        try:
            write_whole(own, json.dumps(said).encode("ascii"))
        except OSError as error:
            if files["writes"]:
                raise FileError(f"cannot lock {folder}: {error.strerror or error}") from error
            # A folder that nobody may write to needs no lock.
            return
        self.held.append(own)
        for other in folder.glob(".leapwright-*.lock"):
            if other != own:
                self._heed(other, own, said)

    def _heed(self, other: Path, own: Path, said: Mapping[str, Any]) -> None:
        try:
            theirs = json.loads(other.read_text(encoding="ascii"))
            age = own.stat().st_mtime - other.stat().st_mtime
        except (OSError, ValueError):
            return
        alive = is_alive(theirs)
        if alive is False or (alive is None and age > STALE):
            with contextlib.suppress(OSError):
                other.unlink()
            return
        writes = set(said["writes"]) & {*theirs["writes"], *theirs["reads"]}
        both = sorted(writes | (set(said["reads"]) & set(theirs["writes"])))
        if both:
            more = f" and {len(both) - 1} more" if len(both) > 1 else ""
            raise FileError(
                f"another batch is at work on {other.parent / both[0]}{more}: run "
                f"{theirs['run']}, process {theirs['pid']} on {theirs['host']}"
            )

    def _refresh(self) -> None:
        while not self._stop.wait(REFRESH):
            for path in self.held:
                with contextlib.suppress(OSError):
                    os.utime(path)

    def release(self) -> None:
        """Take the word back."""
        self._stop.set()
        for path in self.held:
            with contextlib.suppress(OSError):
                path.unlink(missing_ok=True)
        self.held = []
