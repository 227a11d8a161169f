# SPDX-License-Identifier: GPL-3.0-or-later
"""Block a jump on a rig: read the poses, solve, look what is in the way, write once, measure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright import ClashError
from leapwright_blender import store
from leapwright_blender.blocked import Blocked
from leapwright_blender.cog import source_named
from leapwright_blender.contact import LEVEL, read_contacts, refuse_outside
from leapwright_blender.course import Course
from leapwright_blender.finish import finish, remembered_controls
from leapwright_blender.floor import refuse_moving_parent
from leapwright_blender.ground import ground_of
from leapwright_blender.layout import Layout, lay_out
from leapwright_blender.poses import Body, read_body, read_poses
from leapwright_blender.rig import Controls
from leapwright_blender.schedule import Shift, arrange, make_room
from leapwright_blender.solved import Solved, solve
from leapwright_blender.steps import Step, Steps, part
from leapwright_blender.store import Remembered
from leapwright_blender.wanted import Wanted, chained, check_wanted

__all__ = ["block", "choose_air"]

Stale = list[tuple[Remembered, float]]
"""Remembered jumps that another one stands for, each with the frame after which."""


def block(
    obj: Any, scene: Any, controls: Controls, wanted: Wanted, ask: Mapping[str, Any]
) -> Steps[Blocked]:
    """Plan a jump through a rig's poses and key it, in steps. `Rig.block` is the door."""
    check_wanted(wanted)
    asked = {**_as_asked(wanted), **{k: v for k, v in ask.items() if v is not None}}
    before = store.load(obj)
    if wanted.chain:
        wanted, ask = chained(wanted, ask, before, obj.name)
    air = choose_air(controls, wanted.air)
    contacts = read_contacts(wanted.foot, controls, step=2 if ask.get("twos") else 1)
    frames = read_poses(wanted.poses)
    ground = ground_of(scene)
    yield Step(0.0, "reading the poses")
    naming = source_named(obj, scene, controls, wanted.cog_from)
    source = yield from part(naming, 0.0, 0.05)
    body = read_body(obj, scene, ground, controls, frames, source)
    solved = solve(obj, scene, ground, controls, body, wanted, ask, source)

    def lay(solved: Solved, *, draft: bool = False) -> Steps[tuple[Layout, Stale, Shift]]:
        course = solved.course
        refuse_outside(contacts, course)
        refuse_moving_parent(obj, scene, [*frames.values(), *course.every_frame])
        stale = _superseded(before, course, chain=wanted.chain)
        if not wanted.chain:
            stale += _redone(before, stale, frames, course, again=wanted.again)
        unasked = wanted.again or wanted.chain or wanted.replace
        since = max((_last(jump) for jump, _ in stale), default=None) if unasked else None
        shift = make_room(frames, course, wanted.after, since=since)
        layout = yield from lay_out(
            obj,
            scene,
            ground,
            controls,
            course,
            solved.body,
            lambda _, reading, rode, superseded: arrange(
                reading.curves,
                frames,
                course,
                rode,
                stepped=wanted.stepped,
                shift=shift,
                replace=wanted.replace,
                superseded=superseded,
            ),
            air=air,
            contacts=contacts,
            lifts=solved.lifts,
            stepped=wanted.stepped,
            within=wanted.within,
            props=wanted.props,
            key=wanted.key,
            superseded=stale,
            unasked=unasked,
            source=source,
            draft=draft,
        )
        return layout, stale, shift

    if source is not None and frames and any(leg.after for leg in controls.legs if not leg.ik):
        # Legs that the poses leave hanging weigh where they will stand.
        draft, _, _ = yield from part(lay(solved, draft=True), 0.05, 0.25)
        body = _as_they_stand(body, draft.stood)
        solved = solve(obj, scene, ground, controls, body, wanted, ask, source)
    layout, stale, shift = yield from part(lay(solved), 0.25, 0.9)
    course = solved.course
    jump = solved.jump
    measured = None
    warnings = [*jump.warnings, *solved.warnings, *layout.warnings]
    if not wanted.dry_run:
        yield Step(0.9, "writing")
        top = jump.moments.takeoff + jump.takeoff_speed / jump.gravity * float(jump.frame_rate)
        measured, more = finish(
            obj,
            scene,
            ground,
            controls,
            course,
            layout,
            poses=frames,
            top=top,
            kept=_kept(before, stale, chain=wanted.chain),
            shift=shift,
            new=Remembered(
                asked=asked,
                keep=jump.keep,
                gravity_m_s2=float(jump.gravity),
                stepped=wanted.stepped,
                poses={moment: course.frame(moment) for moment in frames},
                moments=dict(zip(course.knots, course.frames.tolist(), strict=True)),
                controls=remembered_controls(controls),
                air=air,
                cog_from=wanted.cog_from or "control",
                feet={name: asdict(c) for name, c in contacts.items() if c != LEVEL},
                intended=_intended(stale),
            ),
            markers=wanted.markers,
            source=source,
            within=wanted.within,
        )
        warnings += more
    return Blocked(
        jump=jump,
        keyed=layout.keyed,
        measured=measured,
        warnings=tuple(warnings),
        controls=controls,
        air=air,
        moments={
            k: f for k, f in zip(course.knots, course.frames.tolist(), strict=True) if k != "hold"
        },
        poses=solved.poses,
        props=layout.props,
        cog_from=wanted.cog_from or "control",
        course=course,
    )


