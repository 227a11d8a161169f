# SPDX-License-Identifier: GPL-3.0-or-later
"""What drawing costs in a real window: BLENDER=path names the program."""

from __future__ import annotations

from typing import Any

import pytest

from window.driven import drive

FRAME_MS = 1000 / 60
PANELS = tuple(
    f"LEAPWRIGHT_PT_{name}"
    for name in ("rig", "poses", "jump", "retime", "resize", "check", "display")
)


@pytest.fixture(scope="module")
def costs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What drawing costs, in a window of its own."""
    return drive(tmp_path_factory.mktemp("costs"), "costs")


def test_drawing_costs_little(costs: dict[str, Any]) -> None:
    """Printed as a share of a frame; asserted loosely, for machines that draw without a GPU."""
    for situation in ("still", "frames", "turned"):
        for name, cost in costs[situation].items():
            least, median = cost["least"], cost["median"]
            shares = " to ".join(f"{100 * ms / FRAME_MS:.1f}" for ms in (least, median))
            print(f"{situation} {name}: {least:.2f}, median {median:.2f} ms, {shares} % of a frame")
    for situation in ("still", "frames"):
        assert set(costs[situation]) == {"overlay", *PANELS}
        assert all(cost["least"] < FRAME_MS / 8 for cost in costs[situation].values())


def test_nothing_is_worked_out_anew_while_nothing_changes(costs: dict[str, Any]) -> None:
    assert (costs["laid_still"], costs["laid_frames"], costs["solved"]) == (0, 0, 0)
    # A look from elsewhere lays it out again.
    assert costs["laid_turned"] > 0
    assert costs["overlay_first_ms"] > costs["still"]["overlay"]["median"]
    assert not costs["measured_again"]
