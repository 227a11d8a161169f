# SPDX-License-Identifier: GPL-3.0-or-later
"""Figures of speed: what was measured, what it is held against, and one table of them all."""

from __future__ import annotations

import gc
import math
import statistics
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TextIO

__all__ = ["WIDTH", "Figure", "grown", "median_seconds", "seconds", "show"]

WIDTH = 100
"""Columns of the table."""


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the table.

    Attributes
    ----------
    name : str
        What was measured.
    value : float
        What came out.
    unit : str
        "×" is a ratio to the floor, "slope" a slope in logarithms; else the value's unit.
    floor : str
        In words, what it is a ratio to, or what it was measured on.
    at_most, at_least : float or None
        The aim; without one there is only the value.
    note : str
        What else came out of the same run.
    """

    name: str
    value: float
    unit: str = "×"
    floor: str = ""
    at_most: float | None = None
    at_least: float | None = None
    note: str = ""

    @property
    def met(self) -> bool | None:
        """Whether the aim was met; None without one."""
        if self.at_most is not None:
            return self.value <= self.at_most
        if self.at_least is not None:
            return self.value >= self.at_least
        return None

    @property
    def aim(self) -> str:
        """The aim as text."""
        if self.at_most is not None:
            return f"≤ {self.at_most:g}"
        return "" if self.at_least is None else f"≥ {self.at_least:g}"

    @property
    def got(self) -> str:
        """The value as text, three digits of it."""
        digits = 0 if not self.value else 2 - math.floor(math.log10(abs(self.value)))
        text = f"{self.value:,.{min(max(digits, 0), 3)}f}"
        return f"{text}×" if self.unit == "×" else f"{text} {self.unit}"


def grown(
    name: str,
    make: Callable[[int], Callable[[], object]],
    *,
    unit: str,
    sizes: Sequence[int],
    rounds: int = 3,
    at_most: float = 1.1,
    note: str = "",
) -> Figure:
    """How the cost of something grows with how much of it there is.

    Parameters
    ----------
    name : str
        What is done.
    make : callable
        Takes a size, gives what is to be timed.
    unit : str
        What there is more of.
    sizes : sequence of int
        One, ten and a hundred times as much.
    rounds : int
        How often the small ones are timed; the large one is once.
    at_most : float
        Aim for the slope: 1 is twice the cost for twice as much, 2 four times.
    note : str
        What else is to be known.

    Returns
    -------
    Figure
        The slope is that of the straight line nearest to the logarithms (least squares).
    """
    spent = []
    for size in sizes:
        work = make(size)
        last = size == sizes[-1]
        spent.append(seconds(work) if last else median_seconds(work, rounds=rounds))
    slope = statistics.linear_regression(
        [math.log(size) for size in sizes], [math.log(s) for s in spent]
    ).slope
    told = ", ".join(f"{n:,} {_short(s)}" for n, s in zip(sizes, spent, strict=True))
    return Figure(name, slope, "slope", f"{unit}: {told}", at_most=at_most, note=note)


def _short(spent: float) -> str:
    """Seconds as a person reads them."""
    for unit, size in (("s", 1.0), ("ms", 1e-3)):
        if spent >= size:
            return f"{spent / size:.3g} {unit}"
    return f"{spent * 1e6:.3g} µs"


def seconds(work: Callable[[], object]) -> float:
    """Wall time of one run, with nothing left over to collect."""
    gc.collect()
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def median_seconds(work: Callable[[], object], *, rounds: int = 5) -> float:
    """Median wall time of some runs, after one that is not counted."""
    work()
    return statistics.median(seconds(work) for _ in range(rounds))


def show(
    groups: Mapping[str, Iterable[Figure]],
    *,
    out: TextIO,
    words: Mapping[str, str],
    foot: str = "",
) -> None:
    """Print all figures as one table.

    Parameters
    ----------
    groups : mapping of title to figures
    out : text file
    words : mapping of title to str
        What is to be known of a whole group.
    foot : str
        Lines under the table.
    """
    from rich import box
    from rich.console import Console
    from rich.table import Table

    table = Table(box=box.SIMPLE_HEAD, expand=True, caption=foot or None, caption_justify="left")
    table.add_column("figure", ratio=8)
    table.add_column("got", justify="right", no_wrap=True)
    table.add_column("aim", justify="right", no_wrap=True)
    table.add_column("met", no_wrap=True)
    table.add_column("against", ratio=10)
    for title, figures in groups.items():
        table.add_row(f"[bold]{title}[/bold]", "", "", "", words.get(title, ""))
        for figure in figures:
            table.add_row(*_row(figure))
        table.add_section()
    console: Any = Console(file=out, width=WIDTH, highlight=False)
    console.print(table)


def _row(figure: Figure) -> tuple[str, ...]:
    met = {True: "yes", False: "[bold]NO[/bold]", None: ""}[figure.met]
    against = "; ".join(part for part in (figure.floor, figure.note) if part)
    return f"  {figure.name}", figure.got, figure.aim, met, against
