# SPDX-License-Identifier: GPL-3.0-or-later
"""What was asked of a jump, checked once at the door and turned into exact numbers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.errors import ClashError, InputError, ReachError
from leapwright.pins import Fixed, demand_mapping, read_pins
from leapwright.units import finite, frame_rate_of, gravity_of, not_negative, positive

__all__ = ["KEEPS", "Ask", "Exact", "Keep", "read_ask", "resolve"]

Floats = NDArray[np.float64]
Keep = Literal["gravity", "poses", "heights"]
KEEPS: tuple[Keep, ...] = ("gravity", "poses", "heights")

LEVEL_SHARE = 0.01
"""A landing counts as level up to this share of the jump height: it may take an even number of
air frames, so that the apex is whole too."""

AIR_MEASURES = ("jump_height", "rise_frames", "air_frames", "takeoff_speed")
COUNT_MEASURES = ("air_frames", "pinned air")
PUSH_MEASURES = ("push_height", "push_frames", "magnification")


@dataclass(frozen=True, slots=True)
class Ask:
    """The checked arguments of `leapwright.plan`; arrays share one shape, None was not asked.

    Heights and lengths in m, speeds in m/s, counts in frames, heading in degrees.
    """

    gravity: Floats
    landing_level: Floats
    heading: Floats
    crouch_hold_frames: Floats
    shot_start: Floats
    jump_height: Floats | None
    rise_frames: Floats | None
    air_frames: Floats | None
    takeoff_speed: Floats | None
    push_height: Floats | None
    push_frames: Floats | None
    magnification: Floats | None
    travel: Floats | None
    foot_travel: Floats | None
    running: Floats | None
    absorb_height: Floats | None
    absorb_frames: Floats | None
    anticipation_frames: Floats | None
    recover_frames: Floats | None
    start_height: Floats | None
    end_height: Floats | None
    absorb_limit: Floats | None
    cog_ahead: Floats | None
    cog_behind: Floats | None
    frame_rate: Fraction
    keep: Keep
    twos: bool
    subframes: bool
    carry_on: bool
    pins: Mapping[str, Floats]

    @property
    def fps(self) -> float:
        """Frames a second as a float."""
        return float(self.frame_rate)

    @property
    def step(self) -> int:
        """Frames between neighbouring grid frames: 1, or 2 on twos."""
        return 2 if self.twos else 1


@dataclass(frozen=True, slots=True)
class Exact:
    """The asks as exact numbers, before whole frames. Arrays of one shape, SI and frames.

    Attributes
    ----------
    jump_height, push_height, landing_level, magnification, takeoff_speed, gravity : ndarray
    air, rise, push : ndarray
        Fractional frames that those heights take.
    fixed : Fixed
        Counts that were typed or pinned.
    level : ndarray of bool
        The landing is level.
    """

    gravity: Floats
    jump_height: Floats
    push_height: Floats
    landing_level: Floats
    magnification: Floats
    takeoff_speed: Floats
    air: Floats
    rise: Floats
    push: Floats
    fixed: Fixed
    level: NDArray[np.bool_]


def read_ask(
    values: Mapping[str, ArrayLike | None],
    *,
    gravity: float | str | ArrayLike,
    frame_rate: float | str | Fraction,
    keep: Keep | None,
    twos: bool,
    subframes: bool,
    carry_on: bool | None,
    pins: Mapping[str, ArrayLike] | None,
) -> tuple[Ask, tuple[int, ...]]:
    """Check every argument of a plan and give all arrays one flat shape.

    Returns
    -------
    ask : Ask
        Arrays of shape (B,).
    shape : tuple of int
        The shape the caller's arrays had together; () for one jump.
    """
    if keep is not None and keep not in KEEPS:
        raise InputError(f"keep must be one of {', '.join(KEEPS)}, got {keep!r}", "keep")
    for name, switch in (("twos", twos), ("subframes", subframes), ("carry_on", carry_on)):
        if not isinstance(switch, bool | np.bool_ | None):
            raise InputError(f"{name} must be True or False, got {switch!r}", name)
    for name in _NEEDED:
        if values[name] is None:
            raise InputError(f"{name} must be a number, got None", name)
    checked = {name: None if v is None else _check(name, v) for name, v in values.items()}
    checked["gravity"] = gravity_of(gravity)
    frames = read_pins(demand_mapping(pins), whole=not subframes)
    arrays = [a for a in (*checked.values(), *frames.values()) if a is not None]
    try:
        shape = np.broadcast_shapes(*(a.shape for a in arrays))
    except ValueError:
        raise InputError(
            "arrays must share one shape, got " + ", ".join(str(a.shape) for a in arrays if a.shape)
        ) from None

    def flat(array: Floats | None) -> Floats | None:
        return None if array is None else np.broadcast_to(array, shape).reshape(-1).copy()

    running = checked["running"] is not None
    ask = Ask(
        **{name: flat(array) for name, array in checked.items()},  # type: ignore[arg-type]
        pins={name: np.broadcast_to(a, shape).reshape(-1) for name, a in frames.items()},
        frame_rate=frame_rate_of(frame_rate),
        keep=keep or "gravity",
        twos=twos,
        subframes=subframes,
        carry_on=running if carry_on is None else carry_on,
    )
    _check_counts(ask)
    _check_grid(ask)
    return ask, shape


_NEEDED = ("landing_level", "heading", "crouch_hold_frames", "shot_start")
_SIGNED = {
    "landing_level",
    "heading",
    "shot_start",
    "cog_ahead",
    "cog_behind",
    "travel",
    "foot_travel",
}
_ZERO_ALLOWED = {
    "crouch_hold_frames",
    "anticipation_frames",
    "recover_frames",
    "running",
    "start_height",
    "end_height",
}
_UNITS = {"heading": "degrees", "magnification": "", "takeoff_speed": "m/s", "running": "m/s"}


def _check(name: str, value: ArrayLike) -> Floats:
    unit = _UNITS.get(name, "frames" if name.endswith("_frames") or name == "shot_start" else "m")
    if name in _SIGNED:
        return finite(value, name, unit)
    return (not_negative if name in _ZERO_ALLOWED else positive)(value, name, unit)


def _check_counts(ask: Ask) -> None:
    """Counts that were typed are whole frames (on twos: multiples of two), unless sub-frames."""
    if ask.subframes:
        return
    for field in fields(ask):
        value = getattr(ask, field.name)
        if not field.name.endswith(("_frames", "shot_start")) or value is None:
            continue
        step = 1 if field.name == "shot_start" else ask.step
        off = value % step != 0
        if np.any(off):
            got = float(value[off][0])
            low = int(got // step) * step
            if step == 2:
                what = f"a multiple of 2 on twos ({low} or {low + 2})"
            else:
                what = f"a whole number of frames ({low} or {low + 1}; or ask for subframes)"
            raise InputError(f"{field.name} must be {what}, got {got:g}", field.name)


def _check_grid(ask: Ask) -> None:
    if not ask.twos:
        return
    for moment, frame in ask.pins.items():
        off = (frame - ask.shot_start) % 2
        if np.any(off != 0):
            where = int(np.flatnonzero(off != 0)[0])
            got, low = frame[where], frame[where] - off[where]
            raise ClashError(
                f"pin {moment}={got:g} is off the twos counted from frame "
                f"{ask.shot_start[where]:g}: use {low:g} or {low + 2:g}",
                ("pins", "twos"),
            )


def resolve(ask: Ask) -> Exact:
    """Turn what was asked into exact heights, levels and fractional frame counts.

    Raises
    ------
    ClashError
        Too much, too little or contradictory input; says which pieces.
    ReachError
        The landing level is above what the air can reach.
    """
    fixed = Fixed.of(ask.pins, rise=ask.rise_frames, air=ask.air_frames, push=ask.push_frames)
    air = _air_measure(ask, fixed)
    if fixed.air is not None:
        _check_air(ask, fixed.air, free=ask.keep == "heights" and air not in COUNT_MEASURES)
    _check_either(ask)
    _check_push_measures(ask, air, fixed)
    if air:
        height = _height(ask, air, fixed)
    else:
        assert ask.push_height is not None
        assert ask.magnification is not None
        height = ask.push_height * ask.magnification
    _check_reach(ask, height)
    speed = np.sqrt(2 * ask.gravity * height)
    rise = ask.fps * speed / ask.gravity
    fall = ask.fps * np.sqrt(2 * (height - ask.landing_level) / ask.gravity)
    push_height = _push_height(ask, height, speed, fixed)
    magnification = height / push_height
    return Exact(
        gravity=ask.gravity,
        jump_height=height,
        push_height=push_height,
        landing_level=ask.landing_level,
        magnification=magnification,
        takeoff_speed=speed,
        air=rise + fall,
        rise=rise,
        push=rise / magnification,
        fixed=fixed,
        level=np.abs(ask.landing_level) <= LEVEL_SHARE * height,
    )


def _given(ask: Ask, names: tuple[str, ...]) -> list[str]:
    return [name for name in names if getattr(ask, name) is not None]


def _air_measure(ask: Ask, fixed: Fixed) -> str:
    """Which piece says how high the jump is; "" when push height times magnification does."""
    given = _given(ask, AIR_MEASURES)
    if len(given) > 1:
        raise ClashError(
            f"{' and '.join(given)} each say how high the jump is: give one of them", given
        )
    if given:
        return given[0]
    for count in ("air", "rise", "fall"):
        if getattr(fixed, count) is not None:
            return f"pinned {count}"
    if ask.push_height is not None and ask.magnification is not None:
        return ""
    raise ClashError(
        "nothing says how high the jump is: give one of "
        f"{', '.join(AIR_MEASURES)}, or pin takeoff and land",
        AIR_MEASURES,
    )


def _check_push_measures(ask: Ask, air: str, fixed: Fixed) -> None:
    given = _given(ask, PUSH_MEASURES)
    if not air:
        given.remove("magnification")
    # A posed push height stays what it is, so a count beside it says how it is played.
    if ask.keep == "poses" and set(given) == {"push_height", "push_frames"}:
        return
    if len(given) > 1:
        raise ClashError(
            f"{' and '.join(given)} each say what the push is: give one of them", given
        )
    if not given and fixed.push is None:
        raise ClashError(
            f"nothing says what the push is: give one of {', '.join(PUSH_MEASURES)}, "
            "or pin crouch and takeoff",
            PUSH_MEASURES,
        )


def _height(ask: Ask, measure: str, fixed: Fixed) -> Floats:
    g, fps = ask.gravity, ask.fps
    if ask.jump_height is not None:
        return ask.jump_height
    if ask.takeoff_speed is not None:
        return ask.takeoff_speed**2 / (2 * g)
    if measure in ("rise_frames", "pinned rise"):
        assert fixed.rise is not None
        return g * (fixed.rise / fps) ** 2 / 2
    if measure == "pinned fall":
        assert fixed.fall is not None
        height = ask.landing_level + g * (fixed.fall / fps) ** 2 / 2
        if np.any(height <= 0):
            raise ClashError(
                "the pinned fall is too short to drop to the landing level: pins apex and land "
                "leave no rise",
                ("pins", "landing_level"),
            )
        return height
    assert fixed.air is not None
    time = fixed.air / fps
    speed = ask.landing_level / time + g * time / 2
    return speed**2 / (2 * g)


def _check_either(ask: Ask) -> None:
    """Pairs of which one is enough."""
    if ask.travel is not None and ask.foot_travel is not None:
        raise ClashError(
            "travel and foot_travel each say how far the jump goes: give one of them",
            ("travel", "foot_travel"),
        )
    both = ask.absorb_height is not None and ask.absorb_frames is not None
    if both and ask.keep == "gravity":
        raise ClashError(
            "absorb_height and absorb_frames each say how the landing is absorbed: give one of "
            "them, or keep poses or heights",
            ("absorb_height", "absorb_frames"),
        )


def _check_air(ask: Ask, air: Floats, *, free: bool) -> None:
    """Air frames must be enough to get to the landing level and come down onto it; where
    gravity gives (`free`) any are."""
    least = ask.fps * np.sqrt(2 * np.abs(ask.landing_level) / ask.gravity)
    short = (air <= least * (1 + 1e-12)) & (not free)
    typed = ask.air_frames is not None
    said = "air_frames" if typed else "the frames between pins takeoff and land"
    if np.any(short):
        where = int(np.flatnonzero(short)[0])
        need = max(int(least[where] / ask.step * (1 + 1e-12)) + 1, 2) * ask.step
        raise ReachError(
            f"{said} must be at least {need} to land {ask.landing_level[where]:g} m from "
            f"take-off level, got {air[where]:g}",
            "air_frames" if typed else "pins",
        )
    if np.any(air < 2 * ask.step) and not ask.subframes:
        raise InputError(
            f"{said} must be at least {2 * ask.step}, got {float(np.min(air)):g}",
            "air_frames" if typed else "pins",
        )


def _check_reach(ask: Ask, height: Floats) -> None:
    high = ask.landing_level >= height
    if np.any(high):
        where = int(np.flatnonzero(high)[0])
        raise ReachError(
            f"landing_level must be below the jump height: this jump rises {height[where]:.4g} m "
            f"and cannot land higher, got {ask.landing_level[where]:g} m",
            "landing_level",
        )


def _push_height(ask: Ask, height: Floats, speed: Floats, fixed: Fixed) -> Floats:
    if ask.push_height is not None:
        return ask.push_height
    if ask.magnification is not None:
        return height / ask.magnification
    assert fixed.push is not None
    return speed * fixed.push / (2 * ask.fps)
