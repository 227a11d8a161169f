# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the COG is: against the evaluated mesh, a physics engine, and whole rigs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import bpy
import numpy as np
import pytest

from blender import rigs
from blender.brute import mesh_cog
from blender.rigs import BoneSpec, make_armature, skin
from leapwright.body import segment_cog
from leapwright.errors import InputError, NotFoundError
from leapwright_blender.cog import SOURCES, cog_source, measure, stray
from leapwright_blender.meshes import body_meshes, read_rest_mesh
from leapwright_blender.steps import run


def source_of(*asked: Any, **more: Any) -> Any:
    return run(cog_source(*asked, **more))


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


def scene() -> Any:
    return bpy.context.scene


def block_mesh(name: str, boxes: dict[str, tuple[Any, Any]], rig: Any = None) -> Any:
    """A mesh of boxes (middle, half size), each skinned to the bone it is named for."""
    corners, faces = [], []
    for number, (at, half) in enumerate(boxes.values()):
        corners += [tuple(np.array(at) + np.array(c) * half) for c in rigs._BOX_CORNERS]
        faces += [tuple(8 * number + i for i in face) for face in rigs._BOX_FACES]
    data = bpy.data.meshes.new(name)
    data.from_pydata(corners, [], faces)
    obj = bpy.data.objects.new(name, data)
    scene().collection.objects.link(obj)
    if rig is not None:
        for number, bone in enumerate(boxes):
            group = obj.vertex_groups.new(name=bone)
            group.add(range(8 * number, 8 * number + 8), 1.0, "ADD")
        obj.parent = rig
        obj.modifiers.new("Armature", "ARMATURE").object = rig
    bpy.context.view_layer.update()
    return obj


# --- A built body, against a general physics engine ----------------------------------------------

# A body of boxes: joint, middle and half size, turning axis.
BLOCKS = {
    "trunk": ((0, 0, 0.8), (0, 0, 1.1), (0.15, 0.1, 0.3), None),
    "thigh": ((0.1, 0, 0.8), (0.1, 0, 0.6), (0.07, 0.07, 0.2), 0),
    "shin": ((0.1, 0, 0.4), (0.1, 0, 0.2), (0.05, 0.06, 0.2), 0),
    "arm": ((-0.15, 0, 1.3), (-0.35, 0, 1.3), (0.2, 0.04, 0.05), 1),
    "head": ((0, 0, 1.4), (0, -0.03, 1.55), (0.12, 0.13, 0.15), 2),
}
ABOVE = {"trunk": "", "thigh": "trunk", "shin": "thigh", "arm": "trunk", "head": "trunk"}
# MuJoCo 4.0.0: the same boxes of one density on hinges, `subtree_com` after `mj_forward`.
ENGINE = [
    ({}, (0.002041, -0.007959, 1.111678)),
    ({"thigh": 0.7, "shin": -1.1, "arm": 0.9, "head": 0.4}, (0.008572, 0.019217, 1.131482)),
    ({"thigh": -1.2, "shin": 0.5, "arm": -1.3, "head": -0.8}, (0.002975, -0.060384, 1.137658)),
    ({"thigh": 1.5, "shin": -2.0, "arm": 1.5, "head": 1.0}, (0.017167, 0.038486, 1.168327)),
]


def built_body() -> Any:
    # Bones along +Y have the world's axes.
    bones = {
        name: BoneSpec(joint, (joint[0], joint[1] + 0.1, joint[2]), ABOVE[name])
        for name, (joint, _, _, _) in BLOCKS.items()
    }
    rig = make_armature("Blocks", bones)
    block_mesh("Body", {n: (middle, half) for n, (_, middle, half, _) in BLOCKS.items()}, rig)
    return rig


def turned(rig: Any, angles: dict[str, float]) -> None:
    for name, (*_, axis) in BLOCKS.items():
        bone = rig.pose.bones[name]
        bone.rotation_mode = "XYZ"
        if axis is not None:
            bone.rotation_euler = [angles.get(name, 0.0) * (i == axis) for i in range(3)]
            bone.keyframe_insert("rotation_euler", frame=1)


