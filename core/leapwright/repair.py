# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the moments of a found jump go when it is fixed, and what its COG does there.

Nothing but frames is decided here: poses keep their values, so the arc is the one parabola through
the posed take-off, apex and land, and frames give where a push or an absorb cannot meet it.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.errors import InputError
from leapwright.found import FoundJump
from leapwright.timemap import TimeMap
from leapwright.track import Track

__all__ = [
    "LEAST",
    "MOMENTS",
    "MOST",
    "Arc",
    "Repair",
    "arc_through",
    "repair_map",
    "repairs_of",
    "unclear",
]

Floats = NDArray[np.float64]

MOMENTS = ("crouch", "takeoff", "apex", "land", "low")

LEAST = 0.75
MOST = 1.5
"""A push or absorb whose time is within these parts of the even one never pulls the wrong way."""

NEAR = 2.5
"""A key within this many frames of where a moment was measured is that moment's."""

SAME = 0.01
"""Frames."""

WILD = 0.3
"""Part of its height that a jump may be off its arc; eased keys are 0.15 off."""


@dataclass(frozen=True, slots=True)
class Arc:
    """One parabola of the air, per frame.

    Attributes
    ----------
    takeoff_speed, landing_speed : float
        Upward and downward, m per frame.
    gravity : float
        m per frame squared.
    """

    takeoff_speed: float
    landing_speed: float
    gravity: float


@dataclass(frozen=True, slots=True)
class Repair:
    """What becomes of one jump.

    Attributes
    ----------
    jump : FoundJump
    fixes : frozenset of str
        Of `leapwright.findings.FIXES`; "meet_push" is a `retime_push` that keeps the push's frames
        where they can meet the air.
    before, after : dict of moment to frame
        The apex only where it is posed.
    posed : frozenset of str
        Moments that have a key of the COG.
    chained : bool
        Its crouch is the low of the jump before.
    push_from : float
        Frame after on which the push begins: later than the crouch where that is held.
    low_from : float
        Frame after on which the low is reached: before the low where that is held.
    arc : Arc or None
        The air's, where there is one: as it will be, or as it is.
    words : tuple of str
        What was decided.
    """

    jump: FoundJump
    fixes: frozenset[str]
    before: dict[str, float]
    after: dict[str, float]
    posed: frozenset[str]
    chained: bool
    push_from: float
    low_from: float
    arc: Arc | None = None
    words: tuple[str, ...] = ()

    @property
    def lays(self) -> frozenset[str]:
        """Ways of the COG that are laid anew: "air" and all around it, "push", "travel"."""
        laid = set()
        if self.fixes & {"lay_arc", "move_contact"}:
            laid |= {"air", "push", "travel"}
        if self.fixes & {"retime_push", "meet_push"}:
            laid.add("push")
        if "even_travel" in self.fixes:
            laid.add("travel")
        return frozenset(laid)


@dataclass(slots=True)
class _Draft:
    """A repair while it is worked out."""

    jump: FoundJump
    fixes: frozenset[str]
    before: dict[str, float]
    posed: frozenset[str]
    chained: bool
    after: dict[str, float] = field(default_factory=dict)
    arc: Arc | None = None
    push: float = 0.0
    absorb: float = 0.0
    words: list[str] = field(default_factory=list)


def arc_through(rise: float, fall: float, frames: float) -> tuple[float, Arc]:
    """The parabola of given heights that lasts so many frames.

    Parameters
    ----------
    rise, fall : float
        From take-off up to the top and down to land, m, above 0.
    frames : float
        Of the air.

    Returns
    -------
    top : float
        Frames from take-off.
    arc : Arc

    Raises
    ------
    InputError
        The top is not above both ends.

    Notes
    -----
    Rise and fall under one gravity last as the square roots of their heights.

    Examples
    --------
    >>> top, arc = arc_through(1.0, 1.0, 20)
    >>> top, arc.takeoff_speed, arc.gravity
    (10.0, 0.2, 0.02)
    """
    if not (rise > 0 and fall > 0 and frames > 0):
        raise InputError(
            f"rise and fall must be above 0 m and last some frames, got {rise:g} m, {fall:g} m and "
            f"{frames:g} frames",
            "rise",
        )
    up, down = math.sqrt(rise), math.sqrt(fall)
    top = frames * up / (up + down)
    gravity = 2 * rise / top**2
    return top, Arc(gravity * top, gravity * (frames - top), gravity)


