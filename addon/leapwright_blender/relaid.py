# SPDX-License-Identifier: GPL-3.0-or-later
"""Push, air and absorb laid anew through the poses there are: a higher or a farther jump.

Between two keys the COG's way is one cubic. Each carrier's channels are read at both keys and at
the thirds between them, where they should be for that way: four places say a cubic exactly, so
keys at the moments are enough wherever nothing turns in between.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import (
    MERGE_FRAMES,
    Channel,
    Curves,
    Interpolation,
    channel,
    concat,
    select,
)
from leapwright.errors import HostError
from leapwright.insert import insert_at
from leapwright.path import handles_at_thirds
from leapwright.playback import evaluate
from leapwright.sparse import Sparse, interpolate, sparse_keys
from leapwright_blender.cog import Source
from leapwright_blender.course import Course, course_through
from leapwright_blender.ground import Ground
from leapwright_blender.hang import spliced
from leapwright_blender.poses import cog_on, stand_on
from leapwright_blender.rehearsal import rehearsal
from leapwright_blender.rig import Controls
from leapwright_blender.sample import linear_maps
from leapwright_blender.space import Control, data_path_location, label

__all__ = [
    "WITHIN_M",
    "Aside",
    "Job",
    "cut",
    "is_on",
    "job_of",
    "keyed_axes",
    "laid",
    "lay_anew",
    "plan_maps",
]

Floats = NDArray[np.float64]
Played = list[tuple[Any, Curves]]

WITHIN_M = 1e-3
"""Where something turns between the keys the COG is held as near as this, m, as in a block."""

STILL = 1e-7
"""An axis that is to move by no more than this needs no key."""

THIRDS = np.array([0.0, 1 / 3, 2 / 3, 1.0])
# Slopes of a cubic at its ends, times its span, from its values there and at the thirds.
_FIRST_SLOPE = np.array([-11.0, 18.0, -9.0, 2.0]) / 2
_LAST_SLOPE = np.array([-2.0, 9.0, -18.0, 11.0]) / 2


@dataclass(frozen=True, slots=True)
class Aside:
    """How the jump goes elsewhere.

    Attributes
    ----------
    by : ndarray, shape (3,)
        From the landing before to the landing after, m in the plan's axes.
    speed_in, speed_out : ndarray, shape (2,)
        Horizontal speed with which the crouch is reached and the low is left, m/s: of a running
        jump, and of one that carries on.
    """

    by: Floats
    speed_in: Floats
    speed_out: Floats


@dataclass(frozen=True, slots=True)
class Job:
    """One control's location between two moments.

    Attributes
    ----------
    control : Control
    knots : ndarray
        Frames that are keyed in any case.
    frames : ndarray
        All frames that are looked at: knots, the thirds between them and whole frames.
    corners : ndarray
        Frames where the way may turn at once.
    within : float
        How near the COG is held to its course, m.
    spare : bool
        Axes that are to move by nothing keep their keys as they are.
    """

    control: Control
    knots: Floats
    frames: Floats
    corners: Floats
    within: float = WITHIN_M
    spare: bool = False

    @property
    def span(self) -> tuple[float, float]:
        """First and last frame."""
        return float(self.knots[0]), float(self.knots[-1])


def lay_anew(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    flyers: Sequence[Control],
    played: Sequence[tuple[Any, Curves]],
    frames: Mapping[str, float],
    *,
    gravity: float,
    aside: Aside,
    source: Source | None = None,
) -> tuple[list[Curves], Course]:
    """Curves with the COG on the course through its poses.

    Parameters
    ----------
    flyers : sequence of Control
        Who carries the body through the air; from land on they are moved aside.
    played : sequence of (bpy.types.ID, Curves)
        Data-blocks and their whole channels, already on the frames of the jump after.
    frames : mapping of moment to frame
        After: crouch, take-off, apex and land, and low where there is one.
    gravity : float
        m/s².
    source : Source, optional
        What the COG is measured with; None is the COG control.

    Returns
    -------
    curves : list of Curves
        One for each data-block; other keys are on the locations of the COG control and the
        flyers alone.
    course : Course

    Raises
    ------
    HostError
        A location that would have to move is not keyed.
    """
    steered = list(dict.fromkeys([controls.cog, *flyers]))
    frames = _on_keys([*played], steered, frames)
    now = _with_ends([*played], controls.cog, flyers, frames)
    with rehearsal(now) as stage:
        if np.any(aside.by):
            now = _moved_aside(scene, ground, flyers, now, frames["land"], aside.by)
            for block, curves in now:
                stage.write(block, curves)
        course = _course(obj, scene, ground, controls, frames, gravity, aside, source)
        jobs = [job for control in steered for job in _jobs(control, controls, flyers, now, frames)]
        at = np.unique(np.concatenate([job.frames for job in jobs]))
        missing = course.at(at) - cog_on(obj, scene, ground, controls, at, source)
        missing[np.isin(at, [frames[m] for m in frames if m != "apex"])] = 0
        for job in jobs:
            linear = plan_maps(obj, scene, ground, job.control, job.frames)
            there = missing[np.searchsorted(at, job.frames)]
            now = [
                (block, laid(curves, job, there, linear) if is_on(job.control, block) else curves)
                for block, curves in now
            ]
    return [curves for _, curves in now], course


def is_on(control: Control, block: Any) -> bool:
    """Whether a data-block holds a control's channels.

    Parameters
    ----------
    control : Control
    block : bpy.types.ID
    """
    return bool(control.object == block.name and hasattr(block, "matrix_world"))


def _names(control: Control) -> list[Channel]:
    path, group = data_path_location(control), control.bone or "Object Transforms"
    return [Channel(path, axis, group) for axis in range(3)]


def keyed_axes(curves: Curves, control: Control) -> dict[int, int]:
    """Axis to channel, of the location's axes that have keys.

    Parameters
    ----------
    curves : Curves
    control : Control
    """
    return {
        c.index: curves.channels.index(c)
        for c in _names(control)
        if c in curves.channels and len(channel(curves, curves.channels.index(c)).frame)
    }


def plan_maps(obj: Any, scene: Any, ground: Ground, control: Control, frames: Floats) -> Floats:
    """Plan displacement (m) per unit of a control's location channels, (F, 3, 3).

    Parameters
    ----------
    obj, scene, ground
        The rig, where it is, and its plan's axes.
    control : Control
    frames : ndarray, shape (F,)
    """
    maps = linear_maps(obj, frames, control, scene=scene)
    return np.asarray(ground.axes @ maps * ground.metres)


# --- What is there, and where it goes ----------------------------------------------------------


def _ends(control: Control, cog: Control, flyers: Sequence[Control]) -> list[tuple[str, str]]:
    """Between which moments a control is laid anew."""
    if control not in flyers:
        return [("crouch", "takeoff"), ("land", "low")]
    return [("crouch", "low")] if control == cog else [("takeoff", "land")]


def _on_keys(
    played: Played, steered: Sequence[Control], frames: Mapping[str, float]
) -> dict[str, float]:
    """The moments' frames as the host has them, in single precision, where a key is on them."""
    keyed = [
        channel(curves, i).frame
        for block, curves in played
        for control in steered
        if is_on(control, block)
        for i in keyed_axes(curves, control).values()
    ]
    keys = np.concatenate([*keyed, np.zeros(0)]).astype(np.float64)
    there = {}
    for moment, frame in frames.items():
        near = keys[np.abs(keys - frame) < MERGE_FRAMES]
        there[moment] = float(near[np.argmin(np.abs(near - frame))]) if near.size else frame
    return there


