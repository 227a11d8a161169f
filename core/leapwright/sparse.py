# SPDX-License-Identifier: GPL-3.0-or-later
"""As few keys as hold a curve within a distance.

Values are known on many frames and keys are wanted on few of them. Between keys runs one cubic
(`leapwright.path.handles_at_thirds` turns it into Bezier keys), and how far off that is, is for
the caller to say: the distance of a sole from its place, say, not that of a channel.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import numpy.typing as npt

from leapwright.errors import InputError

__all__ = ["Sparse", "interpolate", "sparse_keys"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]
Slopes = Mapping[int, tuple[npt.ArrayLike | None, npt.ArrayLike | None]]

TRIED = 16
"""At most so many places are tried for a new key in one interval."""

PATIENCE = 400_000
"""Frames that are looked at in all while keys are taken out: a block's push and absorb never come
near it, hundreds of frames that need a key each would take minutes to no end."""

PULL = 1e-5
"""How strongly slopes are drawn to those of the samples where the samples leave them open."""


@dataclass(frozen=True, slots=True, eq=False)
class Sparse:
    """Which frames are keyed, and the slopes there.

    Attributes
    ----------
    knots : int64[K]
        Indices into the frames, rising, the first and the last among them.
    slopes_in, slopes_out : float64[K, D]
        Slope per frame with which each key is reached and left; the same but at corners.
    """

    knots: Ints
    slopes_in: Floats
    slopes_out: Floats


def sparse_keys(
    frames: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    knots: npt.ArrayLike,
    miss: Callable[[Floats], Floats],
    within: float,
    corners: npt.ArrayLike | None = None,
    fixed_slopes: Slopes | None = None,
) -> Sparse:
    """Choose keys and slopes that hold a curve within a distance on every frame.

    Parameters
    ----------
    frames : array_like, shape (F,)
        At least two frames, rising, evenly spaced or not.
    values : array_like, shape (F, D)
        What is wanted on them.
    knots : array_like of int
        Indices of frames that are keyed in any case; the first and the last always are.
    miss : callable
        Takes interpolated values, float64[F, D], and gives how far each frame is off, float64[F].
    within : float
        What may be missed, in the unit of `miss`; 0 or more.
    corners : bool array_like, shape (F,), optional
        Frames where a key may be reached and left with different slopes.
    fixed_slopes : mapping, optional
        Index → (slope in, slope out), each of shape (D,), or None where it is free. These frames
        are keyed too.

    Returns
    -------
    Sparse
        With it `miss` of `interpolate` is at most `within` on every frame that is not keyed, or
        at most what the wanted values miss themselves. In the worst case every frame is keyed.

    Raises
    ------
    InputError
        Frames that do not rise, shapes that do not fit, or `within` below 0.

    Notes
    -----
    For given keys the slopes are those of the least squared difference to all samples, one linear
    system. Where the samples leave a slope open, as between neighbouring frames, it is the second
    order difference of the samples. Keys are added where they help most, then those that are not
    needed are taken out, and two are replaced by one where one will do.

    Examples
    --------
    >>> frames = np.arange(13.0)
    >>> dip = -np.sin(frames / 12 * np.pi)[:, None] ** 2
    >>> off = lambda tried: np.abs(tried - dip)[:, 0]
    >>> found = sparse_keys(frames, dip, knots=[], miss=off, within=0.02)
    >>> len(found.knots), bool(off(interpolate(frames, dip, found)).max() <= 0.02)
    (3, True)
    """
    task = _task(frames, values, knots, miss, within, corners, fixed_slopes)
    return task.fit(_thinned(task, _enough(task)))


def interpolate(frames: npt.ArrayLike, values: npt.ArrayLike, sparse: Sparse) -> Floats:
    """Give the cubics through the keyed values on all frames, float64[F, D].

    Parameters
    ----------
    frames : array_like, shape (F,)
    values : array_like, shape (F, D)
        As given to `sparse_keys`; only those on the keys count.
    sparse : Sparse
    """
    x, y = np.asarray(frames, np.float64), np.asarray(values, np.float64)
    hold, leave, reach = _basis(x, y, sparse.knots)
    segment = _segment(len(x), sparse.knots)
    return np.asarray(
        hold
        + leave[:, None] * sparse.slopes_out[segment]
        + reach[:, None] * sparse.slopes_in[segment + 1]
    )


# --- One cubic between two keys ----------------------------------------------------------------


def _segment(count: int, knots: Ints) -> Ints:
    """Which interval each frame is in, int64[F]."""
    place = np.searchsorted(knots, np.arange(count), side="right") - 1
    return np.minimum(place, len(knots) - 2)


def _basis(x: Floats, y: Floats, knots: Ints) -> tuple[Floats, Floats, Floats]:
    """Values with flat keys, float64[F, D]; what one unit of slope at each end adds, float64[F]."""
    segment = _segment(len(x), knots)
    start, stop = knots[segment], knots[segment + 1]
    span = x[stop] - x[start]
    u = (x - x[start]) / span
    rise = (u * u * (3 - 2 * u))[:, None]
    return (
        (1 - rise) * y[start] + rise * y[stop],
        span * u * (1 - u) ** 2,
        span * u * u * (u - 1),
    )


def _three_diagonals(below: Floats, middle: Floats, above: Floats, right: Floats) -> Floats:
    """Solve a system of three diagonals, each of shape (N,), for float64[N, D].

    Every round ties each unknown to ones twice as far away, all at once (R. W. Hockney and
    C. R. Jesshope, Parallel Computers, 1981: parallel cyclic reduction).
    """
    low, high, known = below / middle, above / middle, right / middle[:, None]
    far = 1
    while far < len(middle) and (low.any() or high.any()):
        (low_up, high_up, known_up), (low_down, high_down, known_down) = (
            [_shifted(part, by) for part in (low, high, known)] for by in (far, -far)
        )
        scale = 1 / (1 - low * high_up - high * low_down)
        known = (known - low[:, None] * known_up - high[:, None] * known_down) * scale[:, None]
        low, high = -low * low_up * scale, -high * high_down * scale
        far *= 2
    return known


def _shifted(part: Floats, by: int) -> Floats:
    """What stands `by` rows earlier; 0 where there is none."""
    moved = np.zeros_like(part)
    if by > 0:
        moved[by:] = part[:-by]
    else:
        moved[:by] = part[-by:]
    return moved


@dataclass(frozen=True, slots=True, eq=False)
class _Task:
    """What is wanted, checked.

    Attributes
    ----------
    x, y : float64[F], float64[F, D]
    must : int64[M]
        Keyed in any case.
    before, after : float64[F, D]
        Slopes of the samples on both sides of each frame.
    corner, held_in, held_out : bool[F]
        Where slopes may differ, and where they are given: then `before` and `after` are those.
    allowed : float64[F]
    """

    x: Floats
    y: Floats
    must: Ints
    before: Floats
    after: Floats
    corner: Mask
    held_in: Mask
    held_out: Mask
    allowed: Floats
    miss: Callable[[Floats], Floats]

    def fit(self, knots: Ints) -> Sparse:
        """The slopes of least squared difference to the samples."""
        count, depth = len(knots), self.y.shape[1]
        flat, leave, reach = _basis(self.x, self.y, knots)
        segment = _segment(len(self.x), knots)
        held_in, held_out = self.held_in[knots], self.held_out[knots]
        apart = (held_in & held_out) | self.corner[knots]
        # One unknown a key, two where its sides are apart.
        own_out = np.arange(count) + np.cumsum(apart)
        own_in = own_out - apart
        unknowns = int(own_out[-1]) + 1
        start, stop = own_out[:-1], own_in[1:]

        def total(weight: Floats) -> Floats:
            return np.asarray(np.bincount(segment, weight, count - 1), np.float64)

        # Each interval ties the slope it is left with to the one it is reached with, the next
        # unknown: three diagonals.
        pull = PULL * float(np.mean(np.diff(self.x))) ** 2
        middle = np.full(unknowns, pull)
        middle[start] += total(leave * leave)
        middle[stop] += total(reach * reach)
        below, above = np.zeros(unknowns), np.zeros(unknowns)
        below[stop] = above[start] = total(leave * reach)
        left = self.y - flat
        guess = np.zeros((unknowns, depth))
        guess[own_in] = self.before[knots]
        leaves = apart | held_out
        guess[own_out[leaves]] = self.after[knots[leaves]]
        wanted = pull * guess
        for d in range(depth):
            wanted[start, d] += total(leave * left[:, d])
            wanted[stop, d] += total(reach * left[:, d])
        fixed = np.r_[own_in[held_in], own_out[held_out]]
        below[fixed] = above[fixed] = 0.0
        middle[fixed] = 1.0
        wanted[fixed] = guess[fixed]
        slopes = _three_diagonals(below, middle, above, wanted)
        slopes_in, slopes_out = slopes[own_in], slopes[own_out]
        # Nothing is known outside: the curve goes on there as it is inside.
        if not held_in[0]:
            slopes_in[0] = slopes_out[0]
        if not held_out[-1]:
            slopes_out[-1] = slopes_in[-1]
        return Sparse(knots, slopes_in, slopes_out)

    def missed(self, knots: Ints) -> Floats:
        """By how much each frame misses more than it may; 0 on keys, float64[F]."""
        off = self.miss(interpolate(self.x, self.y, self.fit(knots))) - self.allowed
        off[knots] = 0.0
        return np.maximum(off, 0.0)

    def holds(self, knots: Ints) -> bool:
        return not self.missed(knots).any()


# --- Which frames ------------------------------------------------------------------------------


def _enough(task: _Task) -> Ints:
    """Add keys, one to each interval that misses at a time, until none does."""
    knots = task.must
    missed = task.missed(knots)
    while missed.any():
        wrong = np.flatnonzero(np.maximum.reduceat(missed, knots[:-1]) > 0)
        tried = _tries(knots[wrong], knots[wrong + 1], missed)
        worst = np.empty(tried.shape)
        for column in range(TRIED):
            off = task.missed(np.union1d(knots, tried[:, column]))
            worst[:, column] = np.maximum.reduceat(off, knots[:-1])[wrong]
        chosen = tried[np.arange(len(wrong)), worst.argmin(axis=1)]
        knots = np.union1d(knots, chosen)
        missed = task.missed(knots)
    return knots


def _tries(starts: Ints, stops: Ints, missed: Floats) -> Ints:
    """Frames between two keys, the worst first, the others spread, int64[intervals, TRIED]."""
    index = np.arange(len(missed))
    inside = (index > starts[:, None]) & (index < stops[:, None])
    worst = np.where(inside, missed, -1.0).argmax(axis=1)
    spread = np.linspace(starts + 1, stops - 1, TRIED - 1, axis=1).round()
    return np.asarray(np.c_[worst, spread], np.int64)


def _thinned(task: _Task, knots: Ints) -> Ints:
    """Take out keys that are not needed, and put one in the place of two where that will do."""
    before: Ints | None = None
    patience = iter(range(PATIENCE // len(task.x)))
    while before is None or len(knots) < len(before):
        before = knots
        for knot in np.setdiff1d(knots, task.must).tolist():
            knots = _first(task, knots, [knots[knots != knot]], patience)
        for a, b in pairwise(before.tolist()):
            if a in task.must or b in task.must or not {a, b} <= set(knots.tolist()):
                continue
            rest = knots[(knots != a) & (knots != b)]
            place = int(np.searchsorted(rest, a))
            inner = np.arange(rest[place - 1] + 1, rest[place])
            inner = inner[np.argsort(np.abs(inner - (a + b) / 2), kind="stable")][: TRIED // 2]
            others = (np.union1d(rest, [m]) for m in inner.tolist())
            knots = _first(task, knots, others, patience)
    return knots


def _first(task: _Task, knots: Ints, others: Iterable[Ints], patience: Iterator[int]) -> Ints:
    tried = (other for other, _ in zip(others, patience, strict=False))
    return next((other for other in tried if task.holds(other)), knots)


# --- The door ----------------------------------------------------------------------------------


def _task(
    frames: npt.ArrayLike,
    values: npt.ArrayLike,
    knots: npt.ArrayLike,
    miss: Callable[[Floats], Floats],
    within: float,
    corners: npt.ArrayLike | None,
    fixed_slopes: Slopes | None,
) -> _Task:
    x, y = np.array(frames, np.float64), np.array(values, np.float64)
    if x.ndim != 1 or len(x) < 2 or not np.isfinite(x).all() or (np.diff(x) <= 0).any():
        raise InputError(f"`frames` must be two or more rising numbers, got {x}", "frames")
    if y.ndim != 2 or len(y) != len(x) or not np.isfinite(y).all():
        raise InputError(
            f"`values` must be finite, one row for each of {len(x)} frames, got shape {y.shape}",
            "values",
        )
    if not within >= 0:
        raise InputError(f"`within` must be 0 or more, got {within}", "within")
    corner = np.zeros(len(x), bool) if corners is None else np.array(corners)
    if corner.dtype != np.bool_ or corner.shape != x.shape:
        raise InputError(f"`corners` must be {len(x)} booleans, got {corner.shape}", "corners")
    slopes = dict(fixed_slopes or {})
    given = np.array(knots)
    asked = np.r_[given.astype(np.int64).ravel(), np.array(list(slopes), np.int64)]
    if given.size and (given != given.astype(np.int64)).any():
        raise InputError(f"`knots` must be whole numbers, got {given}", "knots")
    if ((asked < 0) | (asked >= len(x))).any():
        raise InputError(f"`knots` must be from 0 to {len(x) - 1}, got {asked}", "knots")
    corner[[0, -1]] = True
    before, after = _sample_slopes(x, y, corner)
    held_in, held_out = np.zeros(len(x), bool), np.zeros(len(x), bool)
    for index, (reach, leave) in slopes.items():
        for slope, into, held in ((reach, before, held_in), (leave, after, held_out)):
            if slope is not None:
                into[index], held[index] = np.asarray(slope, np.float64), True
    allowed = np.maximum(miss(y), within)
    must = np.union1d(asked, [0, len(x) - 1]).astype(np.int64)
    return _Task(x, y, must, before, after, corner, held_in, held_out, allowed, miss)


def _sample_slopes(x: Floats, y: Floats, corner: Mask) -> tuple[Floats, Floats]:
    """Slopes before and after each frame, float64[F, D]: from one side only at corners."""
    before, after = np.empty_like(y), np.empty_like(y)
    for a, b in pairwise(np.flatnonzero(corner).tolist()):
        piece = slice(a, b + 1)
        order: Literal[1, 2] = 2 if b - a > 1 else 1
        slope = np.asarray(np.gradient(y[piece], x[piece], axis=0, edge_order=order), np.float64)
        after[a:b], before[a + 1 : b + 1] = slope[:-1], slope[1:]
    before[0], after[-1] = after[0], before[-1]
    return before, after
