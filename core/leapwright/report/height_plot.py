# SPDX-License-Identifier: GPL-3.0-or-later
"""The plot of a check: how high the COG is on every frame, and what was found there.

Drawn from the JSON of a check alone, so that a page made in the morning needs no Blender. A long
clip is drawn in rows, all to one scale.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from leapwright.disk import write_whole
from leapwright.errors import InputError
from leapwright.report.drawing import (
    Box,
    Dots,
    Drawing,
    Line,
    Words,
    picture,
    printable,
    shortened,
    svg,
    words_width,
)
from leapwright.report.legend import draw_key, draw_kinds, listed
from leapwright.report.marks import LANE, Rect, draw_findings, draw_moments, lanes_of
from leapwright.report.scale import Scale, round_frames, round_heights
from leapwright.report.shown import Shown, kinds_of, rows_of

__all__ = ["height_plot", "save_height_plot"]

MOST_ROWS = 12
LEFT, RIGHT, TOP = 84.0, 22.0, 58.0
ABOVE, BELOW = 34.0, 30.0
"""Room in a row for the names of the moments above the highest dot and below the lowest."""
AXIS, SOLE = 30.0, 13.0
MOST_SOLES = 4
DOTS_FROM = 3.0
"""Pixels a frame; with less there is only the line."""


def height_plot(
    checked: Mapping[str, Any],
    *,
    jump: int | None = None,
    title: str | None = None,
    dark: bool = False,
    width: int = 960,
    beside: Mapping[str, Any] | None = None,
) -> str:
    """Draw a check as SVG: height of the COG over frames, one dot a frame.

    Over the dots lie the arcs that were fitted to the air; the moments have a shape each and,
    where there is room, a name; below stands which sole is on the floor; findings have a letter.

    Parameters
    ----------
    checked : mapping
        `leapwright.checked.Checked.to_json` with ``track=True``, or the same read from a file.
    jump : int, optional
        Draw this jump alone, counted from 1. Default: the whole clip.
    title : str, optional
        Default: the file and the rig.
    dark : bool
        Light on dark.
    width : int
        Pixels; the height follows.
    beside : mapping, optional
        Another check that this one will stand beside: both get the same scales.

    Returns
    -------
    str
        The text of an SVG file.

    Raises
    ------
    InputError
        No track in the mapping, no such jump, a width below 320.

    Examples
    --------
    >>> import leapwright
    >>> from leapwright.checked import check_track
    >>> from leapwright.track import Track
    >>> plan = leapwright.plan(rise_frames=12, push_frames=3, pins={"takeoff": 30})
    >>> told = check_track(Track.of(plan.cog(range(1, 80)).position), file="crates.blend")
    >>> height_plot(told.to_json(track=True))[:4]
    '<svg'
    """
    return svg(_drawn(checked, jump, title, width, beside), dark=dark)


def save_height_plot(
    checked: Mapping[str, Any],
    path: Path | str,
    *,
    jump: int | None = None,
    title: str | None = None,
    dark: bool = False,
    width: int = 960,
) -> None:
    """Draw a check into a file.

    Parameters
    ----------
    checked, jump, title, dark, width
        As for `height_plot`.
    path : Path or str
        Ends in .svg or .png; a PNG has twice the pixels. It is replaced as a whole or not at all.

    Raises
    ------
    InputError
        As for `height_plot`, or another ending.
    FileError
        It cannot be written.
    HostError
        A PNG without matplotlib.
    """
    path = Path(path)
    ending = path.suffix.lower()
    if ending not in (".svg", ".png"):
        raise InputError(f"plot must end in .svg or .png, got {path.name!r}", "plot")
    drawing = _drawn(checked, jump, title, width, None)
    if ending == ".svg":
        packed = svg(drawing, dark=dark).encode("utf-8")
    else:
        packed = picture(drawing, dark=dark)
    write_whole(path, packed)


def _drawn(
    checked: Mapping[str, Any],
    jump: int | None,
    title: str | None,
    width: int,
    beside: Mapping[str, Any] | None,
) -> Drawing:
    if width < 320:
        raise InputError(f"width must be 320 pixels or more, got {width}", "width")
    shown = Shown.of(checked, jump=jump)
    rows = rows_of(shown, alone=jump is not None)
    low, high, longest = _extent(shown, rows)
    if beside is not None:
        other = Shown.of(beside)
        lows = _extent(other, rows_of(other))
        low, high, longest = min(low, lows[0]), max(high, lows[1]), max(longest, lows[2])
    drawing = Drawing(width, 0.0, told=_told(shown))
    drawing.name = title or f"Height of the COG: {_named(shown)}"
    _head(drawing, shown, drawing.name)
    per_frame = (width - LEFT - RIGHT) / max(longest, 1.0)
    tall = 270.0 if len(rows) == 1 else 150.0
    many = len(shown.hops) > 1
    kinds = kinds_of(shown.hops)
    y = TOP
    for first, last in rows[:MOST_ROWS]:
        scale = Scale(first, last, low, high, LEFT, y, y + tall, per_frame)
        spans = lanes_of(kinds, scale)
        lanes = 1 + max((lane for lane, *_ in spans), default=-1)
        above = y + lanes * LANE
        top = above + ABOVE + (16.0 if many else 0.0)
        scale = replace(scale, top=top, bottom=top + tall)
        draw_findings(drawing, spans, scale, above)
        _row(drawing, shown, scale, above, many=many)
        y = _soles(drawing, shown, scale, scale.bottom + BELOW + AXIS)
    y = draw_key(drawing, shown, 16.0, y + 8, width - 32.0)
    y = draw_kinds(drawing, kinds, 16.0, y + 4, width - 32.0)
    for line in _left_out(shown, rows):
        y += 18
        drawing.add(Words(16.0, y, shortened(line, width - 32.0, 11.5), "quiet", 11.5))
    drawing.height = float(np.ceil(y + 14))
    return drawing


def _named(shown: Shown) -> str:
    name = shown.file.replace("\\", "/").rpartition("/")[2]
    return ", ".join(part for part in (name, shown.rig) if part) or "a clip"


def _extent(shown: Shown, rows: list[tuple[float, float]]) -> tuple[float, float, float]:
    """Lowest and highest that is drawn, and the frames of the longest row."""
    inside = np.zeros(len(shown.frames), dtype=bool)
    for first, last in rows[:MOST_ROWS]:
        inside |= (shown.frames >= first) & (shown.frames <= last)
    # A clip of one frame between others' numbers still has its height.
    heights = shown.heights[inside] if np.any(inside) else shown.heights
    drawn = np.concatenate([heights, *(hop.arc_heights for hop in shown.hops)])
    low, high = float(np.min(drawn)), float(np.max(drawn))
    if high - low < 0.1:
        low, high = (low + high) / 2 - 0.05, (low + high) / 2 + 0.05
    return low, high, max(last - first for first, last in rows)


def _told(shown: Shown) -> str:
    """The plot in words."""
    if not shown.hops:
        return shown.reason or "no jump"
    said = []
    for hop in shown.hops:
        moments = ", ".join(
            f"{'take-off' if name == 'takeoff' else name} {frame:.1f}".removesuffix(".0")
            for name, frame in hop.moments.items()
        )
        said.append(f"Jump {hop.number}: {moments}.")
    return " ".join(said)


def _head(drawing: Drawing, shown: Shown, title: str) -> None:
    room = drawing.width - 32.0
    drawing.add(Words(16.0, 24.0, shortened(printable(title), room, 15.0), "ink", 15.0, bold=True))
    first, last = (f"{f:g}" for f in (shown.frames[0], shown.frames[-1]))
    source = f", COG from {shown.cog_from}" if shown.cog_from else ""
    count = len(shown.hops)
    jumps = "one jump" if count == 1 else f"{count} jumps" if count else _why(shown)
    if len(shown.hops) == 1 and shown.hops[0].number > 1:
        jumps = f"jump {shown.hops[0].number}"
    line = f"Frames {first} to {last}, {shown.frame_rate:.5g} a second{source}; {jumps}"
    drawing.add(Words(16.0, 43.0, shortened(printable(line), room), "quiet"))


def _why(shown: Shown) -> str:
    return shown.reason or "no jump"


def _row(drawing: Drawing, shown: Shown, scale: Scale, top: float, *, many: bool) -> None:
    bottom = scale.bottom + BELOW
    for hop in shown.hops:
        a, b = (hop.moments.get(m, np.nan) for m in ("takeoff", "land"))
        a, b = max(a, scale.first), min(b, scale.last)
        if a < b:
            left, right = (float(x) for x in scale.x([a, b]))
            drawing.add(Box(left, top, right - left, bottom - top, "air"))
    _axes(drawing, scale, bottom)
    dots = scale.points(shown.frames, shown.heights)
    drawing.add(Line(_thinned(dots), "path", 1.2))
    for hop in shown.hops:
        arc = scale.points(hop.arc_frames, hop.arc_heights)
        if len(arc) > 1:
            # Every third pixel will do.
            fine = max(1, int(3 * len(arc) // max(arc[-1, 0] - arc[0, 0], 1.0)))
            arc = np.concatenate([arc[:-1:fine], arc[-1:]])
            drawing.add(Line(arc, "arc", 4.5, opacity=0.6))
    if scale.per_frame >= DOTS_FROM:
        drawing.add(Dots(dots, "dot", min(2.5, 0.34 * scale.per_frame + 0.6)))
    taken = _numbers(drawing, shown, scale, top) if many else []
    draw_moments(drawing, shown, scale, taken)


def _numbers(drawing: Drawing, shown: Shown, scale: Scale, top: float) -> list[Rect]:
    """Which jump it is, at the top of its air; gives the places that are taken by it."""
    taken = []
    for hop in shown.hops:
        frame = (hop.moments.get("takeoff", np.nan) + hop.moments.get("land", np.nan)) / 2
        if scale.first <= frame <= scale.last:
            x, text = float(scale.x(frame)), f"jump {hop.number}"
            drawing.add(Words(x, top + 13, text, "quiet", 11.5, "middle"))
            half = words_width(text, 11.5) / 2
            taken.append((x - half, top, x + half, top + 15))
    return taken


def _thinned(points: Any) -> Any:
    """Lowest and highest of every pixel: a line of 100,000 frames needs no more."""
    if len(points) < 4000:
        return points
    column = np.floor(points[:, 0])
    starts = np.flatnonzero(np.diff(column, prepend=column[0] - 1))
    low, high = (f.reduceat(points[:, 1], starts) for f in (np.minimum, np.maximum))
    return np.stack([np.repeat(column[starts], 2), np.stack([low, high], 1).ravel()], axis=-1)


def _axes(drawing: Drawing, scale: Scale, bottom: float) -> None:
    left, right = scale.left, scale.right
    for height in round_heights(scale.low, scale.high).tolist():
        y = float(scale.y(height))
        drawing.add(Line(np.array([(left, y), (right, y)]), "grid"))
        drawing.add(Words(left - 8, y + 4, f"{height:g} m", "quiet", 11.5, "end"))
    drawing.add(Line(np.array([(left, bottom), (right, bottom)]), "quiet"))
    for frame in round_frames(scale.first, scale.last, scale.per_frame).tolist():
        x = float(scale.x(frame))
        drawing.add(Line(np.array([(x, bottom), (x, bottom + 5)]), "quiet"))
        drawing.add(Words(x, bottom + 18, f"{frame:g}", "quiet", 11.5, "middle"))
    drawing.add(Words(left - 30, bottom + 18, "frame", "quiet", 11.5, "end"))


def _soles(drawing: Drawing, shown: Shown, scale: Scale, top: float) -> float:
    """A band for each sole where it is on the floor; gives where they end."""
    rows = dict(shown.contacts)
    if len(rows) > MOST_SOLES:
        rows = {"any sole": np.any(list(rows.values()), axis=0)}
    y = top
    for name, on in rows.items():
        label = shortened(printable(name), scale.left - 16, 11.0)
        drawing.add(Words(scale.left - 8, y + 4, label, "quiet", 11.0, "end"))
        ends = np.array([(scale.left, y), (scale.right, y)])
        drawing.add(Line(ends, "grid"))
        for first, last in _stretches(shown, on, scale):
            left, right = (float(x) for x in scale.x([first, last]))
            drawing.add(Box(left, y - 3, max(right - left, 1.0), 6, "band"))
        y += SOLE
    return y + 6


def _stretches(shown: Shown, on: Any, scale: Scale) -> list[tuple[float, float]]:
    """First and last frame of each contact, within the row; half a frame more at either end."""
    edge = np.diff(np.concatenate([[False], on, [False]]).astype(np.int8))
    firsts = shown.frames[np.flatnonzero(edge > 0)] - 0.4
    lasts = shown.frames[np.flatnonzero(edge < 0) - 1] + 0.4
    firsts, lasts = np.maximum(firsts, scale.first), np.minimum(lasts, scale.last)
    return [(a, b) for a, b in zip(firsts.tolist(), lasts.tolist(), strict=True) if a < b]


def _left_out(shown: Shown, rows: list[tuple[float, float]]) -> list[str]:
    said = []
    if len(rows) > MOST_ROWS:
        last = rows[MOST_ROWS - 1][1]
        rest = [str(hop.number) for hop in shown.hops if hop.begins >= last - 1e-6]
        ends = rest if len(rest) < 3 else [rest[0], rest[-1]]
        what = f"Jumps {' to '.join(ends)} are" if len(rest) > 1 else f"Jump {listed(ends)} is"
        said.append(f"{what} not drawn.")
    covered = sum(last - first for first, last in rows)
    if covered < shown.frames[-1] - shown.frames[0] - 1e-6:
        what = (
            "Only this jump's frames are"
            if len(shown.hops) == 1
            else "Frames far from any jump are not"
        )
        said.append(f"{what} drawn.")
    return said
