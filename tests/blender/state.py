# SPDX-License-Identifier: GPL-3.0-or-later
"""All of a file that must be the same, to the bit, after something that wrote nothing."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np

from leapwright_blender import host

__all__ = ["raw_keys", "state"]


def raw_keys(action: Any) -> bytes:
    """Every bit of every key in every slot, straight from the host."""
    if host.slotted():
        bags = [b for layer in action.layers for s in layer.strips for b in s.channelbags]
        found = [(b.slot_handle, c) for b in bags for c in b.fcurves]
    else:
        found = [(0, c) for c in action.fcurves]
    out = []
    for handle, curve in found:
        group = curve.group.name if curve.group else None
        out.append(f"{handle} {curve.data_path} {curve.array_index} {group}".encode())
        for name, width in (("co", 2), ("handle_left", 2), ("handle_right", 2)):
            buffer = np.empty(width * len(curve.keyframe_points), np.float32)
            curve.keyframe_points.foreach_get(name, buffer)
            out.append(buffer.tobytes())
    return b"\n".join(out)


def state(*objects: Any) -> dict[str, Any]:
    """All that a rehearsal may not leave changed."""
    said: dict[str, Any] = {
        "frame": (bpy.context.scene.frame_current, bpy.context.scene.frame_subframe),
        "scenes": bpy.data.scenes.keys(),
        "actions": [(a.name, a.users, raw_keys(a)) for a in bpy.data.actions],
    }
    for obj in objects:
        data = obj.animation_data
        said[obj.name] = (
            data is None,
            None if data is None else data.action,
            None if data is None or not host.slotted() else data.action_slot,
            None if data is None else [(t.name, t.mute, len(t.strips)) for t in data.nla_tracks],
            tuple(obj.location),
            [tuple(b.location) for b in obj.pose.bones] if obj.pose else None,
            [tuple(b.rotation_quaternion) for b in obj.pose.bones] if obj.pose else None,
        )
    return said
