# SPDX-License-Identifier: GPL-3.0-or-later
"""Hard use for as long as one likes: ``make fuzz``, ``make fuzz SECONDS=60``.

Every property of `properties.py` gets its share of the time in a process of its own. With atheris
(`pip install -e ".[fuzz]"`) what goes in is guided by which lines of Leapwright it reaches, and
what reached new ones is kept in ``build/fuzz/corpus`` for the next run; without it hypothesis
searches at random. What fails is made as small as it gets and written to ``build/fuzz/found``: put
it above its property as an ``@example``, and it is tested from then on.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import random
import re
import subprocess
import sys
import time
import traceback
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

TESTS = Path(__file__).resolve().parents[1]
SEEDS, SEED_BYTES = 12, 4096
"""What the search begins with, besides what `kept.py` keeps."""
SMALLER = 120
"""Seconds for making a failure small."""
SHOTS = ("sequences", "other_sequences", "odd_rigs")
"""What is tried in Blender: `shots.py`."""
TOLD = re.compile(rb"Done (\d+) runs|(\d+) examples")


# --- The child: one property ---------------------------------------------------------------------


def load(*, guided: bool) -> Any:
    """The properties; `guided` notes which lines of Leapwright are reached."""
    for place in (TESTS, TESTS.parent / "core", TESTS.parent / "addon"):
        sys.path.insert(0, str(place))
    warnings.simplefilter("error")
    if not guided:
        from fuzz.properties import PROPERTIES

        return PROPERTIES
    import atheris

    with atheris.instrument_imports(include=["leapwright", "leapwright_blender"]):
        from fuzz.properties import PROPERTIES
    return PROPERTIES


def settled(name: str, folder: Path, *, guided: bool, **how: Any) -> Any:
    """The property, which remembers its failures in the folder."""
    wanted = load(guided=guided)[name]
    from hypothesis import HealthCheck, settings
    from hypothesis.database import DirectoryBasedExampleDatabase

    kept = DirectoryBasedExampleDatabase(folder / "failures")
    quiet = list(HealthCheck)
    return settings(deadline=None, database=kept, suppress_health_check=quiet, **how)(wanted)


def guide(name: str, seconds: int, folder: Path) -> None:
    """Search along the lines that are reached; ends the process."""
    import atheris

    tried = settled(name, folder, guided=True).hypothesis.fuzz_one_input
    corpus, found = folder / "corpus" / name, folder / "found"
    corpus.mkdir(parents=True, exist_ok=True)
    found.mkdir(parents=True, exist_ok=True)
    if not any(corpus.iterdir()):
        from fuzz.kept import kept

        for number, text in enumerate(kept(name)):
            (corpus / f"kept{number:03}").write_bytes(text)
        for seed in range(SEEDS):
            text = random.Random(f"{name} {seed}").randbytes(SEED_BYTES)
            (corpus / f"seed{seed:02}").write_bytes(text)
    options = [
        f"-max_total_time={seconds}", f"-max_len={SEED_BYTES}", "-len_control=0", "-timeout=60",
        "-rss_limit_mb=4096", "-print_final_stats=1", f"-artifact_prefix={found}/{name}-",
    ]  # fmt: skip
    atheris.Setup([sys.argv[0], str(corpus), *options], tried)
    atheris.Fuzz()


def search(name: str, seconds: int, folder: Path) -> None:
    """Search at random until the time is over."""
    from hypothesis import Phase

    every = settled(
        name, folder, guided=False, max_examples=200, phases=[Phase.generate, Phase.target]
    )
    begun, rounds = time.monotonic(), 0
    while time.monotonic() - begun < seconds:
        every()
        rounds += 1
    print(f"{rounds * 200} examples", file=sys.stderr)


def reduce(name: str, seconds: int, folder: Path) -> None:
    """Make a failure that is remembered as small as it gets; raises it."""
    from hypothesis import Phase

    settled(name, folder, guided=False, phases=[Phase.explicit, Phase.reuse, Phase.shrink])()


def shoot(name: str, seconds: int, folder: Path) -> None:
    """Go through shots, seed after seed, from where the last run ended; ends the process."""
    load(guided=False)
    from fuzz.shots import SHOTS

    folder.mkdir(parents=True, exist_ok=True)
    last = folder / f"{name}.seed"
    seed = first = int(last.read_text()) if last.exists() else 0
    begun = time.monotonic()
    status = 0
    while time.monotonic() - begun < seconds and not status:
        print(f"seed {seed}", file=sys.stderr, flush=True)
        try:
            SHOTS[name](seed)
        except Exception:
            traceback.print_exc()
            status = 1
        seed += 1
        last.write_text(str(seed))
    print(f"{seed - first} examples", file=sys.stderr, flush=True)
    # The host may crash while the interpreter winds down.
    os._exit(status)


HOW: dict[str, Callable[[str, int, Path], None]] = {
    "guide": guide, "search": search, "reduce": reduce, "shoot": shoot,
}  # fmt: skip


# --- The parent: all of them ---------------------------------------------------------------------


def is_here(module: str) -> bool:
    """Whether a module is installed."""
    return importlib.util.find_spec(module) is not None


def worked_so_far() -> float:
    """Seconds that children have had of the processor."""
    times = os.times()
    return times.children_user + times.children_system


def child(name: str, how: str, seconds: int, folder: Path) -> subprocess.CompletedProcess[bytes]:
    command = [sys.executable, __file__, "--one", name, "--how", how]
    command += ["--seconds", str(seconds), "--folder", str(folder)]
    environment = {**os.environ, "COLUMNS": "80", "NO_COLOR": "1"}
    # A machine that is busy otherwise gives a share of its time; only what never ends hangs.
    limit = seconds * 10 + 600
    try:
        return subprocess.run(command, capture_output=True, env=environment, timeout=limit)
    except subprocess.TimeoutExpired as hung:
        return subprocess.CompletedProcess(command, -1, b"", (hung.stderr or b"") + b"\nit hung")


def report(name: str, done: subprocess.CompletedProcess[bytes], folder: Path) -> Path:
    """Write what failed, as small as it gets, and say where."""
    small = done if name in SHOTS else child(name, "reduce", SMALLER // 3, folder)
    where = folder / "found" / f"{name}.txt"
    where.parent.mkdir(parents=True, exist_ok=True)
    said = small.stderr if small.returncode else done.stderr
    where.write_bytes(b"\n".join([f"{name} failed".encode(), said, done.stderr]))
    return where


def fuzz(chosen: list[str], seconds: int, folder: Path) -> int:
    """Give every property its share of the time; 1 where one does not hold."""
    how = "guide" if is_here("atheris") else "search"
    if not is_here("bpy"):
        print("no bpy here: nothing is tried in Blender")
        chosen = [name for name in chosen if name not in SHOTS]
    share = max(seconds // max(len(chosen), 1), 5)
    kind = "guided by the lines reached" if how == "guide" else "at random: no atheris here"
    print(f"{len(chosen)} properties, {share} s each, {kind}", flush=True)
    bad = 0
    for name in chosen:
        begun, worked = time.monotonic(), worked_so_far()
        done = child(name, "shoot" if name in SHOTS else how, share, folder)
        runs = TOLD.search(done.stderr)
        count = f"{int(runs[1] or runs[2]):,} runs" if runs else "stopped"
        took, worked = time.monotonic() - begun, worked_so_far() - worked
        line = f"{name:18} {count:>15} in {took:5.0f} s, {worked:5.0f} s of the processor"
        if done.returncode:
            bad += 1
            line += f"  FAILED: {report(name, done, folder)}"
        print(line, flush=True)
    return 1 if bad else 0


def main() -> int:
    """Read the command line."""
    parser = argparse.ArgumentParser(description="Try everything with anything.")
    parser.add_argument("property", nargs="*", help="default: all")
    parser.add_argument("--seconds", type=int, default=1800, help="for all of them together")
    parser.add_argument("--folder", type=Path, default=Path("build/fuzz"))
    parser.add_argument("--one", help=argparse.SUPPRESS)
    parser.add_argument("--how", choices=[*HOW], help=argparse.SUPPRESS)
    asked = parser.parse_args()
    folder = asked.folder.resolve()
    if not asked.one:
        known = [*load(guided=False), *SHOTS]
        if unknown := set(asked.property) - set(known):
            parser.error(f"no property {', '.join(sorted(unknown))}: there are {', '.join(known)}")
        return fuzz(asked.property or known, asked.seconds, folder)
    HOW[asked.how](asked.one, asked.seconds, folder)
    return 0


if __name__ == "__main__":
    sys.exit(main())
