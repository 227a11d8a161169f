# SPDX-License-Identifier: GPL-3.0-or-later
"""Measures one jump whose feet (or COG) say roughly where it is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from leapwright.fit import NOISE_FLOOR, Fit, Guess, air_parabola, fit_jump
from leapwright.found import (
    FoundFrames,
    FoundGravity,
    FoundHeights,
    FoundJump,
    FoundMoments,
    OffArc,
    TakeoffSpread,
)
from leapwright.track import Track

__all__ = ["Seen", "measure"]

Floats = NDArray[np.float64]

SLACK = 0.02
"""Seconds by which the feet may leave beside the fitted take-off whatever its uncertainty is: a
foot rolls off, and how high is off is a matter of taste."""

GAIN, LOSS = 0.2, 0.25
"""Parts of its fastest rise that the body may gain after the feet are clear, or lose before they
leave, while the arc still says when it takes off. Recorded people: up to 0.1 and 0.15."""

NEAR = 0.025
"""A fit whose samples lie within this part of the COG's swing describes the jump."""

TRUE = 0.03
"""Air that lies within this part of the jump height of one parabola is an arc; recorded people
stay within 0.02, eased keys do not."""

COVERED = 0.8
"""Part of the frames with clear feet that the arc must cover; of recorded people 0.88 and more,
of eased keys a half."""

SUNK = 0.6
"""Part of the absorb that is fitted where the whole of it is no cubic: people sink slowly at the
end."""

HOLD_ROWS = 10
"""Rows of a hold that the fit looks at; more say nothing new."""

HOVER = 0.35
"""An arc that is no parabola, and slower than this part of gravity would make it, hovers."""

STILL = 0.1
"""Nothing of the body's own goes up in an air as long as this part of gravity would need."""

PLATEAU = 0.29
"""Part of the air that is spent near the top (`TOP`) when a body hovers. Of a parabola it is
√0.05 = 0.22, of eased keys less, of a hang more, but a hang's arc is known."""

TOP = 0.05
"""Near the top: within this part of the COG's swing in the air."""

RAGGED = 0.08
"""Off the arc by this part of the swing there is no parabola in it."""


@dataclass(frozen=True, slots=True)
class Seen:
    """Where a jump was seen.

    Attributes
    ----------
    last, first : int
        Rows of the last contact and the first again; without feet of fastest rise and fall.
    size : float
        Height of the COG above the floor when it stands, m.
    feet : bool
        Whether feet said so.
    """

    last: int
    first: int
    size: float
    feet: bool


@dataclass(frozen=True, slots=True)
class _Valleys:
    """Rows of crouch and low, and of the holds there."""

    hold: int
    crouch: int
    low: int
    rest: int
    wide_crouch: float
    wide_low: float
    edge_crouch: int
    edge_low: int


