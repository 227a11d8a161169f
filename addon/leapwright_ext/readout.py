# SPDX-License-Identifier: GPL-3.0-or-later
"""The live answer: frames, moments, what gave and what to know, as short lines to draw."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import bpy

import leapwright
from leapwright.errors import LeapwrightError
from leapwright.offsets import foot_offsets

from .asking import measured, plan_arguments, poses_to_read
from .properties import MOMENTS, ground_name
from .recall import last_low

__all__ = ["Readout", "forget", "length", "read_out", "spline_summary", "summary", "units_of"]

_PHASES = {
    "anticipation": "anticipation",
    "crouch_hold": "crouch hold",
    "push": "push",
    "rise": "rise",
    "fall": "fall",
    "absorb": "absorb",
    "recover": "recover",
}
# Nobody asked for these: common practice says how long they are.
_BY_CUSTOM = ("anticipation", "recover")
# Frames are told in the phases' own lines.
_CHANGES = {
    "jump_height_m": "jump height",
    "push_height_m": "push height",
    "magnification": "magnification",
    "gravity_m_s2": "gravity",
    "travel_m": "travel",
    "foot_travel_m": "foot travel",
}
Units = tuple[str, str, float]
_UNITS = {
    "METERS": ("m", 1.0),
    "CENTIMETERS": ("cm", 0.01),
    "MILLIMETERS": ("mm", 0.001),
    "FEET": ("ft", 0.3048),
    "INCHES": ("in", 0.0254),
}
# A change below this is not seen, and would only fill the panel.
_LEAST_PERCENT = 0.05


@dataclass(frozen=True, slots=True)
class Readout:
    """Lines of a plan; of a plan that cannot be, only `problem`."""

    phases: tuple[str, ...] = ()
    moments: tuple[str, ...] = ()
    changes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    problem: str = ""


def read_out(values: Any, scene: Any) -> Readout:
    """Plan what is entered. The same values are planned once only, however often it is drawn."""
    low = last_low(values.id_data) if values.chain else None
    if problem := _missing(values, low):
        return Readout(problem=problem)
    try:
        foot_offsets(values.foot)
        arguments = plan_arguments(values, scene, low=low)
    except LeapwrightError as error:
        return Readout(problem=str(error))
    pins = tuple(arguments.pop("pins", {}).items())
    return _planned(tuple(sorted(arguments.items())), pins, units_of(scene))


def forget() -> None:
    """Let go of what was planned."""
    _planned.cache_clear()


def units_of(scene: Any) -> Units:
    """Give how the scene writes lengths."""
    units = scene.unit_settings
    return units.system, units.length_unit, float(units.scale_length)


def length(metres: float, units: Units) -> str:
    """Write a length as the scene does."""
    system, unit, scale = units
    if system == "NONE":
        return f"{metres / scale:.4g}"
    if unit in _UNITS:
        name, size = _UNITS[unit]
        return f"{metres / size:.4g} {name}"
    return str(bpy.utils.units.to_string(system, "LENGTH", metres, precision=4))


def summary(result: Any) -> str:
    """Say in one line what was blocked."""
    jump = result.jump
    frames = jump.frames
    return (
        f"Blocked: push {frames.push:g}, rise {frames.rise:g}, fall {frames.fall:g}; "
        f"take-off {jump.moments.takeoff:g}. "
        f"Largest distance {1000 * result.measured.largest_distance_m:.2f} mm"
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
        f"Largest distance {1000 * off:.2f} mm{stay}"
    )


def _missing(values: Any, low: float | None) -> str:
    """Say what is not there yet for a plan."""
    if values.chain and low is None:
        return "There is no low to go on from: block a jump first."
    posed = poses_to_read(values, low=low)
    if ground := ground_name(values):
        if "land" in posed:
            return "The land pose says where the landing is: leave out Land on, or clear Land."
        return f"How high {ground} is under the feet is read when you block: then frames are known."
    if values.push_measure != "poses":
        return ""
    if not {"crouch", "takeoff"} <= posed.keys():
        poses = "the crouch and the take-off" if low is None else "the next take-off"
        return f"Mark {poses}, or enter a push."
    if measured(values).push_height_m is None:
        return "Frames of poses have changed: press Read poses."
    return ""


@lru_cache(maxsize=32)
def _planned(
    arguments: tuple[tuple[str, Any], ...],
    pins: tuple[tuple[str, int], ...],
    units: Units,
) -> Readout:
    try:
        jump = leapwright.plan(**dict(arguments), pins=dict(pins) or None)
    except LeapwrightError as error:
        return Readout(problem=str(error))
    return Readout(
        phases=tuple(_phases(jump)),
        moments=tuple(
            f"{MOMENTS[name].lower()} {frame:g}"
            for name, frame in jump.moments
            if frame is not None
        ),
        changes=tuple(
            _change(change, units)
            for change in jump.changes
            if change.what in _CHANGES and abs(change.percent) >= _LEAST_PERCENT
        ),
        warnings=jump.warnings,
    )


def _phases(jump: leapwright.Jump) -> list[str]:
    lines = []
    for name, word in _PHASES.items():
        got, asked = getattr(jump.frames, name), getattr(jump.subframes, name)
        if not got and not asked:
            continue
        exact = f"{asked:.2f}" if asked else "0"
        same = name in _BY_CUSTOM or float(exact) == got
        lines.append(f"{word} {got:g}" if same else f"{word} {got:g} (asked {exact})")
    return lines


def _change(change: leapwright.Change, units: Units) -> str:
    pair: Mapping[str, str] = {
        side: length(value, units) if change.what.endswith("_m") else f"{value:.2f}"
        for side, value in (("asked", change.asked), ("got", change.got))
    }
    return f"{_CHANGES[change.what]} {pair['got']} (asked {pair['asked']})"
