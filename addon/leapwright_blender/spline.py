# SPDX-License-Identifier: GPL-3.0-or-later
"""The spline pass: a stepped block, re-posed since, becomes splines; the COG's air is the arc."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import bpy
import numpy as np

from leapwright.curves import Channel, Handle
from leapwright.errors import ClashError, InputError, NotFoundError
from leapwright.units import STANDARD_GRAVITY, gravity_of
from leapwright_blender import store
from leapwright_blender.account import Keyed
from leapwright_blender.blocked import Measured
from leapwright_blender.character import Holder
from leapwright_blender.cog import Source, source_named
from leapwright_blender.contact import LEVEL, Contact, foot_names
from leapwright_blender.course import Course, course_through
from leapwright_blender.finish import finish, remembered_controls
from leapwright_blender.floor import refuse_moving_parent
from leapwright_blender.ground import Ground, ground_of
from leapwright_blender.layout import Arranger, lay_out
from leapwright_blender.poses import Body, stand_on
from leapwright_blender.read import Reading
from leapwright_blender.ride import Ride
from leapwright_blender.rig import Controls
from leapwright_blender.schedule import Schedule
from leapwright_blender.splined import splined
from leapwright_blender.steps import Steps, run
from leapwright_blender.store import Remembered

__all__ = ["Splined", "spline"]

NEEDED = ("crouch", "takeoff", "apex", "land", "low")


@dataclass(frozen=True, slots=True)
class Splined:
    """What the spline pass did.

    Attributes
    ----------
    moments : tuple of dict
        Moments of each jump, in time order.
    gravity_m_s2 : tuple of float
        Gravity of each arc.
    keyed : tuple of Keyed
    measured : tuple of Measured
        One for each jump; empty on a dry run.
    stepped : tuple of str
        Channels that switch, and so stay stepped.
    warnings : tuple of str
    controls : Controls
    """

    moments: tuple[dict[str, float], ...]
    gravity_m_s2: tuple[float, ...]
    keyed: tuple[Keyed, ...]
    measured: tuple[Measured, ...]
    stepped: tuple[str, ...]
    warnings: tuple[str, ...]
    controls: Controls

    def to_json(self) -> dict[str, Any]:
        """Everything as JSON values; units are in the names."""
        return {
            "jumps": [
                {"moments": moments, "gravity_m_s2": gravity}
                for moments, gravity in zip(self.moments, self.gravity_m_s2, strict=True)
            ],
            "keyed": [keyed.to_json() for keyed in self.keyed],
            "measured": [measured.to_json() for measured in self.measured],
            "stays_stepped": list(self.stepped),
            "warnings": list(self.warnings),
        }


def spline(
    obj: Any,
    scene: Any,
    controls: Controls,
    *,
    moments: Mapping[str, float] | None = None,
    gravity: float | str | None = None,
    handle: str | None = None,
    legs: bool = False,
    within: float = 0.005,
    props: bool = True,
    dry_run: bool = False,
) -> Steps[Splined]:
    """Turn the jumps of a rig into splines, in steps. `Rig.spline` is the documented door."""
    jumps = _jumps(obj, controls, moments, gravity)
    chosen = _handle(handle)
    ground = ground_of(scene)
    warnings: list[str] = []
    switches: dict[str, None] = {}
    keyed: list[Keyed] = []
    measured: list[Measured] = []
    for jump in jumps:
        naming = source_named(obj, scene, controls, jump.cog_from)
        source = run(naming) if measured else (yield from naming)
        course, body = _course(obj, scene, ground, controls, jump, source)
        refuse_moving_parent(obj, scene, course.every_frame)
        laying = lay_out(
            obj,
            scene,
            ground,
            controls,
            course,
            body,
            _arranger(course, chosen, switches),
            air=jump.air,
            contacts=_contacts(controls, jump),
            lifts={},
            stepped=False,
            within=within,
            props=props,
            legs=legs,
            source=source,
        )
        # Once a jump is written there is no stopping: either all are splines or none is.
        layout = run(laying) if measured else (yield from laying)
        keyed += layout.keyed
        warnings += layout.warnings
        if dry_run:
            continue
        kept = [other for other in store.load(obj) if other.moments != jump.moments]
        done, more = finish(
            obj,
            scene,
            ground,
            controls,
            course,
            layout,
            poses={k: f for k, f in jump.moments.items() if k != "hold"},
            top=_top(course),
            kept=kept,
            new=replace(
                jump,
                asked={**jump.asked, "stepped": False},
                stepped=False,
                controls=remembered_controls(controls),
            ),
            markers=False,
            source=source,
            within=within,
        )
        measured.append(done)
        warnings += more
    return Splined(
        moments=tuple({k: f for k, f in j.moments.items() if k != "hold"} for j in jumps),
        gravity_m_s2=tuple(j.gravity_m_s2 for j in jumps),
        keyed=tuple(keyed),
        measured=tuple(measured),
        stepped=tuple(switches),
        warnings=tuple(dict.fromkeys(warnings)),
        controls=controls,
    )


def _jumps(
    obj: Any,
    controls: Controls,
    moments: Mapping[str, float] | None,
    gravity: float | str | None,
) -> list[Remembered]:
    """The jumps that the rig remembers, the stepped ones if any is; or the one whose moments are
    given."""
    if not moments:
        jumps = list(store.load(obj))
        jumps = [jump for jump in jumps if jump.stepped] or jumps
        if not jumps:
            raise NotFoundError(
                f"{obj.name!r} remembers no jump: say on which frames its moments are "
                f"({', '.join(NEEDED)})"
            )
        strength = None if gravity is None else float(gravity_of(gravity))
        return [replace(j, gravity_m_s2=strength or j.gravity_m_s2) for j in jumps]
    missing = [m for m in NEEDED if m not in moments]
    if missing:
        raise InputError(
            f"moments must say {', '.join(NEEDED)}; {missing[0]} is not there", "moments"
        )
    ordered = {m: float(moments[m]) for m in ("start", *NEEDED, "end") if m in moments}
    if sorted(ordered.values()) != list(ordered.values()):
        raise ClashError("moments must follow each other in time", ("moments",))
    return [
        Remembered(
            asked={},
            keep="poses",
            gravity_m_s2=float(gravity_of(STANDARD_GRAVITY if gravity is None else gravity)),
            stepped=True,
            poses={},
            moments=ordered,
            controls=remembered_controls(controls),
            air=controls.carries,
        )
    ]


def _course(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    jump: Remembered,
    source: Source | None,
) -> tuple[Course, Body]:
    """The arc through the body as it is posed on every moment now."""
    frames = jump.moments
    posing = stand_on(obj, scene, ground, controls, list(frames.values()), source)
    stands = dict(zip(frames, posing, strict=True))
    running = jump.asked.get("running") is not None
    carry_on = jump.asked.get("carry_on")
    course = course_through(
        frames,
        stands,
        gravity=jump.gravity_m_s2,
        fps=float(ground.frame_rate),
        running=running,
        carry_on=running if carry_on is None else bool(carry_on),
    )
    posed = {k: s for k, s in stands.items() if k != "hold"}
    return course, Body(posed, posed.get("start", posed["takeoff"]))


def _contacts(controls: Controls, jump: Remembered) -> dict[str, Contact]:
    said = {name: Contact(**offsets) for name, offsets in jump.feet.items()}
    return {name: said.get(name, LEVEL) for name in foot_names(controls)}


def _arranger(course: Course, handle: Handle, switches: dict[str, None]) -> Arranger:
    """Splines for each data-block; channels that switch are noted."""

    def stays_stepped(block: Any) -> Any:
        def says(channel: Channel) -> bool:
            if not _switches(block, channel):
                return False
            switches[channel.label] = None
            return True

        return says

    def arranged(holder: Holder, reading: Reading, rides: Sequence[Ride], _: Any) -> Schedule:
        return splined(
            reading.curves,
            course,
            rides,
            handle=handle,
            stays_stepped=stays_stepped(holder.block),
            closed=(*reading.driven, *reading.locked),
        )

    return arranged


def _switches(block: Any, channel: Channel) -> bool:
    """Whether a channel is on or off, one of several, or how much a constraint holds: a space
    switch glided over would tear the pose."""
    if channel.data_path.endswith(".influence"):
        return True
    try:
        value = block.path_resolve(channel.data_path)
    except ValueError:
        return False
    return isinstance(value, bool | int | str)


def _handle(name: str | None) -> Handle:
    """The handle type by name; else the one that the user's preferences give to new keys."""
    wanted = name or bpy.context.preferences.edit.keyframe_new_handle_type
    key = wanted.upper().replace("-", "_")
    if key == "AUTOCLAMPED":
        key = "AUTO_CLAMPED"
    if key not in Handle.__members__:
        allowed = ", ".join(h.name.lower().replace("_", "-") for h in Handle)
        raise InputError(f"handle must be one of {allowed}, got {name!r}", "handle")
    return Handle[key]


def _top(course: Course) -> float:
    """Frame of the arc's top, inside the air."""
    up, down = course.index("takeoff"), course.index("land")
    speed = course.path.velocity[up, 2]
    fall = course.path.velocity[down, 2]
    time = (course.path.times[down]) * speed / max(speed - fall, 1e-12)
    return float(np.clip(course.takeoff_frame + time * course.fps, *course.frames[[up, down]]))
