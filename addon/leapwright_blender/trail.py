# SPDX-License-Identifier: GPL-3.0-or-later
"""What there is to see of a rig's jumps: the COG's track, the arcs that are meant, the floor.

It is read a few frames at a time, so that a window stays alive meanwhile.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import bpy
import numpy as np
from numpy.typing import NDArray

from leapwright.errors import InputError
from leapwright.style import Style, styled_air
from leapwright_blender import store
from leapwright_blender.cog import Source, source_named
from leapwright_blender.ground import Ground, ground_of
from leapwright_blender.poses import cog_on
from leapwright_blender.rig import Controls, find_controls
from leapwright_blender.sample import sample
from leapwright_blender.space import Control, Point
from leapwright_blender.steps import run
from leapwright_blender.store import Remembered
from leapwright_blender.tracked import keyed_span

if TYPE_CHECKING:
    from leapwright_blender.course import Course

__all__ = ["Arc", "Trail", "air_of", "planned_arc", "read_trail"]

Floats = NDArray[np.float64]

HALF_FLOOR_M = 0.3
"""The line of the floor goes on this far beyond the feet, m."""


@dataclass(frozen=True, slots=True, eq=False)
class Arc:
    """A way of the COG with a place for each frame.

    Attributes
    ----------
    frames : ndarray, shape (F,)
    places : ndarray, shape (F, 3)
        World axes, Blender units.
    moments : tuple of (name, place)
        Named places on it.
    floor : ndarray, shape (2, 3)
        The floor at take-off: ends of a level line under the way.
    """

    frames: Floats
    places: Floats
    moments: tuple[tuple[str, tuple[float, float, float]], ...]
    floor: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Trail:
    """The measured COG of a rig, and the arcs of the jumps that it remembers.

    Attributes
    ----------
    frames : ndarray, shape (F,)
    places : ndarray, shape (F, 3)
        World axes, Blender units.
    arcs : tuple of Arc
        From take-off to land, one for each jump.
    cog_from : str
        What the COG was measured with.
    """

    frames: Floats
    places: Floats
    arcs: tuple[Arc, ...]
    cog_from: str


def read_trail(
    rig: str, scene_name: str, *, most: int = 500, at_once: int = 20
) -> Generator[float, None, Trail]:
    """Read a rig's trail, `at_once` frames at a time: yields the share done, returns the trail.

    Nothing of the host is held between the steps but names.

    Parameters
    ----------
    rig : str
        Name of the object.
    scene_name : str
    most : int
        Frames at most, from the first jump on.
    at_once : int
        Frames in a step.

    Raises
    ------
    LeapwrightError
        The rig cannot be measured.
    KeyError
        Rig or scene went away meanwhile.
    """
    obj, scene = bpy.data.objects[rig], bpy.data.scenes[scene_name]
    jumps = store.load(obj)
    controls = _controls(obj, scene, jumps)
    cog_from = jumps[-1].cog_from if jumps else "control"
    source = run(source_named(obj, scene, controls, cog_from))
    frames = _span(obj, scene, jumps, most)
    yield 0.0
    parts = []
    for at in range(0, len(frames), at_once):
        obj, scene = bpy.data.objects[rig], bpy.data.scenes[scene_name]
        some = frames[at : at + at_once]
        parts.append(cog_on(obj, scene, ground_of(scene), controls, some, source))
        yield min(1.0, (at + len(some)) / len(frames))
    obj, scene = bpy.data.objects[rig], bpy.data.scenes[scene_name]
    ground = ground_of(scene)
    arcs = tuple(_arc(obj, scene, ground, controls, source, jump) for jump in jumps)
    return Trail(frames, ground.to_world(np.concatenate(parts)), arcs, cog_from)


def planned_arc(obj: Any, scene: Any, controls: Controls, course: Course) -> Arc:
    """The arc of a plan that is not written: the course that a dry run of block gives.

    Parameters
    ----------
    obj : bpy.types.Object
    scene : bpy.types.Scene
    controls : Controls
    course : Course
    """
    ground = ground_of(scene)
    frames = course.every_frame
    places = course.at(frames)
    named = {
        knot: tuple(ground.to_world(course.at(np.array([course.frame(knot)])))[0].tolist())
        for knot in course.knots
        if knot != "hold"
    }
    floor = _floor(obj, scene, ground, controls, [scene.frame_current_final], places)
    return Arc(frames, ground.to_world(places), tuple(named.items()), floor)


def air_of(jump: Remembered, places: Mapping[str, Floats], fps: float, frames: Floats) -> Floats:
    """The COG in the air of a jump as it was blocked or retimed.

    Parameters
    ----------
    jump : Remembered
    places : mapping of moment to ndarray, shape (3,)
        COG at take-off, apex and land, the plan's axes, m.
    fps : float
    frames : ndarray, shape (F,)
        From take-off to land.

    Returns
    -------
    ndarray, shape (F, 3)
        The plan's axes, m.

    Raises
    ------
    InputError
        No arc goes through these places in this time.

    Notes
    -----
    A true air from a place to another in the time T leaves at v = (Δ + g T²/2)/T. The air of a
    style is as high as its apex is.
    """
    first, g = jump.moments["takeoff"], jump.gravity_m_s2
    start, way = places["takeoff"], places["land"] - places["takeoff"]
    time = (jump.moments["land"] - first) / fps
    style = Style.from_json(jump.style)
    height = float(way[2] / time + g * time / 2) ** 2 / (2 * g)
    if style.fall != 1 or style.hang:
        height = float(places["apex"][2] - start[2])
    laid = styled_air(
        style,
        jump_height=height,
        fall_height=height - float(way[2]),
        air=time,
        hang=style.hang / fps,
        travel=way[:2],
    )
    return start + laid.path.at((frames - first) / fps).position


def _controls(obj: Any, scene: Any, jumps: Sequence[Remembered]) -> Controls:
    named = jumps[-1].controls if jumps else {}
    return find_controls(
        obj,
        root=named.get("root"),
        cog=named.get("cog"),
        feet=named.get("feet") or None,
        scene=scene,
    )


def _span(obj: Any, scene: Any, jumps: Sequence[Remembered], most: int) -> Floats:
    """Frames of the jumps; without any, all that are keyed."""
    if jumps:
        first = min(min(j.moments.values()) for j in jumps)
        last = max(max(j.moments.values()) for j in jumps)
    else:
        first, last = keyed_span(obj) or (scene.frame_current,) * 2
    whole = np.arange(np.floor(first), np.ceil(last) + 1, dtype=np.float64)
    return whole[:most]


def _arc(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    source: Source | None,
    jump: Remembered,
) -> Arc:
    """The air of a remembered jump between the places that the rig has at its ends."""
    names = [n for n in jump.moments if n != "hold"]
    there = cog_on(obj, scene, ground, controls, [jump.moments[n] for n in names], source)
    at = dict(zip(names, there, strict=True))
    first, last = jump.moments["takeoff"], jump.moments["land"]
    # On tiptoe the points below the feet are lifted: the lowest until then are on the floor.
    standing = [frame for frame in jump.moments.values() if frame <= first]
    inside = np.arange(np.floor(first) + 1, last, dtype=np.float64)
    frames = np.unique([first, *inside, last])
    try:
        air = air_of(jump, at, float(ground.frame_rate), frames)
    except InputError:
        # Edited until its ends make no arc any more: there is the track alone.
        frames, air = np.array([first, last]), np.stack([at["takeoff"], at["land"]])
    return Arc(
        frames,
        ground.to_world(air),
        tuple((n, tuple(ground.to_world(at[n]).tolist())) for n in names),
        _floor(obj, scene, ground, controls, standing, there),
    )


def _floor(
    obj: Any, scene: Any, ground: Ground, controls: Controls, frames: Sequence[float], under: Floats
) -> Floats:
    """The ends of a level line under a way, as low as the lowest sole is on some frames."""
    points: list[Control | Point] = [*controls.soles] or [controls.cog]
    soles = ground.to_plan(sample(obj, frames, points, scene=scene).positions)
    ends = under[[0, -1]].copy()
    way = ends[1, :2] - ends[0, :2]
    far = float(np.hypot(*way))
    front = -np.array(obj.matrix_world, dtype=np.float64)[:3, 1] @ ground.axes.T
    along = way / far if far > 1e-6 else front[:2] / max(float(np.hypot(*front[:2])), 1e-9)
    ends[0, :2] -= HALF_FLOOR_M * along
    ends[1, :2] += HALF_FLOOR_M * along
    ends[:, 2] = np.min(soles[..., 2])
    return ground.to_world(ends)
