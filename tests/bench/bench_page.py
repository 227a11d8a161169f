# SPDX-License-Identifier: GPL-3.0-or-later
"""The report of 300 shots: time to write it, and how long its page does not answer in a browser."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

from figures import Figure

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from browser import night
from browser.pauses import measured_pauses
from browser.program import NoBrowser, started
from leapwright.report.page import write_page

__all__ = ["bench_page"]

PAUSE = 200


def bench_page(shots: int = 300) -> list[Figure]:
    """Write the report of a night, and open, sort and filter it in a browser, if there is one."""
    rows = night.rows(shots)
    with TemporaryDirectory() as folder:
        report = Path(folder) / "night.html"
        write_page(rows[:1], report)  # the first one pays for templates
        begun = time.process_time()
        write_page(rows, report)
        wrote = time.process_time() - begun
        note = f"{report.stat().st_size / 1e6:.1f} MB"
        on = f"{shots} shots, before and after"
        figures = [Figure("report, written", wrote, "s", on, note=note)]
        try:
            with started() as browser:
                pauses = measured_pauses(browser, report)
        except NoBrowser as none:
            return [Figure("report, written", wrote, "s", on, note=f"{note}; {none}")]
    return figures + [
        Figure(f"report, {what}", max(times), "ms", "longest pause of the page", at_most=PAUSE)
        for what, times in pauses.items()
    ]