def repairs_of(
    jumps: Sequence[FoundJump],
    track: Track,
    fixes: Sequence[Collection[str]],
    keys: ArrayLike,
    *,
    push: float = 1.0,
) -> list[Repair]:
    """Decide where the moments of the jumps of a shot go.

    Parameters
    ----------
    jumps : sequence of FoundJump
        All that were found, in time order.
    track : Track
        That they were found in.
    fixes : sequence of collections of str
        For each jump the fixes that it gets.
    keys : array_like, shape (K,)
        Frames on which what carries the COG has keys.
    push : float
        The style's push: its time over that of the true one.

    Returns
    -------
    list of Repair
        For each jump that gets any.
    """
    keyed = np.unique(np.asarray(keys, dtype=np.float64))
    drafts: list[_Draft] = []
    for number, (jump, wanted) in enumerate(zip(jumps, fixes, strict=True)):
        last = drafts[-1] if drafts and drafts[-1].jump.number == jump.number - 1 else None
        floor = jumps[number - 1].moments.land if number else -np.inf
        stop = jumps[number + 1].moments.takeoff if number + 1 < len(jumps) else np.inf
        before = _moments(jump, track, keyed, last, (floor, stop))
        posed = frozenset(m for m, f in before.items() if _near(keyed, f, SAME) is not None)
        chained = last is not None and before["crouch"] == last.before["low"]
        drafts.append(_Draft(jump, frozenset(wanted), before, posed, chained))
    for draft in drafts:
        draft.after = dict(draft.before)
        _fly(draft, track)
    for draft in drafts:
        _push(draft, track, keyed, push)
    made = []
    for number, draft in enumerate(drafts):
        following = drafts[number + 1] if number + 1 < len(drafts) else None
        if following is not None and following.chained:
            draft.after["low"] = following.after["crouch"]
        if draft.fixes:
            made.append(_settled(draft))
    return made


def unclear(jump: FoundJump) -> str | None:
    """Why a jump is not to be fixed: what was measured of it cannot be trusted.

    Parameters
    ----------
    jump : FoundJump

    Returns
    -------
    str or None
        None where it is clear: push, air and absorb describe it, or feet say when it leaves and
        lands and between that it rises and falls on something like an arc. An in-place jump has
        feet alone.
    """
    feet = jump.takeoffs.contact is not None and jump.contact_land is not None
    if jump.described or (jump.in_place and feet):
        return None
    name = f"jump {jump.number} is measured too roughly to be fixed"
    if not feet:
        return f"{name}: no push and air describe it, and no feet tell when it leaves and lands"
    if min(jump.frames.rise, jump.frames.fall) < 1:
        return f"{name}: between the contacts of its feet it does not rise and fall"
    high = max(jump.heights.jump, jump.heights.fall)
    if jump.off_arc.largest > WILD * high:
        return (
            f"{name}: in the air it strays {100 * jump.off_arc.largest:.0f} cm from an arc "
            f"{100 * high:.0f} cm high"
        )
    return None


def repair_map(repairs: Sequence[Repair], others: Sequence[float]) -> TimeMap:
    """The map of time that takes the moments where they go.

    Parameters
    ----------
    repairs : sequence of Repair
    others : sequence of float
        Frames that stay where they are, as far as they are none of the moments.

    Returns
    -------
    TimeMap

    Raises
    ------
    InputError
        Moments would meet or pass each other, or a frame that stays.
    """
    there: dict[float, float] = {}
    for repair in repairs:
        there |= {repair.before[m]: repair.after[m] for m in repair.before}
    moved = {a: b for a, b in there.items() if abs(a - b) > SAME}
    if not moved:
        return TimeMap.identity()
    spans = [(repair.before["crouch"], repair.before["low"]) for repair in repairs]
    there |= {f: f for f in others if not any(a - SAME <= f <= b + SAME for a, b in spans)}
    ordered = sorted(there.items())
    source = np.array([a for a, _ in ordered])
    target = np.array([b for _, b in ordered])
    if np.any(np.diff(target) < 1 - SAME):
        at = int(np.argmax(np.diff(target) < 1 - SAME))
        raise InputError(
            f"there is no room between frames {source[at]:g} and {source[at + 1]:g}", "moments"
        )
    return TimeMap.of(source, target)


