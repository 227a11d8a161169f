# SPDX-License-Identifier: GPL-3.0-or-later
"""From a posed rig to a jump that is retimed, checked and fixed, by clicks; saved and reopened."""

from __future__ import annotations

import importlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bpy
from hands import (
    CLICKS,
    WAIT,
    click,
    keys,
    look_for,
    open_tab,
    overridden,
    picture,
    press,
    scroll,
    select,
    type_in,
    undo,
    view,
    widen,
)
from wrong import wrong_jump

SMALL = {"jump_height": 0.5, "push_height": 0.2, "replace": True}
MODULE = "bl_ext.user_default.leapwright"


def hare() -> Any:
    return bpy.data.objects["Hare"]


def rig() -> Any:
    api = importlib.import_module("leapwright_blender")
    return api.rig_of(hare(), bpy.context.scene)


def markers() -> list[Any]:
    return sorted([m.name, m.frame] for m in bpy.context.scene.timeline_markers)


def reopen(path: str) -> Iterator[float]:
    bpy.ops.wm.open_mainfile(filepath=path, load_ui=False)
    yield WAIT
    select("Hare")
    yield from open_tab()


def at_frame(frame: int) -> None:
    """As with the arrow keys: the same for every way of going to a frame, and no click."""
    bpy.context.scene.frame_set(frame)


