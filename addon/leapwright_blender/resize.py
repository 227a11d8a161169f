# SPDX-License-Identifier: GPL-3.0-or-later
"""Resize a jump on a rig: higher or farther, gravity as it was, every pose but the air's kept."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

import leapwright
from leapwright.curves import channel
from leapwright.errors import InputError
from leapwright.resize import Resized
from leapwright.style import Style
from leapwright.units import finite
from leapwright_blender import store
from leapwright_blender.cast import Cast, read_cast
from leapwright_blender.chosen import jump_moments
from leapwright_blender.cog import Source, source_named
from leapwright_blender.course import Course
from leapwright_blender.ground import Ground, ground_of
from leapwright_blender.heights import Flight, measure_flight
from leapwright_blender.held import put_back
from leapwright_blender.markers import set_markers
from leapwright_blender.memory import marked
from leapwright_blender.poses import cog_on
from leapwright_blender.recalled import resized_memory
from leapwright_blender.recast import (
    Recast,
    carrying,
    eased_words,
    holding,
    joined,
    keys_of,
    moved_moments,
    open_up,
    ours,
    played,
    refuse_closed,
    sheets,
    through,
    told,
    with_curves,
)
from leapwright_blender.rehearsal import rehearsal
from leapwright_blender.relaid import Aside, lay_anew
from leapwright_blender.resized import ResizedRig
from leapwright_blender.rig import Controls
from leapwright_blender.space import Control, data_path_location, label
from leapwright_blender.steps import Step, Steps, part
from leapwright_blender.stood import leg_channels, slide_words, stood_still
from leapwright_blender.store import Remembered
from leapwright_blender.timed import Moved, retime_others, time_bearing
from leapwright_blender.write import write_all

__all__ = ["resize"]

Floats = NDArray[np.float64]

LAID = ("crouch", "takeoff", "apex", "land", "low")
"""Moments between which the COG is laid anew."""

STANDS_M = 1e-4
"""A way that is no longer than this has no direction, and is none, m."""


@dataclass(frozen=True, slots=True)
class _Way:
    """Where the jump goes: horizontally, m, from take-off to land, and the speeds around it."""

    across: Floats
    speed: Floats
    running: bool
    carry_on: bool

    @property
    def travel(self) -> float:
        return float(np.linalg.norm(self.across))


def resize(
    obj: Any,
    scene: Any,
    controls: Controls,
    *,
    moments: Mapping[str, float] | None = None,
    jump: int | None = None,
    heading: float | None = None,
    exact_shape: bool = False,
    subframes: bool = False,
    props: bool = True,
    markers: bool = True,
    dry_run: bool = False,
    shot_start: float | None = None,
    **ask: Any,
) -> Steps[ResizedRig]:
    """Make a rig's jump higher or farther, in steps. `Rig.resize` is the documented door."""
    ground = ground_of(scene)
    yield Step(0.0, "looking for the jump")
    finding = jump_moments(obj, scene, controls, moments=moments, jump=jump)
    frames, remembered = yield from part(finding, 0.0, 0.35)
    cog_from = remembered.cog_from if remembered else None
    source = yield from part(source_named(obj, scene, controls, cog_from), 0.35, 0.45)
    before = _measured(obj, scene, ground, controls, frames, remembered, source)
    if before.heights.push is None or "crouch" not in frames:
        raise InputError(
            "moments must say where the crouch is, below take-off: the push is laid anew", "moments"
        )
    way = _way(obj, scene, ground, controls, frames, remembered, source)
    given = {name: value for name, value in ask.items() if value is not None}
    solved = _solved(
        ground, frames, before, way, remembered, given,
        shot_start=scene.frame_start if shot_start is None else shot_start, subframes=subframes,
    )  # fmt: skip
    by = _aside(way, float(solved.jump.travel), heading)
    cast = read_cast(obj, props=props)
    flyers = _flyers(controls, remembered, cast, frames)
    carriers = list(dict.fromkeys([controls.cog, *flyers]))
    plan = through(
        cast,
        solved.map,
        carriers,
        air=(before.moments["takeoff"], before.moments["land"]),
        moments=moved_moments(before, solved.moments_after),
        exact=exact_shape,
        subframes=subframes,
    )
    after = {n: float(f) for n, f in solved.moments_after if f is not None and n in before.moments}
    yield Step(0.45, "laying the COG on its arc")
    curves, course = lay_anew(
        obj, scene, ground, controls, flyers,
        played(plan),
        {m: after[m] for m in LAID if m in after},
        gravity=solved.gravity,
        aside=_speeds(by, way),
        source=source,
    )  # fmt: skip
    plan = with_curves(plan, joined(cast, curves))
    own = [ours(cast, one) for one in store.load(obj)]
    feet = remembered.feet if remembered else {}
    standing = stood_still(
        obj, scene, ground, controls, cast.parts[0].curves, played(plan), course,
        ours=np.any([one[0] for one in own], axis=0) if own else _nothing(cast),
        time_map=solved.map, feet=feet, stepped=bool(remembered and remembered.stepped),
    )  # fmt: skip
    stood = yield from part(standing, 0.5, 0.8)
    plan = with_curves(plan, joined(cast, [stood.curves, *curves[1:]]))
    refuse_closed(plan)
    if exact_shape:
        plan = holding(plan)
    yield Step(0.8, "writing")
    done = [] if dry_run else open_up(plan)
    others, measured = Moved(), None
    off: tuple[float | None, float | None] = (None, None)
    slid: list[str] = []
    if dry_run:
        with rehearsal([(block, now) for block, now, _, _ in sheets(plan)]):
            put_back(keys_of(plan, ~plan.changed))
            keys = told(plan, solved.map, but=carrying(cast, carriers))
        others = Moved(said=time_bearing([page.holder for page in cast.parts]).said)
    else:
        others = _written(
            obj, scene, controls, plan, carriers, solved, remembered, after, frames, course, own,
            stood.gone, exact=exact_shape, subframes=subframes, markers=markers,
        )  # fmt: skip
        keys = told(plan, solved.map, but=carrying(cast, carriers))
        measured = _measured(obj, scene, ground, controls, after, remembered, source)
        off = _farthest(obj, scene, ground, controls, course, remembered, source)
        slid = slide_words(obj, scene, ground, controls, course, feet)
    return ResizedRig(
        asked={**given, **({} if heading is None else {"heading": heading})},
        solved=solved,
        keys=keys,
        others=others,
        before=before,
        after=measured,
        travel_before_m=way.travel,
        landing_moved_m=(float(by[0]), float(by[1]), float(by[2])),
        largest_distance_m=off[0],
        at_frame=off[1],
        props=tuple(f"{p.holder.label} ({p.holder.why})" for p in cast.parts[1:]),
        warnings=(
            *done, *solved.warnings, *eased_words(plan),
            *_moved_words(by, flyers, way, solved, given),
            *_given_way(stood.gone), *slid, *others.said,
        ),
    )  # fmt: skip


