# SPDX-License-Identifier: GPL-3.0-or-later
"""Retime a jump on a rig: the whole character's keys through one map of time, measured again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

import leapwright
from leapwright.curves import Channel, Curves, Interpolation, channel, concat, identical, select
from leapwright.errors import HostError, NotFoundError
from leapwright.fingerprint import changed_keys
from leapwright.retime import Retimed
from leapwright.shape import largest_miss
from leapwright.style import Style, styled_air
from leapwright.timemap import TimeMap
from leapwright.units import STANDARD_GRAVITY, gravity_of
from leapwright.warp import Warped, warp
from leapwright_blender import host, store
from leapwright_blender.aligned import unturned
from leapwright_blender.block import prepare
from leapwright_blender.cast import Cast, Part, read_cast
from leapwright_blender.ground import Ground, ground_of
from leapwright_blender.hang import laid_anew
from leapwright_blender.heights import Flight, measure_flight
from leapwright_blender.held import put_back, to_free, with_free
from leapwright_blender.markers import set_markers
from leapwright_blender.memory import marked, moved_memory
from leapwright_blender.poses import measured_at
from leapwright_blender.read import read_curves
from leapwright_blender.rehearsal import rehearsal
from leapwright_blender.retimed import KeysMoved, RetimedRig
from leapwright_blender.rig import Controls
from leapwright_blender.space import Control, data_path_location
from leapwright_blender.store import Remembered
from leapwright_blender.timed import Moved, retime_others
from leapwright_blender.turning import jump_moments
from leapwright_blender.whole_pose import selected_paths
from leapwright_blender.write import write_all

__all__ = ["retime"]

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class _Plan:
    """The character's curves before and after.

    `changed` and `fixed` are per key of `after`: what differs at all, and what the host must leave
    as it is written.
    """

    cast: Cast
    after: Curves
    changed: Bools
    fixed: Bools
    warped: Warped


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
) -> RetimedRig:
    """Send a rig's jump through a map of time. `Rig.retime` is the documented door."""
    host.refuse_if_not_editable(obj, will_copy=True)
    ground = ground_of(scene)
    frames, remembered = jump_moments(obj, scene, ground, controls, moments=moments, jump=jump)
    before = measure_flight(obj, scene, ground, controls, frames)
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
    done = [] if dry_run else prepare(obj, props=props)
    cast = read_cast(obj, props=props, only=selected_paths(obj) if selected else None)
    plan = _through(
        cast, controls, remembered, solved, before, exact=exact_shape, subframes=subframes
    )
    if solved.answer.rewrite_air:
        plan = _hanging(scene, ground, controls, remembered, plan, solved, before)
    _refuse(plan)
    if exact_shape:
        plan = _holding(plan)
    if dry_run:
        keys, after, others = _rehearsed(plan, solved.map), None, Moved()
    else:
        keys, after, others = _written(
            obj, scene, ground, controls, plan, solved, remembered, before,
            whole=not selected, exact=exact_shape, subframes=subframes, markers=markers,
        )  # fmt: skip
    return RetimedRig(
        solved=solved,
        keys=keys,
        others=others,
        before=before,
        after=after,
        props=tuple(f"{p.holder.label} ({p.holder.why})" for p in cast.parts[1:]),
        warnings=(*done, *solved.warnings, *_eased(plan), *others.said),
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


# --- Curves ------------------------------------------------------------------------------------


def _through(
    cast: Cast,
    controls: Controls,
    remembered: Remembered | None,
    solved: Retimed,
    before: Flight,
    *,
    exact: bool,
    subframes: bool,
) -> _Plan:
    """Everything through the map at once, so that what is on one frame stays on one."""
    if not len(cast.curves.frame):
        raise NotFoundError("there are no keys to retime")
    ways = {
        (data_path_location(c), c.object) for c in _carriers(controls, _air(controls, remembered))
    }
    carrying = [
        part.holder.kind == "objects" and (c.data_path, part.holder.name) in ways
        for part in cast.parts
        for c in part.curves.channels
    ]
    # A channel that is eased there follows no law of ours, and its easing is kept.
    physics = np.array(carrying, dtype=bool) & ~_eases(cast.curves, solved.map)
    warped = unturned(
        warp(
            cast.curves,
            solved.map,
            exact=exact,
            subframes=subframes,
            physics=physics,
            air=(before.moments["takeoff"], before.moments["land"]),
            moments=_moments(solved, before),
        )
    )
    return _Plan(cast, warped.curves, warped.changed, warped.fixed, warped)


def _eases(curves: Curves, time_map: TimeMap) -> Bools:
    """Channels with easing segments between the first bend of time and the last, bool[C]."""
    bends, home = time_map.bends(), curves.channel_of_key()
    eases = np.zeros(len(curves.channels), dtype=bool)
    if bends.size and len(home) > 1:
        key = np.flatnonzero(
            (curves.interpolation[:-1] > Interpolation.BEZIER)
            & (home[1:] == home[:-1])
            & (curves.frame[1:] > bends[0])
            & (curves.frame[:-1] < bends[-1])
        )
        eases[home[key]] = True
    return eases


def _air(controls: Controls, remembered: Remembered | None) -> str:
    return remembered.air if remembered else controls.carries


def _carriers(controls: Controls, air: str) -> list[Control]:
    """Controls whose location carries the COG."""
    carriers = [controls.cog, *([controls.root] if controls.root is not None else [])]
    return carriers if air == "root" else [*carriers, *controls.feet]


def _moments(solved: Retimed, before: Flight) -> dict[float, float]:
    """Frames of the moments before and after: their keys go there."""
    after = dict(solved.moments_after)
    return {
        frame: float(after[name])
        for name, frame in before.moments.items()
        if name != "hold" and after.get(name) is not None and float(frame).is_integer()
    }


def _hanging(
    scene: Any,
    ground: Ground,
    controls: Controls,
    remembered: Remembered | None,
    plan: _Plan,
    solved: Retimed,
    before: Flight,
) -> _Plan:
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
        [
            (part.holder.block, curves)
            for part, curves in zip(plan.cast.parts, plan.cast.split(plan.after), strict=True)
        ],
        styled.path,
        (float(answer.moments.takeoff), float(answer.moments.land)),
    )
    after = concat(
        [
            replace(c, channels=select(plan.cast.curves, part.channels).channels)
            for part, c in zip(plan.cast.parts, made, strict=True)
        ]
    )
    return _with_air(plan, after)


