# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures of the tab and of the overlay: narrow, large, in a dark and in a light theme."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bpy
from hands import WAIT, open_tab, overridden, picture, scroll, select, view, widen
from work import at_frame, fold, hare
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
