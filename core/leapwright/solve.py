# SPDX-License-Identifier: GPL-3.0-or-later
"""The one door of the solver: an animator's measures in, a jump in whole frames out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.ask import Ask, Exact, Keep, read_ask, resolve
from leapwright.changes import Alternative, Change, list_changes, say, warn
from leapwright.errors import ClashError, InputError
from leapwright.frames import Ranked, rank
from leapwright.jump import Frames, Jump, Moments, Number
from leapwright.settle import Settled, settle, subframe_counts
from leapwright.units import STANDARD_GRAVITY

__all__ = ["plan"]

PINNED = 1e-6
"""Frames that a fractional moment may be off its pin: what rounding leaves."""

CHUNK = 20_000
"""Jumps solved at once: keeps the table of candidates small enough for the cache and memory."""


def plan(
    *,
    jump_height: ArrayLike | None = None,
    rise_frames: ArrayLike | None = None,
    air_frames: ArrayLike | None = None,
    takeoff_speed: ArrayLike | None = None,
    push_height: ArrayLike | None = None,
    push_frames: ArrayLike | None = None,
    magnification: ArrayLike | None = None,
    landing_level: ArrayLike = 0.0,
    travel: ArrayLike | None = None,
    foot_travel: ArrayLike | None = None,
    heading: ArrayLike = 0.0,
    running: ArrayLike | None = None,
    carry_on: bool | None = None,
    absorb_height: ArrayLike | None = None,
    absorb_frames: ArrayLike | None = None,
    anticipation_frames: ArrayLike | None = None,
    recover_frames: ArrayLike | None = None,
    crouch_hold_frames: ArrayLike = 0,
    gravity: float | str | ArrayLike = STANDARD_GRAVITY,
    frame_rate: float | str | Fraction = 24,
    keep: Keep | None = None,
    twos: bool = False,
    shot_start: ArrayLike = 1,
    subframes: bool = False,
    pins: Mapping[str, ArrayLike] | None = None,
    start_height: ArrayLike | None = None,
    end_height: ArrayLike | None = None,
    absorb_limit: ArrayLike | None = None,
    cog_ahead: ArrayLike | None = None,
    cog_behind: ArrayLike | None = None,
) -> Jump:
    """Plan a jump: how many frames each phase takes, and where the COG is on each.

    Give one measure of the air and one of the push; everything else has a default. Any number
    may be an array: arrays of one shape plan many jumps in one call.

    Parameters
    ----------
    jump_height, rise_frames, air_frames, takeoff_speed : float or array, one of them
        COG rise from take-off to apex (m); frames of rise; frames of air; upward speed at
        take-off (m/s).
    push_height, push_frames, magnification : float or array, one of them
        COG rise from crouch to take-off (m); frames of push; jump height over push height.
        Push height with magnification says the jump height too. With ``keep="poses"`` a push
        height may stand beside push frames.
    landing_level : float or array
        COG at land minus COG at take-off, m; above 0 is up.
    travel, foot_travel : float or array, at most one
        Horizontal way of the COG in the air, or from planted feet to planted feet, m.
    heading : float or array
        Direction of the travel in degrees, seen from above: 0 is +X, 90 is +Y.
    running : float or array
        The character comes running at this speed, m/s: no anticipation.
    carry_on : bool
        Keep the travel speed after landing. Default: who comes running carries on.
    absorb_height, absorb_frames : float or array
        COG drop from land to low (m), or its frames.
    anticipation_frames, recover_frames, crouch_hold_frames : int or array
        0 leaves the phase out.
    gravity : float, array or str
        m/s², or a body of `leapwright.units.BODIES_M_S2`.
    frame_rate : number or str
        Frames a second: 24, 23.976, "30000/1001".
    keep : {"gravity", "poses", "heights"}
        What stays as asked when whole frames make something give.
    twos : bool
        Every moment on twos, counted from `shot_start`.
    shot_start : int
        The shot's first frame: the first moment of an unpinned plan.
    subframes : bool
        Answer in fractional frames, exactly as asked.
    pins : mapping of moment to frame
        Moments put on given frames. One places the jump, two fix the frames between them.
    start_height, end_height : float or array
        COG of the start above the crouch, and of the end above the low, m.
    absorb_limit : float or array
        How far the legs let the COG drop after landing, m.
    cog_ahead, cog_behind : float or array
        How far the COG is ahead of the feet at take-off and behind them at land, m, where poses
        say so.

    Returns
    -------
    Jump

    Raises
    ------
    InputError
        A value is not allowed.
    ClashError
        Too much, too little or contradictory input; the message says which pieces.
    ReachError
        The landing level is above what the air can reach; the message says the highest.

    Notes
    -----
    Air: v = sqrt(2 g h), rise time v/g, fall time sqrt(2 (h - Δ)/g); free fall (Galileo, Two New
    Sciences, 1638). Push: constant acceleration from rest, time 2 p/v, so push and air times are
    tied by the magnification h/p; mean force 1 + h/p body weights (work-energy theorem).

    Examples
    --------
    >>> jump = plan(jump_height=4 * 0.3048, push_height=0.3048)
    >>> jump.frames.rise, jump.frames.push, round(jump.magnification, 2)
    (12, 3, 4.0)
    """
    arguments = dict(locals())
    options = ("gravity", "frame_rate", "keep", "twos", "subframes", "carry_on", "pins")
    values = {name: value for name, value in arguments.items() if name not in options}
    if magnification is not None and keep == "poses" and push_height is not None:
        _refuse_posed_magnification(arguments)
    ask, shape = read_ask(
        values,
        gravity=gravity,
        frame_rate=frame_rate,
        keep=keep,
        twos=twos,
        subframes=subframes,
        carry_on=carry_on,
        pins=pins,
    )
    asked = {name: value for name, value in arguments.items() if value is not None}
    if shape:
        return _many(ask, asked, shape)
    return _one(ask, asked)


def _refuse_posed_magnification(arguments: Mapping[str, Any]) -> None:
    """A posed push already says the push; a magnification beside it can only say the height."""
    air = [
        n
        for n in ("jump_height", "rise_frames", "air_frames", "takeoff_speed")
        if arguments[n] is not None
    ]
    if air:
        raise ClashError(
            f"{air[0]}, magnification and the posed push height clash: "
            "any two of them say the third",
            (air[0], "magnification", "push_height"),
        )


def _one(ask: Ask, asked: Mapping[str, Any]) -> Jump:
    if ask.subframes:
        sub = _subframes(ask)
        return _jump(ask, asked, sub, sub, (), warnings=warn(ask, sub))
    exact = resolve(ask)
    ranked, whole = _whole(ask, exact, count=6)
    sub = settle(ask, exact, *subframe_counts(ask, exact, ranked), whole=False)
    fit = np.flatnonzero(whole.fits[0]).tolist()
    chosen = whole.column(fit[0])
    made = []
    for i in fit:
        changes = list_changes(ask, exact, sub, whole, i)
        words = say(changes, odd=bool(ranked.odd[0, i]))
        made.append(Alternative(_frames(whole.column(i), whole=True), changes, words))
    return _jump(
        ask,
        asked,
        chosen,
        sub.column(0),
        (),
        changes=made[0].changes,
        alternatives=tuple(made),
        warnings=warn(ask, chosen),
    )


def _many(ask: Ask, asked: Mapping[str, Any], shape: tuple[int, ...]) -> Jump:
    """Solve row by row of a table, a chunk at a time; each chunk is one array computation."""
    size = int(np.prod(shape))
    if size == 0:
        raise InputError(f"arrays must hold at least one jump, got shape {shape}", "jump_height")
    wholes, subs = [], []
    for first in range(0, size, CHUNK):
        part = _rows(ask, slice(first, first + CHUNK))
        if ask.subframes:
            subs.append(_subframes(part))
            continue
        exact = resolve(part)
        # With pins the cheapest answer may leave a phase no room: look at a few more.
        ranked, whole = _whole(part, exact, count=6 if part.pins else 1)
        counts = subframe_counts(part, exact, ranked)
        subs.append(settle(part, exact, *counts, whole=False).column(0))
        wholes.append(_first_that_fits(whole))
    sub = _joined(subs)
    return _jump(ask, asked, sub if ask.subframes else _joined(wholes), sub, shape)


def _subframes(ask: Ask) -> Settled:
    """The fractional answer of each jump."""
    exact = resolve(ask)
    ranked = _ranked(ask, exact, count=1) if exact.fixed.sums else None
    sub = settle(ask, exact, *subframe_counts(ask, exact, ranked), whole=False)
    if not np.all(sub.fits):
        raise ClashError(sub.clash, ("pins",))
    chosen = sub.column(0)
    at = _places(chosen)
    for moment, frame in ask.pins.items():
        off = np.abs(at[moment] - frame) > PINNED
        if np.any(off):
            where = int(np.argmax(off))
            raise ClashError(
                f"pins clash: {moment}={frame[where]:g} would be on {at[moment][where]:g} with "
                "all else that is asked",
                ("pins",),
            )
    return chosen


def _whole(ask: Ask, exact: Exact, *, count: int) -> tuple[Ranked, Settled]:
    ranked = _ranked(ask, exact, count=count)
    whole = settle(ask, exact, ranked.air, ranked.push, whole=True)
    stuck = ~whole.fits.any(axis=1)
    if np.any(stuck) and stuck.size > 1:
        # The message is about the first jump that does not fit, not about the first of all.
        one = _row(ask, int(np.argmax(stuck)))
        return _whole(one, resolve(one), count=count)
    if np.any(stuck):
        raise ClashError(whole.clash, ("pins",))
    return ranked, whole


def _ranked(ask: Ask, exact: Exact, *, count: int) -> Ranked:
    ranked = rank(ask, exact, count=count)
    none = ~np.isfinite(ranked.cost[:, 0])
    if np.any(none):
        _refuse_counts(_row(ask, int(np.argmax(none))))
    return ranked


def _refuse_counts(ask: Ask) -> None:
    counts = ", ".join(f"{k}={v[0]:g}" for k, v in ask.pins.items())
    typed = ", ".join(
        f"{n}={getattr(ask, n)[0]:g}"
        for n in ("push_frames", "rise_frames", "air_frames")
        if getattr(ask, n) is not None
    )
    pieces = "; ".join(x for x in (f"pins {counts}" if counts else "", typed) if x)
    raise ClashError(
        f"no whole-frame jump fits {pieces or 'these counts'}: the apex is where gravity puts "
        "it between take-off and land",
        ("pins",),
    )


def _row(ask: Ask, row: int) -> Ask:
    return _rows(ask, slice(row, row + 1))


def _rows(ask: Ask, rows: slice) -> Ask:
    def cut(value: Any) -> Any:
        if isinstance(value, np.ndarray):
            return value[rows]
        if isinstance(value, Mapping):
            return {k: cut(v) for k, v in value.items()}
        return value

    return Ask(**{f.name: cut(getattr(ask, f.name)) for f in fields(ask)})


def _first_that_fits(whole: Settled) -> Settled:
    at = whole.fits.argmax(axis=1)[:, None]
    return _map(whole, lambda x: np.take_along_axis(x, at, axis=1)[:, 0])


def _joined(parts: list[Settled]) -> Settled:
    if len(parts) == 1:
        return parts[0]
    values: dict[str, Any] = {
        f.name: ""
        if f.name == "clash"
        else np.concatenate([getattr(part, f.name) for part in parts])
        for f in fields(Settled)
    }
    return Settled(**values)


def _map(settled: Settled, function: Any) -> Settled:
    values: dict[str, Any] = {
        f.name: "" if f.name == "clash" else function(getattr(settled, f.name))
        for f in fields(settled)
    }
    return Settled(**values)


def _jump(
    ask: Ask,
    asked: Mapping[str, Any],
    s: Settled,
    sub: Settled,
    shape: tuple[int, ...],
    *,
    changes: tuple[Change, ...] = (),
    alternatives: tuple[Alternative, ...] = (),
    warnings: tuple[str, ...] = (),
) -> Jump:
    def out(array: NDArray[np.float64]) -> Number:
        return array.reshape(shape) if shape else float(array[0])

    return Jump(
        asked=asked,
        frame_rate=ask.frame_rate,
        gravity=out(s.gravity),
        keep=ask.keep,
        twos=ask.twos,
        push_height=out(s.push_height),
        jump_height=out(s.jump_height),
        fall_height=out(s.fall_height),
        absorb_height=out(s.absorb_height),
        landing_level=out(s.landing_level),
        start_height=out(s.start_height),
        end_height=out(s.end_height),
        travel=out(s.travel),
        foot_travel=out(s.foot_travel),
        heading=out(ask.heading),
        magnification=out(s.magnification),
        takeoff_speed=out(s.takeoff_speed),
        landing_speed=out(s.landing_speed),
        travel_speed=out(s.travel_speed),
        push_factor=out(s.push_factor),
        absorb_factor=out(s.absorb_factor),
        push_force=out(1 + s.magnification),
        absorb_force=out(1 + s.fall_height / s.absorb_height),
        running=ask.running is not None,
        carry_on=ask.carry_on,
        frames=_frames(s, whole=not ask.subframes, shape=shape),
        subframes=_frames(sub, whole=False, shape=shape),
        moments=_moments(s, shape),
        changes=changes,
        alternatives=alternatives,
        warnings=warnings,
    )


def _frames(s: Settled, *, whole: bool, shape: tuple[int, ...] = ()) -> Frames:
    def out(array: NDArray[np.float64]) -> Number:
        if whole:
            array = np.rint(array).astype(np.int64)
        return array.reshape(shape) if shape else array[0].item()

    names = (f.name for f in fields(Frames))
    return Frames(*(out(getattr(s, name)) for name in names))


def _places(s: Settled) -> dict[str, NDArray[np.float64]]:
    """Frame of each moment; NaN where there is none."""
    takeoff = s.takeoff_frame
    crouch = takeoff - s.push
    land = takeoff + s.air
    low = land + s.absorb
    return {
        "start": np.where(s.anticipation > 0, crouch - s.crouch_hold - s.anticipation, np.nan),
        "crouch": crouch,
        "takeoff": takeoff,
        "apex": takeoff + s.apex,
        "land": land,
        "low": low,
        "end": np.where(s.recover > 0, low + s.recover, np.nan),
    }


def _moments(s: Settled, shape: tuple[int, ...]) -> Moments:
    at = _places(s)
    if shape:
        return Moments(**{name: frames.reshape(shape) for name, frames in at.items()})
    return Moments(**{name: _one_frame(float(frames[0])) for name, frames in at.items()})


def _one_frame(frame: float) -> float | int | None:
    if frame != frame:
        return None
    return int(frame) if frame.is_integer() else frame