# --- What is there ------------------------------------------------------------------------------


def _near(keyed: Floats, frame: float, within: float) -> float | None:
    if not keyed.size:
        return None
    best = float(keyed[np.argmin(np.abs(keyed - frame))])
    return best if abs(best - frame) <= within else None


def _between(keyed: Floats, first: float, last: float) -> Floats:
    return np.asarray(keyed[(keyed > first + SAME) & (keyed < last - SAME)])


def _moments(
    jump: FoundJump,
    track: Track,
    keyed: Floats,
    last: _Draft | None,
    bounds: tuple[float, float],
) -> dict[str, float]:
    """Frames of the moments: of their keys, where they have any."""
    m = jump.moments
    out, back = jump.takeoffs.contact, jump.contact_land
    takeoff = _contact(keyed, m.takeoff if out is None else out, 1.0 if out is not None else 0.0)
    land = _contact(keyed, m.land if back is None else back, -1.0 if back is not None else 0.0)
    land = max(land, takeoff + 2)
    if jump.shares_crouch and last is not None:
        crouch = last.before["low"]
    else:
        crouch = _stand(_between(keyed, bounds[0], takeoff), m.crouch, track)
    crouch = min(crouch, takeoff - 1)
    low = max(_stand(_between(keyed, land, bounds[1]), m.low, track), land + 1)
    found = {"crouch": crouch, "takeoff": takeoff, "land": land, "low": low}
    inside = _between(keyed, takeoff, land)
    if inside.size:
        found["apex"] = float(inside[np.argmin(np.abs(inside - m.apex))])
    return {name: found[name] for name in MOMENTS if name in found}


def _contact(keyed: Floats, frame: float, side: float) -> float:
    """A contact's key: on the frame of the contact, else on the one beside it in the air."""
    for there in (frame, frame + side):
        key = _near(keyed, there, 0.5 if side == 0 else SAME)
        if key is not None:
            return key
    return float(np.rint(frame))


def _stand(inside: Floats, frame: float, track: Track) -> float:
    key = _near(inside, frame, NEAR)
    if key is not None:
        return key
    first, last = float(track.frames[0]), float(track.frames[-1])
    return float(np.clip(np.rint(frame), first, last))


# --- What is decided ----------------------------------------------------------------------------


def _height(track: Track, frame: float) -> float:
    return float(np.interp(frame, track.frames, track.cog[:, 2]))


def _fly(draft: _Draft, track: Track) -> None:
    """The arc through the posed heights; the apex key goes to the frame nearest to its top."""
    before = draft.before
    up, down = before["takeoff"], before["land"]
    rows = (track.frames >= up - SAME) & (track.frames <= down + SAME)
    start, end = _height(track, up), _height(track, down)
    top = float(np.max(track.cog[rows, 2])) if np.any(rows) else max(start, end)
    if "apex" in before and draft.fixes & {"lay_arc", "move_contact"}:
        top = _height(track, before["apex"])
    if top <= max(start, end) + 1e-6:
        draft.arc = None
        if draft.fixes & {"lay_arc", "move_contact"}:
            draft.words.append("the posed apex is not above take-off and land")
        return
    peak, arc = arc_through(top - start, top - end, down - up)
    if "apex" in before and draft.fixes & {"lay_arc", "move_contact"}:
        key = up + float(np.clip(np.ceil(peak - 0.5), 1, max(down - up - 1, 1)))
        draft.after["apex"] = key
        arc = _through_key(start, top, end, key - up, down - up) or arc
        if key != before["apex"]:
            draft.words.append(
                f"the apex key goes from {before['apex']:g} to {key:g}, where the arc is as high"
            )
    elif not draft.fixes & {"lay_arc", "move_contact"}:
        arc = _as_it_is(track, up, down) or arc
    draft.arc = arc


