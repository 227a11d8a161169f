# SPDX-License-Identifier: GPL-3.0-or-later
"""Small bare objects: a market crate, a ball, a plain floor, and the boxes others are made of."""

from __future__ import annotations

from collections.abc import Iterable

import bpy
import numpy as np
import surface
from mathutils import Vector

Place = tuple[float, float, float]
CRATE_SIZE = (0.66, 0.66, 0.32)  # m
BALL_RADIUS = 0.15  # m

_CORNERS = [
    (-1, -1, -1),
    (1, -1, -1),
    (1, 1, -1),
    (-1, 1, -1),
    (-1, -1, 1),
    (1, -1, 1),
    (1, 1, 1),
    (-1, 1, 1),
]
_SIDES = [(3, 2, 1, 0), (4, 5, 6, 7), (0, 1, 5, 4), (1, 2, 6, 5), (2, 3, 7, 6), (3, 0, 4, 7)]


def boxes_mesh(name: str, boxes: Iterable[tuple[Place, Place]]) -> bpy.types.Mesh:
    """One mesh of closed boxes, each given by its centre and its size."""
    points: list[Place] = []
    faces: list[tuple[int, ...]] = []
    for centre, size in boxes:
        start = len(points)
        points += [
            tuple(c + s * k / 2 for c, s, k in zip(centre, size, corner, strict=True))
            for corner in _CORNERS
        ]
        faces += [tuple(i + start for i in side) for side in _SIDES]
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata(points, [], faces)
    return mesh


def add(
    name: str,
    mesh: bpy.types.Mesh,
    *materials: bpy.types.Material,
    at: Place = (0.0, 0.0, 0.0),
    turn: float = 0.0,
) -> bpy.types.Object:
    """Put a mesh into the current scene as an object, turned about Z (radians)."""
    if not mesh.materials:
        for material in materials:
            mesh.materials.append(material)
    thing = bpy.data.objects.new(name, mesh)
    thing.location = Vector(at)
    thing.rotation_euler = (0.0, 0.0, turn)
    bpy.context.scene.collection.objects.link(thing)
    return thing


def paint(name: str, colour: Place, rough: float = 0.8, glow: float = 0.0) -> bpy.types.Material:
    """A plain material; ``glow`` above 0 makes it shine by itself."""
    material = bpy.data.materials.new(name)
    material.use_nodes = True
    shader = material.node_tree.nodes["Principled BSDF"]
    shader.inputs["Base Color"].default_value = (*colour, 1.0)
    shader.inputs["Roughness"].default_value = rough
    if glow:
        shader.inputs["Emission Color"].default_value = (*colour, 1.0)
        shader.inputs["Emission Strength"].default_value = glow
        material.cycles.emission_sampling = "NONE"  # lights do the lighting: less noise
    material.diffuse_color = (*colour, 1.0)
    return material


def crate_mesh() -> bpy.types.Mesh:
    """A slatted crate whose origin is the centre of its volume."""
    x, y, z = CRATE_SIZE
    post, slat = 0.05, 0.018
    boxes: list[tuple[Place, Place]] = [
        ((0, 0, 0), (x - 4 * slat, y - 4 * slat, z - 2 * slat)),
    ]
    boxes += [
        ((sx * (x - post) / 2, sy * (y - post) / 2, 0), (post, post, z))
        for sx in (-1, 1)
        for sy in (-1, 1)
    ]
    high = (z - 0.03) / 3
    for s in (-1, 1):
        for level in (-1, 0, 1):
            up = level * (high + 0.012)
            boxes.append(((0, s * (y / 2 - slat), up), (x - post, slat, high - 0.018)))
            boxes.append(((s * (x / 2 - slat), 0, up), (slat, y - post, high - 0.018)))
        boxes += [
            ((0, float(row) * y, s * (z - slat) / 2), (x, y / 5 - 0.014, slat))
            for row in np.linspace(-0.4, 0.4, 5)
        ]
    mesh = boxes_mesh("Crate", boxes)
    mesh.materials.append(paint("Crate wood", (0.30, 0.155, 0.062)))
    mesh.materials.append(paint("Crate dark", (0.055, 0.028, 0.014)))
    inner = np.zeros(len(mesh.polygons), dtype=np.int32)
    inner[:6] = 1
    mesh.polygons.foreach_set("material_index", inner)
    return mesh


def add_floor(size: float = 6.0) -> bpy.types.Object:
    """A plain floor at height 0."""
    half = size / 2
    mesh = bpy.data.meshes.new("Floor")
    mesh.from_pydata(
        [(-half, -half, 0), (half, -half, 0), (half, half, 0), (-half, half, 0)],
        [],
        [(0, 1, 2, 3)],
    )
    return add("Floor", mesh, paint("Floor", (0.22, 0.24, 0.27)))


def add_ball() -> bpy.types.Object:
    """The object ``Ball``: two-coloured, at rest on the floor."""
    points, quads = surface.bead((0, 0, 0), (BALL_RADIUS,) * 3, rings=12)
    mesh = bpy.data.meshes.new("Ball")
    mesh.from_pydata(points.tolist(), [], quads.tolist())
    mesh.materials.append(paint("Ball red", (0.65, 0.06, 0.04), 0.35))
    mesh.materials.append(paint("Ball cream", (0.86, 0.74, 0.55), 0.35))
    middle = points[quads].mean(axis=1)
    band = (np.abs(middle[:, 2]) < BALL_RADIUS * 0.3).astype(np.int32)
    mesh.polygons.foreach_set("material_index", band)
    mesh.polygons.foreach_set("use_smooth", np.ones(len(quads), dtype=bool))
    return add("Ball", mesh, at=(0.0, 0.0, BALL_RADIUS))


def add_camera(at: Place, target: Place, *, width: float) -> bpy.types.Object:
    """An orthographic camera that sees ``width`` metres across."""
    camera = bpy.data.objects.new("Camera", bpy.data.cameras.new("Camera"))
    camera.data.type = "ORTHO"
    camera.data.ortho_scale = width
    camera.location = Vector(at)
    camera.rotation_euler = (Vector(target) - Vector(at)).to_track_quat("-Z", "Y").to_euler()
    bpy.context.scene.collection.objects.link(camera)
    bpy.context.scene.camera = camera
    return camera


def add_light(
    name: str, kind: str, at: Place, target: Place, *, colour: Place, power: float, size: float
) -> bpy.types.Object:
    """A light at a place, looking at another."""
    data = bpy.data.lights.new(name, kind)
    data.color, data.energy = colour, power
    if kind == "AREA":
        data.size = size
    elif kind == "SUN":
        data.angle = size
    else:
        data.shadow_soft_size = size
    light = bpy.data.objects.new(name, data)
    light.location = Vector(at)
    light.rotation_euler = (Vector(target) - Vector(at)).to_track_quat("-Z", "Y").to_euler()
    bpy.context.scene.collection.objects.link(light)
    return light


def set_world(colour: Place, strength: float = 1.0) -> None:
    """Give the current scene an even sky."""
    world = bpy.data.worlds.new("Sky")
    world.use_nodes = True
    sky = world.node_tree.nodes["Background"]
    sky.inputs["Color"].default_value = (*colour, 1.0)
    sky.inputs["Strength"].default_value = strength
    bpy.context.scene.world = world
