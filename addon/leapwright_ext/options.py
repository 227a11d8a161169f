# SPDX-License-Identifier: GPL-3.0-or-later
"""How a jump is changed, whatever is asked of it: what stays, what gives, what goes along."""

# mypy: disable-error-code="valid-type"
# No postponed annotations here: the host reads properties from the annotations themselves.
from collections.abc import Collection, Mapping
from typing import Any

from bpy.props import BoolProperty, EnumProperty, IntProperty

from .moments import FRESH, MOMENTS

__all__ = ["OPTIONS", "ChangeOptions", "complete", "draw_pin", "draw_places", "option_arguments"]

DETAILS = frozenset({"pin_frame", "travel", "heading"})
"""Values that mean nothing without the ask that they belong to."""


class ChangeOptions:
    """What retime and resize both need to know; mixed into settings and operators."""

    pin: EnumProperty(
        name="Pin",
        description="A moment that lands on a given frame; without one the crouch keeps its frame",
        items=(("none", "None", "The crouch keeps its frame"),
               *((key, name, f"{name} lands on the frame") for key, name in MOMENTS.items())),
        options=FRESH,
    )  # fmt: skip
    pin_frame: IntProperty(name="On frame", description="Where the pinned moment lands",
                           options=FRESH)  # fmt: skip
    before: EnumProperty(
        name="Earlier keys",
        description="What becomes of the keys before the jump",
        items=(
            ("shift", "Move along", "Earlier keys move with the jump"),
            ("stretch", "Stay", "Earlier keys stay, and the anticipation gives"),
        ),
        options=FRESH,
    )
    after: EnumProperty(
        name="Later keys",
        description="What becomes of the keys after the jump",
        items=(
            ("shift", "Move along", "Later keys move with the jump"),
            ("stretch", "Stay", "Later keys stay, and the recover gives"),
        ),
        options=FRESH,
    )
    jump: IntProperty(
        name="Jump",
        description="Which of the jumps that the rig remembers, from 1",
        default=1,
        min=1,
        options=FRESH,
    )
    twos: BoolProperty(
        name="On twos",
        description="Every moment on twos, counted from the first frame of the scene",
        options=FRESH,
    )
    exact_shape: BoolProperty(
        name="Exact shape",
        description="Split curves where time bends, so that no shape changes",
        options=FRESH,
    )
    subframes: BoolProperty(
        name="Keys between frames",
        description="Exactly as asked: keys may stand between frames",
        options=FRESH,
    )
    props: BoolProperty(
        name="Props go along",
        description="Props that are parented or constrained to the character go along",
        default=True,
        options=FRESH,
    )


OPTIONS = tuple(ChangeOptions.__annotations__)


def option_arguments(values: Any) -> dict[str, Any]:
    """Give the arguments that say where the jump stands afterwards."""
    given: dict[str, Any] = {name: getattr(values, name) for name in ("before", "after")}
    if values.pin != "none":
        given["pins"] = {values.pin: values.pin_frame}
    return given | {name: True for name in ("twos", "subframes") if getattr(values, name)}


def draw_pin(column: Any, values: Any) -> None:
    """Draw which moment is to be on which frame."""
    column.prop(values, "pin")
    if values.pin != "none":
        column.prop(values, "pin_frame")


def draw_places(column: Any, values: Any) -> None:
    """Draw what becomes of the keys beside the jump."""
    column.prop(values, "before")
    column.prop(values, "after")


def complete(operator: Any, entered: Mapping[str, Any], asks: Collection[str]) -> None:
    """Take what was not given from where it is entered; where something is asked, only the rest.

    Adjusting an operator runs it again with all its values set: these stay.

    Parameters
    ----------
    operator : bpy.types.Operator
    entered : mapping of property name to its holder
    asks : collection of str
        Properties that ask for something. Of these, what is given stands alone.
    """
    given = {name for name in entered if operator.properties.is_property_set(name)}
    asked = bool(given & set(asks))
    for name in entered.keys() - given - ({*asks, *DETAILS} if asked else set()):
        setattr(operator, name, getattr(entered[name], name))
