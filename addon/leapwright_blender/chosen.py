# SPDX-License-Identifier: GPL-3.0-or-later
"""Which jump of a rig is meant, and where it is: given, remembered, or found as a check does."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

from leapwright.errors import ClashError, InputError, NotFoundError
from leapwright.find import search
from leapwright.found import FoundJump
from leapwright.pins import MOMENTS
from leapwright.units import finite
from leapwright_blender import store
from leapwright_blender.rig import Controls
from leapwright_blender.steps import Steps
from leapwright_blender.store import Remembered
from leapwright_blender.tracked import keyed_span, read_tracked

__all__ = ["jump_moments"]

NEEDED = ("takeoff", "land")


def jump_moments(
    obj: Any,
    scene: Any,
    controls: Controls,
    *,
    moments: Mapping[str, float | None] | None = None,
    jump: int | None = None,
) -> Steps[tuple[dict[str, float], Remembered | None]]:
    """Frames of a jump's moments, and what the rig remembers of it; in steps.

    Parameters
    ----------
    moments : mapping of moment to frame, optional
        As the user says; take-off and land at least. One that is None is absent.
    jump : int, optional
        Which of the jumps, remembered or found, from 1; needed where there are several.

    Raises
    ------
    InputError, ClashError
        Moments that are unknown, missing or out of order; no such jump.
    NotFoundError
        No jump is given, remembered or found.
    """
    if moments:
        return _given(moments), None
    remembered = store.load(obj)
    if not remembered:
        return (yield from _found(obj, scene, controls, jump)), None
    numbered = list(enumerate((r.moments["takeoff"] for r in remembered), start=1))
    chosen = remembered[_number(jump, numbered, f"{obj.name!r} remembers") - 1]
    return dict(chosen.moments), chosen


def _given(moments: Mapping[str, float | None]) -> dict[str, float]:
    given = {name: frame for name, frame in moments.items() if frame is not None}
    for name in given:
        if name not in MOMENTS:
            raise InputError(
                f"moments must name some of {', '.join(MOMENTS)}, got {name!r}", "moments"
            )
    missing = [name for name in NEEDED if name not in given]
    if missing:
        raise InputError(
            f"moments must say take-off and land; {missing[0]} is not there", "moments"
        )
    ordered = {
        name: float(finite(given[name], f"moments[{name!r}]", "frames"))
        for name in MOMENTS
        if name in given
    }
    for (first, a), (second, b) in pairwise(ordered.items()):
        if b <= a:
            raise ClashError(
                f"moments must follow each other in time: {second} is on {b:g}, {first} on {a:g}",
                ("moments",),
            )
    return ordered


def _found(obj: Any, scene: Any, controls: Controls, jump: int | None) -> Steps[dict[str, float]]:
    """Whole frames of the moments of a jump as a check finds it."""
    if keyed_span(obj) is None:
        raise NotFoundError(f"{obj.name!r} has no keys, so there is no jump in it")
    tracked = yield from read_tracked(obj, scene, controls=controls, cog_from="control")
    seen = search(tracked.track, gravity=tracked.ground.gravity, ground=tracked.floor)
    if not seen.jumps:
        raise NotFoundError(
            f"{obj.name!r} remembers no jump and none is found: {seen.reason}; "
            "say where take-off and land are"
        )
    numbered = [(found.number, found.moments.takeoff) for found in seen.jumps]
    return _whole(seen.jumps[_number(jump, numbered, f"{obj.name!r} has") - 1])


def _whole(found: FoundJump) -> dict[str, float]:
    """Take-off is the last whole frame with a foot on the floor, land the first again."""
    contact, land = found.takeoffs.contact, found.contact_land
    frames = {
        "crouch": found.moments.crouch,
        "takeoff": found.moments.takeoff if contact is None else contact,
        "apex": found.moments.apex,
        "land": found.moments.land if land is None else land,
        "low": found.moments.low,
    }
    whole = {name: float(round(frame)) for name, frame in frames.items()}
    inner = {"apex"} if not whole["takeoff"] < whole["apex"] < whole["land"] else set()
    inner |= {"crouch"} if whole["crouch"] >= whole["takeoff"] else set()
    inner |= {"low"} if whole["low"] <= whole["land"] else set()
    return {name: frame for name, frame in whole.items() if name not in inner}


def _number(jump: int | None, jumps: Sequence[tuple[int, float]], who: str) -> int:
    """Which jump is meant, from 1, of numbers and take-offs; refused where that is not said."""
    if len(jumps) > 1 and jump is None:
        listed = ", ".join(f"{number} (take-off {frame:g})" for number, frame in jumps)
        raise InputError(f"jump: {who} several, say which: {listed}", "jump")
    number = 1 if jump is None else jump
    if not 1 <= number <= len(jumps):
        raise InputError(f"jump must be 1 to {len(jumps)}, got {number}", "jump")
    return number
