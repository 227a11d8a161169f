# SPDX-License-Identifier: GPL-3.0-or-later
"""When each foot leaves the ground and comes back to it: offsets from take-off and land.

Take-off is the last foot off and land the first foot on, so feet release earlier and plant later.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from leapwright.errors import ClashError, InputError, NotFoundError
from leapwright.naming import close_names, matching
from leapwright_blender.course import Course
from leapwright_blender.rig import Controls
from leapwright_blender.space import label

__all__ = ["LEVEL", "Contact", "foot_names", "read_contacts", "refuse_outside"]


@dataclass(frozen=True, slots=True)
class Contact:
    """Frames from take-off to the foot's last contact (0 or less), and from land to its first
    (0 or more)."""

    release: int = 0
    plant: int = 0


LEVEL = Contact()
"""A foot that leaves at take-off and comes down at land."""


def foot_names(controls: Controls) -> tuple[str, ...]:
    """Names of a rig's feet: the foot controls, then the feet of FK legs."""
    steered = [label(foot) for foot in controls.feet]
    return (*steered, *(leg.foot for leg in controls.legs if not leg.ik))


def read_contacts(
    foot: Mapping[str, Mapping[str, int]] | None, controls: Controls, *, step: int = 1
) -> dict[str, Contact]:
    """Contacts of all feet by name.

    Parameters
    ----------
    foot : mapping of name (or pattern) to {"release": int, "plant": int}
        Feet that are not named leave at take-off and come down at land.
    step : int
        2 on twos: offsets then stay on the grid.

    Raises
    ------
    NotFoundError
        No foot of that name.
    InputError
        An offset of the wrong sign, or not whole.
    ClashError
        All feet would leave before take-off, or plant after land.
    """
    names = foot_names(controls)
    contacts = dict.fromkeys(names, LEVEL)
    for pattern, offsets in (foot or {}).items():
        found = matching(pattern, names)
        if not found:
            near = close_names(pattern, names) or names
            there = f"feet: {', '.join(near)}" if near else "this rig has no feet"
            raise NotFoundError(f"`foot`: there is no foot {pattern!r}; {there}")
        for name in found:
            contacts[name] = _contact(pattern, offsets, step)
    if names:
        _check_last(contacts)
    return contacts


def _contact(name: str, offsets: Mapping[str, int], step: int) -> Contact:
    unknown = set(offsets) - {"release", "plant"}
    if unknown:
        raise InputError(
            f"`foot` {name} must say release or plant, got {sorted(unknown)[0]!r}", "foot"
        )
    for word, value in offsets.items():
        if value % 1:
            raise InputError(f"`foot` {name} {word} must be whole frames, got {value:g}", "foot")
        if value % step:
            raise InputError(
                f"`foot` {name} {word} must be a multiple of 2 on twos, got {value:g}", "foot"
            )
    release, plant = int(offsets.get("release", 0)), int(offsets.get("plant", 0))
    if release > 0:
        raise InputError(
            f"`foot` {name} release must be 0 or less, got {release:+d}: take-off is the last "
            "foot off",
            "foot",
        )
    if plant < 0:
        raise InputError(
            f"`foot` {name} plant must be 0 or more, got {plant:+d}: land is the first foot on",
            "foot",
        )
    return Contact(release, plant)


def _check_last(contacts: Mapping[str, Contact]) -> None:
    if all(c.release < 0 for c in contacts.values()):
        raise ClashError(
            "take-off is the last foot off: one foot must have release 0 (or pin take-off earlier)",
            ("foot",),
        )
    if all(c.plant > 0 for c in contacts.values()):
        raise ClashError(
            "land is the first foot on: one foot must have plant 0 (or pin land later)", ("foot",)
        )


def refuse_outside(contacts: Mapping[str, Contact], course: Course) -> None:
    """Raise where a foot would leave before the jump begins, or plant after it ends."""
    first, last = float(course.frames[0]), float(course.frames[-1])
    for name, contact in contacts.items():
        leaves = course.frame("takeoff") + contact.release
        if leaves < first:
            raise InputError(
                f"`foot` {name} releases on {leaves:g}, before the jump begins on {first:g}", "foot"
            )
        plants = course.frame("land") + contact.plant
        if plants > last:
            raise InputError(
                f"`foot` {name} plants on {plants:g}, after the jump ends on {last:g}", "foot"
            )
