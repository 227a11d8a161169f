# SPDX-License-Identifier: GPL-3.0-or-later
"""The way of one foot control: planted, through the air beside the COG, planted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from leapwright_blender.contact import Contact
from leapwright_blender.course import Course
from leapwright_blender.poses import Stand
from leapwright_blender.ride import Ride
from leapwright_blender.space import Control

__all__ = ["foot_ride"]

Floats = NDArray[np.float64]


class _Carried(NamedTuple):
    """What a foot is carried by since its pose was read, and the slopes to and from it, (F, 3)."""

    way: Floats
    before: Floats
    after: Floats


def foot_ride(
    course: Course,
    stands: Mapping[str, Stand],
    home: Stand,
    foot: Control,
    contact: Contact,
    lift: float,
    carrier: Ride | None,
) -> Ride:
    """A foot control: planted, in the air at its posed distance from the COG, planted."""
    leaves = course.frame("takeoff") + contact.release
    plants = course.frame("land") + contact.plant
    names, frames = _foot_knots(course, leaves, plants)
    reference = stands.get("takeoff", home)
    linear, inverse = reference.linear[foot], np.linalg.inv(reference.linear[foot])
    carried = _carried(carrier, reference, frames)
    values = _planted(course, stands, home, foot, names, frames, (leaves, plants))
    landed = [m for m in ("land", "low", "end") if m in stands and _at(course, m) >= plants]
    down = frames >= plants
    if not landed:
        move = course.feet_move + np.array([0, 0, lift]) - carried.way[down][0]
        values[down] = values[down] + inverse @ move
    flying = (frames > leaves) & (frames < plants)
    touching = np.array([leaves, plants])
    at_contact = [int(np.flatnonzero(frames == x)[0]) for x in touching]
    place = (
        reference.place[foot]
        + (values[at_contact] - reference.local[foot]) @ linear.T
        + carried.way[at_contact]
    )
    apart, apart_slope = _apart(course, stands, foot, touching, place, frames)
    own = course.at(frames) + apart - carried.way - reference.place[foot]
    values[flying] = (reference.local[foot] + own @ inverse.T)[flying]
    for i, name in enumerate(names):
        if flying[i] and name != "apex" and name in stands:
            values[i] = stands[name].local[foot]
    pace = course.slope(frames) + apart_slope
    before = np.where(
        (flying | (frames == plants))[:, None], (pace - carried.before) @ inverse.T, 0
    )
    leaving = (flying | (frames == leaves))[:, None]
    after = np.where(leaving, (pace - carried.after) @ inverse.T, 0)
    said = {name for name in names if name in stands} | {names[0], names[-1]}
    keep = flying | np.isin(frames, touching) | np.array([n in said for n in names])
    if "crouch" in said and "hold" in names:
        keep[names.index("hold")] = True
    return Ride(
        foot,
        tuple(n for n, kept in zip(names, keep, strict=True) if kept),
        frames[keep],
        values[keep],
        before[keep],
        after[keep],
    )


def _foot_knots(course: Course, leaves: float, plants: float) -> tuple[list[str], Floats]:
    """The course's knots and the two contacts, in order."""
    pairs = list(zip(course.knots, course.frames.tolist(), strict=True))
    there = {frame for _, frame in pairs}
    extra = [
        (name, frame)
        for name, frame in (("release", leaves), ("plant", plants))
        if frame not in there
    ]
    pairs = sorted([*pairs, *extra], key=lambda pair: pair[1])
    return [name for name, _ in pairs], np.array([frame for _, frame in pairs])


def _at(course: Course, moment: str) -> float:
    return course.frame(moment) if moment in course.knots else np.nan


def _carried(carrier: Ride | None, reference: Stand, frames: Floats) -> _Carried:
    if carrier is None:
        nothing = np.zeros((len(frames), 3))
        return _Carried(nothing, nothing, nothing)
    lead, still = reference.linear[carrier.control], reference.local[carrier.control]
    value, before, after = carrier.play(frames)
    return _Carried((value - still) @ lead.T, before @ lead.T, after @ lead.T)


def _planted(
    course: Course,
    stands: Mapping[str, Stand],
    home: Stand,
    foot: Control,
    names: Sequence[str],
    frames: Floats,
    contact: tuple[float, float],
) -> Floats:
    """Channel values of a foot on the ground: as posed, else as last posed on it. In the air, and
    after it where nothing landed is posed, the value before."""
    leaves, plants = contact

    def posed(moments: Sequence[str], *, before: bool) -> list[Floats]:
        return [
            stands[m].local[foot]
            for m in moments
            if m in stands and (_at(course, m) <= leaves if before else _at(course, m) >= plants)
        ]

    standing = posed(("takeoff", "crouch", "start"), before=True)
    value = standing[0] if standing else home.local[foot]
    landed = posed(("land", "low", "end"), before=False)
    values = np.tile(value, (len(frames), 1))
    if landed:
        values[frames >= plants] = landed[0]
    for i, name in enumerate(names):
        moment = "crouch" if name == "hold" else name
        on_ground = frames[i] <= leaves or frames[i] >= plants
        if on_ground and moment in stands:
            values[i] = stands[moment].local[foot]
    return values


def _apart(
    course: Course,
    stands: Mapping[str, Stand],
    foot: Control,
    contact: Floats,
    place: Floats,
    frames: Floats,
) -> tuple[Floats, Floats]:
    """Foot minus COG through the air and its slope: from contact to contact through what is posed
    between, flat at the ends, and nowhere beyond its neighbours."""
    ends = place - course.at(contact)
    between = []
    for m, frame in zip(course.knots, course.frames.tolist(), strict=True):
        if not contact[0] < frame < contact[1]:
            continue
        if m in stands:
            between.append((frame, stands[m].place[foot] - stands[m].cog))
        elif frame <= course.frame("takeoff"):
            between.append((frame, _hanging(course, frame, contact[0], ends[0])))
        elif frame >= course.frame("land"):
            between.append((frame, _hanging(course, frame, contact[1], ends[1])))
    x = np.array([contact[0], *(f for f, _ in between), contact[1]])
    y = np.array([ends[0], *(p for _, p in between), ends[1]])
    slopes = np.zeros_like(y)
    secant = np.diff(y, axis=0) / np.diff(x)[:, None]
    first, second = secant[:-1], secant[1:]
    same = first * second > 0
    total = np.where(same, first + second, 1.0)
    slopes[1:-1] = np.where(same, 2 * first * second / total, 0.0)
    track = Ride(foot, tuple("" for _ in x), x, y, slopes, slopes)
    played = track.play(frames)
    return played.value, played.after


def _hanging(course: Course, frame: float, contact: float, apart: Floats) -> Floats:
    """A foot that is off the ground while others stand: it goes with the body, and not below
    where it stood when the body sinks."""
    here, there = course.at(np.array([frame, contact]))
    return np.asarray(apart + np.array([0.0, 0.0, max(there[2] - here[2], 0.0)]))
