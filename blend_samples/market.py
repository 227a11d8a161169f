# SPDX-License-Identifier: GPL-3.0-or-later
"""The night market around the hare: cobbles, crates, an awning, lanterns, rooftops, light."""

from __future__ import annotations

import bpy
import numpy as np
import surface
from hare_poses import FOOT_TRAVEL, STACK_HEIGHT
from objects import (
    CRATE_SIZE,
    Place,
    add,
    add_camera,
    add_light,
    boxes_mesh,
    crate_mesh,
    paint,
    set_world,
)

AWNING_HEIGHT = 1.30  # m, the middle of the cloth
AWNING_PLACE = (3.10, 0.35)


def build_market() -> None:
    """Dress the current scene; the hare stands at the origin and jumps along +X."""
    set_world((0.0065, 0.011, 0.036), 1.0)
    _ground()
    _crates()
    _awning()
    _rooftops()
    _stall()
    _lanterns()
    _lights()
    add_camera((1.12, -9.0, 1.95), (1.12, 0.0, 1.47), width=4.5)


def _ground() -> None:
    mesh = bpy.data.meshes.new("Cobbles")
    mesh.from_pydata([(-7, -9, 0), (9, -9, 0), (9, 7, 0), (-7, 7, 0)], [], [(0, 1, 2, 3)])
    add("Cobbles", mesh, _cobbles())


def _cobbles() -> bpy.types.Material:
    material = paint("Cobbles", (0.1, 0.1, 0.13), 0.55)
    tree = material.node_tree
    shader = tree.nodes["Principled BSDF"]
    place = tree.nodes.new("ShaderNodeNewGeometry")
    cells = tree.nodes.new("ShaderNodeTexVoronoi")
    cells.feature, cells.voronoi_dimensions = "DISTANCE_TO_EDGE", "2D"
    cells.inputs["Scale"].default_value = 5.5
    ramp = tree.nodes.new("ShaderNodeValToRGB")
    low, high = ramp.color_ramp.elements
    low.position, low.color = 0.02, (0.012, 0.012, 0.022, 1)
    high.position, high.color = 0.16, (0.125, 0.125, 0.165, 1)
    tree.links.new(place.outputs["Position"], cells.inputs["Vector"])
    tree.links.new(cells.outputs["Distance"], ramp.inputs["Fac"])
    tree.links.new(ramp.outputs["Color"], shader.inputs["Base Color"])
    return material


def _crates() -> None:
    mesh = crate_mesh()
    high = CRATE_SIZE[2]
    assert abs(2 * high - STACK_HEIGHT) < 1e-9, "the stack is two crates high"
    places: tuple[tuple[str, Place, float], ...] = (
        ("Stack_low", (FOOT_TRAVEL, 0.0, high / 2), 0.0),
        ("Stack_top", (FOOT_TRAVEL, 0.0, high * 1.5), 0.0),
        ("Stack_side", (FOOT_TRAVEL + 0.74, 0.12, high / 2), 0.12),
        ("Crate", (-0.98, 0.55, high / 2), -0.25),
    )
    for name, at, turn in places:
        add(name, mesh, at=at, turn=turn)
    points, quads = surface.bead((0, 0, 0), (0.075, 0.075, 0.07), rings=8)
    fruit = bpy.data.meshes.new("Orange")
    fruit.from_pydata(points.tolist(), [], quads.tolist())
    fruit.polygons.foreach_set("use_smooth", np.ones(len(quads), dtype=bool))
    orange = paint("Orange", (0.80, 0.26, 0.03), 0.5)
    heap = (
        (-0.17, 0.0, 0.0),
        (0.0, 0.03, 0.0),
        (0.16, -0.03, 0.0),
        (-0.08, 0.1, 0.1),
        (0.07, 0.08, 0.1),
    )
    for i, (x, y, z) in enumerate(heap):
        add(f"Orange_{i + 1}", fruit, orange, at=(-0.98 + x, 0.55 + y, high + 0.07 + z))


