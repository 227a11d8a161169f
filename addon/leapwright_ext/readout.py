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

from .asking import measured, plan_arguments
from .properties import MOMENTS, posed_frames

__all__ = ["Readout", "forget", "length", "read_out", "summary", "units_of"]

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
    if values.push_measure == "poses":
        poses = posed_frames(values)
        if not {"crouch", "takeoff"} <= poses.keys():
            return Readout(problem="Mark the crouch and the take-off, or enter a push.")
        if measured(values).push_height_m is None:
            return Readout(problem="Frames of poses have changed: press Read poses.")
    try:
        arguments = plan_arguments(values, scene)
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
