# SPDX-License-Identifier: GPL-3.0-or-later
"""How fast plan is on arrays, and how much faster than a loop over single plans."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping

import numpy as np

from leapwright import plan

__all__ = ["bench_plan"]

LOOPED = 300
"""Single plans that are timed for the ratio."""


def bench_plan(jumps: int = 1_000_000) -> Mapping[str, float]:
    """Time one call for `jumps` jumps and a loop over a few of them.

    Returns
    -------
    mapping
        `array_plans_per_second`, `single_plans_per_second`, their `ratio`, and the `seconds` of
        the one call.
    """
    ask = _asks(jumps)
    few = {name: column[:LOOPED] for name, column in ask.items()}
    plan(**few)  # the first call pays for imports and caches
    seconds = _timed(lambda: plan(**ask))
    looped = len(few["jump_height"])
    rows = [dict(zip(few, row, strict=True)) for row in zip(*few.values(), strict=True)]
    single = _timed(lambda: [plan(**row) for row in rows])
    per_second, one_by_one = jumps / seconds, looped / single
    return {
        "array_plans_per_second": per_second,
        "single_plans_per_second": one_by_one,
        "ratio": per_second / one_by_one,
        "seconds": seconds,
    }


def _asks(jumps: int) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(1)
    height = rng.uniform(0.2, 2.0, jumps)
    level = np.where(rng.random(jumps) < 0.5, 0.0, height * rng.uniform(-1.0, 0.9, jumps))
    return {
        "jump_height": height,
        "push_height": height / rng.uniform(1.0, 5.0, jumps),
        "landing_level": level,
    }


def _timed(work: Callable[[], object]) -> float:
    start = time.perf_counter()
    work()
    return time.perf_counter() - start
