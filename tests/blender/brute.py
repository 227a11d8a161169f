# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a COG is by brute force: oracles that share no code with what they check.

The user's own scene is stepped; triangles and segments are added up one by one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import bpy
import numpy as np

__all__ = ["mesh_cog", "off_arc", "on_frames", "person_cog"]

# P. de Leva, Journal of Biomechanics 29(9), 1996, 1223-1230, Table 4: percent of the mass, men
# and women, and percent of the way from the first end to the second at which the centre is.
_ONE = {
    "head": (6.94, 6.68, 50.02, 48.41),  # vertex to C7
    "trunk": (43.46, 42.57, 51.38, 49.64),  # C7 to mid-hip
}
_BOTH = {
    "upper_arm": (2.71, 2.55, 57.72, 57.54),
    "forearm": (1.62, 1.38, 45.74, 45.59),
    "thigh": (14.16, 14.78, 40.95, 36.12),
    "shin": (4.33, 4.81, 43.95, 43.52),
    "foot": (1.37, 1.29, 50.0, 50.0),  # ankle to ball: rigs have no heel
}
# The hand's centre, seen from the wrist, lies about where the knuckles are.
_HAND = (0.61, 0.56)


def person_cog(rig: Any) -> np.ndarray:
    """The COG of the bundled rig generator's human, or of its skeleton, as it is posed now."""
    graph = bpy.context.evaluated_depsgraph_get()
    posed = rig.evaluated_get(graph)
    before = "DEF-" if "DEF-thigh.L" in posed.pose.bones else ""

    def at(name: str, *, tail: bool = False) -> np.ndarray:
        bone = posed.pose.bones[before + name]
        return np.array(posed.matrix_world @ (bone.tail if tail else bone.head))

    hips = (at("thigh.L") + at("thigh.R")) / 2
    neck, vertex = at("spine.004"), at("spine.006", tail=True)
    ends = [("head", vertex, neck), ("trunk", neck, hips)]
    parts = [(*_ONE[name], first, last) for name, first, last in ends]
    for side in "LR":
        for name, below in (
            ("upper_arm", "forearm"), ("forearm", "hand"),
            ("thigh", "shin"), ("shin", "foot"), ("foot", "toe"),
        ):  # fmt: skip
            parts.append((*_BOTH[name], at(f"{name}.{side}"), at(f"{below}.{side}")))
        wrist, knuckles = at(f"hand.{side}"), at(f"hand.{side}", tail=True)
        parts.append((*_HAND, 100.0, 100.0, wrist, knuckles))
    total, moment = 0.0, np.zeros(3)
    for man, woman, his, hers, first, last in parts:
        mass = (man + woman) / 2
        total += mass
        moment += mass * (first + (his + hers) / 200 * (last - first))
    return moment / total


def mesh_cog(meshes: list[Any]) -> tuple[np.ndarray, float]:
    """Centre and size of the volume of the evaluated, posed meshes, triangle by triangle."""
    graph = bpy.context.evaluated_depsgraph_get()
    volume, moment = 0.0, np.zeros(3)
    # Near the meshes, or a tiny rig far away loses its digits.
    origin = np.array(meshes[0].matrix_world.translation)
    for mesh in meshes:
        done = mesh.evaluated_get(graph)
        data = done.to_mesh()
        data.calc_loop_triangles()
        at = np.array([done.matrix_world @ v.co for v in data.vertices]) - origin
        a, b, c = at[np.array([t.vertices[:] for t in data.loop_triangles])].transpose(1, 0, 2)
        sizes = np.sum(np.cross(a, b) * c, axis=1) / 6
        volume += sizes.sum()
        moment += sizes @ (a + b + c) / 4
        done.to_mesh_clear()
    return origin + moment / volume, volume


def on_frames(frames: Iterable[float], cog: Callable[[], np.ndarray]) -> np.ndarray:
    """A COG on whole frames of the user's scene, (F, 3)."""
    places = []
    for frame in frames:
        bpy.context.scene.frame_set(int(frame))
        places.append(cog())
    return np.array(places)


def off_arc(places: np.ndarray, *, gravity: float = 9.80665, fps: float = 24.0) -> float:
    """How far places on neighbouring frames are, at most, from the parabola of that gravity
    through the first and the last of them."""
    last = len(places) - 1
    worst = 0.0
    for i, place in enumerate(places):
        arc = places[0] + (places[last] - places[0]) * i / last
        arc = arc + np.array([0, 0, 0.5 * gravity * (i / fps) * ((last - i) / fps)])
        worst = max(worst, float(np.linalg.norm(place - arc)))
    return worst
