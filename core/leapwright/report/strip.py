# SPDX-License-Identifier: GPL-3.0-or-later
"""A strip of pictures side by side, with the path of the COG drawn over each of them.

Pictures come as arrays and paths in their pixels, so any host can feed it. Pillow does the
drawing; it comes with the extra ``batch``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from io import BytesIO
from types import ModuleType
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from leapwright.errors import HostError, InputError

Colour: TypeAlias = tuple[int, int, int]

__all__ = ["Panel", "compose_strip", "png"]

_FINE = 3  # the path is drawn this much larger and then shrunk, for smooth edges
_MARGIN, _GAP, _CAPTION, _HEADER = 24, 12, 64, 52
_PAPER, _FRAME = (17, 19, 27), (58, 64, 84)
_INK, _QUIET = (240, 242, 248), (168, 176, 198)
_LINE, _DOT, _EDGE = (120, 224, 255), (235, 250, 255), (8, 10, 18)
_HERE = (255, 86, 160)
# Shape and colour both tell the three apart, so neither is needed alone.
_MARKS = {"take-off": (118, 240, 140), "apex": (255, 255, 255), "land": (255, 190, 70)}


@dataclass(frozen=True, slots=True)
class Panel:
    """One picture of the strip.

    Parameters
    ----------
    picture : array of uint8, shape [height, width, 3]
        Rows from the top down.
    moment : str
        What the caption says, ``take-off``.
    frame : int
    path : array, shape [points, 2]
        The COG in pixels from the top left of this picture, one point per frame; NaN where it
        cannot be seen.
    current : int
        Which point is the COG in this picture; -1 for none of them.
    marks : mapping of str to int
        Which points are ``take-off``, ``apex`` and ``land``.
    note : str
        A second line under the frame, ``COG 1.82 m``.
    """

    picture: NDArray[np.uint8]
    moment: str
    frame: int
    path: NDArray[np.float64]
    current: int = -1
    marks: Mapping[str, int] = field(default_factory=dict)
    note: str = ""


def compose_strip(panels: Sequence[Panel], *, title: str = "") -> NDArray[np.uint8]:
    """Lay pictures side by side with captions, and draw the path of the COG over each.

    Parameters
    ----------
    panels : sequence of Panel
        At least one, all of the same size.
    title : str
        Stands above the pictures, beside the legend.

    Returns
    -------
    array of uint8, shape [height, width, 3]

    Raises
    ------
    InputError
        No panels, sizes that differ, or points and marks that do not fit the path.
    HostError
        Pillow is missing.

    Examples
    --------
    >>> night = np.zeros((120, 160, 3), np.uint8)
    >>> path = np.stack([np.linspace(20, 140, 13), 30 + 2.0 * np.arange(-6, 7) ** 2], axis=1)
    >>> marks = {"take-off": 0, "apex": 6, "land": 12}
    >>> panels = [Panel(night, "apex", 107, path, 6, marks)]
    >>> compose_strip(panels).shape[2]
    3
    """
    _check(panels)
    image, draw, font = _pillow()
    height, width = panels[0].picture.shape[:2]
    across = 2 * _MARGIN + len(panels) * width + (len(panels) - 1) * _GAP
    top = _MARGIN + _HEADER
    sheet = image.new("RGB", (across, top + height + _CAPTION + _MARGIN), _PAPER)
    for i, panel in enumerate(panels):
        left = _MARGIN + i * (width + _GAP)
        sheet.paste(_drawn(panel, image, draw), (left, top))
        pen = draw.Draw(sheet)
        pen.rectangle((left - 1, top - 1, left + width, top + height), outline=_FRAME)
        _caption(pen, font, panel, (left, top + height + 10, width))
    _header(draw.Draw(sheet), font, title, across, bool(panels[0].marks))
    return np.asarray(sheet, dtype=np.uint8)


def png(sheet: NDArray[np.uint8]) -> bytes:
    """A picture as the bytes of a PNG file.

    Parameters
    ----------
    sheet : array of uint8, shape [height, width, 3]

    Raises
    ------
    HostError
        Pillow is missing.

    Examples
    --------
    >>> png(np.zeros((4, 4, 3), np.uint8))[1:4]
    b'PNG'
    """
    image, _, _ = _pillow()
    packed = BytesIO()
    image.fromarray(sheet).save(packed, "PNG")
    return packed.getvalue()


def _check(panels: Sequence[Panel]) -> None:
    if not panels:
        raise InputError("`panels` must hold at least one picture, got none", "panels")
    sizes = {panel.picture.shape for panel in panels}
    if len(sizes) > 1 or any(len(size) != 3 or size[2] != 3 for size in sizes):
        raise InputError(
            f"`panels` must all have one size [height, width, 3], got {sorted(sizes)}", "panels"
        )
    for panel in panels:
        last = len(panel.path) - 1
        if panel.path.ndim != 2 or panel.path.shape[1] != 2:
            raise InputError(
                f"`path` must have the shape [points, 2], got {panel.path.shape}", "path"
            )
        for name, at in {"current": max(panel.current, 0), **panel.marks}.items():
            if not 0 <= at <= max(last, 0):
                raise InputError(f"`{name}` must be a point from 0 to {last}, got {at}", name)


def _pillow() -> tuple[ModuleType, ModuleType, ModuleType]:
    try:
        from PIL import Image, ImageDraw, ImageFont
    except ImportError as error:
        raise HostError(
            "pictures need Pillow, which is missing: pip install leapwright[batch]"
        ) from error
    return Image, ImageDraw, ImageFont


def _drawn(panel: Panel, image: ModuleType, draw: ModuleType) -> Any:
    """The picture with the path over it; drawn large and shrunk, so that edges are smooth."""
    picture = image.fromarray(panel.picture).convert("RGBA")
    width, height = picture.size
    large = image.new("RGBA", (width * _FINE, height * _FINE), (*_EDGE, 0))
    pen = draw.Draw(large)
    seen = np.asarray(np.isfinite(panel.path).all(axis=1))
    # Pixel centres are half a pixel in; far-off points would make Pillow's lines overflow.
    points = np.clip((panel.path + 0.5) * _FINE, -1e5, 1e5)
    for run in np.split(points, np.flatnonzero(~seen)):
        line = [tuple(p) for p in run[np.isfinite(run).all(axis=1)].tolist()]
        if len(line) > 1:
            pen.line(line, fill=(*_EDGE, 150), width=5 * _FINE, joint="curve")
            pen.line(line, fill=(*_LINE, 235), width=round(1.5 * _FINE), joint="curve")
    for point in points[seen].tolist():
        _disc(pen, point, 2.3 * _FINE, _DOT)
    for name, at in panel.marks.items():
        if name in _MARKS and seen[at]:
            _mark(pen, name, points[at].tolist(), 7.0 * _FINE)
    if panel.current >= 0 and len(seen) and seen[panel.current]:
        _ring(pen, points[panel.current].tolist(), float(_FINE))
    return image.alpha_composite(picture, large.resize((width, height), image.LANCZOS))


def _disc(pen: Any, point: Sequence[float], radius: float, colour: Colour) -> None:
    x, y = point
    for r, paint in ((1.5 * radius, _EDGE), (radius, colour)):
        pen.ellipse((x - r, y - r, x + r, y + r), fill=(*paint, 255))


def _ring(pen: Any, point: Sequence[float], unit: float) -> None:
    x, y = point
    for radius, width, colour in ((13.0, 6.0, _EDGE), (12.0, 3.0, _HERE)):
        r = radius * unit
        pen.ellipse((x - r, y - r, x + r, y + r), outline=(*colour, 255), width=round(width * unit))


def _mark(pen: Any, name: str, point: Sequence[float], radius: float) -> None:
    """A triangle up for take-off, a diamond for the apex, a triangle down for land."""
    shapes = {
        "take-off": ((0.0, -1.0), (0.95, 0.75), (-0.95, 0.75)),
        "apex": ((0.0, -1.0), (1.0, 0.0), (0.0, 1.0), (-1.0, 0.0)),
        "land": ((0.0, 1.0), (0.95, -0.75), (-0.95, -0.75)),
    }
    shape = np.array(shapes[name])
    for size, colour in ((1.55 * radius, _EDGE), (radius, _MARKS[name])):
        corners = np.array(point) + size * shape
        pen.polygon([tuple(c) for c in corners.tolist()], fill=(*colour, 255))


def _caption(pen: Any, font: ModuleType, panel: Panel, place: tuple[int, int, int]) -> None:
    left, top, width = place
    centre = left + width / 2
    colour = _MARKS.get(panel.moment, _INK)
    pen.text((centre, top), panel.moment, fill=colour, font=font.load_default(size=24), anchor="ma")
    line = f"frame {panel.frame}" + (f"    {panel.note}" if panel.note else "")
    pen.text((centre, top + 33), line, fill=_QUIET, font=font.load_default(size=17), anchor="ma")


def _header(pen: Any, font: ModuleType, title: str, across: int, marked: bool) -> None:
    large, small = font.load_default(size=26), font.load_default(size=17)
    middle = _MARGIN + 16
    words = ["COG, one dot per frame", "this frame", *(_MARKS if marked else ())]
    steps = [50 + pen.textlength(word, font=small) for word in words]
    pen.text((_MARGIN, middle), title, fill=_INK, font=large, anchor="lm")
    used = _MARGIN + (pen.textlength(title, font=large) + 40 if title else 0)
    if used + sum(steps) + _MARGIN > across:
        return  # a single small picture has no room for a legend
    x = across - _MARGIN - sum(steps)
    for word, step in zip(words, steps, strict=True):
        place = (x + 14, float(middle))
        if word in _MARKS:
            _mark(pen, word, place, 7.0)
        elif word == "this frame":
            _ring(pen, place, 0.75)
        else:
            pen.line((x, middle, x + 28, middle), fill=_LINE, width=2)
            for dx in (4, 14, 24):
                _disc(pen, (x + dx, float(middle)), 2.6, _DOT)
        pen.text((x + 34, middle), word, fill=_QUIET, font=small, anchor="lm")
        x += step
