# SPDX-License-Identifier: GPL-3.0-or-later
"""What is off in a found jump: compares what was measured with what push and air should be."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.contacts import Feet, feet_of
from leapwright.findings import FIXES, Finding, Severity, mark_intended
from leapwright.fit import NOISE_FLOOR, air_parabola
from leapwright.footwork import check_feet, check_keys
from leapwright.found import FoundJump
from leapwright.style import Style
from leapwright.thresholds import Threshold, thresholds
from leapwright.track import Track
from leapwright.units import STANDARD_GRAVITY, gravity_of, positive

__all__ = ["check"]

Floats = NDArray[np.float64]

STEP_BETTER = 14.0
"""Drop of chi squared for which a speed step is believed."""


@dataclass(frozen=True, slots=True)
class _Scene:
    """All that a check looks at beside the jump."""

    track: Track
    gravity: float
    style: Style
    step: int
    table: Mapping[str, Threshold]
    feet: Feet | None

    def limit(self, name: str) -> float:
        return self.table[name].value


def check(
    jumps: Sequence[FoundJump],
    track: Track,
    *,
    gravity: float | str = STANDARD_GRAVITY,
    style: Style | None = None,
    intended: Mapping[str, str] | None = None,
    twos: bool = False,
    ground: ArrayLike | None = None,
    limits: Mapping[str, float] | None = None,
) -> tuple[Finding, ...]:
    """Check found jumps.

    Parameters
    ----------
    jumps : sequence of FoundJump
        Of `leapwright.find.find`, from the same track.
    track : Track
    gravity : float
        The scene's in m/s², or the name of a body.
    style : Style, optional
        What the shot or show is meant to look like: what agrees with it is a note.
    intended : mapping of finding to reason, optional
        ``falls_faster`` or, for the second jump alone, ``falls_faster@2``.
    twos : bool
        Moments are on every other frame: counts are judged to two frames, not one.
    ground : float or array_like, optional
        As for `find`.
    limits : mapping, optional
        Other values for `leapwright.thresholds.THRESHOLDS`.

    Returns
    -------
    tuple of Finding
        In order of the jumps; of each jump the gravest first.

    Raises
    ------
    InputError
        A value is not allowed, or a name unknown.

    Notes
    -----
    What whole frames round is no finding: counts are taken at both ends of their uncertainty,
    which is at least one frame.

    Examples
    --------
    >>> import leapwright
    >>> from leapwright.find import find
    >>> plan = leapwright.plan(rise_frames=12, push_frames=3, pins={"takeoff": 30})
    >>> track = Track.of(plan.cog(range(1, 80)).position)
    >>> check(find(track), track)
    ()
    >>> [found.text for found in check(find(track), track, gravity="moon")]
    ["In the air gravity is 6.13 times the scene's: it reads as a character of 0.163 the size."]
    """
    scene = _Scene(
        track,
        float(positive(gravity_of(gravity), "gravity", "m/s²")),
        style or Style(),
        2 if twos else 1,
        thresholds(limits),
        feet_of(track, ground=ground) if jumps else None,
    )
    rank = {"error": 0, "warning": 1, "note": 2}
    found: list[Finding] = []
    for jump in jumps:
        if jump.in_place:
            own = [_in_place(jump)]
        else:
            own = [f for rule in _RULES for f in rule(jump, scene)]
        own += check_feet(jump, track, scene.feet, scene.table)
        own += check_keys(jump, track, scene.table)
        found += sorted(own, key=lambda f: rank[f.severity])
    return mark_intended(found, intended or {})


def _finding(
    jump: FoundJump,
    kind: str,
    phase: str,
    frames: tuple[float, float],
    measured: float,
    expected: float,
    unit: str,
    text: str,
    *,
    severity: Severity = "warning",
    intended: str | None = None,
) -> Finding:
    if intended is not None:
        severity = "note"
    fix = None if intended is not None else FIXES.get(kind)
    return Finding(
        kind, jump.number, severity, phase, frames, measured, expected, unit, text, fix, intended
    )


def _in_place(jump: FoundJump) -> Finding:
    m = jump.moments
    return _finding(
        jump, "in_place", "air", (m.takeoff, m.land), jump.heights.jump, jump.heights.jump, "m",
        "This is an in-place jump: the feet leave, but the body follows no arc of its own, so the "
        "height is taken to be added elsewhere.",
        severity="note",
    )


def _push(jump: FoundJump, scene: _Scene) -> list[Finding]:
    """Push time against the time that fits: (rise time / push time) / M is 1 when it does."""
    heights, timing = jump.magnification, jump.timing_magnification
    if heights is None or timing is None or _hardly_jumps(jump):
        return []
    # Feet that leave too early or late say nothing of the push: that is a finding of its own.
    if jump.takeoff_by == "contact" or jump.lost >= scene.limit("slows_before_takeoff"):
        return []
    push, m = jump.frames.push, jump.moments
    doubt = float(np.hypot(jump.uncertainty.crouch, jump.uncertainty.takeoff))
    doubt = max(doubt, float(scene.step))
    # The rise of a hang or of a slow fall is still that of its own gravity.
    speed = jump.takeoff_speed / scene.track.fps
    fits = scene.style.push * 2 * jump.heights.push / speed if speed > 0 else push
    low = fits / (push + doubt)
    high = fits / (push - doubt) if push > doubt else np.inf
    if high < scene.limit("push_long"):
        kind, words = "push_long", "drags"
    elif low > scene.limit("push_short"):
        kind, words = "push_short", "pops"
    else:
        return []
    text = (
        f"The push takes {_count(push)}; {fits:.2g} would fit a jump {heights:.2g} times as high as "
        f"its push, so it {words}."
    )
    return [_finding(jump, kind, "push", (m.crouch, m.takeoff), push, fits, "frames", text)]


def _hardly_jumps(jump: FoundJump) -> bool:
    """Too low for its push and absorb to be measured against it."""
    return jump.heights.jump < 0.02 * jump.size or jump.heights.jump < 0.05 * jump.heights.push


def _takeoff(jump: FoundJump, scene: _Scene) -> list[Finding]:
    """Speed and feet must leave together."""
    contact = jump.takeoffs.contact
    if contact is None:
        return []
    fast, found = jump.takeoffs.fastest, []
    # Where the air is no arc, half a frame of gaining after the feet are clear tells.
    no_arc = jump.takeoff_by == "contact" and jump.fit is not None
    loose = jump.takeoff_by == "contact" and _far_off(jump, scene) is not None
    if jump.gained >= scene.limit("gains_after_takeoff") or (loose and fast > contact + 1.4):
        text = (
            f"The feet leave after frame {contact:g}, but the body still gains speed until frame "
            f"{fast:.4g}: nothing is left to push on."
        )
        found.append(
            _finding(
                jump, "gains_after_takeoff", "takeoff", (contact, fast), fast - contact, 1.0,
                "frames", text,
            )
        )
    elif jump.lost >= scene.limit("slows_before_takeoff") or (no_arc and fast < contact - 0.9):
        text = (
            f"The body is fastest on frame {fast:.4g} and slows before the feet leave after frame "
            f"{contact:g}: it is pulled down by feet that are still on the floor."
        )
        found.append(
            _finding(
                jump, "slows_before_takeoff", "takeoff", (fast, contact), contact - fast, 0.0,
                "frames", text,
            )
        )
    return found


def _landing(jump: FoundJump, scene: _Scene) -> list[Finding]:
    if jump.contact_land is None or jump.eased < scene.limit("eases_into_landing"):
        return []
    land, fast = jump.contact_land, jump.fastest_fall
    text = (
        f"The body eases into the landing: it falls fastest on frame {fast:.4g} and has lost "
        f"{100 * jump.eased:.0f} % of that when the feet touch on frame {land:g}."
    )
    return [
        _finding(
            jump, "eases_into_landing", "fall", (fast, land), 100 * jump.eased, 0.0, "%", text
        )
    ]


def _sides(jump: FoundJump, scene: _Scene) -> list[Finding]:
    """Rise and fall under different gravities, and a hang."""
    m, style, found = jump.moments, scene.style, []
    ratio = _ratio(jump, scene)
    if ratio is not None:
        meant = abs(np.log(ratio / style.fall)) <= np.log(scene.limit("falls_faster"))
        as_style = "the style" if style.fall != 1 and meant else None
        faster = ratio > 1
        kind = "falls_faster" if faster else "falls_slower"
        text = (
            f"It falls {'faster' if faster else 'slower'} than it rises: the fall has "
            f"{ratio:.3g} times the gravity of the rise."
        )
        found.append(
            _finding(
                jump, kind, "fall", (m.apex, m.land), ratio, style.fall, "times the rise's gravity",
                text, intended=as_style,
            )
        )
    air = jump.frames.rise + jump.frames.fall
    if jump.hang >= max(scene.limit("hangs") * air, float(scene.step)) and _styled_well(jump):
        as_style = "the style" if style.hang and abs(jump.hang - style.hang) <= 1 else None
        text = f"It hangs at the top for {jump.hang:.2g} frames longer than its rise and fall say."
        found.append(
            _finding(
                jump, "hangs", "apex", (m.takeoff, m.land), jump.hang, style.hang, "frames", text,
                intended=as_style,
            )
        )
    return found


def _styled_well(jump: FoundJump) -> bool:
    """Whether an arc with a style is seen to differ from one parabola, and says how."""
    off = jump.off_arc
    seen = off.largest > max(0.004 * jump.size, 0.01 * jump.heights.jump, 3 * jump.noise)
    return seen and off.styled <= 0.15 * off.largest


def _ratio(jump: FoundJump, scene: _Scene) -> float | None:
    """Fall gravity over rise gravity, where both ends of its uncertainty pass the threshold."""
    g, n = jump.gravity, jump.frames
    if g.rise <= 0 or g.fall <= 0:
        return None
    ratio = g.fall / g.rise
    if jump.fit is None and scene.track.stepped:
        if min(n.rise, n.fall) < 1:
            return None
        # Whole frames: either count may be half a step out.
        doubt = scene.step / 2
        room = 2 * (np.log1p(doubt / n.rise) + np.log1p(doubt / n.fall))
    elif jump.fit is not None and jump.fit.arc != "one" and _styled_well(jump):
        room = 2 * jump.uncertainty.apex * (1 / n.rise + 1 / n.fall) if jump.noise > 1e-4 else 0
    else:
        return None
    name = "falls_faster" if ratio > 1 else "falls_slower"
    return ratio if abs(np.log(ratio)) - room > np.log(scene.limit(name)) else None


def _far_off(jump: FoundJump, scene: _Scene) -> float | None:
    """How far the COG is off its arc, m, where that is too far."""
    off = jump.off_arc
    far = off.styled if _styled_well(jump) else off.largest
    rise = max(jump.heights.jump, jump.heights.fall)
    least = max(
        scene.limit("off_arc") * rise, scene.limit("off_arc_least") * jump.size, 4 * jump.noise
    )
    return far if far > least else None


def _arc(jump: FoundJump, scene: _Scene) -> list[Finding]:
    far = _far_off(jump, scene)
    if far is None:
        return []
    m, at = jump.moments, jump.off_arc.at_frame
    phase = "rise" if at < m.apex else "fall"
    text = (
        f"In the air the body is off its arc by up to {_length(far)}, most on frame {at:g}: a body "
        "that nothing touches follows one parabola."
    )
    return [_finding(jump, "off_arc", phase, (m.takeoff, m.land), far, 0.0, "m", text)]


def _step(jump: FoundJump, scene: _Scene) -> list[Finding]:
    """Speed at the end of the push, fitted alone, against that of the air, fitted alone."""
    fit, track = jump.fit, scene.track
    if fit is None or not jump.has_push or jump.frames.push < 2.9:
        return []
    rows = track.known()
    t, z = track.frames[rows], track.cog[rows, 2]
    contact = jump.takeoffs.contact
    ends = sorted({fit.takeoff, fit.takeoff if contact is None else contact})
    starts = sorted({fit.crouch, float(t[jump.crouch_row])})
    known = [_step_at(t, z, jump, start, end) for start in starts for end in ends]
    if any(cost is None for cost, _ in known):
        return []
    apart, step = min((cost, step) for cost, step in known if cost is not None)
    better = max(STEP_BETTER * max(jump.noise, NOISE_FLOOR) ** 2, 0.5 * fit.cost)
    if fit.cost - apart < better or abs(step) < scene.limit("speed_step"):
        return []
    air = jump.takeoff_speed
    text = (
        f"At take-off the speed steps {'up' if step > 0 else 'down'} by {100 * abs(step):.0f} %: "
        "the push ends at one speed and the air begins at another."
    )
    m = jump.moments
    return [
        _finding(
            jump, "speed_step", "takeoff", (m.takeoff, m.takeoff), air * (1 - step), air, "m/s",
            text,
        )
    ]


def _step_at(
    t: Floats, z: Floats, jump: FoundJump, crouch: float, takeoff: float
) -> tuple[float | None, float]:
    """Sum of squares (m²) of push and air fitted apart, joined at `takeoff` in nothing; and the
    speed step there as part of the air's speed. None where there are too few samples."""
    push = (t >= crouch - 1e-6) & (t <= takeoff + 1e-6)
    air = (t >= takeoff - 1e-6) & (t <= jump.moments.land - 0.5)
    if int(push.sum()) < 4 or int(air.sum()) < 4:
        return None, 0.0
    u = (t[push] - crouch) / (takeoff - crouch)
    rows = np.stack([np.ones_like(u), u**2, u**3], axis=-1)
    solved = np.linalg.lstsq(rows, z[push], rcond=None)[0]
    rest_push = z[push] - rows @ solved
    v_push = float(2 * solved[1] + 3 * solved[2]) / (takeoff - crouch)
    curve, rest_air = air_parabola(t[air], z[air])
    v_air = float(curve[1] + 2 * curve[2] * (takeoff - t[air][0]))
    cost = float(rest_push @ rest_push + rest_air @ rest_air)
    return (cost, 1 - v_push / v_air) if v_air > 0 else (None, 0.0)


