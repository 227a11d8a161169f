# SPDX-License-Identifier: GPL-3.0-or-later
"""A recording: motion-capture text as a track, with a scale and feet of its own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from leapwright.body import Body, body_cog, find_body, place_of
from leapwright.bvh import Bvh, read_bvh
from leapwright.errors import InputError, NotFoundError
from leapwright.track import Track

__all__ = ["UNITS", "Recording", "read_recording"]

Floats = NDArray[np.float64]

UNITS: Mapping[str, float] = MappingProxyType(
    {"metres": 1.0, "centimetres": 0.01, "millimetres": 0.001, "inches": 0.0254, "feet": 0.3048}
)
"""Metres in the units that recordings are in."""

STATURE = 1.7
"""m. A person is about this tall: P. de Leva's mean is 1.738 (J. Biomech. 29(9), 1996)."""

SHORT, TALL = 1.0, 2.4
"""m. A skeleton that no unit makes as tall as this is drawn to a scale of its own."""

UP = 1.07
"""Stature over leg, trunk, neck and head: what is below the ankle (de Leva's lengths)."""

HEAD = 0.48
"""Neck and head in trunks, where they are not known (de Leva's lengths)."""

_STANDARD = (23.976, 24.0, 25.0, 29.97, 30.0, 48.0, 50.0, 59.94, 60.0, 100.0, 120.0, 240.0)
_RATES = {23.976: "24000/1001", 29.97: "30000/1001", 59.94: "60000/1001"}


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """What was read.

    Attributes
    ----------
    name : str
        Of the skeleton's root.
    track : Track
        m; the first row is frame 1.
    cog_from : str
        ``segments`` or ``control``.
    scale : float
        Metres in one unit of the file.
    height : float
        Of the skeleton, m.
    body : Body or None
        The masses, where a person was recognised.
    warnings : tuple of str
        What was guessed or left out.
    """

    name: str
    track: Track
    cog_from: str
    scale: float
    height: float
    body: Body | None
    warnings: tuple[str, ...] = ()


def read_recording(
    text: str,
    *,
    scale: float | None = None,
    cog_from: str | None = None,
    sex: str = "mean",
) -> Recording:
    """Read a recording.

    Parameters
    ----------
    text : str
        Of a .bvh file.
    scale : float, optional
        Metres in one unit of the file. Default: what makes the skeleton a person's height.
    cog_from : {"segments", "control"}, optional
        ``control`` is the root joint. Default: segments, where a person is recognised.
    sex : str
        The mass table, one of `leapwright.segments.SEXES`.

    Returns
    -------
    Recording

    Raises
    ------
    InputError
        The text is not of this kind, or a value is not allowed.
    NotFoundError
        Segments were asked for, and no person was recognised.

    Examples
    --------
    >>> clip = read_recording('''HIERARCHY
    ... ROOT Hips { OFFSET 0 0 0 CHANNELS 3 Xposition Yposition Zposition
    ...   End Site { OFFSET 0 70 0 } }
    ... MOTION
    ... Frames: 2
    ... Frame Time: 0.0416667
    ... 1 100 0
    ... 1 102 0''')
    >>> clip.track.frames.tolist(), float(clip.track.frame_rate), clip.cog_from
    ([1.0, 2.0], 24.0, 'control')
    """
    if cog_from not in (None, "segments", "control"):
        raise InputError(
            "`cog_from` must be segments or control for a recording, which has no mesh, got "
            f"{cog_from!r}",
            "cog_from",
        )
    clip = read_bvh(text)
    places = clip.positions()
    heads, tails, parents = _bones(clip, places)
    body, said = None, []
    try:
        body = find_body(heads, parents=parents, tails=tails, sex=sex)
    except NotFoundError:
        if cog_from == "segments":
            raise
        said.append("no person was recognised: the COG is the root joint, and no feet are known")
    height = _height(body, heads, tails, places)
    metres, words = (float(scale), "") if scale is not None else _guess(height)
    if not (np.isfinite(metres) and metres > 0):
        raise InputError(f"`scale` must be above 0 metres a unit, got {scale!r}", "scale")
    said += [words] * bool(words)
    source = cog_from or ("control" if body is None else "segments")
    if body is None or source == "control":
        cog = places[0]
    else:
        cog = body_cog(body, heads, tails=tails)
        said += list(body.missing)
    names, soles = _soles(body, heads, tails, parents)
    track = Track.of(
        cog * metres,
        frame_rate=_rate(clip.frame_time),
        soles=soles * metres if names else None,
        names=names,
    )
    return Recording(clip.names[0], track, source, metres, height * metres, body, tuple(said))


