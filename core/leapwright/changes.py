# SPDX-License-Identifier: GPL-3.0-or-later
"""What whole frames changed: asked and got side by side, in numbers and in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from leapwright.ask import Ask, Exact
from leapwright.settle import SHORTEST_PUSH, Settled

if TYPE_CHECKING:
    from leapwright.jump import Frames

__all__ = ["Alternative", "Change", "list_changes", "say", "warn"]


@dataclass(frozen=True, slots=True)
class Change:
    """One measure that had to give.

    Attributes
    ----------
    what : str
        The measure; ends in its unit (``push_height_m``).
    asked, got : float
        In that unit.
    percent : float
        What changed, of the asked value.
    """

    what: str
    asked: float
    got: float
    percent: float


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another whole-frame answer, and what it changes.

    Attributes
    ----------
    frames : Frames
    changes : tuple of Change
    words : str
        The changes in one line.
    """

    frames: Frames
    changes: tuple[Change, ...]
    words: str


_COUNTS = ("push", "rise", "air", "absorb")
_WORDS = {
    "jump_height_m": "jump {got:.3f} m (asked {asked:.3f})",
    "push_height_m": "push height {got:.3f} m (asked {asked:.3f})",
    "magnification": "magnification {got:.2f} (asked {asked:.2f})",
    "gravity_m_s2": "gravity {got:.2f} m/s² (asked {asked:.2f})",
    "travel_m": "travel {got:.3f} m (asked {asked:.3f})",
    "foot_travel_m": "foot travel {got:.3f} m (asked {asked:.3f})",
    "crouch_hold_frames": "crouch held {got:g} frames (asked {asked:g})",
}


def list_changes(
    ask: Ask, exact: Exact, sub: Settled, whole: Settled, i: int
) -> tuple[Change, ...]:
    """Measures of answer `i` that differ from what was asked (frames: from the exact counts)."""
    pairs = [
        ("jump_height_m", exact.jump_height[0], whole.jump_height[0, i]),
        ("push_height_m", exact.push_height[0], whole.push_height[0, i]),
        ("magnification", exact.magnification[0], whole.magnification[0, i]),
        ("gravity_m_s2", exact.gravity[0], whole.gravity[0, i]),
    ]
    pairs += [
        (f"{name}_frames", getattr(sub, name)[0, 0], getattr(whole, name)[0, i]) for name in _COUNTS
    ]
    pairs.append(("crouch_hold_frames", ask.crouch_hold_frames[0], whole.crouch_hold[0, i]))
    for name in ("travel", "foot_travel"):
        asked = getattr(ask, name)
        if asked is not None:
            pairs.append((f"{name}_m", asked[0], getattr(whole, name)[0, i]))
    return tuple(
        Change(what, float(asked), float(got), _percent(float(asked), float(got)))
        for what, asked, got in pairs
        if abs(got - asked) > 1e-9 * max(1.0, abs(asked))
    )


def _percent(asked: float, got: float) -> float:
    return 100 * (got - asked) / abs(asked) if asked else 0.0


def say(changes: tuple[Change, ...], *, odd: bool) -> str:
    """One line: "push 3 frames (asked 2.67), jump 1.226 m (asked 1.219)"."""
    parts = ["top between frames"] if odd else []
    for change in changes:
        if change.what in _WORDS:
            parts.append(_WORDS[change.what].format(asked=change.asked, got=change.got))
        else:
            name = change.what.removesuffix("_frames")
            unit = "frame" if change.got == 1 else "frames"
            parts.append(f"{name} {change.got:g} {unit} (asked {change.asked:.2f})")
    return ", ".join(parts) or "exactly as asked"


def warn(ask: Ask, s: Settled) -> tuple[str, ...]:
    """What an animator should know; nothing physical is refused."""
    warnings = []
    if s.push_factor[0] < SHORTEST_PUSH - 1e-9:
        warnings.append(
            f"push too short: {s.push[0]:g} frames for {s.push_height[0]:.3f} m; a push of "
            f"constant force takes {s.push[0] / s.push_factor[0]:.2f}"
        )
    if s.crouch_hold[0] > ask.crouch_hold_frames[0] + 1e-9:
        spare = s.crouch_hold[0] - ask.crouch_hold_frames[0]
        warnings.append(
            f"the push needs {s.push[0]:g} frames: the {spare:g} before it are crouch hold"
        )
    if ask.running is not None and ask.travel is not None:
        needed = ask.travel[0] * ask.fps / s.air[0]
        if abs(needed - ask.running[0]) > 1e-6 * max(1.0, abs(needed)):
            warnings.append(
                f"travel {ask.travel[0]:g} m needs {needed:.1f} m/s, "
                f"the run has {ask.running[0]:.1f}"
            )
    if ask.running is not None and ask.foot_travel is not None:
        got = s.foot_travel[0]
        if abs(got - ask.foot_travel[0]) > 1e-6:
            warnings.append(
                f"foot travel {ask.foot_travel[0]:g} m is not what the run gives: {got:.2f} m"
            )
    return tuple(warnings)
