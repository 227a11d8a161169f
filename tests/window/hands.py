# SPDX-License-Identifier: GPL-3.0-or-later
"""What a hand does in the window: look for a button, click it, type; and pictures of the screen."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import bpy

WAIT = 0.3
CLICKS: list[str] = []
"""Every click, by what it was on."""

MOUSE = [400, 400]
"""Where the mouse is."""

PLACES: dict[tuple[str, str], int] = {}
"""How high in which region a button was last."""


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


def move(x: int, y: int) -> Iterator[float]:
    """Move the mouse as a hand does."""
    MOUSE[:] = x, y
    view()[0].event_simulate("MOUSEMOVE", "NOTHING", x=x, y=y)
    yield 0.01


def rest() -> Iterator[float]:
    """Lay the mouse on the view, off all buttons: keys go there."""
    _, _, region = view()
    yield from move(region.x + region.width // 3, region.y + region.height // 2)
    yield WAIT


def press(
    x: int, y: int, to: tuple[int, int] | None = None, *, on: str = "", button: str = "LEFTMOUSE"
) -> Iterator[float]:
    """Click; with `to`, drag there."""
    window = view()[0]
    yield from move(x, y)
    window.event_simulate(button, "PRESS", x=x, y=y)
    yield 0.1
    end = to or (x, y)
    # A drag begins once the mouse has gone some way.
    for part in range(1, 9) if to else ():
        at = (round(a + part / 8 * (b - a)) for a, b in zip((x, y), end, strict=True))
        yield from move(*at)
    window.event_simulate(button, "RELEASE", x=end[0], y=end[1])
    CLICKS.append(on)
    yield WAIT


def key(name: str, *, text: str = "", ctrl: bool = False, shift: bool = False) -> Iterator[float]:
    """Press a key where the mouse is."""
    window = view()[0]
    more = {"x": MOUSE[0], "y": MOUSE[1], "ctrl": ctrl, "shift": shift}
    window.event_simulate(name, "PRESS", **more, **({"unicode": text} if text else {}))
    yield 0.01
    window.event_simulate(name, "RELEASE", **more)
    yield 0.01


def undo(times: int = 1) -> Iterator[float]:
    """Ctrl-Z over the view."""
    yield from rest()
    for _ in range(times):
        yield from key("Z", ctrl=True)
        yield WAIT


def redo() -> Iterator[float]:
    """Ctrl-shift-Z over the view."""
    yield from rest()
    yield from key("Z", ctrl=True, shift=True)
    yield WAIT


DIGITS = {
    "0": "ZERO", "1": "ONE", "2": "TWO", "3": "THREE", "4": "FOUR", "5": "FIVE", "6": "SIX",
    "7": "SEVEN", "8": "EIGHT", "9": "NINE", ".": "PERIOD", "-": "MINUS", " ": "SPACE",
}  # fmt: skip


def letters(text: str) -> Iterator[float]:
    """Type letter by letter."""
    for letter in text:
        yield from key(DIGITS.get(letter, letter.upper()), text=letter)


def type_in(text: str) -> Iterator[float]:
    """Type a text and Enter, into the field that is being edited."""
    yield from key("A", ctrl=True)
    yield from letters(text)
    yield from key("RET")
    yield WAIT


def wait_for(true: Callable[[], Any], seconds: float = 30.0) -> Iterator[float]:
    """Wait until what was begun is done: a long one goes on in steps."""
    until = time.monotonic() + seconds
    while not (true() and not is_working()) and time.monotonic() < until:
        yield WAIT


def is_working() -> bool:
    """Whether an operator goes on in steps."""
    working = sys.modules.get("bl_ext.user_default.leapwright.working")
    return working is not None and bool(working.is_working())


def under_mouse(region: Any) -> str:
    """Which operator or property of a region the host says is under the mouse."""
    window, area, _ = view()
    bpy.context.window_manager.clipboard = ""
    with bpy.context.temp_override(window=window, area=area, region=region):
        for tell in (bpy.ops.ui.copy_python_command_button, bpy.ops.ui.copy_data_path_button):
            if tell.poll():
                with contextlib.suppress(RuntimeError):
                    tell()
    return str(bpy.context.window_manager.clipboard)


def told_by_keys() -> Iterator[float]:
    """The operator, the menu or the value under the mouse, by the host's own key for copying it."""
    bpy.context.window_manager.clipboard = ""
    yield from key("C", ctrl=True)
    return str(bpy.context.window_manager.clipboard)


def look_for(
    name: str, *, across: float = 0.62, upwards: bool = False, region: Any = None
) -> Iterator[float]:
    """Go over the sidebar with the mouse until a button is under it; give where that is."""
    bar = region or sidebar()
    x = bar.x + int(across * bar.width)
    # Every line is some 20 points high.
    step = round(18 * bpy.context.preferences.system.ui_scale)
    ys = list(range(bar.y + bar.height - 30, bar.y + 4, -step))
    if upwards:
        ys.reverse()
    elif bar.x < MOUSE[0] < bar.x + bar.width:
        ys.sort(key=lambda y: abs(y - MOUSE[1]))
    # First where it was last.
    last = PLACES.get((name, bar.type), 0)
    before = MOUSE[1]
    for y in [last, *ys] if bar.y < last < bar.y + bar.height else ys:
        yield from move(x, y)
        # The host may be a step behind the mouse.
        for there in (y, before) if name in under_mouse(bar) else ():
            yield from move(x, there)
            yield 0.1
            if name in under_mouse(bar):
                PLACES[name, bar.type] = there
                return x, there
        before = y
    raise AssertionError(f"there is no button {name} in the {bar.type.lower()}")


def click(
    name: str, *, across: float = 0.62, upwards: bool = False, region: Any = None
) -> Iterator[float]:
    """Find a button of the tab and click it."""
    place = yield from look_for(name, across=across, upwards=upwards, region=region)
    yield from press(*place, on=name)
    yield WAIT


def scroll(down: bool, times: int = 60) -> Iterator[float]:
    """To one end of the tab, once it is drawn as it is now."""
    window, area, _ = view()
    area.tag_redraw()
    yield WAIT
    with bpy.context.temp_override(window=window, area=area, region=sidebar()):
        for _ in range(times):
            bpy.ops.view2d.scroll_down() if down else bpy.ops.view2d.scroll_up()
    yield WAIT


def widen(pixels: int) -> Iterator[float]:
    """Drag the sidebar to a width."""
    bar = sidebar()
    y = bar.y + bar.height // 2
    yield from press(bar.x, y, to=(bar.x + bar.width - pixels, y), on="edge of the sidebar")
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
