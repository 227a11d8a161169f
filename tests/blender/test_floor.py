# SPDX-License-Identifier: GPL-3.0-or-later
"""Ground: its level under points, and the refusal of ground that moves."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import bpy
import numpy as np
import pytest
from mathutils import Matrix

from leapwright.errors import HostError, InputError, NotFoundError
from leapwright_blender.floor import floor_of, level_under, refuse_moving, refuse_moving_parent

UP = (0.0, 0.0, 1.0)
FRAMES = range(1, 41)


@pytest.fixture(autouse=True)
def scene() -> Iterator[Any]:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.frame_set(5)
    yield bpy.context.scene
    bpy.ops.wm.read_homefile(use_empty=True)


def add(name: str, data: Any = None) -> Any:
    made = bpy.data.objects.new(name, data)
    bpy.context.scene.collection.objects.link(made)
    return made


def crate(name: str = "crate", size: float = 1.0) -> Any:
    """A box whose top is at half its size."""
    half = size / 2
    corners = [(x, y, z) for x in (-half, half) for y in (-half, half) for z in (-half, half)]
    faces = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata(corners, [], faces)
    return add(name, mesh)


def hills(name: str = "hills", cells: int = 40) -> Any:
    """Ground 8 by 8 whose height is z = f(x, y) at its vertices."""
    line = np.linspace(-4, 4, cells + 1)
    x, y = np.meshgrid(line, line, indexing="ij")
    co = np.stack([x, y, height(x, y)], -1).reshape(-1, 3)
    at = np.arange((cells + 1) ** 2).reshape(cells + 1, -1)
    quads = np.stack([at[:-1, :-1], at[1:, :-1], at[1:, 1:], at[:-1, 1:]], -1).reshape(-1, 4)
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata(co.tolist(), [], quads.tolist())
    return add(name, mesh)


def height(x: Any, y: Any) -> Any:
    return 0.3 * np.sin(x) + 0.2 * np.cos(1.7 * y)


def key(obj: Any, path: str, **values: Any) -> None:
    """Keys "f12=(1, 2, 3)"."""
    for frame, value in values.items():
        setattr(obj, path, value)
        obj.keyframe_insert(path, frame=int(frame[1:]))


@pytest.fixture
def untouched(scene: Any) -> Iterator[None]:
    """The user's scene is as it was: the frame, an unkeyed pose, all names."""
    pole = add("pole")
    key(pole, "location", f1=(0, 0, 0), f40=(0, 0, 4))
    scene.frame_set(5)
    pole.location.z = 77
    yield
    assert scene.frame_current == 5
    assert pole.location.z == 77
    assert [s.name for s in bpy.data.scenes] == [scene.name]
    assert not [m.name for m in bpy.data.meshes if not m.users]


def level(name: str, points: Any, up: Any = UP, frame: float = 1) -> Any:
    scene = bpy.context.scene
    return level_under(floor_of(name, scene), scene, points, up, frame)


# Level


def test_the_top_of_a_crate_and_nothing_beside_it(untouched: None) -> None:
    crate().location = (2, 0, 0.5)
    points = [(2, 0, 9), (2.4, -0.4, -9), (2, 0, 0.5), (1.4, 0, 0), (2.6, 0, 0), (2, 0.6, 3)]
    assert level("crate", points) == pytest.approx([1, 1, 1, *[np.nan] * 3], nan_ok=True)
    assert level("crate", np.empty((0, 3))).shape == (0,)


def test_points_on_edges_and_corners_are_on_the_ground() -> None:
    crate(size=2)
    line = np.linspace(-1, 1, 21)
    diagonal = np.stack([line, line, 0 * line], -1)
    rim = np.stack([line, 0 * line + 1, 0 * line], -1)
    assert (level("crate", np.r_[diagonal, diagonal * [1, -1, 1], rim]) == 1.0).all()


