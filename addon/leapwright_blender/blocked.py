# SPDX-License-Identifier: GPL-3.0-or-later
"""What blocking did: the plan, the keys, and the jump measured again in the evaluated scene."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright import Jump
from leapwright.answer import plan_answer
from leapwright.curves import select
from leapwright.playback import evaluate
from leapwright_blender.account import Keyed
from leapwright_blender.cog import Source, persons_source
from leapwright_blender.course import Course
from leapwright_blender.ground import Ground
from leapwright_blender.layout import Sheet
from leapwright_blender.posed import Measures
from leapwright_blender.poses import cog_points
from leapwright_blender.read import read_curves
from leapwright_blender.rig import Controls
from leapwright_blender.sample import sample
from leapwright_blender.schedule import on_frames
from leapwright_blender.space import label

__all__ = ["Blocked", "Measured", "PosedChange", "Stray", "measure_written"]

Floats = NDArray[np.float64]

SAID_FROM = 1e-6
"""Smallest change of a posed value that is listed, in the channel's own unit."""


@dataclass(frozen=True, slots=True)
class PosedChange:
    """A posed value that is another one now: only the path's channels in the air may be."""

    channel: str
    moment: str
    frame: float
    before: float
    after: float


@dataclass(frozen=True, slots=True)
class Stray:
    """How far another COG than the one that was laid on the arc strays from an arc of its own.

    Attributes
    ----------
    cog_from : str
        What it is measured with.
    largest_m : float
        Its largest distance, in the air, from the arc through its own take-off and land, m.
    at_frame : float
        Where that is.
    """

    cog_from: str
    largest_m: float
    at_frame: float

    def to_json(self) -> dict[str, Any]:
        """The same as JSON values."""
        return {
            "cog_from": self.cog_from,
            "largest_m": self.largest_m,
            "at_frame": self.at_frame,
        }


@dataclass(frozen=True, slots=True)
class Measured:
    """The jump as the scene plays it, against the plan. Lengths in m.

    `sole_miss_m` is how far soles of FK legs are off their planted places; None without such legs.
    `stray` says how far the body's own COG strays where the COG control is on the arc; None where
    that is no person's.
    """

    largest_distance_m: float
    at_frame: float
    push_height_m: float
    jump_height_m: float
    posed_values_changed: tuple[PosedChange, ...]
    sole_miss_m: float | None = None
    stray: Stray | None = None

    def to_json(self) -> dict[str, Any]:
        """The same as JSON values."""
        return {
            "largest_distance_m": self.largest_distance_m,
            "at_frame": self.at_frame,
            "push_height_m": self.push_height_m,
            "jump_height_m": self.jump_height_m,
            "posed_values_changed": [
                {
                    "channel": c.channel,
                    "moment": c.moment,
                    "frame": c.frame,
                    "before": c.before,
                    "after": c.after,
                    "by": c.after - c.before,
                }
                for c in self.posed_values_changed
            ],
            **({} if self.sole_miss_m is None else {"sole_miss_m": self.sole_miss_m}),
            **({} if self.stray is None else {"stray": self.stray.to_json()}),
        }


@dataclass(frozen=True, slots=True)
class Blocked:
    """A blocked jump: what was planned, what became of the keys, what was measured after.

    `measured` is None on a dry run. `course` is the COG's way that was planned, in the plan's axes.
    """

    jump: Jump
    keyed: tuple[Keyed, ...]
    measured: Measured | None
    warnings: tuple[str, ...]
    controls: Controls
    air: str
    moments: Mapping[str, float]
    poses: Measures
    props: tuple[str, ...] = ()
    cog_from: str = "control"
    course: Course | None = None

    @property
    def controls_text(self) -> tuple[str, ...]:
        """Which controls were used, and how sure that is, one sentence each."""
        return self.controls.text

    def to_json(self) -> dict[str, Any]:
        """The plan's answer with `keyed`, `measured`, `controls` and `air` beside it."""
        answer = plan_answer(self.jump)
        answer["warnings"] = list(self.warnings)
        answer["air"] = self.air
        answer["cog_from"] = self.cog_from
        answer["controls"] = {
            "root": self.controls.root and label(self.controls.root),
            "cog": label(self.controls.cog),
            "feet": [label(foot) for foot in self.controls.feet],
            "sure": {role: list(how) for role, how in self.controls.sure.items()},
        }
        answer["props"] = list(self.props)
        answer["keyed"] = [keyed.to_json() for keyed in self.keyed]
        answer["measured"] = None if self.measured is None else self.measured.to_json()
        return answer


