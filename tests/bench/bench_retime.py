# SPDX-License-Identifier: GPL-3.0-or-later
"""How long a retime of a rig takes, stage by stage, against bare access to the same arrays and
against a loop over the keys."""

from __future__ import annotations

import gc
import importlib
import statistics
import time
import tracemalloc
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, nullcontext
from dataclasses import dataclass
from typing import Any
from unittest.mock import patch

import numpy as np
from figures import Figure, seconds

__all__ = ["bench_retime", "keyed_rig"]

BONES, KEYS = 100, 200
"""Ten channels a bone: a thousand curves."""

FRAMES = np.arange(KEYS) * 2 + 1
"""On twos."""

ONE_JUMP = {"crouch": 185, "takeoff": 191, "land": 215, "low": 221}
"""A jump in the middle of a long shot: most keys only shift or stay."""

ALL_KEYS = {"crouch": 5, "takeoff": 71, "land": 335, "low": 395}
"""A jump in slow motion over all the keys: every key and handle is stretched."""

BARE = (
    ("co", np.float32, 2),
    ("handle_left", np.float32, 2),
    ("handle_right", np.float32, 2),
    ("handle_left_type", np.int32, 1),
    ("handle_right_type", np.int32, 1),
    ("interpolation", np.int32, 1),
)

STAGES = (
    ("shot", "find_controls", "rig finding"),
    ("retime", "measure_flight", "measuring"),
    ("retime", "read_cast", "reading"),
    ("recast", "warp", "time map"),
    ("retime", "write_all", "writing"),
    ("retime", "put_back", "holding handles"),
    ("retime", "retime_others", "other things in time"),
    ("retime", "told", "account of the keys"),
)
"""Module, what `Rig.retime` calls there, and what the table calls it."""

THROUGH = ("reading", "time map", "writing")
"""What gets the keys through the map: compared with the floor."""


@dataclass(frozen=True, slots=True)
class Retimes:
    """Medians in seconds, peaks in bytes.

    Attributes
    ----------
    stages : mapping
        Seconds of each stage of one retime; `the rest` is what is in none.
    retimed : float
        Seconds of reading, the map and writing, which looks whether the keys arrived.
    ratio : float
        That to bare access, before and after it in the same round: `foreach_get` and
        `foreach_set` of the same arrays and `update`.
    looped : float
        Ratio to the same of a loop over the keys that maps frame and handles one by one.
    peak, bare_peak : int
        Most memory of Python and numpy at once, above what was there before: of the whole retime
        and of the bare access, which holds one curve at a time.
    size : int
        Bytes of all keys in the arrays that the retime reads.
    """

    curves: int
    keys: int
    stages: Mapping[str, float]
    retimed: float
    ratio: float
    looped: float
    peak: int
    bare_peak: int
    size: int


def bench_retime() -> list[Figure]:
    """Retime a rig of a thousand curves of 200 keys, made 1.5 times as snappy."""
    return [
        *_told("retime, one jump in a long shot", retimes(ONE_JUMP)),
        *_told("retime, a jump over every key", retimes(ALL_KEYS, measured=False)),
    ]


def _told(name: str, got: Retimes) -> list[Figure]:
    peak, size, bare = (n / 2**20 for n in (got.peak, got.size, got.bare_peak))
    stages = sorted(got.stages.items(), key=lambda stage: -stage[1])
    each = ", ".join(f"{stage} {spent * 1e3:.0f}" for stage, spent in stages)
    what = f"{got.curves:,} curves, {got.keys:,} keys: {got.retimed * 1e3:.0f} ms"
    return [
        Figure(name, got.ratio, "×", "bare foreach_get, set, update", at_most=2, note=what),
        Figure(
            "  times faster than a loop",
            got.looped / got.ratio,
            "×",
            "frame and handles of key after key, by script",
            at_least=10,
            note=f"that loop takes {got.looped:.1f} times the bare access",
        ),
        Figure(
            "  peak memory",
            got.peak / got.size,
            "×",
            "the keys as arrays",
            note=f"{peak:.0f} MB for {size:.0f} MB; bare access, curve by curve {bare:.2f} MB",
        ),
        Figure("  the whole verb", sum(got.stages.values()) * 1e3, "ms", each),
    ]


