# SPDX-License-Identifier: GPL-3.0-or-later
"""What writing block's keys costs, against bare access to the same and the host's key by key."""

from __future__ import annotations

from typing import Any

import numpy as np
from figures import Figure, median_seconds, seconds

__all__ = ["bench_block"]

BONES = 100
FRAMES = (1, 11, 15, 25, 32, 36, 46)
"""The seven moments of a jump."""


def bench_block() -> list[Figure]:
    """Write keys on the moments of a jump for a rig of a hundred bones."""
    from leapwright_blender import host
    from leapwright_blender.read import read_curves
    from leapwright_blender.write import write_curves

    rig = _rig()

    def by_hand() -> None:
        for frame in FRAMES:
            for bone in rig.pose.bones:
                bone.keyframe_insert("location", frame=frame)
                bone.keyframe_insert("rotation_quaternion", frame=frame)

    inserted = seconds(by_hand)
    curves = read_curves(rig).curves
    columns = _bare_columns(curves, list(host.fcurves_of(rig) or ()))

    def bare() -> None:
        for curve, arrays in columns:
            for name, values in arrays.items():
                curve.keyframe_points.foreach_set(name, values)
            curve.update()

    floor = median_seconds(bare)
    ours = median_seconds(lambda: write_curves(rig, curves))
    size = f"{len(curves.channels)} channels, {len(curves.frame):,} keys"
    return [
        Figure(
            "block's keys, written and read back",
            ours / floor,
            "×",
            "bare foreach_set and update of the same keys",
            note=f"{size}: {ours * 1e3:.1f} ms",
        ),
        Figure("the same", ours / inserted, "×", "keyframe_insert, which sets no handles"),
    ]


def _rig() -> Any:
    import bpy

    bpy.ops.wm.read_homefile(use_empty=True)
    data = bpy.data.armatures.new("Hare")
    rig = bpy.data.objects.new("Hare", data)
    bpy.context.scene.collection.objects.link(rig)
    bpy.context.view_layer.objects.active = rig
    bpy.ops.object.mode_set(mode="EDIT")
    for i in range(BONES):
        bone = data.edit_bones.new(f"bone.{i}")
        bone.head, bone.tail = (0, 0, i), (0, 0, i + 1)
    bpy.ops.object.mode_set(mode="OBJECT")
    return rig


def _bare_columns(curves: Any, fcurves: Any) -> list[tuple[Any, dict[str, Any]]]:
    columns = []
    for i, curve in enumerate(fcurves):
        part = slice(curves.starts[i], curves.starts[i + 1])
        arrays = {
            "co": np.stack([curves.frame[part], curves.value[part]], 1).ravel(),
            "handle_left": curves.left[part].ravel(),
            "handle_right": curves.right[part].ravel(),
            "interpolation": curves.interpolation[part].copy(),
            "handle_left_type": curves.left_type[part].copy(),
            "handle_right_type": curves.right_type[part].copy(),
            "type": curves.kind[part].copy(),
            "easing": curves.easing[part].copy(),
        }
        columns.append((curve, arrays))
    return columns
