# SPDX-License-Identifier: GPL-3.0-or-later
"""Other ways to the same verbs: the search, menus of other editors; another rig; and none."""

from __future__ import annotations

import importlib
import json
from collections.abc import Iterator
from typing import Any

import bpy
from bpy_extras.view3d_utils import location_3d_to_region_2d
from hands import (
    MOUSE,
    WAIT,
    key,
    keys,
    look_for,
    move,
    overridden,
    picture,
    press,
    scroll,
    select,
    told_by_keys,
    type_in,
    undo,
    view,
    wait_for,
)
from popups import click_in_jump_menu, look_around, open_menu, rows, search
from work import MODULE, hare, reopen

SMALL = {"jump_height": 0.5, "push_height": 0.2, "replace": True}


def last_done() -> str:
    """The operator that ran last."""
    done = bpy.context.window_manager.operators
    return str(done[-1].bl_idname) if done else ""


def searched(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """What a person would type is offered, and Enter runs it."""
    shots = asked["shots"]
    yield from reopen(asked["sample"])
    with overridden():
        bpy.ops.leapwright.find_controls()
        bpy.ops.leapwright.guess_poses()
        bpy.ops.ed.undo_push(message="poses")
    done = seen["searched"] = {}
    posed = keys(hare())
    yield from search("jump", shots=shots, stem="11-search-jump")
    yield from wait_for(lambda: keys(hare()) != posed, 10)
    done["jump"], first = last_done(), keys(hare())
    yield from undo()
    yield from search("block jump", shots=shots, stem="11a-search-block")
    yield from wait_for(lambda: keys(hare()) != posed, 10)
    done["block jump"], blocked = last_done(), keys(hare())
    seen["search_blocks"] = first == blocked != posed
    for text in ("snappier", "retime"):
        yield from search(text, shots=shots, stem=f"11b-search-{text}")
        yield WAIT
        yield from picture(shots, f"11c-{text}-asks")
        yield from retime_in_dialog("1.5")
        yield from wait_for(lambda: keys(hare()) != blocked, 10)
        done[text] = last_done()
        seen[f"searched_{text}"] = keys(hare())
        yield from undo()
    with overridden():
        bpy.ops.leapwright.retime(snappiness=1.5)
    seen["retimed_by_operator"] = keys(hare())
    yield from undo()


def retime_in_dialog(text: str) -> Iterator[float]:
    """Type the snappiness that is asked for; off the fields, Enter is OK."""
    x, y = MOUSE
    near = [y + rows(8 * n) * way for n in range(1, 12) for way in (1, -1)]
    at = yield from look_around("1.0", [y, *near])
    yield from press(*at, on="snappiness")
    yield from type_in(text)
    yield from move(x - rows(150), at[1])
    yield from key("RET")
    yield WAIT


def from_menus(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """The entries in the menus of the Dope Sheet and of the Graph Editor."""
    area = next(a for a in view()[0].screen.areas if a.type in ("DOPESHEET_EDITOR", "GRAPH_EDITOR"))
    was = area.ui_type
    area.ui_type = "DOPESHEET"
    yield WAIT
    hare().leapwright_check.result = ""
    yield from open_menu("DOPESHEET_MT_key", area)
    yield from click_in_jump_menu(
        "leapwright.check", area, shots=asked["shots"], stem="12-menu-dope-sheet"
    )
    yield from wait_for(lambda: hare().leapwright_check.result)
    seen["menu_checked"] = len(json.loads(hare().leapwright_check.result)["jumps"])
    area.ui_type = "FCURVES"
    yield WAIT
    before = hare().leapwright_ask.preview
    yield from open_menu("GRAPH_MT_key", area)
    yield from click_in_jump_menu(
        "leapwright.plan", area, shots=asked["shots"], stem="12a-menu-graph-editor"
    )
    yield from wait_for(lambda: hare().leapwright_ask.preview)
    seen["menu_planned"] = hare().leapwright_ask.preview != before
    area.ui_type = was
    yield WAIT


def two_rigs(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """A second hare beside the first: the tab is about the one that is clicked."""
    yield from reopen(asked["sample"])
    hare().leapwright_ask.jump_height = 0.85
    select("Hare", mode="OBJECT")
    with overridden():
        for child in hare().children_recursive:
            child.select_set(True)
        bpy.ops.object.duplicate()
    other = bpy.context.view_layer.objects.active
    other.name = "Leveret"
    other.location.y += 1.5
    other.leapwright_ask.jump_height = 0.4
    with overridden():
        bpy.ops.ed.undo_push(message="two")
        bpy.ops.view3d.view_axis(type="RIGHT")
        bpy.ops.view3d.view_selected()
        bpy.ops.view3d.zoom(delta=-2)
    space = view()[1].spaces.active
    yield WAIT
    shown = seen["shown"] = []
    for rig in (hare(), other):
        region = view()[2]
        middle = rig.matrix_world @ rig.pose.bones["body"].head
        x, y = location_3d_to_region_2d(region, space.region_3d, middle)
        yield from press(region.x + round(x), region.y + round(y), on=rig.name)
        yield WAIT
        active = bpy.context.view_layer.objects.active
        if active.type == "MESH":
            active = active.find_armature() or active
        yield from scroll(down=True)
        yield from look_for("leapwright_ask.jump_height", across=0.7)
        told = yield from told_by_keys()
        shown.append([rig.name, active.name, told])
        yield from scroll(down=False)
        yield from picture(asked["shots"], f"13-{len(shown)}-{rig.name.lower()}")


def gone(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """Undo past a rig's creation, delete one, load another file, with the tab open all the time."""
    tracking = importlib.import_module(f"{MODULE}.tracking")
    yield from reopen(asked["sample"])
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
    yield from wait_for(lambda: tracking.SHOWN)
    seen["shown_before"] = len(tracking.SHOWN)
    bpy.data.objects.remove(hare())
    view()[1].tag_redraw()
    yield 1.5
    bpy.ops.wm.open_mainfile(filepath=asked["sample"], load_ui=False)
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
    yield from searched(asked, seen)
    yield from from_menus(asked, seen)
    yield from two_rigs(asked, seen)
    yield from gone(asked, seen)