# --- The jump ----------------------------------------------------------------------------------


def _measured(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    frames: Mapping[str, float],
    remembered: Remembered | None,
    source: Source | None,
) -> Flight:
    """The jump, measured; a stepped one shows no arc between its keys, so its top is that of the
    gravity it was blocked under."""
    flight = measure_flight(obj, scene, ground, controls, frames, source)
    if remembered is None or not remembered.stepped:
        return flight
    time = (frames["land"] - frames["takeoff"]) / float(ground.frame_rate)
    gravity = remembered.gravity_m_s2
    speed = flight.heights.landing_level / time + gravity * time / 2
    return replace(
        flight,
        heights=replace(flight.heights, jump=speed**2 / (2 * gravity)),
        top_frame=frames["takeoff"] + speed / gravity * float(ground.frame_rate),
    )


def _way(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    frames: Mapping[str, float],
    remembered: Remembered | None,
    source: Source | None,
) -> _Way:
    at = [frames["takeoff"], frames["land"]]
    places = cog_on(obj, scene, ground, controls, at, source)
    across = places[1, :2] - places[0, :2]
    asked = remembered.asked if remembered else {}
    running = bool(asked.get("running"))
    carry_on = asked.get("carry_on")
    return _Way(
        across=across,
        speed=across / (at[1] - at[0]) * float(ground.frame_rate),
        running=running,
        carry_on=running if carry_on is None else bool(carry_on),
    )


def _solved(
    ground: Ground,
    frames: Mapping[str, float],
    before: Flight,
    way: _Way,
    remembered: Remembered | None,
    given: Mapping[str, Any],
    **options: Any,
) -> Resized:
    """The answer; a running jump keeps its speed, so what it does in a longer air is longer."""

    def answer(travel: float) -> Resized:
        return leapwright.resize(
            {name: frame for name, frame in before.moments.items() if name != "hold"},
            before.heights,
            frame_rate=ground.frame_rate,
            style=Style.from_json(remembered.style) if remembered and remembered.style else None,
            crouch_hold_frames=frames["crouch"] - frames.get("hold", frames["crouch"]),
            travel_before=travel,
            **options,
            **given,
        )

    solved = answer(way.travel)
    if not way.running or given.get("travel") is not None:
        return solved
    speed = float(np.linalg.norm(way.speed))
    return answer(speed * float(solved.jump.frames.air) / float(ground.frame_rate))


def _aside(way: _Way, travel: float, heading: float | None) -> Floats:
    """From the landing before to the landing after, m."""
    if abs(travel - way.travel) <= 1e-9 and heading is None:
        return np.zeros(3)
    if heading is not None:
        turn = np.deg2rad(float(finite(heading, "heading", "degrees")))
        along = np.array([np.cos(turn), np.sin(turn)])
    elif way.travel > STANDS_M:
        along = way.across / way.travel
    else:
        raise InputError("heading must be given: the jump goes straight up so far", "heading")
    return np.append(along * travel - way.across, 0.0)


