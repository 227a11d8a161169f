# SPDX-License-Identifier: GPL-3.0-or-later
"""What the overlay shows of a view, laid out in pixels."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import gpu
import numpy as np
from gpu_extras.batch import batch_for_shader
from numpy.typing import NDArray

from leapwright_blender.trail import Arc, Trail

from .labels import Box, names_at, placed
from .plates import Colour, Plates, laid, plates_of
from .shapes import (
    NOTHING,
    Shape,
    cog_marks,
    crosses,
    dashes,
    diamonds,
    discs,
    joined,
    strokes,
)

__all__ = ["Look", "Picture", "Shown", "View", "cog_batch", "on_screen", "shader", "sketch"]

Floats = NDArray[np.float64]
Ink = tuple[Shape, Shape, Colour, float]
"""What lies below, what is drawn, its colour and how strong it is."""

# Where crosses or dots would run together there are none.
ROOM_FOR_CROSSES = 7.0
ROOM_FOR_DOTS = 4.0


@dataclass(frozen=True, slots=True)
class Look:
    """Colours and sizes for a view."""

    planned: Colour
    measured: Colour
    floor: Colour
    halo: Colour
    scale: float
    text: float


@dataclass(frozen=True, slots=True)
class View:
    """A region as it is looked through.

    Attributes
    ----------
    matrix : tuple of tuple of float, shape (4, 4)
        From the world to the screen.
    size : tuple of int
        Pixels.
    free : Box
        What of it no sidebar hides.
    taken : tuple of Box
        What the host draws in its corners.
    """

    matrix: tuple[tuple[float, ...], ...]
    size: tuple[int, int]
    free: Box
    taken: tuple[Box, ...]


@dataclass(frozen=True, slots=True)
class Shown:
    """A rig's trail and arcs, and what of them is shown."""

    trail: Trail | None
    arcs: tuple[Arc, ...]
    stale: bool
    planned: bool
    measured: bool
    moments: bool
    floor: bool


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """What is drawn in one view: a batch of shapes, and one of names with their plates."""

    shapes: Any
    names: Any
    plates: Plates | None


def shader() -> Any:
    """Give what draws the shapes."""
    return gpu.shader.from_builtin("SMOOTH_COLOR")


def sketch(shown: Sequence[Shown], view: View, look: Look) -> Picture:
    """Lay out all but the COG on the current frame.

    Parameters
    ----------
    shown : sequence of Shown
    view : View
    look : Look
    """
    inks: list[Ink] = []
    moments: list[str] = []
    marks, dots = [np.zeros((0, 2))], [np.zeros((0, 2))]
    for one in shown:
        if one.floor and one.arcs:
            inks.append(_floors(one.arcs, view, look))
        if one.measured and one.trail is not None:
            dots.append(on_screen(one.trail.places, view))
            inks.extend(_track(dots[-1], view, look, strong=0.45 if one.stale else 1.0))
        if one.planned and one.arcs:
            dots.append(on_screen(_apart([arc.places for arc in one.arcs]), view))
            inks.extend(_planned(dots[-1], view, look))
        if one.moments and one.arcs:
            named = [moment for arc in one.arcs for moment in arc.moments]
            moments += [name for name, _ in named]
            marks.append(on_screen(np.array([place for _, place in named]), view))
    s = look.scale
    names = names_at(moments, np.concatenate(marks), near=5 * s)
    if not names:
        return Picture(_batch(inks, look), None, None)
    spots = np.array([name.spot for name in names])
    seen = _inside(spots, view, 8 * s)
    inks.append((diamonds(seen, 6 * s, 4 * s), diamonds(seen, 6 * s, 2 * s), look.planned, 1.0))
    plates = plates_of((name.text for name in names), size=look.text, plate=look.halo)
    labels = placed(
        names,
        plates.sizes,
        free=view.free,
        taken=view.taken,
        marks=spots,
        dots=np.concatenate(dots),
        gap=10 * s,
    )
    return Picture(_batch(inks, look), laid(labels, plates), plates)


