# SPDX-License-Identifier: GPL-3.0-or-later
"""A recorded skeleton for tests: a BVH file written by script, through the bundled importer."""

from __future__ import annotations

import tempfile
import warnings
from pathlib import Path
from typing import Any

import addon_utils
import bpy

__all__ = ["bvh_hare", "bvh_text"]

Place = tuple[float, float, float]

_BVH_JOINTS: dict[str, tuple[str, Place]] = {
    "Hips": ("", (0, 50, 0)),
    "Spine": ("Hips", (0, 10, 0)),
    "Neck": ("Spine", (0, 18, 0)),
    "Head": ("Neck", (0, 4, 0)),
    "LeftArm": ("Spine", (14, 16, 0)),
    "LeftForeArm": ("LeftArm", (0, -12, 0)),
    "LeftHand": ("LeftForeArm", (0, -10, 2)),
    "RightArm": ("Spine", (-14, 16, 0)),
    "RightForeArm": ("RightArm", (0, -12, 0)),
    "RightHand": ("RightForeArm", (0, -10, 2)),
    "LeftUpLeg": ("Hips", (10, -2, 0)),
    "LeftLeg": ("LeftUpLeg", (0, -20, 5)),
    "LeftFoot": ("LeftLeg", (0, -20, -6)),
    "LeftToes": ("LeftFoot", (0, -6, 12)),
    "RightUpLeg": ("Hips", (-10, -2, 0)),
    "RightLeg": ("RightUpLeg", (0, -20, 5)),
    "RightFoot": ("RightLeg", (0, -20, -6)),
    "RightToes": ("RightFoot", (0, -6, 12)),
}
_BVH_TURNS = "CHANNELS 3 Zrotation Xrotation Yrotation"


def bvh_text() -> str:
    """A skeleton of 18 joints in centimetres, Y up, that crouches and hops once in 13 frames."""
    lines = ["HIERARCHY", *_bvh_joint("Hips", 0)]
    heights = [50, 46, 40, 36, 46, 60, 66, 68, 66, 60, 44, 38, 50]
    bends = [0, 12, 30, 40, 20, 0, 5, 10, 5, 0, 25, 35, 0]
    lines += ["MOTION", f"Frames: {len(heights)}", "Frame Time: 0.0416667"]
    for number, (height, bend) in enumerate(zip(heights, bends, strict=True)):
        row = [0.0, height, 2.0 * number]
        for joint in _in_order("Hips"):
            turn = {"UpLeg": -bend, "Leg": 2 * bend, "Foot": -bend}
            part = joint.removeprefix("Left").removeprefix("Right")
            row += [0.0, turn.get(part, 0.0), 0.0]
        lines.append(" ".join(f"{value:g}" for value in row))
    return "\n".join(lines) + "\n"


def _in_order(joint: str) -> list[str]:
    below = [name for name, (parent, _) in _BVH_JOINTS.items() if parent == joint]
    return [joint, *(name for child in below for name in _in_order(child))]


def _bvh_joint(joint: str, depth: int) -> list[str]:
    parent, offset = _BVH_JOINTS[joint]
    tab = "\t" * depth
    below = [name for name, (above, _) in _BVH_JOINTS.items() if above == joint]
    turns = _BVH_TURNS if parent else f"CHANNELS 6 Xposition Yposition Zposition {_BVH_TURNS[11:]}"
    inner = [f"OFFSET {offset[0]:g} {offset[1]:g} {offset[2]:g}", turns]
    lines = [f"{tab}{'JOINT' if parent else 'ROOT'} {joint}", tab + "{"]
    lines += [f"{tab}\t{line}" for line in inner]
    for child in below:
        lines += _bvh_joint(child, depth + 1)
    if not below:
        lines += [f"{tab}\tEnd Site", f"{tab}\t{{", f"{tab}\t\tOFFSET 0 0 4", f"{tab}\t}}"]
    return [*lines, tab + "}"]


def bvh_hare() -> Any:
    """`bvh_text` through the bundled importer, in centimetres."""
    addon_utils.enable("io_anim_bvh", default_set=True)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "Hop.bvh"
        path.write_text(bvh_text(), encoding="ascii")
        with warnings.catch_warnings():
            # The importer leaves its file open.
            warnings.simplefilter("ignore", ResourceWarning)
            bpy.ops.import_anim.bvh(filepath=str(path), rotate_mode="NATIVE")
    return bpy.context.object
