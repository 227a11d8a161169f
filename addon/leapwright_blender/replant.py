# SPDX-License-Identifier: GPL-3.0-or-later
"""Feet that stand while the body over them goes another way, or that slid before.

A foot stays where it was first posed on the floor. It may roll: whichever of its points is lowest
stays. Legs that are turned joint by joint get keys that hold it, foot controls are moved.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.checked import Checked
from leapwright.curves import MERGE_FRAMES, Curves, channel, concat, remove_keys
from leapwright.timemap import TimeMap
from leapwright_blender.ground import Ground
from leapwright_blender.leg import Leg, with_all_below
from leapwright_blender.legkeys import posed_frames
from leapwright_blender.limb import limb_of
from leapwright_blender.planted import Plant, leg_keys
from leapwright_blender.poses import ankle_of
from leapwright_blender.rehearsal import rehearsal
from leapwright_blender.relaid import cut, is_on, job_of, keyed_axes, laid, plan_maps
from leapwright_blender.rig import Controls
from leapwright_blender.sample import sample
from leapwright_blender.space import Control, Point
from leapwright_blender.steps import Steps
from leapwright_blender.treads import Tread, treads_of

__all__ = ["Foot", "feet_of_rig", "hold_controls", "plants_of", "stands_of", "with_plants"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Played = list[tuple[Any, Curves]]
Span = tuple[float, float]

LEVEL_M = 1e-4
"""Points of a foot that are no farther apart in height than this both stand, m."""


@dataclass(frozen=True, slots=True)
class Foot:
    """A foot and its points on the floor.

    Attributes
    ----------
    leg : Leg or None
        Of an FK foot.
    control : Control or None
        Of a foot that is steered.
    treads : tuple of int
        Rows of the track's soles.
    """

    leg: Leg | None
    control: Control | None
    treads: tuple[int, ...]


def feet_of_rig(obj: Any, controls: Controls) -> tuple[list[Foot], tuple[Tread, ...]]:
    """The feet of a rig, and all points that its track has."""
    treads = treads_of(obj, controls)
    feet: list[Foot] = []
    for leg in controls.legs:
        if leg.ik or not leg.after:
            continue
        riding = with_all_below(obj, [leg.after])
        rows = tuple(
            i for i, t in enumerate(treads) if t.point.object == obj.name and t.point.bone in riding
        )
        if rows:
            feet.append(Foot(leg, None, rows))
    for control in controls.feet:
        own = {control.bone}
        if obj.pose is not None and control.object == obj.name:
            own = with_all_below(obj, own)
        rows = tuple(
            i
            for i, t in enumerate(treads)
            if t.point.object == control.object and t.point.bone in own
        )
        if rows:
            feet.append(Foot(None, control, rows))
    return feet, treads


def stands_of(
    foot: Foot, checked: Checked, time_map: TimeMap, spans: Sequence[Span], *, whole: bool
) -> list[Span]:
    """First and last frame, after, of each time that a foot is on the floor.

    Parameters
    ----------
    checked : Checked
        Before.
    spans : sequence of (float, float)
        Frames after that count; a stand is cut to them.
    whole : bool
        Not cut: to the end of the stand, where it touches a span.
    """
    assert checked.track is not None
    if checked.feet is None:
        return []
    frames = checked.track.frames[checked.track.known()]
    on = checked.feet.on[list(foot.treads)].any(axis=0)
    edge = np.diff(np.concatenate([[False], on, [False]]).astype(np.int8))
    starts, stops = np.flatnonzero(edge > 0), np.flatnonzero(edge < 0) - 1
    found: list[Span] = []
    for a, b in zip(starts.tolist(), stops.tolist(), strict=True):
        first, last = (float(np.rint(f)) for f in time_map.apply([frames[a], frames[b]]))
        for begin, end in spans:
            lower, upper = max(first, begin), min(last, end)
            if upper - lower >= -MERGE_FRAMES:
                found.append((first, last) if whole else (lower, upper))
    return list(dict.fromkeys(found))


def plants_of(
    obj: Any,
    scene: Any,
    ground: Ground,
    treads: Sequence[Tread],
    stands: Sequence[tuple[Foot, Span]],
    played: Played,
    posed: Curves,
) -> list[Plant]:
    """Where FK feet are held: as they roll in what is played, without what they slide.

    Parameters
    ----------
    played : list of (bpy.types.ID, Curves)
        With moments on their frames, before the COG is laid.
    posed : Curves
        The rig's channels with nothing but keys that are poses.
    """
    plants = []
    with rehearsal(played):
        for foot, (first, last) in stands:
            leg = foot.leg
            if leg is None or last - first < 1 - MERGE_FRAMES:
                continue
            on_foot = [treads[i].point for i in foot.treads if treads[i].point.bone == leg.after]
            if not on_foot:
                continue
            frames = np.unique([first, *np.arange(np.ceil(first), np.floor(last) + 1), last])
            limb = limb_of(obj, leg, on_foot[-1])
            own = posed_frames(posed, limb.channels)
            keys = own[(own >= first - MERGE_FRAMES) & (own <= last + MERGE_FRAMES)]
            anchor = float(keys[0]) if keys.size else first
            ankle = ankle_of(leg)
            places = sample(obj, np.append(frames, anchor), [ankle, *on_foot], scene=scene)
            matrices = places.matrices[0].copy()
            spots = places.positions[1:]
            shift = _held_shift(spots, ground)
            matrices[:, :3, 3] += shift
            held = tuple((float(f), m) for f, m in zip(frames.tolist(), matrices[:-1], strict=True))
            plants.append(Plant(leg, first, last, held, on_foot[-1]))
    return plants


def _held_shift(spots: Floats, ground: Ground) -> Floats:
    """World move of a foot on frames, that keeps its lowest point where the last frame has it.

    `spots` is (points, frames + 1, 3); so is the answer without its points.
    """
    up = ground.axes[2]
    lift = (spots - spots[:, -1:]) @ up
    lowest = np.argmin(lift + np.arange(len(spots))[::-1, None] * LEVEL_M / ground.metres, axis=0)
    rows = np.arange(spots.shape[1])
    return np.asarray(spots[lowest, -1] - spots[lowest, rows])


def with_plants(
    obj: Any,
    scene: Any,
    ground: Ground,
    played: Played,
    plants: Sequence[Plant],
    fresh: Bools,
    *,
    moments: Sequence[float],
    within: float,
) -> Steps[tuple[Played, tuple[str, ...]]]:
    """What is played with keys on FK legs that hold their feet, and what does not reach; in steps.

    Parameters
    ----------
    fresh : bool[K]
        Keys of the rig's channels that are no poses: on the legs they give way.
    """
    if not plants:
        return played, ()
    rig = played[0][1]
    paths = {c.data_path for plant in plants for c in limb_of(obj, plant.leg, plant.sole).channels}
    legs = np.array([c.data_path in paths for c in rig.channels], dtype=bool)
    less = remove_keys(rig, fresh & legs[rig.channel_of_key()]) if fresh.any() else rig
    with rehearsal([(played[0][0], less), *played[1:]]):
        found = yield from leg_keys(
            obj, scene, plants, moments=list(moments), within=within / ground.metres, stepped=False
        )
    held = {c: channel(found.curves, i) for i, c in enumerate(found.curves.channels)}
    parts = [held.get(c, channel(less, i)) for i, c in enumerate(less.channels)]
    said = tuple(
        f"the {name} is {short * ground.metres * 100:.1f} cm too short on frame {frame:g}"
        for name, frame, short in found.short
        if short * ground.metres > within
    )
    return [(played[0][0], concat(parts)), *played[1:]], said


def hold_controls(
    obj: Any,
    scene: Any,
    ground: Ground,
    treads: Sequence[Tread],
    stands: Sequence[tuple[Foot, Span]],
    played: Played,
    floors: Floats | None,
    *,
    within: float,
) -> Played:
    """What is played with foot controls that stay where they were first posed.

    Parameters
    ----------
    floors : ndarray, shape (soles,), or None
        Height of the floor under each point, m.
    """
    for foot, (first, last) in stands:
        control = foot.control
        if control is None:
            continue
        dips = last - first < 2 - MERGE_FRAMES
        if dips:
            first, last = first - 1, last + 1
        keyed = _keyed(played, control)
        inside = keyed[(keyed >= first - MERGE_FRAMES) & (keyed <= last + MERGE_FRAMES)]
        if not keyed.size:
            continue
        played = [
            (block, cut(curves, control, [first, last]) if is_on(control, block) else curves)
            for block, curves in played
        ]
        knots = np.unique([first, *inside.tolist(), last])
        job = job_of(control, knots, np.zeros(0), within=within, spare=True)
        anchor = float(inside[0]) if inside.size else first
        points: list[Control | Point] = [treads[i].point for i in foot.treads]
        with rehearsal(played):
            spots = sample(obj, np.append(job.frames, anchor), points, scene=scene).positions
            linear = plan_maps(obj, scene, ground, control, job.frames)
        missing = ground.to_plan(_held_shift(spots, ground))[:-1]
        if dips:
            missing[:] = 0.0
        missing[:, 2] = _raise(ground, spots[:, :-1], foot, floors)
        played = [
            (block, laid(curves, job, missing, linear) if is_on(control, block) else curves)
            for block, curves in played
        ]
    return played


def _raise(ground: Ground, spots: Floats, foot: Foot, floors: Floats | None) -> Floats:
    """How much higher a foot must be not to be in the floor, m."""
    if floors is None:
        return np.zeros(spots.shape[1])
    height = ground.to_plan(spots)[:, :, 2] - floors[list(foot.treads)][:, None]
    return np.asarray(np.maximum(-height.min(axis=0), 0.0))


def _keyed(played: Played, control: Control) -> Floats:
    found = [
        channel(curves, i).frame.astype(np.float64)
        for block, curves in played
        if is_on(control, block)
        for i in keyed_axes(curves, control).values()
    ]
    return np.unique(np.concatenate([*found, np.zeros(0)]))
