# SPDX-License-Identifier: GPL-3.0-or-later
"""What is typed, as numbers: lengths and speeds with units, gravity, frames, moments.

Every reader raises `InputError` with the argument named and the typed text quoted.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Iterable
from tokenize import TokenError
from typing import Any

import pint

from leapwright.errors import InputError
from leapwright.pins import MOMENTS
from leapwright.units import METRES_PER_UNIT

__all__ = [
    "count",
    "frame_list",
    "gravity",
    "length",
    "moment_frames",
    "number",
    "speed",
]

LENGTH_LIKE = "a length like 1.2m, 30cm, 4ft or 1ft6in (a bare number is in metres)"
SPEED_LIKE = "a speed like 4m/s, 15km/h or 13ft/s (a bare number is in m/s)"

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?"
_UNIT = r"(?:['\"]|[a-z]+(?:/[a-z]+)?(?:\^\d|\*\*\d|²)?)"
_PART = re.compile(rf"\s*({_NUMBER})\s*({_UNIT})?\s*", re.IGNORECASE)
_ALIASES = {"'": "ft", '"': "in"}
MOST_ROWS = 1000
"""Rows of a chart beyond which the list is a slip of the finger."""


@functools.cache
def _registry() -> pint.UnitRegistry[Any]:
    """Lengths and times only: quick to build, and a gram is an unknown unit."""
    registry: pint.UnitRegistry[Any] = pint.UnitRegistry(None)
    registry.define("metre = [length] = m = meter")
    registry.define("second = [time] = s = sec")
    registry.define("hour = 3600 * second = h")
    registry.define("kilometre = 1000 * metre = km = kilometer")
    names = {
        "cm": "centimetre = {} = cm = centimeter",
        "mm": "millimetre = {} = mm = millimeter",
        "ft": "foot = {} = ft = feet",
        "in": "inch = {} = in = inches",
        "yd": "yard = {} = yd = yards",
    }
    for unit, definition in names.items():
        registry.define(definition.format(f"{METRES_PER_UNIT[unit]!r} * metre"))
    registry.define("mile = 1609.344 * metre = mi")
    registry.define("mph = mile / hour")
    registry.define("kph = kilometre / hour = kmh")
    return registry


def _quantity(text: str, unit: str, argument: str, like: str) -> float:
    """Add up the parts of a text like ``1ft6in`` in `unit`; a bare number is in `unit`."""
    refused = InputError(f"{argument} must be {like}, got {text!r}", argument)
    total, at, sign = 0.0, 0, 1.0
    parts: list[tuple[float, str | None]] = []
    while at < len(text):
        part = _PART.match(text, at)
        if part is None:
            raise refused
        parts.append((float(part[1]), part[2]))
        at = part.end()
    # Several parts say feet and inches: each has its unit, and one sign stands for all.
    if not parts or (len(parts) > 1 and any(u is None for _, u in parts)):
        raise refused
    if len(parts) > 1 and text.lstrip().startswith("-"):
        sign, parts[0] = -1.0, (-parts[0][0], parts[0][1])
    for value, typed in parts:
        if value < 0 and len(parts) > 1:
            raise refused
        total += value if typed is None else value * _factor(typed, unit, refused)
    return sign * total


def _factor(typed: str, unit: str, refused: InputError) -> float:
    written = _ALIASES.get(typed, typed).replace("²", "^2")
    try:
        return float(_registry().Quantity(1.0, written).to(unit).magnitude)
    except (
        pint.PintError, ArithmeticError, AttributeError, TypeError, ValueError, TokenError,
    ):  # fmt: skip
        raise refused from None


def length(text: str, argument: str) -> float:
    """Read a length in m.

    Examples
    --------
    >>> length("1ft6in", "push_height"), length("30cm", "push_height"), length("2", "travel")
    (0.4572, 0.3, 2.0)
    """
    return _quantity(text, "metre", argument, LENGTH_LIKE)


def speed(text: str, argument: str) -> float:
    """Read a speed in m/s.

    Examples
    --------
    >>> speed("4m/s", "running"), speed("18km/h", "running")
    (4.0, 5.0)
    """
    return _quantity(text, "metre / second", argument, SPEED_LIKE)


def gravity(text: str, argument: str = "gravity") -> float | str:
    """Read a gravity: m/s², or a name for the solver (or the scene) to look up.

    Examples
    --------
    >>> gravity("1.62"), gravity("moon")
    (1.62, 'moon')
    """
    if re.fullmatch(r"\s*[a-z]+\s*", text, re.IGNORECASE):
        return text.strip().lower()
    return _quantity(
        text, "metre / second ** 2", argument, "a number in m/s² or a body's name like moon"
    )


def number(text: str, argument: str) -> float:
    """Read a plain number."""
    try:
        return float(text)
    except ValueError:
        raise InputError(f"{argument} must be a number, got {text!r}", argument) from None


def count(text: str, argument: str) -> int | float:
    """Read a frame or a number of frames; fractions are for the solver to judge.

    Examples
    --------
    >>> count("12", "rise_frames"), count("11.5", "rise_frames")
    (12, 11.5)
    """
    try:
        frames = float(text)
    except ValueError:
        raise InputError(f"{argument} must be a number of frames, got {text!r}", argument) from None
    return int(frames) if frames.is_integer() else frames


def moment_frames(texts: Iterable[str], argument: str) -> dict[str, int | float]:
    """Read texts like ``takeoff=101``; ``take-off`` is the same moment.

    Examples
    --------
    >>> moment_frames(["take-off=101", "land=117"], "pins")
    {'takeoff': 101, 'land': 117}
    """
    frames: dict[str, int | float] = {}
    for text in texts:
        name, equals, frame = text.partition("=")
        moment = name.strip().lower().replace("take-off", "takeoff")
        if not equals or not frame.strip():
            raise InputError(f"{argument} must be MOMENT=FRAME, got {text!r}", argument)
        if moment not in MOMENTS:
            raise InputError(
                f"{argument} must name one of {', '.join(MOMENTS)}, got {text!r}", argument
            )
        if moment in frames:
            raise InputError(f"{argument} {moment} is given twice, got {text!r}", argument)
        try:
            frames[moment] = count(frame, argument)
        except InputError:
            raise InputError(f"{argument} must be MOMENT=FRAME, got {text!r}", argument) from None
    return frames


def frame_list(text: str, argument: str) -> list[int | float]:
    """Read frames and ranges of frames: ``8``, ``4,8,12``, ``1-24``.

    Examples
    --------
    >>> frame_list("1-3,8", "rise_frames")
    [1, 2, 3, 8]
    """
    frames: list[int | float] = []
    for part in text.split(","):
        span = re.fullmatch(r"\s*(\d{1,9})\s*-\s*(\d{1,9})\s*", part)
        if span is None:
            frames.append(count(part, argument))
            continue
        first, last = int(span[1]), int(span[2])
        if last < first or last - first >= MOST_ROWS:
            raise InputError(
                f"{argument} must be frames or ranges like 1-24 of at most {MOST_ROWS}, "
                f"got {part.strip()!r}",
                argument,
            )
        frames.extend(range(first, last + 1))
    return frames