def _as_it_is(track: Track, up: float, down: float) -> Arc | None:
    """The parabola nearest to an air that stays."""
    rows = (track.frames >= up - SAME) & (track.frames <= down + SAME)
    if int(np.count_nonzero(rows)) < 4:
        return None
    square, speed, _ = np.polyfit(track.frames[rows] - up, track.cog[rows, 2], 2).tolist()
    return Arc(speed, -2 * square * (down - up) - speed, -2 * square)


def _through_key(start: float, top: float, end: float, at: float, air: float) -> Arc | None:
    """The parabola through take-off, the apex key on its frame, and land."""
    if not 0 < at < air:
        return None
    rise, fall = (top - start) / at, (end - start) / air
    gravity = 2 * (rise - fall) / (air - at)
    speed = rise + gravity * at / 2
    return Arc(speed, gravity * air - speed, gravity)


def _push(draft: _Draft, track: Track, keyed: Floats, style: float) -> None:
    """Frames of the push that meet the air's speed."""
    draft.push = draft.after["takeoff"] - draft.after["crouch"]
    arc = draft.arc
    if arc is None or not draft.fixes & {
        "lay_arc", "move_contact", "retime_push", "meet_push",
    }:  # fmt: skip
        return
    height = _height(track, draft.before["takeoff"]) - _height(track, draft.before["crouch"])
    if height <= 0.005 * draft.jump.size or arc.takeoff_speed <= 0:
        return
    fits = 2 * height / arc.takeoff_speed
    count = draft.push
    least, most = math.ceil(LEAST * fits - SAME), math.floor(MOST * fits + SAME)
    if "retime_push" in draft.fixes:
        count = max(1.0, float(np.rint(style * fits)))
    elif count < least:
        count = float(max(least, 1))
    if count == draft.push:
        draft.push = min(count, float(max(most, 1)))
        return
    crouch = draft.after["takeoff"] - count
    room = _room(draft, keyed)
    if crouch < room:
        crouch = room
        draft.words.append(f"there is no room for a longer push before frame {room:g}")
    draft.words.append(
        f"the push takes {count:g} frames, not {draft.push:g}: {fits:.2g} fit; the crouch goes "
        f"from {draft.before['crouch']:g} to {crouch:g}"
    )
    draft.after["crouch"] = crouch
    draft.push = min(draft.after["takeoff"] - crouch, float(max(most, 1)))


def _room(draft: _Draft, keyed: Floats) -> float:
    earlier = keyed[keyed < draft.before["crouch"] - SAME]
    return float(earlier[-1]) + 1 if earlier.size else -np.inf


def _settled(draft: _Draft) -> Repair:
    after, words = draft.after, draft.words
    low_from = after["low"]
    arc = draft.arc
    if arc is not None and draft.fixes & {"lay_arc", "move_contact"} and arc.landing_speed > 0:
        depth = draft.jump.heights.absorb
        most = math.floor(MOST * 2 * depth / arc.landing_speed + SAME)
        low_from = after["land"] + min(after["low"] - after["land"], float(max(most, 1)))
    push_from = after["takeoff"] - draft.push
    if push_from > after["crouch"] + SAME:
        words.append(
            f"the crouch is held until frame {push_from:g}: a longer push would drag the body"
        )
    if low_from < after["low"] - SAME:
        words.append(f"the low is reached on frame {low_from:g} and held")
    return Repair(
        jump=draft.jump,
        fixes=draft.fixes,
        before=draft.before,
        after=after,
        posed=draft.posed,
        chained=draft.chained,
        push_from=push_from,
        low_from=low_from,
        arc=arc,
        words=tuple(words),
    )
