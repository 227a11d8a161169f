# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the jumps of a track are, and what each of them measures."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.contacts import Clear, Feet, feet_of, turning_points
from leapwright.errors import InputError
from leapwright.fit import air_parabola, jitter
from leapwright.found import FoundJump
from leapwright.measure import measure
from leapwright.seen import Seen
from leapwright.track import Track
from leapwright.units import STANDARD_GRAVITY, gravity_of, positive, single

__all__ = ["Search", "find", "search"]

Floats = NDArray[np.float64]

REST_SPEED = 0.1
"""A COG slower than this, in m/s for one that stands 1 m up, rests."""

REST_TIME = 0.15
"""Seconds that a rest lasts at least; at the top of a true jump it is 0.02."""

SHORTEST_AIR, DRAWN_UP = 0.2, 0.2
"""Seconds the feet must be clear, and m they must come up (for a body of 1 m), where the COG
hardly rises: less is a step."""

DRIFT_SPEED, DRIFT_TIME, DRIFT_WAY = 0.35, 0.25, 0.25
"""A touch shorter than this many seconds, come to and left by a COG slower than this (m/s) that
sank less than this (m), all for a body of 1 m, is no landing: nothing was absorbed. Feet that sag
while a body hovers do that."""


class Search(NamedTuple):
    """What a search gives.

    Attributes
    ----------
    jumps : tuple of FoundJump
        In order of time.
    reason : str
        Why there is none; "" where there is one.
    feet : Feet or None
    """

    jumps: tuple[FoundJump, ...]
    reason: str
    feet: Feet | None


def find(
    track: Track,
    *,
    gravity: float | str = STANDARD_GRAVITY,
    ground: ArrayLike | None = None,
    least_height: float = 0.05,
) -> tuple[FoundJump, ...]:
    """Find and measure the jumps of a track.

    A jump is found by its feet leaving the floor and coming back or, without feet, by the COG
    going up past where it stood and coming back; never by being right.

    Parameters
    ----------
    track : Track
    gravity : float
        m/s²; only to tell an in-place jump from a slow one.
    ground : float or array_like, shape (F,) or (S, F), optional
        Height of the floor below the soles, m. Default: where the soles rest.
    least_height : float
        m for a body whose COG stands 1 m up: smaller hops are steps. Without feet the COG must
        go twice as far past where it stood, for who stands on their toes is no jumper.

    Returns
    -------
    tuple of FoundJump

    Raises
    ------
    InputError
        Gravity or least height is not above 0, or the ground does not fit the track.

    Examples
    --------
    >>> import leapwright
    >>> plan = leapwright.plan(rise_frames=12, push_frames=3, pins={"takeoff": 30})
    >>> (jump,) = find(Track.of(plan.cog(range(1, 80)).position))
    >>> jump.moments.takeoff, round(jump.heights.jump, 3)
    (30.0, 1.226)
    """
    return search(track, gravity=gravity, ground=ground, least_height=least_height).jumps


def search(
    track: Track,
    *,
    gravity: float | str = STANDARD_GRAVITY,
    ground: ArrayLike | None = None,
    least_height: float = 0.05,
) -> Search:
    """Like `find`, and say why where nothing is found."""
    g = single(gravity_of(gravity), "gravity")
    least = single(positive(least_height, "least_height", "m"), "least_height")
    if ground is not None:
        _fits(track, ground)
    feet = feet_of(track, ground=ground)
    rows = track.known()
    t, place = track.frames[rows], track.cog[rows]
    if len(t) < 4:
        return Search((), f"{_frames(len(t))} cannot hold a jump: it takes four", feet)
    # Blocked poses are too far apart for their differences to be noise.
    noise = 0.0 if track.stepped else jitter(place[:, 2])
    if feet:
        seen = _by_feet(track, t, place, feet, least)
    else:
        seen = _by_cog(track, t, place[:, 2], least, noise)
    if not seen:
        return Search((), _reason(place[:, 2], feet, least), feet)
    jumps = []
    for number, one in enumerate(seen):
        floor = seen[number - 1].first if number else 0
        stop = seen[number + 1].last if number + 1 < len(seen) else len(t) - 1
        jumps.append(
            measure(
                track,
                t,
                place,
                one,
                between=(floor, stop),
                noise=noise,
                gravity=g,
                number=number + 1,
            )
        )
    return Search(_chained(jumps), "", feet)


def _fits(track: Track, ground: ArrayLike) -> None:
    shape = (0, len(track.frames)) if track.soles is None else track.soles.shape[:2]
    try:
        level = np.asarray(ground, dtype=np.float64)
        np.broadcast_to(level, shape)
    except (TypeError, ValueError):
        raise InputError(f"ground must fit the soles' shape {shape}", "ground") from None
    if not np.all(np.isfinite(level)):
        raise InputError("ground must be finite", "ground")


def _by_feet(track: Track, t: Floats, place: Floats, feet: Feet, least: float) -> list[Seen]:
    return [
        Seen(clear.last, clear.first, feet.size, feet=True)
        for clear in _merged(track, t, place[:, 2], feet)
        if _is_jump(track, t, place[:, 2], clear, feet, least)
    ]


def _merged(track: Track, t: Floats, z: Floats, feet: Feet) -> list[Clear]:
    """Stretches without contact, those with a mere touch between them made one."""
    speed = np.gradient(z, t) * track.fps
    slow = DRIFT_SPEED * np.sqrt(feet.size)
    made: list[Clear] = []
    for clear in feet.clear:
        if made:
            before = made[-1]
            a, b = before.first, clear.last
            short = (t[b] - t[a]) / track.fps < DRIFT_TIME
            sank = float(np.max(z[before.last : a + 1]) - np.min(z[a : b + 1]))
            calm = max(abs(speed[a]), abs(speed[b])) < slow
            if short and calm and sank < DRIFT_WAY * feet.size:
                made[-1] = Clear(before.last, clear.first, max(before.height, clear.height))
                continue
        made.append(clear)
    return made


