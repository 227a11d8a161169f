# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs inside the window: installs the zip, uses the tab as an animator would, notes it all."""

from __future__ import annotations

import contextlib
import json
import math
import os
import time
import traceback
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bpy

ASKED = json.loads(os.environ["LEAPWRIGHT_DRIVE"])
SEEN: dict[str, Any] = {}
WAIT = 0.3


def view() -> tuple[Any, Any, Any]:
    """The biggest 3D view: window, area, region."""
    window = bpy.context.window_manager.windows[0]
    areas = [a for a in window.screen.areas if a.type == "VIEW_3D"]
    area = max(areas, key=lambda a: a.width * a.height)
    return window, area, next(r for r in area.regions if r.type == "WINDOW")


def overridden() -> Any:
    window, area, region = view()
    return bpy.context.temp_override(window=window, area=area, region=region)


def hare() -> Any:
    return bpy.data.objects["Hare"]


def key_frames() -> list[float]:
    """Frames of all keys of the hare, whatever version keeps its curves where."""
    data = hare().animation_data
    if data is None or data.action is None:
        return []
    action = data.action
    if hasattr(action, "fcurves"):
        curves = list(action.fcurves)
    else:
        bags = (b for la in action.layers for s in la.strips for b in s.channelbags)
        curves = [c for bag in bags for c in bag.fcurves]
    return sorted({float(k.co[0]) for c in curves for k in c.keyframe_points})


def shapes() -> list[list[Any]]:
    """Frame, value and interpolation of every key of the hare."""
    data = hare().animation_data
    bags = (b for la in data.action.layers for s in la.strips for b in s.channelbags)
    keys = ((c, k) for bag in bags for c in bag.fcurves for k in c.keyframe_points)
    return sorted(
        [c.data_path, c.array_index, float(k.co[0]), float(k.co[1]), k.interpolation]
        for c, k in keys
    )


def markers() -> list[tuple[str, int]]:
    return sorted((m.name, m.frame) for m in bpy.context.scene.timeline_markers)


def picture(name: str) -> Iterator[float]:
    """Ask for a picture, and wait until it is taken."""
    if not ASKED["shots"]:
        return
    yield 2.0  # the window draws
    want = Path(ASKED["shots"]) / f"{name}.want"
    want.touch()
    until = time.monotonic() + 60
    while want.exists() and time.monotonic() < until:
        yield WAIT


def move(window: Any, x: int, y: int) -> Iterator[float]:
    """Move the mouse as a hand does."""
    window.event_simulate("MOUSEMOVE", "NOTHING", x=x, y=y)
    yield 0.05


def press(window: Any, x: int, y: int, to: tuple[int, int] | None = None) -> Iterator[float]:
    """Click the left button; with `to`, drag there."""
    yield from move(window, x, y)
    window.event_simulate("LEFTMOUSE", "PRESS", x=x, y=y)
    yield 0.1
    end = to or (x, y)
    # A drag begins once the mouse has gone some way.
    for part in range(1, 9) if to else ():
        at = (round(a + part / 8 * (b - a)) for a, b in zip((x, y), end, strict=True))
        yield from move(window, *at)
    window.event_simulate("LEFTMOUSE", "RELEASE", x=end[0], y=end[1])
    yield WAIT


def under_mouse() -> str:
    """Which operator or property the host says is under the mouse."""
    bpy.context.window_manager.clipboard = ""
    for tell in (bpy.ops.ui.copy_python_command_button, bpy.ops.ui.copy_data_path_button):
        if tell.poll():
            with contextlib.suppress(RuntimeError):
                tell()
    return str(bpy.context.window_manager.clipboard)


def look_for(name: str, *, across: float = 0.62, upwards: bool = False) -> Any:
    """Go over the sidebar with the mouse until a button is under it; give where that is."""
    window, area, _ = view()
    sidebar = next(r for r in area.regions if r.type == "UI")
    x = sidebar.x + int(across * sidebar.width)
    ys = list(range(sidebar.y + sidebar.height - 30, sidebar.y + 4, -9))
    for y in reversed(ys) if upwards else ys:
        yield from move(window, x, y)
        with bpy.context.temp_override(window=window, area=area, region=sidebar):
            if name in under_mouse():
                return x, y
    raise AssertionError(f"there is no button {name} in the tab")


def scroll(down: bool) -> None:
    window, area, _ = view()
    sidebar = next(r for r in area.regions if r.type == "UI")
    with bpy.context.temp_override(window=window, area=area, region=sidebar):
        for _ in range(40):
            bpy.ops.view2d.scroll_down() if down else bpy.ops.view2d.scroll_up()


def narrow() -> Iterator[float]:
    """Drag the sidebar to the 260 pixels that a small screen leaves it."""
    window, area, _ = view()
    sidebar = next(r for r in area.regions if r.type == "UI")
    y = sidebar.y + sidebar.height // 2
    yield from press(window, sidebar.x, y, to=(sidebar.x + sidebar.width - 260, y))
    SEEN["sidebar_width"] = sidebar.width


