# SPDX-License-Identifier: GPL-3.0-or-later
"""What is told of a run when it is over: a table in short, and the report."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from leapwright.batch.row import Row
from leapwright.disk import write_whole

__all__ = ["COLUMNS", "write_report", "write_summary"]

COLUMNS = (
    "job", "file", "output", "rig", "verb", "status", "reason", "findings", "worst", "warnings",
    "seconds", "attempts", "backup", "log",
)  # fmt: skip
_RANK = ("note", "warning", "error")


def write_summary(rows: Iterable[Row], path: Path) -> None:
    """Write the table: comma-separated, UTF-8, a line for each shot.

    Parameters
    ----------
    rows : iterable of Row
    path : Path
    """
    text = io.StringIO(newline="")
    table = csv.writer(text, lineterminator="\r\n")
    table.writerow(COLUMNS)
    for row in rows:
        table.writerow(_cells(row))
    # The mark at the start tells spreadsheets that it is UTF-8.
    data = text.getvalue().encode("utf-8-sig", "backslashreplace")
    write_whole(path, data)


def _cells(row: Row) -> list[Any]:
    found = [f for f in _last_findings(row) if not f.get("intended")]
    ranks = [_RANK.index(finding["severity"]) for finding in found]
    said = row.to_json() | {
        "findings": len(found) if (row.after or row.before) else "",
        "worst": _RANK[max(ranks)] if ranks else "",
        "warnings": len(row.warnings),
    }
    return ["" if said[name] is None else said[name] for name in COLUMNS]


def _last_findings(row: Row) -> Iterator[dict[str, Any]]:
    for jump in ((row.after or row.before) or {}).get("jumps", ()):
        yield from jump["findings"]


def write_report(rows: Iterable[Row], path: Path, *, title: str, facts: dict[str, str]) -> None:
    """Write the page.

    Parameters
    ----------
    rows : iterable of Row
    path : Path
    title : str
    facts : dict
        What stands at its head.
    """
    from leapwright.report.page import write_page

    write_page((row.to_json() for row in rows), path, title=title, facts=facts)