def _with_ends(
    played: Played, cog: Control, flyers: Sequence[Control], frames: Mapping[str, float]
) -> Played:
    """Keys where the new stretches begin and end, so that all beside them keeps its shape."""
    for control in dict.fromkeys([cog, *flyers]):
        pairs = _ends(control, cog, flyers)
        at = [frames[m] for pair in pairs for m in pair if m in frames]
        at += [frames["land"]] if control in flyers else []
        played = [
            (block, cut(curves, control, at) if is_on(control, block) else curves)
            for block, curves in played
        ]
    return played


def cut(curves: Curves, control: Control, frames: Sequence[float]) -> Curves:
    """The curves with keys on frames of a control's location, unless it is stepped; no shape
    changes.

    Parameters
    ----------
    curves : Curves
    control : Control
    frames : sequence of float
    """
    known = list(keyed_axes(curves, control).values())
    stepped = [
        i for i in known if (channel(curves, i).interpolation == Interpolation.CONSTANT).all()
    ]
    homes = np.array([i for i in known if i not in stepped], dtype=np.int64)
    at = np.array(frames, dtype=np.float64)
    return insert_at(curves, np.repeat(homes, at.size), np.tile(at, homes.size))


def _moved_aside(
    scene: Any,
    ground: Ground,
    flyers: Sequence[Control],
    played: Played,
    land: float,
    by: Floats,
) -> Played:
    """The flyers' keys from land on, moved to where the jump lands now."""
    rig = played[0][0]
    moved = []
    for block, curves in played:
        for control in flyers:
            known = keyed_axes(curves, control) if is_on(control, block) else {}
            keys = [channel(curves, i).frame for i in known.values()]
            if not keys:
                continue
            at = np.unique(np.concatenate(keys).astype(np.float64))
            at = at[at > land - MERGE_FRAMES]
            linear = plan_maps(rig, scene, ground, control, at if at.size else np.array([land]))
            own = np.linalg.solve(linear, np.broadcast_to(by, (len(linear), 3))[..., None])[..., 0]
            _demand_keys(control, known, own)
            for axis, i in known.items():
                curves = _raised(curves, i, at, own[:, axis])
        moved.append((block, curves))
    return moved


