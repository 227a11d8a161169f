# SPDX-License-Identifier: GPL-3.0-or-later
"""What a check says about a jump, as plain data."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any, Literal

from leapwright.errors import InputError

__all__ = [
    "FINDINGS",
    "FIXES",
    "FIX_WORDS",
    "Finding",
    "Severity",
    "finding_answer",
    "kinds_of",
    "mark_intended",
    "worst",
]

Severity = Literal["note", "warning", "error"]

_RANK = {"note": 0, "warning": 1, "error": 2}

FINDINGS: Mapping[str, str] = MappingProxyType(
    {
        "push_long": "push too long for the jump",
        "push_short": "push too short for the jump",
        "slows_before_takeoff": "the body slows before the feet leave",
        "gains_after_takeoff": "still gains speed after the feet leave",
        "eases_into_landing": "eases into the landing",
        "falls_faster": "falls faster than it rises",
        "falls_slower": "falls slower than it rises",
        "hangs": "hangs at the top",
        "off_arc": "off its arc in the air",
        "speed_step": "speed step at take-off",
        "travel_uneven": "travel speed uneven in the air",
        "gravity": "gravity far from the scene's",
        "absorb_stiff": "absorbed too stiffly",
        "absorb_soft": "absorbed too softly",
        "foot_slides": "a planted foot slides",
        "foot_below_floor": "a foot goes below the floor",
        "leg_too_long": "leg asked to be longer than it is",
        "takeoff_bent": "take-off before the leg is straight",
        "no_key_on_contact": "no key on the contact",
        "key_between_frames": "keys between frames",
        "in_place": "in-place jump",
    }
)
"""Every kind of finding and its name."""

FIXES: Mapping[str, str] = MappingProxyType(
    {
        "push_long": "retime_push",
        "push_short": "retime_push",
        "slows_before_takeoff": "move_contact",
        "gains_after_takeoff": "lay_arc",
        "eases_into_landing": "lay_arc",
        "falls_faster": "lay_arc",
        "falls_slower": "lay_arc",
        "hangs": "lay_arc",
        "off_arc": "lay_arc",
        "speed_step": "retime_push",
        "travel_uneven": "even_travel",
        "foot_slides": "plant_feet",
        "foot_below_floor": "plant_feet",
        "no_key_on_contact": "add_contact_keys",
        "key_between_frames": "move_keys",
    }
)
"""The fix that a finding allows; the others are for the animator."""

FIX_WORDS: Mapping[str, str] = MappingProxyType(
    {
        "retime_push": "retime the push to fit",
        "move_contact": "move the take-off key to where the feet leave",
        "lay_arc": "lay the air on its arc",
        "even_travel": "even the travel in the air",
        "plant_feet": "plant the feet again",
        "add_contact_keys": "add keys where the feet leave and land",
        "move_keys": "move keys to whole frames",
    }
)
"""What each fix does."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that is off, or worth knowing.

    Attributes
    ----------
    id : str
        A key of `FINDINGS`.
    jump : int
        Number of the jump, from 1.
    severity : {"note", "warning", "error"}
    phase : str
        anticipation, push, rise, fall, air, absorb, recover, or a moment.
    frames : (float, float)
        First and last frame it shows on.
    measured, expected : float
    unit : str
    text : str
        One sentence.
    fix : str or None
    intended : str or None
        Why it is meant so; then it is a note.
    """

    id: str
    jump: int
    severity: Severity
    phase: str
    frames: tuple[float, float]
    measured: float
    expected: float
    unit: str
    text: str
    fix: str | None = None
    intended: str | None = None

    @property
    def name(self) -> str:
        """What it is called."""
        return FINDINGS[self.id]


def finding_answer(finding: Finding) -> dict[str, Any]:
    """A finding as a dictionary, ready for JSON."""
    return {
        "id": finding.id,
        "severity": finding.severity,
        "phase": finding.phase,
        "frames": list(finding.frames),
        "measured": finding.measured,
        "expected": finding.expected,
        "unit": finding.unit,
        "text": finding.text,
        "fix": finding.fix,
        "intended": finding.intended,
    }


def mark_intended(findings: Iterable[Finding], intended: Mapping[str, str]) -> tuple[Finding, ...]:
    """Make notes of what is meant so.

    Parameters
    ----------
    findings : iterable of Finding
    intended : mapping of id to reason
        ``falls_faster`` is meant for all jumps, ``falls_faster@2`` for the second.

    Raises
    ------
    InputError
        An id is unknown.
    """
    for key in intended:
        kind, _, number = key.partition("@")
        if kind not in FINDINGS or (number and not number.isdecimal()):
            raise InputError(
                f"intended must name a finding, as falls_faster or falls_faster@2, got {key!r}; "
                f"findings are {', '.join(FINDINGS)}",
                "intended",
            )
    marked = []
    for finding in findings:
        reason = intended.get(f"{finding.id}@{finding.jump}", intended.get(finding.id))
        if reason is not None:
            finding = replace(finding, severity="note", intended=reason, fix=None)
        marked.append(finding)
    return tuple(marked)


def kinds_of(only: Iterable[str]) -> frozenset[str]:
    """Names of findings and of fixes, as a set.

    Parameters
    ----------
    only : iterable of str
        Keys of `FINDINGS` or values of `FIXES`.

    Raises
    ------
    InputError
        A name is neither.
    """
    names = list(only)
    fixes = tuple(dict.fromkeys(FIXES.values()))
    for name in names:
        if name not in FINDINGS and name not in fixes:
            raise InputError(
                f"only must name findings ({', '.join(FINDINGS)}) or fixes "
                f"({', '.join(fixes)}), got {name!r}",
                "only",
            )
    return frozenset(names)


def worst(findings: Iterable[Finding]) -> Severity | None:
    """The highest severity; None where there is nothing."""
    return max((f.severity for f in findings), key=_RANK.__getitem__, default=None)
