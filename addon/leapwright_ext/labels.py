# SPDX-License-Identifier: GPL-3.0-or-later
"""Where names are written: beside their marks, over nothing that is drawn, or not at all."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .moments import MOMENTS

__all__ = ["Box", "Label", "Name", "names_at", "placed"]

Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]
"""Left, bottom, right and top, in pixels."""

RANKS = ("takeoff", "land", "apex", "crouch", "low", "start", "end")
"""Where there is no room for all, earlier ones are named."""

MOST = 40
"""Names that are tried at most."""

SAID = 3
"""Names for one mark at most; more are told by the first and the last."""

MOST_COVERED = 3
"""Dots that a plate may lie upon: with more it is not told whose name it is."""

CELL = 4.0
"""Pixels: of dots that are nearer to each other only one counts."""

# Right and up, of the way to a side; the corners are a little nearer.
_EAST, _WEST, _NORTH, _SOUTH = (1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)
_NE, _SE, _NW, _SW = (0.6, 0.6), (0.6, -0.6), (-0.6, 0.6), (-0.6, -0.6)
_BESIDE = (_EAST, _WEST, _SE, _NE, _SW, _NW, _SOUTH, _NORTH)
_BELOW = (_SOUTH, _SE, _SW, _EAST, _WEST, _NE, _NW, _NORTH)
_ABOVE = (_NORTH, _NE, _NW, _EAST, _WEST, _SE, _SW, _SOUTH)
_SIDES = {"apex": _ABOVE, "crouch": _BELOW, "low": _BELOW}


@dataclass(frozen=True, slots=True)
class Name:
    """What is to be written beside a mark.

    Attributes
    ----------
    text : str
    spot : tuple of float
        Pixels of the mark.
    moment : str
        The most important of those that it names.
    """

    text: str
    spot: tuple[float, float]
    moment: str


@dataclass(frozen=True, slots=True)
class Label:
    """A name, and the pixel of its plate's left lower corner."""

    text: str
    x: int
    y: int


def names_at(moments: Sequence[str], spots: Floats, *, near: float) -> list[Name]:
    """Give a name for each mark that is seen; those of marks upon each other are one.

    Parameters
    ----------
    moments : sequence of str
        In their order in time, jump after jump.
    spots : ndarray, shape (N, 2)
        Pixels.
    near : float
        Marks nearer than this are one to the eye.
    """
    seen = np.isfinite(spots).all(axis=1)
    at = spots[seen]
    told = [moment for moment, is_seen in zip(moments, seen, strict=True) if is_seen]
    if not told:
        return []
    apart = np.abs(at[:, None] - at).max(axis=2)
    groups: dict[int, list[str]] = {}
    for moment, first in zip(told, np.argmax(apart < near, axis=1).tolist(), strict=True):
        group = groups.setdefault(first, [])
        if moment not in group:
            group.append(moment)
    return [
        Name(_told(group), (float(at[first, 0]), float(at[first, 1])), min(group, key=RANKS.index))
        for first, group in groups.items()
    ]


def placed(
    names: Iterable[Name],
    sizes: Mapping[str, tuple[int, int]],
    *,
    free: Box,
    taken: Iterable[Box],
    marks: Floats,
    dots: Floats,
    gap: float,
) -> list[Label]:
    """Give the names that find room, each on the side where it covers least, over no mark.

    Parameters
    ----------
    names : iterable of Name
    sizes : mapping of text to (width, height)
        Of plates, pixels.
    free : Box
        What is seen of the view.
    taken : iterable of Box
        What the host draws there.
    marks : ndarray, shape (M, 2)
        Never covered.
    dots : ndarray, shape (N, 2)
        Better not covered.
    gap : float
        Way from the middle of a mark to its plate.
    """
    inside = [n for n in names if _in(free, n.spot)]
    inside.sort(key=lambda name: RANKS.index(name.moment))
    del inside[MOST:]
    if not inside:
        return []
    boxes = _boxes(inside, sizes, gap)
    covered = _covered(boxes, _thinned(dots, free), gap / 3)
    fits = (boxes[..., :2] >= free[:2]).all(axis=2) & (boxes[..., 2:] <= free[2:]).all(axis=2)
    fits &= (covered <= MOST_COVERED) & (_covered(boxes, marks, gap / 2) == 0)
    full = list(taken)
    labels = []
    for name, places, dear, fit in zip(inside, boxes, covered, fits, strict=True):
        # Of sides that cover as little the preferred one; of a dot it gives way two sides.
        best = np.argsort(2 * dear + np.arange(len(places)), kind="stable")
        for x, y, right, top in places[best[fit[best]]].tolist():
            if not any(_meet((x, y, right, top), other) for other in full):
                labels.append(Label(name.text, int(x), int(y)))
                full.append((x - 2, y - 2, right + 2, top + 2))
                break
    return labels


def _told(group: Sequence[str]) -> str:
    if len(group) > SAID:
        return f"{MOMENTS[group[0]]} … {MOMENTS[group[-1]]}"
    return ", ".join(MOMENTS[moment] for moment in group)


def _boxes(names: Sequence[Name], sizes: Mapping[str, tuple[int, int]], gap: float) -> Floats:
    """The plate on each side of its mark, the preferred one first, on whole pixels: (N, 8, 4)."""
    spots = np.array([name.spot for name in names])[:, None]
    size = np.array([sizes[name.text] for name in names], np.float64)[:, None]
    sides = np.array([_SIDES.get(name.moment, _BESIDE) for name in names])
    corner = np.rint(spots + gap * sides + (np.sign(sides) - 1) * size / 2)
    return np.concatenate([corner, corner + size], axis=2)


def _thinned(dots: Floats, free: Box) -> Floats:
    """Of the dots that are seen, one in each cell."""
    seen = dots[(dots > free[:2]).all(axis=1) & (dots < free[2:]).all(axis=1)]
    cells = np.rint(seen / CELL).astype(np.int64)
    _, one = np.unique(cells[:, 0] * 100_000 + cells[:, 1], return_index=True)
    return seen[one]


def _covered(boxes: Floats, dots: Floats, margin: float) -> NDArray[np.int_]:
    """How many dots each box lies upon, shape as the boxes but the last axis."""
    x, y = dots.T
    left, bottom, right, top = (boxes[..., i, None] for i in range(4))
    upon = (x > left - margin) & (x < right + margin)
    upon &= (y > bottom - margin) & (y < top + margin)
    return np.asarray(np.count_nonzero(upon, axis=2))


def _in(box: Box, spot: tuple[float, float]) -> bool:
    return box[0] <= spot[0] <= box[2] and box[1] <= spot[1] <= box[3]


def _meet(one: Box, other: Box) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]