def _demand_keys(control: Control, known: Mapping[int, int], own: Floats) -> None:
    """Every axis that has to move must be keyed."""
    size = STILL * max(1.0, float(np.max(np.abs(own), initial=0)))
    bare = [a for a in range(3) if a not in known and np.max(np.abs(own[:, a])) > size]
    if bare:
        axes = ", ".join("XYZ"[a] for a in bare)
        raise HostError(
            f"the location of {label(control)!r} has no keys on {axes}, where it would have to "
            "move: key it first"
        )


def _raised(curves: Curves, i: int, frames: Floats, by: Floats) -> Curves:
    """A channel whose keys on some frames are higher, handles and all."""
    keys = np.arange(curves.starts[i], curves.starts[i + 1])
    near = np.abs(curves.frame[keys, None] - frames[None, :])
    hit = near.min(axis=1, initial=np.inf) < MERGE_FRAMES
    keys, up = keys[hit], by[near[hit].argmin(axis=1)] if hit.any() else by[:0]
    arrays = {name: getattr(curves, name).copy() for name in ("value", "left", "right")}
    arrays["value"][keys] += up
    arrays["left"][keys, 1] += up
    arrays["right"][keys, 1] += up
    return replace(curves, **arrays)


def _course(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    frames: Mapping[str, float],
    gravity: float,
    aside: Aside,
    source: Source | None,
) -> Course:
    stands = stand_on(obj, scene, ground, controls, list(frames.values()), source)
    course = course_through(
        frames,
        dict(zip(frames, stands, strict=True)),
        gravity=gravity,
        fps=float(ground.frame_rate),
    )
    velocity = course.path.velocity.copy()
    velocity[course.index("crouch"), :2] = aside.speed_in
    if "low" in frames:
        velocity[course.index("low"), :2] = aside.speed_out
    return replace(course, path=replace(course.path, velocity=velocity))


# --- The new keys ------------------------------------------------------------------------------


def _jobs(
    control: Control,
    controls: Controls,
    flyers: Sequence[Control],
    played: Played,
    frames: Mapping[str, float],
) -> list[Job]:
    curves = next((c for block, c in played if is_on(control, block)), None)
    if curves is None:
        return []
    jobs = []
    for first, last in _ends(control, controls.cog, flyers):
        start, end = frames[first], frames.get(last, frames["land"])
        if end <= start:
            continue
        keyed = [channel(curves, i).frame for i in keyed_axes(curves, control).values()]
        moments = np.array([f for f in frames.values() if start <= f <= end])
        knots = _apart(moments, np.concatenate([*keyed, np.zeros(0)]).astype(np.float64))
        knots = knots[(knots >= start) & (knots <= end)]
        jobs.append(job_of(control, knots, np.array([frames["takeoff"], frames["land"]])))
    return jobs


def job_of(
    control: Control,
    knots: Floats,
    corners: Floats,
    *,
    within: float = WITHIN_M,
    spare: bool = False,
) -> Job:
    """Give a control's job with the frames that have to be looked at.

    Parameters
    ----------
    control : Control
    knots, corners, within, spare
        As in `Job`; at least two knots, rising.
    """
    spans = np.diff(knots)[:, None]
    fine = (knots[:-1, None] + spans * THIRDS[1:3]).ravel()
    whole = np.arange(np.ceil(knots[0]), np.floor(knots[-1]) + 1)
    whole = whole[np.abs(whole[:, None] - knots[None, :]).min(axis=1) > MERGE_FRAMES]
    frames = np.unique(np.concatenate([knots, fine, whole]))
    return Job(control, knots, frames, corners, within, spare)