@pytest.mark.parametrize(("angles", "engine"), ENGINE)
def test_built_body_has_the_cog_of_the_physics_engine(
    angles: dict[str, float], engine: tuple[float, float, float]
) -> None:
    rig = built_body()
    source = source_of(rig, scene(), "mesh")
    want = {"trunk": 0.510204, "head": 0.265306, "thigh": 0.111111, "shin": 0.068027}
    assert source.parts == pytest.approx({**want, "arm": 0.045351}, abs=1e-6)
    turned(rig, angles)
    assert measure(rig, scene(), [1], source)[0] == pytest.approx(engine, abs=2e-6)


# --- The evaluated mesh --------------------------------------------------------------------------


def shake(rig: Any, rng: np.random.Generator, most: float) -> None:
    """A pose: every bone turned, keyed on the current frame of the scene."""
    for bone in rig.pose.bones:
        bone.rotation_mode = "XYZ"
        bone.rotation_euler = rng.uniform(-most, most, 3)
        bone.keyframe_insert("rotation_euler", frame=scene().frame_current)


def strays(rig: Any, meshes: list[Any], frames: list[int], source: Any) -> np.ndarray:
    got = measure(rig, scene(), frames, source)
    want = []
    for frame in frames:
        scene().frame_set(frame)
        want.append(mesh_cog(meshes)[0])
    return np.linalg.norm(got - np.array(want), axis=1)


def test_sample_hare_is_within_one_percent_of_its_evaluated_mesh() -> None:
    rig = rigs.build("hare.blend")
    fur = bpy.data.objects["Hare_mesh"]
    source = source_of(rig, scene())
    assert source.name == "mesh"
    # The sample says so: its COG control is at the centre of the hare's volume; the satchel and
    # scarf, on one side, count here too.
    assert source.rest == pytest.approx(np.array(rig.data.bones["body"].head_local), abs=0.012)
    rng = np.random.default_rng(20)
    frames = list(range(1, 21))
    for frame in frames:
        scene().frame_set(frame)
        for name in ("root", "paw.L", "paw.R", "body"):
            place = rng.uniform(-0.1, 0.1, 3)
            rig.pose.bones[name].location = place
            rig.pose.bones[name].keyframe_insert("location", frame=frame)
        shake(rig, rng, 0.5)
    height = fur.dimensions.z
    assert strays(rig, [fur], frames, source).max() < 0.01 * height


@pytest.mark.parametrize("kind", ["hare with FK legs", "quadruped with FK legs"])
def test_rigid_skin_is_exact_in_any_pose(kind: str) -> None:
    rig = rigs.build(kind)
    fur = skin(rig)
    # No box lies inside another, so each counts.
    source = source_of(rig, scene(), "mesh")
    rng = np.random.default_rng(5)
    frames = list(range(1, 21))
    for frame in frames:
        scene().frame_set(frame)
        shake(rig, rng, 1.0)
    assert strays(rig, [fur], frames, source).max() < 2e-6


def test_scaled_and_turned_rigs_and_units_change_nothing() -> None:
    rig = rigs.build("hare at 0.01 under a turned parent")
    fur = skin(rig)
    source = source_of(rig, scene(), "mesh")
    frames = [1, 2, 3]
    rng = np.random.default_rng(6)
    for frame in frames:
        scene().frame_set(frame)
        shake(rig, rng, 0.5)
    size = max(fur.dimensions)
    assert strays(rig, [fur], frames, source).max() < 1e-4 * size


# --- What meshes are like ------------------------------------------------------------------------

ONE = {"bone": BoneSpec((0, 0, 0), (0, 0.1, 0))}
TWO = {**ONE, "top": BoneSpec((0, 0, 2), (0, 0.1, 2), "bone")}


def test_an_open_mesh_is_closed_and_said() -> None:
    rig = make_armature("Rig", ONE)
    whole = block_mesh("Body", {"bone": ((0, 0, 1), (1, 1, 1))}, rig)
    want = source_of(rig, scene(), "mesh")
    data = bpy.data.meshes.new("Open")
    corners = [v.co[:] for v in whole.data.vertices]
    data.from_pydata(corners, [], [p.vertices[:] for p in whole.data.polygons][1:])
    whole.data = data
    whole.vertex_groups.clear()
    whole.vertex_groups.new(name="bone").add(range(8), 1.0, "ADD")
    got = source_of(rig, scene(), "mesh")
    assert got.left_out == ("'Body' is open: 1 hole closed",)
    assert got.rest == pytest.approx(want.rest, abs=1e-6)


