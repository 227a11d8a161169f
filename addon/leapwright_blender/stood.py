# SPDX-License-Identifier: GPL-3.0-or-later
"""FK feet that stand still under a body that goes another way than before.

Keys that a block put between the poses of a leg held the foot under the old push and absorb. As
far as nobody edited them they give way to others.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import bpy
import numpy as np
from numpy.typing import NDArray

from leapwright.curves import MERGE_FRAMES, Curves, channel, concat, remove_keys
from leapwright.timemap import TimeMap
from leapwright_blender.contact import Contact
from leapwright_blender.course import Course
from leapwright_blender.footing import footing, sliding
from leapwright_blender.ground import Ground
from leapwright_blender.poses import Body, stand_on
from leapwright_blender.rehearsal import rehearsal
from leapwright_blender.rig import Controls
from leapwright_blender.steps import Steps

__all__ = ["WITHIN_M", "Stood", "leg_channels", "slide_words", "stood_still"]

Bools = NDArray[np.bool_]

WITHIN_M = 0.005
"""How far planted feet may slide, m, as in a block."""


class Stood(NamedTuple):
    """The rig's curves with feet that stand, and which keys of before gave way."""

    curves: Curves
    gone: Bools


def leg_channels(controls: Controls, curves: Curves) -> Bools:
    """Which channels turn an FK leg, bool[C]."""
    paths = tuple(
        f'pose.bones["{bpy.utils.escape_identifier(name)}"].rotation'
        for leg in controls.legs
        if not leg.ik
        for name in {*leg.chain, leg.after} - {""}
    )
    return np.array([bool(paths) and c.data_path.startswith(paths) for c in curves.channels], bool)


def stood_still(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    before: Curves,
    played: Sequence[tuple[Any, Curves]],
    course: Course,
    *,
    ours: Bools,
    time_map: TimeMap,
    feet: Mapping[str, Any],
    stepped: bool,
) -> Steps[Stood]:
    """Hold the planted feet of FK legs between the poses, in steps.

    Parameters
    ----------
    before : Curves
        The rig's channels as they are in the file.
    played : sequence of (bpy.types.ID, Curves)
        Data-blocks and their channels as they are to be, the rig first.
    ours : bool[K]
        Keys of `before` that are as a block wrote them.
    """
    curves = played[0][1]
    legs = leg_channels(controls, curves)
    gone = np.zeros(len(before.frame), dtype=bool)
    if not legs.any():
        return Stood(curves, gone)
    home = before.channel_of_key()
    there = time_map.apply(before.frame.astype(np.float64))
    gone = ours & legs[home] & _between(course, there)
    new_home = curves.channel_of_key()
    out = np.zeros(len(curves.frame), dtype=bool)
    for i in np.unique(home[gone]):
        frames = there[gone & (home == i)]
        both = np.concatenate([frames, np.rint(frames)])
        mine = np.flatnonzero(new_home == i)
        near = np.abs(curves.frame[mine][:, None] - both[None, :]).min(axis=1) < MERGE_FRAMES
        out[mine[near]] = True
    out &= _between(course, curves.frame.astype(np.float64))
    less = remove_keys(curves, out)
    with rehearsal([(played[0][0], less), *played[1:]]):
        found = yield from footing(
            obj, scene, ground, controls, course, _body(obj, scene, ground, controls, course),
            contacts=_contacts(feet), lifts={}, stepped=stepped, within=WITHIN_M,
        )  # fmt: skip
    if found is None or not set(found.curves.channels) <= set(curves.channels):
        # Legs that were never keyed are not keyed now; how far they slide is said.
        return Stood(curves, np.zeros_like(gone))
    held = {c: channel(found.curves, i) for i, c in enumerate(found.curves.channels)}
    parts = [held.get(c, channel(less, i)) for i, c in enumerate(less.channels)]
    return Stood(concat(parts), gone)


def slide_words(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    course: Course,
    feet: Mapping[str, Any],
) -> list[str]:
    """FK feet that do not stand still between the poses."""
    if all(leg.ik for leg in controls.legs):
        return []
    body = _body(obj, scene, ground, controls, course)
    metres, frame = sliding(obj, scene, ground, controls, course, body, contacts=_contacts(feet))
    if metres <= WITHIN_M:
        return []
    where = f"{metres * 100:.1f} cm between the poses (frame {frame:g})"
    return [f"planted feet of legs that are turned joint by joint slide up to {where}"]


def _between(course: Course, frames: NDArray[np.float64]) -> Bools:
    """Frames inside the push or the absorb and on none of the moments."""
    up, down = course.frame("takeoff"), course.frame("land")
    inside = (frames > course.frames[0]) & (frames < up)
    inside |= (frames > down) & (frames < course.frames[-1])
    away = np.abs(frames[:, None] - course.frames[None, :]).min(axis=1)
    return np.asarray(inside & (away > 0.5))


def _body(obj: Any, scene: Any, ground: Ground, controls: Controls, course: Course) -> Body:
    stands = stand_on(obj, scene, ground, controls, course.frames.tolist())
    posed = dict(zip(course.knots, stands, strict=True))
    return Body(posed, posed["takeoff"])


def _contacts(feet: Mapping[str, Any]) -> dict[str, Contact]:
    return {name: Contact(**said) for name, said in feet.items()}
