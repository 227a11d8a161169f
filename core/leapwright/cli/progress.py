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
        As of `leapwright_blender.steps`.
    """
    from leapwright_blender.steps import run

    if not sys.stderr.isatty():
        return run(steps)
    begun = time.monotonic()
    columns = (BarColumn(), TextColumn("{task.percentage:3.0f} %  {task.description}"))
    bar = Progress(*columns, console=Console(stderr=True), transient=True)
    shown = bar.add_task("", total=1.0)

    def told(step: Any) -> None:
        if time.monotonic() - begun > PATIENCE:
            bar.start()
        bar.update(shown, completed=step.share, description=step.words)

    try:
        return run(steps, told=told)
    finally:
        if bar.live.is_started:
            bar.stop()
