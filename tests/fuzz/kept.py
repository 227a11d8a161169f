# SPDX-License-Identifier: GPL-3.0-or-later
"""Inputs that proved useful, kept with the tests: each reached lines that no smaller one did.

``python tests/fuzz/kept.py build/fuzz`` chooses them anew from what a search left; `make fuzz`
begins with them, and every test run goes through them.
"""

from __future__ import annotations

import base64
import contextlib
import io
import sys
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from types import CodeType
from typing import Any

__all__ = ["SEEDS", "kept"]

SEEDS = Path(__file__).with_name("seeds")
MOST_BYTES = 7000
"""Of one property, before they are written as text."""
OURS = ("leapwright", "leapwright_blender")


def kept(name: str) -> list[bytes]:
    """The inputs of a property."""
    path = SEEDS / f"{name}.txt"
    lines = path.read_text(encoding="ascii").split() if path.exists() else []
    return [base64.b85decode(line) for line in lines]


def useful(run: Callable[[bytes], Any], inputs: Iterable[bytes]) -> Iterator[tuple[bytes, int]]:
    """Of inputs, the smallest first, those that reach a new line, and how many they reach."""
    tool, fresh = sys.monitoring.PROFILER_ID, [0]

    def reached(code: CodeType, line: int) -> Any:
        # Every line is told of once.
        fresh[0] += any(f"/{name}/" in code.co_filename for name in OURS)
        return sys.monitoring.DISABLE

    sys.monitoring.use_tool_id(tool, "kept")
    sys.monitoring.register_callback(tool, sys.monitoring.events.LINE, reached)
    sys.monitoring.restart_events()
    sys.monitoring.set_events(tool, sys.monitoring.events.LINE)
    try:
        for text in sorted(set(inputs), key=len):
            before = fresh[0]
            with contextlib.redirect_stdout(io.StringIO()):
                used = run(text)
            if fresh[0] > before:
                yield (text if used is None else used), fresh[0] - before
    finally:
        sys.monitoring.free_tool_id(tool)


def choose(name: str, run: Callable[[bytes], Any], folder: Path) -> str:
    """Keep the useful inputs of a property, those that reach most first; says what was kept."""
    corpus = folder / "corpus" / name
    found = [path.read_bytes() for path in corpus.iterdir()] if corpus.is_dir() else []
    ranked = sorted(
        useful(run, [*found, *kept(name)]), key=lambda one: -one[1] / (len(one[0]) + 40)
    )
    chosen: list[bytes] = []
    for text, _ in ranked:
        if sum(map(len, chosen)) + len(text) <= MOST_BYTES:
            chosen.append(text)
    SEEDS.mkdir(exist_ok=True)
    lines = [base64.b85encode(text).decode("ascii") for text in chosen]
    if lines:
        (SEEDS / f"{name}.txt").write_text("\n".join(lines) + "\n", encoding="ascii", newline="\n")
    reached = sum(count for _, count in ranked)
    return f"{name:18} {len(lines):3} of {len(found):4} inputs, {reached} lines reached"


def main(folder: Path, names: list[str]) -> None:
    """Choose for every property, or for those that are named."""
    tests = Path(__file__).resolve().parents[1]
    sys.path[:0] = [str(tests), str(tests.parent / "core"), str(tests.parent / "addon")]
    from fuzz.properties import PROPERTIES

    for name in names or PROPERTIES:
        print(choose(name, PROPERTIES[name].hypothesis.fuzz_one_input, folder), flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2:])
