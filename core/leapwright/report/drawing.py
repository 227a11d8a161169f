# SPDX-License-Identifier: GPL-3.0-or-later
"""A drawing as a list of lines, shapes and words in pixels, and its SVG and PNG.

One list feeds both, so that a plot looks the same on a page and in a picture. Colours are named by
what they stand for; a page may restyle them by class.
"""

from __future__ import annotations

import unicodedata
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from io import BytesIO
from types import MappingProxyType
from typing import Any, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from leapwright.errors import HostError

__all__ = [
    "DARK", "LIGHT", "Box", "Dots", "Drawing", "Line", "Shape", "Words", "picture", "printable",
    "shortened", "svg", "words_width",
]  # fmt: skip

Floats: TypeAlias = NDArray[np.float64]
Anchor = Literal["start", "middle", "end"]

LIGHT: Mapping[str, str] = MappingProxyType(
    {
        "paper": "#fdfcf8",
        "ink": "#1c2030",
        "quiet": "#555d70",
        "grid": "#dedcd2",
        "air": "#e6eef2",
        "band": "#8c7a55",
        "dot": "#22304f",
        "path": "#9aa9bf",
        "arc": "#00788a",
        "moment": "#6a2c91",
        "note": "#3f5f9e",
        "warning": "#9a5200",
        "error": "#b3221b",
    }
)
"""Colours on light paper, by what they stand for."""

DARK: Mapping[str, str] = MappingProxyType(
    {
        "paper": "#11131b",
        "ink": "#f0f2f8",
        "quiet": "#a8b0c6",
        "grid": "#2d3346",
        "air": "#1c2433",
        "band": "#b59f6e",
        "dot": "#ebfaff",
        "path": "#5c6a88",
        "arc": "#4fd0e8",
        "moment": "#d7a6ff",
        "note": "#9db8ff",
        "warning": "#ffbe46",
        "error": "#ff867c",
    }
)
"""The same on dark paper."""

_FONT = "system-ui, 'Segoe UI', 'Helvetica Neue', Arial, 'Noto Sans', sans-serif"
# Matplotlib's own font has no Chinese, Japanese or Korean; one of these is on most machines.
_WIDE_FONTS = (
    "Noto Sans CJK JP", "Noto Sans CJK SC", "Microsoft YaHei", "Yu Gothic", "Malgun Gothic",
    "Hiragino Sans", "PingFang SC", "Arial Unicode MS",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Line:
    """A line through points, shape (N, 2)."""

    points: Floats
    role: str
    width: float = 1.0
    dash: tuple[float, ...] = ()
    opacity: float = 1.0


@dataclass(frozen=True, slots=True)
class Dots:
    """Round dots at points, shape (N, 2)."""

    points: Floats
    role: str
    radius: float = 2.5


@dataclass(frozen=True, slots=True)
class Shape:
    """A closed outline, shape (N, 2): filled, or with `hollow` in the colour of the paper."""

    points: Floats
    role: str
    hollow: bool = False
    dash: tuple[float, ...] = ()
    width: float = 1.5


@dataclass(frozen=True, slots=True)
class Box:
    """A filled rectangle."""

    left: float
    top: float
    width: float
    height: float
    role: str


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text; `y` is its base line."""

    x: float
    y: float
    text: str
    role: str = "ink"
    size: float = 12.0
    anchor: Anchor = "start"
    bold: bool = False
    on: bool = False
    """In the colour of the paper: stands on a filled shape."""


Part: TypeAlias = Line | Dots | Shape | Box | Words


@dataclass(slots=True)
class Drawing:
    """What is drawn, first things below.

    Attributes
    ----------
    width, height : float
        Pixels.
    name : str
        What it shows, for who does not see it.
    told : str
        The same at length.
    parts : list
    """

    width: float
    height: float
    name: str = ""
    told: str = ""
    parts: list[Part] = field(default_factory=list)

    def add(self, *parts: Part) -> None:
        """Draw on top of what is there."""
        self.parts += parts


def printable(text: str) -> str:
    """A text on one line: what cannot be shown, a newline say, is written as its escape."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text
    )


def words_width(text: str, size: float = 12.0) -> float:
    """Pixels that a text takes at most in the fonts that are asked for."""
    return size * sum(1.0 if unicodedata.east_asian_width(c) in "WF" else 0.6 for c in text)


def shortened(text: str, width: float, size: float = 12.0) -> str:
    """A text cut in its middle to fit a width, with an ellipsis where it was cut."""
    if words_width(text, size) <= width:
        return text
    room = width - words_width("…", size)
    head, tail = text[: len(text) // 2], text[len(text) // 2 :]
    while (head or tail) and words_width(head + tail, size) > room:
        if len(head) > len(tail):
            head = head[:-1]
        else:
            tail = tail[1:]
    return f"{head}…{tail}"


def svg(drawing: Drawing, *, dark: bool = False) -> str:
    """A drawing as the text of an SVG file.

    Colours are attributes of elements that also carry a class (``fill-ink``, ``line-arc``): a page
    that holds the drawing may give them others.
    """
    colours = DARK if dark else LIGHT
    w, h = _n(drawing.width), _n(drawing.height)
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" width="{w}" height="{h}"',
        f'class="plot" role="img" aria-label="{_safe(drawing.name)}" font-family="{_FONT}">',
        f"<title>{_safe(drawing.name)}</title><desc>{_safe(drawing.told)}</desc>",
        f'<rect width="{w}" height="{h}" {_fill("paper", colours)}/>',
    ]
    lines += [_element(part, colours) for part in drawing.parts]
    return "\n".join([*lines, "</svg>\n"])