def retimes(
    moments: Mapping[str, float],
    *,
    rounds: int = 7,
    loops: int = 3,
    measured: bool = True,
) -> Retimes:
    """Time everything about one retime.

    Parameters
    ----------
    moments : mapping of moment to frame
        Where the jump is.
    rounds, loops : int
        How often everything, and the slow loop, is timed.
    measured : bool
        Measure the jump in every round, or once for all.
    """
    import bpy

    from leapwright_blender import host, rig_of
    from leapwright_blender.read import read_curves
    from leapwright_blender.write import write_curves

    obj = keyed_rig(moments)
    rig = rig_of(obj, bpy.context.scene)
    before = read_curves(obj).curves
    fcurves = list(host.fcurves_of(obj) or ())

    def work() -> Any:
        return rig.retime(
            moments=moments,
            snappiness=1.5,
            root="bone.000",
            cog="bone.001",
            feet=["bone.002", "bone.003"],
        )

    times: dict[str, list[float]] = defaultdict(list)
    ratios: list[float] = []
    looped: list[float] = []
    with nullcontext() if measured else _measured_once():
        solved = work().solved
        write_curves(obj, before)
        for _ in range(rounds):
            floor = [seconds(lambda: _bare(fcurves))]
            spent = _staged(work)
            write_curves(obj, before)
            floor.append(seconds(lambda: _bare(fcurves)))
            for stage, taken in spent.items():
                times[stage].append(taken)
            ratios.append(sum(spent[stage] for stage in THROUGH) / statistics.mean(floor))
        for _ in range(loops):
            floor = [seconds(lambda: _bare(fcurves))]
            by_hand = seconds(lambda: _loop(fcurves, solved.map))
            write_curves(obj, before)
            floor.append(seconds(lambda: _bare(fcurves)))
            looped.append(by_hand / statistics.mean(floor))
        peak = _most(work)
        write_curves(obj, before)
    median = {name: statistics.median(taken) for name, taken in times.items()}
    return Retimes(
        curves=len(before.channels),
        keys=len(before.frame),
        stages=median,
        retimed=sum(median[stage] for stage in THROUGH),
        ratio=statistics.median(ratios),
        looped=statistics.median(looped),
        peak=peak,
        bare_peak=_most(lambda: _bare(fcurves)),
        size=sum(getattr(before, name).nbytes for name in before.__slots__[2:]),
    )


# --- What is timed -----------------------------------------------------------------------------


def _staged(work: Callable[[], Any]) -> dict[str, float]:
    """Seconds of each stage of one run, and of what is in none."""
    spent: dict[str, float] = defaultdict(float)
    with ExitStack() as stack:
        for module, name, stage in STAGES:
            place = importlib.import_module(f"leapwright_blender.{module}")
            timed = _entered if name == "write_all" else _called
            counted = timed(getattr(place, name), stage, spent)
            stack.enter_context(patch.object(place, name, counted))
        total = seconds(work)
    return {**spent, "the rest": total - sum(spent.values())}


@contextmanager
def _measured_once() -> Iterator[None]:
    """Measure no jump twice: it takes long where the jump is."""
    place = importlib.import_module("leapwright_blender.retime")
    measure, known = place.measure_flight, {}

    def remembered(
        obj: Any, scene: Any, ground: Any, controls: Any, moments: Any, source: Any = None
    ) -> Any:
        frames = tuple(moments.items())
        if frames not in known:
            known[frames] = measure(obj, scene, ground, controls, moments, source)
        return known[frames]

    with patch.object(place, "measure_flight", remembered):
        yield


def _called(function: Callable[..., Any], stage: str, spent: dict[str, float]) -> Any:
    def timed(*args: Any, **more: Any) -> Any:
        begun = time.perf_counter()
        try:
            return function(*args, **more)
        finally:
            spent[stage] += time.perf_counter() - begun

    return timed


def _entered(function: Callable[..., Any], stage: str, spent: dict[str, float]) -> Any:
    """As `_called`, of a context manager: only entering it counts."""

    @contextmanager
    def timed(*args: Any, **more: Any) -> Iterator[None]:
        begun = time.perf_counter()
        with function(*args, **more):
            spent[stage] += time.perf_counter() - begun
            yield

    return timed


def _bare(fcurves: Sequence[Any]) -> None:
    """The least that any retime must do with the host: all that it changes, out and in again."""
    arrays = [(name, np.empty(KEYS * width, kind)) for name, kind, width in BARE]
    for curve in fcurves:
        points = curve.keyframe_points
        for name, array in arrays:
            points.foreach_get(name, array)
        for name, array in arrays:
            points.foreach_set(name, array)
        curve.update()


