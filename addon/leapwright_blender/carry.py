# SPDX-License-Identifier: GPL-3.0-or-later
"""What root, COG control and feet do so that the COG follows its course: who carries it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from leapwright_blender.contact import LEVEL, Contact
from leapwright_blender.course import Course
from leapwright_blender.footway import foot_ride
from leapwright_blender.poses import Stand
from leapwright_blender.ride import Ride
from leapwright_blender.rig import Controls
from leapwright_blender.space import Control, label

__all__ = ["rides"]

Floats = NDArray[np.float64]

STANDS_STILL = 1e-9
"""Channel values nearer than this are one."""


def rides(
    course: Course,
    stands: Mapping[str, Stand],
    home: Stand,
    controls: Controls,
    *,
    air: str,
    contacts: Mapping[str, Contact] | None = None,
    lifts: Mapping[str, float] | None = None,
) -> list[Ride]:
    """What the locations of root, COG control and feet do, knot by knot.

    Parameters
    ----------
    air : {"root", "feet"}
        Who takes the body through the air: the root, which carries feet and COG control; or the
        COG control, with the foot controls moving along.
    contacts : mapping of foot name to Contact, optional
        Feet that leave before take-off or plant after land go their own way.
    lifts : mapping of foot name to float, optional
        How much higher than the others a foot lands, m.

    Notes
    -----
    With the root, the COG control does the push and the landing over a root that stands still,
    and the root does the flight. Each is one cubic a phase, so their sum is the path exactly.
    """
    if air == "root" and controls.root is not None:
        made = _by_root(course, stands, home, controls.root, controls.cog)
    else:
        made = _by_feet(course, stands, home, controls)
    carrier = next((r for r in made if r.control == controls.root), None)
    for foot in controls.feet:
        contact = (contacts or {}).get(label(foot), LEVEL)
        lift = (lifts or {}).get(label(foot), 0.0)
        if air != "root" or contact != LEVEL or lift:
            made.append(foot_ride(course, stands, home, foot, contact, lift, carrier))
    return made


# --- COG control and root ----------------------------------------------------------------------


def _by_feet(
    course: Course, stands: Mapping[str, Stand], home: Stand, controls: Controls
) -> list[Ride]:
    """The COG control follows the path and the feet go along; a root that the poses move rides
    from the one place to the other in the air, and the others make up for it."""
    root_rides, carried, carried_slope = _moving_root(course, stands, home, controls)
    local = _body(course, stands, home, controls.cog, carried)
    for knot, moment in _posed(course, stands):
        if moment != "apex":
            local[knot] = stands[moment].local[controls.cog]
    reached, left = _slopes(course, stands, home, controls.cog, carried_slope)
    body = Ride(controls.cog, course.knots, course.frames, local, reached, left)
    return [*root_rides, body]


def _moving_root(
    course: Course, stands: Mapping[str, Stand], home: Stand, controls: Controls
) -> tuple[list[Ride], Floats, Floats]:
    """Rides of a root that the poses put in different places, and what it carries others by:
    plan displacement (K, 3) and its slope per frame."""
    nothing = np.zeros_like(course.path.position)
    root = controls.root
    if root is None or controls.cog == root:
        return [], nothing, nothing
    reference = stands.get("takeoff", home)
    still = reference.local[root]
    if all(np.allclose(s.local[root], still, atol=1e-7) for s in stands.values()):
        return [], nothing, nothing
    up, top, down = (course.index(k) for k in ("takeoff", "apex", "land"))
    values, slopes = _contact_values(course, stands, home, root), nothing.copy()
    values[top], slopes[top] = _between(course, values, up, top, down)
    lead = reference.linear[root]
    ride = Ride(root, course.knots, course.frames, values, slopes, slopes)
    return [_thinned(course, stands, ride)], (values - still) @ lead.T, slopes @ lead.T


def _seen_from(course: Course, stands: Mapping[str, Stand], home: Stand) -> list[Stand]:
    """The body that each knot is seen from: that of take-off until the air ends, then the landed
    one where there is one, for it may stand turned."""
    before = stands.get("takeoff", home)
    after = next((stands[m] for m in ("land", "low", "end") if m in stands), before)
    down = course.index("land")
    return [before if i < down else after for i in range(len(course.knots))]


def _body(
    course: Course, stands: Mapping[str, Stand], home: Stand, cog: Control, carried: Floats
) -> Floats:
    """Channel values that put the COG control on the path, given what it is `carried` by since
    take-off."""
    seen = _seen_from(course, stands, home)
    down = course.index("land")
    values = []
    for i, (stand, place) in enumerate(zip(seen, course.path.position, strict=True)):
        # Seen from the landed body, what carried it there is over.
        moved = carried[i] - (carried[down] if stand is not seen[0] else 0)
        away = place - stand.cog - moved
        values.append(stand.local[cog] + np.linalg.inv(stand.linear[cog]) @ away)
    return np.array(values)


def _slopes(
    course: Course,
    stands: Mapping[str, Stand],
    home: Stand,
    control: Control,
    carried: float | Floats = 0.0,
) -> tuple[Floats, Floats]:
    """Slopes to and from the knots, per frame, of a control that does what of the path it is not
    carried."""
    slope = course.path.velocity / course.fps - carried
    seen = _seen_from(course, stands, home)
    inverse = np.stack([np.linalg.inv(stand.linear[control]) for stand in seen])
    left = np.einsum("kij,kj->ki", inverse, slope)
    # Land is still reached from the body of take-off.
    inverse[course.index("land")] = inverse[0]
    return np.einsum("kij,kj->ki", inverse, slope), left


def _posed(course: Course, stands: Mapping[str, Stand]) -> list[tuple[int, str]]:
    """Knots that show a posed moment."""
    moments = [(i, "crouch" if name == "hold" else name) for i, name in enumerate(course.knots)]
    return [(i, moment) for i, moment in moments if moment in stands]


def _by_root(
    course: Course, stands: Mapping[str, Stand], home: Stand, root: Control, cog: Control
) -> list[Ride]:
    up, top, down = (course.index(k) for k in ("takeoff", "apex", "land"))
    reference = stands.get("takeoff", home)
    lead, own = reference.linear[root], reference.linear[cog]
    carrier = _contact_values(course, stands, home, root)
    carried = (carrier - reference.local[root]) @ lead.T
    local = _body(course, stands, home, cog, carried)
    for knot, moment in _posed(course, stands):
        local[knot] = stands[moment].local[cog]
    local_slope = np.zeros(3)
    if "apex" not in stands:
        local[top], local_slope = _between(course, local, up, top, down)
    # In the air the root takes what the COG control does not do.
    rest = course.path.position[top] - reference.cog - own @ (local[top] - reference.local[cog])
    carrier[top] = reference.local[root] + np.linalg.inv(lead) @ rest
    velocity = course.path.velocity / course.fps
    body_in, body_out = _slopes(course, stands, home, cog)
    body_in[top] = body_out[top] = local_slope
    body_out[up] = body_in[down] = 0
    root_in, root_out = np.zeros_like(body_in), np.zeros_like(body_in)
    full = velocity @ np.linalg.inv(lead).T
    root_out[up], root_in[down] = full[up], full[down]
    root_in[top] = root_out[top] = np.linalg.inv(lead) @ (velocity[top] - own @ local_slope)
    return [
        Ride(cog, course.knots, course.frames, local, body_in, body_out),
        _thinned(
            course, stands, Ride(root, course.knots, course.frames, carrier, root_in, root_out)
        ),
    ]


def _contact_values(
    course: Course, stands: Mapping[str, Stand], home: Stand, control: Control
) -> Floats:
    """Channel values of a control that stands still with the ground: before the air where it is
    posed (or stands at home), after it moved with the feet."""
    down = course.index("land")
    reference = stands.get("takeoff", home)
    before = reference.local[control]
    after = before + np.linalg.inv(reference.linear[control]) @ course.feet_move
    landed = [stands[m] for m in ("land", "low", "end") if m in stands]
    if landed:
        after = landed[0].local[control]
    values = np.where(np.arange(len(course.knots))[:, None] < down, before, after)
    for knot, moment in _posed(course, stands):
        if moment != "apex":
            values[knot] = stands[moment].local[control]
    return np.asarray(values)


def _between(
    course: Course, values: Floats, first: int, middle: int, last: int
) -> tuple[Floats, Floats]:
    """Value and slope in the middle of one cubic with flat ends."""
    span = course.frames[last] - course.frames[first]
    u = (course.frames[middle] - course.frames[first]) / span
    way = values[last] - values[first]
    return values[first] + way * u * u * (3 - 2 * u), way * 6 * u * (1 - u) / span


def _thinned(course: Course, stands: Mapping[str, Stand], ride: Ride) -> Ride:
    """Without the knots at which a control that stands still has nothing to say."""
    last = len(course.knots) - 1
    wanted = {0, last, *(course.index(k) for k in ("takeoff", "apex", "land"))}
    wanted |= {knot for knot, _ in _posed(course, stands)}
    others = [i for i in range(last) if i not in wanted]
    # Between two poses that put it elsewhere, it stands where the path needs it.
    there = _picked(ride, sorted(wanted)).play(ride.frames[others]).value
    away = np.abs(there - ride.values[others]).max(axis=1, initial=0.0)
    wanted |= {i for i, by in zip(others, away.tolist(), strict=True) if by > STANDS_STILL}
    return _picked(ride, sorted(wanted))


def _picked(ride: Ride, knots: Sequence[int]) -> Ride:
    return Ride(
        ride.control,
        tuple(ride.knots[i] for i in knots),
        ride.frames[knots],
        ride.values[knots],
        ride.slopes[knots],
        ride.slopes_after[knots],
    )