def test_hills_are_as_high_as_their_faces() -> None:
    rng = np.random.default_rng(3)
    obj = hills()
    vertices = np.array([v.co for v in obj.data.vertices])[::7]
    inside = np.abs(vertices[:, :2]).max(axis=1) < 4
    assert level("hills", vertices) == pytest.approx(vertices[:, 2], abs=1e-6)
    points = np.c_[rng.uniform(-3.9, 3.9, (500, 2)), rng.uniform(-9, 9, 500)]
    # A cell is 0.2 wide: its faces are off the sine by less than curvature × width² / 8.
    assert level("hills", points) == pytest.approx(height(*points[:, :2].T), abs=0.006)
    assert inside.any()


@pytest.mark.parametrize("seed", range(3))
def test_turned_scaled_and_far_ground_with_any_up(seed: int) -> None:
    rng = np.random.default_rng(seed)
    obj = hills()
    turn = Matrix(np.linalg.qr(rng.normal(size=(3, 3)))[0].tolist()).to_4x4()
    far = Matrix.Translation(rng.normal(0, 300, 3).tolist())
    obj.matrix_world = far @ turn @ Matrix.Diagonal((2.0, 0.5, 3.0, 1.0))
    bpy.context.view_layer.update()
    world = np.array(obj.matrix_world, dtype=np.float64)
    up = world[:3, 2] / np.linalg.norm(world[:3, 2])
    local = np.array([v.co for v in obj.data.vertices])[::11]
    points = local @ world[:3, :3].T + world[:3, 3]
    lifted = points + rng.normal(0, 5, (len(points), 1)) * up
    assert level("hills", lifted, up) == pytest.approx(points @ up, abs=2e-4)
    assert level("hills", lifted, 7 * up) == pytest.approx(points @ up, abs=2e-4)


def test_the_uppermost_surface_counts() -> None:
    low, high = crate("crates"), crate("high")
    high.data.transform(Matrix.Translation((0, 0, 3)))
    low.select_set(True)
    high.select_set(True)
    with bpy.context.temp_override(
        active_object=low, selected_editable_objects=[low, high], selected_objects=[low, high]
    ):
        bpy.ops.object.join()
    assert level("crates", [(0, 0, 0)]) == pytest.approx([3.5])


def test_modifiers_parents_and_the_frame_count(untouched: None) -> None:
    cart, box = add("cart"), crate()
    box.parent = cart
    key(cart, "location", f10=(0, 0, 0), f20=(0, 0, 2))
    assert level("crate", [(0, 0, 0)], frame=10) == pytest.approx([0.5])
    assert level("crate", [(0, 0, 0)], frame=20) == pytest.approx([2.5])
    assert level("crate", [(0, 0, 0)], frame=15) == pytest.approx([1.5], abs=1e-3)
    array = box.modifiers.new("Array", "ARRAY")
    array.count = 3
    assert level("crate", [(2, 0, 0), (3, 0, 0)], frame=10) == pytest.approx(
        [0.5, np.nan], nan_ok=True
    )
    box.hide_viewport = True
    assert level("crate", [(0, 0, 0)], frame=10) == pytest.approx([0.5])
    assert box.hide_viewport


@pytest.mark.parametrize("kind", ["CURVE", "SURFACE"])
def test_curves_and_surfaces_are_ground(kind: str) -> None:
    data = bpy.data.curves.new("awning", kind)
    if kind == "CURVE":
        data.dimensions, data.fill_mode = "2D", "BOTH"
        spline = data.splines.new("POLY")
        corners = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
        spline.points.add(3)
        spline.use_cyclic_u = True
        for point, (x, y) in zip(spline.points, corners, strict=True):
            point.co = (x, y, 0, 1)
        add("awning", data)
    else:
        bpy.data.curves.remove(data)
        bpy.ops.surface.primitive_nurbs_surface_surface_add(radius=2)
        bpy.context.object.name = "awning"
    bpy.data.objects["awning"].location.z = 2
    top = level("awning", [(0, 0, 0), (9, 0, 0)])
    assert np.isnan(top[1])
    assert top[0] == pytest.approx(2, abs=0.001) if kind == "CURVE" else top[0] >= 2