def _travel(jump: FoundJump, scene: _Scene) -> list[Finding]:
    least = max(
        scene.limit("travel_uneven") * jump.travel,
        scene.limit("travel_uneven_least") * jump.size,
        4 * jump.noise,
    )
    if jump.travel_uneven <= least:
        return []
    m = jump.moments
    text = (
        f"The travel speed is uneven in the air: the body is {_length(jump.travel_uneven)} away "
        f"from an even pace on frame {jump.uneven_frame:g}."
    )
    return [
        _finding(
            jump, "travel_uneven", "air", (m.takeoff, m.land), jump.travel_uneven, 0.0, "m", text
        )
    ]


def _gravity(jump: FoundJump, scene: _Scene) -> list[Finding]:
    """The scene's gravity, to a frame of air more or less."""
    fit, g = jump.fit, jump.gravity
    styled = fit is not None and fit.arc != "one" and _styled_well(jump)
    measured = g.rise if styled else g.air
    air = jump.frames.rise + jump.frames.fall
    if measured <= 0 or air <= scene.step:
        return []
    ratio = measured / scene.gravity
    room = 2 * np.log(air / (air - scene.step))
    if abs(np.log(ratio)) - room <= np.log1p(scene.limit("gravity")):
        return []
    m = jump.moments
    text = (
        f"In the air gravity is {ratio:.3g} times the scene's: it reads as a character of "
        f"{1 / ratio:.3g} {'times ' if ratio < 1 else ''}the size."
    )
    return [
        _finding(
            jump, "gravity", "air", (m.takeoff, m.land), measured, scene.gravity, "m/s²", text,
            severity="note",
        )
    ]


