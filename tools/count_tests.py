# SPDX-License-Identifier: GPL-3.0-or-later
"""Add up the JUnit files of test runs: one line per file, then the sum alone on a line.

``count_tests.py [--sum] FILE.xml...``; ``--sum`` prints the sum only. A file that is missing or
broken is one failure: a run that died has not passed. Ends with 1 on any failure.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import NamedTuple
from xml.etree import ElementTree as ET


class Count(NamedTuple):
    """Tests of one run, or of several together."""

    passed: int
    failed: int
    skipped: int

    def __str__(self) -> str:
        line = f"{self.passed} passed, {self.failed} failed"
        return f"{line}, {self.skipped} skipped" if self.skipped else line


def count(path: Path) -> Count:
    """Read one JUnit file; errors count as failures."""
    try:
        suites = list(ET.parse(path).getroot().iter("testsuite"))
    except (OSError, ET.ParseError):
        return Count(0, 1, 0)

    def total(*names: str) -> int:
        return sum(int(suite.get(name, "0")) for suite in suites for name in names)

    failed, skipped = total("failures", "errors"), total("skipped")
    return Count(total("tests") - failed - skipped, failed, skipped)


def main(arguments: list[str]) -> int:
    """Print the counts of the files named."""
    only_sum = "--sum" in arguments
    paths = [Path(argument) for argument in arguments if argument != "--sum"]
    counts = [count(path) for path in paths]
    if not only_sum:
        for path, one in zip(paths, counts, strict=True):
            print(
                f"{path.stem:<12} {one}"
                if path.exists()
                else f"{path.stem:<12} no report: counted as one failure"
            )
    whole = Count(*map(sum, zip(*counts, strict=True))) if counts else Count(0, 0, 0)
    print(whole)
    return 1 if whole.failed or not whole.passed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
