# SPDX-License-Identifier: GPL-3.0-or-later
"""What sits in time besides keys, built by script, and all of it as plain numbers."""

from __future__ import annotations

from typing import Any

import bpy
import numpy as np

from leapwright.timemap import TimeMap
from leapwright_blender import host
from leapwright_blender.character import Holder

BEAT = TimeMap.of([38, 41, 65], [40, 42, 58])
"""A snappier jump: before and after it frames shift, by 2 and by -7."""

FLOATY = TimeMap.of([20, 35, 51, 55, 67, 90], [20, 35, 47, 50, 67, 90])
"""A fall with a reach from 35 to 67."""


def hare(name: str = "Hare") -> Any:
    obj = bpy.data.objects.new(name, None)
    bpy.context.scene.collection.objects.link(obj)
    return obj


def held(*objects: Any) -> list[Holder]:
    return [Holder("objects", obj.name, "") for obj in objects]


def keyed(obj: Any, keys: dict[float, float], path: str = "location", index: int = 0) -> Any:
    """A curve with linear keys."""
    curve = host.new_fcurve(host.ensure_fcurves(obj, f"{obj.name}Action"), path, index)
    for frame, value in keys.items():
        curve.keyframe_points.insert(frame, value).interpolation = "LINEAR"
    curve.update()
    return curve


def modify(
    curve: Any, kind: str, between: tuple[float, float] | None = None, **numbers: Any
) -> Any:
    modifier = curve.modifiers.new(kind)
    if between is not None:
        modifier.use_restricted_range = True
        modifier.frame_end, modifier.frame_start = between[1], between[0]
    for name, value in numbers.items():
        setattr(modifier, name, value)
    return modifier


def envelope(curve: Any, *points: tuple[float, float, float], **numbers: Any) -> Any:
    modifier = modify(curve, "ENVELOPE", **numbers)
    for frame, _, _ in points:
        modifier.control_points.add(frame)
    # Setting a number of one point may end the process.
    ordered = np.array(sorted(points), np.float32)
    modifier.control_points.foreach_set("min", np.ascontiguousarray(ordered[:, 1]))
    modifier.control_points.foreach_set("max", np.ascontiguousarray(ordered[:, 2]))
    return modifier


def bake(curve: Any, first: int, values: Any) -> Any:
    curve.convert_to_samples(first, first + len(values))
    frames = np.arange(first, first + len(values))
    curve.sampled_points.foreach_set("co", np.c_[frames, values].astype(np.float32).ravel())
    return curve


def samples(curve: Any) -> Any:
    flat = np.empty(2 * len(curve.sampled_points), np.float32)
    curve.sampled_points.foreach_get("co", flat)
    return flat.reshape(-1, 2)


def strip_action(name: str, first: float, last: float) -> Any:
    """An action that moves scale x as its own time runs, from frame to frame."""
    maker = bpy.data.objects.new("Maker", None)
    curve = keyed(maker, {first: first, last: last}, "scale", 0)
    action = curve.id_data
    action.name = name
    maker.animation_data_clear()
    bpy.data.objects.remove(maker)
    return action


def add_strip(track: Any, action: Any, start: float, scale: float = 1.0) -> Any:
    strip = track.strips.new(action.name, int(start), action)
    if host.slotted():
        strip.action_slot = action.slots[0]
    strip.scale = scale
    return strip


def with_track(obj: Any) -> Any:
    """An object with keys of its own (locations) and an empty NLA track."""
    if not host.animated(obj):
        keyed(obj, {1: 0, 100: 10}, "location", 2)
    return obj.animation_data.nla_tracks.new()


def dump(thing: Any, depth: int = 0) -> Any:
    """Every plain number and word of a host struct and of what it holds."""
    skip = {"rna_type", "active", "show_expanded", "is_valid", "color", "active_strip"}
    found = {}
    for prop in thing.bl_rna.properties:
        name = prop.identifier
        if name in skip:
            continue
        value = getattr(thing, name)
        if prop.type == "COLLECTION":
            if name in {"keyframe_points", "sampled_points", "control_points", "modifiers",
                        "strips", "fcurves"}:  # fmt: skip
                found[name] = [dump(item, depth + 1) for item in value]
        elif prop.type != "POINTER":
            found[name] = tuple(value) if getattr(prop, "is_array", False) else value
    return found


def everything() -> Any:
    """All that is animated in the file, to the bit."""
    found: dict[str, Any] = {}
    for obj in bpy.data.objects:
        data = obj.animation_data
        if data is None:
            continue
        found[obj.name] = {
            "curves": [dump(c) for c in host.fcurves_of(obj) or ()],
            "drivers": [dump(d) for d in data.drivers],
            "tracks": [[dump(s) for s in t.strips] for t in data.nla_tracks],
        }
    for action in bpy.data.actions:
        found[action.name] = (
            action.frame_start, action.frame_end,
            [(m.name, m.frame) for m in action.pose_markers],
        )  # fmt: skip
    for scene in bpy.data.scenes:
        found[scene.name] = [(m.name, m.frame) for m in scene.timeline_markers]
    return found


def numbers_of(found: Any) -> list[float]:
    """All numbers of a dump, flat."""
    if isinstance(found, dict):
        return [n for value in found.values() for n in numbers_of(value)]
    if isinstance(found, list | tuple):
        return [n for value in found for n in numbers_of(value)]
    return [float(found)] if isinstance(found, int | float) else []


def air_envelope(curve: Any) -> Any:
    return envelope(curve, (44, -0.5, 1), (50, -2, 1.5), (60, -1, 3))


def air_limits(curve: Any) -> Any:
    return modify(curve, "LIMITS", (45, 60), use_min_y=True, min_y=40, blend_in=4.5, blend_out=6)


def air_steps(curve: Any) -> Any:
    return modify(curve, "STEPPED", (43, 62), frame_step=4, frame_offset=1.5)


def own_steps(curve: Any) -> Any:
    return modify(
        curve, "STEPPED", frame_step=3, frame_offset=44,
        frame_end=60, frame_start=44, use_frame_start=True, use_frame_end=True,
    )  # fmt: skip


def air_wave(curve: Any) -> Any:
    return modify(
        curve, "FNGENERATOR", (43, 62), use_additive=True, phase_multiplier=0.7, phase_offset=0.4
    )


def stuffed() -> tuple[Any, list[Holder]]:
    """A hare with one of everything, in pieces where all of it can be exact."""
    obj = hare()
    curve = keyed(obj, {40: 10, 47: 60, 58: 20, 66: 30})
    for make in (air_envelope, air_limits, air_steps, own_steps, air_wave):
        make(curve)
    noise = modify(keyed(obj, {1: 0}, index=1), "NOISE", (43, 62), scale=7, offset=3.3, phase=1.7)
    noise.blend_in = 3
    bake(keyed(obj, {1: 0}, "rotation_euler", 2), 10, np.sin(np.arange(20) / 3))
    action = curve.id_data
    action.use_frame_range = True
    action.frame_start, action.frame_end = 36, 72
    for frame in (30, 41, 53, 65, 80):
        action.pose_markers.new(str(frame)).frame = frame
    track = with_track(obj)
    ears = strip_action("Ears", 10, 40)
    add_strip(track, ears, 43, scale=0.5).blend_in = 3
    add_strip(track, ears, 70).blend_out = 2
    driver = obj.driver_add("location", 2)
    envelope(driver, (44, -1, 1), (60, -2, 2))
    bpy.context.scene.timeline_markers.new("drum", frame=58)
    return obj, held(obj)
