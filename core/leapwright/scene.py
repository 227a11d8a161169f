# SPDX-License-Identifier: GPL-3.0-or-later
"""What a check looks at beside the jump, and how it words a finding."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from leapwright.contacts import Feet
from leapwright.findings import FIXES, Finding, Severity
from leapwright.found import FoundJump
from leapwright.style import Style
from leapwright.thresholds import Threshold
from leapwright.track import Track

__all__ = ["Scene", "count", "length", "made"]


@dataclass(frozen=True, slots=True)
class Scene:
    """All that a check looks at beside the jump.

    Attributes
    ----------
    track : Track
    gravity : float
        m/s².
    style : Style
    step : int
        Frames from one frame of the grid to the next: 2 on twos.
    table : mapping of name to Threshold
    feet : Feet or None
    """

    track: Track
    gravity: float
    style: Style
    step: int
    table: Mapping[str, Threshold]
    feet: Feet | None

    def limit(self, name: str) -> float:
        """Value of a threshold."""
        return self.table[name].value


def made(
    jump: FoundJump,
    kind: str,
    phase: str,
    frames: tuple[float, float],
    measured: float,
    expected: float,
    unit: str,
    text: str,
    *,
    severity: Severity = "warning",
    intended: str | None = None,
) -> Finding:
    """Make a finding with the fix of its kind; what is intended is a note without one."""
    if intended is not None:
        severity = "note"
    fix = None if intended is not None else FIXES.get(kind)
    return Finding(
        kind, jump.number, severity, phase, frames, measured, expected, unit, text, fix, intended
    )


def count(frames: float) -> str:
    """Frames in words."""
    return "1 frame" if abs(frames - 1) < 0.005 else f"{frames:.3g} frames"


def length(metres: float) -> str:
    """Write a length in words."""
    return f"{100 * metres:.2g} cm" if metres < 1 else f"{metres:.3g} m"
