# SPDX-License-Identifier: GPL-3.0-or-later
"""A batch against a bare loop over the same shots, and the memory of the runner over many."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import fmean, median
from unittest import mock

import psutil
from figures import Figure

import leapwright.batch as batches
from leapwright.batch import hosts

__all__ = ["bench_batch"]

ROOT = Path(__file__).resolve().parents[2]
SHOTS, ROUNDS = 100, 3
JOBS = 2000
ROW = 60_000
"""Bytes of a host's answer, about that of a shot with its plots before and after."""

BARE = """
import json, os, sys, time
from leapwright_blender.stdout import quiet_stdout
data = quiet_stdout()
from leapwright_blender import open_shot
folder, count = sys.argv[1], int(sys.argv[2])
open_shot(f"{folder}/shots/hop_000.blend").rig("Hare").retime(snappiness=1.5)
begun = time.perf_counter()
for n in range(count):
    shot = open_shot(f"{folder}/shots/hop_{n:03d}.blend")
    shot.rig("Hare").retime(snappiness=1.5)
    shot.save(f"{folder}/bare/hop_{n:03d}.blend")
print(time.perf_counter() - begun, file=data, flush=True)
os._exit(0)
"""
STUB = """
import json, sys
print(json.dumps({"ready": True, "blender": "none"}), flush=True)
rest = {"status": "done", "reason": None, "error": None, "rig": "Hare", "warnings": []}
rest["result"] = {"text": "x" * int(sys.argv[1]), "jumps": []}
for line in sys.stdin:
    print(json.dumps({"id": json.loads(line)["id"], **rest}), flush=True)
"""


def bench_batch(*, shots: int = SHOTS, jobs: int = JOBS) -> list[Figure]:
    """Shots a second beside a bare loop, start-up, and memory.

    Parameters
    ----------
    shots : int
        Of the comparison, in all rounds together.
    jobs : int
        Of the measurement of memory.
    """
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        _make_base(folder / "base")
        rates: list[list[float]] = []
        starts: list[float] = []
        # By turns and in several rounds: what else the machine does changes meanwhile.
        for number in range(ROUNDS):
            place_of_round = folder / f"round_{number}"
            _make(place_of_round, folder / "base", max(12, shots // ROUNDS))
            bare = [_bare(place_of_round)]
            one, start = _batch(place_of_round, workers=1)
            bare.append(_bare(place_of_round))
            two, _ = _batch(place_of_round, workers=2)
            bare.append(_bare(place_of_round))
            rates.append([one, fmean(bare[:2]), two, fmean(bare[1:])])
            starts.append(start)
    one, bare_one, two, bare_two = (median(rate) for rate in zip(*rates, strict=True))
    near_one = median(rate[0] / rate[1] for rate in rates)
    near_two = median(rate[2] / rate[3] for rate in rates)
    floor = "a bare loop that opens, retimes and saves the same shots in one process"
    rate = f"{one:.2f} shots/s, bare {bare_one:.2f}; median of {ROUNDS} rounds"
    cores = f"{two:.2f} shots/s, bare {bare_two:.2f}; {os.cpu_count()} cores"
    grown = _memory(jobs)
    return [
        Figure("batch, one worker", near_one, floor=floor, at_least=0.85, note=rate),
        Figure("batch, two workers", near_two, floor="the same", at_least=1.7, note=cores),
        Figure(
            "batch, start to the first shot",
            median(starts),
            "s",
            "program, cluster, host, one shot",
        ),
        Figure(
            f"batch, memory of the runner over {jobs:,} jobs",
            grown,
            "MB",
            f"what it grew between job {jobs // 4:,} and the last",
            at_most=20,
        ),
    ]


def _make_base(base: Path) -> None:
    script = ROOT / "tests" / "batch" / "make_base.py"
    subprocess.run([sys.executable, str(script), str(base)], check=True, capture_output=True)


def _make(folder: Path, base: Path, count: int) -> None:
    for name in ("shots", "bare"):
        (folder / name).mkdir(parents=True)
    for number in range(count):
        shutil.copyfile(base / "hop.blend", folder / "shots" / f"hop_{number:03d}.blend")
    (folder / "JOBS.toml").write_text(
        '[[jobs]]\nrig = "Hare"\nfiles = "shots/*.blend"\noutput = "out/{name}"\nplots = false\n'
        "retime = { snappiness = 1.5 }\n",
        encoding="utf-8",
    )


def _count(folder: Path) -> int:
    return len(list((folder / "shots").iterdir()))


def _bare(folder: Path) -> float:
    """Shots a second of the loop, its own start left out."""
    count = _count(folder)
    done = subprocess.run(
        [sys.executable, "-c", BARE, str(folder), str(count)],
        check=True,
        capture_output=True,
        text=True,
    )
    return count / float(done.stdout)


def _batch(folder: Path, *, workers: int) -> tuple[float, float]:
    """Shots a second between the first row and the last, and seconds to the first row."""
    times: list[float] = []
    begun = time.perf_counter()
    result = batches.run(
        folder / "JOBS.toml",
        workers=workers,
        folder=folder / f"run_{workers}",
        on_result=lambda row: times.append(time.perf_counter()),
    )
    if result.progress.done != _count(folder):
        raise RuntimeError(f"{result.progress}")
    # Where the second host comes up later, the rate is that of both from there on.
    skip = 2 * workers
    rate = (len(times) - 1 - skip) / (times[-1] - times[skip])
    return rate, times[0] - begun


def _memory(jobs: int) -> float:
    """MB that this process grows over the last three quarters of many small jobs."""
    used: list[float] = []
    me = psutil.Process()
    with tempfile.TemporaryDirectory() as place, _stub():
        folder = Path(place)
        (folder / "shots").mkdir()
        for number in range(jobs):
            (folder / "shots" / f"hop_{number:04d}.blend").touch()
        text = '[[jobs]]\nfiles = "shots/*.blend"\ncheck = {}\n'
        (folder / "JOBS.toml").write_text(text, encoding="utf-8")

        def look(row: object) -> None:
            used.append(me.memory_info().rss / 2**20)

        with mock.patch("leapwright.batch.runner.write_report"):
            batches.run(folder / "JOBS.toml", workers=2, on_result=look)
    quarter = len(used) // 4
    return max(used[-quarter:]) - max(used[:quarter])


@contextmanager
def _stub() -> Iterator[None]:
    """Hosts that answer at once: it is the runner that is measured."""
    command = [sys.executable, "-c", STUB, str(ROW)]
    with mock.patch.object(hosts, "host_command", return_value=command):
        yield


if __name__ == "__main__":
    for figure in bench_batch(shots=int(sys.argv[1]), jobs=int(sys.argv[2])):
        print(json.dumps([figure.name, figure.value, figure.unit, figure.note]), flush=True)
