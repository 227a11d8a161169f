# SPDX-License-Identifier: GPL-3.0-or-later
"""The COG of a human figure from its joints: a mass table, bones recognised, one weighted sum.

Bones are recognised by what they are called and by where they hang. What is not there is named,
and its mass goes to the nearest joint that is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .anatomy import MassPoint, Mix, Place, like_a_person, place_masses, place_of
from .errors import InputError
from .segments import DE_LEVA, SEXES, Segment
from .skeleton import Skeleton, find_skeleton

__all__ = [
    "DE_LEVA",
    "SEXES",
    "Body",
    "CogTrack",
    "MassPoint",
    "Place",
    "Segment",
    "body_cog",
    "find_body",
    "place_of",
    "segment_cog",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Body:
    """A recognised figure.

    Parameters
    ----------
    points : tuple of MassPoint
        Their masses add up to 1.
    coverage : float
        Share of the body's mass whose segments were found, 0 to 1.
    missing : tuple of str
        A sentence for each segment that was not found: where its mass is put.
    assumed : tuple of str
        A sentence for each joint whose place is assumed.
    skeleton : Skeleton
    proportions : dict of str to float
        Lengths in trunks (mid-shoulder to mid-hip): ``leg``, ``arm``, ``head``; what is known.
    human : bool
        Whether the figure is whole and built like a person.
    trunk : (Mix, Mix)
        Its lower and upper end, as weighted sums of heads and tails.
    vertex : Mix
        Top of the head; the trunk's where there is no head.
    has_tails : bool
        Whether ends of bones were given.
    """

    points: tuple[MassPoint, ...]
    coverage: float
    missing: tuple[str, ...]
    assumed: tuple[str, ...]
    skeleton: Skeleton
    proportions: dict[str, float]
    human: bool
    trunk: tuple[Mix, Mix]
    vertex: Mix
    has_tails: bool

    @property
    def weights(self) -> Mix:
        """The COG as a weighted sum of heads and tails."""
        total: Mix = {}
        for point in self.points:
            for place, weight in point.mix.items():
                total[place] = total.get(place, 0.0) + point.mass * weight
        return total

    @property
    def masses(self) -> dict[str, float]:
        """Share of the body by segment."""
        found: dict[str, float] = {}
        for point in self.points:
            found[point.name] = found.get(point.name, 0.0) + point.mass
        return found


@dataclass(frozen=True, slots=True, eq=False)
class CogTrack:
    """A measured COG.

    Parameters
    ----------
    cog : ndarray, shape (frames, 3)
        In the joints' unit.
    coverage : float
        Share of the body's mass whose segments were found.
    missing : tuple of str
        A sentence for each segment that was not found.
    masses : dict of str to float
        Share of the body by segment.
    """

    cog: Floats
    coverage: float
    missing: tuple[str, ...]
    masses: dict[str, float]


def segment_cog(
    joints: Mapping[str, ArrayLike],
    *,
    parents: Mapping[str, str | None] | None = None,
    tails: Mapping[str, ArrayLike] | None = None,
    sex: str = "mean",
) -> CogTrack:
    """The COG of a human figure from the places of its joints.

    Parameters
    ----------
    joints : mapping of str to array_like, shape (frames, 3)
        Joints (heads of bones) by name, any unit.
    parents : mapping of str to str, optional
        Parents of the joints; without, names alone decide.
    tails : mapping of str to array_like, shape (frames, 3), optional
        Ends of bones: end sites, tips of head and hands.
    sex : str
        One of `SEXES`.

    Returns
    -------
    CogTrack

    Raises
    ------
    InputError
        Places that are not finite, or not all of one shape.
    NotFoundError
        No trunk was recognised.

    Examples
    --------
    >>> up = {"Hips": 1.0, "LeftUpLeg": 1.0, "LeftLeg": 0.55, "LeftFoot": 0.1, "RightUpLeg": 1.0,
    ...       "RightLeg": 0.55, "RightFoot": 0.1, "Neck": 1.5, "Head": 1.6}
    >>> track = segment_cog({name: [[0.0, 0.0, z]] for name, z in up.items()})
    >>> print(f"{track.coverage:.2f} {track.cog[0, 2]:.2f}")
    0.91 1.06
    >>> track.missing[0]
    'left upper arm (2.6 %): its mass is at the top of the trunk'
    """
    heads = _read(joints, "joints")
    ends = _read(tails or {}, "tails", frames=len(next(iter(heads.values()))))
    body = find_body(heads, parents=parents, tails=ends, sex=sex)
    return CogTrack(body_cog(body, heads, tails=ends), body.coverage, body.missing, body.masses)


def body_cog(
    body: Body, joints: Mapping[str, ArrayLike], *, tails: Mapping[str, ArrayLike] | None = None
) -> Floats:
    """The COG of a figure that is known already: one weighted sum.

    Parameters
    ----------
    body : Body
        From `find_body`.
    joints, tails : mapping of str to array_like, shape (frames, 3)
        As in `segment_cog`.

    Returns
    -------
    ndarray, shape (frames, 3)
    """
    ends = tails or {}
    held = {"head": joints, "tail": ends}
    weights = body.weights
    places = np.array([held[end][name] for name, end in weights], dtype=np.float64)
    return np.asarray(np.einsum("p,pfi->fi", np.array(list(weights.values())), places))


def _read(
    places: Mapping[str, ArrayLike], argument: str, *, frames: int | None = None
) -> dict[str, Floats]:
    if not places and frames is None:
        raise InputError(f"`{argument}` must hold at least one joint, got none", argument)
    found = {name: np.array(at, dtype=np.float64) for name, at in places.items()}
    shapes = {at.shape for at in found.values()}
    wanted = f"all of one shape (frames, 3), got {sorted(shapes)}"
    right = all(len(s) == 2 and s[1] == 3 and s[0] > 0 for s in shapes) and len(shapes) <= 1
    if not right or any(frames not in (None, shape[0]) for shape in shapes):
        raise InputError(f"`{argument}` must be {wanted}", argument)
    bad = next((name for name, at in found.items() if not np.all(np.isfinite(at))), None)
    if bad is not None:
        raise InputError(f"`{argument}` must be finite, those of {bad!r} are not", argument)
    return found


# --- From a skeleton to masses -------------------------------------------------------------------


def find_body(
    joints: Mapping[str, ArrayLike],
    *,
    parents: Mapping[str, str | None] | None = None,
    tails: Mapping[str, ArrayLike] | None = None,
    sex: str = "mean",
) -> Body:
    """Recognise a figure and give its segments their masses.

    Parameters
    ----------
    joints, parents, tails, sex
        As in `segment_cog`. Only lengths are taken from the places, and the order of the joints
        along the trunk.

    Raises
    ------
    InputError
        An unknown table.
    NotFoundError
        No trunk was recognised: says what was.

    Notes
    -----
    A segment's centre is on the line between its joints, at the table's part of it. The trunk is
    three masses along its joints, so that it bends. A missing segment's mass goes to the joint it
    would hang on, or to the next one up that is there.
    """
    if sex not in DE_LEVA:
        raise InputError(f"`sex` must be one of {', '.join(SEXES)}, got {sex!r}", "sex")
    heads = {name: np.atleast_2d(np.asarray(at, dtype=np.float64)) for name, at in joints.items()}
    ends = {n: np.atleast_2d(np.asarray(at, dtype=np.float64)) for n, at in (tails or {}).items()}
    skeleton = find_skeleton(parents or dict.fromkeys(heads), heads)
    found = place_masses(DE_LEVA[sex], skeleton, heads, ends)
    return Body(
        points=found.points,
        coverage=found.coverage,
        missing=found.missing,
        assumed=found.assumed,
        skeleton=skeleton,
        proportions=found.proportions,
        human=found.coverage > 0.95 and not skeleton.tail and like_a_person(found.proportions),
        trunk=found.trunk,
        vertex=found.vertex,
        has_tails=bool(ends),
    )
