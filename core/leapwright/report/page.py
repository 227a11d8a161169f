# SPDX-License-Identifier: GPL-3.0-or-later
"""The report of a night: one page in one file, for the rows that a batch leaves.

It opens from a disk without a network. What a shot shows is kept as text until it is opened, so
that hundreds of shots cost no more than their table.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leapwright.disk import write_whole
from leapwright.errors import HostError
from leapwright.findings import FINDINGS
from leapwright.report.drawing import DARK, LIGHT, printable
from leapwright.report.shots import SEVERITIES, STATUSES, ShotView, shot_view

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["page", "write_page"]


def page(
    rows: Iterable[Mapping[str, Any]],
    *,
    title: str = "Leapwright report",
    facts: Mapping[str, str] | None = None,
) -> str:
    """The report as the text of an HTML file.

    Parameters
    ----------
    rows : iterable of mapping
        One a shot: ``file``, ``rig``, ``verb``, ``status``, ``reason``, ``log``, ``before``,
        ``after`` and so on, as a line of a batch's results. ``before`` and ``after`` are
        `leapwright.checked.Checked.to_json` with ``track=True``, or None. What is missing is
        left out.
    title : str
        Heads the page.
    facts : mapping of str to str, optional
        What is known of the run: ``{"Begun": "2026-11-27 22:00"}``.

    Returns
    -------
    str
        The same for the same rows: nothing of the clock or the machine is in it.

    Raises
    ------
    HostError
        Jinja2 is missing.

    Notes
    -----
    The end of each file named by ``log`` is read and shown. Everything that comes from the rows is
    escaped; the page allows no script but its own, by a policy in its head.

    Examples
    --------
    >>> text = page([{"file": "sh010.blend", "status": "failed", "reason": "not a .blend"}])
    >>> "not a .blend" in text
    True
    """
    environment = _environment()
    shots = [shot_view(row, number) for number, row in enumerate(rows, start=1)]
    rank = {status: i for i, status in enumerate(STATUSES)}
    shots.sort(key=lambda shot: rank.get(shot.status, 0))
    style, script = _text("page.css"), _text("page.js")
    return environment.get_template("page.html").render(
        title=title,
        facts=dict(facts or {}),
        shots=shots,
        totals=_totals(shots),
        kinds=_kinds(shots),
        statuses=[s for s in STATUSES if any(shot.status == s for shot in shots)],
        severities=SEVERITIES,
        index=[_entry(shot) for shot in shots],
        light=LIGHT,
        dark=DARK,
        style=style,
        script=script,
        script_hash=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
    )


def write_page(
    rows: Iterable[Mapping[str, Any]],
    path: Path | str,
    *,
    title: str = "Leapwright report",
    facts: Mapping[str, str] | None = None,
) -> None:
    """Write the report into a file, as a whole or not at all.

    Parameters
    ----------
    rows, title, facts
        As for `page`.
    path : Path or str

    Raises
    ------
    FileError
        It cannot be written.
    HostError
        Jinja2 is missing.
    """
    write_whole(Path(path), page(rows, title=title, facts=facts).encode("utf-8"))


def _text(name: str) -> str:
    return (files("leapwright.report") / "templates" / name).read_text(encoding="utf-8")


@cache
def _environment() -> Environment:
    try:
        from jinja2 import Environment, PackageLoader, StrictUndefined
    except ImportError as error:
        raise HostError(
            "reports need jinja2, which is missing: pip install leapwright[batch]"
        ) from error
    environment = Environment(
        loader=PackageLoader("leapwright.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_clean,
    )
    environment.filters["kept"] = _kept
    environment.filters["lasted"] = _lasted
    environment.filters["line"] = lambda text: printable(str(text))
    environment.filters["sentence"] = lambda text: printable(text[:1].upper() + text[1:]) + "."
    environment.filters["frame"] = lambda frame: f"{frame:.2f}".rstrip("0").rstrip(".")
    return environment


def _clean(value: Any) -> Any:
    """Text without what no page can hold: halves of letters, control characters."""
    if type(value) is not str or value.isprintable():
        return value
    return "".join(c if c in "\n\t" else printable(c) for c in value)


def _kept(body: str) -> str:
    """Escaped HTML that a script element holds as text; it must not end or nest that element."""
    if re.search("<(/?script|!--)", body, flags=re.IGNORECASE):
        raise ValueError("a part of the page holds a script")
    return body


def _lasted(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


def _entry(shot: ShotView) -> dict[str, Any]:
    """What the page's script filters and sorts by."""
    return {
        "n": shot.number,
        "words": shot.words,
        "kinds": shot.kinds,
        "severities": [s for s in SEVERITIES if shot.counts[s]],
        "status": shot.status,
        "sort": [
            printable(shot.name).lower(),
            printable(shot.rig).lower(),
            shot.verb,
            STATUSES.index(shot.status) if shot.status in STATUSES else -1,
            -1 if shot.jumps is None else shot.jumps,
            shot.weight,
            shot.seconds or 0,
        ],
    }


def _totals(shots: Sequence[ShotView]) -> dict[str, Any]:
    statuses = Counter(shot.status for shot in shots)
    looked = [shot for shot in shots if shot.jumps is not None]
    return {
        "shots": len(shots),
        "statuses": [(s, statuses[s]) for s in ("done", "findings", "failed", "skipped")]
        + [(s, n) for s, n in statuses.items() if s not in STATUSES],
        "looked": len(looked),
        "jumps": sum(shot.jumps or 0 for shot in looked),
        "jumpless": sum(shot.jumps == 0 for shot in looked),
        "severities": [(s, sum(shot.counts[s] for shot in shots)) for s in SEVERITIES],
        "gone": sum(f.change == "gone" for shot in shots for f in shot.findings),
        "seconds": sum(shot.seconds or 0 for shot in shots),
    }


def _kinds(shots: Sequence[ShotView]) -> list[tuple[str, str, int]]:
    """Kinds of findings that are there: id, name, in how many shots."""
    counts = Counter(kind for shot in shots for kind in shot.kinds)
    named = [(kind, FINDINGS.get(kind, kind.replace("_", " ")), n) for kind, n in counts.items()]
    return sorted(named, key=lambda kind: kind[1])
