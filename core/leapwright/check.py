# SPDX-License-Identifier: GPL-3.0-or-later
"""What is off in a found jump: compares what was measured with what push and air should be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from numpy.typing import ArrayLike

from leapwright.contacts import Feet, feet_of
from leapwright.findings import Finding, mark_intended
from leapwright.flight import flight_findings
from leapwright.footwork import check_feet, check_keys
from leapwright.found import FoundJump
from leapwright.scene import Scene, made
from leapwright.standing import standing_findings
from leapwright.style import Style
from leapwright.thresholds import thresholds
from leapwright.track import Track
from leapwright.units import STANDARD_GRAVITY, gravity_of, single

__all__ = ["check"]


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
    feet: Feet | None = None,
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
    feet : Feet, optional
        As `leapwright.find.search` gave them for the same track and ground. Default: found again.

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
    scene = Scene(
        track,
        single(gravity_of(gravity), "gravity"),
        style or Style(),
        2 if twos else 1,
        thresholds(limits),
        feet or (feet_of(track, ground=ground) if jumps else None),
    )
    rank = {"error": 0, "warning": 1, "note": 2}
    found: list[Finding] = []
    for jump in jumps:
        if jump.in_place:
            own = [_in_place(jump)]
        else:
            own = standing_findings(jump, scene) + flight_findings(jump, scene)
        own += check_feet(jump, track, scene.feet, scene.table)
        own += check_keys(jump, track, scene.table)
        found += sorted(own, key=lambda f: rank[f.severity])
    return mark_intended(found, intended or {})


def _in_place(jump: FoundJump) -> Finding:
    m = jump.moments
    return made(
        jump,
        "in_place",
        "air",
        (m.takeoff, m.land),
        jump.heights.jump,
        jump.heights.jump,
        "m",
        "This is an in-place jump: the feet leave, but the body follows no arc of its own, so the "
        "height is taken to be added elsewhere.",
        severity="note",
    )