def test_sheets_are_left_out_and_said() -> None:
    rig = make_armature("Rig", ONE)
    block_mesh("Body", {"bone": ((0, 0, 1), (1, 1, 1))}, rig)
    cloak = bpy.data.meshes.new("Cloak")
    cloak.from_pydata([(3, 0, 0), (4, 0, 0), (4, 0, 2), (3, 0.1, 2)], [], [(0, 1, 2, 3)])
    obj = bpy.data.objects.new("Cloak", cloak)
    scene().collection.objects.link(obj)
    obj.parent = rig
    bpy.context.view_layer.update()
    got = source_of(rig, scene(), "mesh")
    assert got.left_out == ("1 open sheet of 'Cloak' left out: no volume",)
    assert got.rest == pytest.approx([0, 0, 1], abs=1e-6)
    obj.parent = None
    bpy.data.objects.remove(bpy.data.objects["Body"])
    with pytest.raises(NotFoundError, match="no closed mesh"):
        source_of(rig, scene(), "mesh")


def test_inside_out_pieces_count_and_pieces_inside_others_do_not() -> None:
    rig = make_armature("Rig", TWO)
    body = block_mesh("Body", {"bone": ((0, 0, 1), (1, 1, 1)), "top": ((0, 0, 4), (1, 1, 1))}, rig)
    for polygon in list(body.data.polygons)[6:]:
        polygon.flip()
    block_mesh("Eyes", {"top": ((0, 0, 4.2), (0.1, 0.1, 0.1))}, rig)
    got = source_of(rig, scene(), "mesh")
    assert got.rest == pytest.approx([0, 0, 2.5], abs=1e-6)
    assert got.left_out == ("1 piece of 'Eyes' lies inside 'Body': counted once",)


def test_a_hollow_is_taken_off() -> None:
    rig = make_armature("Rig", ONE)
    bell = block_mesh("Bell", {"bone": ((0, 0, 0), (1, 1, 1))}, rig)
    inner = block_mesh("Inner", {"bone": ((0, 0, 0.4), (0.5, 0.5, 0.5))}, rig)
    for polygon in inner.data.polygons:
        polygon.flip()
    with bpy.context.temp_override(active_object=bell, selected_editable_objects=[bell, inner]):
        bpy.ops.object.join()
    got = source_of(rig, scene(), "mesh")
    assert got.rest == pytest.approx([0, 0, -0.4 * 1 / (8 - 1)], abs=1e-6)


def test_overlapping_pieces_are_said() -> None:
    rig = make_armature("Rig", TWO)
    boxes = {"bone": ((0, 0, 1), (1, 1, 1)), "top": ((0, 0, 2), (0.9, 0.9, 1))}
    block_mesh("Body", boxes, rig)
    said = source_of(rig, scene(), "mesh").left_out
    assert said == (
        "1 piece of 'Body' overlaps another of its pieces: what they share counts twice",
    )


def test_several_meshes_bone_parents_and_unseen_ones() -> None:
    rig = make_armature("Rig", TWO)
    block_mesh("Body", {"bone": ((0, 0, 1), (1, 1, 1))}, rig)
    cap = block_mesh("Cap", {"": ((0, 0, 0), (1, 1, 1))})
    cap.parent, cap.parent_type, cap.parent_bone = rig, "BONE", "top"
    cap.location = (0, 0, 3)
    spare = block_mesh("Spare", {"bone": ((9, 9, 9), (1, 1, 1))}, rig)
    spare.hide_render = True
    bpy.context.view_layer.update()
    got = source_of(rig, scene(), "mesh")
    assert got.left_out == ("'Spare' is left out: it is not rendered",)
    # The cap's middle: from the tail of the bone (0, 0.1, 2), three up.
    assert got.rest == pytest.approx([0, 0.05, 3], abs=1e-6)
    rig.pose.bones["top"].rotation_mode = "XYZ"
    rig.pose.bones["top"].rotation_euler = (0, np.pi / 2, 0)
    rig.pose.bones["top"].keyframe_insert("rotation_euler", frame=1)
    assert measure(rig, scene(), [1], got)[0] == pytest.approx([1.5, 0.05, 1.5], abs=1e-5)
    without = source_of(rig, scene(), "mesh", without=["Cap"])
    assert without.rest == pytest.approx([0, 0, 1], abs=1e-6)
    assert "'Cap' is left out: you said so" in without.left_out


