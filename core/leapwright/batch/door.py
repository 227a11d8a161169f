# SPDX-License-Identifier: GPL-3.0-or-later
"""Values that no shot can take, found before any is opened: the solver is asked about each."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any

import leapwright
from leapwright.errors import InputError, LeapwrightError
from leapwright.findings import kinds_of, mark_intended
from leapwright.thresholds import thresholds

__all__ = ["impossible"]

# Any jump will do: only what is wrong whatever the jump is told.
_MOMENTS = {"start": 1, "crouch": 11, "takeoff": 15, "apex": 25, "land": 35, "low": 39, "end": 50}
_HEIGHTS = leapwright.Heights(0.85, 0.35, 0.0)


def _plan(**one: Any) -> None:
    leapwright.plan(**({"jump_height": 0.85, "push_height": 0.35} | one))


def _retime(**one: Any) -> None:
    leapwright.retime(_MOMENTS, heights=_HEIGHTS, **one)


def _resize(**one: Any) -> None:
    leapwright.resize(_MOMENTS, _HEIGHTS, **one)


_DOORS: Mapping[str, Callable[..., None]] = MappingProxyType(
    {"block": _plan, "retime": _retime, "resize": _resize}
)


def impossible(verb: str, ask: Mapping[str, Any]) -> list[InputError]:
    """What the solver says of each value, where it is wrong for any jump.

    Parameters
    ----------
    verb : str
    ask : mapping
        The verb's keyword arguments.
    """
    found = _endless(ask)
    if verb in ("check", "fix"):
        return [*found, *_misnamed(ask)]
    door = _DOORS.get(verb)
    if door is None:
        return found
    ask = {name: value for name, value in ask.items() if name not in {e.argument for e in found}}
    more = {"subframes": True} if ask.get("subframes") else {}
    for name, value in ask.items():
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not number and name != "phases":
            continue
        try:
            door(**more, **{name: value})
        except InputError as error:
            # A clash or a jump out of reach is about this jump, not about the value.
            if type(error) is InputError and error.argument == name:
                found.append(error)
        except (LeapwrightError, TypeError):
            # An argument of the rig's verb that the solver does not have.
            continue
    return found


def _endless(ask: Mapping[str, Any]) -> list[InputError]:
    """Numbers without an end, in what no solver sees too: a shot cannot be told of them."""
    return [
        InputError(f"{name} must be finite, got {number}", name)
        for name, value in ask.items()
        for number in (value.values() if isinstance(value, Mapping) else (value,))
        if isinstance(number, float) and not math.isfinite(number)
    ]


_NAMING: Mapping[str, Callable[[Any], object]] = MappingProxyType(
    {"intended": lambda said: mark_intended((), said), "limits": thresholds, "only": kinds_of}
)


def _misnamed(ask: Mapping[str, Any]) -> list[InputError]:
    """Findings and thresholds that are not."""
    found = []
    for name, look in _NAMING.items():
        try:
            look(ask.get(name) or {})
        except InputError as error:
            found.append(InputError(str(error), name))
    return found
