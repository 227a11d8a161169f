# SPDX-License-Identifier: GPL-3.0-or-later
"""What a hand does in the window: look for a button, click it, type; and pictures of the screen."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bpy

WAIT = 0.3
CLICKS: list[str] = []
"""Every click of the left button, by what it was on."""


def view() -> tuple[Any, Any, Any]:
    """The biggest 3D view: window, area, region."""
    window = bpy.context.window_manager.windows[0]
    areas = [a for a in window.screen.areas if a.type == "VIEW_3D"]
    area = max(areas, key=lambda a: a.width * a.height)
    return window, area, next(r for r in area.regions if r.type == "WINDOW")


def sidebar() -> Any:
    _, area, _ = view()
    return next(r for r in area.regions if r.type == "UI")


def overridden() -> Any:
    window, area, region = view()
    return bpy.context.temp_override(window=window, area=area, region=region)


def undo(times: int = 1) -> Iterator[float]:
    for _ in range(times):
        with overridden():
            bpy.ops.ed.undo()
        yield WAIT


def picture(folder: str, name: str) -> Iterator[float]:
    """Ask for a picture, and wait until it is taken."""
    if not folder:
        return
    view()[1].tag_redraw()
    yield 1.5  # the window draws
    want = Path(folder) / f"{name}.want"
    want.touch()
    until = time.monotonic() + 60
    while want.exists() and time.monotonic() < until:
        yield WAIT


def move(window: Any, x: int, y: int) -> Iterator[float]:
    """Move the mouse as a hand does."""
    window.event_simulate("MOUSEMOVE", "NOTHING", x=x, y=y)
    yield 0.05


def press(
    window: Any, x: int, y: int, to: tuple[int, int] | None = None, *, on: str = ""
) -> Iterator[float]:
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
    CLICKS.append(on)
    yield WAIT


def key(name: str, *, text: str = "", ctrl: bool = False, shift: bool = False) -> Iterator[float]:
    """Press a key where the mouse is."""
    window, _, _ = view()
    more = {"unicode": text} if text else {}
    window.event_simulate(name, "PRESS", ctrl=ctrl, shift=shift, **more)
    yield 0.05
    window.event_simulate(name, "RELEASE", ctrl=ctrl, shift=shift)
    yield 0.05


DIGITS = {
    "0": "ZERO", "1": "ONE", "2": "TWO", "3": "THREE", "4": "FOUR", "5": "FIVE", "6": "SIX",
    "7": "SEVEN", "8": "EIGHT", "9": "NINE", ".": "PERIOD", "-": "MINUS", " ": "SPACE",
}  # fmt: skip


def type_in(text: str) -> Iterator[float]:
    """Type a text and Enter, into the field that is being edited."""
    yield from key("A", ctrl=True)
    for letter in text:
        yield from key(DIGITS.get(letter, letter.upper()), text=letter)
    yield from key("RET")
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
    bar = sidebar()
    x = bar.x + int(across * bar.width)
    ys = list(range(bar.y + bar.height - 30, bar.y + 4, -9))
    for y in reversed(ys) if upwards else ys:
        yield from move(window, x, y)
        with bpy.context.temp_override(window=window, area=area, region=bar):
            if name in under_mouse():
                return x, y
    raise AssertionError(f"there is no button {name} in the tab")


def click(name: str, *, across: float = 0.62, upwards: bool = False) -> Iterator[float]:
    """Find a button of the tab and click it."""
    place = yield from look_for(name, across=across, upwards=upwards)
    yield from press(view()[0], *place, on=name)
    yield WAIT


def scroll(down: bool, times: int = 60) -> Iterator[float]:
    window, area, _ = view()
    with bpy.context.temp_override(window=window, area=area, region=sidebar()):
        for _ in range(times):
            bpy.ops.view2d.scroll_down() if down else bpy.ops.view2d.scroll_up()
    yield 1.0


def widen(pixels: int) -> Iterator[float]:
    """Drag the sidebar to a width."""
    window, _, _ = view()
    bar = sidebar()
    y = bar.y + bar.height // 2
    yield from press(window, bar.x, y, to=(bar.x + bar.width - pixels, y), on="edge of the sidebar")
    yield WAIT


def open_tab() -> Iterator[float]:
    """Open the sidebar with our tab in front; its tabs are known after its first draw only."""
    _, area, _ = view()
    area.spaces.active.show_region_ui = True
    until = time.monotonic() + 60
    yield WAIT
    bar = sidebar()
    while getattr(bar, "active_panel_category", "") != "Leapwright":
        with contextlib.suppress(AttributeError, TypeError):
            bar.active_panel_category = "Leapwright"
        area.tag_redraw()
        assert time.monotonic() < until, "the sidebar was not drawn"
        yield WAIT
    yield WAIT


def select(name: str, *, mode: str = "POSE") -> None:
    rig = bpy.data.objects[name]
    for obj in bpy.context.view_layer.objects:
        obj.select_set(obj == rig)
    bpy.context.view_layer.objects.active = rig
    with overridden():
        bpy.ops.object.mode_set(mode=mode)


def curves(obj: Any) -> list[Any]:
    data = obj.animation_data
    if data is None or data.action is None:
        return []
    bags = (b for la in data.action.layers for s in la.strips for b in s.channelbags)
    return [c for bag in bags for c in bag.fcurves]


def keys(obj: Any) -> list[list[Any]]:
    """Every key of a rig: place, both handles and kinds."""
    return sorted(
        [c.data_path, c.array_index, *k.co, *k.handle_left, *k.handle_right, k.interpolation,
         k.type]
        for c in curves(obj)
        for k in c.keyframe_points
    )  # fmt: skip
