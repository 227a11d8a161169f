# SPDX-License-Identifier: GPL-3.0-or-later
"""A night's work in the large: ``python tools/batch_trial.py [bad] [kills] [kills-in-place]``.

bad: 200 shots, 20 of them bad; each must be reported with its own reason, and no file may stray.
kills: the runner and its hosts are killed at 20 random moments, the run is resumed after each; the
final keys must be those of an undisturbed run, and no shot may be done twice over a finished one.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "tests")]

import leapwright.batch as batches  # noqa: E402
from batch.kills import done_twice, run_with_kills  # noqa: E402
from batch.read_keys import keys_of  # noqa: E402
from batch.trial import make_base, make_trial  # noqa: E402

KILLS, SHOTS = 20, 60


def bad(folder: Path, base: Path) -> list[str]:
    """What is wrong with a night of 200 shots; empty when all is right."""
    trial = make_trial(folder / "show", base, good=180)
    os.environ.update(trial.faults(), LEAPWRIGHT_RIGS=str(folder / "no rigs"))
    there = trial.files()
    result = batches.run(trial.jobs)
    wrong = []
    rows = {
        Path(os.path.relpath(r.file, trial.folder / "shots")).as_posix(): r for r in result.rows()
    }
    for name, row in rows.items():
        words = trial.bad.get(name)
        if name in trial.odd:
            right = row.status in ("done", "failed")
        elif words is None:
            right = row.status == "done"
        else:
            right = row.status == "failed" and words in str(row.reason)
            print(f"  {name!a}: {row.reason}")
        if not right:
            wrong.append(f"{name}: {row.status}, {row.reason}")
    done = [name for name, row in rows.items() if row.status == "done"]
    strays = trial.files() - there - {f"retimed/shots/{name}" for name in done}
    wrong += [f"a stray file: {name}" for name in strays]
    if len(rows) != 200 or result.exit_code != 1:
        wrong.append(f"{len(rows)} rows, exit code {result.exit_code}")
    print(f"{result.progress} in {result.seconds:.0f} s; {result.report}")
    return wrong


def kills(folder: Path, base: Path, *, in_place: bool = False) -> list[str]:
    """What is wrong after 20 kills; empty when all is right."""
    (folder / "shots").mkdir(parents=True)
    for number in range(SHOTS):
        shutil.copyfile(base / "hop.blend", folder / "shots" / f"hop_{number:03d}.blend")
    where = "in-place = true" if in_place else 'output = "out/{name}"'
    jobs = folder / "JOBS.toml"
    jobs.write_text(
        f'[[jobs]]\nrig = "Hare"\nfiles = "shots/*.blend"\n{where}\nretime.snappiness = 1.5\n',
        encoding="utf-8",
    )
    shutil.copytree(folder / "shots", folder / "calm" / "shots")
    shutil.copyfile(jobs, folder / "calm" / "JOBS.toml")
    calm = batches.run(folder / "calm" / "JOBS.toml")
    run = folder / "run"
    told = run_with_kills(jobs, run, total=SHOTS, kills=KILLS, seed=2026 + in_place)
    wrong = [f"done twice: task {number}" for number in done_twice(run)]
    where = "shots" if in_place else "out"
    outs = sorted((folder / where).glob("hop_???.blend"))
    calms = sorted((folder / "calm" / where).glob("hop_???.blend"))
    if calm.progress.done != SHOTS or len(outs) != SHOTS:
        wrong.append(f"{len(outs)} files, undisturbed {calm.progress}")
    elif keys_of(outs) != keys_of(calms):
        wrong.append("the keys are others")
    kept = sorted((folder / "shots").glob("*.backup-*"))
    if len(kept) != SHOTS * in_place:
        wrong.append(f"{len(kept)} backups")
    wrong += [f"a stray file: {p}" for p in folder.rglob(".*") if p.is_file()]
    sessions = (run / "journal.jsonl").read_bytes().count(b'"event": "session"')
    print(f"killed: {dict(told)}; {sessions} sessions, {len(outs)} files, {len(kept)} backups")
    return wrong


TRIALS: dict[str, Callable[[Path, Path], list[str]]] = {
    "bad": bad,
    "kills": kills,
    "kills-in-place": lambda folder, base: kills(folder, base, in_place=True),
}


def main() -> int:
    """Run the trials that are named, or all."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("trial", nargs="*", choices=[[], *TRIALS], help="default: all")
    asked = parser.parse_args().trial or list(TRIALS)
    status = 0
    with tempfile.TemporaryDirectory(prefix="leapwright-trial-") as place:
        base = make_base(Path(place) / "base")
        for name in asked:
            begun = time.monotonic()
            print(f"{name} ...", flush=True)
            wrong = TRIALS[name](Path(place) / name, base)
            for line in wrong:
                print(f"  WRONG {line!a}")
            took = time.monotonic() - begun
            print(f"{name}: {'all right' if not wrong else 'WRONG'}, {took:.0f} s", flush=True)
            status |= bool(wrong)
    return status


if __name__ == "__main__":
    sys.exit(main())
