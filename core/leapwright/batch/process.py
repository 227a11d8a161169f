# SPDX-License-Identifier: GPL-3.0-or-later
"""A host process: started, fed one shot after another, watched, replaced."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

import psutil

from leapwright.errors import HostError

__all__ = ["Ended", "HostProcess", "Watch", "host_command", "kill_tree", "remove_scratch"]

START = 180.0
"""Seconds that a host may take to start; a cold disk needs many."""
POLL = 0.05
SCRATCH = "leapwright-host-"
LOG = 20_000
"""The end of a log that is kept, bytes."""


@dataclass(frozen=True, slots=True)
class Watch:
    """What a host is held to while it works: seconds, MB, and why it is no longer wanted.

    `stopped` is asked again and again and gives a reason, or "".
    """

    timeout: float
    memory: float
    stopped: Callable[[], str] = lambda: ""


class Ended(Exception):  # noqa: N818
    """The host is gone without an answer.

    Attributes
    ----------
    kind : {"crash", "killed", "timeout", "memory", "stopped"}
    """

    def __init__(self, kind: str, reason: str) -> None:
        super().__init__(kind, reason)
        self.kind = kind
        self.reason = reason


def host_command(blender: str | None) -> list[str]:
    """The command of a host process: the running Python with its bpy, or an installed Blender.

    Neither reads the user's set-up, and no script inside of a file runs.
    """
    if blender is None:
        return [sys.executable, "-m", "leapwright_blender.server"]
    start = (
        f"import sys; sys.path[:0] = {_sources()!r}; "
        "from leapwright_blender import server; server.main()"
    )
    quiet = ["-b", "--factory-startup", "--disable-autoexec", "-noaudio", "--python-exit-code", "3"]
    return [blender, *quiet, "--python-expr", start]


def _sources() -> list[str]:
    """The folders that this code lies in, for a Python that does not know them."""
    import leapwright
    import leapwright_blender

    found = [Path(str(module.__file__)).parents[1] for module in (leapwright, leapwright_blender)]
    return [str(path) for path in dict.fromkeys(found)]


class HostProcess:
    """One host process; it is started when it is made.

    Parameters
    ----------
    command : sequence of str
        As of `host_command`.
    note : function of a HostProcess, optional
        Told of it as soon as there is a process.

    Raises
    ------
    HostError
        It does not start: says why.
    Ended
        It was killed from outside while it started.
    """

    def __init__(
        self, command: Sequence[str], note: Callable[[HostProcess], None] | None = None
    ) -> None:
        # All that the host writes for itself goes here, and goes when it goes.
        self.folder = Path(tempfile.mkdtemp(prefix=SCRATCH))
        self.log = self.folder / "log"
        self.blender = ""
        self.done = 0
        self._looked = 0.0
        self._family: list[psutil.Process] = []
        self._lines: queue.Queue[str] = queue.Queue()
        try:
            self._process = self._start(command)
        except OSError as error:
            self._tidy()
            raise HostError(f"cannot start {command[0]}: {error.strerror or error}") from error
        with contextlib.suppress(psutil.Error):
            self.watched = psutil.Process(self._process.pid)
            if note is not None:
                note(self)
        threading.Thread(target=self._read, daemon=True).start()
        try:
            hello = self._wait(Watch(START, float("inf")))
        except Ended as ended:
            said = _last_line(self.excerpt())
            self.kill()
            if ended.kind == "killed":
                # By chance, as it may be killed while it works: that says nothing of the host.
                raise
            raise HostError(
                f"the host process did not start ({command[0]}): {ended.reason}{said}"
            ) from ended
        if not hello.get("ready"):
            self.kill()
            raise HostError(str(hello.get("reason")))
        self.blender = str(hello["blender"])

    @property
    def pid(self) -> int:
        """Number of the process."""
        return self._process.pid

    def _start(self, command: Sequence[str]) -> subprocess.Popen[bytes]:
        mine = {name: str(self.folder) for name in ("TMPDIR", "TEMP", "TMP")}
        sources = [*_sources(), os.environ.get("PYTHONPATH", "")]
        mine["PYTHONPATH"] = os.pathsep.join(filter(None, sources))
        # A Ctrl-C in the terminal is for the runner, which lets the shot in hand be finished.
        flags = getattr(subprocess, "CREATE_NEW_PROCESS_GROUP", 0)
        with self.log.open("ab") as log:
            return subprocess.Popen(
                list(command),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=log,
                env={**os.environ, **mine},
                start_new_session=os.name != "nt",
                creationflags=flags,
            )

    def ask(self, job: Mapping[str, Any], watch: Watch) -> dict[str, Any]:
        """Have one job done.

        Raises
        ------
        Ended
            The host is gone: it crashed, or was ended since it took too long or too much.
        """
        with contextlib.suppress(OSError):
            os.truncate(self.log, 0)
        line = json.dumps(job) + "\n"
        try:
            pipe = self._pipe()
            pipe.write(line.encode("ascii"))
            pipe.flush()
        except OSError:
            raise self._gone() from None
        said = self._wait(watch)
        self.done += 1
        return said

    def _pipe(self) -> IO[bytes]:
        if self._process.stdin is None:
            raise OSError("no pipe")
        return self._process.stdin

    def _wait(self, watch: Watch) -> dict[str, Any]:
        end = time.monotonic() + watch.timeout
        while True:
            try:
                line = self._lines.get(timeout=POLL)
            except queue.Empty:
                self._judge(watch, end)
                continue
            if not line:
                raise self._gone()
            with contextlib.suppress(ValueError):
                said = json.loads(line)
                if isinstance(said, dict):
                    return said
            # An installed Blender may have said something before its output was ours.

    def _judge(self, watch: Watch, end: float) -> None:
        if reason := watch.stopped():
            self._end()
            raise Ended("stopped", reason)
        if time.monotonic() > end:
            self._end()
            raise Ended("timeout", f"took longer than {watch.timeout:g} s and was ended")
        if (used := self._memory()) > watch.memory:
            self._end()
            raise Ended(
                "memory",
                f"took {used:.0f} MB of memory, more than the {watch.memory:.0f} MB allowed, "
                "and was ended",
            )

    def _memory(self) -> float:
        try:
            if time.monotonic() > self._looked + 1.0:
                # A program may be a script that starts the real one.
                self._looked = time.monotonic()
                self._family = [self.watched, *self.watched.children(recursive=True)]
            return sum(float(p.memory_info().rss) for p in self._family) / 2**20
        except (psutil.Error, AttributeError):
            self._looked = 0.0
            return 0.0

    def _gone(self) -> Ended:
        """How it ended, by itself."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(10)
        code = self._process.poll()
        if code in (-9, -15):
            return Ended("killed", f"the host process was killed from outside (signal {-code})")
        if code == 0:
            return Ended("crash", "the host process ended in the middle")
        told = f"signal {-code}" if code is not None and code < 0 else f"exit code {code}"
        return Ended("crash", f"the host process crashed ({told})")

    def _read(self) -> None:
        out = self._process.stdout
        if out is not None:
            with contextlib.suppress(OSError, ValueError):
                for line in out:
                    self._lines.put(line.decode("utf-8", "replace"))
        self._lines.put("")

    def excerpt(self) -> str:
        """The end of what the host said during the last job."""
        with contextlib.suppress(OSError), self.log.open("rb") as log:
            log.seek(max(0, os.fstat(log.fileno()).st_size - LOG))
            return log.read().decode("utf-8", "replace")
        return ""

    def kill(self) -> None:
        """End it now, with all that it started; its log goes too."""
        self._end()
        self._tidy()

    def _end(self) -> None:
        kill_tree(self._process.pid)
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(10)

    def close(self) -> None:
        """Let it end: its lines are closed."""
        with contextlib.suppress(OSError):
            self._pipe().close()
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            kill_tree(self._process.pid)
        self._tidy()

    def _tidy(self) -> None:
        process = getattr(self, "_process", None)
        if process is not None:
            for pipe in (process.stdin, process.stdout):
                with contextlib.suppress(OSError):
                    pipe.close()
        remove_scratch(self.folder)


def remove_scratch(folder: Path) -> None:
    """Remove the folder of a host that is gone, and nothing that is called otherwise."""
    if folder.name.startswith(SCRATCH):
        shutil.rmtree(folder, ignore_errors=True)


def kill_tree(pid: int) -> None:
    """End a process and all that it started."""
    with contextlib.suppress(psutil.Error):
        top = psutil.Process(pid)
        for process in [*top.children(recursive=True), top]:
            with contextlib.suppress(psutil.Error):
                process.kill()


def _last_line(text: str) -> str:
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    # Python's own word says more than the host's that a script has failed.
    errors = [line for line in lines if re.match(r"[\w.]+(Error|Exception): ", line)]
    return f": {(errors or lines)[-1]}" if lines else ""
