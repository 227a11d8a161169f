# SPDX-License-Identifier: GPL-3.0-or-later
"""The overlay in the 3D view: what was laid out in pixels once is drawn until something changes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import bpy
import gpu
import numpy as np

from . import plates
from .entry import preferences
from .labels import Box
from .plates import Colour
from .sketch import Look, Shown, View, cog_batch, on_screen, shader, sketch
from .subject import subject
from .tracking import PROBLEMS, SHOWN, is_stale, plan_of, trail_of, version, want

__all__ = ["draw", "register", "unregister"]

Key = tuple[str, str]
# A rig, and what of it is wished for: planned, measured, moments, floor, mark.
Wished = tuple[Key, tuple[bool, bool, bool, bool, bool]]

DARK, LIGHT = (0.0, 0.0, 0.0), (1.0, 1.0, 1.0)
MOST_KEPT = 16

_KEPT: dict[Any, tuple[Any, Any]] = {}
_HANDLE: list[Any] = []


def register() -> None:
    """Draw in all 3D views."""
    if not bpy.app.background:
        _HANDLE.append(bpy.types.SpaceView3D.draw_handler_add(draw, (), "WINDOW", "POST_PIXEL"))


def unregister() -> None:
    """Draw no more."""
    while _HANDLE:
        bpy.types.SpaceView3D.draw_handler_remove(_HANDLE.pop(), "WINDOW")
    _KEPT.clear()
    plates.forget()


def draw() -> None:
    """Draw all rigs of the scene that are shown; nothing is laid out unless something changed."""
    context = bpy.context
    space, region, scene = context.space_data, context.region, context.scene
    if not space.overlay.show_overlays:
        return
    wished = tuple(_wished(context, scene))
    if not wished:
        return
    frame, look, view = scene.frame_current_final, _look(context), _view(context)
    place = region.as_pointer()
    now = (version(), wished, view, look)
    picture = _kept((place, "still"), now, lambda: sketch(_shown(wished), view, look))
    spots = _kept(
        (place, "mark"),
        (version(), wished, view.matrix, view.size, frame),
        lambda: _marks(wished, view, frame),
    )
    drawn = shader()
    gpu.state.blend_set("ALPHA")
    if picture.shapes is not None:
        picture.shapes.draw(drawn)
    if spots:
        mark = _kept("mark", look, lambda: cog_batch(look))
        for spot in spots:
            gpu.matrix.push()
            gpu.matrix.translate(spot)
            mark.draw(drawn)
            gpu.matrix.pop()
    if picture.names is not None:
        plates.draw(picture.names, picture.plates)
    gpu.state.blend_set("NONE")


def _wished(context: Any, scene: Any) -> Iterator[Wished]:
    """Rigs that are shown, each with what of it; what is not measured yet is asked for."""
    active = subject(context)
    if active is not None:
        key = (scene.name, active.name)
        known = key in SHOWN or key in PROBLEMS
        if not known and active.leapwright_display.show and "leapwright" in active:
            want(key)
        if key not in SHOWN and plan_of(key) is not None:
            yield key, _parts(active)
    for key in SHOWN:
        rig = scene.objects.get(key[1]) if key[0] == scene.name else None
        if rig is not None and rig.leapwright_display.show and rig.visible_get():
            yield key, _parts(rig)


def _parts(rig: Any) -> tuple[bool, bool, bool, bool, bool]:
    display = rig.leapwright_display
    return (
        display.planned, display.measured, display.moments, display.floor, display.mark,
    )  # fmt: skip


def _look(context: Any) -> Look:
    """Colours that are told from the background, whatever theme there is."""
    chosen, ui_scale = preferences(), context.preferences.system.ui_scale
    red, green, blue = context.preferences.themes[0].view_3d.space.gradients.high_gradient
    light = 0.2126 * red + 0.7152 * green + 0.0722 * blue > 0.4
    planned, measured = tuple(chosen.planned_colour), tuple(chosen.measured_colour)
    floor: Colour = (0.75, 0.75, 0.75)
    if light:
        planned, measured, floor = (
            tuple(0.55 * c for c in colour) for colour in (planned, measured, floor)
        )
    return Look(
        planned=planned,
        measured=measured,
        floor=floor,
        halo=LIGHT if light else DARK,
        scale=ui_scale * chosen.overlay_size,
        text=chosen.text_size * ui_scale,
    )


def _view(context: Any) -> View:
    """The region, what of it is free, and its corners that the host draws in."""
    region, space = context.region, context.space_data
    width, height = region.width, region.height
    left, bottom, right, top = 0, 0, width, height
    for other in context.area.regions:
        # What is hidden has next to no size.
        if other.width < 2 or other.height < 2 or (side := other.alignment) == "NONE":
            continue
        if side == "RIGHT":
            right = min(right, other.x - region.x)
        elif side == "LEFT":
            left = max(left, other.x + other.width - region.x)
        elif side == "TOP":
            top = min(top, other.y - region.y)
        elif side == "BOTTOM":
            bottom = max(bottom, other.y + other.height - region.y)
    s = context.preferences.system.ui_scale
    taken: list[Box] = []
    if space.show_gizmo and space.show_gizmo_navigate:
        # The ball of axes, and the buttons below it.
        taken.append((right - 94 * s, top - 94 * s, right, top))
        taken.append((right - 44 * s, top - 220 * s, right, top - 94 * s))
    if space.overlay.show_text:
        taken.append((left, top - 70 * s, left + 200 * s, top))
    free = (left + 2, bottom + 2, right - 2, top - 2)
    matrix = context.region_data.perspective_matrix
    return View(tuple(map(tuple, matrix)), (width, height), free, tuple(taken))


def _kept(place: Any, now: Any, make: Callable[[], Any]) -> Any:
    """What was made before of the same things, else anew."""
    there = _KEPT.get(place)
    if there is not None and there[0] == now:
        return there[1]
    while len(_KEPT) >= MOST_KEPT:
        # That of areas that were closed, among others.
        _KEPT.pop(next(iter(_KEPT)))
    made = make()
    _KEPT[place] = (now, made)
    return made


def _shown(wished: tuple[Wished, ...]) -> list[Shown]:
    """What is known of the rigs: an arc that is planned stands for those that are written."""
    every = []
    for key, (planned, measured, moments, floor, _) in wished:
        trail, plan = trail_of(key), plan_of(key)
        arcs = (plan,) if plan is not None else trail.arcs if trail is not None else ()
        every.append(Shown(trail, arcs, is_stale(key), planned, measured, moments, floor))
    return every


def _marks(wished: tuple[Wished, ...], view: View, frame: float) -> list[tuple[float, float]]:
    """Pixels of each COG on the current frame."""
    trails = [trail_of(key) for key, (*_, mark) in wished if mark]
    places = [
        [np.interp(frame, trail.frames, axis) for axis in trail.places.T]
        for trail in trails
        if trail is not None and trail.frames[0] <= frame <= trail.frames[-1]
    ]
    spots = on_screen(np.array(places), view)
    return [(x, y) for x, y in spots[np.isfinite(spots).all(axis=1)].tolist()]
