# SPDX-License-Identifier: GPL-3.0-or-later
"""Build the sample files: ``python blend_samples/build.py [--out DIR]``.

Needs bpy; the shipped files were saved with bpy 4.2 so that every later version reads them.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from math import pi
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import bpy  # noqa: E402
import hare_hops  # noqa: E402
import hare_mesh  # noqa: E402
import hare_poses  # noqa: E402
import hare_rig  # noqa: E402
import market  # noqa: E402
import objects  # noqa: E402

Rig = bpy.types.Object
FPS = 24


def empty_scene() -> bpy.types.Scene:
    """A bare scene: 24 frames a second, metres, Cycles on the CPU with few samples."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    bpy.context.preferences.filepaths.save_version = 0
    scene = bpy.context.scene
    scene.render.fps, scene.render.fps_base = FPS, 1.0
    scene.unit_settings.system, scene.unit_settings.scale_length = "METRIC", 1.0
    scene.frame_start, scene.frame_end = 1, 48
    scene.frame_set(1)
    scene.render.engine = "CYCLES"
    scene.cycles.device, scene.cycles.samples = "CPU", 12
    scene.cycles.seed, scene.cycles.max_bounces = 0, 2
    scene.cycles.use_denoising = True
    scene.cycles.denoising_input_passes = "RGB"  # nearly as good, and much quicker
    scene.render.resolution_x, scene.render.resolution_y = 960, 768
    scene.render.resolution_percentage = 50
    return scene


def add_hare(*, fk: bool = False) -> tuple[Rig, tuple[str, ...]]:
    """The skinned hare at the origin, in its rest pose; and the names of its controls."""
    parts = hare_mesh.build_parts()
    centre = hare_mesh.centre_of_gravity(parts)
    cog = (0.0, round(float(centre[1]), 3), round(float(centre[2]), 3))
    rig = hare_rig.build_rig(cog, fk=fk)
    hare_mesh.build_mesh(parts, rig)
    return rig, hare_rig.control_names(cog, fk=fk)


def build_hare_market() -> dict[str, Any]:
    """The hare in the night market, seven poses keyed on frames 1 to 7."""
    scene = empty_scene()
    rig, controls = add_hare()
    rig.rotation_euler = (0.0, 0.0, pi / 2)  # faces -Y, jumps along +X
    market.build_market()
    hare_poses.key_poses(rig, controls)
    numbers = {**rig_numbers(rig, controls), **pose_numbers(scene, rig)}
    scene.frame_set(1)
    return numbers


def build_hare() -> dict[str, Any]:
    """The hare alone on a plain floor, at rest, without an action."""
    scene = empty_scene()
    rig, controls = add_hare()
    objects.add_floor()
    _daylight()
    objects.add_camera((-6.0, -3.0, 1.6), (0.0, 0.0, 0.9), width=2.4)
    scene.frame_set(1)
    return rig_numbers(rig, controls)


def build_hare_first_hops() -> dict[str, Any]:
    """A hare with FK legs on its first four hops over crates, keyed at crouch, apex and low."""
    scene = empty_scene()
    scene.frame_end = hare_hops.HOPS[-1].frame
    rig, controls = add_hare(fk=True)
    rig.rotation_euler = (0.0, 0.0, pi / 2)  # faces -Y, hops along +X
    objects.add_floor()
    hare_hops.add_crates()
    _daylight()
    objects.add_camera((1.3, -9.0, 1.3), (1.3, 0.0, 0.85), width=4.2)
    hare_hops.key_hops(rig, controls)
    scene.frame_set(1)
    numbers = rig_numbers(rig, controls)
    return {**numbers, "fps": FPS, "hops": hare_hops.hop_numbers()}


def build_crate() -> dict[str, Any]:
    """A bare crate at rest on a plain floor."""
    empty_scene()
    high = objects.CRATE_SIZE[2]
    objects.add("Crate", objects.crate_mesh(), at=(0.0, 0.0, high / 2))
    return _bare("Crate", objects.CRATE_SIZE)


def build_ball() -> dict[str, Any]:
    """A ball at rest on a plain floor."""
    empty_scene()
    objects.add_ball()
    return _bare("Ball", (2 * objects.BALL_RADIUS,) * 3)


def _bare(name: str, size: tuple[float, float, float]) -> dict[str, Any]:
    objects.add_floor()
    _daylight()
    objects.add_camera((0.0, -6.0, 1.6), (0.0, 0.0, 0.6), width=3.0)
    thing = bpy.data.objects[name]
    return {"object": name, "size_m": _rounded(size), "origin_m": _rounded(thing.location)}


