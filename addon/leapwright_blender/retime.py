# SPDX-License-Identifier: GPL-3.0-or-later
"""Retime a jump on a rig: the whole character's keys through one map of time, measured again."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import ExitStack
from typing import Any

import numpy as np
from numpy.typing import NDArray

import leapwright
from leapwright.retime import Retimed
from leapwright.style import Style, styled_air
from leapwright.timemap import TimeMap
from leapwright.units import STANDARD_GRAVITY, gravity_of
from leapwright_blender import host, store
from leapwright_blender.cast import read_cast
from leapwright_blender.chosen import jump_moments
from leapwright_blender.cog import Source, source_named
from leapwright_blender.ground import Ground, ground_of
from leapwright_blender.hang import laid_anew
from leapwright_blender.heights import Flight, measure_flight
from leapwright_blender.held import put_back
from leapwright_blender.markers import set_markers
from leapwright_blender.memory import marked, moved_memory
from leapwright_blender.poses import measured_at
from leapwright_blender.recast import (
    Recast,
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
from leapwright_blender.retimed import KeysMoved, RetimedRig
from leapwright_blender.rig import Controls
from leapwright_blender.space import Control
from leapwright_blender.steps import Step, Steps, part
from leapwright_blender.store import Remembered
from leapwright_blender.timed import Moved, retime_others, time_bearing
from leapwright_blender.whole_pose import selected_paths
from leapwright_blender.write import write_all

__all__ = ["retime"]

Bools = NDArray[np.bool_]


def retime(
    obj: Any,
    scene: Any,
    controls: Controls,
    *,
    moments: Mapping[str, float] | None = None,
    jump: int | None = None,
    to_gravity: bool | float | str = False,
    exact_shape: bool = False,
    subframes: bool = False,
    selected: bool = False,
    props: bool = True,
    markers: bool = True,
    dry_run: bool = False,
    shot_start: float | None = None,
    **ask: Any,
) -> Steps[RetimedRig]:
    """Send a rig's jump through a map of time, in steps. `Rig.retime` is the documented door."""
    host.refuse_if_not_editable(obj, will_copy=True)
    ground = ground_of(scene)
    yield Step(0.0, "looking for the jump")
    finding = jump_moments(obj, scene, controls, moments=moments, jump=jump)
    frames, remembered = yield from part(finding, 0.0, 0.4)
    cog_from = remembered.cog_from if remembered else None
    source = yield from part(source_named(obj, scene, controls, cog_from), 0.4, 0.5)
    before = measure_flight(obj, scene, ground, controls, frames, source)
    solved = leapwright.retime(
        {name: frame for name, frame in before.moments.items() if name != "hold"},
        frame_rate=ground.frame_rate,
        heights=before.heights,
        style=_style(remembered),
        crouch_hold_frames=_hold(frames),
        to_gravity=_gravity(to_gravity, ground),
        shot_start=scene.frame_start if shot_start is None else shot_start,
        subframes=subframes,
        **{name: value for name, value in ask.items() if value is not None},
    )
    yield Step(0.6, "moving the keys")
    cast = read_cast(obj, props=props, only=selected_paths(obj) if selected else None)
    plan = through(
        cast,
        solved.map,
        _carriers(controls, _air(controls, remembered)),
        air=(before.moments["takeoff"], before.moments["land"]),
        moments=moved_moments(before, solved.moments_after),
        exact=exact_shape,
        subframes=subframes,
    )
    if solved.answer.rewrite_air:
        plan = _hanging(scene, ground, controls, remembered, plan, solved, before, source)
    refuse_closed(plan)
    if exact_shape:
        plan = holding(plan)
    yield Step(0.8, "writing")
    done = [] if dry_run else open_up(plan)
    if dry_run:
        keys, after = _rehearsed(plan, solved.map), None
        channels = cast.parts[0].curves.channels if selected else None
        found = time_bearing([page.holder for page in cast.parts], channels=channels)
        others = Moved(said=found.said)
    else:
        keys, after, others = _written(
            obj, scene, ground, controls, plan, solved, remembered, before, source,
            whole=not selected, exact=exact_shape, subframes=subframes, markers=markers,
        )  # fmt: skip
    return RetimedRig(
        solved=solved,
        keys=keys,
        others=others,
        before=before,
        after=after,
        props=tuple(f"{p.holder.label} ({p.holder.why})" for p in cast.parts[1:]),
        warnings=(*done, *solved.warnings, *eased_words(plan), *others.said),
    )


