# SPDX-License-Identifier: GPL-3.0-or-later
"""How cost grows with frames, jumps, bones, curves and files: ×1, ×10, ×100, and the slope."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from bench_plan import jumps_asked
from bench_retime import keyed_rig
from figures import Figure, grown

from leapwright import TimeMap, plan
from leapwright.check import check
from leapwright.find import find
from leapwright.track import Track
from leapwright.warp import warp

__all__ = ["bench_growth"]

Work = Callable[[], object]

CONTROLS: dict[str, Any] = {
    "root": "bone.000", "cog": "bone.001", "feet": ["bone.002", "bone.003"],
}  # fmt: skip
SHORT = {"crouch": 5, "takeoff": 9, "land": 25, "low": 29}
"""A jump on twenty keys on twos."""
HARE = Path(__file__).resolve().parents[2] / "blend_samples" / "hare.blend"


def bench_growth() -> list[Figure]:
    """Each thing that there may be more of, with the verb that it weighs on most."""
    return [
        grown("plan, jumps in one call", _plan, unit="jumps", sizes=(1_000, 10_000, 100_000)),
        grown("find and check, frames", _frames, unit="frames", sizes=(250, 2_500, 25_000)),
        grown("find and check, jumps", _jumps, unit="jumps", sizes=(3, 30, 300)),
        grown("curves through a map, curves", _curves, unit="curves", sizes=(100, 1_000, 10_000)),
        grown("curves through a map, keys", _keys, unit="keys", sizes=(2_000, 20_000, 200_000)),
        grown("block, bones of the rig", _bones, unit="bones", sizes=(10, 100, 1_000)),
        grown("block, frames of the shot", _shot, unit="frames", sizes=(100, 1_000, 10_000)),
        grown("retime, curves", _retime, unit="curves", sizes=(100, 1_000, 10_000)),
        grown("open, retime, save: files", _files, unit="files", sizes=(1, 10, 100)),
    ]


# --- The core ------------------------------------------------------------------------------------


def _plan(jumps: int) -> Work:
    ask = jumps_asked(jumps)
    return lambda: plan(**ask)


def _hop() -> Any:
    return plan(jump_height=0.5, push_height=0.3, pins={"start": 1}, recover_frames=10)


def _frames(frames: int) -> Work:
    """One jump in the middle of a long shot."""
    hop = _hop().cog(np.arange(frames) - frames // 2).position
    return _looked_over(Track.of(_placed(hop), soles=[_soles(hop)]))


def _jumps(jumps: int) -> Work:
    """One hop after the other."""
    hop = _hop()
    each = hop.cog(np.arange(1, int(hop.moments.end) + 10)).position
    feet = [np.tile(_soles(each), (jumps, 1))]
    return _looked_over(Track.of(np.tile(_placed(each), (jumps, 1)), soles=feet))


def _placed(position: Any) -> Any:
    """A body whose COG stands 1 m up."""
    place = np.array(position, dtype=float)
    place[:, 2] += 1.0 - place[0, 2]
    return place


def _soles(position: Any) -> Any:
    """One foot that is as high above the floor as the COG is above where it leaves it."""
    feet = np.zeros_like(position)
    feet[:, 2] = np.maximum(position[:, 2] - position[0, 2], 0.0)
    return feet


def _looked_over(track: Track) -> Work:
    return lambda: check(find(track), track)


def _curves(curves: int) -> Work:
    keyed, moments = _keyed(curves // 10, np.arange(20) * 2 + 1), list(SHORT.values())
    time_map = TimeMap.of(moments, [5, 8, 19, 22])
    return lambda: warp(keyed, time_map)


def _keys(keys: int) -> Work:
    """Longer and longer channels of a rig of ten bones, all of it stretched."""
    frames = np.arange(keys // 100) * 2 + 1
    keyed = _keyed(10, frames)
    time_map = TimeMap.of([5, frames[-1] - 4], [5, round(frames[-1] / 1.5)])
    return lambda: warp(keyed, time_map)


# --- In Blender ----------------------------------------------------------------------------------


def _keyed(bones: int, frames: Any) -> Any:
    from leapwright_blender.read import read_curves

    return read_curves(keyed_rig(SHORT, bones, frames)).curves


def _rig(bones: int) -> Any:
    import bpy

    from leapwright_blender import rig_of

    obj = keyed_rig(SHORT, bones, np.arange(1) + 1)
    obj.animation_data_clear()
    return rig_of(obj, bpy.context.scene)


def _blocked(rig: Any, at: int) -> Work:
    def work() -> object:
        return rig.block(
            jump_height=0.5, push_height=0.3, pins={"crouch": at}, replace=True, **CONTROLS
        )

    return work


def _bones(bones: int) -> Work:
    return _blocked(_rig(bones), 20)


def _shot(frames: int) -> Work:
    """A jump in the middle of a shot that is keyed on twos from end to end."""
    import bpy

    from leapwright_blender import rig_of

    obj = keyed_rig(SHORT, 10, np.arange(frames // 2) * 2 + 1)
    rig = rig_of(obj, bpy.context.scene)
    bpy.context.scene.frame_end = frames
    return _blocked(rig, frames // 2)


def _retime(curves: int) -> Work:
    import bpy

    from leapwright_blender import rig_of

    rig = rig_of(keyed_rig(SHORT, curves // 10, np.arange(20) * 2 + 1), bpy.context.scene)
    return lambda: rig.retime(moments=SHORT, snappiness=1.2, dry_run=True, **CONTROLS)


def _files(files: int) -> Work:
    """Copies of the hare, one jump blocked in each, retimed into a file beside it."""
    from leapwright_blender import open_shot

    folder = Path(tempfile.mkdtemp(prefix="leapwright-bench-"))
    shot = open_shot(HARE)
    shot.rig("Hare").block(jump_height=0.5, push_height=0.3, pins={"crouch": 20})
    shot.save(folder / "first.blend")
    names = [folder / f"shot{i:03}.blend" for i in range(files)]
    for name in names:
        shutil.copyfile(folder / "first.blend", name)

    def work() -> None:
        for name in names:
            one = open_shot(name)
            one.rig("Hare").retime(snappiness=1.5)
            one.save(folder / "done.blend")
        if files == 100:
            shutil.rmtree(folder)

    return work
