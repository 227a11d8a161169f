# SPDX-License-Identifier: GPL-3.0-or-later
"""The live answer: asked and given side by side, what gave, and the next best answers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import leapwright
from leapwright.errors import LeapwrightError
from leapwright.offsets import foot_offsets

from .aiming import needs_aim
from .asking import measured, plan_arguments, poses_to_read
from .entry import Units, length, preferences, units_of
from .moments import MOMENTS, free_pins, ground_name
from .recall import last_low
from .values import VALUE_NAMES

__all__ = ["Other", "Readout", "forget", "read_out", "spline_summary", "summary"]

_PHASES = {
    "anticipation": "Anticipation",
    "crouch_hold": "Crouch hold",
    "push": "Push",
    "rise": "Rise",
    "fall": "Fall",
    "absorb": "Absorb",
    "recover": "Recover",
}
# Nobody asked for these: common practice says how long they are.
_BY_CUSTOM = ("anticipation", "recover")
# Frames are told in the phases' own lines.
_CHANGES = {
    "jump_height_m": "Jump height",
    "push_height_m": "Push height",
    "magnification": "Magnification",
    "gravity_m_s2": "Gravity",
    "travel_m": "Travel",
    "foot_travel_m": "Foot travel",
}
# A change below this is not seen, and would only fill the panel.
_LEAST_PERCENT = 0.05
_OTHERS = 5
_NO_FRAMES = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Other:
    """A whole-frame answer of the list.

    Attributes
    ----------
    push, air : float
        Its frames.
    words : str
        One short line.
    pins : tuple of (moment, frame)
        What puts the jump on it.
    """

    push: float
    air: float
    words: str
    pins: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class Readout:
    """Rows of a plan (name, asked, given); of a plan that cannot be, only `problem`."""

    phases: tuple[tuple[str, str, str], ...] = ()
    changes: tuple[tuple[str, str, str], ...] = ()
    moments: tuple[tuple[str, str], ...] = ()
    others: tuple[Other, ...] = ()
    given: tuple[float, float] = _NO_FRAMES
    warnings: tuple[str, ...] = ()
    problem: str = ""


# Answers by all that they depend on: plain values, nothing of the host.
_ANSWERS: dict[tuple[Any, ...], Readout] = {}
_MOST_ANSWERS = 32
_ARRAYS = frozenset({"posed", "pose_frames", "pinned", "pin_frames", "picked"})
_SINGLE = tuple(n for n in VALUE_NAMES if n not in _ARRAYS and n != "ground")


def read_out(values: Any, scene: Any) -> Readout:
    """Plan what is entered. The same is planned once only, however often it is drawn."""
    low = last_low(values.id_data) if values.chain else None
    entered = (low, *_entered(values), *_around(scene))
    if entered not in _ANSWERS:
        while len(_ANSWERS) >= _MOST_ANSWERS:
            _ANSWERS.pop(next(iter(_ANSWERS)))
        _ANSWERS[entered] = _answer(values, scene, low)
    return _ANSWERS[entered]


def forget() -> None:
    """Let go of what was planned."""
    _ANSWERS.clear()


def _entered(values: Any) -> tuple[Any, ...]:
    """All that a rig's settings say."""
    arrays = (tuple(getattr(values, name)) for name in _ARRAYS)
    single = (getattr(values, name) for name in _SINGLE)
    return (*arrays, *single, ground_name(values), values.measured, values.aimed)


def _around(scene: Any) -> tuple[Any, ...]:
    """All that the scene and the preferences say to it."""
    chosen, render = preferences(), scene.render
    return (
        tuple(scene.gravity), float(scene.unit_settings.scale_length), scene.frame_start,
        render.fps, render.fps_base, tuple(scene.cursor.location), units_of(scene),
        chosen.keep, chosen.anticipation_frames, chosen.recover_frames,
    )  # fmt: skip


def _answer(values: Any, scene: Any, low: float | None) -> Readout:
    if problem := _missing(values, low):
        return Readout(problem=problem)
    try:
        foot_offsets(values.foot)
        arguments = plan_arguments(values, scene, low=low)
        free = dict(arguments)
        if any(values.picked):
            free = plan_arguments(values, scene, low=low, pins=free_pins(values))
        pins, free_ = (a.pop("pins", {}) for a in (arguments, free))
        return _planned(arguments, pins, free_, units_of(scene))
    except LeapwrightError as error:
        return Readout(problem=str(error))


def summary(result: Any) -> str:
    """Say in one line what was blocked."""
    jump = result.jump
    frames = jump.frames
    return (
        f"Blocked: push {frames.push:g}, rise {frames.rise:g}, fall {frames.fall:g}; "
        f"take-off {jump.moments.takeoff:g}. "
        f"COG off its arc by {1000 * result.measured.largest_distance_m:.2f} mm at most"
    )


