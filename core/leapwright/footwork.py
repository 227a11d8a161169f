# SPDX-License-Identifier: GPL-3.0-or-later
"""What is off in a jump's feet, legs and keys."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from leapwright.contacts import Feet
from leapwright.findings import Finding
from leapwright.found import FoundJump
from leapwright.scene import made
from leapwright.thresholds import Threshold
from leapwright.track import Track

__all__ = ["check_feet", "check_keys"]

Floats = NDArray[np.float64]


def check_feet(
    jump: FoundJump, track: Track, feet: Feet | None, table: Mapping[str, Threshold]
) -> list[Finding]:
    """Feet that slide or sink, legs that are too short or too bent."""
    rows = track.known()
    t = track.frames[rows]
    found: list[Finding] = []
    if feet is not None and track.soles is not None:
        soles = track.soles[:, rows]
        found += _slides(jump, track, feet, t, soles, table["foot_slides"].value * feet.size)
        found += _below(jump, track, feet, t, table["foot_below_floor"].value * feet.size)
    if track.stretch is not None:
        stretch = track.stretch[:, rows]
        found += _too_long(jump, t, stretch, table["leg_too_long"].value)
        found += _bent(jump, t, stretch, table["takeoff_bent"].value)
    return found


def _slides(
    jump: FoundJump, track: Track, feet: Feet, t: Floats, soles: Floats, limit: float
) -> list[Finding]:
    """The planted sole that moves farthest while it stands, before take-off or after land."""
    m = jump.moments
    last = jump.takeoffs.contact if jump.takeoffs.contact is not None else m.takeoff
    first = jump.contact_land if jump.contact_land is not None else m.land
    far, where = 0.0, (0, 0, 0)
    for start, stop in ((t[jump.crouch_row], last), (first, t[jump.low_row])):
        span = np.flatnonzero((t >= start - 1e-6) & (t <= stop + 1e-6))
        for sole, a, b in _stands(feet.on[:, span]):
            # A foot on its way up or down counts as on the floor for a frame.
            place = soles[sole, span[a] : span[b] + 1, :2]
            inner = place[1:-1] if len(place) > 3 else place
            moved = np.hypot(*(inner - np.median(inner, axis=0)).T)
            if moved.size and moved.max() > far:
                far, where = float(moved.max()), (sole, int(span[a]), int(span[b]))
    if far <= limit:
        return []
    sole, a, b = where
    phase = "push" if t[a] < m.apex else "absorb"
    text = f"The planted foot {track.names[sole]} slides by {100 * far:.2g} cm."
    return [made(jump, "foot_slides", phase, (float(t[a]), float(t[b])), far, 0.0, "m", text)]


def _stands(on: NDArray[np.bool_]) -> list[tuple[int, int, int]]:
    """(sole, first, last) of every unbroken contact."""
    edge = np.diff(np.pad(on.astype(np.int8), ((0, 0), (1, 1))), axis=1)
    starts, stops = np.argwhere(edge > 0), np.argwhere(edge < 0)
    return [(int(s), int(a), int(b) - 1) for (s, a), (_, b) in zip(starts, stops, strict=True)]


def _below(jump: FoundJump, track: Track, feet: Feet, t: Floats, limit: float) -> list[Finding]:
    if feet.above is None:
        return []
    span = np.flatnonzero((t >= t[jump.crouch_row]) & (t <= t[jump.low_row]))
    depth = -feet.above[:, span]
    if not depth.size or float(np.max(depth)) <= limit:
        return []
    sole, at = np.unravel_index(int(np.argmax(depth)), depth.shape)
    frame, deep = float(t[span[at]]), float(depth[sole, at])
    under = t[span[np.any(depth > limit, axis=0)]]
    phase = "push" if frame <= jump.moments.takeoff else "absorb"
    text = (
        f"The foot {track.names[int(sole)]} goes {100 * deep:.2g} cm below the floor on frame "
        f"{frame:g}."
    )
    span_frames = float(under[0]), float(under[-1])
    return [made(jump, "foot_below_floor", phase, span_frames, deep, 0.0, "m", text)]


def _too_long(jump: FoundJump, t: Floats, stretch: Floats, limit: float) -> list[Finding]:
    span = np.flatnonzero((t >= t[jump.crouch_row]) & (t <= t[jump.low_row]))
    asked = stretch[:, span].max(axis=0) if span.size else np.zeros(0)
    over = np.flatnonzero(asked > 1 + limit)
    if not over.size:
        return []
    worst = int(np.argmax(asked))
    frame, ratio = float(t[span[worst]]), float(asked[worst])
    m = jump.moments
    phase = "push" if frame <= m.takeoff else "air" if frame < m.land else "absorb"
    text = f"A leg is asked to be {100 * (ratio - 1):.2g} % longer than it is on frame {frame:g}."
    frames = float(t[span[over[0]]]), float(t[span[over[-1]]])
    return [
        made(
            jump,
            "leg_too_long",
            phase,
            frames,
            ratio,
            1.0,
            "of the leg's length",
            text,
            severity="error",
        )
    ]


def _bent(jump: FoundJump, t: Floats, stretch: Floats, limit: float) -> list[Finding]:
    """The straighter leg at take-off against the straightest it gets before the apex."""
    # In place nothing rises, so no leg straightens to push it.
    if not jump.has_push or jump.in_place:
        return []
    m = jump.moments
    leave = max(m.takeoff, jump.takeoffs.contact if jump.takeoffs.contact is not None else -np.inf)
    span = (t >= t[jump.crouch_row]) & (t <= m.apex)
    if not np.any(span):
        return []
    straight = np.minimum(stretch.max(axis=0), 1.0)
    best = float(straight[span].max())
    own = float(np.interp(leave, t, straight))
    if best - own <= limit:
        return []
    text = (
        f"The feet leave while the leg is still bent: at take-off it is at {100 * own:.0f} % of "
        f"its length, later in the rise at {100 * best:.0f} %."
    )
    return [
        made(
            jump, "takeoff_bent", "takeoff", (leave, leave), own, best, "of the leg's length", text
        )
    ]


def check_keys(jump: FoundJump, track: Track, table: Mapping[str, Threshold]) -> list[Finding]:
    """Contacts without a key, and keys that are not on whole frames."""
    keys = track.keys
    if keys is None or not len(keys):
        return []
    found = []
    near = table["no_key_on_contact"].value
    for phase, frame, side in (
        ("takeoff", jump.takeoffs.contact, 1.0),
        ("land", jump.contact_land, -1.0),
    ):
        if frame is None:
            continue
        low, high = sorted((frame, frame + side * near))
        if not np.any((keys >= low - 0.01) & (keys <= high + 0.01)):
            word = "leave" if side > 0 else "touch"
            text = f"There is no key where the feet {word}, on frame {frame:g}."
            gap = float(np.abs(keys - frame).min())
            found.append(
                made(jump, "no_key_on_contact", phase, (frame, frame), gap, 0.0, "frames", text)
            )
    m = jump.moments
    inside = keys[(keys >= m.crouch - jump.frames.crouch_hold - 1) & (keys <= m.low + 1)]
    away = np.abs(inside - np.rint(inside))
    between = inside[away > table["key_between_frames"].value]
    if len(between):
        worst = float(away.max())
        text = (
            f"{len(between)} key{'s are' if len(between) > 1 else ' is'} between frames, the first "
            f"on {between[0]:.4g}."
        )
        frames = float(between[0]), float(between[-1])
        found.append(made(jump, "key_between_frames", "air", frames, worst, 0.0, "frames", text))
    return found
