# SPDX-License-Identifier: GPL-3.0-or-later
"""What comes up and goes again: the panel of the last operation, menus, the search, dialogs."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import bpy
from hands import (
    MOUSE,
    WAIT,
    key,
    letters,
    move,
    picture,
    press,
    rest,
    told_by_keys,
    type_in,
    view,
    wait_for,
)

ROW = 20
"""How high a line of the interface is, in points."""


def rows(points: float) -> int:
    """Points of the interface as pixels of the screen."""
    return round(points * bpy.context.preferences.system.ui_scale)


def look_around(name: str, ys: Iterable[int]) -> Iterator[float]:
    """Go up or down in what came up until a button is under the mouse: by its operator, value."""
    seen = []
    for y in ys:
        yield from move(MOUSE[0], y)
        yield 0.02
        told = yield from told_by_keys()
        seen.append(told)
        if any(part.startswith(name) for part in told.split()):
            return tuple(MOUSE)
    raise AssertionError(f"there is no {name} among {seen}")


def region_of(area: Any, kind: str) -> Any:
    return next(r for r in area.regions if r.type == kind)


# The panel of the last operation


def unfold_last() -> Iterator[float]:
    """Unfold the panel of the last operation, lower left in the view, with a click."""
    area = view()[1]

    def high(points: int) -> bool:
        return bool(region_of(area, "HUD").height > rows(points))

    yield from wait_for(lambda: high(ROW // 2))
    for _ in range(3):
        # Laid out and drawn, it takes a click.
        yield WAIT
        if not high(3 * ROW):
            bar = region_of(area, "HUD")
            yield from press(bar.x + bar.width // 2, bar.y + bar.height // 2, on="last operation")
            yield from wait_for(lambda: high(3 * ROW), 3)
    yield WAIT


def change_last(shown: str, text: str) -> Iterator[float]:
    """Find the field that shows a value in the panel of the last operation, and type another."""
    bar = region_of(view()[1], "HUD")
    yield from move(bar.x + round(0.7 * bar.width), bar.y + bar.height - rows(ROW))
    ys = range(bar.y + bar.height - rows(ROW), bar.y, -rows(9))
    yield from press(*(yield from look_around(shown, ys)), on="field of last operation")
    yield from type_in(text)


def change_in_popup(shown: str, text: str) -> Iterator[float]:
    """The same in the panel that F9 brings to the mouse."""
    x, y = MOUSE
    # It opens with its corner at the mouse; fields are on its right side.
    yield from move(x + rows(200), y - rows(ROW))
    ys = range(MOUSE[1], y - rows(12 * ROW), -rows(10))
    yield from press(*(yield from look_around(shown, ys)), on="field of last operation")
    yield from type_in(text)


# Dialogs


def press_ok(*, below: str) -> Iterator[float]:
    """OK of a dialog: in the line below the field, that shows a value, on the right."""
    y = MOUSE[1]
    ys = range(y + rows(3 * ROW), y - rows(6 * ROW), -rows(6))
    x, y = yield from look_around(below, ys)
    yield from press(x, y - rows(36), on="OK")


# Menus


def open_menu(name: str, area: Any) -> Iterator[float]:
    """Click the menu of an editor's header."""
    header = region_of(area, "HEADER")
    y = header.y + header.height // 2
    for x in range(header.x + rows(3 * ROW), header.x + header.width, rows(18)):
        yield from move(x, y)
        told = yield from told_by_keys()
        if f'"{name}"' in told:
            yield from press(*MOUSE, on=name)
            return
    raise AssertionError(f"there is no menu {name}")


def click_in_jump_menu(name: str, area: Any, *, shots: str = "", stem: str = "") -> Iterator[float]:
    """From the open menu of an editor at the bottom into ours, which is last, and click there."""
    header = region_of(area, "HEADER")
    yield from move(MOUSE[0] + rows(ROW), header.y + header.height + rows(14))
    yield WAIT
    x, y = MOUSE
    for right in range(rows(100), rows(500), rows(40)):
        yield from move(x + right, y)
        yield 0.1
        if "leapwright" in (yield from told_by_keys()):
            break
    ys = [y + rows(12 * n) for n in range(24)]
    place = yield from look_around(f"bpy.ops.{name}(", ys)
    yield from picture(shots, stem)
    yield from press(*place, on=name)


# The search


def search(text: str, *, shots: str = "", stem: str = "", enter: bool = True) -> Iterator[float]:
    """F3, a text, Enter."""
    yield from rest()
    yield from key("F3")
    yield WAIT
    yield from letters(text)
    yield WAIT
    yield from picture(shots, stem)
    if enter:
        yield from key("RET")
    yield WAIT