def test_modifiers_that_make_the_solid_count_and_others_are_named() -> None:
    rig = make_armature("Rig", TWO)
    half = block_mesh("Body", {"bone": ((1, 0, 1), (0.5, 1, 1))}, rig)
    mirror = half.modifiers.new("Both", "MIRROR")
    mirror.use_mirror_merge = False
    half.modifiers.move(1, 0)
    half.modifiers.new("Wave", "WAVE")
    got = source_of(rig, scene(), "mesh")
    assert got.rest == pytest.approx([0, 0, 1], abs=1e-6)
    assert got.left_out == ("modifier 'Wave' of 'Body' is not counted",)
    half.modifiers.remove(half.modifiers["Wave"])
    bpy.context.view_layer.update()
    assert measure(rig, scene(), [1], got)[0] == pytest.approx(mesh_cog([half])[0], abs=1e-5)
    # Nothing of the passing copy stays behind.
    assert [o.name for o in bpy.data.objects] == ["Body", "Rig"]
    assert [m.name for m in bpy.data.meshes] == ["Body"]
    assert len(bpy.data.scenes) == 1


def test_set_shape_keys_count_and_moved_ones_do_not() -> None:
    rig = make_armature("Rig", ONE)
    body = block_mesh("Body", {"bone": ((0, 0, 1), (1, 1, 1))}, rig)
    body.shape_key_add(name="Basis")
    for name, shift in (("tall", 2.0), ("smile", 8.0)):
        key = body.shape_key_add(name=name)
        for point in key.data:
            point.co.z += shift
        key.value = 0.5
    body.data.shape_keys.key_blocks["smile"].keyframe_insert("value", frame=1)
    assert source_of(rig, scene(), "mesh").rest == pytest.approx([0, 0, 2], abs=1e-6)


def test_corners_without_weight_stay_with_the_object() -> None:
    rig = make_armature("Rig", TWO)
    boxes = {"bone": ((0, 0, 1), (1, 1, 1)), "none": ((0, 0, 4), (1, 1, 1))}
    body = block_mesh("Body", boxes, rig)
    mesh = read_rest_mesh(rig, body, scene=scene())
    assert [c.bone or c.object for c in mesh.carriers] == ["bone", "Body"]
    got = source_of(rig, scene(), "mesh")
    rig.pose.bones["bone"].location = (1, 0, 0)
    rig.pose.bones["bone"].keyframe_insert("location", frame=1)
    scene().frame_set(1)
    assert measure(rig, scene(), [1], got)[0] == pytest.approx(mesh_cog([body])[0], abs=1e-6)


# --- Choosing ------------------------------------------------------------------------------------

CHOSEN = {
    "generated human": "segments",
    "generated human, legs on FK": "segments",
    "generated basic human": "segments",
    "skeleton of the human": "segments",
    "BVH import": "segments",
    "glTF import": "mesh",
    "generated basic quadruped": "control",
    "generated horse": "control",
    "generated bird": "control",
    "quadruped without names": "control",
    "figure of objects": "mesh",
    "single mesh": "mesh",
    "ball.blend": "mesh",
}


@pytest.mark.parametrize("kind", CHOSEN)
def test_default_source(kind: str) -> None:
    rig = rigs.build(kind)
    source = source_of(rig, scene())
    assert source.name == CHOSEN[kind]
    assert source.masses.sum() == pytest.approx(1.0)
    assert np.all(source.masses > 0)
    assert source.text[0].startswith(f"COG from {source.name}: ")
    assert source.to_json()["cog_from"] == source.name
    rest = np.array(rig.matrix_world, dtype=float) @ [*source.rest, 1]
    if kind not in {"BVH import", "generated human, legs on FK"}:
        assert measure(rig, scene(), [1], source)[0] == pytest.approx(rest[:3], abs=2e-3)


