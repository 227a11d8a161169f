# SPDX-License-Identifier: GPL-3.0-or-later
"""The overlay in the 3D view: what was laid out in pixels once is drawn until something changes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import blf
import bpy
import gpu
import numpy as np
from gpu_extras.batch import batch_for_shader
from numpy.typing import NDArray

from leapwright_blender.trail import Arc, Trail

from .entry import preferences
from .moments import MOMENTS
from .shapes import NOTHING, Shape, cog_marks, crosses, dashes, diamonds, discs, lines
from .subject import subject
from .tracking import PROBLEMS, SHOWN, is_stale, plan_of, trail_of, version, want

__all__ = ["register", "unregister"]

Floats = NDArray[np.float64]
Key = tuple[str, str]
Colour = tuple[float, float, float]

DARK, LIGHT = (0.0, 0.0, 0.0), (1.0, 1.0, 1.0)
# Where crosses would run together there are none.
ROOM_FOR_CROSSES = 7.0
MOST_VIEWS = 8


@dataclass(frozen=True, slots=True)
class Picture:
    """What is drawn in one view: a batch, and texts at pixels."""

    batch: Any
    texts: tuple[tuple[str, float, float], ...]


@dataclass(frozen=True, slots=True)
class Look:
    """Colours and sizes for a view."""

    planned: Colour
    measured: Colour
    floor: Colour
    halo: Colour
    scale: float
    text: float


_PICTURES: dict[Any, tuple[Any, Picture]] = {}
_HANDLE: list[Any] = []


def register() -> None:
    """Draw in all 3D views."""
    if not bpy.app.background:
        _HANDLE.append(bpy.types.SpaceView3D.draw_handler_add(draw, (), "WINDOW", "POST_PIXEL"))


def unregister() -> None:
    """Draw no more."""
    while _HANDLE:
        bpy.types.SpaceView3D.draw_handler_remove(_HANDLE.pop(), "WINDOW")
    _PICTURES.clear()


def draw() -> None:
    """Draw all rigs of the scene that are shown; nothing is laid out unless something changed."""
    context = bpy.context
    space, region, scene = context.space_data, context.region, context.scene
    if not space.overlay.show_overlays:
        return
    shown = tuple(_shown(context, scene))
    if not shown:
        return
    view: Any = context.region_data.perspective_matrix
    size = (region.width, region.height)
    look = _look(context)
    where = (tuple(map(tuple, view)), size, look, version())
    still = _picture((region.as_pointer(), "still"), (where, shown), lambda: _still(
        shown, np.array(view), size, look))  # fmt: skip
    mark = _picture(
        (region.as_pointer(), "mark"),
        (where, shown, scene.frame_current_final),
        lambda: _mark(shown, np.array(view), size, look, scene.frame_current_final),
    )
    gpu.state.blend_set("ALPHA")
    for picture in (still, mark):
        if picture.batch is not None:
            picture.batch.draw(_shader())
    gpu.state.blend_set("NONE")
    _write(still.texts, look)


def _shader() -> Any:
    return gpu.shader.from_builtin("SMOOTH_COLOR")


def _shown(context: Any, scene: Any) -> Iterator[tuple[Key, tuple[bool, ...]]]:
    """Rigs that are shown, each with what of it; what is not measured yet is asked for."""
    active = subject(context)
    if active is not None:
        key = (scene.name, active.name)
        known = key in SHOWN or key in PROBLEMS
        if not known and active.leapwright_display.show and "leapwright" in active:
            want(key)
        if key not in SHOWN and plan_of(key) is not None:
            yield key, _wished(active)
    for key in SHOWN:
        rig = scene.objects.get(key[1]) if key[0] == scene.name else None
        if rig is not None and rig.leapwright_display.show and rig.visible_get():
            yield key, _wished(rig)


def _wished(rig: Any) -> tuple[bool, ...]:
    display = rig.leapwright_display
    return (
        display.planned, display.measured, display.moments, display.floor, display.mark,
    )  # fmt: skip


def _look(context: Any) -> Look:
    """Colours that are told from the background, whatever theme there is."""
    chosen, system = preferences(), context.preferences.system
    theme = context.preferences.themes[0].view_3d.space.gradients.high_gradient
    light = 0.2126 * theme.r + 0.7152 * theme.g + 0.0722 * theme.b > 0.4
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
        scale=system.ui_scale * chosen.overlay_size,
        text=chosen.text_size * system.ui_scale,
    )


def _picture(place: Any, key: Any, make: Any) -> Picture:
    """What was laid out before for the same view, else anew."""
    there = _PICTURES.get(place)
    if there is not None and there[0] == key:
        return there[1]
    while len(_PICTURES) >= 2 * MOST_VIEWS:
        # The views of areas that were closed, among others.
        _PICTURES.pop(next(iter(_PICTURES)))
    picture: Picture = make()
    _PICTURES[place] = (key, picture)
    return picture


def _still(
    shown: tuple[tuple[Key, tuple[bool, ...]], ...], view: Floats, size: Any, look: Look
) -> Picture:
    """Lay out all but the mark of the current frame."""
    inks: list[tuple[Shape, Shape, Colour, float]] = []
    names: list[tuple[str, Floats]] = []
    for key, (planned, measured, moments, floor, _) in shown:
        trail, plan = trail_of(key), plan_of(key)
        arcs = [plan] if plan is not None else list(trail.arcs) if trail is not None else []
        if floor:
            inks.extend(_floor(arc, view, size, look) for arc in arcs)
        if measured and trail is not None:
            inks.extend(_track(trail, view, size, look, faint=is_stale(key)))
        for arc in arcs:
            if planned:
                inks.extend(_planned(arc, view, size, look))
            if moments:
                spots = on_screen(np.array([p for _, p in arc.moments]), view, size)
                s = look.scale
                inks.append((
                    diamonds(spots, 6 * s, 4 * s), diamonds(spots, 6 * s, 2 * s), look.planned, 1.0,
                ))  # fmt: skip
                titles = (MOMENTS[name] for name, _ in arc.moments)
                names += zip(titles, spots, strict=True)
    texts = tuple(_texts(names, look))
    if texts:
        # A plate below each name costs less than a shadow around its letters.
        plates = np.array([[x - 3, y + h / 2, x + w + 3, y + h / 2] for _, x, y, w, h in texts])
        height = max(h for *_, h in texts) + 4
        inks.append((NOTHING, lines(plates[:, :2], plates[:, 2:], height), look.halo, 0.5))
    return Picture(_batch(inks, look), tuple(text[:3] for text in texts))


def _mark(
    shown: tuple[tuple[Key, tuple[bool, ...]], ...],
    view: Floats,
    size: Any,
    look: Look,
    frame: float,
) -> Picture:
    """Lay out the COG on the current frame."""
    inks: list[tuple[Shape, Shape, Colour, float]] = []
    for key, (*_, mark) in shown:
        trail = trail_of(key)
        if not mark or trail is None or not trail.frames[0] <= frame <= trail.frames[-1]:
            continue
        place = [[np.interp(frame, trail.frames, axis) for axis in trail.places.T]]
        spot, s = on_screen(np.array(place), view, size), look.scale
        halo = discs(spot, 10 * s)
        inks.append((halo, cog_marks(spot, 7 * s, 2 * s), look.measured, 1.0))
    return Picture(_batch(inks, look), ())


def on_screen(places: Floats, view: Floats, size: tuple[int, int]) -> Floats:
    """Give pixels of world places, shape (N, 2); NaN behind the eye."""
    if not len(places):
        return np.zeros((0, 2))
    clip = np.column_stack([places, np.ones(len(places))]) @ view.T
    front = clip[:, 3:] > 1e-6
    spots = np.divide(clip[:, :2], clip[:, 3:], out=np.full((len(places), 2), np.nan), where=front)
    return (spots + 1) / 2 * np.array(size)


def _strokes(spots: Floats, width: float) -> Shape:
    return lines(spots[:-1], spots[1:], width)


def _track(
    trail: Trail, view: Floats, size: Any, look: Look, *, faint: bool
) -> Iterator[tuple[Shape, Shape, Colour, float]]:
    """The measured COG: a thin line with a cross on each frame."""
    spots, s = on_screen(trail.places, view, size), look.scale
    strong = 0.45 if faint else 1.0
    yield _strokes(spots, 4 * s), _strokes(spots, 1.6 * s), look.measured, strong
    apart = np.linalg.norm(np.diff(spots, axis=0), axis=1)
    fast = np.append(apart, np.inf) if len(apart) else np.array([np.inf])
    room = spots[np.minimum(fast, np.insert(fast[:-1], 0, np.inf)) > ROOM_FOR_CROSSES * s]
    yield NOTHING, crosses(room, 4 * s, 2 * s), look.measured, strong


def _planned(
    arc: Arc, view: Floats, size: Any, look: Look
) -> Iterator[tuple[Shape, Shape, Colour, float]]:
    """The planned arc: a line with a round dot on each frame."""
    spots, s = on_screen(arc.places, view, size), look.scale
    yield _strokes(spots, 4.5 * s), _strokes(spots, 2.5 * s), look.planned, 1.0
    yield discs(spots, 5 * s), discs(spots, 3.6 * s), look.planned, 1.0


def _floor(arc: Arc, view: Floats, size: Any, look: Look) -> tuple[Shape, Shape, Colour, float]:
    """The floor at take-off: a dashed line with ticks below."""
    ends, s = on_screen(arc.floor, view, size), look.scale
    drawn = [dashes(ends[0], ends[1], w * s, dash=14 * s, gap=6 * s) for w in (4, 2)]
    return drawn[0], drawn[1], look.floor, 1.0


def _batch(inks: list[tuple[Shape, Shape, Colour, float]], look: Look) -> Any:
    """One batch of all, each with its halo below."""
    corners, colours = [], []
    for halo, ink, colour, strong in inks:
        for shape, rgb, alpha in ((halo, look.halo, 0.5), (ink, colour, 1.0)):
            corners.append(shape.reshape(-1, 2))
            colours.append(
                np.tile(np.array([*rgb, alpha * strong], np.float32), (len(corners[-1]), 1))
            )
    if not sum(map(len, corners)):
        return None
    flat = np.concatenate(corners)
    places = np.column_stack([flat, np.zeros(len(flat), np.float32)]).astype(np.float32)
    content: Any = {"pos": places, "color": np.concatenate(colours)}
    return batch_for_shader(_shader(), "TRIS", content)


def _texts(
    names: list[tuple[str, Floats]], look: Look
) -> Iterator[tuple[str, float, float, float, float]]:
    """Where names are written, and how large: beside their marks, where no other one is yet."""
    blf.size(0, look.text)
    taken: list[tuple[float, float, float, float]] = []
    gap = 12 * look.scale
    for text, spot in names:
        if not np.isfinite(spot).all():
            continue
        width, height = blf.dimensions(0, text)
        right, left = float(spot[0]) + gap, float(spot[0]) - gap - width
        middle, line = float(spot[1]) - height / 2, height + 7
        places = [(x, middle + up * line) for up in (0, -1, 1, -2, 2) for x in (right, left)]
        x, y = next(
            ((x, y) for x, y in places if not any(
                x < b[2] and b[0] < x + width and y < b[3] and b[1] < y + height for b in taken
            )),
            places[0],
        )  # fmt: skip
        taken.append((x - 4, y - 3, x + width + 4, y + height + 3))
        yield text, x, y, width, height


def _write(texts: tuple[tuple[str, float, float], ...], look: Look) -> None:
    if not texts:
        return
    blf.size(0, look.text)
    blf.color(0, *(LIGHT if look.halo == DARK else DARK), 1.0)
    for text, x, y in texts:
        blf.position(0, x, y, 0)
        blf.draw(0, text)
