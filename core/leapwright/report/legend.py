# SPDX-License-Identifier: GPL-3.0-or-later
"""What the lines, shapes and letters of the plot stand for, below it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from leapwright.report.drawing import Box, Dots, Drawing, Line, Words, shortened, words_width
from leapwright.report.marks import MOMENT_NAMES, badge, moment
from leapwright.report.shown import FindingKind, Shown

__all__ = ["LINE", "draw_key", "draw_kinds"]

LINE = 22.0
"""Pixels from one line of the key to the next."""

_Sign = Callable[[Drawing, float, float], None]


def draw_key(drawing: Drawing, shown: Shown, left: float, top: float, width: float) -> float:
    """Draw what each sign is, as many beside each other as fit; gives where it ends."""
    signs: list[tuple[str, float, _Sign]] = [("COG, one dot a frame", 30.0, _dots)]
    if shown.hops:
        signs.append(("arc fitted to the air", 30.0, _arc))
    if shown.contacts:
        signs.append(("sole on the floor", 30.0, _sole))
    if shown.hops:
        signs += [(MOMENT_NAMES[name], 15.0, _moment(name)) for name in MOMENT_NAMES]
    x, y = left, top + LINE / 2
    for text, wide, sign in signs:
        step = wide + 6 + words_width(text, 11.5) + 14
        if x > left and x + step - 14 > left + width:
            x, y = left, y + LINE
        sign(drawing, x, y)
        drawing.add(Words(x + wide + 6, y + 4, text, "quiet", 11.5))
        x += step
    return y + LINE / 2


def _dots(drawing: Drawing, x: float, y: float) -> None:
    drawing.add(Line(np.array([(x, y), (x + 30, y)]), "path", 1.2))
    drawing.add(Dots(np.array([(x + dx, y) for dx in (4.0, 15.0, 26.0)]), "dot"))


def _arc(drawing: Drawing, x: float, y: float) -> None:
    drawing.add(Line(np.array([(x, y), (x + 30, y)]), "arc", 4.5, opacity=0.6))


def _sole(drawing: Drawing, x: float, y: float) -> None:
    drawing.add(Box(x, y - 3, 30, 6, "band"))


def _moment(name: str) -> _Sign:
    return lambda drawing, x, y: moment(drawing, name, x + 8, y)


def draw_kinds(
    drawing: Drawing, kinds: Sequence[FindingKind], left: float, top: float, width: float
) -> float:
    """Draw what each letter is, a line each; gives where it ends."""
    y = top
    for kind in kinds:
        y += LINE
        badge(drawing, kind, left + 8, y - LINE / 2)
        text = shortened(_told(kind), width - 26)
        drawing.add(Words(left + 24, y - LINE / 2 + 4, text))
    return y


def _told(kind: FindingKind) -> str:
    """``warning: hangs at the top, jumps 1 and 3``."""
    why = kind.severity
    if why == "intended":
        why = f"meant so ({'; '.join(kind.reasons)})"
    where = [f"{a:.1f}".removesuffix(".0") + _until(a, b) for a, b in kind.frames]
    if len(where) == 1:
        place = f"frame{'s' if '–' in where[0] else ''} {where[0]}"
    else:
        numbers = [str(n) for n in dict.fromkeys(kind.jumps)]
        place = f"jump {numbers[0]}" if len(numbers) == 1 else f"jumps {listed(numbers)}"
    return f"{kind.name}, {place}: {why}"


def _until(first: float, last: float) -> str:
    end = f"{last:.1f}".removesuffix(".0")
    return "" if end == f"{first:.1f}".removesuffix(".0") else f"–{end}"


def listed(words: Sequence[str]) -> str:
    """``1, 2 and 3``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
