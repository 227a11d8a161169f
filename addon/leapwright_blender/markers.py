# SPDX-License-Identifier: GPL-3.0-or-later
"""Own timeline markers of a rig's jumps, told from all others by their names.

A marker of ours is called after the rig and the moment, "Hare take-off", from the second jump on
with its number, "Hare 2 take-off", and holds no camera. Custom properties on markers are gone in
5.x, so the name is all there is: where the file has an object "Hare 2", that name is its own, and
the second jump of "Hare" is "Hare (2)".
"""

from __future__ import annotations

import math
import re
import zlib
from collections.abc import Iterator, Mapping, Sequence
from itertools import count
from typing import Any

import bpy

from leapwright.errors import InputError

__all__ = ["MOMENTS", "marker_name", "own_markers", "remove_markers", "set_markers"]

MOMENTS = ("start", "crouch", "take-off", "apex", "land", "low", "end")
"""The moments, as they are written on markers."""

_NAME_BYTES = 63
_NUMBERED = re.compile(r" (\(*)([0-9]+)\)* [a-z-]+$")

Jump = Mapping[str, float | None]


def marker_name(rig_name: str, moment: str, *, jump: int = 1) -> str:
    """Name the marker of a moment of a rig's jump, 1 the first; `takeoff` is `take-off`.

    A rig's name that is too long for a marker is cut and a checksum tells it from its like.
    """
    word = "take-off" if moment == "takeoff" else moment
    if word not in MOMENTS:
        allowed = ", ".join(MOMENTS)
        raise InputError(f"`moment` must be of {allowed}, got {moment!r}", "moment")
    # Never the name of another object: its own first jump is called so.
    free = (end for end in _numbers(jump) if not end or rig_name + end not in bpy.data.objects)
    return _name(rig_name, next(free), word)


def own_markers(scene: Any, rig_name: str, *, jump: int = 1) -> list[tuple[str, int]]:
    """List moment and frame of each own marker of one of a rig's jumps, by frame."""
    ours = [(word, m.frame) for m, number, word in _ours(scene, rig_name) if number == jump]
    return sorted(ours, key=lambda pair: (pair[1], MOMENTS.index(pair[0])))


def set_markers(scene: Any, rig_name: str, jumps: Jump | Sequence[Jump]) -> list[str]:
    """Mark the moments of a rig's jumps, instead of all own markers that it had.

    Parameters
    ----------
    scene : bpy.types.Scene
        Its markers of others, and all that hold a camera, stay as they are.
    rig_name : str
        As it is to be read on the timeline.
    jumps : mapping of str to float or None, or several in time order
        Frame of each moment; one between frames goes on the nearest, a tie on the earlier; a
        moment that is None is absent.

    Returns
    -------
    list of str
        Names of the markers, in the order given.

    Raises
    ------
    InputError
        An unknown moment or a frame that is not finite. Nothing is changed.
    """
    several = [jumps] if isinstance(jumps, Mapping) else list(jumps)
    wanted = [
        (marker_name(rig_name, moment, jump=number), _frame(moment, frame))
        for number, moments in enumerate(several, 1)
        for moment, frame in moments.items()
        if frame is not None
    ]
    remove_markers(scene, rig_name)
    for name, frame in wanted:
        scene.timeline_markers.new(name, frame=frame)
    return [name for name, _ in wanted]


def remove_markers(scene: Any, rig_name: str) -> int:
    """Remove the own markers of all of a rig's jumps and say how many they were."""
    ours = _ours(scene, rig_name)
    for marker, _, _ in ours:
        scene.timeline_markers.remove(marker)
    return len(ours)


def _ours(scene: Any, rig_name: str) -> list[tuple[Any, int, str]]:
    """Marker, number of the jump and moment of each own marker."""
    found = []
    for marker in scene.timeline_markers:
        said = None if marker.camera is not None else _read(marker.name, rig_name)
        if said is not None:
            found.append((marker, *said))
    return found


def _read(name: str, rig_name: str) -> tuple[int, str] | None:
    """Number of the jump and moment of a rig's marker; None for all other names."""
    word = name.rpartition(" ")[2]
    if word not in MOMENTS:
        return None
    if name == _name(rig_name, "", word):
        return 1, word
    numbered = _NUMBERED.search(name)
    if numbered is None or int(numbered[2]) < 2:
        return None
    inside, jump = len(numbered[1]), int(numbered[2])
    end = f" {'(' * inside}{jump}{')' * inside}"
    ours = name == _name(rig_name, end, word) and rig_name + end not in bpy.data.objects
    return (jump, word) if ours else None


def _numbers(jump: int) -> Iterator[str]:
    """What follows the rig's name, best first: nothing for the first jump, else the number."""
    if jump == 1:
        yield ""
    for inside in count():
        yield f" {'(' * inside}{jump}{')' * inside}"


def _name(rig_name: str, number: str, word: str) -> str:
    whole = f"{rig_name}{number} {word}"
    if len(whole.encode()) <= _NAME_BYTES:
        return whole
    tail = f"~{zlib.crc32(rig_name.encode()):08x}{number} {word}"
    return rig_name.encode()[: _NAME_BYTES - len(tail)].decode(errors="ignore") + tail


def _frame(moment: str, frame: float) -> int:
    if not math.isfinite(frame):
        raise InputError(f"`moments` must be finite frames, got {moment}={frame}", "moments")
    return math.ceil(frame - 0.5)
