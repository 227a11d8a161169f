# SPDX-License-Identifier: GPL-3.0-or-later
"""What the page shows of each shot: result rows as words, numbers and plots."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from leapwright.findings import FINDINGS
from leapwright.report.drawing import printable
from leapwright.report.exposure import Exposure, exposures
from leapwright.report.height_plot import height_plot

__all__ = ["SEVERITIES", "STATUSES", "FindingView", "NumberView", "ShotView", "shot_view"]

STATUSES = ("failed", "findings", "skipped", "done")
"""What became of a shot, worst first."""
SEVERITIES = ("error", "warning", "note", "intended")

NOT_KNOWN = "–"
_LOG_BYTES, _LOG_LINES = 8192, 30
_PAIR, _ALONE = 620, 960
"""Widths of plots, pixels."""


@dataclass(frozen=True, slots=True)
class FindingView:
    """A finding before and after.

    Attributes
    ----------
    id, name, severity, jump, phase, frames, measured, expected, text, fix, intended
        In words. `severity` is ``intended`` where it is meant.
    change : str
        ``gone``, ``still there``, ``new``; "" where there is only one check.
    """

    id: str
    name: str
    severity: str
    jump: int
    phase: str
    frames: str
    measured: str
    expected: str
    text: str
    fix: str
    intended: str
    change: str = ""


@dataclass(frozen=True, slots=True)
class NumberView:
    """One line of the numbers of a jump, before and after."""

    name: str
    before: str
    after: str

    @property
    def now(self) -> str:
        """After, where that is known."""
        return self.before if self.after == NOT_KNOWN else self.after


@dataclass(frozen=True, slots=True)
class ShotView:
    """A shot, ready to be shown.

    Attributes
    ----------
    number : int
        From 1.
    name, folder, file, rig, verb, status, reason, output, backup, log : str
    excerpt : str
        The end of the log.
    seconds : float or None
    attempts : int
    warnings : tuple of str
    jumps : int or None
        None: it was not looked at.
    no_jump : str
        Why none was found.
    counts : mapping of severity to int
        Of the findings now, gone ones not counted.
    findings : tuple of FindingView
    numbers : tuple of (int, tuple of NumberView)
        For each jump.
    plots : tuple of str
        SVG: one, or before and after.
    compared : bool
        There is a check before and one after.
    sheet : tuple of Exposure
    keys_known : bool
    """

    number: int
    name: str
    folder: str
    file: str
    rig: str
    verb: str
    status: str
    reason: str
    output: str
    backup: str
    log: str
    excerpt: str
    seconds: float | None
    attempts: int
    warnings: tuple[str, ...]
    jumps: int | None
    no_jump: str
    counts: Mapping[str, int]
    findings: tuple[FindingView, ...]
    numbers: tuple[tuple[int, tuple[NumberView, ...]], ...]
    plots: tuple[str, ...]
    compared: bool
    sheet: tuple[Exposure, ...]
    keys_known: bool

    @property
    def gaps(self) -> bool:
        """Whether frames are left out of the sheet."""
        return any(line.after_gap for line in self.sheet)

    @property
    def kinds(self) -> list[str]:
        """Ids of the findings now."""
        return sorted({f.id for f in self.findings if f.change != "gone"})

    @property
    def words(self) -> str:
        """All that is searched, in lower case."""
        parts = [self.file, self.rig, self.verb, self.status, self.reason, *self.warnings]
        parts += [f"{f.name} {f.text} {f.intended}" for f in self.findings]
        return printable(" ".join(parts)).lower()

    @property
    def weight(self) -> int:
        """How grave the findings are, for sorting."""
        errors, warnings, notes, meant = (self.counts[s] for s in SEVERITIES)
        return ((errors * 1000 + warnings) * 1000 + notes) * 1000 + meant


def shot_view(row: Mapping[str, Any], number: int) -> ShotView:
    """What the page shows of a result row.

    Parameters
    ----------
    row : mapping
        A row of a batch's results.
    number : int
        From 1.
    """
    file = str(row.get("file") or "")
    name = file.replace("\\", "/").rstrip("/").rpartition("/")[2]
    before, after = row.get("before"), row.get("after")
    if before is None and after is None and "jumps" in (row.get("result") or {}):
        before = row["result"]
    now = after if after is not None else before
    findings = _findings(before, after)
    log = str(row.get("log") or "")
    return ShotView(
        number=number,
        name=name or file or "(no name)",
        folder=file[: len(file) - len(name)].rstrip("/\\"),
        file=file,
        rig=str(row.get("rig") or (now or {}).get("rig") or ""),
        verb=str(row.get("verb") or ""),
        status=str(row.get("status") or ""),
        reason=str(row.get("reason") or ""),
        output=str(row.get("output") or ""),
        backup=str(row.get("backup") or ""),
        log=log,
        excerpt=_end_of(log) if log else "",
        seconds=row.get("seconds"),
        attempts=int(row.get("attempts") or 0),
        warnings=tuple(str(w) for w in row.get("warnings") or ()),
        jumps=None if now is None else len(now.get("jumps", ())),
        no_jump=str((now or {}).get("reason") or ""),
        counts=Counter(f.severity for f in findings if f.change != "gone"),
        findings=findings,
        numbers=_numbers(before, after),
        plots=_plots(before, after),
        compared=before is not None and after is not None,
        sheet=tuple(exposures(now)) if now and now.get("track") else (),
        keys_known=((now or {}).get("track") or {}).get("keys") is not None,
    )


def _end_of(log: str) -> str:
    """The last lines of a log; "" where it cannot be read."""
    path = Path(log)
    try:
        if not path.is_file():
            return ""
        with path.open("rb") as file:
            size = file.seek(0, 2)
            file.seek(max(0, size - _LOG_BYTES))
            text = file.read().decode("utf-8", errors="replace")
    except (OSError, ValueError):
        return ""
    lines = text.splitlines()
    return "\n".join(printable(line.replace("\t", "    ")) for line in lines[-_LOG_LINES:]).strip(
        "\n"
    )


def _plots(before: Mapping[str, Any] | None, after: Mapping[str, Any] | None) -> tuple[str, ...]:
    drawn = [said for said in (before, after) if said and said.get("track")]
    if len(drawn) < 2:
        return tuple(height_plot(said, width=_ALONE) for said in drawn)
    one, other = drawn
    return (
        height_plot(one, width=_PAIR, beside=other, title="Before: height of the COG"),
        height_plot(other, width=_PAIR, beside=one, title="After: height of the COG"),
    )


def _findings(
    before: Mapping[str, Any] | None, after: Mapping[str, Any] | None
) -> tuple[FindingView, ...]:
    old, new = _by_place(before), _by_place(after)
    if before is None or after is None:
        views = [_view(place, one) for place, one in (old or new).items()]
    else:
        views = [
            _view(place, one, "still there" if place in old else "new")
            for place, one in new.items()
        ]
        views += [_view(place, one, "gone") for place, one in old.items() if place not in new]
    rank = {severity: i for i, severity in enumerate(SEVERITIES)}
    views.sort(key=lambda f: (f.change == "gone", f.jump, rank.get(f.severity, 2)))
    return tuple(views)


def _by_place(said: Mapping[str, Any] | None) -> dict[tuple[int, str, int], Mapping[str, Any]]:
    """Findings by jump, id and how many of that id came before it in the jump."""
    found: dict[tuple[int, str, int], Mapping[str, Any]] = {}
    for number, jump in enumerate((said or {}).get("jumps", ()), start=1):
        seen: Counter[str] = Counter()
        for one in jump.get("findings", ()):
            found[number, str(one["id"]), seen[one["id"]]] = one
            seen[one["id"]] += 1
    return found


def _view(place: tuple[int, str, int], one: Mapping[str, Any], change: str = "") -> FindingView:
    unit = str(one.get("unit") or "")
    frames = [_short(f, 1) for f in one.get("frames") or ()]
    kind = str(one["id"])
    return FindingView(
        id=kind,
        name=FINDINGS.get(kind, kind.replace("_", " ")),
        severity="intended" if one.get("intended") else str(one["severity"]),
        jump=place[0],
        phase={"takeoff": "take-off"}.get(one.get("phase") or "", str(one.get("phase") or "")),
        frames="–".join(dict.fromkeys(frames)),
        measured=_measure(one.get("measured"), unit),
        expected=_measure(one.get("expected"), unit),
        text=str(one.get("text") or ""),
        fix=str(one.get("fix") or "").replace("_", " "),
        intended=str(one.get("intended") or ""),
        change=change,
    )


def _measure(value: float | None, unit: str) -> str:
    return "" if value is None else f"{value:.3g} {unit}".strip()


_NUMBERS = (
    ("push", "frames", "push", "frames"),
    ("rise", "frames", "rise", "frames"),
    ("fall", "frames", "fall", "frames"),
    ("absorb", "frames", "absorb", "frames"),
    ("push height", "heights_m", "push", "m"),
    ("jump height", "heights_m", "jump", "m"),
    ("travel", "travel_m", None, "m"),
    ("gravity in the air", "gravity_m_s2", "air", "m/s²"),
    ("jump magnification", "magnification", "heights", ""),
)


def _numbers(
    before: Mapping[str, Any] | None, after: Mapping[str, Any] | None
) -> tuple[tuple[int, tuple[NumberView, ...]], ...]:
    old = (before or {}).get("jumps", ())
    new = (after or {}).get("jumps", ())
    told = []
    for i in range(max(len(old), len(new))):
        views = []
        for name, group, key, unit in _NUMBERS:
            one, other = (
                _number(jumps[i] if i < len(jumps) else {}, group, key) for jumps in (old, new)
            )
            views.append(NumberView(f"{name}, {unit}" if unit else name, one, other))
        told.append((i + 1, tuple(views)))
    return tuple(told)


def _number(jump: Mapping[str, Any], group: str, key: str | None) -> str:
    value = jump.get(group)
    if key is not None:
        value = (value or {}).get(key)
    if value is None:
        return NOT_KNOWN
    return _short(value, 2)


def _short(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
