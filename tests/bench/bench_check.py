# SPDX-License-Identifier: GPL-3.0-or-later
"""What a check of a shot costs, against stepping through its frames without looking."""

from __future__ import annotations

import statistics
import sys
from pathlib import Path

from figures import Figure, seconds

__all__ = ["bench_check"]

TESTS = Path(__file__).parents[1]
FRAMES = 250
ROUNDS = 5
SOURCES = ("segments", "control")


def bench_check() -> list[Figure]:
    """Check a jump of the generated human in a shot of 250 frames."""
    import bpy

    sys.path.insert(0, str(TESTS))
    try:
        from blender.generated import human
    finally:
        sys.path.remove(str(TESTS))
    from leapwright_blender import rig_of

    obj = human()
    scene = bpy.context.scene
    rig = rig_of(obj, scene)
    rig.block(
        rise_frames=10,
        push_height=0.25,
        anticipation_frames=107,
        recover_frames=FRAMES - 138,
        crouch_hold_frames=4,
        pins={"crouch": 112},
    )

    def bare() -> None:
        for frame in range(1, FRAMES + 1):
            scene.frame_set(frame)

    spent: dict[str, list[float]] = {"": []} | {source: [] for source in SOURCES}
    for _ in range(ROUNDS):
        spent[""].append(seconds(bare))
        for source in SOURCES:
            spent[source].append(seconds(lambda source=source: rig.check(cog_from=source)))
    floor = statistics.median(spent.pop(""))
    return [
        Figure(
            f"check, COG from {source}",
            statistics.median(times) / floor,
            "×",
            "bare frame_set over the same frames",
            at_most=1.25,
            note=f"the generated human, {FRAMES} frames: {statistics.median(times):.2f} s",
        )
        for source, times in spent.items()
    ]