def cog_batch(look: Look) -> Any:
    """Give the mark of the COG about the origin."""
    here, s = np.zeros((1, 2)), look.scale
    return _batch([(discs(here, 10 * s), cog_marks(here, 7 * s, 2 * s), look.measured, 1.0)], look)


def on_screen(places: Floats, view: View) -> Floats:
    """Give pixels of world places, shape (N, 2); NaN behind the eye."""
    if not len(places):
        return np.zeros((0, 2))
    matrix = np.array(view.matrix)
    clip = places @ matrix[:, :3].T + matrix[:, 3]
    front = clip[:, 3:] > 1e-6
    spots = np.divide(clip[:, :2], clip[:, 3:], out=np.full((len(places), 2), np.nan), where=front)
    return (spots + 1) / 2 * np.array(view.size)


def _apart(ways: Sequence[Floats]) -> Floats:
    """Several ways as one, with a gap between them."""
    gap = np.full((1, 3), np.nan)
    return np.concatenate([part for way in ways for part in (way, gap)])


def _inside(spots: Floats, view: View, margin: float) -> Floats:
    """Those that are seen at least in part."""
    seen = (spots > -margin).all(axis=1) & (spots < np.array(view.size) + margin).all(axis=1)
    return spots[seen]


def _room(way: Floats) -> Floats:
    """How far each place is from its nearer neighbour, shape (N,)."""
    apart = np.hypot(*np.diff(way, axis=0).T)
    # Beside a gap there is room.
    apart = np.where(np.isfinite(apart), apart, np.inf)
    return np.minimum(np.append(apart, np.inf), np.insert(apart, 0, np.inf))


def _track(way: Floats, view: View, look: Look, *, strong: float) -> Iterator[Ink]:
    """The measured COG: a thin line with a cross on each frame."""
    s = look.scale
    halo, line = strokes(way, 4 * s, 1.6 * s)
    yield halo, line, look.measured, strong
    room = _inside(way[_room(way) > ROOM_FOR_CROSSES * s], view, 4 * s)
    yield NOTHING, crosses(room, 4 * s, 2 * s), look.measured, strong


def _planned(way: Floats, view: View, look: Look) -> Iterator[Ink]:
    """The planned arcs: a line with a round dot on each frame."""
    s = look.scale
    halo, line = strokes(way, 4.5 * s, 2.5 * s)
    yield halo, line, look.planned, 1.0
    seen = _inside(way[_room(way) > ROOM_FOR_DOTS * s], view, 5 * s)
    yield discs(seen, 5 * s), discs(seen, 3.6 * s), look.planned, 1.0


def _floors(arcs: Sequence[Arc], view: View, look: Look) -> Ink:
    """The floor at each take-off: a dashed line with ticks below."""
    s = look.scale
    ends = on_screen(np.concatenate([arc.floor for arc in arcs]), view).reshape(-1, 2, 2)
    halo, line = dashes(ends, 4 * s, 2 * s, dash=14 * s, gap=6 * s)
    return halo, line, look.floor, 1.0


def _batch(inks: Sequence[Ink], look: Look) -> Any:
    """One batch of all, each with its halo below."""
    shapes = [shape for halo, ink, _, _ in inks for shape in (halo, ink)]
    every = joined(shapes)
    if not len(every.corners):
        return None
    colours = [
        (*rgb, alpha * strong)
        for _, _, colour, strong in inks
        for rgb, alpha in ((look.halo, 0.5), (colour, 1.0))
    ]
    counts = [len(shape.corners) for shape in shapes]
    depth = np.zeros((len(every.corners), 1), np.float32)
    triangles: Any = every.triangles
    content: Any = {
        "pos": np.hstack([every.corners, depth]),
        "color": np.repeat(np.array(colours, np.float32), counts, axis=0),
    }
    return batch_for_shader(shader(), "TRIS", content, indices=triangles)
