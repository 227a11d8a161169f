# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the feet of FK legs are planted, before the air and after it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

from leapwright.curves import MERGE_FRAMES, Curves, select
from leapwright_blender.contact import LEVEL, Contact
from leapwright_blender.course import Course
from leapwright_blender.ground import Ground
from leapwright_blender.legs import Leg
from leapwright_blender.limb import between
from leapwright_blender.planted import LegKeys, Plant, leg_keys
from leapwright_blender.poses import Body, ankle_of
from leapwright_blender.read import read_curves
from leapwright_blender.rig import Controls
from leapwright_blender.sample import sample
from leapwright_blender.space import Point
from leapwright_blender.steps import Steps

__all__ = ["footing", "sliding", "too_short"]

Floats = NDArray[np.float64]


def footing(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    course: Course,
    body: Body,
    *,
    contacts: Mapping[str, Contact],
    lifts: Mapping[str, float],
    stepped: bool,
    within: float,
) -> Steps[LegKeys | None]:
    """Keys for legs that are turned joint by joint: their feet stay where they are planted.

    None where no leg has a foot of its own; one that ends with the shin cannot be held.
    """
    plants = _plants(obj, ground, controls, course, body, contacts, lifts)
    if not plants:
        return None
    return (
        yield from leg_keys(
            obj,
            scene,
            plants,
            moments=course.frames.tolist(),
            within=within / ground.metres,
            stepped=stepped,
        )
    )


def sliding(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    course: Course,
    body: Body,
    *,
    contacts: Mapping[str, Contact],
) -> tuple[float, float]:
    """How far feet of FK legs slide while they are planted, as the rig plays now: m, and frame."""
    plants = _plants(obj, ground, controls, course, body, contacts, {})
    worst = (0.0, float(course.frames[0]))
    for plant in plants:
        inside = (course.every_frame >= plant.first) & (course.every_frame <= plant.last)
        frames = course.every_frame[inside]
        at = np.array([frame for frame, _ in plant.held])
        held = between(at, np.array([matrix for _, matrix in plant.held]), frames)
        there = sample(obj, frames, [ankle_of(plant.leg)], scene=scene).positions[0]
        away = np.linalg.norm(there - held[:, :3, 3], axis=1) * ground.metres
        worst = max(worst, (float(np.max(away)), float(frames[np.argmax(away)])))
    return worst


def _plants(
    obj: Any,
    ground: Ground,
    controls: Controls,
    course: Course,
    body: Body,
    contacts: Mapping[str, Contact],
    lifts: Mapping[str, float],
) -> list[Plant]:
    """Every FK foot's two spans on the ground."""
    legs = [leg for leg in controls.legs if not leg.ik]
    steered = len(controls.feet)
    keys = read_curves(obj).curves
    soles = controls.soles[steered:] if len(controls.soles) == steered + len(legs) else ()
    plants = []
    for i, leg in enumerate(legs):
        if not leg.after:
            continue
        contact = contacts.get(leg.foot, LEVEL)
        posed = _posed(course, body, leg, keys)
        before, after = _held(
            course, body, leg.foot, contact, lifts.get(leg.foot, 0.0), ground, posed
        )
        sole = soles[i] if soles else _ankle_point(leg)
        leaves = course.frame("takeoff") + contact.release
        plants.append(Plant(leg, float(course.frames[0]), leaves, before, sole))
        lands = course.frame("land") + contact.plant
        last = lands if course.carry_on else float(course.frames[-1])
        plants.append(Plant(leg, lands, last, after, sole))
    return plants


def _ankle_point(leg: Leg) -> Point:
    ankle = ankle_of(leg)
    return Point(ankle.object, ankle.bone)


def _posed(course: Course, body: Body, leg: Leg, keys: Curves) -> list[str]:
    """Moments on which the leg itself is posed, and not the body alone."""
    paths = tuple(
        f'pose.bones["{bpy.utils.escape_identifier(name)}"].rotation' for name in leg.chain
    )
    own = select(keys, [i for i, c in enumerate(keys.channels) if c.data_path.startswith(paths)])
    there = [m for m in body.stands if m in course.knots]
    frames = np.array([course.frame(m) for m in there])
    away = np.abs(own.frame[:, None] - frames[None, :]).min(axis=0, initial=np.inf)
    return [m for m, gap in zip(there, away, strict=True) if gap < MERGE_FRAMES]


def _held(
    course: Course,
    body: Body,
    foot: str,
    contact: Contact,
    lift: float,
    ground: Ground,
    on: Sequence[str],
) -> tuple[tuple[tuple[float, Floats], ...], tuple[tuple[float, Floats], ...]]:
    """Where a foot is planted before the air and after it: frame and world matrix, as far as the
    leg is posed, else where it is at home."""
    stands, home = body.stands, body.home
    leaves = course.frame("takeoff") + contact.release
    lands = course.frame("land") + contact.plant
    posed = [(course.frame(m), stands[m].feet[foot]) for m in on]
    before = [(frame, place) for frame, place in posed if frame <= leaves]
    after = [(frame, place) for frame, place in posed if frame >= lands]
    reference = before[-1][1] if before else home.feet[foot]
    if not after:
        moved = reference.copy()
        higher = np.array([0.0, 0.0, lift])
        moved[:3, 3] += ground.to_world(course.feet_move + higher)
        after = [(lands, moved)]
    return tuple(before or [(leaves, reference)]), tuple(after)


def too_short(legs: LegKeys | None, ground: Ground) -> list[str]:
    """One sentence per leg that does not reach its planted foot."""
    if legs is None:
        return []
    worst: dict[str, tuple[float, float]] = {}
    for name, frame, short in legs.short:
        if short > worst.get(name, (0.0, 0.0))[1]:
            worst[name] = (frame, short)
    return [
        f"the {name} is {short * ground.metres * 100:.1f} cm too short on frame {frame:g}"
        for name, (frame, short) in worst.items()
        if short * ground.metres > 5e-4
    ]