def measure(
    track: Track,
    t: Floats,
    place: Floats,
    seen: Seen,
    *,
    between: tuple[int, int],
    noise: float,
    gravity: float,
    number: int,
) -> FoundJump:
    """Measure one jump.

    Parameters
    ----------
    track : Track
    t, place : ndarray, shape (K,) and (K, 3)
        Known frames and the COG there.
    seen : Seen
    between : (int, int)
        Rows that belong to it: from the landing before to the take-off after.
    noise : float
        Jitter of the heights, m.
    gravity : float
        m/s².
    number : int
    """
    z = place[:, 2]
    valleys = _valleys(t, z, seen, between, noise)
    fit, whole = _fit(track, t, z, seen, valleys, noise)
    steps = _speeds(t, z, seen, valleys)
    swing = float(np.ptp(z[valleys.crouch : valleys.low + 1]))
    described = fit is not None and fit.noise <= max(3 * noise, NEAR * swing, NOISE_FLOOR)
    step_out = float(t[seen.last + 1] - t[seen.last])
    step_in = float(t[seen.first] - t[seen.first - 1])
    out_by = in_by = "contact"
    takeoff, land = float(t[seen.last]), float(t[seen.first])
    crouch, low = float(t[valleys.crouch]), float(t[valleys.low])
    sure = np.array([0.5, 0.5 * step_out, 0.5, 0.5 * step_in, 0.5])
    if fit is not None and described:
        spread = 2 * fit.sigma
        crouch, sure[0] = fit.crouch, spread[0]
        if whole:
            low, sure[4] = fit.low, spread[3]
        is_arc = _is_arc(fit, t, z, noise, seen)
        away = max(takeoff - fit.takeoff, fit.takeoff - takeoff - step_out)
        slack = SLACK * track.fps
        true = is_arc and steps.gained < GAIN and steps.lost < LOSS
        if not seen.feet or true or away <= max(slack, spread[1]):
            takeoff, out_by, sure[1] = fit.takeoff, "arc", spread[1]
        away = max(fit.land - land, land - step_in - fit.land)
        true = is_arc and steps.eased < LOSS
        if not seen.feet:
            land, in_by, sure[3] = fit.land, "arc", spread[2]
        elif true or away <= max(slack, spread[2]):
            # The arc says where in the frame, the foot says in which.
            inside = float(np.clip(fit.land, land - step_in, land))
            sure[3] = max(spread[2], abs(fit.land - inside))
            land, in_by = inside, "arc"
    crouch = min(crouch, takeoff)
    low = max(low, land)
    true_fit = fit if described and out_by == in_by == "arc" else None
    return _found(
        track, t, place, seen, valleys, fit, true_fit,
        FoundMoments(crouch, takeoff, np.nan, land, low), sure, steps,
        by=(out_by, in_by), gravity=gravity, noise=noise, number=number, described=described,
        whole=whole,
    )


def _is_arc(fit: Fit, t: Floats, z: Floats, noise: float, seen: Seen) -> bool:
    """Whether the fitted air is one parabola, or exactly the styled one, and most of the air."""
    if seen.feet and seen.first - seen.last > 2:
        start, stop = t[seen.last + 1], t[seen.first - 1]
        shared = min(stop, fit.land) - max(start, fit.takeoff)
        if shared < COVERED * (stop - start):
            return False
    if fit.arc != "one" and fit.noise <= max(1.5 * noise, 10 * NOISE_FLOOR):
        return True
    air = (t >= fit.takeoff - 1e-6) & (t <= fit.land + 1e-6)
    if not np.any(air):
        return True
    _, rest = air_parabola(t[air], z[air])
    rise = fit.apex_height - min(fit.takeoff_height, fit.land_height)
    return bool(np.abs(rest).max() <= max(TRUE * rise, 4 * noise, NOISE_FLOOR))


@dataclass(frozen=True, slots=True)
class _Speeds:
    """The COG's speed beside the contacts, as parts of its fastest rise (fall)."""

    fastest: float
    slowest: float
    gained: float
    lost: float
    eased: float


def _speeds(t: Floats, z: Floats, seen: Seen, v: _Valleys) -> _Speeds:
    """How fast the COG is where the feet leave and come back, against its fastest."""
    rows = slice(max(v.crouch - 1, 0), v.low + 2)
    tt, zz = t[rows], z[rows]
    middle, speed = (tt[1:] + tt[:-1]) / 2, np.diff(zz) / np.diff(tt)
    rise, up = _top(middle, speed)
    fall, down = _top(middle, -speed)

    def at(row: int) -> float:
        return float(np.interp(t[row], middle, speed))

    gained = lost = eased = 0.0
    if seen.feet and up > 0:
        if rise > t[seen.last + 1]:
            gained = 1 - at(seen.last + 1) / up
        elif rise < t[seen.last]:
            lost = 1 - at(seen.last) / up
    if seen.feet and down > 0 and fall < t[seen.first - 1]:
        eased = 1 + at(seen.first - 1) / down
    return _Speeds(rise, fall, gained, lost, eased)


