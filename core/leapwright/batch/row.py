# SPDX-License-Identifier: GPL-3.0-or-later
"""What became of one shot: a row of the results."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from leapwright.batch.work import Task

__all__ = ["Row", "failed_row", "findings_from", "row_of"]

_RANK = {"note": 0, "warning": 1, "error": 2}


@dataclass(frozen=True, slots=True)
class Row:
    """What became of one shot.

    Attributes
    ----------
    file : str
        The shot.
    output : str or None
        What was written.
    rig : str or None
        Whose animation it was, where it came that far.
    verb, job : str
    status : {"done", "findings", "failed", "skipped"}
        "findings": done, and what a check says is at or above `fail-on`.
    reason : str or None
        Why it is not "done".
    log : str or None
        A file with what the host said, where that may help.
    seconds : float
    attempts : int
    result : dict or None
        The verb's own answer.
    before, after : dict or None
        What a check says of the shot then, with what is needed to draw it.
    warnings : list of str
    backup : str or None
        The copy of a shot that was written in place.
    """

    file: str
    output: str | None
    rig: str | None
    verb: str
    status: str
    reason: str | None
    log: str | None = None
    seconds: float = 0.0
    attempts: int = 0
    result: dict[str, Any] | None = None
    before: dict[str, Any] | None = None
    after: dict[str, Any] | None = None
    warnings: tuple[str, ...] = ()
    job: str = ""
    backup: str | None = None

    def to_json(self) -> dict[str, Any]:
        """The same as JSON values."""
        return asdict(self) | {"warnings": list(self.warnings)}

    @classmethod
    def from_json(cls, said: Mapping[str, Any]) -> Row:
        """A row from its JSON values."""
        return cls(**{**said, "warnings": tuple(said["warnings"])})


def failed_row(task: Task, reason: str, **more: Any) -> Row:
    """The row of a shot that was not done."""
    status = "skipped" if task.skipped else "failed"
    return Row(
        file=task.file, output=None, rig=None, verb=task.verb, status=status, reason=reason,
        job=task.job, **more,
    )  # fmt: skip


def row_of(task: Task, said: Mapping[str, Any]) -> Row:
    """The row of an answer of the host process, findings judged.

    Parameters
    ----------
    task : Task
    said : mapping
        The answer, with ``seconds``, ``attempts`` and ``log``.
    """
    row = Row(
        file=task.file,
        output=task.target if said["status"] == "done" and said.get("sha256") else None,
        rig=said.get("rig"),
        verb=task.verb,
        status=said["status"],
        reason=said["reason"],
        log=said.get("log"),
        seconds=round(said.get("seconds", 0.0), 4),
        attempts=said.get("attempts", 1),
        result=said.get("result"),
        before=said.get("before"),
        after=said.get("after"),
        warnings=tuple(dict.fromkeys(said.get("warnings", ()))),
        job=task.job,
        backup=said.get("backup"),
    )
    return _judged(row, task.fail_on)


def _judged(row: Row, fail_on: str) -> Row:
    """Checks and fixes are judged by what is left; what other verbs leave is for the report."""
    if row.status != "done" or row.verb not in ("check", "fix"):
        return row
    said = row.result if row.verb == "check" else row.after
    found = findings_from(said, fail_on)
    if not found:
        return row
    values = row.to_json() | {"status": "findings", "reason": _summed(found)}
    return Row.from_json(values)


def _summed(found: Sequence[Mapping[str, Any]]) -> str:
    """One finding in its words; several by name and number, as they go on one line."""
    if len(found) == 1:
        return str(found[0]["text"])
    kinds = Counter(str(finding["id"]) for finding in found).most_common()
    listed = ", ".join(f"{kind} ({times})" if times > 1 else kind for kind, times in kinds)
    return f"{len(found)} findings: {listed}"


def findings_from(said: Mapping[str, Any] | None, fail_on: str) -> list[dict[str, Any]]:
    """Findings at or above a severity, without those that are marked intended.

    Parameters
    ----------
    said : mapping or None
        A check as JSON.
    fail_on : {"note", "warning", "error"}
    """
    jumps = (said or {}).get("jumps", ())
    return [
        finding
        for jump in jumps
        for finding in jump["findings"]
        if not finding.get("intended") and _RANK[finding["severity"]] >= _RANK[fail_on]
    ]
