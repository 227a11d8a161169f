# SPDX-License-Identifier: GPL-3.0-or-later
"""Rules of the air: one arc, one gravity, one travel speed, until the feet touch."""

from __future__ import annotations

import numpy as np

from leapwright.findings import Finding
from leapwright.found import FoundJump
from leapwright.scene import Scene, length, made

__all__ = ["far_off", "flight_findings"]


def flight_findings(jump: FoundJump, scene: Scene) -> list[Finding]:
    """Everything that is off in the air."""
    rules = (_landing, _sides, _arc, _travel, _gravity)
    return [finding for rule in rules for finding in rule(jump, scene)]


def _landing(jump: FoundJump, scene: Scene) -> list[Finding]:
    if jump.contact_land is None or jump.eased < scene.limit("eases_into_landing"):
        return []
    land, fast = jump.contact_land, jump.fastest_fall
    text = (
        f"The body eases into the landing: it falls fastest on frame {fast:.4g} and has lost "
        f"{100 * jump.eased:.0f} % of that when the feet touch on frame {land:g}."
    )
    return [
        made(jump, "eases_into_landing", "fall", (fast, land), 100 * jump.eased, 0.0, "%", text)
    ]


def _sides(jump: FoundJump, scene: Scene) -> list[Finding]:
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
            made(
                jump,
                kind,
                "fall",
                (m.apex, m.land),
                ratio,
                style.fall,
                "times the rise's gravity",
                text,
                intended=as_style,
            )
        )
    air = jump.frames.rise + jump.frames.fall
    if jump.hang >= max(scene.limit("hangs") * air, float(scene.step)) and _styled_well(jump):
        as_style = "the style" if style.hang and abs(jump.hang - style.hang) <= 1 else None
        text = f"It hangs at the top for {jump.hang:.2g} frames longer than its rise and fall say."
        found.append(
            made(
                jump,
                "hangs",
                "apex",
                (m.takeoff, m.land),
                jump.hang,
                style.hang,
                "frames",
                text,
                intended=as_style,
            )
        )
    return found


def _styled_well(jump: FoundJump) -> bool:
    """Whether an arc with a style is seen to differ from one parabola, and says how."""
    off = jump.off_arc
    seen = off.largest > max(0.004 * jump.size, 0.01 * jump.heights.jump, 3 * jump.noise)
    return seen and off.styled <= 0.15 * off.largest


def _ratio(jump: FoundJump, scene: Scene) -> float | None:
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


def far_off(jump: FoundJump, scene: Scene) -> float | None:
    """How far the COG is off its arc, m, where that is too far."""
    off = jump.off_arc
    far = off.styled if _styled_well(jump) else off.largest
    rise = max(jump.heights.jump, jump.heights.fall)
    least = max(
        scene.limit("off_arc") * rise, scene.limit("off_arc_least") * jump.size, 4 * jump.noise
    )
    return far if far > least else None


def _arc(jump: FoundJump, scene: Scene) -> list[Finding]:
    far = far_off(jump, scene)
    if far is None:
        return []
    m, at = jump.moments, jump.off_arc.at_frame
    phase = "rise" if at < m.apex else "fall"
    text = (
        f"In the air the body is off its arc by up to {length(far)}, most on frame {at:g}: a body "
        "that nothing touches follows one parabola."
    )
    return [made(jump, "off_arc", phase, (m.takeoff, m.land), far, 0.0, "m", text)]


def _travel(jump: FoundJump, scene: Scene) -> list[Finding]:
    least = max(
        scene.limit("travel_uneven") * jump.travel,
        scene.limit("travel_uneven_least") * jump.size,
        4 * jump.noise,
    )
    if jump.travel_uneven <= least:
        return []
    m = jump.moments
    text = (
        f"The travel speed is uneven in the air: the body is {length(jump.travel_uneven)} away "
        f"from an even pace on frame {jump.uneven_frame:g}."
    )
    return [
        made(jump, "travel_uneven", "air", (m.takeoff, m.land), jump.travel_uneven, 0.0, "m", text)
    ]


def _gravity(jump: FoundJump, scene: Scene) -> list[Finding]:
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
        made(
            jump,
            "gravity",
            "air",
            (m.takeoff, m.land),
            measured,
            scene.gravity,
            "m/s²",
            text,
            severity="note",
        )
    ]
