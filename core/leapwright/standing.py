# SPDX-License-Identifier: GPL-3.0-or-later
"""Rules of push, take-off and absorb: what the feet on the floor must do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from leapwright.findings import Finding
from leapwright.fit import NOISE_FLOOR, air_parabola
from leapwright.flight import far_off
from leapwright.found import FoundJump
from leapwright.scene import Scene, count, length, made

__all__ = ["standing_findings"]

Floats = NDArray[np.float64]

STEP_BETTER = 14.0
"""Drop of chi squared for which a speed step is believed."""


CLEAN = 0.005
"""Push and air lie within this part of the COG's swing of their own curves where one step of the
speed is all that is wrong."""


def standing_findings(jump: FoundJump, scene: Scene) -> list[Finding]:
    """Everything that is off in push, take-off and absorb."""
    rules = (_push, _takeoff, _step, _absorb)
    return [finding for rule in rules for finding in rule(jump, scene)]


def _push(jump: FoundJump, scene: Scene) -> list[Finding]:
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
        f"The push takes {count(push)}; {fits:.2g} would fit a jump {heights:.2g} times as high as "
        f"its push, so it {words}."
    )
    return [made(jump, kind, "push", (m.crouch, m.takeoff), push, fits, "frames", text)]


def _hardly_jumps(jump: FoundJump) -> bool:
    """Too low for its push and absorb to be measured against it."""
    return jump.heights.jump < 0.02 * jump.size or jump.heights.jump < 0.05 * jump.heights.push


def _takeoff(jump: FoundJump, scene: Scene) -> list[Finding]:
    """Speed and feet must leave together."""
    contact = jump.takeoffs.contact
    if contact is None:
        return []
    fast, found = jump.takeoffs.fastest, []
    # Where the air is no arc, half a frame of gaining after the feet are clear tells.
    no_arc = jump.takeoff_by == "contact" and jump.fit is not None
    slow = no_arc and fast < contact - 0.9 and jump.lost > 0.4 * scene.limit("slows_before_takeoff")
    loose = jump.takeoff_by == "contact" and far_off(jump, scene) is not None
    if jump.gained >= scene.limit("gains_after_takeoff") or (loose and fast > contact + 1.4):
        text = (
            f"The feet leave after frame {contact:g}, but the body still gains speed until frame "
            f"{fast:.1f}: nothing is left to push on."
        )
        found.append(
            made(
                jump,
                "gains_after_takeoff",
                "takeoff",
                (contact, fast),
                fast - contact,
                1.0,
                "frames",
                text,
            )
        )
    elif jump.lost >= scene.limit("slows_before_takeoff") or slow:
        text = (
            f"The body is fastest on frame {fast:.4g} and slows before the feet leave after frame "
            f"{contact:g}: it is pulled down by feet that are still on the floor."
        )
        found.append(
            made(
                jump,
                "slows_before_takeoff",
                "takeoff",
                (fast, contact),
                contact - fast,
                0.0,
                "frames",
                text,
            )
        )
    return found


def _step(jump: FoundJump, scene: Scene) -> list[Finding]:
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
    count_rows = int(np.sum((t >= fit.crouch) & (t <= jump.moments.land)))
    swing = jump.heights.push + jump.heights.jump
    if np.sqrt(apart / count_rows) > max(1.5 * jump.noise, CLEAN * swing):
        return []
    if fit.cost - apart < better or abs(step) < scene.limit("speed_step"):
        return []
    air = jump.takeoff_speed
    text = (
        f"At take-off the speed steps {'up' if step > 0 else 'down'} by {100 * abs(step):.0f} %: "
        "the push ends at one speed and the air begins at another."
    )
    m = jump.moments
    return [
        made(
            jump,
            "speed_step",
            "takeoff",
            (m.takeoff, m.takeoff),
            air * (1 - step),
            air,
            "m/s",
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


def _absorb(jump: FoundJump, scene: Scene) -> list[Finding]:
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
        f"The landing is absorbed too {words}: over {length(h.absorb)}, with {force:.2g} body "
        f"weights; {length(fits)} would answer the push."
    )
    return [made(jump, kind, "absorb", (m.land, m.low), h.absorb, fits, "m", text)]