def test_what_is_no_ground_is_named(scene: Any) -> None:
    crate()
    add("lamp", bpy.data.lights.new("lamp", "POINT"))
    with pytest.raises(NotFoundError, match=r"no object 'crates'; close to it: crate"):
        floor_of("crates", scene)
    with pytest.raises(InputError, match=r"`ground`.*'lamp', which is of type light") as error:
        floor_of("lamp", scene)
    assert error.value.argument == "ground"
    with pytest.raises(InputError, match="`up`"):
        level("crate", [(0, 0, 0)], up=(0, 0, 0))
    with pytest.raises(InputError, match="`frames`"):
        refuse_moving(floor_of("crate", scene), scene, [])


# Moving ground


def refused(check: Callable[[], None], *words: str) -> None:
    with pytest.raises(HostError) as error:
        check()
    assert [word for word in words if word not in str(error.value)] == [], str(error.value)


def stands(name: str, frames: Any = FRAMES) -> None:
    refuse_moving(floor_of(name, bpy.context.scene), bpy.context.scene, frames)


@pytest.mark.parametrize(("metres", "said"), [(1.0, "0.40 m"), (0.01, "4.0 mm"), (100, "40.00 m")])
def test_a_cart_that_moves_is_refused_with_how_far_and_when(
    scene: Any, untouched: None, metres: float, said: str
) -> None:
    scene.unit_settings.scale_length = metres
    cart = crate("cart")
    key(cart, "location", f12=(0, 0, 0), f36=(0.4, 0, 0))
    refused(
        lambda: stands("cart"),
        f"'cart' moves {said} between frames 12 and 36: feet cannot be planted on moving ground",
    )
    refused(lambda: stands("cart", range(1, 21)), "between frames 12 and 20")
    stands("cart", range(1, 13))
    stands("cart", range(36, 50))
    stands("cart", [20])


def test_a_creep_is_seen_and_a_tremble_of_the_last_digit_is_not() -> None:
    cart = crate("cart")
    key(cart, "location", f1=(0, 0, 0), f1000=(0.01, 0, 0))
    refused(lambda: stands("cart", range(1, 1001, 3)), "moves 10.0 mm between frames 1 and 1000")
    still = crate("still")
    still.location = (30000, 0, 0)
    key(still, "rotation_euler", f1=(0, 0, 1), f40=(0, 0, 1))
    stands("still")


def test_ground_that_turns_or_goes_and_comes_back_moves() -> None:
    turntable = crate("turntable", size=2)
    key(turntable, "rotation_euler", f10=(0, 0, 0), f20=(0, 0, np.pi / 2))
    refused(lambda: stands("turntable"), "moves 2.00 m between frames 10 and 20")
    lift = crate("lift")
    key(lift, "location", f10=(0, 0, 0), f15=(0, 0, 1), f20=(0, 0, 0))
    refused(lambda: stands("lift"), "moves 1.00 m between frames 10 and 20")


def test_ground_that_rides_on_another_or_deforms_moves(untouched: None) -> None:
    cart, box = add("cart"), crate()
    box.parent = cart
    key(cart, "location", f10=(0, 0, 0), f20=(0, 3, 0))
    refused(lambda: stands("crate"), "'crate' moves 3.00 m between frames 10 and 20")
    soft = crate("awning")
    soft.shape_key_add(name="Basis")
    sag = soft.shape_key_add(name="sag")
    for point in sag.data:
        point.co.z -= 0.25
    key(sag, "value", f10=0.0, f14=1.0)
    refused(lambda: stands("awning"), "'awning' moves 0.25 m between frames 10 and 14")
    stands("awning", range(14, 30))
    grown = crate("grown")
    array = grown.modifiers.new("Array", "ARRAY")
    key(array, "count", f10=1, f14=3)
    refused(lambda: stands("grown"), "'grown' changes its mesh", "moving ground")