def _rate(frame_time: float) -> Fraction:
    """Frames a second; files round the time of a frame to a few digits."""
    rate = 1 / frame_time
    near = min(_STANDARD, key=lambda standard: abs(standard - rate))
    if abs(near - rate) < 2e-4 * rate:
        return Fraction(_RATES.get(near, str(int(near))))
    return Fraction(rate).limit_denominator(1000)


def _bones(
    clip: Bvh, places: Floats
) -> tuple[dict[str, Floats], dict[str, Floats], dict[str, str | None]]:
    """Heads and tails of the joints, and their parents; of two of one name the first."""
    names = clip.names
    heads: dict[str, Floats] = {}
    tails: dict[str, Floats] = {}
    parents: dict[str, str | None] = {}
    for index, joint in enumerate(clip.joints):
        above = names[joint.parent] if joint.parent >= 0 else None
        if joint.name.endswith(" end") and above is not None:
            tails.setdefault(above, places[index])
            continue
        heads.setdefault(joint.name, places[index])
        parents.setdefault(joint.name, above)
    return heads, tails, parents


def _height(
    body: Body | None, heads: Mapping[str, Floats], tails: Mapping[str, Floats], places: Floats
) -> float:
    """Of the skeleton, in the file's units, whatever its pose is."""
    if body is not None and "leg" in body.proportions:
        low, top = (place_of(mix, heads, tails=tails) for mix in body.trunk)
        trunk = float(np.median(np.linalg.norm(top - low, axis=-1)))
        return UP * trunk * (body.proportions["leg"] + 1 + body.proportions.get("head", HEAD))
    return float(np.max(np.ptp(places[:, 0], axis=0)))


def _guess(height: float) -> tuple[float, str]:
    """Metres in one unit, and how that was guessed."""
    if height <= 0:
        return 1.0, "the skeleton has no height: its unit is taken for a metre; say the scale"
    unit = min(UNITS, key=lambda name: abs(np.log(UNITS[name] * height / STATURE)))
    if SHORT <= UNITS[unit] * height <= TALL:
        metres = UNITS[unit]
        why = f"the skeleton is {height:.4g} units tall, so they are taken for {unit}"
        return metres, f"scale {metres:g} m a unit is a guess: {why} ({metres * height:.2f} m)"
    metres = STATURE / height
    why = f"the skeleton is {height:.4g} units tall, taken for a person of {STATURE:g} m"
    return metres, f"scale {metres:.4g} m a unit is a guess: {why}"


def _soles(
    body: Body | None,
    heads: Mapping[str, Floats],
    tails: Mapping[str, Floats],
    parents: Mapping[str, str | None],
) -> tuple[tuple[str, ...], Floats]:
    """Ends of the toes and where they begin; of a foot without toes the ankle and its end."""
    found: dict[str, Floats] = {}
    for side in "LR" if body is not None else "":
        roles = body.skeleton.roles if body is not None else {}
        foot = roles.get(f"foot.{side}")
        toe = roles.get(f"toe.{side}", foot)
        if toe is None:
            continue
        found[toe] = heads[toe]
        for name in [toe, *(n for n, above in parents.items() if above == toe)]:
            if name in tails:
                found[f"{name} end"] = tails[name]
    return tuple(found), np.array(list(found.values()))
