# SPDX-License-Identifier: GPL-3.0-or-later
"""A jump as it is commonly wrong: keys at the moments alone, eased by the host."""

from __future__ import annotations

from typing import Any


def wrong_jump(rig: Any) -> None:
    """Key body and paws of the hare: crouch, take-off, apex, land, low, nothing between."""
    rig.animation_data_clear()
    for bone in rig.pose.bones:
        bone.matrix_basis.identity()
    body = rig.pose.bones["body"]
    paws = [rig.pose.bones[n] for n in ("paw.L", "paw.R")]
    for frame, height, paw in (
        (1, 0.0, 0.0), (10, -0.2, 0.0), (14, 0.05, 0.0), (24, 0.7, 0.6), (34, 0.05, 0.0),
        (39, -0.15, 0.0), (50, 0.0, 0.0),
    ):  # fmt: skip
        for bone, up in ((body, height), *((p, paw) for p in paws)):
            bone.location = (0, 0, up)
            bone.keyframe_insert("location", frame=frame)