def _as_they_stand(body: Body, stood: Mapping[str, NDArray[np.float64]]) -> Body:
    """The body with its COG where it will be on the posed moments."""
    stands = {m: replace(s, cog=stood.get(m, s.cog)) for m, s in body.stands.items()}
    home = next((stands[m] for m, s in body.stands.items() if s is body.home), body.home)
    return Body(stands, home)


def choose_air(controls: Controls, air: str | None) -> str:
    """Who takes the body through the air: as wished, or as the rig is built."""
    chosen = air or controls.carries
    if chosen == "root" and controls.carries != "root":
        raise ClashError(
            "air=root needs a root that carries the COG control and all feet: "
            f"{controls.sure.get('carries', ('', 'there is none'))[1]}; use feet",
            ("air",),
        )
    return chosen


def _as_asked(wanted: Wanted) -> dict[str, Any]:
    """What is remembered of how it was asked; poses are remembered where they went."""
    return {
        "gravity": wanted.gravity,
        "keep": wanted.keep,
        "shot_start": wanted.shot_start,
        "stepped": wanted.stepped,
        "air": wanted.air,
        "foot": {name: dict(offsets) for name, offsets in wanted.foot.items()},
        "key": wanted.key,
        "ground": wanted.ground,
        "within": wanted.within,
        "props": wanted.props,
    }


def _superseded(
    before: Sequence[Remembered], course: Course, *, chain: bool
) -> list[tuple[Remembered, float]]:
    """Remembered jumps that the new one stands for, each with the frame after which: all that
    meet it; of the jump that it goes on from, what comes after the low."""
    first, last = float(course.frames[0]), float(course.frames[-1])
    stale = []
    for jump in before:
        if chain and jump is before[-1]:
            stale.append((jump, jump.moments["low"]))
        elif _first(jump) < last and _last(jump) > first:
            stale.append((jump, -float("inf")))
    return stale


def _redone(
    before: Sequence[Remembered],
    stale: Sequence[tuple[Remembered, float]],
    poses: Mapping[str, float],
    course: Course,
    *,
    again: bool,
) -> list[tuple[Remembered, float]]:
    """The jump that goes away from its place: the one whose poses are taken from it; without any
    the last one, if it is blocked again and no other one is met."""
    told = [jump for jump, _ in stale]
    gone = list(before[-1:]) if again and not told else []
    if poses:
        leave = any(m in course.knots and course.frame(m) != f for m, f in poses.items())
        gone = [
            jump for jump in before if all(_first(jump) <= f <= _last(jump) for f in poses.values())
        ]
        gone = gone[-1:] if leave else []
    return [(jump, -float("inf")) for jump in gone if jump not in told]


def _intended(stale: Stale) -> list[Any]:
    """What is meant of the jumps that the new one stands for goes on being meant; a jump that it
    goes on from keeps its own."""
    entries = [entry for jump, after in stale if np.isinf(after) for entry in jump.intended]
    return [entry for i, entry in enumerate(entries) if entry not in entries[:i]]


def _kept(
    before: Sequence[Remembered], stale: Sequence[tuple[Remembered, float]], *, chain: bool
) -> list[Remembered]:
    """What goes on being remembered."""
    gone = [jump for jump, _ in stale]
    kept = [jump for jump in before if jump not in gone]
    return [*kept, before[-1]] if chain else kept


def _first(jump: Remembered) -> float:
    return min(jump.moments.values())


def _last(jump: Remembered) -> float:
    return max(jump.moments.values())
