# SPDX-License-Identifier: GPL-3.0-or-later
"""From posed bodies and what was asked to a plan laid through the scene."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

import leapwright
from leapwright import ClashError, InputError, Jump
from leapwright_blender.cog import Source
from leapwright_blender.contact import foot_names
from leapwright_blender.course import Course, lay_course
from leapwright_blender.floor import floor_of, level_under, refuse_moving
from leapwright_blender.ground import Ground
from leapwright_blender.posed import Measures, measure, with_poses
from leapwright_blender.poses import Body, measured_at
from leapwright_blender.reach import Reach
from leapwright_blender.rig import Controls
from leapwright_blender.runup import measure_run, travel_text
from leapwright_blender.space import label
from leapwright_blender.wanted import Wanted

__all__ = ["Solved", "solve"]

Floats = NDArray[np.float64]

FLOOR_ROUNDS = 12
"""Landing on a floor that is not level: where the feet come down depends on how high it is."""

FLOOR_M = 1e-6


@dataclass(frozen=True, slots=True)
class Solved:
    """A plan and its course.

    Attributes
    ----------
    lifts : dict of foot name to float
        How much higher than the lowest foot each one lands, m.
    poses : Measures
        What the poses said.
    warnings : tuple of str
        Beside those of the jump.
    """

    jump: Jump
    course: Course
    body: Body
    lifts: dict[str, float]
    poses: Measures
    warnings: tuple[str, ...]


def solve(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    body: Body,
    wanted: Wanted,
    ask: Mapping[str, Any],
    source: Source | None = None,
) -> Solved:
    """Plan a jump through posed bodies. Errors are those of `Rig.block`.

    Parameters
    ----------
    source : Source, optional
        What the bodies' COG was measured with; None is the COG control.
    """
    said = measure(body.stands, body.home)
    asked = with_poses(_with_ground_said(ask, wanted, body), said, keep=wanted.keep)
    wished: dict[str, float] = {}
    if asked.get("running") == "measured":
        wished = _run(obj, scene, ground, controls, body, asked, source)
    asked.setdefault("heading", _facing(obj, ground))
    if asked.get("foot_travel") is not None and "takeoff" in body.stands:
        asked["cog_ahead"] = _ahead(body, asked["heading"])

    def plan(level: float | None) -> tuple[Jump, Course]:
        jump = leapwright.plan(
            **({**asked, "landing_level": level} if level is not None else asked),
            gravity=ground.gravity if wanted.gravity == "scene" else wanted.gravity,
            frame_rate=ground.frame_rate,
            shot_start=scene.frame_start if wanted.shot_start is None else wanted.shot_start,
        )
        return jump, lay_course(jump, body.stands, body.home)

    lifts: dict[str, float] = {}
    if wanted.ground is None:
        jump, course = plan(None)
    else:
        jump, course, lifts = _onto_floor(scene, ground, controls, body, wanted.ground, plan)
    warnings = _run_warnings(wished, jump, ground)
    return Solved(jump, course, body, lifts, said, (*warnings, *_leg_warnings(course, body)))


# --- Running -----------------------------------------------------------------------------------


def _run(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    body: Body,
    asked: dict[str, Any],
    source: Source | None,
) -> dict[str, float]:
    """Put the measured run into what was asked; give back the travel that was wished for."""
    posed = [stand.frame for stand in body.stands.values()]
    until = min(posed) if posed else float(scene.frame_current_final)
    run = measure_run(obj, scene, ground, measured_at(controls), until=until, source=source)
    wished = {
        name: asked.pop(name) for name in ("travel", "foot_travel") if asked.get(name) is not None
    }
    asked["running"] = run.speed_m_s
    asked.setdefault("heading", run.heading_deg)
    return wished


def _run_warnings(wished: Mapping[str, float], jump: Jump, ground: Ground) -> list[str]:
    """Where the run cannot give the travel that was asked for, or gives more."""
    time = jump.frames.air / float(ground.frame_rate)
    texts = []
    for name, metres in wished.items():
        gained = jump.travel if name == "travel" else jump.foot_travel
        needs = (abs(metres) - (gained - jump.travel)) / time
        text = travel_text(needs, jump.travel_speed)
        if text:
            texts.append(
                f"a {name.replace('_', ' ')} of {abs(metres):.2f} m {text}: this jump goes "
                f"{gained:.2f} m"
            )
    return texts


# --- Ground ------------------------------------------------------------------------------------


def _with_ground_said(ask: Mapping[str, Any], wanted: Wanted, body: Body) -> Mapping[str, Any]:
    if wanted.ground is not None:
        if ask.get("landing_level"):
            raise ClashError(
                "landing_level and ground each say where the landing is: give one of them",
                ("landing_level", "ground"),
            )
        if "land" in body.stands:
            raise ClashError(
                "the land pose says where the landing is: leave out the ground", ("ground", "poses")
            )
    return ask


def _onto_floor(
    scene: Any, ground: Ground, controls: Controls, body: Body, name: str, plan: Any
) -> tuple[Jump, Course, dict[str, float]]:
    """Plan until the feet come down on the floor that is under them there."""
    floor = floor_of(name, scene)
    names = foot_names(controls)
    soles = body.home.soles
    if len(soles) != len(names) or not len(soles):
        if not len(soles):
            soles, names = body.home.cog[None, :] * np.array([1.0, 1.0, 0.0]), ("",)
        else:
            names = tuple(label(p) for p in controls.soles)
    up = ground.axes[2]
    jump, course = plan(0.0)
    rise = np.zeros(len(soles))
    for _ in range(FLOOR_ROUNDS):
        frame = course.frame("land")
        refuse_moving(floor, scene, course.every_frame)
        there = soles + course.feet_move * np.array([1.0, 1.0, 0.0])
        level = level_under(floor, scene, ground.to_world(there), up, frame) * ground.metres
        nothing = np.flatnonzero(~np.isfinite(level))
        if nothing.size:
            x, y = there[nothing[0], :2]
            raise InputError(
                f"ground: {name!r} has nothing under {names[nothing[0]] or 'the body'} where it "
                f"lands, {x:.2f} m, {y:.2f} m",
                "ground",
            )
        was, rise = rise, level - soles[:, 2]
        if abs(np.min(rise) - np.min(was)) < FLOOR_M:
            break
        jump, course = plan(float(np.min(rise)))
    return jump, course, dict(zip(names, (rise - np.min(rise)).tolist(), strict=True))


# --- Body --------------------------------------------------------------------------------------


def _facing(obj: Any, ground: Ground) -> float:
    """Where the rig looks, -Y in its own axes, as a heading in degrees."""
    front = ground.axes @ -np.array(obj.matrix_world, dtype=np.float64)[:3, 1]
    return float(np.degrees(np.arctan2(front[1], front[0])))


def _ahead(body: Body, heading: float) -> float:
    """How far the COG is ahead of where it stands at home when the feet leave, m."""
    way = body.stands["takeoff"].cog - body.home.cog
    angle = np.radians(heading)
    return float(way[0] * np.cos(angle) + way[1] * np.sin(angle))


def _leg_warnings(course: Course, body: Body) -> list[str]:
    """Crouch and take-off that ask for more leg, or less, than the rig has."""
    texts = []
    for moment, words in (("crouch", "crouch"), ("takeoff", "take-off")):
        stand = body.stands.get(moment, body.home)
        moved = course.path.position[course.index(moment)] - stand.cog
        for leg, (hip, ankle, reach, fold) in stand.legs.items():
            distance = float(np.linalg.norm(hip + moved - ankle))
            texts.append(Reach(leg, words, distance, reach, fold).text)
    return [text for text in texts if text]
