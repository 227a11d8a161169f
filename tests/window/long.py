# SPDX-License-Identifier: GPL-3.0-or-later
"""Work that takes long: how far it is, that the window lives meanwhile, and that Esc stops it."""

from __future__ import annotations

import contextlib
import importlib
import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import bpy
from hands import WAIT, key, keys, open_tab, overridden, picture, select, undo
from work import MODULE, hare, rig

PATIENCE = 120.0
LONG = {
    "jump_height": 0.9,
    "anticipation_frames": 160,
    "cog_from": "mesh",
    "replace": True,
}


def state() -> dict[str, Any]:
    """All that an operator that was stopped must not have changed."""
    return {
        "keys": keys(hare()),
        "action": hare().animation_data.action.name,
        "actions": sorted(a.name for a in bpy.data.actions),
        "scenes": sorted(s.name for s in bpy.data.scenes),
        "objects": sorted(o.name for o in bpy.data.objects),
        "remembered": hare().get("leapwright"),
        "pose": [[*b.location, *b.rotation_quaternion] for b in hare().pose.bones],
        "frame": bpy.context.scene.frame_current,
        "markers": sorted([m.name, m.frame] for m in bpy.context.scene.timeline_markers),
        "checked": json.loads(hare().leapwright_check.result or "null"),
    }


def working() -> Any:
    return importlib.import_module(f"{MODULE}.working")


def begin(name: str, **values: Any) -> set[str]:
    """As a click on its button does."""
    with overridden():
        said: set[str] = getattr(bpy.ops.leapwright, name)("INVOKE_DEFAULT", **values)
    return said


def ended() -> Iterator[float]:
    """Wait for what goes on; give the longest time that the window did nothing else, s."""
    longest, until = 0.0, time.monotonic() + PATIENCE
    while working().is_working():
        before = time.monotonic()
        yield 0.0
        longest = max(longest, time.monotonic() - before)
        assert time.monotonic() < until, "it does not end"
    yield WAIT
    return longest


def stopped_by(
    seen: dict[str, Any], name: str, ask: dict[str, Any], how: Callable[[], Iterator[float]]
) -> Iterator[float]:
    """Stop it in the middle; note what was before and after."""
    was, said = state(), begin(name, **ask)
    shares = []
    for _ in range(3):
        yield 0.05
        shares += [now.at.share for now in working()._NOW]
    before = time.monotonic()
    yield from how()
    until = before + PATIENCE
    while working().is_working():
        assert time.monotonic() < until, "it does not stop"
        yield 0.01
    yield WAIT
    seen.append({
        "said": sorted(said),
        "shares": shares,
        "same": {name: was[name] == now for name, now in state().items()},
    })  # fmt: skip


def escape() -> Iterator[float]:
    yield from key("ESC")


def save_there(path: Path) -> Callable[[], Iterator[float]]:
    def save() -> Iterator[float]:
        bpy.ops.wm.save_as_mainfile(filepath=str(path), copy=True)
        yield WAIT

    return save


def keys_saved(path: Path) -> Any:
    """The keys of the hare in another file, and the actions that are there."""
    with bpy.data.libraries.load(str(path)) as (there, here):
        names = list(there.actions)
        here.objects = ["Hare"]
    (other,) = here.objects
    saved = keys(other)
    bpy.data.objects.remove(other)
    bpy.data.orphans_purge(do_recursive=True)
    return {"keys": saved, "actions": len(names)}


def steps(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    bpy.ops.wm.open_mainfile(filepath=asked["file"], load_ui=False)
    yield WAIT
    select("Hare")
    yield from open_tab()
    with overridden():
        bpy.ops.leapwright.guess_poses()
        bpy.ops.leapwright.block(**{**LONG, "cog_from": "automatic"})
        bpy.ops.ed.undo_push(message="blocked")
    yield WAIT
    stopped: list[Any] = []
    seen["stopped"] = stopped
    yield from stopped_by(stopped, "check", {}, escape)
    yield from stopped_by(stopped, "block", {**LONG, "jump_height": 0.7}, escape)
    yield from stopped_by(stopped, "plan", {**LONG, "jump_height": 0.7}, escape)
    before = keys(hare())
    copy = Path(asked["seen"]).with_name("meanwhile.blend")
    actions = len([a for a in bpy.data.actions if not a.library])
    yield from stopped_by(stopped, "block", {**LONG, "jump_height": 0.7}, save_there(copy))
    seen["meanwhile"] = {**keys_saved(copy), "were": before, "actions_were": actions}
    # To the end: progress is shown, and the keys are those of the API.
    seen["long"] = {"said": sorted(begin("block", **{**LONG, "jump_height": 0.7}))}
    yield from picture(asked["shots"], "30-working")
    seen["long"]["pause"] = yield from ended()
    seen["long"]["keys"] = keys(hare())
    yield from undo()
    seen["long"]["undone"] = keys(hare()) == before
    rig().block(poses={**_posed()}, **{**LONG, "jump_height": 0.7})
    seen["long"]["api"] = keys(hare())
    said = begin("check")
    pause = yield from ended()
    checked = json.loads(hare().leapwright_check.result)
    seen["checked"] = {
        "said": sorted(said),
        "pause": pause,
        "same": checked == json.loads(json.dumps(rig().check(cog_from="mesh").to_json())),
    }
    # Another one begins while it works: the first gives way.
    begin("check")
    yield 0.1
    hare().leapwright_check.result = ""
    seen["second"] = {"said": sorted(begin("check"))}
    yield from ended()
    seen["second"]["same"] = json.loads(hare().leapwright_check.result) == checked
    # A script takes the rig away while it works.
    bpy.ops.ed.undo_push(message="before")
    seen["gone"] = {"said": sorted(begin("check"))}
    yield 0.1
    bpy.data.objects.remove(hare())
    yield from ended()
    seen["gone"]["scenes"] = bpy.data.scenes.keys()
    bpy.ops.wm.open_mainfile(filepath=asked["file"], load_ui=False)
    yield WAIT
    select("Hare")
    with overridden():
        bpy.ops.leapwright.guess_poses()
        bpy.ops.leapwright.block(jump_height=0.9, anticipation_frames=160)
    # A load while it works.
    seen["loaded"] = {"said": sorted(begin("check"))}
    yield 0.1
    bpy.ops.wm.open_mainfile(filepath=asked["file"], load_ui=False)
    yield WAIT
    seen["loaded"]["working"] = working().is_working()
    with contextlib.suppress(RuntimeError):
        select("Hare")
    yield WAIT


def _posed() -> dict[str, float]:
    moments = importlib.import_module(f"{MODULE}.moments").MOMENTS
    settings = hare().leapwright_ask
    return {
        name: float(frame)
        for name, posed, frame in zip(moments, settings.posed, settings.pose_frames, strict=True)
        if posed
    }
