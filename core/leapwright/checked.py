# SPDX-License-Identifier: GPL-3.0-or-later
"""What a check of one rig, or of one recording, says: its jumps, and what is off in them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.check import check
from leapwright.contacts import Feet
from leapwright.find import search
from leapwright.findings import Finding, Severity, finding_answer, worst
from leapwright.fit import Fit, air_parabola
from leapwright.found import FoundJump, found_answer
from leapwright.style import Style
from leapwright.track import Track
from leapwright.units import STANDARD_GRAVITY

__all__ = ["TAKEOFF", "Checked", "Meant", "arc_heights", "check_track"]

Floats = NDArray[np.float64]

TAKEOFF = (
    "Take-off is where the arc of the air begins, if the feet leave then within its uncertainty; "
    "else the last frame with a foot on the floor."
)
"""The definition of take-off in use."""

FINE = 8
"""Samples of an arc in a frame."""


@dataclass(frozen=True, slots=True)
class Meant:
    """What a jump is judged by.

    Attributes
    ----------
    gravity : float or str
        m/s², or the name of a body.
    style : Style
        How it is meant to differ from a true jump.
    intended : mapping of finding to reason
        ``falls_faster``, or ``falls_faster@2`` for the second jump alone.
    twos : bool
        Moments are on every other frame.
    """

    gravity: float | str = STANDARD_GRAVITY
    style: Style = field(default_factory=Style)
    intended: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    twos: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Checked:
    """What a check says.

    Attributes
    ----------
    file : str
        Where the animation was read from.
    rig : str
        Whose it is.
    frame_rate : Fraction
        Frames a second.
    cog_from : str
        What the COG was measured with: ``control``, ``segments``, ``mesh``.
    jumps : tuple of FoundJump
        In order of time.
    findings : tuple of Finding
        In order of the jumps; of each jump the gravest first.
    reason : str
        Why there is no jump; "" where there is one.
    warnings : tuple of str
        Plain sentences about how it was read.
    track : Track or None
        What was measured; None where there was nothing to measure.
    feet : Feet or None
        Where the feet are on the floor, on the frames that the track knows.
    remembered : tuple of int or None
        For each jump the number, from 1, of the remembered jump that it is.
    """

    file: str
    rig: str
    frame_rate: Fraction
    cog_from: str
    jumps: tuple[FoundJump, ...] = ()
    findings: tuple[Finding, ...] = ()
    reason: str = ""
    warnings: tuple[str, ...] = ()
    track: Track | None = None
    feet: Feet | None = None
    remembered: tuple[int | None, ...] = ()

    @property
    def worst(self) -> Severity | None:
        """The highest severity; None where nothing was found."""
        return worst(self.findings)

    def of(self, number: int) -> tuple[Finding, ...]:
        """The findings of one jump.

        Parameters
        ----------
        number : int
            Of the jump, from 1.
        """
        return tuple(finding for finding in self.findings if finding.jump == number)

    def to_json(self, *, track: bool = False) -> dict[str, Any]:
        """The same as JSON values, units in the key names.

        Parameters
        ----------
        track : bool
            Also what was measured on every frame, and the arc of every jump: enough to draw it.
        """
        said: dict[str, Any] = {
            "file": self.file,
            "rig": self.rig,
            "frame_rate": float(self.frame_rate),
            "cog_from": self.cog_from,
            "jumps": [self._jump(jump, track=track) for jump in self.jumps],
            "reason": self.reason or None,
            "warnings": list(self.warnings),
            "definitions": {"takeoff": TAKEOFF},
        }
        if track and self.track is not None:
            said["track"] = self._track(self.track)
        return said

    def _jump(self, jump: FoundJump, *, track: bool) -> dict[str, Any]:
        said = found_answer(jump)
        said["findings"] = [finding_answer(finding) for finding in self.of(jump.number)]
        if track and self.track is not None:
            m = jump.moments
            inside = np.arange(np.ceil(m.takeoff * FINE) / FINE, m.land, 1 / FINE)
            frames = np.unique([m.takeoff, *inside, m.apex, m.land])
            said["arc"] = {
                "frames": frames.tolist(),
                "height_m": arc_heights(jump, self.track, frames).tolist(),
            }
        return said

    def _track(self, track: Track) -> dict[str, Any]:
        return {
            "frames": track.frames.tolist(),
            "height_m": track.cog[:, 2].tolist(),
            "along_m": _along(track.cog[:, :2]).tolist(),
            "contacts": self._contacts(track),
            "stepped": track.stepped,
            "keys": None if track.keys is None else track.keys.tolist(),
        }

    def _contacts(self, track: Track) -> dict[str, list[bool]]:
        """By sole; a held pose holds its contacts."""
        if self.feet is None:
            return {}
        rows = track.known()
        held = np.searchsorted(rows, np.arange(len(track.frames)), side="right") - 1
        on = self.feet.on[:, np.maximum(held, 0)]
        return {name: row.tolist() for name, row in zip(track.names, on, strict=True)}


def check_track(
    track: Track,
    *,
    file: str = "",
    rig: str = "",
    cog_from: str = "",
    meant: Meant | Callable[[FoundJump], Meant] = Meant(),
    ground: ArrayLike | None = None,
    limits: Mapping[str, float] | None = None,
    warnings: Sequence[str] = (),
) -> Checked:
    """Find the jumps of a track and check each.

    Parameters
    ----------
    track : Track
    file, rig, cog_from : str
        For the answer.
    meant : Meant or function of a FoundJump
        What each jump is judged by.
    ground : float or array_like, shape (F,) or (S, F), optional
        Height of the floor below the soles, m.
    limits : mapping, optional
        Other values for `leapwright.thresholds.THRESHOLDS`.
    warnings : sequence of str
        For the answer.

    Returns
    -------
    Checked

    Raises
    ------
    InputError
        A value is not allowed, or a name unknown.

    Examples
    --------
    >>> import leapwright
    >>> plan = leapwright.plan(rise_frames=12, push_frames=3, pins={"takeoff": 30})
    >>> told = check_track(Track.of(plan.cog(range(1, 80)).position), meant=Meant("moon"))
    >>> told.worst, [finding.name for finding in told.of(1)]
    ('note', ["gravity far from the scene's"])
    """
    judged = meant if callable(meant) else lambda _: meant
    general = meant if isinstance(meant, Meant) else Meant()
    found = search(track, gravity=general.gravity, ground=ground)
    findings: list[Finding] = []
    for jump in found.jumps:
        by = judged(jump)
        findings += check(
            [jump],
            track,
            gravity=by.gravity,
            style=by.style,
            intended=by.intended,
            twos=by.twos,
            ground=ground,
            limits=limits,
            feet=found.feet,
        )
    return Checked(
        file=file,
        rig=rig,
        frame_rate=track.frame_rate,
        cog_from=cog_from,
        jumps=found.jumps,
        findings=tuple(findings),
        reason=found.reason,
        warnings=tuple(warnings),
        track=track,
        feet=found.feet,
        remembered=(None,) * len(found.jumps),
    )


def arc_heights(jump: FoundJump, track: Track, frames: ArrayLike) -> Floats:
    """Heights of the arc that a jump's air was measured by.

    Parameters
    ----------
    jump : FoundJump
    track : Track
        That it was found in.
    frames : array_like, shape (N,)
        Of the air.

    Returns
    -------
    ndarray, shape (N,)
        m. The fitted arc, or the one parabola nearest to an air that is none.
    """
    t = np.asarray(frames, dtype=np.float64)
    if jump.fit is not None and jump.described and jump.takeoff_by == jump.land_by == "arc":
        return _fitted(jump.fit, t)
    rows = track.known()
    known, z = track.frames[rows], track.cog[rows, 2]
    m = jump.moments
    air = (known >= m.takeoff - 1e-6) & (known <= m.land + 1e-6)
    if int(air.sum()) < 3:
        at = np.array([m.takeoff, m.apex, m.land])
        z0 = float(np.interp(m.takeoff, known, z))
        heights = z0 + np.array([0, jump.heights.jump, jump.heights.jump - jump.heights.fall])
        curve, _ = air_parabola(at, heights)
        since = t - at[0]
    else:
        curve, _ = air_parabola(known[air], z[air])
        since = t - known[air][0]
    return np.asarray(np.vander(since, 3, increasing=True) @ curve)


def _fitted(fit: Fit, t: Floats) -> Floats:
    rise = fit.takeoff_height + _fallen(t - fit.takeoff, fit.takeoff_speed, fit.rise_gravity)
    if fit.arc == "one":
        return rise
    fall = fit.land_height + _fallen(t - fit.land, fit.landing_speed, fit.fall_gravity)
    if fit.arc == "two":
        return np.where(t <= fit.apex, rise, fall)
    # Tops of rise and of fall by themselves; a parabola joins the quarters nearest to them.
    up = fit.takeoff + fit.takeoff_speed / fit.rise_gravity
    down = fit.land + fit.landing_speed / fit.fall_gravity
    first, last = up - (up - fit.takeoff) / 4, down + (fit.land - down) / 4
    v1, v2 = fit.rise_gravity * (up - first), fit.fall_gravity * (last - down)
    start = fit.takeoff_height + float(
        _fallen(np.array(first - fit.takeoff), fit.takeoff_speed, fit.rise_gravity)
    )
    middle = start + _fallen(t - first, v1, (v1 + v2) / max(last - first, 1e-9))
    return np.where(t <= first, rise, np.where(t >= last, fall, middle))


def _fallen(since: Floats, speed: float, gravity: float) -> Floats:
    return np.asarray(since * speed - since**2 * gravity / 2)


def _along(place: Floats) -> Floats:
    """Way along the line that a horizontal track (F, 2) mostly follows, from its first frame."""
    middle = place - place.mean(axis=0)
    _, _, axes = np.linalg.svd(middle, full_matrices=False)
    along = middle @ axes[0]
    way = along - along[0]
    return np.asarray(-way if way[-1] < 0 else way)