@pytest.mark.parametrize(
    "kind", ["generated human", "generated basic human", "skeleton of the human"]
)
def test_people_have_their_cog_where_people_have_it(kind: str) -> None:
    """Measured: 0.554 standing; the arms of these stand off to the sides, which lifts it."""
    source = source_of(rigs.build(kind), scene(), "segments")
    assert source.coverage == pytest.approx(1.0)
    assert source.left_out == ()
    assert 0.554 < source.height < 0.586


def test_segments_are_the_cores_in_a_pose() -> None:
    """The same figure by its joints' places, measured without bones' axes."""
    rig = rigs.build("skeleton of the human")
    source = source_of(rig, scene(), "segments")
    for name in ("upper_arm.L", "thigh.R", "forearm.R", "shin.R"):
        rig.pose.bones[name].rotation_mode = "XYZ"
        rig.pose.bones[name].rotation_euler = (0.6, 0.2, -0.3)
        rig.pose.bones[name].keyframe_insert("rotation_euler", frame=1)
    scene().frame_set(1)
    bones = [b for b in rig.pose.bones if b.bone.use_deform]
    heads = {b.name: [rig.matrix_world @ b.head] for b in bones}
    tails = {b.name: [rig.matrix_world @ b.tail] for b in bones}
    parents = {b.name: b.parent.name if b.parent else None for b in rig.pose.bones}
    want = segment_cog(heads, parents=parents, tails=tails).cog
    assert measure(rig, scene(), [1], source) == pytest.approx(want, abs=1e-5)


def test_control_strays_from_the_measured_cog_when_arms_move() -> None:
    rig = rigs.build("generated human")
    control, segments = (source_of(rig, scene(), n) for n in ("control", "segments"))
    assert control.points[0].bone == "ORG-spine"
    for side, way in (("L", 1), ("R", -1)):
        bone = rig.pose.bones[f"hand_ik.{side}"]
        for frame, height in ((1, 0.0), (2, 0.9)):
            bone.location = (0.1 * way, 0, height)
            bone.keyframe_insert("location", frame=frame)
    low, high = measure(rig, scene(), [1, 2], segments)[:, 2]
    assert np.ptp(measure(rig, scene(), [1, 2], control)[:, 2]) < 1e-6
    assert high - low > 0.04
    got = stray(rig, scene(), [1, 2], segments, control)
    assert got == pytest.approx((high - low) / 2, rel=0.1)


@pytest.mark.parametrize("which", SOURCES)
def test_the_users_scene_is_left_alone(which: str) -> None:
    rig = rigs.build("hare with FK legs")
    skin(rig)
    scene().frame_set(5)
    rig.pose.bones["spine"].rotation_mode = "XYZ"
    rig.pose.bones["spine"].rotation_euler = (0.1, 0.2, 0.3)
    before = [o.name for o in bpy.data.objects], [m.name for m in bpy.data.meshes]
    source = source_of(rig, scene(), which)
    measure(rig, scene(), [1, 2], source)
    assert source.name == which
    assert ([o.name for o in bpy.data.objects], [m.name for m in bpy.data.meshes]) == before
    assert scene().frame_current == 5
    assert rig.pose.bones["spine"].rotation_euler[:] == pytest.approx((0.1, 0.2, 0.3))
    assert len(bpy.data.scenes) == 1


def test_what_cannot_be_had_is_said() -> None:
    rig = rigs.build("quadruped without names")
    with pytest.raises(NotFoundError, match="no trunk was recognised"):
        source_of(rig, scene(), "segments")
    with pytest.raises(NotFoundError, match="has no closed mesh"):
        source_of(rig, scene(), "mesh")
    with pytest.raises(InputError, match="control, segments, mesh"):
        source_of(rig, scene(), "guess")
    assert body_meshes(rig) == ([], [])
    crate = rigs.build("single mesh")
    with pytest.raises(NotFoundError, match="has no bones"):
        source_of(crate, scene(), "segments")