def _speeds(by: Floats, way: _Way) -> Aside:
    still = np.zeros(2)
    return Aside(by, way.speed if way.running else still, way.speed if way.carry_on else still)


def _flyers(
    controls: Controls,
    remembered: Remembered | None,
    cast: Cast,
    frames: Mapping[str, float],
) -> list[Control]:
    """Who carries the body through the air: as remembered; else the root if its height is keyed
    there, else the COG control with the feet that are."""
    feet = [foot for foot in controls.feet if _flies(cast, foot, frames)]
    root = controls.root
    if root is None or root == controls.cog:
        return [controls.cog, *feet]
    by_root = remembered.air == "root" if remembered else _flies(cast, root, frames)
    return [root] if by_root else [controls.cog, *feet]


def _flies(cast: Cast, control: Control, frames: Mapping[str, float]) -> bool:
    """Whether a control's location has keys of different values from take-off to land."""
    path = data_path_location(control)
    for page in cast.parts:
        if page.holder.kind != "objects" or page.holder.name != control.object:
            continue
        for i, c in enumerate(page.curves.channels):
            one = channel(page.curves, i)
            inside = (one.frame >= frames["takeoff"] - 1e-3) & (one.frame <= frames["land"] + 1e-3)
            values = one.value[inside]
            if c.data_path == path and values.size and np.ptp(values) > 1e-6:
                return True
    return False


# --- Curves ------------------------------------------------------------------------------------


def _nothing(cast: Cast) -> NDArray[np.bool_]:
    return np.zeros(len(cast.parts[0].curves.frame), dtype=bool)


# --- Writing -----------------------------------------------------------------------------------


def _written(
    obj: Any,
    scene: Any,
    controls: Controls,
    plan: Recast,
    carriers: Sequence[Control],
    solved: Resized,
    remembered: Remembered | None,
    after: Mapping[str, float],
    frames: Mapping[str, float],
    course: Course,
    own: Sequence[Sequence[NDArray[np.bool_]]],
    gone: NDArray[np.bool_],
    *,
    exact: bool,
    subframes: bool,
    markers: bool,
) -> Moved:
    jumps = store.load(obj)
    with ExitStack() as undo, write_all(sheets(plan)):
        put_back(keys_of(plan, ~plan.changed))
        others = retime_others(
            [part.holder for part in plan.cast.parts],
            solved.map,
            exact=exact,
            subframes=subframes,
            undo=undo,
        )
        if remembered is not None:
            moments = dict(after)
            if "hold" in frames:
                moments["hold"] = float(solved.map.apply([frames["hold"]])[0])
            moved_by_us = carrying(plan.cast, carriers)
            rig = plan.cast.parts[0]
            moved_by_us[rig.channels.start : rig.channels.stop] |= leg_channels(
                controls, rig.curves
            )
            moved = resized_memory(
                obj, plan.cast, moved_by_us, solved, remembered, moments, own, gone, course,
                whole=not (exact or subframes),
            )  # fmt: skip
            undo.callback(store.save, obj, jumps)
            store.save(obj, moved)
            if markers:
                set_markers(scene, obj.name, [marked(jump) for jump in moved])
        undo.pop_all()
    return others


def _farthest(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    course: Course,
    remembered: Remembered | None,
    source: Source | None,
) -> tuple[float, float]:
    """How far the COG is from its new way at most, m, and on which frame."""
    stepped = remembered is not None and remembered.stepped
    frames = course.frames if stepped else course.every_frame
    places = cog_on(obj, scene, ground, controls, frames, source)
    away = np.linalg.norm(places - course.at(frames), axis=1)
    return float(np.max(away)), float(frames[np.argmax(away)])


# --- Words -------------------------------------------------------------------------------------


def _moved_words(
    by: Floats, flyers: Sequence[Control], way: _Way, solved: Resized, given: Mapping[str, Any]
) -> list[str]:
    """What of the shot is elsewhere now."""
    metres = float(np.linalg.norm(by))
    if metres <= STANDS_M:
        return []
    names = ", ".join(label(control) for control in flyers)
    said = [f"it lands {metres:.3f} m from before: later keys of {names} are moved by that"]
    if way.running and given.get("travel") is None:
        said.append(f"a running jump keeps its speed, so its travel is {solved.jump.travel:.3f} m")
    elif way.running:
        said.append(
            f"the run keeps its speed of {np.linalg.norm(way.speed):.2f} m/s, the air has "
            f"{float(solved.jump.travel_speed):.2f} m/s"
        )
    return said


def _given_way(gone: NDArray[np.bool_]) -> list[str]:
    count = int(np.count_nonzero(gone))
    if not count:
        return []
    keys = "1 key that held a foot" if count == 1 else f"{count} keys that held the feet"
    return [f"{keys} between the poses gave way to new ones"]