# Moving parents of the rig


@pytest.fixture
def hare() -> Any:
    bones = bpy.data.armatures.new("Hare")
    made = add("Hare", bones)
    key(made, "location", f1=(0, 0, 0), f40=(5, 0, 2))
    key(made, "rotation_euler", f1=(0, 0, 0), f40=(0, 0, 2))
    return made


def carried(hare: Any, frames: Any = FRAMES) -> None:
    refuse_moving_parent(hare, bpy.context.scene, frames)


def test_the_rigs_own_channels_are_no_ground(hare: Any, untouched: None) -> None:
    carried(hare)
    hare.parent = add("set")
    hare.parent.location = (3, 4, 5)
    hare.matrix_parent_inverse = hare.parent.matrix_world.inverted()
    carried(hare)


def test_a_parent_that_moves_is_refused_and_one_that_stands_is_not(
    hare: Any, untouched: None
) -> None:
    cart = add("cart")
    key(cart, "location", f12=(0, 0, 0), f36=(0.4, 0, 0))
    hare.parent = add("saddle")
    hare.parent.parent = cart
    refused(
        lambda: carried(hare),
        "the rig's parent 'saddle' moves 0.40 m between frames 12 and 36: feet cannot be planted",
    )
    carried(hare, range(1, 13))
    carried(hare, range(36, 60))


def test_a_parent_that_turns_is_refused(hare: Any) -> None:
    hare.parent = add("turntable")
    key(hare.parent, "rotation_euler", f12=(0, 0, 0), f20=(0, 0, 1))
    refused(lambda: carried(hare), "'turntable' moves", "between frames 12 and 20")


def test_a_parent_bone_that_moves_is_refused(hare: Any, scene: Any) -> None:
    data = bpy.data.armatures.new("crane")
    crane = add("crane", data)
    bpy.context.view_layer.objects.active = crane
    bpy.ops.object.mode_set(mode="EDIT")
    bone = data.edit_bones.new("hook")
    bone.tail = (0, 1, 0)
    bpy.ops.object.mode_set(mode="OBJECT")
    hare.parent, hare.parent_type, hare.parent_bone = crane, "BONE", "hook"
    carried(hare)
    key(crane.pose.bones["hook"], "location", f12=(0, 0, 0), f20=(0, 1.5, 0))
    refused(lambda: carried(hare), "the rig's parent 'crane' moves 1.50 m", "12 and 20")


@pytest.mark.parametrize("kind", ["CHILD_OF", "COPY_LOCATION"])
def test_a_constraint_that_carries_the_rig_is_refused(hare: Any, kind: str) -> None:
    cart = add("cart")
    con = hare.constraints.new(kind)
    con.name, con.target = "ride", cart
    if kind == "COPY_LOCATION":
        con.use_offset = True
    carried(hare)
    key(cart, "location", f12=(0, 0, 0), f36=(0.4, 0, 0))
    refused(lambda: carried(hare), "'Hare', carried by its constraint 'ride',", "moves", "36")
    carried(hare, range(1, 13))
    con.mute = True
    carried(hare)


def test_a_limit_that_the_rig_runs_into_is_no_ground(hare: Any) -> None:
    limit = hare.constraints.new("LIMIT_LOCATION")
    limit.use_max_x, limit.max_x = True, 2
    carried(hare)


def test_a_constraint_that_is_switched_on_moves_the_rig(hare: Any) -> None:
    cart = add("cart")
    cart.location = (0, 2, 0)
    con = hare.constraints.new("CHILD_OF")
    con.target = cart
    con.inverse_matrix.identity()
    key(con, "influence", f10=0.0, f11=1.0)
    refused(lambda: carried(hare), "moves 2.00 m between frames 10 and 11")
