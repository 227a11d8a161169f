# SPDX-License-Identifier: GPL-3.0-or-later
"""How fast plan is on arrays, and how much faster than a loop over single plans."""

from __future__ import annotations

from typing import Any

import numpy as np
from figures import Figure, seconds

from leapwright import plan

__all__ = ["bench_plan", "jumps_asked"]

LOOPED = 300
"""Single plans that are timed for the ratio."""


def bench_plan(jumps: int = 1_000_000) -> list[Figure]:
    """Time one call for `jumps` jumps and a loop over a few of them."""
    ask = jumps_asked(jumps)
    few = {name: column[:LOOPED] for name, column in ask.items()}
    rows = [dict(zip(few, row, strict=True)) for row in zip(*few.values(), strict=True)]
    plan(**few)  # the first call pays for imports and caches
    per_second = jumps / seconds(lambda: plan(**ask))
    one_by_one = LOOPED / seconds(lambda: [plan(**row) for row in rows])
    return [
        Figure("plan, one call", per_second, "plans/s", f"{jumps:,} jumps on arrays"),
        Figure("plan, one call", per_second / one_by_one, "×", f"one by one: {one_by_one:.0f}/s"),
    ]


def jumps_asked(jumps: int) -> dict[str, Any]:
    """Arguments of `plan` for so many random jumps, half of them onto another level."""
    rng = np.random.default_rng(1)
    height = rng.uniform(0.2, 2.0, jumps)
    level = np.where(rng.random(jumps) < 0.5, 0.0, height * rng.uniform(-1.0, 0.9, jumps))
    return {
        "jump_height": height,
        "push_height": height / rng.uniform(1.0, 5.0, jumps),
        "landing_level": level,
    }