def see_spline() -> Iterator[float]:
    """Block stepped, click Spline, undo; then open More."""
    window, _, _ = view()
    settings = hare().leapwright_ask
    yield from narrow()
    with overridden():
        SEEN["spline_before_block"] = bpy.ops.leapwright.spline.poll()
        settings.stepped = True
        bpy.ops.ed.undo_push(message="before stepped Block")
        bpy.ops.leapwright.block("INVOKE_DEFAULT", True)
    yield WAIT
    SEEN["stepped"] = shapes()
    scroll(down=True)
    yield 1.0
    place = yield from look_for("leapwright.spline", upwards=True)
    yield from press(window, *place)
    SEEN["splined"] = shapes()
    yield from picture("tab-splined")
    with overridden():
        bpy.ops.ed.undo()
    yield WAIT
    SEEN["stepped_after_undo"] = shapes()
    scroll(down=False)
    yield 1.0
    x, y = yield from look_for("leapwright_ask.stepped", across=0.75)
    # The header of More is the next line.
    yield from press(window, x, y - 27)
    yield 1.0
    yield from look_for("leapwright_ask.keep")
    scroll(down=True)
    yield 1.0
    yield from look_for("leapwright_ask.foot")
    SEEN["more_opened"] = True
    yield from picture("tab-more")
    with overridden():
        bpy.ops.ed.undo()
    hare().leapwright_ask.stepped = False
    yield WAIT


def see_resize() -> Iterator[float]:
    """Below Retime: enter a times height, look, click, undo."""
    window, area, _ = view()
    hare().leapwright_retime.snappiness = 1.0
    with overridden():
        bpy.ops.ed.undo_push(message="Nothing asked")
    area.tag_redraw()
    yield 1.0
    x, y = yield from look_for("leapwright.resize", upwards=True)
    yield from press(window, x, y)
    SEEN["resized_by_nothing"] = shapes()
    yield from picture("tab-resize-off")
    entered = hare().leapwright_resize
    entered.times_height = 1.44
    entered.use_travel, entered.travel = True, 0.5
    entered.use_heading, entered.heading = True, math.radians(90)
    with overridden():
        bpy.ops.ed.undo_push(message="Times height")
    area.tag_redraw()
    yield 1.0
    yield from look_for("leapwright_resize.heading", across=0.75, upwards=True)
    yield from look_for("leapwright_resize.times_height", upwards=True)
    yield from picture("tab-resize")
    place = yield from look_for("leapwright.resize", upwards=True)
    yield from press(window, *place)
    yield 1.0
    SEEN["resized"] = shapes()
    entered = hare().leapwright_resize
    SEEN["resize_left_asked"] = [
        entered.times_height, entered.use_travel, entered.use_heading,
    ]  # fmt: skip
    yield from picture("tab-resized")
    for _ in range(3):
        with overridden():
            bpy.ops.ed.undo()
        yield WAIT
    SEEN["after_resize_undone"] = shapes()


def see_retime() -> Iterator[float]:
    """Block, open Retime, enter a snappiness, look, click, undo."""
    window, _, _ = view()
    with overridden():
        bpy.ops.ed.undo_push(message="before Block")
        bpy.ops.leapwright.block("INVOKE_DEFAULT", True)
    yield WAIT
    SEEN["before_retime"] = shapes()
    scroll(down=True)
    yield 1.0
    x, y = yield from look_for("leapwright.spline", upwards=True)
    # The header of Retime is the next line.
    yield from press(window, x, y - 27)
    yield 1.0
    scroll(down=True)
    yield 1.0
    hare().leapwright_retime.snappiness = 1.5
    with overridden():
        bpy.ops.ed.undo_push(message="Snappiness")
    yield 1.0
    # The frames that it would give make the tab longer, once it is drawn.
    view()[1].tag_redraw()
    yield 3.0
    scroll(down=True)
    yield 1.0
    yield from look_for("leapwright_retime.snappiness", upwards=True)
    yield from picture("tab-retime")
    # More, for it and for Resize, is the line below that.
    below = yield from look_for("leapwright.resize", upwards=True)
    yield from press(window, below[0], below[1] - 18)
    yield 3.0
    scroll(down=True)
    yield 1.0
    yield from look_for("leapwright_retime.pin", upwards=True)
    yield from picture("tab-retime-more")
    place = yield from look_for("leapwright.retime", upwards=True)
    yield from press(window, *place)
    yield 1.0
    SEEN["retimed"] = shapes()
    SEEN["snappiness_after"] = hare().leapwright_retime.snappiness
    yield from picture("tab-retimed")
    with overridden():
        bpy.ops.ed.undo()
    yield WAIT
    SEEN["after_retime_undone"] = shapes()
    yield from see_resize()
    with overridden():
        bpy.ops.ed.undo()
        bpy.ops.ed.undo()
    yield WAIT


