# SPDX-License-Identifier: GPL-3.0-or-later
"""The body of the hare courier: shape, colours, skin weights, scarf and satchel, by script."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import bpy
import numpy as np
import surface
from hare_rig import ANKLE, BALL, EAR, ELBOW, FINGERS, HIP, KNEE, SHOULDER, TOE, WRIST
from numpy.typing import NDArray
from surface import Limb, Points

STEP = 0.0182  # the largest step near 18 mm at which every edge has exactly two faces
HEAD = 1.17  # how much larger the head is than it is drawn below
CLOSE = 0.016  # how far, m, a bone's hold on the skin fades

# Linear colours.
FUR = (0.46, 0.255, 0.115)
DARK = (0.17, 0.085, 0.045)
CREAM = (0.86, 0.72, 0.53)
PINK = (0.72, 0.30, 0.25)
SCARF = (0.62, 0.035, 0.03)
SCARF_EDGE = (0.92, 0.55, 0.10)
LEATHER = (0.20, 0.075, 0.03)
BRASS = (0.80, 0.50, 0.12)
EYE = (0.012, 0.008, 0.008)
GLINT = (1.0, 1.0, 1.0)

# Colour patches of the fur: name, centre, radii; later ones lie over earlier ones.
_PATCHES = (
    (CREAM, (0.0, -0.13, 0.80), (0.115, 0.15, 0.25)),
    (CREAM, (0.0, -0.225, 1.165), (0.11, 0.105, 0.064)),
    (CREAM, (0.0, -0.115, 1.09), (0.085, 0.09, 0.07)),
    (CREAM, (0.0, 0.25, 0.69), (0.10, 0.09, 0.09)),
)


@dataclass(frozen=True, slots=True)
class Part:
    """A closed piece of the hare: its points, quads, colours and weights by bone."""

    points: Points
    quads: NDArray[np.int64]
    colours: NDArray[np.float64]
    weights: dict[str, NDArray[np.float64]]
    gloss: bool = False


def limbs() -> tuple[Limb, ...]:
    """The rounded cones that the fur is made of."""
    middle = (
        Limb("pelvis", (0, 0.075, 0.625), (0, 0.045, 0.72), 0.135, 0.14),
        Limb("spine", (0, 0.045, 0.72), (0, 0.03, 0.87), 0.14, 0.122),
        Limb("chest", (0, 0.02, 0.87), (0, 0.005, 1.0), 0.125, 0.105, 0.07),
        Limb("neck", (0, 0.0, 1.02), (0, -0.035, 1.13), 0.072, 0.075),
        Limb("head", (0, -0.03, 1.215), (0, -0.055, 1.235), 0.122, 0.118, 0.06),
        Limb("head", (0, -0.115, 1.19), (0, -0.20, 1.165), 0.075, 0.042, 0.06),
        Limb("tail", (0, 0.215, 0.66), (0, 0.25, 0.69), 0.062, 0.072, 0.03),
    )
    left = (
        Limb("head", (0.058, -0.10, 1.165), (0.045, -0.14, 1.155), 0.062, 0.05, 0.04),
        Limb("ear_1", EAR[0], EAR[1], 0.036, 0.062, 0.04, 2.0),
        Limb("ear_2", EAR[1], EAR[2], 0.062, 0.060, 0.02, 2.0),
        Limb("ear_3", EAR[2], _up(EAR[3], -0.02), 0.060, 0.024, 0.02, 2.0),
        Limb("upper_arm", SHOULDER, ELBOW, 0.056, 0.044, 0.03),
        Limb("forearm", ELBOW, WRIST, 0.044, 0.036, 0.015),
        Limb("hand", WRIST, FINGERS, 0.042, 0.046, 0.02),
        Limb("thigh", (HIP[0] + 0.01, HIP[1], HIP[2]), KNEE, 0.128, 0.066, 0.06),
        Limb("shin", KNEE, ANKLE, 0.064, 0.042, 0.02),
        Limb("foot", (ANKLE[0], ANKLE[1], ANKLE[2] - 0.005), _up(BALL, 0.042), 0.043, 0.05, 0.03),
        Limb("toe", _up(BALL, 0.042), (0.085, TOE[1] + 0.045, 0.04), 0.05, 0.044, 0.03),
        Limb("toe", _up(BALL, 0.042), (0.13, TOE[1] + 0.03, 0.042), 0.05, 0.046, 0.012),
        Limb("toe", _up(BALL, 0.042), (0.173, TOE[1] + 0.05, 0.04), 0.05, 0.042, 0.012),
    )
    drawn = middle + tuple(_sided(limb, side) for limb in left for side in "LR")
    return tuple(_enlarged(limb) if limb.bone == "head" else limb for limb in drawn)


_HEAD_FOOT = np.array([0.0, -0.03, 1.10])


def _on_head(place: Sequence[float] | Points) -> Points:
    """Where a place drawn on the head comes to be on the enlarged head."""
    return _HEAD_FOOT + HEAD * (np.asarray(place) - _HEAD_FOOT)


def _enlarged(limb: Limb) -> Limb:
    start, end = tuple(_on_head(limb.start)), tuple(_on_head(limb.end))
    return replace(
        limb,
        start=start,
        end=end,
        radius_start=HEAD * limb.radius_start,
        radius_end=HEAD * limb.radius_end,
    )


def _up(place: tuple[float, float, float], height: float) -> tuple[float, float, float]:
    return (place[0], place[1], place[2] + height)


def _sided(limb: Limb, side: str) -> Limb:
    sign = 1.0 if side == "L" else -1.0
    bone = limb.bone if limb.bone == "head" else f"{limb.bone}.{side}"
    start = (sign * limb.start[0], *limb.start[1:])
    end = (sign * limb.end[0], *limb.end[1:])
    return Limb(bone, start, end, limb.radius_start, limb.radius_end, limb.blend, limb.flat)


def build_parts() -> list[Part]:
    """All closed pieces of the hare in its rest pose."""
    all_limbs = limbs()
    field = surface.body_field(all_limbs, 0.0)
    # Half a step off centre: the grid is mirrored about X = 0.
    side = 20.5 * STEP
    low, high = np.array([-side, -0.38, -0.05]), np.array([side, 0.40, 1.95])
    points, quads = surface.net(field, low, high, STEP)
    assert surface.closed(quads), "change STEP a little: two sheets of fur touch along an edge"
    weights = _skin_weights(all_limbs, points, quads)
    fur = Part(points, quads, _fur_colours(points, weights), weights)
    torso = surface.body_field([x for x in all_limbs if x.bone in _TRUNK], None)
    return [fur, *_face(), *_scarf(torso), *_satchel(torso, fur)]


_TRUNK = ("pelvis", "spine", "chest", "neck")


def centre_of_gravity(parts: list[Part]) -> Points:
    """Centre of the volume of all pieces, m."""
    volumes = np.array([surface.volume(p.points, p.quads) for p in parts])
    centres = np.array([surface.centroid(p.points, p.quads) for p in parts])
    return np.asarray((volumes[:, None] * centres).sum(axis=0) / volumes.sum())


def _skin_weights(
    all_limbs: tuple[Limb, ...], points: Points, quads: NDArray[np.int64]
) -> dict[str, NDArray[np.float64]]:
    bones = sorted({limb.bone for limb in all_limbs})
    distance = np.full((len(points), len(bones)), np.inf)
    for limb in all_limbs:
        column = bones.index(limb.bone)
        reach = surface.limb_distance(limb, points)
        distance[:, column] = np.minimum(distance[:, column], reach)
    distance -= distance.min(axis=1, keepdims=True)
    table = np.exp(-distance / CLOSE)
    table /= table.sum(axis=1, keepdims=True)
    table = _smooth(table, quads, 8)
    # Four bones a point at most, as game engines want.
    cut = np.sort(table, axis=1)[:, -4][:, None]
    table = np.where((table >= cut) & (table > 0.01), table, 0.0)
    table /= table.sum(axis=1, keepdims=True)
    return {bone: table[:, i] for i, bone in enumerate(bones)}


def _smooth(
    table: NDArray[np.float64], quads: NDArray[np.int64], rounds: int
) -> NDArray[np.float64]:
    ends = np.concatenate([quads[:, [i, (i + 1) % 4]] for i in range(4)])
    for _ in range(rounds):
        total, count = table.copy(), np.ones(len(table))
        for a, b in (ends.T, ends.T[::-1]):
            np.add.at(total, a, table[b])
            np.add.at(count, a, 1.0)
        table = total / count[:, None]
    return table


def _fur_colours(points: Points, weights: dict[str, NDArray[np.float64]]) -> NDArray[np.float64]:
    colours = np.tile(np.array(FUR), (len(points), 1))
    # A darker back and lighter flanks.
    back = np.clip((points[:, 1] - 0.06) / 0.12, 0, 1) * (points[:, 2] > 0.5)
    colours = _mix(colours, DARK, 0.35 * back)
    for colour, centre, radii in _PATCHES:
        off = np.linalg.norm((points - np.array(centre)) / np.array(radii), axis=1)
        colours = _mix(colours, colour, _ramp(off, 1.15, 0.85))
    held = {bone: weights[bone] for bone in weights}
    for side in "LR":
        sign = 1.0 if side == "L" else -1.0
        colours = _mix(colours, DARK, _ramp(held[f"ear_3.{side}"], 0.75, 1.0) * 0.9)
        feet = held[f"foot.{side}"] + held[f"toe.{side}"]
        colours = _mix(colours, CREAM, _ramp(feet, 0.45, 0.9) * 0.9)
        colours = _mix(colours, CREAM, _ramp(held[f"hand.{side}"], 0.4, 0.9) * 0.9)
        colours = _mix(colours, PINK, 0.85 * _inner_ear(points * np.array([sign, 1, 1])))
    return colours


def _inner_ear(points: Points) -> NDArray[np.float64]:
    """1 on the front of the left ear, away from its rim."""
    across, along, height = np.array(EAR).T
    line_x = np.interp(points[:, 2], height, across)
    line_y = np.interp(points[:, 2], height, along)
    half = np.interp(points[:, 2], [1.40, 1.52, 1.68, 1.80], [0.012, 0.041, 0.037, 0.004])
    front = points[:, 1] < line_y - 0.004
    inside = _ramp(np.abs(points[:, 0] - line_x), 1.2 * half, 0.8 * half)
    return inside * front * (points[:, 2] > 1.40)


def _ramp(
    value: NDArray[np.float64],
    zero: float | NDArray[np.float64],
    one: float | NDArray[np.float64],
) -> NDArray[np.float64]:
    u = np.clip((value - zero) / (np.asarray(one) - zero), 0.0, 1.0)
    return np.asarray(u * u * (3 - 2 * u))


def _mix(
    colours: NDArray[np.float64], colour: tuple[float, float, float], share: NDArray[np.float64]
) -> NDArray[np.float64]:
    return colours + share[:, None] * (np.array(colour) - colours)


def _plain(
    shape: tuple[Points, NDArray[np.int64]],
    colour: tuple[float, float, float],
    bone: str,
    *,
    gloss: bool = False,
) -> Part:
    points, quads = shape
    colours = np.tile(np.array(colour), (len(points), 1))
    return Part(points, quads, colours, {bone: np.ones(len(points))}, gloss)


def _face() -> list[Part]:
    parts = [_plain(_feature((0, -0.243, 1.185), (0.024, 0.017, 0.018)), PINK, "head")]
    for sign in (1.0, -1.0):
        eye = _feature((sign * 0.094, -0.118, 1.262), (0.028, 0.036, 0.046))
        parts.append(_plain(eye, EYE, "head", gloss=True))
        glint = _feature((sign * 0.116, -0.137, 1.281), (0.008, 0.0095, 0.0105))
        parts.append(_plain(glint, GLINT, "head", gloss=True))
    return parts


def _feature(
    centre: tuple[float, float, float], radii: tuple[float, float, float]
) -> tuple[Points, NDArray[np.int64]]:
    return surface.bead(_on_head(centre), [HEAD * r for r in radii], rings=7)


def _loop(
    torso: surface.Field, centre: Points, normal: Points, lift: float, count: int
) -> tuple[Points, Points]:
    """A loop around the torso in a plane, ``lift`` above the fur; and its outward directions."""
    normal = normal / np.linalg.norm(normal)
    side = np.cross(normal, [0.0, 1.0, 0.0])
    side /= np.linalg.norm(side)
    front = np.cross(normal, side)
    angle = np.arange(count) * 2 * np.pi / count
    out = np.cos(angle)[:, None] * side + np.sin(angle)[:, None] * front
    path = surface.ray_out(torso, np.tile(centre, (count, 1)), out)
    return path + lift * out, out


def _carried(points: Points, fur: Part) -> dict[str, NDArray[np.float64]]:
    """Weights of the nearest fur that belongs to the trunk."""
    trunk = sum(fur.weights[bone] for bone in _TRUNK) > 0.9
    near = np.array([np.argmin(((fur.points[trunk] - p) ** 2).sum(axis=1)) for p in points])
    rows = np.flatnonzero(trunk)[near]
    held = {bone: fur.weights[bone][rows] for bone in _TRUNK}
    total = np.maximum(sum(held.values()), 1e-9)
    return {bone: weight / total for bone, weight in held.items()}


def _scarf(torso: surface.Field) -> list[Part]:
    path, out = _loop(torso, np.array([0, -0.012, 1.065]), np.array([0, -0.42, 1.0]), 0.012, 32)
    points, quads = surface.tube(path, out, 0.042, 0.030, 10)
    colours = np.tile(np.array(SCARF), (len(points), 1))
    ring = Part(
        points,
        quads,
        colours,
        {"chest": np.full(len(points), 0.5), "neck": np.full(len(points), 0.5)},
    )
    points, quads = surface.bead((0.0, 0.20, 1.0), (0.012, 0.155, 0.036), 0.8, rings=12)
    u = np.clip((points[:, 1] - 0.06) / 0.26, 0, 1)
    points[:, 2] = 1.0 + (points[:, 2] - 1.0) * (0.75 + 0.8 * u) - 0.11 * (u - 0.5)
    tip = _ramp(u, 0.76, 0.80) * _ramp(u, 0.94, 0.90)
    colours = _mix(np.tile(np.array(SCARF), (len(points), 1)), SCARF_EDGE, tip)
    second = _ramp(u, 0.38, 0.68)
    tail = Part(points, quads, colours, {"scarf.1": 1 - second, "scarf.2": second})
    return [ring, tail]


def _satchel(torso: surface.Field, fur: Part) -> list[Part]:
    path, out = _loop(torso, np.array([0, 0.02, 0.88]), np.array([-0.75, 0.0, 1.0]), 0.004, 48)
    points, quads = surface.tube(path, out, 0.019, 0.008, 8)
    colours = np.tile(np.array(LEATHER), (len(points), 1))
    strap = Part(points, quads, colours, _carried(points, fur))
    bag = surface.bead((-0.205, 0.055, 0.69), (0.048, 0.115, 0.085), 0.45)
    flap = surface.bead((-0.244, 0.055, 0.705), (0.020, 0.122, 0.062), 0.45)
    buckle = surface.bead((-0.264, 0.055, 0.665), (0.010, 0.018, 0.018), 0.5, rings=4)
    return [
        strap,
        _plain(bag, LEATHER, "satchel"),
        _plain(flap, (0.30, 0.12, 0.045), "flap"),
        _plain(buckle, BRASS, "flap", gloss=True),
    ]


def build_mesh(parts: list[Part], rig: bpy.types.Object) -> bpy.types.Object:
    """Join the pieces into the object ``Hare_mesh``, skinned to the rig."""
    starts = np.cumsum([0, *(len(p.points) for p in parts)])
    points = np.concatenate([p.points for p in parts])
    quads = np.concatenate([p.quads + s for p, s in zip(parts, starts, strict=False)])
    points = np.round(points * 2**14) / 2**14  # short numbers pack well; 0.03 mm at most
    mesh = bpy.data.meshes.new("Hare_mesh")
    mesh.from_pydata(points.tolist(), [], quads.tolist())
    colours = mesh.color_attributes.new("Fur", "FLOAT_COLOR", "POINT")
    rgba = np.concatenate([p.colours for p in parts])
    rgba = np.concatenate([np.round(rgba * 256) / 256, np.ones((len(rgba), 1))], axis=1)
    colours.data.foreach_set("color", rgba.astype(np.float32).ravel())
    for name, rough in (("Fur", 0.85), ("Gloss", 0.12)):
        mesh.materials.append(_material(name, rough))
    slots = np.concatenate([np.full(len(p.quads), int(p.gloss)) for p in parts])
    mesh.polygons.foreach_set("material_index", slots.astype(np.int32))
    mesh.polygons.foreach_set("use_smooth", np.ones(len(slots), dtype=bool))
    mesh.update()
    body = bpy.data.objects.new("Hare_mesh", mesh)
    bpy.context.scene.collection.objects.link(body)
    _weigh(body, parts, starts)
    body.parent = rig
    modifier = body.modifiers.new("Armature", "ARMATURE")
    modifier.object = rig
    return body


def _weigh(body: bpy.types.Object, parts: list[Part], starts: NDArray[np.int64]) -> None:
    for part, start in zip(parts, starts, strict=False):
        for bone, weights in part.weights.items():
            group = body.vertex_groups.get(bone) or body.vertex_groups.new(name=bone)
            for row in np.flatnonzero(weights > 1 / 512).tolist():
                group.add([row + int(start)], round(float(weights[row]) * 256) / 256, "REPLACE")


def _material(name: str, rough: float) -> bpy.types.Material:
    material = bpy.data.materials.new(name)
    material.use_nodes = True
    nodes, links = material.node_tree.nodes, material.node_tree.links
    shader = nodes["Principled BSDF"]
    shader.inputs["Roughness"].default_value = rough
    attribute = nodes.new("ShaderNodeVertexColor")
    attribute.layer_name = "Fur"
    links.new(attribute.outputs["Color"], shader.inputs["Base Color"])
    return material
