# SPDX-License-Identifier: GPL-3.0-or-later
"""What drawing costs in the window, with 500 frames of track and a jump in each hop of it."""

from __future__ import annotations

import importlib
import statistics
import time
from collections.abc import Callable, Iterator
from typing import Any

import bpy
import numpy as np
from hands import WAIT, open_tab, overridden, picture, select, sidebar, view

MODULE = "bl_ext.user_default.leapwright"
FRAMES = 500
DRAWS = 40
KEY = ("Scene", "Hare")


def clock(call: Callable[[], Any], into: list[float]) -> Any:
    """Note the time that this thread works on a call, ms: others share the machine."""
    start = time.thread_time()
    said = call()
    into.append(1000 * (time.thread_time() - start))
    return said


def timed_panel(draw: Callable[[Any, Any], None], into: list[float]) -> Callable[..., None]:
    # The host gives as many arguments as are named.
    return lambda self, context: clock(lambda: draw(self, context), into)


def counted(holder: Any, name: str) -> list[None]:
    """Have calls of a function counted."""
    calls: list[None] = []
    function = getattr(holder, name)

    def count(*given: Any, **named: Any) -> Any:
        calls.append(None)
        return function(*given, **named)

    setattr(holder, name, count)
    return calls


def in_ms(times: list[float]) -> dict[str, float]:
    return {"least": min(times), "median": statistics.median(times), "draws": len(times)}


def open_panels() -> None:
    """Have all panels open from the start."""
    package = importlib.import_module(MODULE)
    every = [cls for module in package.WITH_PANELS for cls in module.PANELS]
    for cls in reversed(every):
        bpy.utils.unregister_class(cls)
    for cls in every:
        cls.bl_options = set(getattr(cls, "bl_options", ())) - {"DEFAULT_CLOSED"}
        bpy.utils.register_class(cls)


def many_hops(tracking: Any) -> None:
    """Show the same hop over and over, each a little further: 500 frames."""
    trail = tracking.SHOWN[KEY]
    repeat = -(-FRAMES // len(trail.frames))
    steps = [0.5 * i * (trail.places[-1] - trail.places[0]) for i in range(repeat)]
    (arc,) = trail.arcs
    arcs = tuple(
        type(arc)(
            arc.frames,
            arc.places + step,
            tuple((name, tuple(np.add(place, step))) for name, place in arc.moments),
            arc.floor + step,
        )
        for step in steps
    )
    places = np.concatenate([trail.places + step for step in steps])[:FRAMES]
    frames = np.arange(1, FRAMES + 1, dtype=np.float64)
    tracking.SHOWN[KEY] = type(trail)(frames, places, arcs, trail.cog_from)
    tracking._changed()


def draws(change: Callable[[int], None], *, times: int = DRAWS) -> Iterator[float]:
    """Have view and sidebar drawn, each time after a change."""
    for number in range(times):
        change(number)
        view()[1].tag_redraw()
        sidebar().tag_redraw()
        yield 0.02


def steps(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    open_panels()
    bpy.ops.wm.open_mainfile(filepath=asked["file"], load_ui=False)
    yield WAIT
    select("Hare")
    yield from open_tab()
    with overridden():
        bpy.ops.leapwright.guess_poses()
        bpy.ops.leapwright.block(jump_height=0.85)
        bpy.ops.leapwright.check()
        bpy.ops.view3d.view_axis(type="FRONT")
        bpy.ops.view3d.view_selected()
    bpy.data.objects["Hare"].leapwright_retime.snappiness = 1.4
    tracking = importlib.import_module(f"{MODULE}.tracking")
    overlay = importlib.import_module(f"{MODULE}.overlay")
    until = time.monotonic() + 60
    while not tracking.SHOWN and time.monotonic() < until:
        yield WAIT
    many_hops(tracking)
    drawn: list[float] = []
    panels: dict[str, list[float]] = {}
    for name in dir(bpy.types):
        if name.startswith("LEAPWRIGHT_PT_"):
            panel = getattr(bpy.types, name)
            panel.draw = timed_panel(panel.draw, panels.setdefault(name, []))
    overlay.unregister()
    draw = overlay.draw
    overlay.draw = lambda: clock(draw, drawn)
    overlay.register()
    yield from draws(lambda _: None, times=5)
    seen["overlay_first_ms"] = drawn[0]
    laid = counted(overlay, "sketch")
    solved = counted(importlib.import_module("leapwright"), "plan")
    scene = bpy.context.scene
    for situation, change in (
        ("still", lambda _: None),
        # As in playback: the mark moves, nothing else.
        ("frames", lambda number: scene.frame_set(1 + number)),
    ):
        for times in (drawn, *panels.values()):
            times.clear()
        yield from draws(change)
        every = {"overlay": drawn, **panels}
        seen[situation] = {name: in_ms(times) for name, times in every.items() if times}
        seen[f"laid_{situation}"] = len(laid)
    seen["solved"] = len(solved)
    seen["measured_again"] = tracking.SHOWN[KEY].frames.size != FRAMES
    drawn.clear()
    yield from draws(turn)
    seen["turned"], seen["laid_turned"] = {"overlay": in_ms(drawn)}, len(laid)
    yield from picture(asked["shots"], "20-cost")


def turn(number: int) -> None:
    """Look from a little farther right: everything is laid out anew."""
    with overridden():
        bpy.ops.view3d.view_orbit(angle=0.02, type="ORBITRIGHT")