def _is_jump(track: Track, t: Floats, z: Floats, clear: Clear, feet: Feet, least: float) -> bool:
    """More than a step of a run: the COG makes a hill, or the feet are off for long."""
    a, b = clear.last, clear.first
    if b - a < 2:
        return False
    chord = np.interp(t[a : b + 1], [t[a], t[b]], [z[a], z[b]])
    hill = float((z[a : b + 1] - chord).max())
    # Standing on the toes for a frame more than the threshold is no jump.
    if hill >= least * feet.size:
        return True
    return float(t[b] - t[a]) / track.fps >= SHORTEST_AIR and (clear.height >= DRAWN_UP * feet.size)


def _by_cog(track: Track, t: Floats, z: Floats, least: float, noise: float) -> list[Seen]:
    """Without feet: hills of the COG that rise past where it stood."""
    rows, first_is_low = turning_points(z, least=max(least / 2, 6 * noise))
    if len(rows) < 3:
        return []
    tops = np.arange(1 if first_is_low else 2, len(rows) - 1, 2)
    rests = _rests(track, t, z)
    speed = np.gradient(z, t)
    seen = []
    for i in tops.tolist():
        before, top, after = (int(r) for r in rows[i - 1 : i + 2])
        stood = _stood(rests, z, before, top)
        if z[top] < stood + 2 * least or any(a <= top <= b for a, b in rests):
            continue
        rise = before + int(np.argmax(speed[before : top + 1]))
        fall = top + int(np.argmin(speed[top : after + 1]))
        if rise < top < fall:
            ends = _arc_ends(t, z, (rise, fall), (before, after), max(4 * noise, 1e-4))
            seen.append(Seen(*ends, 1.0, feet=False))
    return seen


def _arc_ends(
    t: Floats, z: Floats, inner: tuple[int, int], outer: tuple[int, int], within: float
) -> tuple[int, int]:
    """Rows where the parabola of the air is left, on the way down either side of the top."""
    a, b = inner
    if b - a < 3:
        return inner
    middle = slice(a + 1, b) if b - a > 4 else slice(a, b + 1)
    curve, _ = air_parabola(t[middle], z[middle])
    rows = np.arange(outer[0], outer[1] + 1)
    since = t[rows] - t[middle][0]
    on = np.abs(z[rows] - np.vander(since, 3, increasing=True) @ curve) <= within
    before, after = rows[(rows < a) & ~on], rows[(rows > b) & ~on]
    first = int(before[-1]) + 1 if len(before) else outer[0] + 1
    last = int(after[0]) - 1 if len(after) else outer[1] - 1
    return first, last


def _rests(track: Track, t: Floats, z: Floats) -> list[tuple[int, int]]:
    slow = np.abs(np.diff(z)) * track.fps / np.diff(t) < REST_SPEED
    edge = np.diff(np.concatenate([[False], slow, [False]]).astype(np.int8))
    starts, stops = np.flatnonzero(edge > 0), np.flatnonzero(edge < 0)
    pairs = zip(starts.tolist(), stops.tolist(), strict=True)
    return [(a, b) for a, b in pairs if (t[b] - t[a]) / track.fps >= REST_TIME]


def _stood(rests: list[tuple[int, int]], z: Floats, low: int, top: int) -> float:
    """Height at which the body stood before it crouched: its last rest that is no crouch hold."""
    levels = [
        (a, float(np.median(z[a : b + 1]))) for a, b in [r for r in rests if r[1] <= top][-2:]
    ]
    if not levels:
        return float(z[0])
    if levels[-1][0] <= low and abs(levels[-1][1] - z[low]) < 0.02 and len(levels) > 1:
        return max(levels[-1][1], levels[-2][1]) if levels[-2][1] < z[top] else levels[-1][1]
    return levels[-1][1]


def _chained(jumps: list[FoundJump]) -> tuple[FoundJump, ...]:
    """Hops that follow one another share a moment: the low of one is the crouch of the next."""
    for i in range(len(jumps) - 1):
        here, there = jumps[i], jumps[i + 1]
        if here.low_row != there.crouch_row or there.frames.crouch_hold > 0:
            continue
        spread = max(here.uncertainty.low, there.uncertainty.crouch)
        gap = abs(here.moments.low - there.moments.crouch)
        if gap > max(2.0, spread):
            continue
        sure = here.uncertainty.low < there.uncertainty.crouch
        shared = here.moments.low if sure else there.moments.crouch
        jumps[i] = here.with_low(shared)
        jumps[i + 1] = there.with_crouch(shared)
    return tuple(jumps)


def _reason(z: Floats, feet: Feet | None, least: float) -> str:
    if feet is None:
        return (
            "no jump: the COG never goes up past where it stood and comes back "
            f"({np.ptp(z):.2g} m from its lowest to its highest)"
        )
    down = feet.on.any(axis=0)
    if np.all(down):
        return "no jump: a foot is on the floor on every frame"
    if not np.any(down):
        return "no jump: the feet are never on the floor"
    if not feet.clear:
        return "no jump: the feet do not leave the floor and come back within these frames"
    return (
        f"no jump: the feet leave the floor {len(feet.clear)} times, never by more than a step "
        f"({least * feet.size:.2g} m)"
    )


def _frames(count: int) -> str:
    return "one frame" if count == 1 else f"{count} frames"
