# SPDX-License-Identifier: GPL-3.0-or-later
"""What a worker of the cluster does: one shot, by one of the host processes that it keeps."""

from __future__ import annotations

import contextlib
import json
import os
import re
import socket
import threading
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from leapwright.batch.process import Ended, HostProcess, Watch, host_command
from leapwright.batch.work import Task
from leapwright.disk import part_name
from leapwright.errors import HostError

__all__ = ["Order", "close_hosts", "do_task", "look_at_folder", "sweep"]

TRIES = {"crash": 2, "killed": 4}
"""How often a shot is begun again in a new process; from outside it may be killed by chance."""
OFTEN = 1.0
"""Seconds between two looks whether the run still wants an answer."""


@dataclass(frozen=True, slots=True)
class Order:
    """What holds for all tasks of one session of a run.

    Attributes
    ----------
    run : str
        The run's folder.
    session : str
        Which of the runner's lives this is: another one's work is not wanted any more.
    blender : str or None
        An installed Blender; None is the bpy of the environment.
    recycle : int
        Shots that a host process does before it is replaced, so that memory stays flat.
    """

    run: str
    session: str
    blender: str | None = None
    recycle: int = 200


@dataclass
class _Pool:
    """The host processes of one session in this worker; each works for one thread at a time."""

    idle: list[HostProcess] = field(default_factory=list)
    busy: set[HostProcess] = field(default_factory=set)
    closed: bool = False


_pools: dict[str, _Pool] = {}
_lock = threading.Lock()


def staged_name(target: str | Path, session: str, number: int, life: int) -> Path:
    """The name of a result before it is put in its target's place; no two workers share one."""
    path = Path(target)
    return path.with_name(f".{path.stem}.{session}-{number}-{life}.ready.blend")


def sweep(targets: Iterable[str], sessions: Iterable[str]) -> int:
    """Remove what sessions that are over left beside their targets; how many files that was.

    Parameters
    ----------
    targets : iterable of str
    sessions : iterable of str
    """
    folders = {Path(target).parent for target in targets}
    known = "|".join(map(re.escape, sessions))
    ours = re.compile(rf"\..*\.(?:{known})-\d+-\d+\.ready(?:\.\d+\.part)?\.blend@?", re.DOTALL)
    count = 0
    for folder in folders if known else ():
        with contextlib.suppress(OSError):
            for entry in os.scandir(folder):
                if ours.fullmatch(entry.name):
                    Path(entry.path).unlink()
                    count += 1
    return count


def do_task(said: Mapping[str, Any], order: Order) -> dict[str, Any]:
    """Do one task and give the host's answer, with what the runner needs to know beside.

    Parameters
    ----------
    said : mapping
        A task as JSON.
    order : Order
    """
    task = Task.from_json(said)
    begun = time.perf_counter()
    if (Path(order.run) / "stopping").exists():
        return _failed("the run was stopped", "stopped")
    lives = _count_life(task, order)
    if lives > 2:
        answer = _failed("its worker was lost twice", "lost")
    else:
        answer = _answer(task, order, lives)
    answer["attempts"] = answer.get("attempts", 1) + lives - 1
    answer["seconds"] = time.perf_counter() - begun
    return answer


def _failed(reason: str, error: str) -> dict[str, Any]:
    return {"status": "failed", "reason": reason, "error": error}


def _count_life(task: Task, order: Order) -> int:
    """How many workers have begun this task in this session; kept where all of them see it."""
    note = Path(order.run) / "begun" / f"{order.session}-{task.number}"
    with note.open("ab") as file:
        file.write(b".")
        return file.tell()


def _answer(task: Task, order: Order, life: int) -> dict[str, Any]:
    staged = staged_name(task.target, order.session, task.number, life) if task.target else None
    job = {
        "id": task.number,
        "file": task.file,
        "staged": str(staged) if staged else None,
        "verb": task.verb,
        "ask": task.ask,
        "rig": task.rig,
        "rig_files": task.rig_files,
        "controls": task.controls,
        "plots": task.plots,
        "drivers": task.drivers,
        "in_place": task.in_place,
        **task.chosen,
    }
    watch = Watch(task.timeout, task.memory, _Wanted(order).why_not)
    before = _stamp(task.file)
    attempt = 0
    while True:
        attempt += 1
        host = None
        try:
            if staged is not None:
                staged.parent.mkdir(parents=True, exist_ok=True)
            host = _take(order)
            said = host.ask(job, watch)
        except HostError as error:
            return _failed(str(error), "no host")
        except OSError as error:
            return _failed(f"cannot make the target's folder: {error.strerror or error}", "OSError")
        except Ended as ended:
            log = host.excerpt() if host else ""
            if host is not None:
                _drop(order, host, kill=True)
                _sweep(staged, host.pid)
            if attempt < TRIES.get(ended.kind, 1):
                continue
            reason = ended.reason + (f", {attempt} times" if attempt > 1 else "")
            return _failed(reason, ended.kind) | {"attempts": attempt, "log_text": log}
        log = host.excerpt() if said["error"] not in (None, "FileError") else ""
        _give_back(order, host)
        said |= {"attempts": attempt, "log_text": log}
        said |= {"stamp": before, "staged": job["staged"]}
        if staged is not None and said["status"] != "done":
            staged.unlink(missing_ok=True)
        return said