def _with_air(plan: _Plan, after: Curves) -> _Plan:
    """The plan with other curves; every key of a channel that differs counts as changed."""
    changed, fixed = [], []
    for i, _ in enumerate(after.channels):
        own = slice(plan.after.starts[i], plan.after.starts[i + 1])
        same = identical(channel(after, i), channel(plan.after, i))
        count = int(after.starts[i + 1] - after.starts[i])
        changed.append(plan.changed[own] if same else np.ones(count, dtype=bool))
        fixed.append(plan.fixed[own] if same else np.zeros(count, dtype=bool))
    return replace(plan, after=after, changed=np.concatenate(changed), fixed=np.concatenate(fixed))


def _holding(plan: _Plan) -> _Plan:
    """The plan with FREE handles wherever the host would make others."""
    free = np.zeros(len(plan.after.frame), dtype=bool)
    numbers = [keys for _, _, keys in _changing(plan, np.arange(free.size))]
    for keys, found in zip(numbers, to_free(_keys(plan, plan.changed)), strict=True):
        free[keys] = found
    return replace(plan, after=with_free(plan.after, free), fixed=plan.fixed & ~free)


def _refuse(plan: _Plan) -> None:
    touched = _touched(plan)
    for part in plan.cast.parts:
        names = {
            c for i, c in zip(part.channels, part.curves.channels, strict=True) if i in touched
        }
        if not names:
            continue
        host.refuse_if_not_editable(part.holder.block, will_copy=True)
        locked = [c for c in part.reading.locked if c in names]
        if locked:
            shown = ", ".join(c.label for c in locked[:4])
            more = f" and {len(locked) - 4} more" if len(locked) > 4 else ""
            raise HostError(f"locked channels would be retimed: {shown}{more}; unlock them first")


def _touched(plan: _Plan) -> set[int]:
    """Channels of the cast of which anything changes."""
    before, after = plan.cast.curves, plan.after
    more = np.flatnonzero(np.diff(before.starts) != np.diff(after.starts))
    return {*more.tolist(), *after.channel_of_key()[plan.changed].tolist()}


def _eased(plan: _Plan) -> list[str]:
    texts = []
    for listed, said in (
        (plan.warped.unsplit, "eased segments that time bends in are stretched as a whole"),
        (plan.warped.softened, "eased segments that time bends in are Bezier segments now"),
    ):
        if listed:
            shown = ", ".join(f"{plan.cast.label(c)} from {f:g}" for c, f in listed[:4])
            more = f" and {len(listed) - 4} more" if len(listed) > 4 else ""
            texts.append(f"{said}: {shown}{more}")
    return texts