def measure_written(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    course: Course,
    top: float,
    poses: Mapping[str, float],
    sheets: Sequence[Sheet],
    *,
    stepped: bool,
    source: Source | None = None,
) -> Measured:
    """Evaluate the scene on every frame of the jump and hold the COG against the plan.

    Stepped keys are compared where they stand, on the moments alone.

    Parameters
    ----------
    source : Source, optional
        What the COG is measured with; None is the COG control.
    """
    frames = course.frames if stepped else course.every_frame
    extra = [course.frames[course.index(k)] for k in ("crouch", "takeoff", "apex")]
    tops = extra[2] if stepped else top
    at = np.concatenate([frames, extra[:2], [tops]])
    points, masses = cog_points(controls, source)
    other = None if stepped or source is not None else persons_source(obj)
    more = () if other is None else other.points
    world = sample(obj, at, [*points, *more], scene=scene).positions

    def weighed(shares: Floats, which: slice) -> Floats:
        return ground.to_plan(np.einsum("p,pfi->fi", shares, world[which]))

    places = weighed(masses, slice(len(points)))
    away = np.linalg.norm(places[: len(frames)] - course.at(frames), axis=1)
    worst = int(np.argmax(away))
    crouch, takeoff, apex = places[len(frames) :, 2]
    return Measured(
        largest_distance_m=float(away[worst]),
        at_frame=float(frames[worst]),
        push_height_m=float(takeoff - crouch),
        jump_height_m=float(apex - takeoff),
        posed_values_changed=_changed(course, poses, sheets),
        stray=None
        if other is None
        else _stray(
            other, course, frames, places - weighed(other.masses, slice(len(points), None))
        ),
    )


def _stray(other: Source, course: Course, frames: Floats, apart: Floats) -> Stray:
    """How far apart two COGs come in the air, beyond what a straight and even drift explains: as
    one of them is on the arc, the other one is on an arc too where that is nothing."""
    up, down = np.searchsorted(frames, [course.frame("takeoff"), course.frame("land")]).tolist()
    air, by = frames[up : down + 1], apart[up : down + 1]
    share = ((air - air[0]) / (air[-1] - air[0]))[:, None]
    off = np.linalg.norm(by - by[0] - share * (by[-1] - by[0]), axis=1)
    worst = int(np.argmax(off))
    return Stray(other.name, float(off[worst]), float(air[worst]))


def _changed(
    course: Course, poses: Mapping[str, float], sheets: Sequence[Sheet]
) -> tuple[PosedChange, ...]:
    if not poses:
        return ()
    changes = []
    moments, sources = list(poses), np.array(list(poses.values()), dtype=np.float64)
    targets = [float(course.frames[course.index(m)]) for m in moments]
    for sheet in sheets:
        old, now = sheet.old, read_curves(sheet.holder.block).curves
        places = {c: i for i, c in enumerate(now.channels)}
        posed = np.unique(old.channel_of_key()[on_frames(old.frame, sources)])
        old = select(old, posed)
        was, is_now = evaluate(old, sources), evaluate(now, targets)
        for i, channel in enumerate(old.channels):
            if channel not in places:
                continue
            for k, moment in enumerate(moments):
                a, b = float(was[i, k]), float(is_now[places[channel], k])
                if abs(b - a) > SAID_FROM * max(1.0, abs(a)):
                    changes.append(PosedChange(channel.label, moment, targets[k], a, b))
    return tuple(changes)
