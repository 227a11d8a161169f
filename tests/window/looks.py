# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures of the tab and of the overlay: narrow, large, in a dark and in a light theme."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bpy
from hands import (
    WAIT,
    click,
    key,
    open_tab,
    overridden,
    picture,
    rest,
    scroll,
    select,
    view,
    widen,
)
from popups import click_in_jump_menu, open_menu, search, unfold_last
from work import at_frame, fold, hare, unfold
from wrong import wrong_jump


def theme(name: str) -> None:
    folder = next(Path(p) for p in bpy.utils.preset_paths("interface_theme"))
    bpy.ops.script.execute_preset(
        filepath=str(folder / f"{name}.xml"), menu_idname="USERPREF_MT_interface_theme_presets"
    )


def see_blocked(asked: dict[str, Any]) -> Iterator[float]:
    bpy.ops.wm.open_mainfile(filepath=asked["file"], load_ui=False)
    yield WAIT
    select("Hare")
    yield from open_tab()
    with overridden():
        bpy.ops.leapwright.find_controls()
        bpy.ops.leapwright.guess_poses()
        bpy.ops.leapwright.block(jump_height=0.85)
        bpy.ops.view3d.view_axis(type="FRONT")
        bpy.ops.view3d.view_selected()
        bpy.ops.view3d.zoom(delta=1)
        bpy.ops.view3d.zoom(delta=1)
    space = view()[1].spaces.active
    space.overlay.show_extras = space.overlay.show_bones = False
    space.overlay.show_relationship_lines = False
    at_frame(21)
    yield 3.0


def steps(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    shots = asked["shots"]
    for name, scale, width in (
        ("Blender_Dark", 1.0, 260), ("Blender_Light", 1.0, 260), ("Blender_Dark", 1.5, 400),
    ):  # fmt: skip
        theme(name)
        bpy.context.preferences.view.ui_scale = scale
        yield from see_blocked(asked)
        yield from widen(width)
        stem = f"look-{name.removeprefix('Blender_').lower()}-{scale:g}"
        yield from scroll(down=False)
        yield from picture(shots, f"{stem}-top")
        yield from fold("Retime")
        hare().leapwright_retime.snappiness = 1.4
        view()[1].tag_redraw()
        yield 1.0
        yield from scroll(down=True)
        yield from picture(shots, f"{stem}-bottom")
        yield from fold("Retime")
        wrong_jump(hare())
        hare().pop("leapwright", None)
        with overridden():
            bpy.ops.leapwright.check()
            bpy.ops.leapwright.go_to_finding(index=0)
        yield from fold("Check")
        yield 3.0
        yield from scroll(down=True)
        yield from picture(shots, f"{stem}-check")
        yield from fold("Check")
    bpy.context.preferences.view.ui_scale = 1.0
    theme("Blender_Dark")


def pop_ups(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """What comes up: the last operation, the search, what retime and a finding ask."""
    shots = asked["shots"]
    for name, scale, width in (
        ("Blender_Light", 1.0, 260), ("Blender_Dark", 1.5, 400),
    ):  # fmt: skip
        theme(name)
        bpy.context.preferences.view.ui_scale = scale
        yield from see_blocked(asked)
        yield from widen(width)
        stem = f"pop-{name.removeprefix('Blender_').lower()}-{scale:g}"
        yield from scroll(down=True)
        yield from click("leapwright.block", upwards=True)
        yield WAIT
        yield from unfold_last()
        yield from picture(shots, f"{stem}-last")
        yield from rest()
        yield from key("F9")
        yield from picture(shots, f"{stem}-f9")
        yield from key("ESC")
        yield from search("jump", shots=shots, stem=f"{stem}-search", enter=False)
        yield from key("ESC")
        yield from search("snappier", enter=True)
        yield from picture(shots, f"{stem}-retime")
        yield from key("ESC")
        area = next(
            a for a in view()[0].screen.areas if a.type in ("DOPESHEET_EDITOR", "GRAPH_EDITOR")
        )
        area.ui_type = "DOPESHEET"
        yield WAIT
        yield from open_menu("DOPESHEET_MT_key", area)
        yield from click_in_jump_menu(
            "leapwright.find_controls", area, shots=shots, stem=f"{stem}-menu"
        )
        area.ui_type = "TIMELINE"
        wrong_jump(hare())
        hare().pop("leapwright", None)
        with overridden():
            bpy.ops.leapwright.check()
            bpy.ops.leapwright.go_to_finding(index=0)
        yield from unfold("Check")
        yield from click("leapwright.mark_intended", across=0.8, upwards=True)
        yield from picture(shots, f"{stem}-why")
        yield from key("ESC")
        yield from key("ESC")
    bpy.context.preferences.view.ui_scale = 1.0
    theme("Blender_Dark")


def pictures(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """The pictures of the README and of the walk-through."""
    shots = asked["shots"]
    yield from see_blocked(asked)
    yield from widen(290)
    yield from scroll(down=False)
    yield from picture(shots, "overlay")
    yield from scroll(down=True)
    yield from picture(shots, "tab")
    yield from fold("Retime")
    hare().leapwright_retime.snappiness = 1.5
    view()[1].tag_redraw()
    yield 3.0
    yield from scroll(down=True)
    yield from picture(shots, "retime")
    yield from fold("Retime")
    wrong_jump(hare())
    hare().pop("leapwright", None)
    with overridden():
        bpy.ops.leapwright.check()
        bpy.ops.leapwright.go_to_finding(index=1)
    yield from fold("Check")
    yield 3.0
    yield from scroll(down=True)
    yield from picture(shots, "check")
