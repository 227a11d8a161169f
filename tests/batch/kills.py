# SPDX-License-Identifier: GPL-3.0-or-later
"""A runner in a process of its own, to be killed at any moment with the hosts that it started."""

from __future__ import annotations

import contextlib
import json
import os
import random
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Mapping
from pathlib import Path

import psutil

ROOT = Path(__file__).resolve().parents[2]


def runner(*arguments: str, env: Mapping[str, str] | None = None) -> subprocess.Popen[str]:
    """Start ``leapwright batch``; its talk is kept out of the way."""
    sources = os.pathsep.join(map(str, (ROOT / "core", ROOT / "addon")))
    return subprocess.Popen(
        [sys.executable, "-m", "leapwright", "batch", *arguments],
        env={**os.environ, "PYTHONPATH": sources, "PYTHONIOENCODING": "utf-8", **(env or {})},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
        errors="replace",
    )


def host_pids(run: Path) -> list[int]:
    """Hosts that a run has started and that are there."""
    found = []
    for note in (run / "hosts").glob("*.json"):
        try:
            pid = json.loads(note.read_text(encoding="ascii"))["pid"]
        except (OSError, ValueError):
            continue
        if psutil.pid_exists(pid):
            found.append(pid)
    return found


def rows_done(run: Path) -> int:
    """How many shots have their row."""
    try:
        return (run / "results.jsonl").read_bytes().count(b"\n")
    except OSError:
        return 0


def kill(pid: int) -> None:
    """End a process as the power does."""
    with contextlib.suppress(psutil.Error):
        psutil.Process(pid).kill()


def run_with_kills(
    jobs: Path, run: Path, *, total: int, kills: int, seed: int, workers: int = 2
) -> Counter[str]:
    """Kill a runner or hosts at random moments, resume each time, and let the last one end.

    In turn, by a random order, they hit the runner alone, so that its hosts are orphans, a host
    alone, and both. Each moment is somewhere in the time of the next few shots.
    """
    chance = random.Random(seed)
    told: Counter[str] = Counter()
    kinds = [("runner", "host", "both", "runner")[n % 4] for n in range(kills)]
    chance.shuffle(kinds)
    arguments = [str(jobs), "--run", str(run), "--workers", str(workers), "--no-plots"]
    process = runner(*arguments)
    for what in kinds:
        aim = rows_done(run) + chance.randint(0, max(1, total // kills))
        end = time.monotonic() + 120
        while rows_done(run) < aim and process.poll() is None and time.monotonic() < end:
            time.sleep(0.005)
        while not host_pids(run) and process.poll() is None and time.monotonic() < end:
            time.sleep(0.005)
        time.sleep(chance.random() * 0.6)
        told[what] += 1
        if what != "runner":
            for pid in chance.sample(host_pids(run), min(1, len(host_pids(run)))):
                kill(pid)
        if what != "host":
            kill(process.pid)
            process.communicate()
        if process.poll() is not None:
            begun = (run / "work.jsonl").exists()
            process = runner(*(["--resume", str(run)] if begun else arguments))
    out, err = process.communicate(timeout=600)
    assert process.returncode == 0, (process.returncode, out[-2000:], err[-3000:])
    return told


def done_twice(run: Path) -> list[int]:
    """Tasks that were done again over a finished one: by the journal alone."""
    entries = [json.loads(line) for line in (run / "journal.jsonl").read_bytes().splitlines()]
    done = Counter(entry["task"] for entry in entries if entry["event"] == "done")
    finished: set[int] = set()
    again = [number for number, times in done.items() if times > 1]
    for entry in entries:
        if entry["event"] == "done":
            finished.add(entry["task"])
        elif entry["event"] == "ready" and entry["task"] in finished:
            again.append(entry["task"])
    return again