def _style(remembered: Remembered | None) -> Style | None:
    return Style.from_json(remembered.style) if remembered and remembered.style else None


def _hold(frames: Mapping[str, float]) -> float:
    return frames["crouch"] - frames["hold"] if {"hold", "crouch"} <= set(frames) else 0.0


def _gravity(wanted: bool | float | str, ground: Ground) -> float | None:
    if wanted is False or wanted is None:
        return None
    if wanted is True:
        return STANDARD_GRAVITY
    return ground.gravity if wanted == "scene" else float(gravity_of(wanted))


# --- The jump ----------------------------------------------------------------------------------


def _air(controls: Controls, remembered: Remembered | None) -> str:
    return remembered.air if remembered else controls.carries


def _carriers(controls: Controls, air: str) -> list[Control]:
    """Controls whose location carries the COG."""
    carriers = [controls.cog, *([controls.root] if controls.root is not None else [])]
    return carriers if air == "root" else [*carriers, *controls.feet]


def _hanging(
    scene: Any,
    ground: Ground,
    controls: Controls,
    remembered: Remembered | None,
    plan: Recast,
    solved: Retimed,
    before: Flight,
    source: Source | None,
) -> Recast:
    """The COG's air laid out anew, since its top hangs otherwise than before."""
    answer = solved.answer
    fps = float(ground.frame_rate)
    styled = styled_air(
        answer.style,
        jump_height=before.heights.jump,
        fall_height=before.heights.fall,
        air=answer.frames.air / fps,
        hang=answer.style.hang / fps,
    )
    on_root = _air(controls, remembered) == "root" and controls.root is not None
    carriers = [controls.root] if on_root else [controls.cog, *controls.feet]
    made = laid_anew(
        scene,
        ground,
        measured_at(controls),
        [c for c in carriers if c is not None],
        played(plan),
        styled.path,
        (float(answer.moments.takeoff), float(answer.moments.land)),
        source=source,
    )
    return with_curves(plan, joined(plan.cast, made))


# --- Writing -----------------------------------------------------------------------------------


def _rehearsed(plan: Recast, time_map: TimeMap) -> KeysMoved:
    """What becomes of the keys, as the host would have them."""
    with rehearsal([(block, curves) for block, curves, _, _ in sheets(plan)]):
        put_back(keys_of(plan, ~plan.changed))
        return told(plan, time_map)


def _written(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    plan: Recast,
    solved: Retimed,
    remembered: Remembered | None,
    before: Flight,
    source: Source | None,
    *,
    whole: bool,
    exact: bool,
    subframes: bool,
    markers: bool,
) -> tuple[KeysMoved, Flight, Moved]:
    jumps = store.load(obj)
    own = [ours(plan.cast, jump) for jump in jumps]
    moments = {
        name: float(frame)
        for name, frame in solved.moments_after
        if frame is not None and name in before.moments
    }
    if "hold" in before.moments:
        moments["hold"] = float(solved.map.apply([before.moments["hold"]])[0])
    with ExitStack() as undo, write_all(sheets(plan)):
        put_back(keys_of(plan, ~plan.changed))
        others = retime_others(
            [part.holder for part in plan.cast.parts],
            solved.map,
            channels=None if whole else plan.cast.parts[0].curves.channels,
            exact=exact,
            subframes=subframes,
            undo=undo,
        )
        keys = told(plan, solved.map)
        after = measure_flight(obj, scene, ground, controls, moments, source)
        if remembered is not None and whole:
            moved = moved_memory(
                plan.cast, jumps, own, solved, remembered, moments,
                whole=not (exact or subframes),
            )  # fmt: skip
            undo.callback(store.save, obj, jumps)
            store.save(obj, moved)
            if markers:
                set_markers(scene, obj.name, [marked(jump) for jump in moved])
        undo.pop_all()
    return keys, after, others