def spline_summary(result: Any) -> str:
    """Say in one line what became of a stepped block."""
    jumps = len(result.moments)
    added = sum(keyed.added for keyed in result.keyed)
    off = max(measured.largest_distance_m for measured in result.measured)
    stay = f"; stepped still: {', '.join(result.stepped)}" if result.stepped else ""
    return (
        f"Spline: {jumps} jump{'s' if jumps > 1 else ''}, {len(result.keyed)} channels, "
        f"{added or 'no'} key{'s' if added != 1 else ''} added. "
        f"COG off its arc by {1000 * off:.2f} mm at most{stay}"
    )


def _missing(values: Any, low: float | None) -> str:
    """Say what is not there yet for a plan."""
    if values.chain and low is None:
        return "There is no low to go on from: block a jump first."
    posed = poses_to_read(values, low=low)
    if ground := ground_name(values):
        if "land" in posed:
            return "The land pose says where the landing is: land by numbers, or clear Land."
        if not values.to_middle:
            return f"How high {ground} is under the feet is read when you block."
    elif values.landing == "object":
        return "Pick the object to land on."
    if values.push_measure == "poses":
        if not {"crouch", "takeoff"} <= posed.keys():
            poses = "the crouch and the take-off" if low is None else "the next take-off"
            return f"Mark {poses}, or enter a push."
        if measured(values).push_height_m is None:
            return "The marked frames have changed: press Read poses again."
    if needs_aim(values) and not values.aimed:
        return "Where the feet stand is not known: press Measure landing."
    return ""


def _planned(
    asked: Mapping[str, Any],
    pins: Mapping[str, int],
    free: Mapping[str, int],
    units: Units,
) -> Readout:
    jump = leapwright.plan(**asked, pins=pins or None)
    best = jump if free == pins else leapwright.plan(**asked, pins=free or None)
    return Readout(
        phases=tuple(_phases(jump, best)),
        changes=tuple(
            _change(change, units)
            for change in jump.changes
            if change.what in _CHANGES and abs(change.percent) >= _LEAST_PERCENT
        ),
        moments=tuple(
            (MOMENTS[name], f"{frame:g}") for name, frame in jump.moments if frame is not None
        ),
        others=tuple(_other(a, best, free, units) for a in best.alternatives[:_OTHERS]),
        given=(jump.frames.push, jump.frames.air),
        warnings=jump.warnings,
    )


def _phases(jump: leapwright.Jump, best: leapwright.Jump) -> list[tuple[str, str, str]]:
    """Frames of each phase; what was asked is what the numbers say before any count is picked."""
    rows = []
    for name, word in _PHASES.items():
        got, asked = getattr(jump.frames, name), getattr(best.subframes, name)
        if got or asked:
            exact = "" if name in _BY_CUSTOM else f"{asked:.2f}" if asked else "0"
            rows.append((word, exact, f"{got:g}"))
    return rows


def _change(change: leapwright.Change, units: Units) -> tuple[str, str, str]:
    asked, got = (_written(change.what, value, units) for value in (change.asked, change.got))
    return _CHANGES[change.what], asked, got


def _written(what: str, value: float, units: Units) -> str:
    return length(value, units) if what.endswith("_m") else f"{value:.2f}"


def _other(
    answer: leapwright.Alternative, best: leapwright.Jump, free: Mapping[str, int], units: Units
) -> Other:
    frames = answer.frames
    # The largest change first: it is what the answer is chosen by.
    told = [c for c in answer.changes if c.what in _CHANGES and c.what != "magnification"]
    told = [c for c in told if abs(c.percent) >= _LEAST_PERCENT]
    told.sort(key=lambda change: -abs(change.percent))
    said = ", ".join(f"{_CHANGES[c.what].lower()} {c.percent:+.0f} %" for c in told[:2])
    if frames.rise + frames.fall == frames.air and frames.rise % 1:
        said = f"top between frames; {said}" if said else "top between frames"
    takeoff = _takeoff(frames, best, free)
    pins = {"crouch": takeoff - frames.push, "takeoff": takeoff, "land": takeoff + frames.air}
    return Other(frames.push, frames.air, said or "as asked", tuple(pins.items()))


def _takeoff(frames: leapwright.Frames, best: leapwright.Jump, free: Mapping[str, int]) -> float:
    """Where take-off is with other counts: a pin holds its moment, else the crouch stays."""
    if "takeoff" in free:
        return free["takeoff"]
    if "land" in free:
        return free["land"] - frames.air
    if "apex" in free:
        return free["apex"] - frames.rise
    return float(best.moments.crouch + frames.push)
