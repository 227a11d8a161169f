# SPDX-License-Identifier: GPL-3.0-or-later
"""Block a jump on a rig: read the poses, solve, look what is in the way, write once, measure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

import leapwright
from leapwright import ClashError, InputError, Jump
from leapwright.curves import Curves
from leapwright.naming import is_never
from leapwright.units import STANDARD_GRAVITY
from leapwright_blender import host, store
from leapwright_blender.blocked import Blocked, Measured, measure_written
from leapwright_blender.course import Course, lay_course, rides
from leapwright_blender.ground import Ground, ground_of
from leapwright_blender.legs import Reach
from leapwright_blender.markers import set_markers
from leapwright_blender.posed import measure, with_poses
from leapwright_blender.poses import Stand, read_poses, stand_on
from leapwright_blender.read import Reading, read_curves
from leapwright_blender.rig import Controls
from leapwright_blender.schedule import Schedule, arrange
from leapwright_blender.space import Control, held_axes, label
from leapwright_blender.write import write_curves

__all__ = ["Body", "block", "read_body"]

Floats = NDArray[np.float64]

AIRS = ("root", "feet")
AFTERS = ("keep", "shift")

SAID_FROM_M = 1e-3
"""Distance from the plan that is worth a warning, m."""


@dataclass(frozen=True, slots=True)
class Body:
    """What was read: the posed bodies, and the one that stands for all that is not posed."""

    stands: dict[str, Stand]
    home: Stand


def block(
    obj: Any,
    scene: Any,
    controls: Controls,
    *,
    poses: Mapping[str, float] | None = None,
    gravity: float | str = STANDARD_GRAVITY,
    keep: str | None = None,
    shot_start: float | None = None,
    stepped: bool = False,
    air: str | None = None,
    after: str = "keep",
    replace: bool = False,
    markers: bool = True,
    dry_run: bool = False,
    **ask: Any,
) -> Blocked:
    """Plan a jump through a rig's poses and key it. `Rig.block` is the documented door."""
    air = _check_choice("air", air or controls.carries, AIRS)
    if air == "root" and controls.carries != "root":
        raise ClashError(
            "air=root needs a root that carries the COG control and all feet: "
            f"{controls.sure.get('carries', ('', 'there is none'))[1]}; use feet",
            ("air",),
        )
    _check_choice("after", after, AFTERS)
    ground = ground_of(scene)
    frames = read_poses(poses)
    body = read_body(obj, scene, ground, controls, frames)
    gravity_m_s2 = ground.gravity if gravity == "scene" else gravity
    said = measure(body.stands, body.home)
    asked = with_poses(ask, said, keep=keep)
    asked.setdefault("heading", _facing(obj, ground))
    if asked.get("foot_travel") is not None and "takeoff" in body.stands:
        asked["cog_ahead"] = _ahead(body, asked["heading"])
    jump = leapwright.plan(
        **asked,
        gravity=gravity_m_s2,
        frame_rate=ground.frame_rate,
        shot_start=scene.frame_start if shot_start is None else shot_start,
    )
    course = lay_course(jump, body.stands, body.home)
    rode = rides(course, body.stands, body.home, controls, air=air)
    _refuse_held([r.control for r in rode], controls.never)
    owners = list(dict.fromkeys([obj.name, *(r.control.object for r in rode)]))
    before: dict[str, Curves] = {}
    schedules: dict[str, Schedule] = {}
    for name in owners:
        owner = bpy.data.objects[name]
        host.refuse_if_not_editable(owner)
        reading = read_curves(owner)
        before[name] = reading.curves
        schedules[name] = arrange(
            before[name],
            frames,
            course,
            [r for r in rode if r.control.object == name],
            stepped=stepped,
            after=after,
            replace=replace,
        )
        _refuse_locked(reading, schedules[name].curves)
    _refuse_in_the_way(schedules)
    warnings = [*jump.warnings, *_leg_warnings(course, body, jump)]
    keyed = tuple(k for s in schedules.values() for k in s.keyed)
    moments = {m: f for m, f in jump.moments if f is not None}
    moments["apex"] = float(course.frames[course.index("apex")])
    measured: Measured | None = None
    if not dry_run:
        for name in owners:
            write_curves(bpy.data.objects[name], schedules[name].curves)
        if markers:
            set_markers(scene, obj.name, moments)
        store.save(obj, asked=ask, poses=frames, moments=moments, cog=label(controls.cog), air=air)
        measured = measure_written(
            obj, scene, ground, controls, course, jump, frames, before, stepped=stepped
        )
        warnings += _distance_warning(measured)
    return Blocked(
        jump=jump,
        keyed=keyed,
        measured=measured,
        warnings=tuple(warnings),
        controls=controls,
        air=air,
        moments=moments,
        poses=said,
    )