def steps() -> Iterator[float]:
    bpy.context.preferences.view.show_splash = False
    bpy.ops.extensions.package_install_files(
        filepath=ASKED["zip"], repo="user_default", enable_on_install=True
    )
    bpy.ops.wm.open_mainfile(filepath=ASKED["file"], load_ui=False)
    yield WAIT
    window, area, _ = view()
    area.spaces.active.show_region_ui = True
    rig = hare()
    for obj in bpy.context.view_layer.objects:
        obj.select_set(obj == rig)
    bpy.context.view_layer.objects.active = rig
    with overridden():
        bpy.ops.object.mode_set(mode="POSE")
    draws = []
    panel = bpy.types.LEAPWRIGHT_PT_jump
    panel.append(lambda self, context: draws.append(context.object.name))
    yield WAIT
    sidebar = next(r for r in area.regions if r.type == "UI")
    # The tabs of a sidebar are known after its first draw only.
    until = time.monotonic() + 60
    while not hasattr(sidebar, "active_panel_category") or not draws:
        with contextlib.suppress(AttributeError, TypeError):
            sidebar.active_panel_category = "Leapwright"
        area.tag_redraw()
        assert time.monotonic() < until, "the sidebar was not drawn"
        yield WAIT
    SEEN["tab"] = sidebar.active_panel_category
    yield from picture("tab-before")

    with overridden():
        SEEN["find"] = list(bpy.ops.leapwright.find_controls("INVOKE_DEFAULT"))
    settings = hare().leapwright_ask
    feet = [name.strip() for name in settings.feet.split(",")]
    SEEN["controls"] = {"root": settings.root, "cog": settings.cog, "feet": feet}
    SEEN["found"] = settings.found.splitlines()
    wanted = ASKED["settings"]
    settings.jump_height = wanted["jump_height"]
    settings.push_measure = "push_height"
    settings.push_height = wanted["push_height"]
    settings.landing_level = wanted["landing_level"]
    settings.placed_by = "takeoff"
    settings.takeoff_frame = wanted["takeoff"]
    SEEN["key_frames_before"], SEEN["markers_before"] = key_frames(), markers()
    SEEN["frame_before"] = bpy.context.scene.frame_current
    with overridden():
        bpy.ops.ed.undo_push(message="before Block")
    yield from picture("tab-ready")
    # The lower half of the tab.
    with bpy.context.temp_override(window=window, area=area, region=sidebar):
        for _ in range(20):
            bpy.ops.view2d.scroll_down()
    yield from picture("tab-frames")
    with overridden():
        SEEN["block"] = list(bpy.ops.leapwright.block("INVOKE_DEFAULT", True))
    SEEN["key_frames"] = key_frames()
    SEEN["frame_after"] = bpy.context.scene.frame_current
    yield from picture("tab-blocked")
    window.cursor_warp(300, 500)  # the panel to adjust opens at the cursor
    yield WAIT
    with overridden():
        bpy.ops.screen.redo_last("INVOKE_DEFAULT")
    yield from picture("adjust")
    # The host crashes when what an open panel adjusts is undone by a script.
    for value in ("PRESS", "RELEASE"):
        window.event_simulate("ESC", value, x=310, y=500)
        yield WAIT
    with overridden():
        bpy.ops.ed.undo()
    yield WAIT
    SEEN["key_frames_after_undo"], SEEN["markers_after_undo"] = key_frames(), markers()
    SEEN["settings_after_undo"] = hare().leapwright_ask.jump_height
    yield from see_spline()
    yield from see_retime()
    body = hare().pose.bones["body"]
    for moment, frame, height in (("crouch", 1, -0.25), ("takeoff", 2, 0.0)):
        bpy.context.scene.frame_set(frame)
        body.location.z = height
        body.keyframe_insert("location", frame=frame)
        with overridden():
            bpy.ops.leapwright.mark_pose("INVOKE_DEFAULT", moment=moment)
    settings = hare().leapwright_ask
    settings.push_measure = "poses"
    SEEN["measured"] = json.loads(settings.measured)
    yield from picture("tab-poses")
    SEEN["draws"] = len(draws)


def finish() -> None:
    Path(ASKED["seen"]).write_text(json.dumps(SEEN), encoding="utf-8")
    bpy.ops.wm.quit_blender()


RUNNING = steps()


def work() -> float | None:
    try:
        return next(RUNNING)
    except StopIteration:
        pass
    except BaseException:
        SEEN["error"] = traceback.format_exc()
    finish()
    return None


# Persistent: opening the file must not end it.
bpy.app.timers.register(work, first_interval=1.0, persistent=True)
