# SPDX-License-Identifier: GPL-3.0-or-later
"""A few seeds of the hard use in Blender, and every seed that ever failed."""

from __future__ import annotations

import pytest

pytestmark = pytest.mark.needs_bpy

FAILED: dict[str, tuple[int, ...]] = {"sequences": (), "other_sequences": (), "odd_rigs": ()}
"""Seeds that found a fault once."""
ALWAYS = {"sequences": (0,), "other_sequences": (0, 3, 4, 9), "odd_rigs": (0, 1, 2, 3)}


@pytest.mark.parametrize(
    ("name", "seed"),
    [(name, seed) for name in ALWAYS for seed in dict.fromkeys((*ALWAYS[name], *FAILED[name]))],
)
def test_nothing_is_lost_and_nothing_crashes(name: str, seed: int) -> None:
    from .shots import SHOTS

    assert SHOTS[name](seed)
