# SPDX-License-Identifier: GPL-3.0-or-later
"""How far a run is, and the wish to stop it."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass

__all__ = ["Meter", "Progress", "Stop"]

RECENT = 60
"""Shots that the rate is taken from."""


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a run is.

    Attributes
    ----------
    total : int
        Shots, those of earlier sessions too.
    done, findings, failed, skipped : int
        Shots by status, so far.
    rate : float
        Shots a second, lately; 0 before the first.
    seconds_left : float or None
        None before there is a rate.
    """

    total: int
    done: int = 0
    findings: int = 0
    failed: int = 0
    skipped: int = 0
    rate: float = 0.0
    seconds_left: float | None = None

    @property
    def finished(self) -> int:
        """Shots that have their row."""
        return self.done + self.findings + self.failed + self.skipped


class Stop:
    """The wish to stop a run, from another thread or a signal."""

    def __init__(self) -> None:
        self._soon = threading.Event()
        self._now = threading.Event()

    def soon(self) -> None:
        """Finish the shots in hand and begin no other."""
        self._soon.set()

    def now(self) -> None:
        """Give up the shots in hand too; they are done anew when the run is resumed."""
        self._soon.set()
        self._now.set()

    @property
    def asked(self) -> bool:
        """Whether it is to stop."""
        return self._soon.is_set()

    @property
    def at_once(self) -> bool:
        """Whether it is to stop now."""
        return self._now.is_set()


class Meter:
    """Counts rows and takes the rate of the last ones.

    Parameters
    ----------
    total : int
    """

    def __init__(self, total: int) -> None:
        self.counts = dict.fromkeys(("done", "findings", "failed", "skipped"), 0)
        self.total = total
        self._times: list[float] = []

    def earlier(self, status: str) -> None:
        """Count a row of an earlier session."""
        self.counts[status] += 1

    def add(self, status: str) -> None:
        """Count a row."""
        self.counts[status] += 1
        self._times = [*self._times[-RECENT:], time.monotonic()]

    def progress(self) -> Progress:
        """How far it is now."""
        rate, left = 0.0, None
        if len(self._times) > 1 and self._times[-1] > self._times[0]:
            rate = (len(self._times) - 1) / (self._times[-1] - self._times[0])
            left = (self.total - sum(self.counts.values())) / rate
        return Progress(self.total, **self.counts, rate=rate, seconds_left=left)
