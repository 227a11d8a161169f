# SPDX-License-Identifier: GPL-3.0-or-later
"""The skeleton of the hare courier: bones, controls, leg constraints, one driver.

The hare faces -Y in its own space, like other characters; its left is +X.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import bpy
from mathutils import Vector

Place = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class BoneSpec:
    """One bone of the hare: where it is, what carries it, what it is for."""

    name: str
    head: Place
    tail: Place
    parent: str
    mode: str = "XYZ"
    control: bool = True
    deform: bool = True


HIP = (0.105, 0.05, 0.625)
KNEE = (0.125, -0.135, 0.40)
ANKLE = (0.12, 0.115, 0.14)
BALL = (0.125, -0.10, 0.0)
TOE = (0.13, -0.255, 0.0)
EAR = ((0.058, -0.01, 1.335), (0.09, 0.012, 1.50), (0.12, 0.04, 1.68), (0.145, 0.07, 1.86))
SHOULDER, ELBOW = (0.115, 0.015, 0.99), (0.235, 0.05, 0.86)
WRIST, FINGERS = (0.285, -0.025, 0.745), (0.29, -0.075, 0.685)

_SPINE = (
    BoneSpec("pelvis", (0, 0.055, 0.60), (0, 0.045, 0.74), "body", control=False),
    BoneSpec("spine", (0, 0.045, 0.74), (0, 0.03, 0.88), "pelvis"),
    BoneSpec("chest", (0, 0.03, 0.88), (0, 0.0, 1.03), "spine"),
    BoneSpec("neck", (0, 0.0, 1.03), (0, -0.03, 1.12), "chest"),
    BoneSpec("head", (0, -0.03, 1.12), (0, -0.05, 1.38), "neck", "YXZ"),
    BoneSpec("tail", (0, 0.17, 0.645), (0, 0.27, 0.70), "pelvis", "AXIS_ANGLE"),
    BoneSpec("scarf.1", (0, 0.085, 1.045), (0, 0.20, 1.00), "chest"),
    BoneSpec("scarf.2", (0, 0.20, 1.00), (0, 0.32, 0.94), "scarf.1"),
    BoneSpec("satchel", (-0.185, 0.05, 0.80), (-0.20, 0.06, 0.60), "chest"),
    BoneSpec("flap", (-0.235, 0.055, 0.745), (-0.25, 0.06, 0.63), "satchel", control=False),
)
# Left side only; the right is its mirror.
_SIDES = (
    BoneSpec("ear_1", EAR[0], EAR[1], "head", "QUATERNION"),
    BoneSpec("ear_2", EAR[1], EAR[2], "ear_1", "QUATERNION"),
    BoneSpec("ear_3", EAR[2], EAR[3], "ear_2", "QUATERNION"),
    BoneSpec("upper_arm", SHOULDER, ELBOW, "chest", "QUATERNION"),
    BoneSpec("forearm", ELBOW, WRIST, "upper_arm", "QUATERNION"),
    BoneSpec("hand", WRIST, FINGERS, "forearm", "ZXY"),
    BoneSpec("thigh", HIP, KNEE, "pelvis", control=False),
    BoneSpec("shin", KNEE, ANKLE, "thigh", control=False),
    BoneSpec("foot", ANKLE, BALL, "shin", control=False),
    BoneSpec("toe", BALL, TOE, "foot"),
    BoneSpec("paw", BALL, ANKLE, "root", deform=False),
    # The paw turns about the ball of the foot; this carries the ankle for it.
    BoneSpec("ankle", ANKLE, BALL, "paw", control=False, deform=False),
)
CONNECTED = ("spine", "chest", "ear_2", "ear_3", "forearm", "hand", "shin", "foot", "scarf.2")


# With FK legs the leg itself is what an animator keys, and nothing pulls it.
_TURNED, _PULLED = ("thigh", "shin", "foot"), ("paw", "ankle")


def bone_specs(cog: Place, *, fk: bool = False) -> tuple[BoneSpec, ...]:
    """All bones of the hare, parents first; ``cog`` is where the COG control goes. With ``fk``
    its legs are turned joint by joint."""
    # Both point along +Y with no roll: their own axes are the armature's axes.
    root = BoneSpec("root", (0, 0, 0), (0, 0.4, 0), "", deform=False)
    body = BoneSpec("body", cog, (cog[0], cog[1] + 0.2, cog[2]), "root", deform=False)
    specs = [_turned(spec) for spec in _SIDES if spec.name not in _PULLED] if fk else _SIDES
    sides = [_side(spec, side) for spec in specs for side in "LR"]
    return (root, body, *_SPINE, *sides)


def _turned(spec: BoneSpec) -> BoneSpec:
    return replace(spec, control=True) if spec.name in _TURNED else spec


def _side(spec: BoneSpec, side: str) -> BoneSpec:
    sign = 1.0 if side == "L" else -1.0
    paired = {s.name for s in _SIDES}
    parent = f"{spec.parent}.{side}" if spec.parent in paired else spec.parent
    head = (sign * spec.head[0], *spec.head[1:])
    tail = (sign * spec.tail[0], *spec.tail[1:])
    name = f"{spec.name}.{side}"
    return BoneSpec(name, head, tail, parent, spec.mode, spec.control, spec.deform)


def control_names(cog: Place, *, fk: bool = False) -> tuple[str, ...]:
    """Names of the bones an animator keys."""
    return tuple(spec.name for spec in bone_specs(cog, fk=fk) if spec.control)


def build_rig(cog: Place, *, fk: bool = False) -> bpy.types.Object:
    """Make the armature object ``Hare`` in the current scene, in its rest pose."""
    data = bpy.data.armatures.new("Hare")
    rig = bpy.data.objects.new("Hare", data)
    bpy.context.scene.collection.objects.link(rig)
    bpy.context.view_layer.objects.active = rig
    bpy.ops.object.mode_set(mode="EDIT")
    specs = bone_specs(cog, fk=fk)
    for spec in specs:
        bone = data.edit_bones.new(spec.name)
        bone.head, bone.tail, bone.roll = spec.head, spec.tail, 0.0
        if spec.parent:
            bone.parent = data.edit_bones[spec.parent]
            bone.use_connect = spec.name.rsplit(".", 1)[0] in CONNECTED or spec.name in CONNECTED
        bone.use_deform = spec.deform
        if spec.name not in ("root", "body"):
            # Z forward: a turn about the bone's X axis bends it in the side view.
            bone.align_roll(Vector((0, -1, 0)))
    bpy.ops.object.mode_set(mode="OBJECT")
    _collect(data, specs)
    for spec in specs:
        rig.pose.bones[spec.name].rotation_mode = spec.mode
    for side in "" if fk else "LR":
        _constrain_leg(rig, side)
    _drive_flap(rig)
    _shape_controls(rig, specs)
    rig.show_in_front = True
    return rig


def _collect(data: bpy.types.Armature, specs: tuple[BoneSpec, ...]) -> None:
    controls = data.collections.new("controls")
    deform = data.collections.new("deform")
    mechanism = data.collections.new("mechanism")
    for spec in specs:
        bone = data.bones[spec.name]
        if spec.control:
            controls.assign(bone)
        if spec.deform:
            deform.assign(bone)
        if not (spec.control or spec.deform):
            mechanism.assign(bone)
    deform.is_visible = mechanism.is_visible = False


def _constrain_leg(rig: bpy.types.Object, side: str) -> None:
    reach = rig.pose.bones[f"shin.{side}"].constraints.new("IK")
    reach.target, reach.subtarget = rig, f"ankle.{side}"
    reach.chain_count = 2
    reach.use_stretch = False
    follow = rig.pose.bones[f"foot.{side}"].constraints.new("COPY_ROTATION")
    follow.target, follow.subtarget = rig, f"ankle.{side}"
    for name in (f"thigh.{side}", f"shin.{side}"):
        rig.pose.bones[name].ik_stretch = 0.0


def _drive_flap(rig: bpy.types.Object) -> None:
    satchel = rig.pose.bones["satchel"]
    satchel["flap"] = 0.0
    satchel.id_properties_ui("flap").update(min=0.0, max=1.0, description="How far it is open")
    curve = rig.pose.bones["flap"].driver_add("rotation_euler", 0)
    variable = curve.driver.variables.new()
    variable.name = "flap"
    variable.targets[0].id = rig
    variable.targets[0].data_path = 'pose.bones["satchel"]["flap"]'
    curve.driver.expression = "flap * 1.6"


def _shape_controls(rig: bpy.types.Object, specs: tuple[BoneSpec, ...]) -> None:
    shapes = bpy.data.collections.new("control shapes")
    bpy.context.scene.collection.children.link(shapes)
    shapes.hide_render = shapes.hide_viewport = True
    ring = _outline("shape_ring", 24, 0.5)
    box = _outline("shape_box", 4, 0.5)
    for shape in (ring, box):
        shapes.objects.link(shape)
    sizes = {"root": (box, 0.9), "body": (ring, 0.75), "spine": (ring, 0.36), "chest": (ring, 0.36)}
    for spec in specs:
        if not spec.control:
            continue
        bone = rig.pose.bones[spec.name]
        shape, size = sizes.get(spec.name, (ring, 0.22))
        if spec.name.startswith("paw"):
            shape, size = box, 0.3
        bone.custom_shape = shape
        bone.use_custom_shape_bone_size = False
        bone.custom_shape_scale_xyz = (size, size, size)
        if spec.name not in ("root", "body"):
            bone.custom_shape_rotation_euler = (1.5707963, 0.0, 0.0)
    for name, theme in (("root", "THEME04"), ("body", "THEME09")):
        rig.data.bones[name].color.palette = theme
    for side, theme in (("L", "THEME03"), ("R", "THEME01")):
        rig.data.bones[
            f"paw.{side}" if f"paw.{side}" in rig.data.bones else f"foot.{side}"
        ].color.palette = theme


def _outline(name: str, corners: int, radius: float) -> bpy.types.Object:
    from math import cos, pi, sin

    turn = pi / 4 if corners == 4 else 0.0
    angles = [turn + i * 2 * pi / corners for i in range(corners)]
    points = [(radius * cos(a), radius * sin(a), 0.0) for a in angles]
    mesh = bpy.data.meshes.new(name)
    mesh.from_pydata(points, [(i, (i + 1) % corners) for i in range(corners)], [])
    return bpy.data.objects.new(name, mesh)


def leg_length() -> float:
    """Thigh plus shin, m."""
    return (Vector(KNEE) - Vector(HIP)).length + (Vector(ANKLE) - Vector(KNEE)).length