def _daylight() -> None:
    objects.set_world((0.35, 0.42, 0.55), 0.7)
    objects.add_light(
        "Sun",
        "SUN",
        (-3.0, -4.0, 6.0),
        (0.0, 0.0, 0.0),
        colour=(1.0, 0.95, 0.88),
        power=2.6,
        size=0.1,
    )


def rig_numbers(rig: Rig, controls: tuple[str, ...]) -> dict[str, Any]:
    """What a reader of the rig should find."""
    bones = rig.data.bones
    mesh = bpy.data.objects["Hare_mesh"].data
    fk = "paw.L" not in bones
    return {
        "rig": rig.name,
        "mesh": "Hare_mesh",
        "mesh_vertices": len(mesh.vertices),
        "bones": len(bones),
        "root": "root",
        "cog_control": "body",
        "pelvis": "pelvis",
        "foot_controls": [] if fk else ["paw.L", "paw.R"],
        "foot_bones": ["foot.L", "foot.R"],
        "controls": list(controls),
        "legs": "FK" if fk else "IK",
        "thigh_m": round(bones["thigh.L"].length, 5),
        "shin_m": round(bones["shin.L"].length, 5),
        "leg_m": round(hare_rig.leg_length(), 5),
        "cog_rest_m": _rounded(bones["body"].head_local),
    }


def pose_numbers(scene: bpy.types.Scene, rig: Rig) -> dict[str, Any]:
    """Measured in the evaluated scene: where COG control and feet are in each posed frame."""
    poses = []
    for frame, pose in enumerate(hare_poses.POSES, start=1):
        scene.frame_set(frame)
        view = rig.evaluated_get(bpy.context.evaluated_depsgraph_get())
        places = {b.name: view.matrix_world @ b.head for b in view.pose.bones}
        hip_ankle = {}
        for side in "LR":
            ankle = view.matrix_world @ view.pose.bones[f"paw.{side}"].tail
            hip_ankle[side] = round((ankle - places[f"thigh.{side}"]).length, 4)
        poses.append(
            {
                "moment": pose.moment,
                "frame": frame,
                "cog_m": _rounded(places["body"]),
                "root_m": _rounded(places["root"]),
                "paw_L_m": _rounded(places["paw.L"]),
                "paw_R_m": _rounded(places["paw.R"]),
                "hip_to_ankle_m": hip_ankle,
            }
        )
    at = {p["moment"]: p["cog_m"] for p in poses}
    root = {p["moment"]: p["root_m"] for p in poses}
    return {
        "fps": FPS,
        "heading": [1.0, 0.0, 0.0],
        "pose_frames": {p["moment"]: p["frame"] for p in poses},
        "push_height_m": round(at["take-off"][2] - at["crouch"][2], 4),
        "landing_level_m": round(at["land"][2] - at["take-off"][2], 4),
        "travel_m": round(at["land"][0] - at["take-off"][0], 4),
        "foot_travel_m": round(root["land"][0] - root["take-off"][0], 4),
        "stack_top_m": hare_poses.STACK_HEIGHT,
        "awning_height_m": market.AWNING_HEIGHT,
        "poses": poses,
    }


def _rounded(values: Any) -> list[float]:
    return [round(float(v), 4) + 0.0 for v in values]


BUILDERS = {
    "hare_market": build_hare_market,
    "hare": build_hare,
    "hare_first_hops": build_hare_first_hops,
    "crate": build_crate,
    "ball": build_ball,
}


def main() -> int:
    """Build all samples and the numbers expected of them; say what was written."""
    parser = argparse.ArgumentParser(description="Build the sample files.")
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write to")
    folder = parser.parse_args().out.resolve()
    folder.mkdir(parents=True, exist_ok=True)
    expected = {}
    for name, build in BUILDERS.items():
        expected[f"{name}.blend"] = build()
        path = folder / f"{name}.blend"
        bpy.ops.wm.save_as_mainfile(filepath=str(path), compress=True)
        print(f"{path.name}: {path.stat().st_size // 1024} kB", file=sys.stderr)
    text = json.dumps(expected, indent=1, sort_keys=True) + "\n"
    (folder / "expected.json").write_text(text, encoding="utf-8", newline="\n")
    return 0


if __name__ == "__main__":
    status = main()
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(status)  # bpy may crash while it shuts down
