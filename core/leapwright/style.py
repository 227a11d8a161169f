# SPDX-License-Identifier: GPL-3.0-or-later
"""Style: a fall, a push or a hang that is meant to differ from the true one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from leapwright.errors import InputError
from leapwright.path import Path
from leapwright.units import finite, not_negative, positive, single

__all__ = ["Style", "StyledAir", "fall_ratio", "push_ratio", "styled_air"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Style:
    """How an animator wants a jump to differ from the true one.

    Attributes
    ----------
    fall : float
        Gravity of the fall over that of the rise; 1 is true.
    push : float
        Time of the push over that of a push of constant force to the same speed; 1 is true.
    hang : float
        Frames that the top lasts longer; 0 is true.

    Raises
    ------
    InputError
        A ratio is not above 0, or the hang is below 0.

    Examples
    --------
    >>> Style.from_json(Style(fall=0.5625).to_json())
    Style(fall=0.5625, push=1.0, hang=0.0)
    """

    fall: float = 1.0
    push: float = 1.0
    hang: float = 0.0

    def __post_init__(self) -> None:
        single(positive(self.fall, "fall", ""), "fall")
        single(positive(self.push, "push", ""), "push")
        single(not_negative(self.hang, "hang", "frames"), "hang")

    @property
    def is_true(self) -> bool:
        """Whether nothing differs."""
        return self == Style()

    def to_json(self) -> dict[str, float]:
        """Give plain numbers, as they are stored with the shot."""
        return {name: float(value) for name, value in asdict(self).items()}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Style:
        """Read what `to_json` gave; what is missing is true.

        Raises
        ------
        InputError
            A name is unknown or a number not allowed.
        """
        known = {"fall", "push", "hang"}
        if not isinstance(data, Mapping) or set(data) - known:
            raise InputError(f"`data` must hold fall, push and hang only, got {data!r}", "data")
        return cls(**{name: single(finite(value, name, ""), name) for name, value in data.items()})


@dataclass(frozen=True, slots=True)
class StyledAir:
    """The air of a styled jump.

    Attributes
    ----------
    path : Path
        From take-off (0 s, origin) to land; one dimension, up, or more with the travel before it.
    rise, fall : float
        Seconds from take-off to the top and from there to land.
    rise_gravity, fall_gravity, hang_gravity : float
        m/s²; that of the hang is the rise's where there is none.
    hang_start, hang_end : float
        Seconds between which the top hangs; both the top where there is none.
    """

    path: Path
    rise: float
    fall: float
    rise_gravity: float
    fall_gravity: float
    hang_gravity: float
    hang_start: float
    hang_end: float


def fall_ratio(*, rise: float, fall: float, jump_height: float, fall_height: float) -> float:
    """Gravity of the fall over that of the rise, from their times and heights.

    Examples
    --------
    >>> fall_ratio(rise=12, fall=16, jump_height=1.2258, fall_height=1.2258)
    0.5625
    """
    return fall_height / jump_height * (rise / fall) ** 2


def push_ratio(*, speed: float, time: float, push_height: float) -> float:
    """Time of a push over that of a push of constant force to the same speed.

    Examples
    --------
    >>> push_ratio(speed=4.0, time=0.2, push_height=0.4)
    1.0
    """
    return speed * time / (2 * push_height)


def styled_air(
    style: Style,
    *,
    jump_height: float,
    fall_height: float,
    air: float,
    hang: float | None = None,
    travel: npt.ArrayLike = (),
) -> StyledAir:
    """Lay out the air of a styled jump: parabolas joined in position and speed.

    Parameters
    ----------
    jump_height, fall_height : float
        COG from take-off to the top and from there to land, m.
    air : float
        Seconds from take-off to land, hang and all.
    hang : float
        The style's hang in seconds; must be given where the style has one.
    travel : array_like of D - 1 floats
        Horizontal way, m.

    Raises
    ------
    InputError
        A measure is not above 0, or the hang leaves no air.

    Notes
    -----
    Rise r and fall f share the air less the hang. Without a hang r = √(2h/g) and
    f = √(2F/(s g)). With a hang H the quarter of each that is nearest the top becomes one parabola
    of r/4 + f/4 + H. Its neighbours' speeds there are g r/4 and s g f/4, so its gravity is
    (g r/4 + s g f/4) / (r/4 + f/4 + H). The heights then fix g, and f/r, which is found by halving.

    Examples
    --------
    >>> true = styled_air(Style(), jump_height=1.2258, fall_height=1.2258, air=1.0)
    >>> true.rise, round(true.fall_gravity, 3)
    (0.5, 9.806)
    """
    h = float(positive(jump_height, "jump_height", "m"))
    drop = float(positive(fall_height, "fall_height", "m"))
    total = float(positive(air, "air", "s"))
    if style.hang > 0 and hang is None:
        raise InputError("`hang` must be given in seconds where the style has one", "hang")
    extra = float(not_negative(hang or 0.0, "hang", "s")) if style.hang > 0 else 0.0
    if extra >= total:
        raise InputError(f"`hang` must be below the air of {total:g} s, got {extra:g}", "hang")
    s = style.fall
    if extra == 0:
        rise = total / (1 + np.sqrt(drop / (s * h)))
        fall, g = total - rise, 2 * h / rise**2
        times, heights, speeds = [0, rise, total], [0, h, h - drop], [g * rise, 0, -s * g * fall]
        top, gh, start, end = rise, g, rise, rise
    else:
        rise, fall, g = _split(s, h, drop, total - extra, extra)
        start, end = 0.75 * rise, total - 0.75 * fall
        gh = g * (rise + s * fall) / 4 / (end - start)
        top = start + g * rise / 4 / gh
        times = [0, start, end, total]
        heights = [0, g * rise**2 * 15 / 32, h - drop + s * g * fall**2 * 15 / 32, h - drop]
        speeds = [g * rise, g * rise / 4, -s * g * fall / 4, -s * g * fall]
    way = np.atleast_1d(finite(travel, "travel", "m"))
    share = np.array(times)[:, None] / total
    position = np.concatenate([share * way, np.array(heights)[:, None]], axis=1)
    pace = np.broadcast_to(way / total, (len(times), way.size))
    velocity = np.concatenate([pace, np.array(speeds)[:, None]], axis=1)
    path = Path(np.array(times, np.float64), position, velocity)
    numbers = (top, total - top, g, s * g, gh, start, end)
    return StyledAir(path, *(float(n) for n in numbers))


def _split(s: float, h: float, drop: float, base: float, hang: float) -> tuple[float, float, float]:
    """Rise and fall (s) that share `base`, and the rise's gravity, where the top hangs."""

    def reach(q: float) -> tuple[float, float, float]:
        rise = base / (1 + q)
        top = (base / 4 + hang) / (rise * (1 + s * q)) / 8
        return rise, rise**2 * (15 / 32 + top), s * (q * rise) ** 2 * (15 / 32 + s * top)

    # Drop over height rises with fall over rise.
    low, high = 1e-6, 1e6
    for _ in range(200):
        q = float(np.sqrt(low * high))
        _, up, down = reach(q)
        low, high = (q, high) if down * h < up * drop else (low, q)
    rise, up, _ = reach(q)
    return rise, base - rise, h / up