def _stamp(file: str) -> list[int] | None:
    """What changes when somebody else writes the shot."""
    with contextlib.suppress(OSError):
        now = Path(file).stat()
        return [now.st_size, now.st_mtime_ns]
    return None


def _sweep(staged: Path | None, pid: int) -> None:
    """Remove what a host that was ended left of the file it was writing."""
    if staged is None:
        return
    part = part_name(staged, pid)
    for path in (staged, part, part.with_name(part.name + "@")):
        with contextlib.suppress(OSError):
            path.unlink(missing_ok=True)


class _Wanted:
    """Whether the run still waits for an answer: its session is noted in its folder."""

    def __init__(self, order: Order) -> None:
        self.order = order
        self.looked = time.monotonic()

    def why_not(self) -> str:
        if _pool(self.order).closed:
            return "the run was stopped"
        if time.monotonic() - self.looked < OFTEN:
            return ""
        self.looked = time.monotonic()
        with contextlib.suppress(OSError):
            now = (Path(self.order.run) / "session").read_text(encoding="ascii")
            if now != self.order.session:
                return "the run was taken up by another runner"
        return ""


# --- The pool ------------------------------------------------------------------------------------


def _pool(order: Order) -> _Pool:
    with _lock:
        return _pools.setdefault(order.session, _Pool())


def _take(order: Order) -> HostProcess:
    pool = _pool(order)
    with _lock:
        host = pool.idle.pop() if pool.idle else None
        if host is not None:
            pool.busy.add(host)
    if host is None:
        host = HostProcess(host_command(order.blender), lambda new: _note(order, new))
        with _lock:
            pool.busy.add(host)
    return host


def _note(order: Order, new: HostProcess) -> None:
    """Leave word of a process, so that a runner that takes up the run can end it."""
    said = {
        "host": socket.gethostname(),
        "pid": new.pid,
        "started": new.watched.create_time(),
        "folder": str(new.folder),
    }
    path = Path(order.run) / "hosts" / f"{socket.gethostname()}-{new.pid}.json"
    path.write_text(json.dumps(said), encoding="ascii")


def _forget(order: Order, pid: int) -> None:
    path = Path(order.run) / "hosts" / f"{socket.gethostname()}-{pid}.json"
    with contextlib.suppress(OSError):
        path.unlink()


def _give_back(order: Order, host: HostProcess) -> None:
    if host.done >= order.recycle:
        _drop(order, host, kill=False)
        return
    pool = _pool(order)
    with _lock:
        pool.busy.discard(host)
        if not pool.closed:
            pool.idle.append(host)
            return
    _drop(order, host, kill=False)


def _drop(order: Order, host: HostProcess, *, kill: bool) -> None:
    with _lock:
        _pools.get(order.session, _Pool()).busy.discard(host)
    if kill:
        host.kill()
    else:
        host.close()
    _forget(order, host.pid)


def close_hosts(order: Order) -> None:
    """End the host processes of a session in this worker; those at work are asked to stop.

    Parameters
    ----------
    order : Order
    """
    pool = _pool(order)
    with _lock:
        pool.closed = True
        idle, pool.idle = pool.idle, []
    for host in idle:
        _drop(order, host, kill=False)


# --- Looking before it begins --------------------------------------------------------------------


def look_at_folder(run: str, word: str) -> str:
    """Whether this worker sees the run's folder, by a word that was just written there.

    Returns
    -------
    str
        "" where it does, else what is wrong.
    """
    try:
        seen = (Path(run) / "session").read_text(encoding="ascii")
    except OSError as error:
        return f"does not see {run}: {error.strerror or error}"
    if seen != word:
        return f"sees another {run}: the folder is not shared"
    return ""
