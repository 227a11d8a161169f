# SPDX-License-Identifier: GPL-3.0-or-later
"""Measures one jump whose feet (or COG) say roughly where it is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from leapwright.fit import NOISE_FLOOR, Fit, air_parabola
from leapwright.found import (
    FoundFrames,
    FoundGravity,
    FoundHeights,
    FoundJump,
    FoundMoments,
    OffArc,
    TakeoffSpread,
)
from leapwright.seen import Seen, Speeds, Valleys, fit_seen, speeds, top_of, valleys
from leapwright.track import Track

__all__ = ["measure"]

Floats = NDArray[np.float64]

SLACK = 0.02
"""Seconds by which the feet may leave beside the fitted take-off whatever its uncertainty is: a
foot rolls off, and how high is off is a matter of taste."""

GAIN, LOSS = 0.25, 0.25
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
    bounds = valleys(z, seen, between, noise)
    fit, whole = fit_seen(track, t, z, seen, bounds, noise)
    pace = speeds(t, z, seen, bounds)
    swing = float(np.ptp(z[bounds.crouch : bounds.low + 1]))
    described = fit is not None and fit.noise <= max(3 * noise, NEAR * swing, NOISE_FLOOR)
    step_out = float(t[seen.last + 1] - t[seen.last])
    step_in = float(t[seen.first] - t[seen.first - 1])
    out_by = in_by = "contact"
    takeoff, land = float(t[seen.last]), float(t[seen.first])
    crouch, low = float(t[bounds.crouch]), float(t[bounds.low])
    sure = np.array([0.5, 0.5 * step_out, 0.5, 0.5 * step_in, 0.5])
    if fit is not None and described:
        spread = 2 * fit.sigma
        # What the fit places where nothing was seen is where the track begins or ends.
        crouch, sure[0] = max(fit.crouch, float(t[0])), spread[0]
        if whole:
            low, sure[4] = min(fit.low, float(t[-1])), spread[3]
        is_arc = _is_arc(fit, t, z, noise, seen)
        away = max(takeoff - fit.takeoff, fit.takeoff - takeoff - step_out)
        slack = SLACK * track.fps
        true = is_arc and pace.gained < GAIN and pace.lost < LOSS
        if not seen.feet or true or away <= max(slack, spread[1]):
            takeoff, out_by, sure[1] = fit.takeoff, "arc", spread[1]
        away = max(fit.land - land, land - step_in - fit.land)
        true = is_arc and pace.eased < LOSS
        if not seen.feet:
            land, in_by, sure[3] = fit.land, "arc", spread[2]
        elif true or away <= max(slack, spread[2]):
            # The arc says where in the frame, the foot says in which.
            inside = land - step_in < fit.land - 1e-6 <= land
            sure[3] = max(spread[2], 0.0 if inside else abs(fit.land - land))
            land, in_by = (fit.land if inside else land), "arc"
    crouch = min(crouch, takeoff)
    low = max(low, land)
    true_fit = fit if described and out_by == in_by == "arc" else None
    return _found(
        track,
        t,
        place,
        seen,
        bounds,
        fit,
        true_fit,
        FoundMoments(crouch, takeoff, np.nan, land, low),
        sure,
        pace,
        by=(out_by, in_by),
        gravity=gravity,
        noise=noise,
        number=number,
        described=described,
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


def _found(
    track: Track,
    t: Floats,
    place: Floats,
    seen: Seen,
    v: Valleys,
    fit: Fit | None,
    true: Fit | None,
    moments: FoundMoments,
    sure: Floats,
    pace: Speeds,
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
        float(np.sqrt(np.mean(off**2))),
        float(off[worst]),
        float(inner[0][worst]),
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
            hold,
            moments.takeoff - moments.crouch,
            apex - moments.takeoff,
            moments.land - apex,
            moments.low - moments.land,
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
            float(t[seen.last]) if seen.feet else None, pace.fastest, fit.takeoff if fit else None
        ),
        contact_land=float(t[seen.first]) if seen.feet else None,
        fastest_fall=pace.slowest,
        gained=pace.gained,
        lost=pace.lost,
        eased=pace.eased,
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
    v: Valleys,
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
    apex, top = top_of(ta, za)
    crouch = near.crouch_height if near else float(z[v.crouch])
    low = near.low_height if near and whole else float(z[v.low])
    heights = FoundHeights(
        float(za[0]) - crouch, top - float(za[0]), top - float(za[-1]), float(za[-1]) - low
    )
    return heights, apex, 0.5


def _off_styled(true: Fit | None, off: Floats, aside: Floats) -> float:
    if true is None or true.arc == "one":
        return float(np.max(off)) if len(off) else 0.0
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
    swing = float(np.max(z) - min(z[0], z[-1]))
    if ratio < STILL:
        return True
    if arc.largest < RAGGED * swing or arc.styled < 0.5 * arc.largest:
        return False
    fine = np.linspace(t[0], t[-1], 400)
    high = float(np.mean(np.interp(fine, t, z) >= np.max(z) - TOP * swing))
    return ratio < HOVER or high >= PLATEAU
