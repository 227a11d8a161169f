# SPDX-License-Identifier: GPL-3.0-or-later
"""Lengths as they are entered and written: in units of the scene, or in one of the preferences."""

from __future__ import annotations

from typing import Any

import bpy
from bpy.props import FloatProperty

from .moments import FRESH

__all__ = [
    "PACKAGE",
    "UNITS",
    "Units",
    "draw_length",
    "entered",
    "length",
    "preferences",
    "units_of",
]

PACKAGE = __package__ or ""
UNITS = {
    "m": ("Metres", 1.0),
    "cm": ("Centimetres", 0.01),
    "mm": ("Millimetres", 0.001),
    "ft": ("Feet", 0.3048),
    "in": ("Inches", 0.0254),
}
Units = tuple[str, str, float]
_SCENE = {
    "METERS": "m",
    "CENTIMETERS": "cm",
    "MILLIMETERS": "mm",
    "FEET": "ft",
    "INCHES": "in",
}


def preferences() -> Any:
    """The preferences of this extension."""
    return bpy.context.preferences.addons[PACKAGE].preferences


def units_of(scene: Any) -> Units:
    """How lengths are written: the host's system, a unit ("" as the host writes), metres in one."""
    chosen = preferences().units
    if chosen != "scene":
        return "METRIC", chosen, UNITS[chosen][1]
    units = scene.unit_settings
    scale = float(units.scale_length)
    unit = "" if units.system == "NONE" else _SCENE.get(units.length_unit, "")
    return units.system, unit, UNITS[unit][1] if unit else scale


def length(metres: float, units: Units) -> str:
    """Write a length, its unit behind it."""
    system, unit, size = units
    if system == "NONE" or unit:
        # Never finer than a thousandth: more does not fit, and is not seen.
        return f"{round(metres / size, 3):.4g} {unit}".rstrip()
    return str(bpy.utils.units.to_string(system, "LENGTH", metres, precision=4))


def entered(name: str, title: str, *, least: float = -3.4e38) -> Any:
    """Give a property that is another one once more, as a plain number in the unit of entry.

    Parameters
    ----------
    name : str
        The property beside it, in units of the scene.
    title : str
        Its name.
    least : float
        The least value.
    """

    def ratio() -> float:
        """Units of entry in a unit of the scene."""
        unit = preferences().units
        # Not shown in units of the scene: the property itself is.
        metres = float(bpy.context.scene.unit_settings.scale_length)
        return 1.0 if unit == "scene" else metres / UNITS[unit][1]

    def get(self: Any) -> float:
        return float(getattr(self, name)) * ratio()

    def put(self: Any, value: float) -> None:
        setattr(self, name, value / ratio())

    return FloatProperty(
        name=title,
        description="In the unit of entry that the preferences name",
        get=get,
        set=put,
        precision=2,
        min=least,
        options={"HIDDEN", *FRESH},
    )


def draw_length(layout: Any, values: Any, name: str) -> None:
    """Draw a length in the unit of entry."""
    unit = preferences().units
    # The panel of the last operation is in units of the scene.
    if unit == "scene" or isinstance(values, bpy.types.Operator):
        layout.prop(values, name)
    else:
        title = values.bl_rna.properties[name].name
        layout.prop(values, f"entered_{name}", text=f"{title}, {unit}")