def _valleys(
    t: Floats, z: Floats, seen: Seen, between: tuple[int, int], noise: float
) -> _Valleys:
    """Crouch and low: the lowest on the way down from take-off into the past and from land on."""
    turn = max(0.01 * seen.size, 5 * noise)
    near = 0.5 * noise + 1e-7
    wide = 3 * noise + 1e-6
    back = z[between[0] : seen.last + 1][::-1]
    deep, hold, breadth, edge = _bottom(back, turn, near, wide)
    ahead = z[seen.first : between[1] + 1]
    low, rest, breadth_low, edge_low = _bottom(ahead, turn, near, wide)
    return _Valleys(
        seen.last - hold, seen.last - deep, seen.first + low, seen.first + rest,
        breadth, breadth_low, seen.last - edge, seen.first + edge_low,
    )


def _bottom(way: Floats, turn: float, near: float, wide: float) -> tuple[int, int, float, int]:
    """First row at the bottom of a way down, last row of the hold there, how many rows are in
    doubt, and the first of those."""
    up = way > np.minimum.accumulate(way) + turn
    stop = int(np.argmax(up)) if np.any(up) else len(way)
    way = way[:stop]
    lowest = int(np.argmin(way))
    first = int(np.argmax(way <= way[lowest] + near))
    flat = way <= way[lowest] + wide
    after = np.flatnonzero(~flat[lowest:])
    last = lowest + (int(after[0]) if len(after) else len(way) - lowest) - 1
    before = np.flatnonzero(~flat[: lowest + 1])
    start = int(before[-1]) + 1 if len(before) else 0
    return first, last, float(last - start), start


def _fit(
    track: Track, t: Floats, z: Floats, seen: Seen, v: _Valleys, noise: float
) -> tuple[Fit | None, bool]:
    """The joint fit, where there are samples for it, and whether it holds to the low."""
    if not v.crouch < seen.last < seen.first < v.low:
        return None, False
    start, stop = max(v.hold, v.crouch - HOLD_ROWS), min(v.rest, v.low + HOLD_ROWS)
    # Blocked poses say where and when, not how between.
    if track.stepped and float(np.median(np.diff(t[start : stop + 1]))) > 2.5:
        return None, False
    pull = 1.0 if seen.feet else 1.5
    guess = Guess(
        float(t[v.crouch]), float(t[seen.last]), float(t[seen.first]), float(t[v.low]),
        (max(1.0, 0.75 * v.wide_crouch), pull, pull, max(1.0, 0.75 * v.wide_low)),
    )
    edge = min(v.edge_crouch, seen.last - 1), max(v.edge_low, seen.first + 1)
    other = None
    if edge != (v.crouch, v.low):
        other = float(t[edge[0]]), float(t[edge[1]])
    whole = fit_jump(t[start : stop + 1], z[start : stop + 1], guess, noise=noise, other=other)
    if whole.noise <= 3 * max(noise, NOISE_FLOOR):
        return whole, True
    deep = z[seen.first] - SUNK * (z[seen.first] - z[v.low])
    sunk = seen.first + int(np.argmax(z[seen.first : v.low + 1] <= deep))
    if sunk - seen.first < 2 or v.low - sunk < 2:
        return whole, True
    guess = replace(guess, pull=(*guess.pull[:3], 100.0))
    part = fit_jump(t[start : sunk + 1], z[start : sunk + 1], guess, noise=noise)
    return (part, False) if part.noise < 0.7 * whole.noise else (whole, True)


