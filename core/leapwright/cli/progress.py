# SPDX-License-Identifier: GPL-3.0-or-later
"""How far a verb is, on a terminal, where it takes long enough to wonder."""

from __future__ import annotations

import sys
import time
from collections.abc import Generator
from typing import Any, TypeVar

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn

__all__ = ["with_progress"]

T = TypeVar("T")

PATIENCE = 1.0
"""Seconds before anything is shown."""


def with_progress(steps: Generator[Any, None, T], /) -> T:
    """Go through the steps of a verb; on a terminal, show how far they are after a second.

    Parameters
    ----------
    steps : generator
        Yields something with a `share` (0 to 1) and `words`, as
        `leapwright_blender.steps.Step`; returns the result.
    """
    begun = time.monotonic()
    columns = (BarColumn(), TextColumn("{task.percentage:3.0f} %  {task.description}"))
    bar = Progress(*columns, console=Console(stderr=True), transient=True)
    shown = bar.add_task("", total=1.0)
    started = False
    try:
        while True:
            try:
                step = next(steps)
            except StopIteration as done:
                result: T = done.value
                return result
            if not started and sys.stderr.isatty() and time.monotonic() - begun > PATIENCE:
                bar.start()
                started = True
            bar.update(shown, completed=step.share, description=step.words)
    finally:
        if started:
            bar.stop()
