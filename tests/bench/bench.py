# SPDX-License-Identifier: GPL-3.0-or-later
"""Speed as ratios against a floor taken in the same run. ``make bench`` prints one table."""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from types import MappingProxyType
from typing import TextIO

from bench_batch import bench_batch
from bench_block import bench_block
from bench_check import bench_check
from bench_growth import bench_growth
from bench_page import bench_page
from bench_plan import bench_plan
from bench_retime import bench_retime
from figures import Figure, show

BENCHES: Mapping[str, Callable[[], list[Figure]]] = MappingProxyType(
    {
        "plan": bench_plan,
        "block": bench_block,
        "check": bench_check,
        "retime": bench_retime,
        "page": bench_page,
        "batch": bench_batch,
        "growth": bench_growth,
    }
)
WORDS = {
    "growth": "how cost grows: the slope in logarithms is 1 where twice as much costs twice",
}
LOG = Path("build/bench.log")
FOOT = (
    "A ratio and its floor are timed in turn in the same run. What drawing in the viewport costs "
    "is printed by the tests in a window (make window)."
)


def main() -> int:
    """Print every figure, or those of the benches that are named."""
    parser = argparse.ArgumentParser(description="Measure the speed.")
    parser.add_argument("bench", nargs="*", choices=[[], *BENCHES], help="default: all")
    parser.add_argument("--log", type=Path, default=LOG, help="what the host says")
    asked = parser.parse_args()
    begun = time.perf_counter()
    groups = {}
    with hushed(asked.log) as talk:
        for name in asked.bench or BENCHES:
            print(f"measuring: {name}", file=talk, flush=True)
            groups[name] = BENCHES[name]()
    took = time.perf_counter() - begun
    show(groups, out=sys.stdout, words=WORDS, foot=f"{FOOT} All of it took {took:.0f} s.")
    return 0


@contextmanager
def hushed(log: Path) -> Iterator[TextIO]:
    """Let all that the host prints, which is a lot, go to a file; gives the real stderr."""
    log.parent.mkdir(parents=True, exist_ok=True)
    kept = [os.dup(1), os.dup(2)]
    with log.open("w") as file, os.fdopen(os.dup(2), "w") as talk:
        try:
            for stream in (1, 2):
                os.dup2(file.fileno(), stream)
            yield talk
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            for stream, was in enumerate(kept, 1):
                os.dup2(was, stream)
                os.close(was)


if __name__ == "__main__":
    status = main()
    sys.stdout.flush()
    os._exit(status)