def _found(
    track: Track,
    t: Floats,
    place: Floats,
    seen: Seen,
    v: _Valleys,
    fit: Fit | None,
    true: Fit | None,
    moments: FoundMoments,
    sure: Floats,
    steps: _Speeds,
    *,
    by: tuple[str, str],
    noise: float,
    gravity: float,
    number: int,
    described: bool,
    whole: bool,
) -> FoundJump:
    fps, z = track.fps, place[:, 2]
    # A foot may touch a little after the arc has ended: what is then is not off the arc.
    stop = moments.land if true is None else min(moments.land, true.land)
    air = (t >= moments.takeoff - 1e-6) & (t <= stop + 1e-6)
    ends = np.interp([moments.takeoff, moments.land], t, z)
    ta = np.concatenate([[moments.takeoff], t[air], [moments.land]])
    za = np.concatenate([ends[:1], z[air], ends[1:]])
    inner = (t[air], z[air]) if int(air.sum()) >= 3 else (ta, za)
    curve, rest = air_parabola(*inner)
    one = _one_gravity(t, z, seen, moments, curve, true) * fps**2
    heights, apex, doubt = _heights(true, fit if described else None, ta, za, z, v, whole=whole)
    r, f = max(apex - moments.takeoff, 1e-9), max(moments.land - apex, 1e-9)
    if true is not None:
        up, down = true.rise_gravity * fps**2, true.fall_gravity * fps**2
        # The parabola over the air has too few samples in the shortest of jumps.
        if true.arc == "one" and int(air.sum()) < 6:
            one = up
        speeds = true.takeoff_speed * fps, -true.landing_speed * fps
    else:
        up, down = 2 * heights.jump * (fps / r) ** 2, 2 * heights.fall * (fps / f) ** 2
        since = moments.land - inner[0][0]
        lead = moments.takeoff - inner[0][0]
        speeds = (
            float(curve[1] + 2 * curve[2] * lead) * fps,
            -float(curve[1] + 2 * curve[2] * since) * fps,
        )
    way = _travel(t[air], place[air], moments)
    off = np.hypot(rest, way.aside) if len(rest) == len(way.aside) else np.abs(rest)
    worst = int(np.argmax(off)) if len(off) else 0
    arc = OffArc(
        float(np.sqrt(np.mean(off**2))), float(off[worst]), float(inner[0][worst]),
        _off_styled(true, off, way.aside),
    )
    hold = 0.0 if not v.hold < v.crouch else max(float(moments.crouch - t[v.hold]), 0.0)
    out: Literal["arc", "contact"] = "arc" if by[0] == "arc" else "contact"
    back: Literal["arc", "contact"] = "arc" if by[1] == "arc" else "contact"
    return FoundJump(
        number=number,
        moments=FoundMoments(moments.crouch, moments.takeoff, apex, moments.land, moments.low),
        uncertainty=FoundMoments(
            *(float(max(x, 0.01)) for x in (sure[0], sure[1], doubt, sure[3], sure[4]))
        ),
        frames=FoundFrames(
            hold, moments.takeoff - moments.crouch, apex - moments.takeoff,
            moments.land - apex, moments.low - moments.land,
        ),
        heights=heights,
        gravity=FoundGravity(one, up, down),
        hang=true.hang if true is not None else 0.0,
        takeoff_speed=speeds[0],
        landing_speed=speeds[1],
        travel=way.length,
        travel_uneven=way.uneven,
        uneven_frame=way.uneven_frame,
        off_arc=arc,
        in_place=seen.feet and _in_place(one / gravity, ta, za, arc),
        shares_crouch=False,
        takeoff_by=out,
        land_by=back,
        takeoffs=TakeoffSpread(
            float(t[seen.last]) if seen.feet else None, steps.fastest, fit.takeoff if fit else None
        ),
        contact_land=float(t[seen.first]) if seen.feet else None,
        fastest_fall=steps.slowest,
        gained=steps.gained,
        lost=steps.lost,
        eased=steps.eased,
        size=seen.size,
        noise=noise,
        fit=fit,
        described=described,
        crouch_row=v.crouch,
        low_row=v.low,
    )


def _one_gravity(
    t: Floats, z: Floats, seen: Seen, moments: FoundMoments, curve: Floats, fit: Fit | None
) -> float:
    """Gravity of one parabola, m per frame squared: over the frames that no foot touches."""
    if seen.feet:
        clear = (t > t[seen.last] + 1e-6) & (t < t[seen.first] - 1e-6)
        start, stop = (fit.takeoff, fit.land) if fit else (moments.takeoff, moments.land)
        clear &= (t >= start - 1e-6) & (t <= stop + 1e-6)
        if int(clear.sum()) >= 4:
            curve, _ = air_parabola(t[clear], z[clear])
    return float(-2 * curve[2])


