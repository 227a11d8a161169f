# SPDX-License-Identifier: GPL-3.0-or-later
"""Speed as ratios against a floor taken in the same run. ``make bench`` prints the table."""

from __future__ import annotations

import os
import statistics
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from bench_plan import bench_plan
from bench_retime import ALL_KEYS, ONE_JUMP, Retimes, bench_retime

ROUNDS = 5


def median_seconds(work: Callable[[], Any], *, rounds: int = ROUNDS) -> float:
    """Median wall time of some runs, after one that is not counted."""
    work()
    times = []
    for _ in range(rounds):
        begun = time.perf_counter()
        work()
        times.append(time.perf_counter() - begun)
    return statistics.median(times)


def say_plan() -> list[str]:
    """Plans a second on arrays, against a loop over single plans."""
    got = bench_plan()
    return [
        f"plan, one call of 1,000,000 jumps: {got['array_plans_per_second']:,.0f} plans/s",
        f"plan, one by one: {got['single_plans_per_second']:,.0f} plans/s",
        f"  ratio: {got['ratio']:.0f} times as many",
    ]


def bench_block() -> list[str]:
    """Writing of block's keys, against bare foreach_set of the same and keyframe_insert."""
    import bpy

    from leapwright_blender import host
    from leapwright_blender.read import read_curves
    from leapwright_blender.write import write_curves

    bpy.ops.wm.read_homefile(use_empty=True)
    data = bpy.data.armatures.new("Hare")
    rig = bpy.data.objects.new("Hare", data)
    bpy.context.scene.collection.objects.link(rig)
    bpy.context.view_layer.objects.active = rig
    bpy.ops.object.mode_set(mode="EDIT")
    for i in range(100):
        bone = data.edit_bones.new(f"bone.{i}")
        bone.head, bone.tail = (0, 0, i), (0, 0, i + 1)
    bpy.ops.object.mode_set(mode="OBJECT")
    frames = (1, 11, 15, 25, 32, 36, 46)
    begun = time.perf_counter()
    for frame in frames:
        for bone in rig.pose.bones:
            bone.keyframe_insert("location", frame=frame)
            bone.keyframe_insert("rotation_quaternion", frame=frame)
    inserted = time.perf_counter() - begun
    curves = read_curves(rig).curves
    fcurves = list(host.fcurves_of(rig) or ())
    columns = _bare_columns(curves, fcurves)

    def bare() -> None:
        for curve, arrays in columns:
            for name, values in arrays.items():
                curve.keyframe_points.foreach_set(name, values)
            curve.update()

    floor = median_seconds(bare)
    ours = median_seconds(lambda: write_curves(rig, curves))
    keys = len(curves.frame)
    return [
        f"block's key writing, {len(curves.channels)} channels, {keys} keys: {ours * 1e3:.1f} ms",
        f"  ratio to bare foreach_set and update of the same keys: {ours / floor:.2f}",
        f"  ratio to keyframe_insert (values only, no handles): {ours / inserted:.2f}",
    ]


def _bare_columns(curves: Any, fcurves: Any) -> list[tuple[Any, dict[str, Any]]]:
    columns = []
    for i, curve in enumerate(fcurves):
        part = slice(curves.starts[i], curves.starts[i + 1])
        columns.append(
            (
                curve,
                {
                    "co": np.stack([curves.frame[part], curves.value[part]], 1).ravel(),
                    "handle_left": curves.left[part].ravel(),
                    "handle_right": curves.right[part].ravel(),
                    "interpolation": curves.interpolation[part].copy(),
                    "handle_left_type": curves.left_type[part].copy(),
                    "handle_right_type": curves.right_type[part].copy(),
                    "type": curves.kind[part].copy(),
                    "easing": curves.easing[part].copy(),
                },
            )
        )
    return columns


def say_retime() -> list[str]:
    """Keys through a map of time, against bare access to the same arrays and a loop over keys."""
    return [
        *_retimed("one jump in a long shot", bench_retime(ONE_JUMP)),
        *_retimed("a jump over every key", bench_retime(ALL_KEYS, measured=False)),
    ]


def _retimed(what: str, got: Retimes) -> list[str]:
    milliseconds = {name: f"{name} {spent * 1e3:.0f}" for name, spent in got.stages.items()}
    peak, size, bare_peak = (n / 2**20 for n in (got.peak, got.size, got.bare_peak))
    return [
        f"retime, {what}, {got.curves:,} curves, {got.keys:,} keys: {got.retimed * 1e3:.0f} ms",
        f"  ratio to bare get, set and update of the arrays: {got.ratio:.2f} (aim: 2 or less)",
        f"  ratio of a loop over the keys to it: {got.looped / got.ratio:.1f} (aim: 10 or more)",
        f"  ratio of that loop to the bare get, set and update: {got.looped:.1f}",
        f"  peak memory {peak:.0f} MB for {size:.0f} MB of keys; bare, by curve {bare_peak:.2f} MB",
        f"  ms of the whole verb: {', '.join(milliseconds.values())}",
    ]


def main() -> int:
    """Print every figure."""
    from leapwright_blender.stdout import quiet_stdout

    talk = quiet_stdout()
    for work in (say_plan, bench_block, say_retime):
        for line in work():
            print(line, file=talk, flush=True)
    return 0


if __name__ == "__main__":
    status = main()
    sys.stdout.flush()
    os._exit(status)