def _apart(moments: Floats, keyed: Floats) -> Floats:
    """Moments, and frames of keys that are on none of them."""
    away = np.abs(keyed[:, None] - moments[None, :]).min(axis=1, initial=np.inf) > MERGE_FRAMES
    return np.unique(np.concatenate([moments, keyed[away]]))


def laid(curves: Curves, job: Job, missing: Floats, linear: Floats) -> Curves:
    """The curves with what the COG misses given to a control's location.

    Parameters
    ----------
    curves : Curves
    job : Job
    missing : ndarray, shape (F, 3)
        m, on the job's frames.
    linear : ndarray, shape (F, 3, 3)
        Of `plan_maps`.
    """
    known = keyed_axes(curves, job.control)
    added = np.linalg.solve(linear, missing[..., None])[..., 0]
    _demand_keys(job.control, known, added)
    axes = list(known)
    if job.spare:
        size = STILL * max(1.0, float(np.max(np.abs(added), initial=0)))
        axes = [axis for axis in axes if float(np.max(np.abs(added[:, axis]))) > size]
    if not axes:
        return curves
    own = evaluate(select(curves, [known[a] for a in axes]), job.frames).T + added[:, axes]
    mine = [channel(curves, known[a]) for a in axes]
    if all((one.interpolation == Interpolation.CONSTANT).all() for one in mine):
        parts = [_stepped(one, job, own[:, k]) for k, one in enumerate(mine)]
        return _with(curves, {a: known[a] for a in axes}, parts)
    found = _keys(job, own, linear[:, :, axes])
    at = job.frames[found.knots]
    parts = []
    for k, one in enumerate(mine):
        key, left, right = handles_at_thirds(
            at, own[found.knots, k], found.slopes_in[:, k], slopes_after=found.slopes_out[:, k]
        )
        parts.append(spliced(one, key, left, right))
    return _with(curves, {a: known[a] for a in axes}, parts)


def _with(curves: Curves, known: Mapping[int, int], parts: Sequence[Curves]) -> Curves:
    """The curves with some channels replaced, in the same order."""
    own = dict(zip(known.values(), parts, strict=True))
    return concat([own.get(i, channel(curves, i)) for i in range(len(curves.channels))])


def _stepped(one: Curves, job: Job, own: Floats) -> Curves:
    """Stepped keys stand where they stood; each shows its frame's place."""
    at = np.abs(job.frames[None, :] - one.frame[:, None].astype(np.float64))
    hit = at.min(axis=1) < MERGE_FRAMES
    by = np.where(hit, own[at.argmin(axis=1)] - one.value, 0.0)
    return _raised(one, 0, one.frame[hit].astype(np.float64), by[hit])


def _keys(job: Job, own: Floats, linear: Floats) -> Sparse:
    """Keys on the knots; more of them where those do not hold the COG near enough."""

    def miss(tried: Floats, over: slice | NDArray[np.bool_]) -> Floats:
        off = np.einsum("fij,fj->fi", linear[over], own[over] - tried)
        return np.asarray(np.linalg.norm(off, axis=1))

    knots = np.searchsorted(job.frames, job.knots)
    found = _cubics(job, knots, own)
    whole = np.isin(np.arange(len(job.frames)), knots) | (job.frames % 1 == 0)
    tried = interpolate(job.frames, own, found)[whole]
    if np.max(miss(tried, whole)) <= job.within:
        return found
    places = np.flatnonzero(whole)
    more = sparse_keys(
        job.frames[whole],
        own[whole],
        knots=np.searchsorted(places, knots),
        miss=lambda tried: miss(tried, whole),
        within=job.within,
        corners=np.isin(job.frames[whole], job.corners),
    )
    return Sparse(places[more.knots], more.slopes_in, more.slopes_out)


def _cubics(job: Job, knots: NDArray[np.int64], own: Floats) -> Sparse:
    """Between every two knots the cubic through both and through the thirds."""
    first, last = job.knots[:-1, None], job.knots[1:, None]
    at = np.searchsorted(job.frames, first + (last - first) * THIRDS - 1e-9)
    values = own[at]
    span = (last - first)[..., 0, None]
    leaving = np.einsum("t,std->sd", _FIRST_SLOPE, values) / span
    reaching = np.einsum("t,std->sd", _LAST_SLOPE, values) / span
    slopes_in = np.concatenate([leaving[:1], reaching])
    slopes_out = np.concatenate([leaving, reaching[-1:]])
    smooth = ~np.isin(job.knots, job.corners)[:, None]
    mean = (slopes_in + slopes_out) / 2
    return Sparse(knots, np.where(smooth, mean, slopes_in), np.where(smooth, mean, slopes_out))
