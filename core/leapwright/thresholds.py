# SPDX-License-Identifier: GPL-3.0-or-later
"""From where on something is a finding: one table, each line with its reason."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from leapwright.errors import InputError
from leapwright.units import positive, single

__all__ = ["THRESHOLDS", "Threshold", "thresholds"]


@dataclass(frozen=True, slots=True)
class Threshold:
    """One line of the table.

    Attributes
    ----------
    value : float
    unit : str
    why : str
    """

    value: float
    unit: str
    why: str


_BODY = "for a body whose COG stands 1 m up"

THRESHOLDS: Mapping[str, Threshold] = MappingProxyType(
    {
        "push_long": Threshold(
            0.8,
            "of the timing that fits",
            "recorded people's clips span 0.7 to 1.5; less at both ends of the uncertainty drags",
        ),
        "push_short": Threshold(
            1.4,
            "of the timing that fits",
            "recorded people's clips span 0.7 to 1.5; more at both ends of the uncertainty pops",
        ),
        "gains_after_takeoff": Threshold(
            0.25,
            "of the fastest rise",
            "recorded feet roll off up to 0.19 before the body is fastest",
        ),
        "slows_before_takeoff": Threshold(
            0.25,
            "of the fastest rise",
            "recorded toes stay on the floor until up to 0.15 is lost",
        ),
        "eases_into_landing": Threshold(
            0.25,
            "of the fastest fall",
            "a body that falls is fastest when its feet touch; recorded people lose up to 0.03",
        ),
        "falls_faster": Threshold(
            1.35,
            "fall gravity over rise gravity",
            "recorded people's fits span 0.84 to 1.23",
        ),
        "falls_slower": Threshold(
            1.35,
            "rise gravity over fall gravity",
            "recorded people's fits span 0.84 to 1.23",
        ),
        "hangs": Threshold(
            0.08,
            "of the air's time",
            "recorded people's fits hang for up to 0.05; less than a frame is rounding",
        ),
        "off_arc": Threshold(
            0.05,
            "of the jump height",
            "recorded people stay within 0.03 of their parabola; eased keys are 0.15 off",
        ),
        "off_arc_least": Threshold(0.01, f"m, {_BODY}", "less is not seen"),
        "speed_step": Threshold(
            0.2,
            "of the speed of the air",
            "half a frame of rounding on a push of three frames is a sixth",
        ),
        "travel_uneven": Threshold(
            0.05, "of the travel", "recorded people sway by 0.02 of theirs where they travel"
        ),
        "travel_uneven_least": Threshold(0.015, f"m, {_BODY}", "less is not seen"),
        "gravity": Threshold(
            0.15, "of the scene's gravity", "recorded people's fits are within 0.1"
        ),
        "absorb_stiff": Threshold(
            0.4,
            "of the absorb that fits",
            "2.5 times the force of the push: recorded landings sink 0.8 to 2.6 times as deep",
        ),
        "absorb_soft": Threshold(
            3.0, "times the absorb that fits", "recorded landings sink 0.8 to 2.6 times as deep"
        ),
        "foot_slides": Threshold(0.03, f"m, {_BODY}", "recorded soles roll by up to 0.02"),
        "foot_below_floor": Threshold(
            0.02, f"m, {_BODY}", "soles are soft and recorded ones sink by up to 0.01"
        ),
        "leg_too_long": Threshold(
            0.01, "of the leg's length", "an IK leg past this pops straight and lets its foot go"
        ),
        "takeoff_bent": Threshold(
            0.08,
            "of the leg's length",
            "recorded legs straighten by up to 0.05 more once the toes are off",
        ),
        "no_key_on_contact": Threshold(
            1.0, "frames", "the contact is between two whole frames: a key on either will do"
        ),
        "key_between_frames": Threshold(0.01, "frames", "less is rounding of a stored frame"),
    }
)
"""What each finding's measure must pass. Change with `thresholds`."""


def thresholds(changes: Mapping[str, float] | None = None) -> Mapping[str, Threshold]:
    """The table with some values changed.

    Parameters
    ----------
    changes : mapping of name to number above 0

    Raises
    ------
    InputError
        A name is unknown or a number not above 0.

    Examples
    --------
    >>> thresholds({"hangs": 2})["hangs"].value
    2.0
    """
    table = dict(THRESHOLDS)
    for name, value in (changes or {}).items():
        if name not in table:
            raise InputError(
                f"thresholds must be of {', '.join(table)}, got {name!r}", "thresholds"
            )
        old = table[name]
        table[name] = Threshold(single(positive(value, name, ""), name), old.unit, old.why)
    return MappingProxyType(table)
