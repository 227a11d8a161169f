# SPDX-License-Identifier: GPL-3.0-or-later
"""Marks on the plot: a shape for each moment, a letter for each finding.

Every one differs in its shape, so that none is told by its colour alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from leapwright.report.drawing import Drawing, Line, Shape, Words, words_width
from leapwright.report.scale import Scale
from leapwright.report.shown import FindingKind, Hop, Shown

__all__ = [
    "LANE",
    "MOMENT_NAMES",
    "Rect",
    "Span",
    "badge",
    "draw_findings",
    "draw_moments",
    "lanes_of",
    "moment",
]

Floats = NDArray[np.float64]
Rect = tuple[float, float, float, float]
Span = tuple[int, float, float, FindingKind]
"""Lane, first and last frame, and of which kind."""

MOMENT_NAMES = MappingProxyType(
    {"crouch": "crouch", "takeoff": "take-off", "apex": "apex", "land": "land", "low": "low"}
)
BADGE = 7.5
LANE = 21.0


def _regular(corners: int, turn: float = 0.0) -> Floats:
    angle = 2 * np.pi * (np.arange(corners) / corners + turn)
    return np.stack([np.sin(angle), -np.cos(angle)], axis=-1)


_MOMENTS = {
    "crouch": np.array([(-0.8, -0.8), (0.8, -0.8), (0.8, 0.8), (-0.8, 0.8)]),
    "takeoff": np.array([(0.0, -1.1), (1.05, 0.8), (-1.05, 0.8)]),
    "apex": np.array([(0.0, -1.2), (1.2, 0.0), (0.0, 1.2), (-1.2, 0.0)]),
    "land": np.array([(0.0, 1.1), (1.05, -0.8), (-1.05, -0.8)]),
    "low": _regular(20),
}
_BADGES = {
    "error": 1.12 * _regular(8, 1 / 16),
    "warning": 0.95 * _MOMENTS["crouch"] / 0.8,
    "note": _regular(20),
    "intended": _regular(20),
}


def moment(drawing: Drawing, name: str, x: float, y: float, *, size: float = 5.5) -> None:
    """The shape of a moment."""
    shape = np.array([x, y]) + size * _MOMENTS[name]
    drawing.add(Shape(shape, "paper", width=4.0))
    drawing.add(Shape(shape, "moment", hollow=name == "low", width=1.8))


def badge(drawing: Drawing, kind: FindingKind, x: float, y: float) -> None:
    """The letter of a finding in the shape of its severity."""
    role = "note" if kind.severity == "intended" else kind.severity
    filled = role in ("error", "warning")
    dash = (2.5, 2.0) if kind.severity == "intended" else ()
    shape = np.array([x, y]) + BADGE * _BADGES[kind.severity]
    drawing.add(Shape(shape, role, hollow=not filled, dash=dash))
    drawing.add(Words(x, y + 3.9, kind.letter, role, 11.0, "middle", bold=True, on=filled))


def lanes_of(kinds: Sequence[FindingKind], scale: Scale) -> list[Span]:
    """Findings that show in a row, each in the first lane with room for it."""
    spans = []
    for kind in kinds:
        for first, last in kind.frames:
            a, b = max(first, scale.first), min(last, scale.last)
            middle = (first + last) / 2
            if a <= b and scale.first <= middle <= scale.last:
                spans.append((float(a), float(b), kind))
    spans.sort(key=lambda span: (span[0], -span[1]))
    ends: list[float] = []
    laid = []
    for a, b, kind in spans:
        middle = float(scale.x((a + b) / 2))
        left = min(float(scale.x(a)), middle - BADGE - 2) - 4
        right = max(float(scale.x(b)), middle + BADGE + 2) + 4
        lane = next((i for i, end in enumerate(ends) if end <= left), len(ends))
        ends[lane : lane + 1] = [right]
        laid.append((lane, a, b, kind))
    return laid


def draw_findings(drawing: Drawing, spans: Iterable[Span], scale: Scale, bottom: float) -> None:
    """Each finding over the frames it shows on, lanes upward from `bottom`."""
    for lane, a, b, kind in spans:
        y = bottom - LANE * (lane + 0.5)
        left, right = (float(x) for x in scale.x([a, b]))
        role = "note" if kind.severity == "intended" else kind.severity
        drawing.add(Line(np.array([(left, y), (right, y)]), role, 1.5))
        for x in (left, right):
            drawing.add(Line(np.array([(x, y - 4), (x, y + 4)]), role, 1.5))
        badge(drawing, kind, (left + right) / 2, y)


def draw_moments(drawing: Drawing, shown: Shown, scale: Scale, taken: Iterable[Rect] = ()) -> None:
    """The moments of all jumps in a row: shapes, then names where nothing is in their way.

    `taken` are the places (left, top, right, bottom) where something is written already.
    """
    places = list(_places(shown, scale))
    taken = [*taken, *(_about(x, y, 7.0) for _, x, y, _ in places)]
    line = scale.points(shown.frames, shown.heights)
    arcs = [scale.points(hop.arc_frames, hop.arc_heights) for hop in shown.hops]
    dots = np.concatenate([_dense(line), *arcs])
    for _, x, y, shapes in places:
        for name in shapes:
            moment(drawing, name, x, y, size=3.6 if len(shapes) > 1 and name == "crouch" else 5.5)
    for text, x, y, shapes in places:
        _name(drawing, text, (x, y), shapes[0], taken, dots, scale)


def _places(shown: Shown, scale: Scale) -> Iterable[tuple[str, float, float, tuple[str, ...]]]:
    """Words, place and shapes; a low that is the next crouch is one place."""
    by_frame: dict[float, list[tuple[str, Hop]]] = {}
    for hop in shown.hops:
        for name, frame in hop.moments.items():
            if scale.first <= frame <= scale.last:
                by_frame.setdefault(round(frame, 2), []).append((name, hop))
    for frame, those in sorted(by_frame.items()):
        names = tuple(dict.fromkeys(sorted((n for n, _ in those), key=list(_MOMENTS).index)))
        names = tuple(sorted(names, key=lambda n: n != "low")) if "low" in names else names
        height = shown.height_at(frame)
        if "apex" in names and len(hop_arc := those[0][1].arc_frames):
            height = float(np.interp(frame, hop_arc, those[0][1].arc_heights))
        words = " and ".join(MOMENT_NAMES[name] for name in names)
        told = f"{words} {those[0][1].moments[those[0][0]]:.1f}".removesuffix(".0")
        yield told, *_at(scale, frame, height), names


def _at(scale: Scale, frame: float, height: float) -> tuple[float, float]:
    return float(scale.x(frame)), float(scale.y(height))


def _about(x: float, y: float, reach: float) -> Rect:
    return x - reach, y - reach, x + reach, y + reach


def _dense(points: Floats) -> Floats:
    """Points along a line at most about 3 pixels apart."""
    if len(points) < 2:
        return points
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    at = np.linspace(0.0, length[-1], max(2, int(length[-1] / 3)))
    return np.stack([np.interp(at, length, points[:, i]) for i in (0, 1)], axis=-1)


# Where the name of a moment stands, best first: steps right and down from its shape.
_SIDES = {
    "crouch": ("below", "left", "right"),
    "takeoff": ("left", "right", "above", "below"),
    "apex": ("above", "below"),
    "land": ("right", "left", "above", "below"),
    "low": ("below", "right", "left"),
}


def _name(
    drawing: Drawing,
    text: str,
    place: tuple[float, float],
    shape: str,
    taken: list[Rect],
    dots: Floats,
    scale: Scale,
) -> None:
    """Write the name of a moment beside it, in the first place that is free.

    Where there is none, its frame alone: the shape says which moment it is.
    """
    size = 11.5
    for said in (text, text.rpartition(" ")[2]):
        wide = words_width(said, size)
        for away in (10.0, 16.0, 24.0):
            for side in _SIDES[shape]:
                for shift in (0.0, -0.4, 0.4, -0.5, 0.5):
                    box = _beside(place, side, away, wide, shift, size)
                    if _free(box, taken, dots, scale):
                        taken.append(box)
                        x = box[0] + wide / 2
                        drawing.add(Words(x, box[3] - 3.0, said, "moment", size, "middle"))
                        return


def _beside(
    place: tuple[float, float], side: str, away: float, wide: float, shift: float, size: float
) -> Rect:
    x, y = place
    tall = size + 2
    if side in ("above", "below"):
        left = x - wide / 2 + shift * wide
        top = y - away - tall if side == "above" else y + away
    else:
        left = x - away - wide if side == "left" else x + away
        top = y - tall / 2 + 2 * shift * tall
    return left, top, left + wide, top + tall


def _free(box: Rect, taken: Iterable[Rect], dots: Floats, scale: Scale) -> bool:
    left, top, right, bottom = box
    if left < scale.left + 2 or right > max(scale.right, scale.left + 150):
        return False
    if top < scale.top - 30 or bottom > scale.bottom + 24:
        return False
    if any(left < b[2] and b[0] < right and top < b[3] and b[1] < bottom for b in taken):
        return False
    x, y = dots.T
    near = (x > left - 4) & (x < right + 4) & (y > top - 4) & (y < bottom + 4)
    return not bool(np.any(near))
