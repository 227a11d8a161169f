# SPDX-License-Identifier: GPL-3.0-or-later
"""Own timeline markers of a jump's moments, told from all others by their names.

A marker of ours is called after the rig and the moment, "Hare take-off", and holds no camera.
Custom properties on markers are gone in 5.x, so the name is all there is.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping
from typing import Any

from leapwright.errors import InputError

__all__ = ["MOMENTS", "marker_name", "own_markers", "remove_markers", "set_markers"]

MOMENTS = ("start", "crouch", "take-off", "apex", "land", "low", "end")
"""The moments, as they are written on markers."""

_NAME_BYTES = 63


def marker_name(rig_name: str, moment: str) -> str:
    """Name the marker of a rig's moment; `takeoff` is `take-off`.

    A rig's name that is too long for a marker is cut and a checksum tells it from its like.
    """
    word = "take-off" if moment == "takeoff" else moment
    if word not in MOMENTS:
        allowed = ", ".join(MOMENTS)
        raise InputError(f"`moment` must be of {allowed}, got {moment!r}", "moment")
    whole = f"{rig_name} {word}"
    if len(whole.encode()) <= _NAME_BYTES:
        return whole
    tail = f"~{zlib.crc32(rig_name.encode()):08x} {word}"
    cut = rig_name.encode()[: _NAME_BYTES - len(tail)].decode(errors="ignore")
    return cut + tail


def own_markers(scene: Any, rig_name: str) -> list[tuple[str, int]]:
    """List moment and frame of each own marker of a rig, by frame."""
    words = _words(rig_name)
    ours = [(words[m.name], m.frame) for m in _ours(scene, rig_name)]
    return sorted(ours, key=lambda pair: (pair[1], MOMENTS.index(pair[0])))


def set_markers(scene: Any, rig_name: str, moments: Mapping[str, float | None]) -> list[str]:
    """Mark a rig's moments, instead of all own markers that it had.

    Parameters
    ----------
    scene : bpy.types.Scene
        Its markers of others, and all that hold a camera, stay as they are.
    rig_name : str
        As it is to be read on the timeline.
    moments : mapping of str to float or None
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
    wanted = [
        (marker_name(rig_name, moment), _frame(moment, frame))
        for moment, frame in moments.items()
        if frame is not None
    ]
    remove_markers(scene, rig_name)
    for name, frame in wanted:
        scene.timeline_markers.new(name, frame=frame)
    return [name for name, _ in wanted]


def remove_markers(scene: Any, rig_name: str) -> int:
    """Remove a rig's own markers and say how many they were."""
    ours = _ours(scene, rig_name)
    for marker in ours:
        scene.timeline_markers.remove(marker)
    return len(ours)


def _ours(scene: Any, rig_name: str) -> list[Any]:
    words = _words(rig_name)
    return [m for m in scene.timeline_markers if m.name in words and m.camera is None]


def _words(rig_name: str) -> dict[str, str]:
    return {marker_name(rig_name, word): word for word in MOMENTS}


def _frame(moment: str, frame: float) -> int:
    if not math.isfinite(frame):
        raise InputError(f"`moments` must be finite frames, got {moment}={frame}", "moments")
    return math.ceil(frame - 0.5)