def _element(part: Part, colours: Mapping[str, str]) -> str:
    if isinstance(part, Box):
        return (
            f'<rect x="{_n(part.left)}" y="{_n(part.top)}" width="{_n(part.width)}" '
            f'height="{_n(part.height)}" {_fill(part.role, colours)}/>'
        )
    if isinstance(part, Words):
        weight = ' font-weight="600"' if part.bold else ""
        anchor = f' text-anchor="{part.anchor}"' if part.anchor != "start" else ""
        return (
            f'<text x="{_n(part.x)}" y="{_n(part.y)}" font-size="{_n(part.size)}"{anchor}{weight} '
            f"{_fill('paper' if part.on else part.role, colours)}>{_safe(part.text)}</text>"
        )
    if isinstance(part, Dots):
        # A line of no length with round ends is a dot, in a quarter of a circle's letters.
        path = "".join(f"M{_n(x)} {_n(y)}h0" for x, y in part.points.tolist())
        stroke = _line(part.role, colours, 2 * part.radius)
        return f'<path d="{path}" stroke-linecap="round" {stroke}/>'
    path = "M" + "L".join(f"{_n(x)} {_n(y)}" for x, y in part.points.tolist())
    dash = f' stroke-dasharray="{" ".join(map(_n, part.dash))}"' if part.dash else ""
    if isinstance(part, Line):
        faint = f' opacity="{_n(part.opacity)}"' if part.opacity < 1 else ""
        line = _line(part.role, colours, part.width)
        return f'<path d="{path}" fill="none" stroke-linejoin="round" {line}{dash}{faint}/>'
    inner = "paper" if part.hollow else part.role
    return (
        f'<path d="{path}Z" fill="{colours[inner]}" stroke="{colours[part.role]}" '
        f'stroke-width="{_n(part.width)}"{dash} class="fill-{inner} line-{part.role}"/>'
    )


def _fill(role: str, colours: Mapping[str, str]) -> str:
    return f'fill="{colours[role]}" class="fill-{role}"'


def _line(role: str, colours: Mapping[str, str], width: float) -> str:
    return f'stroke="{colours[role]}" stroke-width="{_n(width)}" class="line-{role}"'


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0").replace("-0", "-0" if value <= -0.1 else "0", 1)


def _safe(text: str) -> str:
    return escape(printable(text))


def picture(drawing: Drawing, *, dark: bool = False, scale: float = 2.0) -> bytes:
    """A drawing as the bytes of a PNG file.

    Raises
    ------
    HostError
        Matplotlib is missing.
    """
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as error:
        raise HostError(
            "pictures of plots need matplotlib, which is missing: pip install leapwright[batch]; "
            "an .svg needs nothing"
        ) from error
    colours = DARK if dark else LIGHT
    figure = Figure(figsize=(drawing.width / 100, drawing.height / 100), dpi=100 * scale)
    figure.set_facecolor(colours["paper"])
    canvas = FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_axis_off()
    axes.set_xlim(0, drawing.width)
    axes.set_ylim(drawing.height, 0)
    fonts = _fonts()
    for order, part in enumerate(drawing.parts):
        axes.add_artist(_artist(part, colours, fonts, order))
    packed = BytesIO()
    with warnings.catch_warnings():
        # A letter that no font here has is drawn as a box.
        warnings.filterwarnings("ignore", message="Glyph", category=UserWarning)
        canvas.print_figure(packed, format="png", metadata={"Software": None})
    return packed.getvalue()


def _fonts() -> list[str]:
    from matplotlib.font_manager import fontManager

    there = {font.name for font in fontManager.ttflist}
    return ["DejaVu Sans", *(name for name in _WIDE_FONTS if name in there)]


def _artist(part: Part, colours: Mapping[str, str], fonts: Sequence[str], order: int) -> Any:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Polygon, Rectangle
    from matplotlib.text import Text

    point = 0.72  # a pixel of the drawing in points
    if isinstance(part, Box):
        place, colour = (part.left, part.top), colours[part.role]
        return Rectangle(place, part.width, part.height, fc=colour, lw=0, zorder=order)
    if isinstance(part, Words):
        return Text(
            part.x,
            part.y,
            printable(part.text),
            color=colours["paper" if part.on else part.role],
            fontsize=part.size * point * 0.93,  # this font runs wider than those of a page
            fontfamily=list(fonts),
            fontweight="bold" if part.bold else "normal",
            ha={"start": "left", "middle": "center", "end": "right"}[part.anchor],
            va="baseline",
            parse_math=False,
            zorder=order,
        )
    if isinstance(part, Dots):
        x, y = part.points.T
        size = 2 * part.radius * point
        colour = colours[part.role]
        return Line2D(x, y, ls="", marker="o", ms=size, mew=0, color=colour, zorder=order)
    dash = (0, tuple(d * point for d in part.dash)) if part.dash else "-"
    if isinstance(part, Line):
        x, y = part.points.T
        return Line2D(
            x, y, color=colours[part.role], lw=part.width * point, ls=dash, alpha=part.opacity,
            solid_joinstyle="round", dash_capstyle="butt", zorder=order,
        )  # fmt: skip
    return Polygon(
        part.points,
        closed=True,
        fc=colours["paper" if part.hollow else part.role],
        ec=colours[part.role],
        lw=part.width * point,
        ls=dash,
        zorder=order,
    )