def _loop(fcurves: Sequence[Any], time_map: Any) -> None:
    """What a script by hand does: frame and handles of every key, one by one."""
    source, target = time_map.source.tolist(), time_map.target.tolist()

    def mapped(x: float) -> float:
        if x <= source[0]:
            return x + target[0] - source[0]
        if x >= source[-1]:
            return x + target[-1] - source[-1]
        i = bisect_right(source, x) - 1
        share = (x - source[i]) / (source[i + 1] - source[i])
        return target[i] + share * (target[i + 1] - target[i])

    for curve in fcurves:
        for point in curve.keyframe_points:
            left, right = point.handle_left.x, point.handle_right.x
            point.co.x = mapped(point.co.x)
            point.handle_left.x = mapped(left)
            point.handle_right.x = mapped(right)
        curve.update()


def _most(work: Callable[[], object]) -> int:
    """Most bytes at once; slower, so never timed."""
    gc.collect()
    tracemalloc.start()
    held = tracemalloc.get_traced_memory()[0]
    work()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak - held


# --- The shot ----------------------------------------------------------------------------------


def keyed_rig(moments: Mapping[str, float], bones: int = BONES, frames: Any = FRAMES) -> Any:
    """Bones with all ten channels of each keyed, on twos unless told, in every way that keys may
    be."""
    import bpy

    from leapwright_blender.write import write_curves

    bpy.ops.wm.read_homefile(use_empty=True)
    data = bpy.data.armatures.new("Hare")
    obj = bpy.data.objects.new("Hare", data)
    bpy.context.scene.collection.objects.link(obj)
    bpy.context.view_layer.objects.active = obj
    bpy.ops.object.mode_set(mode="EDIT")
    for i in range(bones):
        bone = data.edit_bones.new(f"bone.{i:03}")
        bone.head, bone.tail = (0, 0, 1), (0, 0.3, 1)
        if i:
            bone.parent = data.edit_bones["bone.000"]
    bpy.ops.object.mode_set(mode="OBJECT")
    write_curves(obj, _keys(moments, bones, frames))
    return obj


def _keys(moments: Mapping[str, float], bones: int, frames: Any) -> Any:
    """Everything random but the height of the COG, which jumps, and of what it hangs on."""
    from leapwright.curves import Channel, Curves, Interpolation

    wide = (("location", 3), ("rotation_quaternion", 4), ("scale", 3))
    channels = [
        Channel(f'pose.bones["bone.{i:03}"].{name}', index, f"bone.{i:03}")
        for i in range(bones)
        for name, width in wide
        for index in range(width)
    ]
    rng = np.random.default_rng(1)
    count = len(channels)
    keys = len(frames)
    size = count * keys
    frame = np.tile(frames, count).astype(np.float64)
    value = rng.normal(0, 0.1, size)
    easings = rng.integers(Interpolation.BACK, Interpolation.SINE + 1, size)
    modes = np.where(rng.random(size) < 0.1, easings, rng.integers(0, 3, size))
    modes = np.where(rng.random(size) < 0.5, Interpolation.BEZIER, modes)
    reach = rng.uniform(0.3, 1.8, (2, size))
    rise = rng.normal(0, 0.05, (2, size))
    types = rng.integers(0, 5, (2, size))
    root, cog = slice(0, 10 * keys), slice(12 * keys, 13 * keys)
    modes[: 50 * keys] = np.minimum(modes[: 50 * keys], Interpolation.BEZIER)
    value[root] = 0.0
    value[3 * keys : 4 * keys] = 1.0
    value[7 * keys : 10 * keys] = 1.0
    value[cog] = _height(frames, moments)
    rise[:, root] = 0.0
    types[:, cog] = 1
    modes[cog] = Interpolation.BEZIER
    return Curves.checked(
        channels,
        np.arange(count + 1) * keys,
        frame,
        value,
        left=np.stack([frame - reach[0], value - rise[0]], -1),
        right=np.stack([frame + reach[1], value + rise[1]], -1),
        left_type=types[0],
        right_type=types[1],
        interpolation=modes,
        kind=rng.integers(0, 5, size),
        easing=rng.integers(0, 4, size),
    )


def _height(frames: Any, moments: Mapping[str, float]) -> Any:
    """Height of the COG: down into the crouch, up, a parabola, down to the low, up."""
    crouch, takeoff, land, low = (moments[n] for n in ("crouch", "takeoff", "land", "low"))
    air = (frames - takeoff) * (land - frames) / ((land - takeoff) / 2) ** 2
    turns = [crouch - 4, crouch, takeoff, land, low, low + 4]
    ground = np.interp(frames, turns, [0, -0.4, 0, 0, -0.4, 0])
    return np.where((frames > takeoff) & (frames < land), 1.2 * air, ground)