def _awning() -> None:
    x0, y0 = AWNING_PLACE
    wide, deep, stripes, rows = 1.5, 1.0, 10, 8
    u = np.linspace(-0.5, 0.5, 2 * stripes + 1)
    v = np.linspace(0.0, 1.0, rows + 1)
    uu, vv = np.meshgrid(u, v, indexing="ij")
    z = AWNING_HEIGHT + 0.34 * (vv - 0.5) - 0.05 * np.sin(np.pi * vv)
    top = np.stack([uu * wide, (vv - 0.5) * deep, z], -1)
    # The valance: one more row in front, scalloped stripe by stripe.
    scallop = np.where(np.arange(2 * stripes + 1) % 2 == 1, 0.19, 0.11)
    hem = top[:, 0] - np.stack([0 * u, 0.01 + 0 * u, scallop], -1)
    cloth = np.concatenate([hem[:, None], top], axis=1)
    n, m = cloth.shape[:2]
    cell = np.arange(n * m).reshape(n, m)
    quads = np.stack([cell[:-1, :-1], cell[1:, :-1], cell[1:, 1:], cell[:-1, 1:]], -1)
    mesh = bpy.data.meshes.new("Awning")
    mesh.from_pydata(cloth.reshape(-1, 3).tolist(), [], quads.reshape(-1, 4).tolist())
    mesh.materials.append(paint("Awning red", (0.50, 0.035, 0.035)))
    mesh.materials.append(paint("Awning cream", (0.80, 0.68, 0.50)))
    stripe = np.repeat(np.arange(2 * stripes) // 2 % 2, m - 1).astype(np.int32)
    mesh.polygons.foreach_set("material_index", stripe)
    add("Awning", mesh, at=(x0, y0, 0.0))
    poles = [
        (
            (
                sx * (wide / 2 - 0.04),
                sy * (deep / 2 - 0.04),
                (AWNING_HEIGHT + sy * 0.15 - 0.06) / 2,
            ),
            (0.05, 0.05, AWNING_HEIGHT + sy * 0.15 - 0.06),
        )
        for sx in (-1, 1)
        for sy in (-1, 1)
    ]
    add(
        "Awning_poles",
        boxes_mesh("Awning_poles", poles),
        paint("Pole", (0.10, 0.055, 0.03)),
        at=(x0, y0, 0.0),
    )


def _stall() -> None:
    wood = paint("Stall wood", (0.115, 0.06, 0.035))
    boxes = [
        ((3.1, 0.55, 0.36), (1.3, 0.5, 0.72)),
        ((3.1, 0.50, 0.74), (1.45, 0.66, 0.05)),
    ]
    add("Stall", boxes_mesh("Stall", boxes), wood)
    sack = paint("Sack", (0.085, 0.075, 0.11))
    for i, (x, y, r) in enumerate([(0.55, 1.9, 0.26), (0.98, 2.05, 0.22), (-1.7, 1.4, 0.28)]):
        points, quads = surface.bead((0, 0, 0), (r, r * 0.9, r * 1.1), 0.75, rings=8)
        mesh = bpy.data.meshes.new(f"Sack_{i + 1}")
        mesh.from_pydata(points.tolist(), [], quads.tolist())
        mesh.polygons.foreach_set("use_smooth", np.ones(len(quads), dtype=bool))
        add(f"Sack_{i + 1}", mesh, sack, at=(x, y, r * 1.05))


_HOUSES = (  # centre x, width, wall height, roof height, depth y, windows from the centre
    (-1.55, 1.75, 1.55, 0.75, 3.6, (0.48,)),
    (0.25, 1.55, 2.10, 0.80, 4.0, (0.30, 0.56)),
    (1.85, 1.40, 1.35, 0.65, 3.5, (-0.46, 0.46)),
    (3.55, 1.90, 1.95, 0.85, 3.9, (-0.45, 0.10)),
)


def _rooftops() -> None:
    wall = paint("Wall", (0.016, 0.018, 0.045))
    roof = paint("Roof", (0.020, 0.014, 0.034))
    window = paint("Window", (1.0, 0.46, 0.12), glow=0.7)
    for i, (x, wide, high, peak, y, shifts) in enumerate(_HOUSES):
        name = f"House_{i + 1}"
        add(name, boxes_mesh(name, [((x, y, high / 2), (wide, 1.2, high))]), wall)
        add(f"Roof_{i + 1}", _gable(f"Roof_{i + 1}", wide + 0.3, peak), roof, at=(x, y, high))
        panes = [((x + shift, y - 0.61, high - 0.42), (0.11, 0.02, 0.24)) for shift in shifts]
        add(f"Window_{i + 1}", boxes_mesh(f"Window_{i + 1}", panes), window)


def _gable(name: str, wide: float, peak: float) -> bpy.types.Mesh:
    w = wide / 2
    points = [
        (-w, -0.75, 0),
        (w, -0.75, 0),
        (0.0, -0.75, peak),
        (-w, 0.75, 0),
        (w, 0.75, 0),
        (0.0, 0.75, peak),
    ]
    faces = [(0, 1, 2), (5, 4, 3), (0, 2, 5, 3), (2, 1, 4, 5), (1, 0, 3, 4)]
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata(points, [], faces)
    return mesh


_STRINGS = (  # left end, right end, sag, lanterns
    ((-1.9, 1.7, 2.75), (1.3, 1.9, 2.95), 0.38, 4),
    ((1.3, 1.9, 2.95), (4.3, 1.5, 2.75), 0.36, 4),
)


def _lanterns() -> None:
    points, quads = surface.bead((0, 0, 0), (0.085, 0.085, 0.105), rings=8)
    shade = bpy.data.meshes.new("Lantern")
    shade.from_pydata(points.tolist(), [], quads.tolist())
    shade.polygons.foreach_set("use_smooth", np.ones(len(quads), dtype=bool))
    glow = paint("Lantern", (1.0, 0.36, 0.07), glow=2.2)
    cap = paint("Lantern cap", (0.03, 0.02, 0.02))
    count, caps = 0, []
    for left, right, sag, lanterns in _STRINGS:
        u = np.linspace(0, 1, 25)[:, None]
        line = np.array(left) + u * (np.array(right) - np.array(left))
        line[:, 2] -= sag * 4 * (u * (1 - u))[:, 0]
        add("Lantern_string", _cord(line), cap)
        for i in range(lanterns):
            x, y, z = (float(v) for v in line[round((i + 0.5) * 24 / lanterns)])
            count += 1
            add(f"Lantern_{count}", shade, glow, at=(x, y, z - 0.16))
            caps.append(((x, y, z - 0.045), (0.06, 0.06, 0.05)))
    add("Lantern_caps", boxes_mesh("Lantern_caps", caps), cap)


def _cord(line: surface.Points) -> bpy.types.Mesh:
    """A thin cord with a square section along a line that hangs in a plane of constant depth."""
    radius = 0.008
    ring = radius * np.array([(0, 0, 1), (0, 1, 0), (0, 0, -1), (0, -1, 0)])
    cell = np.arange(4 * len(line)).reshape(len(line), 4)
    quads = np.stack(
        [cell[:-1], cell[1:], np.roll(cell[1:], -1, axis=1), np.roll(cell[:-1], -1, axis=1)], -1
    )
    mesh = bpy.data.meshes.new("Lantern_string")
    points = (line[:, None] + ring).reshape(-1, 3)
    mesh.from_pydata(points.tolist(), [], quads.reshape(-1, 4).tolist())
    return mesh


def _lights() -> None:
    add_light(
        "Key",
        "AREA",
        (-1.5, -5.0, 4.2),
        (1.0, 0.0, 1.0),
        colour=(1.0, 0.83, 0.66),
        power=430.0,
        size=2.4,
    )
    add_light(
        "Moon",
        "SUN",
        (3.0, 5.0, 6.0),
        (1.0, 0.0, 0.6),
        colour=(0.50, 0.66, 1.0),
        power=3.0,
        size=0.08,
    )
    add_light(
        "Stall_glow",
        "POINT",
        (3.1, 0.2, 1.05),
        (3.1, 0.2, 0.0),
        colour=(1.0, 0.55, 0.22),
        power=24.0,
        size=0.15,
    )
    add_light(
        "Lantern_glow",
        "AREA",
        (1.2, 1.9, 2.6),
        (1.2, 0.6, 0.0),
        colour=(1.0, 0.58, 0.26),
        power=90.0,
        size=3.0,
    )
