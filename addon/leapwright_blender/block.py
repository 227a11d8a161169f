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
from leapwright_blender import host, store
from leapwright_blender.blocked import Blocked, Measured, measure_written
from leapwright_blender.course import Course, lay_course, rides
from leapwright_blender.ground import Ground, ground_of
from leapwright_blender.legs import Reach
from leapwright_blender.markers import set_markers
from leapwright_blender.poses import Stand, measure, read_poses, stand_on
from leapwright_blender.read import Reading, read_curves
from leapwright_blender.rig import Controls
from leapwright_blender.schedule import Schedule, arrange
from leapwright_blender.space import Control, held_axes, label
from leapwright_blender.write import write_curves

__all__ = ["block"]

Floats = NDArray[np.float64]

AIRS = ("root", "feet")
AFTERS = ("keep", "shift")


@dataclass(frozen=True, slots=True)
class _Body:
    """What was read: the posed bodies, and the one that stands for all that is not posed."""

    stands: dict[str, Stand]
    home: Stand


def block(
    obj: Any,
    scene: Any,
    controls: Controls,
    *,
    poses: Mapping[str, float] | None = None,
    gravity: float | str = "scene",
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
    body = _read_body(obj, scene, ground, controls, frames)
    gravity_m_s2 = ground.gravity if gravity == "scene" else gravity
    asked = _with_poses(ask, body, ground, controls, keep)
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
            obj, scene, ground, controls, course, jump, frames, before, schedules
        )
    return Blocked(
        jump=jump,
        keyed=keyed,
        measured=measured,
        warnings=tuple(warnings),
        controls=controls,
        air=air,
        moments=moments,
        poses=measure(body.stands),
    )


def _check_choice(argument: str, value: str, allowed: Sequence[str]) -> str:
    if value not in allowed:
        raise InputError(f"{argument} must be one of {', '.join(allowed)}, got {value!r}", argument)
    return value


def _read_body(
    obj: Any, scene: Any, ground: Ground, controls: Controls, frames: Mapping[str, float]
) -> _Body:
    """Home is the start pose, else the take-off, else the crouch, else the current frame."""
    current = float(scene.frame_current_final)
    wanted = [*frames.values(), current]
    stands = stand_on(obj, scene, ground, controls, wanted)
    posed = dict(zip(frames, stands, strict=False))
    home = next((posed[m] for m in ("start", "takeoff", "crouch") if m in posed), stands[-1])
    return _Body(posed, home)


def _with_poses(
    ask: Mapping[str, Any], body: _Body, ground: Ground, controls: Controls, keep: str | None
) -> dict[str, Any]:
    """Add what the poses say to what was asked; refuse what contradicts them."""
    asked = {name: value for name, value in ask.items() if value is not None}
    said = measure(body.stands)
    if said.push_height_m is not None:
        _refuse_both(asked, "push_height", "the crouch and take-off poses", said.push_height_m)
        if said.push_height_m <= 1e-6:
            raise InputError(
                "poses: the COG must be higher at take-off than in the crouch, got "
                f"{said.push_height_m:.3f} m",
                "poses",
            )
        if keep == "gravity":
            raise ClashError(
                "keep=gravity would change the posed push height: use poses or heights",
                ("keep", "poses"),
            )
        asked["push_height"] = said.push_height_m
        keep = keep or "poses"
    if said.landing_level_m is not None:
        _refuse_both(asked, "landing_level", "the take-off and land poses", said.landing_level_m)
        for name in ("travel", "foot_travel", "heading"):
            _refuse_both(asked, name, "the take-off and land poses", said.travel_m)
        way = body.stands["land"].cog - body.stands["takeoff"].cog
        asked["landing_level"] = said.landing_level_m
        if asked.get("running") is None:
            asked["travel"] = said.travel_m
        asked["heading"] = float(np.degrees(np.arctan2(way[1], way[0])))
    _add_heights(asked, body.stands)
    limit = _fold_room(body.home)
    if limit is not None:
        asked.setdefault("absorb_limit", limit)
    if keep is not None:
        asked["keep"] = keep
    return asked


def _refuse_both(asked: Mapping[str, Any], name: str, poses: str, value: float | None) -> None:
    if asked.get(name):
        raise ClashError(
            f"{name} is given, and {poses} say it too ({value:.3f}): leave one of them out",
            (name, "poses"),
        )


def _add_heights(asked: dict[str, Any], stands: Mapping[str, Stand]) -> None:
    """Heights between other posed moments: how long anticipation, absorb and recover take."""

    def rise(first: str, second: str) -> float | None:
        if first in stands and second in stands:
            return float(stands[second].cog[2] - stands[first].cog[2])
        return None

    start, end, absorb = rise("crouch", "start"), rise("low", "end"), rise("low", "land")
    if start is not None:
        asked["start_height"] = abs(start)
    if end is not None:
        asked["end_height"] = abs(end)
    if absorb is not None:
        if absorb <= 0:
            raise InputError(
                f"poses: the COG must be lower at low than at land, got {-absorb:.3f} m above",
                "poses",
            )
        asked.pop("absorb_limit", None)
        asked["absorb_height"] = absorb


def _fold_room(home: Stand) -> float | None:
    """How far the legs let the COG sink, m."""
    rooms = [hip[2] - ankle[2] - fold for hip, ankle, _, fold in home.legs.values()]
    room = min(rooms, default=0.0)
    return float(room) if room > 0.01 else None


def _facing(obj: Any, ground: Ground) -> float:
    """Where the rig looks, -Y in its own axes, as a heading in degrees."""
    front = ground.axes @ -np.array(obj.matrix_world, dtype=np.float64)[:3, 1]
    return float(np.degrees(np.arctan2(front[1], front[0])))


def _ahead(body: _Body, heading: float) -> float:
    """How far the COG is ahead of where it stands at home when the feet leave, m."""
    way = body.stands["takeoff"].cog - body.home.cog
    angle = np.radians(heading)
    return float(way[0] * np.cos(angle) + way[1] * np.sin(angle))


def _refuse_locked(reading: Reading, written: Curves) -> None:
    locked = [c for c in reading.locked if c in written.channels]
    if locked:
        shown = ", ".join(f"{c.data_path}[{c.index}]" for c in locked[:4])
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


def _leg_warnings(course: Course, body: _Body, jump: Jump) -> list[str]:
    """Crouch and take-off that ask for more leg, or less, than the rig has."""
    texts = []
    for moment, words in (("crouch", "crouch"), ("takeoff", "take-off")):
        stand = body.stands.get(moment, body.home)
        moved = course.path.position[course.index(moment)] - stand.cog
        for leg, (hip, ankle, reach, fold) in stand.legs.items():
            distance = float(np.linalg.norm(hip + moved - ankle))
            texts.append(Reach(leg, words, distance, reach, fold).text)
    return [text for text in texts if text]
