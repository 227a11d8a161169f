# SPDX-License-Identifier: GPL-3.0-or-later
"""What drawing costs in the window while nothing changes, with 500 frames of track."""

from __future__ import annotations

import importlib
import statistics
import time
from collections.abc import Callable, Iterator
from typing import Any

import bpy
import numpy as np
from hands import WAIT, open_tab, overridden, picture, select, view

MODULE = "bl_ext.user_default.leapwright"
FRAMES = 500
DRAWS = 20


def clock(call: Callable[[], Any], into: list[float]) -> Any:
    """Note the time that this thread works on a call, ms: others share the machine."""
    start = time.thread_time()
    said = call()
    into.append(1000 * (time.thread_time() - start))
    return said


def timed_panel(draw: Callable[[Any, Any], None], into: list[float]) -> Callable[..., None]:
    # The host gives as many arguments as are named.
    return lambda self, context: clock(lambda: draw(self, context), into)


def in_ms(times: list[float]) -> dict[str, float]:
    return {"median": statistics.median(times), "largest": max(times), "draws": len(times)}


def steps(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
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
    tracking = importlib.import_module(f"{MODULE}.tracking")
    overlay = importlib.import_module(f"{MODULE}.overlay")
    until = time.monotonic() + 60
    while not tracking.SHOWN and time.monotonic() < until:
        yield WAIT
    key = ("Scene", "Hare")
    trail = tracking.SHOWN[key]
    # The same hop over and over, to the right: 500 frames.
    repeat = -(-FRAMES // len(trail.frames))
    way = trail.places[-1] - trail.places[0]
    places = np.concatenate([trail.places + 0.2 * i * way for i in range(repeat)])[:FRAMES]
    frames = np.arange(1, FRAMES + 1, dtype=np.float64)
    tracking.SHOWN[key] = type(trail)(frames, places, trail.arcs * 4, trail.cog_from)
    tracking._changed()
    panels: dict[str, list[float]] = {}
    for name in dir(bpy.types):
        if name.startswith("LEAPWRIGHT_PT_"):
            panel = getattr(bpy.types, name)
            panel.draw = timed_panel(panel.draw, panels.setdefault(name, []))
    drawn: list[float] = []
    overlay.unregister()
    draw = overlay.draw
    overlay.draw = lambda: clock(draw, drawn)
    overlay.register()
    write, texts = overlay._write, []
    overlay._write = lambda *told: clock(lambda: write(*told), texts)
    for _ in range(DRAWS):
        view()[1].tag_redraw()
        yield 0.02
    seen["overlay_first_ms"] = drawn[0]
    seen["texts_ms"] = in_ms(texts[1:])
    still = [p for _, p in overlay._PICTURES.values()]
    seen["texts"] = sum(len(p.texts) for p in still)
    seen["overlay_ms"] = in_ms(drawn[1:])
    seen["panels_ms"] = {n: in_ms(t[1:]) for n, t in panels.items() if len(t) > 1}
    yield from picture(asked["shots"], "20-cost")
    # While the frame changes, as in playback: only the mark is laid out anew.
    del drawn[:]
    for frame in range(1, 11):
        bpy.context.scene.frame_set(frame)
        view()[1].tag_redraw()
        yield 0.02
    seen["overlay_frames_ms"] = in_ms(drawn)
    seen["measured_again"] = tracking.SHOWN[key].frames.size != FRAMES
