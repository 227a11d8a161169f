# SPDX-License-Identifier: GPL-3.0-or-later
"""From a posed rig to a jump that is adjusted, saved, reopened, retimed, checked: by hand."""

from __future__ import annotations

import importlib
import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import bpy
from hands import (
    CLICKS,
    WAIT,
    click,
    key,
    keys,
    look_for,
    move,
    open_tab,
    overridden,
    picture,
    press,
    redo,
    rest,
    scroll,
    select,
    sidebar,
    type_in,
    under_mouse,
    undo,
    view,
    wait_for,
    widen,
)
from popups import change_in_popup, change_last, unfold_last

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
    yield from wait_for(lambda: keys(hare()) != before)
    seen["clicks"] = [c for c in CLICKS if c]
    seen["blocked"], seen["before_block"] = keys(hare()), before
    seen["markers"] = markers()
    yield from picture(shots, "04-blocked")


def enter_height(text: str) -> Iterator[float]:
    """Open the field of the jump height with a click, and type."""
    x, y = yield from look_for("leapwright_ask.jump_height", across=0.7)
    yield from press(x, y, on="leapwright_ask.jump_height")
    yield from type_in(text)


def adjusted(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """Another height after the fact, in the panel of the last operation; undo and redo by keys."""
    shots = asked["shots"]
    yield from unfold_last()
    yield from picture(shots, "04a-last-operation")
    yield from change_last("0.85", "1.2")
    yield from wait_for(lambda: keys(hare()) != seen["blocked"])
    seen["adjusted"], seen["height_adjusted"] = keys(hare()), hare().leapwright_ask.jump_height
    yield from picture(shots, "04b-adjusted")
    yield from undo()
    seen["undone"], seen["markers_undone"] = keys(hare()), markers()
    yield from redo()
    seen["redone"] = keys(hare())
    yield from undo()
    # The same once more where the mouse is, by F9; then back to the first height.
    yield from scroll(down=True)
    yield from click("leapwright.block", upwards=True)
    yield from wait_for(lambda: keys(hare()) != seen["before_block"])
    seen["blocked_after_undo"] = keys(hare())
    yield from rest()
    yield from key("F9")
    yield WAIT
    yield from picture(shots, "04c-last-operation-at-mouse")
    yield from change_in_popup("0.85", "1.2")
    yield from wait_for(lambda: keys(hare()) != seen["blocked"])
    seen["adjusted_at_mouse"] = keys(hare())
    yield from key("ESC")
    yield from undo()
    yield from click("leapwright.block", upwards=True)
    yield from wait_for(lambda: keys(hare()) != seen["before_block"])


def saved(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """Ctrl-S; from the file as it was saved Block gives the same keys again."""
    yield from rest()
    before = Path(asked["file"]).stat().st_mtime_ns
    yield from key("S", ctrl=True)
    yield from wait_for(lambda: Path(asked["file"]).stat().st_mtime_ns != before)
    yield from reopen(asked["file"])
    seen["reopened"] = keys(hare())
    seen["settings_reopened"] = [
        hare().leapwright_ask.jump_height,
        list(hare().leapwright_ask.posed),
    ]
    with overridden():
        bpy.ops.ed.undo_push(message="opened")
    yield from scroll(down=True)
    yield from enter_height("1.0")
    yield from click("leapwright.block", upwards=True)
    yield from wait_for(lambda: keys(hare()) != seen["blocked"])
    seen["blocked_reopened_otherwise"] = keys(hare()) != seen["blocked"]
    yield from enter_height("0.85")
    yield from click("leapwright.block", upwards=True)
    yield from wait_for(lambda: keys(hare()) == seen["blocked"], 10)
    seen["blocked_reopened"] = keys(hare())


def after_it(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """Retime, check, block again."""
    shots = asked["shots"]
    yield from unfold("Retime")
    yield from enter_snappiness("1.5")
    yield from picture(shots, "05-retime")
    shown = importlib.import_module(f"{MODULE}.retiming").told(hare(), bpy.context.scene)
    seen["retime_shown"] = [list(row) for row in (*shown.phases, *shown.moments)]
    before = keys(hare())
    yield from click("leapwright.retime", upwards=True)
    yield from wait_for(lambda: keys(hare()) != before)
    seen["retimed"] = keys(hare())
    seen["retimed_moments"] = moments()
    seen["snappiness_after"] = hare().leapwright_retime.snappiness
    yield from picture(shots, "06-retimed")
    yield from undo()
    seen["retime_undone"] = keys(hare()) == before
    yield from redo()
    seen["retime_redone"] = keys(hare()) == seen["retimed"]
    yield from fold("Retime")
    yield from unfold("Check")
    yield from click("leapwright.check", upwards=True)
    yield from wait_for(lambda: hare().leapwright_check.result)
    seen["checked"] = json.loads(hare().leapwright_check.result)
    seen["keys_after_check"] = keys(hare()) == seen["retimed"]
    yield from picture(shots, "07-checked")
    with overridden():
        bpy.ops.leapwright.block("EXEC_DEFAULT", True, again=True, jump_height=1.2)
    seen["blocked_again"] = keys(hare())
    yield from undo()
    rig().block_again(jump_height=1.2000000476837158)
    seen["api_blocked_again"] = keys(hare())


def enter_snappiness(text: str) -> Iterator[float]:
    x, y = yield from look_for("leapwright_retime.snappiness", across=0.7, upwards=True)
    yield from press(x, y, on="leapwright_retime.snappiness")
    yield from type_in(text)
    view()[1].tag_redraw()
    yield from scroll(down=True)


def moments() -> dict[str, float]:
    """Where the moments are that the rig remembers."""
    jump = importlib.import_module(f"{MODULE}.recall").jumps_of(hare())[-1]
    return dict(jump.moments)


def poses_by_hand(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """Going through the frames with the arrow keys, saying of each which pose it is."""
    yield from reopen(asked["sample"])
    yield from scroll(down=False)
    with overridden():
        bpy.ops.ed.undo_push(message="opened")
    bpy.context.scene.frame_set(1)
    marked = {}
    for name, steps_on in (("start", 0), ("crouch", 1), ("takeoff", 1), ("land", 2)):
        yield from rest()
        for _ in range(steps_on):
            yield from key("RIGHT_ARROW")
            yield WAIT
        yield from click(f"leapwright.mark_pose(moment='{name}')", across=0.5)
        settings = hare().leapwright_ask
        marked[name] = [
            bpy.context.scene.frame_current,
            list(settings.posed),
            list(settings.pose_frames),
        ]
    seen["marked"] = marked
    seen["marked_measured"] = json.loads(hare().leapwright_ask.measured or "{}")
    yield from picture(asked["shots"], "02a-current-frame")
    yield from undo()
    seen["mark_undone"] = list(hare().leapwright_ask.posed)
    yield from redo()
    seen["mark_redone"] = list(hare().leapwright_ask.posed)


def by_python(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """The same through Python, on the file as it was: keys to hold against."""
    poses = {"start": 1, "crouch": 2, "takeoff": 3, "apex": 4, "land": 5, "low": 6, "end": 7}
    names = {"root": "root", "cog": "body", "feet": ["paw.L", "paw.R"]}
    yield from reopen(asked["sample"])
    marked = {name: poses[name] for name in seen["marked"]}
    seen["api_marked_measured"] = asdict(rig().measure_poses(marked, **names))
    rig().block(poses=poses, jump_height=seen["height_adjusted"], **names)
    seen["api_adjusted"] = keys(hare())
    yield from reopen(asked["sample"])
    rig().block(poses=poses, jump_height=seen["height_entered"], **names)
    seen["api_blocked"] = keys(hare())
    rig().retime(snappiness=1.5, **names)
    seen["api_retimed"] = keys(hare())
    seen["api_checked"] = rig().check(**names).to_json()


OPEN: set[str] = set()
"""Panels below Jump that were opened; the host keeps them open."""


def fold(title: str) -> Iterator[float]:
    """Click the header of a closed panel below Jump, or of the first one: lines below a button."""
    scale = bpy.context.preferences.system.ui_scale
    yield from scroll(down=True)
    x, y = yield from look_for("leapwright.spline", upwards=True)
    while "leapwright.spline" in under_mouse(sidebar()):
        y -= 2
        yield from move(x, y)
    down = 24 + 28 * ("Retime", "Check", "Display").index(title)
    yield from press(x - 40, y - round(down * scale), on=f"header of {title}")
    OPEN.symmetric_difference_update({title})
    view()[1].tag_redraw()
    yield WAIT


def unfold(title: str) -> Iterator[float]:
    """Open a panel unless it is open, and go there."""
    if title not in OPEN:
        yield from fold(title)
    yield from scroll(down=True)


def steps(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    # Smooth edges are drawn over many times.
    bpy.context.preferences.system.viewport_aa = "OFF"
    yield from reopen(asked["file"])
    yield from widen(260)
    with overridden():
        bpy.ops.view3d.view_axis(type="FRONT")
        bpy.ops.view3d.view_selected()
    yield from first_jump(asked, seen)
    yield from adjusted(asked, seen)
    yield from saved(asked, seen)
    yield from after_it(asked, seen)
    yield from poses_by_hand(asked, seen)
    yield from by_python(asked, seen)
