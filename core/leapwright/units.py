# SPDX-License-Identifier: GPL-3.0-or-later
"""Gravity, frame rates and length units as plain numbers. Text with units is read by the
command line; the solver itself knows metres, seconds and frames only."""

from __future__ import annotations

import math
from collections.abc import Mapping
from fractions import Fraction
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.errors import InputError

__all__ = [
    "BODIES_M_S2",
    "LARGEST",
    "METRES_PER_UNIT",
    "SMALLEST",
    "STANDARD_GRAVITY",
    "finite",
    "frame_rate_of",
    "gravity_of",
    "not_negative",
    "positive",
    "single",
]

STANDARD_GRAVITY = 9.80665
"""Standard acceleration of gravity in m/s², exact: 3rd General Conference on Weights and
Measures, 1901."""

LARGEST = 1e12
"""A larger number is a slip: what is worked out from it would overflow."""
SMALLEST = 1e-12
"""Where a number is to be above 0, a smaller one is a slip: it is lost beside the others."""

SLOWEST, FASTEST = Fraction(1, 1000), 100_000
"""Frame rates, likewise."""

BODIES_M_S2: Mapping[str, float] = MappingProxyType(
    {
        "mercury": 3.7,
        "venus": 8.9,
        "earth": 9.8,
        "mars": 3.7,
        "jupiter": 23.1,
        "saturn": 9.0,
        "uranus": 8.7,
        "neptune": 11.0,
        "pluto": 0.7,
        # The other figures were read in the fact sheet; this one is from memory.
        "moon": 1.6,
    }
)
"""Surface gravity in m/s² by body. Source: NASA Planetary Fact Sheet (metric)."""

METRES_PER_UNIT: Mapping[str, float] = MappingProxyType(
    {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254, "yd": 0.9144}
)
"""Metres in one unit. Foot, inch and yard: international yard and pound agreement, 1959."""


def gravity_of(gravity: float | str | ArrayLike) -> NDArray[np.float64]:
    """Read a gravity: a number (or array) in m/s², or the name of a body.

    Parameters
    ----------
    gravity : float, array or str
        m/s², above 0; or a key of `BODIES_M_S2`, in any case.

    Returns
    -------
    ndarray
        m/s², the shape of the input.

    Raises
    ------
    InputError
        Not above 0, not finite, or an unknown body.

    Examples
    --------
    >>> float(gravity_of("Mars"))
    3.7
    """
    if isinstance(gravity, str):
        try:
            return np.asarray(BODIES_M_S2[gravity.strip().lower()])
        except KeyError:
            known = ", ".join(BODIES_M_S2)
            raise InputError(
                f"gravity must be a number in m/s² or one of {known}, got {gravity!r}", "gravity"
            ) from None
    return positive(gravity, "gravity", "m/s²")


def frame_rate_of(frame_rate: float | str | Fraction) -> Fraction:
    """Read a frame rate: a number, or text like ``24``, ``23.976`` or ``30000/1001``.

    Parameters
    ----------
    frame_rate : int, float, str or Fraction
        Frames a second, above 0.

    Returns
    -------
    Fraction

    Raises
    ------
    InputError
        Not a number above 0.

    Examples
    --------
    >>> frame_rate_of("30000/1001")
    Fraction(30000, 1001)
    """
    allowed = "a number above 0 like 24, 23.976 or 30000/1001"
    if isinstance(frame_rate, np.generic):
        frame_rate = frame_rate.item()
    try:
        # As an exact fraction 1e999999999 would fill the memory.
        for part in str(frame_rate).split("/"):
            if not SMALLEST <= abs(float(part)) <= LARGEST:
                raise ValueError
        if isinstance(frame_rate, float):
            if not math.isfinite(frame_rate):
                raise ValueError
            rate = Fraction(repr(frame_rate))
        else:
            rate = Fraction(frame_rate)
    except (ValueError, ArithmeticError, TypeError):
        raise InputError(
            f"frame_rate must be {allowed}, got {frame_rate!r}", "frame_rate"
        ) from None
    if rate <= 0:
        raise InputError(f"frame_rate must be {allowed}, got {frame_rate!r}", "frame_rate")
    if not SLOWEST <= rate <= FASTEST:
        raise InputError(
            f"frame_rate must be {allowed}, from {float(SLOWEST):g} to {FASTEST:,}, "
            f"got {frame_rate!r}",
            "frame_rate",
        )
    return rate


def finite(value: ArrayLike, argument: str, unit: str) -> NDArray[np.float64]:
    """Read a number or array of finite numbers of a size that can be worked with.

    Parameters
    ----------
    value : array_like
        Numbers.
    argument, unit : str
        Name of the argument and its unit, for the message; "" is no unit.

    Raises
    ------
    InputError
        A number is not allowed.
    """
    try:
        if isinstance(value, str | bytes) or np.iscomplexobj(value):
            raise TypeError
        array = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        raise InputError(
            f"{argument} must be a number{_in(unit)}, got {value!r}", argument
        ) from None
    if not np.all(np.isfinite(array)):
        raise InputError(
            f"{argument} must be finite{_in(unit)}, got {_first(array, ~np.isfinite(array))}",
            argument,
        )
    large = np.abs(array) > LARGEST
    if np.any(large):
        raise InputError(
            f"{argument} must be {LARGEST:g}{_plain(unit)} at most, got {_first(array, large)}",
            argument,
        )
    return array


def positive(value: ArrayLike, argument: str, unit: str) -> NDArray[np.float64]:
    """Read a number or array of numbers above 0.

    Parameters
    ----------
    value : array_like
        Numbers.
    argument, unit : str
        Name of the argument and its unit, for the message; "" is no unit.

    Raises
    ------
    InputError
        A number is not allowed.
    """
    array = finite(value, argument, unit)
    if not np.all(array > 0):
        raise InputError(
            f"{argument} must be above 0{_plain(unit)}, got {_first(array, array <= 0)}", argument
        )
    small = array < SMALLEST
    if np.any(small):
        raise InputError(
            f"{argument} must be {SMALLEST:g}{_plain(unit)} at least, got {_first(array, small)}",
            argument,
        )
    return array


def not_negative(value: ArrayLike, argument: str, unit: str) -> NDArray[np.float64]:
    """Read a number or array of numbers that are 0 or more.

    Parameters
    ----------
    value : array_like
        Numbers.
    argument, unit : str
        Name of the argument and its unit, for the message; "" is no unit.

    Raises
    ------
    InputError
        A number is not allowed.
    """
    array = finite(value, argument, unit)
    if not np.all(array >= 0):
        raise InputError(
            f"{argument} must be 0 or more{_plain(unit)}, got {_first(array, array < 0)}", argument
        )
    return array


def single(value: ArrayLike, argument: str) -> float:
    """Take the one number of what may also be an array.

    Parameters
    ----------
    value : array_like
        As `finite`, `positive` and `not_negative` give it.
    argument : str
        Name of the argument, for the message.

    Raises
    ------
    InputError
        There are several, or none.
    """
    array = np.asarray(value, dtype=np.float64)
    if array.ndim:
        raise InputError(f"{argument} must be one number, got {array.tolist()}", argument)
    return float(array)


def _in(unit: str) -> str:
    return f" in {unit}" if unit else ""


def _plain(unit: str) -> str:
    return f" {unit}" if unit else ""


def _first(array: NDArray[np.float64], bad: NDArray[np.bool_]) -> str:
    """Quote the first bad value, and where it stands when there are several."""
    if array.ndim == 0:
        return f"{float(array):g}"
    where = int(np.flatnonzero(bad)[0])
    return f"{float(array.flat[where]):g} (element {where})"
