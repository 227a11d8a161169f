# SPDX-License-Identifier: GPL-3.0-or-later
"""The measured COG of found jumps laid anew: one arc in the air, push and absorb that meet it.

What the COG misses of its course is given to the locations of what carries it. Limbs weigh too, and
feet that are held move them, so this is done again until little is missed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import MERGE_FRAMES, Curves, channel
from leapwright.path import Path
from leapwright.repair import Repair
from leapwright_blender.cog import Source, measure
from leapwright_blender.ground import Ground
from leapwright_blender.rehearsal import rehearsal
from leapwright_blender.relaid import Job, cut, is_on, job_of, keyed_axes, laid, plan_maps
from leapwright_blender.space import Control
from leapwright_blender.steps import Step, Steps, creeping, part

__all__ = ["Laid", "lay_arcs", "runs_of"]

Floats = NDArray[np.float64]
Played = list[tuple[Any, Curves]]
Replant = Callable[[Played], Steps[Played]]

ROUNDS = 5
"""How often what is missed is given again."""

CLOSE = 0.3
"""Part of the distance asked for that the last round may miss between keys."""

BESIDE = 0.25
"""Frames beside a moment between which its speed is measured."""

EVEN = 0.25
"""Part of what is seen as uneven travel that a posed apex may be off its line."""


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """What was laid.

    Attributes
    ----------
    curves : list of Curves
        One for each data-block.
    farthest : float
        How far the COG is from its course at most on the frames looked at, m.
    """

    curves: list[Curves]
    farthest: float


@dataclass(frozen=True, slots=True, eq=False)
class _Course:
    """The wanted way over frames: height and level way apart, and which frames each rules."""

    frames: Floats
    place: Floats
    rules: Floats


def runs_of(repairs: Sequence[Repair]) -> list[list[Repair]]:
    """Repairs whose jumps follow one another without a stand between, together."""
    runs: list[list[Repair]] = []
    for repair in repairs:
        if repair.chained and runs and runs[-1][-1].jump.number == repair.jump.number - 1:
            runs[-1].append(repair)
        else:
            runs.append([repair])
    return runs


def lay_arcs(
    obj: Any,
    scene: Any,
    ground: Ground,
    source: Source,
    cog: Control,
    flyer: Control,
    played: Played,
    repairs: Sequence[Repair],
    *,
    fresh: frozenset[float],
    within: float,
    uneven: float,
    feet: Sequence[Control] = (),
    replant: Replant,
) -> Steps[Laid]:
    """Lay the COG of some jumps, in steps.

    Parameters
    ----------
    source : Source
        What the COG is measured with.
    cog, flyer : Control
        What carries the body over the feet, and what through the air.
    played : list of (bpy.types.ID, Curves)
        Whole channels, moments already on the frames after.
    repairs : sequence of Repair
        In time order.
    fresh : frozenset of float
        Frames of moments whose keys are new: their place is no pose.
    within : float
        How near the COG is held to its course, m.
    uneven : float
        m from an even pace that is seen, in the air.
    feet : sequence of Control
        Foot controls that are taken along in the air.
    replant : function
        Takes what is played and gives it with feet that stand.

    Raises
    ------
    HostError
        A location that has to move is not keyed.
    """
    repairs = [repair for repair in repairs if repair.lays]
    jobs = _jobs(cog, flyer, feet, played, repairs, within)
    if not jobs:
        return Laid([curves for _, curves in played], 0.0)
    base = [
        (block, _with_ends(curves, [job for job in jobs if is_on(job.control, block)]))
        for block, curves in played
    ]
    at = np.unique(np.concatenate([job.frames for job in jobs]))
    speeds = _speeds(obj, scene, ground, source, base, repairs)
    now, farthest = base, np.inf
    for attempt in range(ROUNDS):
        begun, ended = creeping(attempt), creeping(attempt + 1)
        yield Step(begun, "laying the COG on its arc")
        stood = yield from part(replant(now), begun, ended)
        with rehearsal(stood):
            places = ground.to_plan(measure(obj, scene, at, source))
            missing = _missing(at, places, repairs, speeds, fresh, uneven)
            far = float(np.max(np.linalg.norm(missing, axis=1), initial=0.0))
            if attempt and (far <= CLOSE * within or far > 0.9 * farthest):
                farthest = min(far, farthest)
                break
            farthest = far
            maps = [plan_maps(obj, scene, ground, job.control, job.frames) for job in jobs]
        for number, (job, linear) in enumerate(zip(jobs, maps, strict=True)):
            there = missing[np.searchsorted(at, job.frames)] * _own(number, jobs)[:, None]
            now = [
                (block, laid(curves, job, there, linear) if is_on(job.control, block) else curves)
                for block, curves in now
            ]
    stood = yield from replant(now)
    return Laid([curves for _, curves in stood], farthest)


def _with_ends(curves: Curves, jobs: Sequence[Job]) -> Curves:
    for job in jobs:
        curves = cut(curves, job.control, [float(job.knots[0]), float(job.knots[-1])])
    return curves


def _own(number: int, jobs: Sequence[Job]) -> Floats:
    """Which frames of a job are not another's: where one ends and the next begins, the first's."""
    job = jobs[number]
    share = np.ones(len(job.frames))
    for other in jobs[:number]:
        if other.control == job.control:
            continue
        for end in (job.frames[0], job.frames[-1]):
            if other.frames[0] - MERGE_FRAMES <= end <= other.frames[-1] + MERGE_FRAMES:
                share[job.frames == end] = 0.0
    return share


# --- Who goes where -----------------------------------------------------------------------------


def _spans(
    run: Sequence[Repair], cog: Control, flyer: Control, feet: Sequence[Control]
) -> list[tuple[Control, float, float]]:
    """Control, first and last frame of each stretch that is laid anew."""
    found: list[tuple[Control, float, float]] = []
    for repair in run:
        after = repair.after
        if "air" in repair.lays:
            found += [(foot, after["takeoff"], after["land"]) for foot in feet]
        if repair.lays == {"push"}:
            found.append((cog, after["crouch"], after["takeoff"]))
            continue
        if cog == flyer:
            found.append((cog, after["crouch"], after["low"]))
            continue
        found.append((cog, after["crouch"], after["takeoff"]))
        found.append((cog, after["land"], after["low"]))
        found.append((flyer, after["takeoff"], after["land"]))
    # The body first: what is left in the air is the root's.
    found.sort(key=lambda one: (one[0] != cog, one[0] != flyer, one[0].bone, one[1]))
    joined: list[tuple[Control, float, float]] = []
    for control, first, last in found:
        if joined and joined[-1][0] == control and abs(joined[-1][2] - first) < MERGE_FRAMES:
            joined[-1] = (control, joined[-1][1], last)
        else:
            joined.append((control, first, last))
    return joined


def _jobs(
    cog: Control,
    flyer: Control,
    feet: Sequence[Control],
    played: Played,
    repairs: Sequence[Repair],
    within: float,
) -> list[Job]:
    jobs = []
    for run in runs_of(repairs):
        moments = {
            float(frame)
            for repair in run
            for frame in (*repair.after.values(), repair.push_from, repair.low_from)
        }
        corners = np.array(
            sorted({r.after[m] for r in run for m in ("takeoff", "land")}), dtype=np.float64
        )
        for control, first, last in _spans(run, cog, flyer, feet):
            keyed = _key_frames(played, control)
            inside = np.array([f for f in moments if first <= f <= last], dtype=np.float64)
            away = np.abs(keyed[:, None] - inside[None, :]).min(axis=1, initial=np.inf)
            there = keyed[(away > MERGE_FRAMES) & (keyed > first) & (keyed < last)]
            knots = np.unique(np.concatenate([inside, there, [first, last]]))
            jobs.append(job_of(control, knots, corners, within=within, spare=True))
    return jobs


def _key_frames(played: Played, control: Control) -> Floats:
    found = [
        channel(curves, i).frame.astype(np.float64)
        for block, curves in played
        if is_on(control, block)
        for i in keyed_axes(curves, control).values()
    ]
    return np.unique(np.concatenate([*found, np.zeros(0)]))


# --- The course ---------------------------------------------------------------------------------


def _speeds(
    obj: Any, scene: Any, ground: Ground, source: Source, played: Played, repairs: Sequence[Repair]
) -> dict[float, Floats]:
    """Level speed at crouches and lows, m per frame, (2,): it is kept."""
    ends = sorted({r.after[m] for r in repairs for m in ("crouch", "low")})
    at = np.array([f + side for f in ends for side in (-BESIDE, BESIDE)])
    with rehearsal(played):
        places = ground.to_plan(measure(obj, scene, at, source))[:, :2].reshape(-1, 2, 2)
    way = (places[:, 1] - places[:, 0]) / (2 * BESIDE)
    return dict(zip(ends, way, strict=True))


def _missing(
    at: Floats,
    places: Floats,
    repairs: Sequence[Repair],
    speeds: Mapping[float, Floats],
    fresh: frozenset[float],
    uneven: float,
) -> Floats:
    """What the COG misses of its course on frames, m, (F, 3)."""
    missing = np.zeros_like(places)
    for repair in repairs:
        after = repair.after
        there = {m: places[np.searchsorted(at, f)] for m, f in after.items() if f in at}
        course = _course(repair, there, speeds, fresh, uneven, at, places)
        inside = (at >= after["crouch"]) & (at <= after["low"])
        if repair.chained:
            inside &= at > after["crouch"]
        missing[inside] = (course.place - places[inside]) * course.rules
    return missing


def _course(
    repair: Repair,
    there: Mapping[str, Floats],
    speeds: Mapping[float, Floats],
    fresh: frozenset[float],
    uneven: float,
    at: Floats,
    places: Floats,
) -> _Course:
    after, lays = repair.after, repair.lays
    inside = (at >= after["crouch"]) & (at <= after["low"])
    if repair.chained:
        inside &= at > after["crouch"]
    frames, now = at[inside], places[inside]
    rules, wanted = np.zeros_like(now), now.copy()
    if lays & {"air", "push"}:
        rules[:, 2] = 1.0 if "air" in lays else frames <= after["takeoff"]
        wanted[:, 2] = _heights(repair, there, at, places).at(frames).position[:, 0]
    if "travel" in lays:
        rules[:, :2] = 1
        wanted[:, :2] = _level(repair, there, speeds, fresh, uneven).at(frames).position
    return _Course(frames, wanted, rules)


def _heights(repair: Repair, there: Mapping[str, Floats], at: Floats, places: Floats) -> Path:
    """Height over frames; speeds are per frame."""
    after, lays = repair.after, repair.lays
    up, down = after["takeoff"], after["land"]
    start, end = float(there["takeoff"][2]), float(there["land"][2]) if "land" in there else 0.0
    if "air" in lays:
        if "apex" in there:
            key = after["apex"]
            top = float(there["apex"][2])
        else:
            rows = (at >= up) & (at <= down)
            curve = np.polyfit(at[rows] - up, places[rows, 2], 2)
            key = (up + down) / 2
            top = float(np.polyval(curve, key - up))
        rise, slope = (top - start) / (key - up), (end - start) / (down - up)
        gravity = 2 * (rise - slope) / (down - key)
        speed = rise + gravity * (key - up) / 2
    else:
        speed = 0.0 if repair.arc is None else repair.arc.takeoff_speed
        gravity = 0.0
    low = float(there["low"][2]) if "low" in there else end
    crouch = float(there["crouch"][2])
    knots = [(after["crouch"], crouch, 0.0)]
    if repair.push_from > after["crouch"]:
        knots.append((repair.push_from, crouch, 0.0))
    knots.append((up, start, speed))
    if "air" in lays:
        knots.append((down, end, speed - gravity * (down - up)))
        if repair.low_from < after["low"]:
            knots.append((repair.low_from, low, 0.0))
        knots.append((after["low"], low, 0.0))
    frames, height, slopes = (np.array(column) for column in zip(*knots, strict=True))
    return Path(frames, height[:, None], slopes[:, None])


def _level(
    repair: Repair,
    there: Mapping[str, Floats],
    speeds: Mapping[float, Floats],
    fresh: frozenset[float],
    uneven: float,
) -> Path:
    """The level way over frames: one speed in the air, what is posed kept."""
    after = repair.after
    up, down = after["takeoff"], after["land"]
    start, end = there["takeoff"][:2], there["land"][:2]
    knots = [(after["crouch"], there["crouch"][:2], speeds[after["crouch"]])]
    pace = (end - start) / (down - up)
    apex = there.get("apex")
    if apex is not None:
        key, top = after["apex"], apex[:2]
        r, q = key - up, down - key
        new_up, new_down = up in fresh, down in fresh
        if new_up and new_down:
            pace = (r * (top - start) + q * (end - top)) / (r * r + q * q)
        elif new_up:
            pace = (end - top) / q
        elif new_down:
            pace = (top - start) / r
        if new_up:
            start = top - pace * r
        if new_down:
            end = top + pace * q
        off = top - (start + pace * r)
        bend = float(np.linalg.norm(off)) <= EVEN * uneven
        # A posed apex that is hardly off the line stays: a parabola through all three.
        sag = off / (r * q) if bend else np.zeros(2)
        knots += [
            (up, start, pace + sag * (r + q)),
            (key, start + pace * r + (off if bend else 0), pace + sag * (q - r)),
            (down, end, pace - sag * (r + q)),
        ]
    else:
        knots += [(up, start, pace), (down, end, pace)]
    knots.append((after["low"], there["low"][:2], speeds[after["low"]]))
    frames = np.array([knot[0] for knot in knots])
    place = np.array([knot[1] for knot in knots])
    slopes = np.array([knot[2] for knot in knots])
    return Path(frames, place, slopes)