def _check_choice(argument: str, value: str, allowed: Sequence[str]) -> str:
    if value not in allowed:
        raise InputError(f"{argument} must be one of {', '.join(allowed)}, got {value!r}", argument)
    return value


def read_body(
    obj: Any, scene: Any, ground: Ground, controls: Controls, frames: Mapping[str, float]
) -> Body:
    """Home is the start pose, else the take-off, else the crouch, else the current frame."""
    current = float(scene.frame_current_final)
    *stands, now = stand_on(obj, scene, ground, controls, [*frames.values(), current])
    posed = dict(zip(frames, stands, strict=True))
    home = next((posed[m] for m in ("start", "takeoff", "crouch") if m in posed), now)
    return Body(posed, home)


def _facing(obj: Any, ground: Ground) -> float:
    """Where the rig looks, -Y in its own axes, as a heading in degrees."""
    front = ground.axes @ -np.array(obj.matrix_world, dtype=np.float64)[:3, 1]
    return float(np.degrees(np.arctan2(front[1], front[0])))


def _distance_warning(measured: Measured) -> list[str]:
    """A COG control that is carried along by something that turns leaves the plan between keys."""
    if measured.largest_distance_m <= SAID_FROM_M:
        return []
    text = (
        f"the COG is {measured.largest_distance_m * 100:.1f} cm off the plan on frame "
        f"{measured.at_frame:g}: something above the COG control turns or moves between the poses"
    )
    return [text]


def _ahead(body: Body, heading: float) -> float:
    """How far the COG is ahead of where it stands at home when the feet leave, m."""
    way = body.stands["takeoff"].cog - body.home.cog
    angle = np.radians(heading)
    return float(way[0] * np.cos(angle) + way[1] * np.sin(angle))


def _refuse_locked(reading: Reading, written: Curves) -> None:
    locked = [c for c in reading.locked if c in written.channels]
    if locked:
        shown = ", ".join(c.label for c in locked[:4])
        more = f" and {len(locked) - 4} more" if len(locked) > 4 else ""
        raise leapwright.HostError(f"locked channels would be written: {shown}{more}; unlock them")


def _refuse_held(controls: Sequence[Control], never: Sequence[str]) -> None:
    for control in controls:
        if is_never(never, label(control), "location"):
            raise ClashError(
                f"the rig file says never to key the location of {label(control)!r}", ("rig_file",)
            )
        held = held_axes(control)
        if held:
            said = ", ".join(f"{axis} ({why})" for axis, why in held.items())
            raise leapwright.HostError(
                f"the location of {label(control)!r} cannot be keyed freely: {said}"
            )


def _refuse_in_the_way(schedules: Mapping[str, Schedule]) -> None:
    keys = [key for s in schedules.values() for key in s.in_the_way]
    if not keys:
        return
    shown = ", ".join(f"{channel} on {frame:g}" for channel, frame in keys[:4])
    more = f" and {len(keys) - 4} more" if len(keys) > 4 else ""
    raise leapwright.KeysInTheWayError(
        f"{len(keys)} keys stand where the jump would go: {shown}{more}; replace them, or shift "
        "later keys back",
        keys,
    )


def _leg_warnings(course: Course, body: Body, jump: Jump) -> list[str]:
    """Crouch and take-off that ask for more leg, or less, than the rig has."""
    texts = []
    for moment, words in (("crouch", "crouch"), ("takeoff", "take-off")):
        stand = body.stands.get(moment, body.home)
        moved = course.path.position[course.index(moment)] - stand.cog
        for leg, (hip, ankle, reach, fold) in stand.legs.items():
            distance = float(np.linalg.norm(hip + moved - ankle))
            texts.append(Reach(leg, words, distance, reach, fold).text)
    return [text for text in texts if text]