def _absorb(jump: FoundJump, scene: _Scene) -> list[Finding]:
    """Depth of the absorb against that which answers the push."""
    h, force = jump.heights, jump.absorb_force
    if jump.magnification is None or force is None or jump.frames.absorb <= 0:
        return []
    if _hardly_jumps(jump) or jump.land_by == "contact":
        return []
    fits = min(h.push, h.push * h.fall / h.jump)
    ratio = h.absorb / fits
    room = (jump.frames.absorb + scene.step) / jump.frames.absorb
    m = jump.moments
    if ratio * room < scene.limit("absorb_stiff"):
        kind, words = "absorb_stiff", "stiffly"
    elif ratio / room > scene.limit("absorb_soft"):
        kind, words = "absorb_soft", "softly"
    else:
        return []
    text = (
        f"The landing is absorbed too {words}: over {_length(h.absorb)}, with {force:.2g} body "
        f"weights; {_length(fits)} would answer the push."
    )
    return [_finding(jump, kind, "absorb", (m.land, m.low), h.absorb, fits, "m", text)]


_RULES: tuple[Callable[[FoundJump, _Scene], list[Finding]], ...] = (
    _push, _takeoff, _landing, _sides, _arc, _step, _travel, _gravity, _absorb,
)


def _count(frames: float) -> str:
    return "1 frame" if abs(frames - 1) < 0.005 else f"{frames:.3g} frames"


def _length(metres: float) -> str:
    return f"{100 * metres:.2g} cm" if metres < 1 else f"{metres:.3g} m"