def first_jump(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """The first correct jump of a posed rig, every click of it counted."""
    shots = asked["shots"]
    yield from picture(shots, "01-opened")
    CLICKS.clear()
    yield from click("leapwright.find_controls")
    settings = hare().leapwright_ask
    seen["controls"] = [settings.root, settings.cog, settings.pelvis, settings.feet]
    yield from click("leapwright.guess_poses")
    settings = hare().leapwright_ask
    seen["posed"] = [list(settings.posed), list(settings.pose_frames)]
    seen["measured"] = json.loads(hare().leapwright_ask.measured)
    yield from picture(shots, "02-poses")
    yield from scroll(down=True)
    yield from enter_height("0.85")
    seen["height_entered"] = hare().leapwright_ask.jump_height
    yield from picture(shots, "03-jump")
    before = keys(hare())
    yield from click("leapwright.block", upwards=True)
    seen["clicks"] = [c for c in CLICKS if c]
    seen["blocked"], seen["before_block"] = keys(hare()), before
    seen["markers"] = markers()
    yield 3.0
    yield from picture(shots, "04-blocked")


def enter_height(text: str) -> Iterator[float]:
    """Open the field of the jump height with a click, and type."""
    window, _, _ = view()
    x, y = yield from look_for("leapwright_ask.jump_height", across=0.7)
    yield from press(window, x, y, on="leapwright_ask.jump_height")
    yield from type_in(text)


def by_python(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """The same through Python, on the file as it was: keys to hold against."""
    yield from reopen(asked["file"])
    entered = seen["height_entered"]
    poses = {"start": 1, "crouch": 2, "takeoff": 3, "apex": 4, "land": 5, "low": 6, "end": 7}
    names = {"root": "root", "cog": "body", "feet": ["paw.L", "paw.R"]}
    rig().block(poses=poses, jump_height=entered, **names)
    seen["api_blocked"] = keys(hare())
    rig().retime(snappiness=1.5, **names)
    seen["api_retimed"] = keys(hare())
    seen["api_checked"] = rig().check(**names).to_json()
    seen["api_fix"] = hasattr(rig(), "fix")


def after_it(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """Undo, redo, retime, check, fix, save, reopen, block again."""
    shots = asked["shots"]
    yield from undo()
    seen["undone"], seen["markers_undone"] = keys(hare()), markers()
    with overridden():
        bpy.ops.ed.redo()
    yield WAIT
    seen["redone"] = keys(hare())
    yield from scroll(down=True)
    yield from fold("Retime")
    hare().leapwright_retime.snappiness = 1.5
    with overridden():
        bpy.ops.ed.undo_push(message="Snappiness")
    view()[1].tag_redraw()
    yield 1.5
    yield from scroll(down=True)
    yield from picture(shots, "05-retime")
    yield from click("leapwright.retime", upwards=True)
    yield 2.0
    seen["retimed"] = keys(hare())
    seen["snappiness_after"] = hare().leapwright_retime.snappiness
    yield from picture(shots, "06-retimed")
    yield from fold("Retime")
    yield from fold("Check")
    yield from scroll(down=True)
    yield from click("leapwright.check", upwards=True)
    yield 1.0
    seen["checked"] = json.loads(hare().leapwright_check.result)
    seen["keys_after_check"] = keys(hare()) == seen["retimed"]
    yield from picture(shots, "07-checked")
    path = str(Path(asked["seen"]).parent / "saved.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path, check_existing=False)
    yield from reopen(path)
    seen["reopened"] = keys(hare())
    settings = hare().leapwright_ask
    seen["settings_reopened"] = [settings.jump_height, list(settings.posed)]
    with overridden():
        bpy.ops.ed.undo_push(message="reopened")
        bpy.ops.leapwright.block("INVOKE_DEFAULT", True, again=True, jump_height=1.2)
    yield WAIT
    seen["blocked_again"] = keys(hare())
    yield from undo()
    rig().block_again(jump_height=1.2000000476837158)
    seen["api_blocked_again"] = keys(hare())


def fold(title: str) -> Iterator[float]:
    """Click the header of a closed panel below Jump, or of the first one: lines below a button."""
    window, _, _ = view()
    scale = bpy.context.preferences.system.ui_scale
    yield from scroll(down=True)
    yield 2.0
    x, y = yield from look_for("leapwright.spline", upwards=True)
    down = 34 + 28 * ("Retime", "Check", "Display").index(title)
    yield from press(window, x - 40, y - round(down * scale), on=f"header of {title}")
    view()[1].tag_redraw()
    yield 1.0


def broken(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """A jump with default handles: found wrong, looked at, fixed, and one finding is meant."""
    shots = asked["shots"]
    yield from reopen(asked["file"])
    wrong_jump(hare())
    with overridden():
        bpy.ops.ed.undo_push(message="wrong jump")
    yield from scroll(down=True)
    try:
        yield from look_for("leapwright.check", upwards=True)
    except AssertionError:
        yield from fold("Check")
        yield from scroll(down=True)
    yield from click("leapwright.check", upwards=True)
    yield 2.0
    seen["wrong_checked"] = json.loads(hare().leapwright_check.result)
    yield from scroll(down=True)
    yield from picture(shots, "08-findings")
    at_frame(1)
    yield from click("leapwright.go_to_finding", across=0.16)
    seen["went_to"] = bpy.context.scene.frame_current
    seen["active"] = hare().leapwright_check.active
    yield from scroll(down=True)
    yield from picture(shots, "09-finding")
    before = keys(hare())
    yield from click("leapwright.fix", upwards=True)
    yield 2.0
    seen["fixed_changed"] = keys(hare()) != before
    seen["fixed_checked"] = json.loads(hare().leapwright_check.result)
    yield from picture(shots, "10-fixed")
    yield from undo()
    seen["fix_undone"] = keys(hare()) == before


def gone(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """Undo past a rig's creation, delete one, load another file, with the tab open all the time."""
    tracking = importlib.import_module(f"{MODULE}.tracking")
    yield from reopen(asked["file"])
    with overridden():
        bpy.ops.ed.undo_push(message="opened")
        bpy.ops.object.mode_set(mode="OBJECT")
        bpy.ops.ed.undo_push(message="object mode")
        bpy.ops.object.armature_add()
        bpy.ops.ed.undo_push(message="added")
    view()[1].tag_redraw()
    yield 1.0
    yield from undo(2)
    select("Hare", mode="OBJECT")
    with overridden():
        bpy.ops.leapwright.block("INVOKE_DEFAULT", True, **SMALL)
    yield 2.5
    seen["shown_before"] = len(tracking.SHOWN)
    bpy.data.objects.remove(hare())
    view()[1].tag_redraw()
    yield 1.5
    bpy.ops.wm.open_mainfile(filepath=asked["file"], load_ui=False)
    yield 1.0
    seen["shown_after_load"] = len(tracking.SHOWN)
    select("Hare")
    with overridden():
        bpy.ops.leapwright.block("INVOKE_DEFAULT", True, **SMALL)
    # In the middle of measuring.
    yield 0.1
    bpy.ops.wm.read_homefile(use_empty=False)
    yield 1.0
    view()[1].tag_redraw()
    yield 1.0


def steps(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    yield from reopen(asked["file"])
    yield from widen(260)
    with overridden():
        bpy.ops.view3d.view_axis(type="FRONT")
        bpy.ops.view3d.view_selected()
    yield from first_jump(asked, seen)
    yield from after_it(asked, seen)
    yield from by_python(asked, seen)


def more_steps(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    yield from broken(asked, seen)
    yield from gone(asked, seen)
