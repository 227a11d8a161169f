# SPDX-License-Identifier: GPL-3.0-or-later
"""Every verb in steps: stopped anywhere it leaves no trace, to its end it is the verb itself."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path
from typing import Any

import bpy
import pytest

from blender import rigs
from blender.state import state
from leapwright_blender import open_shot, rig_of, store
from leapwright_blender.steps import Step, held

pytestmark = pytest.mark.thorough

SAMPLES = Path(__file__).parents[2] / "blend_samples"
STOPS = (1, 2, 5, 14, 40, 100)
"""After how many steps a verb is stopped."""


@pytest.fixture(autouse=True)
def _undo_stays_on() -> Iterator[None]:
    """Opening a shot switches the host's undo off: other tests undo."""
    yield
    bpy.context.preferences.edit.use_global_undo = True


def scene() -> Any:
    return bpy.context.scene


def blocked(kind: str, **ask: Any) -> Any:
    bpy.ops.wm.read_homefile(use_empty=True)
    rig = rigs.build(kind)
    rigs.skin(rig)
    scene().render.fps = 24
    first = {"jump_height": 0.6, "push_height": 0.2, "travel": 0.8, **ask}
    rig_of(rig, scene()).block(**first)
    head = rig.pose.bones["head"]
    for frame in (4, 12, 17):
        head.rotation_mode = "XYZ"
        head.rotation_euler = (0.03 * frame, 0.0, 0.0)
        head.keyframe_insert("rotation_euler", frame=frame)
    return rig


def hare() -> Any:
    return blocked("hare with IK feet")


def fk_hare() -> Any:
    return blocked("hare with FK legs")


def stepped_hare() -> Any:
    return blocked("hare with FK legs", stepped=True)


def first_hops() -> Any:
    open_shot(SAMPLES / "hare_first_hops.blend")
    return bpy.data.objects["Hare"]


AGAIN = {"jump_height": 0.8, "replace": True, "cog_from": "mesh"}
VERBS: dict[str, tuple[Callable[[], Any], Callable[[Any], Any]]] = {
    "block": (hare, lambda rig: rig.block_again(**AGAIN)),
    "block on FK legs": (fk_hare, lambda rig: rig.block_again(**AGAIN)),
    "block dry": (fk_hare, lambda rig: rig.block_again(**AGAIN, dry_run=True)),
    "spline": (stepped_hare, lambda rig: rig.spline(legs=True)),
    "retime": (hare, lambda rig: rig.retime(snappiness=1.5)),
    "resize": (fk_hare, lambda rig: rig.resize(times_height=1.4)),
    "check": (hare, lambda rig: rig.check(cog_from="mesh")),
    "fix": (first_hops, lambda rig: rig.fix(jump=1)),
    "keep on arc": (hare, lambda rig: rig.keep_on_arc(cog_from="mesh")),
    "intended": (hare, lambda rig: rig.mark_intended("gravity@1", "the moon")),
    "source": (hare, lambda rig: rig.cog_source("mesh")),
}


def everything(rig: Any) -> dict[str, Any]:
    return {
        **state(rig),
        "objects": bpy.data.objects.keys(),
        "meshes": bpy.data.meshes.keys(),
        "remembered": store.text_of(rig),
        "markers": sorted((m.name, m.frame) for m in scene().timeline_markers),
        "hidden": [o.hide_viewport for o in bpy.data.objects],
    }


def told(result: Any) -> Any:
    return result.to_json() if hasattr(result, "to_json") else result


@pytest.mark.parametrize("name", VERBS)
def test_stopped_anywhere_it_leaves_no_trace(name: str) -> None:
    build, verb = VERBS[name]
    rig = build()
    handle = rig_of(rig, scene(), runner=held)
    before = everything(rig)
    stopped = 0
    for stop in STOPS:
        steps, shares = verb(handle), []
        for step in islice(steps, stop):
            assert isinstance(step, Step)
            assert step.words
            shares.append(step.share)
        if len(shares) < stop:
            break
        steps.close()
        assert everything(rig) == before, f"stopped at {stop}: {step}"
        assert shares == sorted(shares), shares
        assert shares[0] >= 0
        assert shares[-1] <= 1
        stopped += 1
    assert stopped >= 2 or name == "intended"


@pytest.mark.parametrize("name", ["block on FK legs", "retime", "check"])
def test_step_by_step_it_is_the_verb_itself(name: str) -> None:
    build, verb = VERBS[name]
    rig = build()
    at_once = told(verb(rig_of(rig, scene())))
    want = everything(rig)
    rig = build()
    result: list[Any] = []

    def to_the_end() -> Any:
        result.append((yield from verb(rig_of(rig, scene(), runner=held))))

    assert len(list(to_the_end())) > 2
    assert told(result[0]) == at_once
    now = everything(rig)
    same = ("actions", "remembered", "markers", "frame", "scenes", "objects", "meshes")
    assert {name: now[name] for name in same} == {name: want[name] for name in same}