# --- Writing -----------------------------------------------------------------------------------


def _changing(plan: _Plan, keys: NDArray[Any]) -> list[tuple[Part, Curves, NDArray[Any]]]:
    """Each part of the cast that changes: the channels that do, and what `keys` says of theirs."""
    touched = _touched(plan)
    halves = zip(
        plan.cast.parts,
        plan.cast.split(plan.after),
        plan.cast.split_keys(plan.after, keys),
        strict=True,
    )
    found = []
    for part, after, own in halves:
        at = [i for i, number in enumerate(part.channels) if number in touched]
        if at:
            found.append((part, select(after, at), own[np.isin(after.channel_of_key(), at)]))
    return found


def _sheets(plan: _Plan) -> list[tuple[Any, Curves, Bools, Curves]]:
    """For the writer: data-block, channels that change, keys to be left, what was before."""
    return [
        (part.holder.block, curves, fixed, part.curves)
        for part, curves, fixed in _changing(plan, plan.fixed)
    ]


def _keys(plan: _Plan, mask: Bools) -> list[tuple[Any, Curves, Bools]]:
    return [(part.holder.block, curves, keys) for part, curves, keys in _changing(plan, mask)]


def _rehearsed(plan: _Plan, time_map: TimeMap) -> KeysMoved:
    """What becomes of the keys, as the host would have them."""
    with rehearsal([(block, curves) for block, curves, _, _ in _sheets(plan)]):
        put_back(_keys(plan, ~plan.changed))
        return _told(plan, time_map)


def _told(plan: _Plan, time_map: TimeMap) -> KeysMoved:
    """What became of the keys, with the shapes that the host plays."""
    now = concat(
        [
            replace(
                _like(read_curves(part.holder.block).curves, part.curves.channels),
                channels=select(plan.cast.curves, part.channels).channels,
            )
            for part in plan.cast.parts
        ]
    )
    miss = largest_miss(plan.cast.curves, now, time_map)
    warped = plan.warped
    return KeysMoved(
        channels=len(_touched(plan)),
        moved=warped.moved,
        split=int(np.count_nonzero(warped.split)),
        merged=tuple((plan.cast.label(m.channel), m.kept, m.away) for m in warped.merged),
        largest_miss=miss._replace(channel=plan.cast.label(miss.channel) if miss.channel else ""),
    )


def _like(curves: Curves, channels: Sequence[Channel]) -> Curves:
    places = {c: i for i, c in enumerate(curves.channels)}
    return select(curves, [places[c] for c in channels])


def _written(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    plan: _Plan,
    solved: Retimed,
    remembered: Remembered | None,
    before: Flight,
    *,
    whole: bool,
    exact: bool,
    subframes: bool,
    markers: bool,
) -> tuple[KeysMoved, Flight, Moved]:
    jumps = store.load(obj)
    ours = [_ours(plan.cast, jump) for jump in jumps]
    moments = {
        name: float(frame)
        for name, frame in solved.moments_after
        if frame is not None and name in before.moments
    }
    if "hold" in before.moments:
        moments["hold"] = float(solved.map.apply([before.moments["hold"]])[0])
    with ExitStack() as undo, write_all(_sheets(plan)):
        put_back(_keys(plan, ~plan.changed))
        others = retime_others(
            [part.holder for part in plan.cast.parts],
            solved.map,
            channels=None if whole else plan.cast.parts[0].curves.channels,
            exact=exact,
            subframes=subframes,
            undo=undo,
        )
        keys = _told(plan, solved.map)
        after = measure_flight(obj, scene, ground, controls, moments)
        if remembered is not None and whole:
            moved = moved_memory(
                plan.cast, jumps, ours, solved, remembered, moments,
                whole=not (exact or subframes),
            )  # fmt: skip
            undo.callback(store.save, obj, jumps)
            store.save(obj, moved)
            if markers:
                set_markers(scene, obj.name, [marked(jump) for jump in moved])
        undo.pop_all()
    return keys, after, others


def _ours(cast: Cast, remembered: Remembered | None) -> list[Bools]:
    """Keys that are as the remembered jump wrote them, for each part."""
    return [
        np.zeros(len(part.curves.frame), dtype=bool)
        if remembered is None
        else changed_keys(remembered.written, part.curves, part.holder.label).ours
        for part in cast.parts
    ]
