# SPDX-License-Identifier: GPL-3.0-or-later
"""Retiming a jump: one wish in, ranked whole-frame answers out, each with its map of time."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from fractions import Fraction
from typing import Literal, get_args

from leapwright.before import check_gives, check_pins, read_moments, read_timing
from leapwright.errors import ClashError, InputError
from leapwright.jump import Moments
from leapwright.layout import MOMENTS, Shell, lay_out, plain_frame
from leapwright.pins import demand_mapping
from leapwright.retimed import Heights, Retimed, Retiming, describe, physics
from leapwright.style import Style
from leapwright.timing import Timing, Wanted, exact, ranked
from leapwright.units import finite, frame_rate_of, not_negative, positive, single

__all__ = ["Heights", "Phase", "Retimed", "Retiming", "retime"]

Phase = Literal["anticipation", "push", "air", "absorb", "recover"]
Gives = Literal["shift", "stretch"]


def retime(
    moments: Moments | Mapping[str, float | None],
    *,
    frame_rate: float | str | Fraction = 24,
    heights: Heights | None = None,
    style: Style | None = None,
    crouch_hold_frames: float = 0,
    snappiness: float | None = None,
    to_gravity: float | None = None,
    rise_frames: float | None = None,
    air_frames: float | None = None,
    push_frames: float | None = None,
    fall_frames: float | None = None,
    hang_frames: float | None = None,
    absorb_frames: float | None = None,
    phases: Collection[Phase] | None = None,
    before: Gives = "shift",
    after: Gives = "shift",
    pins: Mapping[str, float] | None = None,
    twos: bool = False,
    shot_start: float = 1,
    subframes: bool = False,
    alternatives: int = 5,
) -> Retimed:
    """Retime a jump: push and air change together, so the magnification is kept.

    Give at most one of snappiness, gravity, rise, air or two pins; push, fall, hang and absorb
    frames may stand beside it or alone.

    Parameters
    ----------
    moments : Moments or mapping of moment to frame
        Take-off and land at least. Without an apex it is where a true jump has it.
    frame_rate : number or str
        Frames a second.
    heights : Heights
        Of the COG, m. Without them gravity and magnification are not said.
    style : Style
        That of the jump before. Where rise and fall are not those of one gravity the fall is
        taken for styled, said or not.
    crouch_hold_frames : float
        Frames of hold before the push; they stay.
    snappiness : float
        Times are divided by it; above 1 is snappier.
    to_gravity : float
        m/s² that the air should have.
    rise_frames, air_frames : int
        Frames that the rise or the air should last.
    push_frames, absorb_frames : int
        Frames of that phase; alone, the others keep theirs.
    fall_frames, hang_frames : int
        Frames of the fall apart from the rise, or that the top hangs longer (in all): a style.
    phases : collection of {"anticipation", "push", "air", "absorb", "recover"}
        What changes: push, air and absorb unless told. The absorb always follows the landing
        speed.
    before, after : {"shift", "stretch"}
        What is outside moves with the jump, or stays while anticipation or recover gives.
    pins : mapping of moment to frame
        Moments that land on given frames. Without, the crouch keeps its frame.
    twos : bool
        Every moment on twos, counted from `shot_start`.
    shot_start : int
        The shot's first frame.
    subframes : bool
        Exactly as asked, in fractional frames.
    alternatives : int
        How many answers to list, those with the top between frames aside.

    Returns
    -------
    Retimed

    Raises
    ------
    InputError
        A number or moment is not allowed.
    ClashError
        Too much or nothing is asked, or pins leave a phase no frame.

    Notes
    -----
    Times divided by k leave heights alone and make the gravity k² g: the jump reads as one by a
    character of 1/k² the size.

    Examples
    --------
    >>> beat = retime({"crouch": 38, "takeoff": 41, "apex": 53, "land": 65},
    ...               snappiness=1.5, pins={"land": 58})
    >>> beat.moments_after.crouch, beat.moments_after.takeoff, beat.moments_after.apex
    (40, 42, 50)
    """
    given = {
        name: value
        for name, value in (
            ("snappiness", snappiness),
            ("to_gravity", to_gravity),
            ("rise_frames", rise_frames),
            ("air_frames", air_frames),
            ("push_frames", push_frames),
            ("fall_frames", fall_frames),
            ("hang_frames", hang_frames),
            ("absorb_frames", absorb_frames),
        )
        if value is not None
    }
    step = 2 if twos else 1
    rate = frame_rate_of(frame_rate)
    asked = _numbers(given, 0 if subframes else step)
    shot_start = _frame(shot_start, "shot_start")
    was = read_moments(moments)
    hold = _frame(crouch_hold_frames, "crouch_hold_frames", signed=False)
    timing = read_timing(was, heights, style or Style(), hold, step)
    chosen = _phases(phases)
    check_gives(timing, before, after, chosen)
    pins = demand_mapping(pins)
    fixed = {m: _frame(f, f"pins[{m!r}]") for m, f in pins.items()}
    check_pins(fixed, was, twos=twos, shot_start=shot_start, subframes=subframes)
    shell = Shell(was, timing, before, after, chosen, 0 if subframes else step)
    near = shell.rigid(fixed, snappiness or 1.0)
    k = _snappiness(asked, timing, was, near, heights, float(rate))
    near = shell.rigid(fixed, k)
    wanted = _wanted(timing, asked, chosen, k, near, step, subframes)
    if not asked and len(near) < 2:
        raise ClashError(
            "ask for a snappiness, frames, a gravity or two pins, got nothing to change", ("pins",)
        )
    if subframes:
        found = [exact(timing, wanted)]
    else:
        found = ranked(timing, wanted, count=max(1, alternatives))
    answers = [
        lay_out(shell, c, wanted, pins=fixed, heights=heights, fps=float(rate), start=shot_start)
        for c in found
    ]
    return describe(
        asked={**asked, **({"pins": dict(fixed)} if fixed else {})},
        snappiness=k,
        rate=rate,
        moments=Moments(**{m: plain_frame(was[m]) for m in MOMENTS}),
        frames=shell.frames_before(),
        timing=timing,
        heights=heights,
        answers=answers,
        step=step,
        whole=not subframes,
    )


# Before


def _frame(value: float, name: str, *, signed: bool = True) -> float:
    return single((finite if signed else not_negative)(value, name, "frames"), name)


def _numbers(given: Mapping[str, float], step: int) -> dict[str, float]:
    asked = {}
    for name, typed in given.items():
        unit = "frames" if name.endswith("_frames") else "m/s²" if name == "to_gravity" else ""
        read = not_negative if name == "hang_frames" else positive
        value = asked[name] = single(read(typed, name, unit), name)
        if name.endswith("_frames") and step and value % step:
            what = "a multiple of 2 on twos" if step == 2 else "a whole number of frames"
            low = int(value // step) * step
            raise InputError(f"{name} must be {what} ({low} or {low + step}), got {value:g}", name)
    sources = [n for n in ("snappiness", "to_gravity", "rise_frames", "air_frames") if n in asked]
    if len(sources) > 1:
        raise ClashError(f"give one of {' and '.join(sources)}, got {len(sources)}", sources)
    if {"fall_frames", "air_frames"} <= set(asked):
        raise ClashError(
            "give fall_frames with rise_frames, not with air_frames", ("fall_frames", "air_frames")
        )
    return asked


# What is asked


def _phases(phases: Collection[Phase] | None) -> frozenset[str]:
    chosen = frozenset({"push", "air", "absorb"} if phases is None else phases)
    if not chosen or chosen - set(get_args(Phase)):
        raise InputError(
            f"`phases` must be of {', '.join(get_args(Phase))}, got {sorted(chosen)}", "phases"
        )
    return chosen


def _snappiness(
    asked: Mapping[str, float],
    timing: Timing,
    was: Mapping[str, float | None],
    pins: Mapping[str, float],
    heights: Heights | None,
    fps: float,
) -> float:
    """By how much times are divided, as far as what is asked says it."""
    base = timing.air - timing.hang
    if "snappiness" in asked:
        return float(asked["snappiness"])
    if "rise_frames" in asked:
        return timing.rise / float(asked["rise_frames"])
    if "air_frames" in asked:
        hang = float(asked.get("hang_frames", timing.hang))
        if asked["air_frames"] <= hang:
            raise InputError(
                f"air_frames must be above the {hang:g} frames that the top hangs, "
                f"got {asked['air_frames']:g}",
                "air_frames",
            )
        return base / (asked["air_frames"] - hang)
    if "to_gravity" in asked:
        if heights is None:
            raise ClashError("to_gravity needs the heights of the jump", ("to_gravity", "heights"))
        now = physics(heights, timing.rise, base - timing.rise, fps).rise_gravity
        return math.sqrt(float(asked["to_gravity"]) / now)
    placed = [m for m in ("crouch", "takeoff", "apex", "land", "low") if m in pins]
    if len(placed) < 2:
        return 1.0
    top = (was["takeoff"] or 0.0) + timing.rise + timing.hang / 2
    old = [top if m == "apex" else was[m] or 0.0 for m in (placed[0], placed[-1])]
    return (old[1] - old[0]) / (pins[placed[-1]] - pins[placed[0]])


def _wanted(
    timing: Timing,
    asked: Mapping[str, float],
    phases: frozenset[str],
    k: float,
    pins: Mapping[str, float],
    step: int,
    subframes: bool,
) -> Wanted:
    sourced = k != 1 or bool({"snappiness", "to_gravity", "rise_frames", "air_frames"} & set(asked))
    sourced |= len(pins) > 1
    hang = float(asked.get("hang_frames", timing.hang))
    base = timing.air - timing.hang
    keep_air, keep_push = "air" not in phases or not sourced, "push" not in phases or not sourced

    def kept(frames: float) -> float:
        return frames if subframes else max(step, math.floor(frames / step + 0.5) * step)

    push = timing.push
    if push is not None:
        push = kept(push) if keep_push else push / k
    absorb: float | None = None
    if "absorb_frames" in asked:
        absorb = float(asked["absorb_frames"])
    elif "absorb" in phases and "air" not in phases and timing.absorb is not None:
        absorb = timing.absorb / k
    return Wanted(
        snappiness=k,
        air=kept(base + hang) if keep_air else base / k + hang,
        push=push,
        typed_push=_typed(asked, "push_frames"),
        typed_rise=_typed(asked, "rise_frames"),
        typed_air=_typed(asked, "air_frames"),
        typed_fall=_typed(asked, "fall_frames"),
        typed_absorb=_typed(asked, "absorb_frames"),
        keep_air=keep_air,
        keep_push=keep_push,
        absorb=absorb,
        hang=hang,
        styled=timing.styled or "fall_frames" in asked,
        pins=pins,
        step=step,
    )


def _typed(asked: Mapping[str, float], name: str) -> float | None:
    return float(asked[name]) if name in asked else None