def _heights(
    true: Fit | None,
    near: Fit | None,
    ta: Floats,
    za: Floats,
    z: Floats,
    v: _Valleys,
    *,
    whole: bool,
) -> tuple[FoundHeights, float, float]:
    """Heights, the apex's frame and its uncertainty: of the fit, or of the samples."""
    if true is not None:
        heights = FoundHeights(
            true.takeoff_height - true.crouch_height,
            true.apex_height - true.takeoff_height,
            true.apex_height - true.land_height,
            true.land_height - (true.low_height if whole else float(z[v.low])),
        )
        # An error of the air's ends shifts the top of its parabola by half as much each.
        return heights, true.apex, float(np.hypot(true.sigma[1], true.sigma[2]))
    apex, top = _top(ta, za)
    crouch = near.crouch_height if near else float(z[v.crouch])
    low = near.low_height if near and whole else float(z[v.low])
    heights = FoundHeights(
        float(za[0]) - crouch, top - float(za[0]), top - float(za[-1]), float(za[-1]) - low
    )
    return heights, apex, 0.5


def _top(t: Floats, z: Floats) -> tuple[float, float]:
    """Frame and height of the top: of the parabola through the highest sample and its
    neighbours."""
    i = int(np.argmax(z))
    if i in (0, len(z) - 1):
        return float(t[i]), float(z[i])
    left, right = t[i] - t[i - 1], t[i + 1] - t[i]
    if left <= 1e-9 or right <= 1e-9:
        return float(t[i]), float(z[i])
    a = ((z[i + 1] - z[i]) / right - (z[i] - z[i - 1]) / left) / (left + right)
    b = (z[i] - z[i - 1]) / left + a * left
    if a >= 0:
        return float(t[i]), float(z[i])
    shift = float(np.clip(-b / (2 * a), -left, right))
    return float(t[i] + shift), float(z[i] + shift * (b + a * shift))


def _off_styled(true: Fit | None, off: Floats, aside: Floats) -> float:
    if true is None or true.arc == "one":
        return float(off.max()) if len(off) else 0.0
    side = float(np.abs(aside).max()) if len(aside) else 0.0
    return float(np.hypot(3 * true.noise, side)) if true.noise > NOISE_FLOOR else side


@dataclass(frozen=True, slots=True)
class _Travel:
    length: float
    uneven: float
    uneven_frame: float
    aside: Floats


def _travel(t: Floats, place: Floats, moments: FoundMoments) -> _Travel:
    """Horizontal way in the air against one speed along one line."""
    if len(t) < 3:
        way = place[-1, :2] - place[0, :2] if len(t) else np.zeros(2)
        span = float(t[-1] - t[0]) if len(t) else 0.0
        share = (moments.land - moments.takeoff) / span if span else 0.0
        return _Travel(float(np.hypot(*way)) * share, 0.0, moments.takeoff, np.zeros(len(t)))
    rows = np.vander(t - t.mean(), 2)
    pace, middle = np.linalg.lstsq(rows, place[:, :2], rcond=None)[0]
    rest = place[:, :2] - rows @ np.stack([pace, middle])
    speed = float(np.hypot(*pace))
    length = speed * (moments.land - moments.takeoff)
    along = pace / speed if speed > 1e-9 else np.array([1.0, 0.0])
    on_way = rest @ along
    aside = rest @ np.array([-along[1], along[0]])
    worst = int(np.argmax(np.abs(on_way)))
    return _Travel(length, float(np.abs(on_way[worst])), float(t[worst]), aside)


def _in_place(ratio: float, t: Floats, z: Floats, arc: OffArc) -> bool:
    """Whether the height is added elsewhere: the COG hovers, or does not rise at all."""
    swing = float(z.max() - min(z[0], z[-1]))
    if ratio < STILL:
        return True
    if arc.largest < RAGGED * swing or arc.styled < 0.5 * arc.largest:
        return False
    fine = np.linspace(t[0], t[-1], 400)
    high = float(np.mean(np.interp(fine, t, z) >= z.max() - TOP * swing))
    return ratio < HOVER or high >= PLATEAU
