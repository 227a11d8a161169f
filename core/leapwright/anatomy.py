# SPDX-License-Identifier: GPL-3.0-or-later
"""Segments of a recognised skeleton: where each has its centre, and what to do without it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import NotFoundError
from .segments import Segment
from .skeleton import Skeleton

__all__ = ["MassPoint", "Masses", "Mix", "Place", "like_a_person", "place_masses", "place_of"]

Floats = NDArray[np.float64]

Place = tuple[str, str]
"""A bone's name and ``"head"`` or ``"tail"``; a joint is the head of its bone."""

Mix = dict[Place, float]
"""A place as a weighted sum of places; the weights add up to 1."""

# Rigs have no heel. D. A. Winter, "Biomechanics and Motor Control of Human Movement": the foot's
# centre lies halfway from the ankle to the ball.
_FOOT_CENTRE = 0.5
# A head tip that makes the head shorter or longer than this, in trunks, was made up by an importer.
_HEAD_RANGE = (0.22, 0.9)
# Spine joints nearer to the ends of the trunk than this do not bend it.
_ENDS = (0.08, 0.97)
_SIDES = {"L": "left", "R": "right"}
_TRUNK = ("upper trunk", "middle trunk", "lower trunk")

# Trunks: the people of the table have 1.62 to 1.67 for the legs, 1.07 for the arms, 0.47 to 0.49
# for head and neck. Wide enough for slim and for stout drawings of people.
_PERSON = {"leg": (1.1, 2.4), "arm": (0.75, 1.6), "head": (0.25, 0.75)}


@dataclass(frozen=True, slots=True)
class MassPoint:
    """The mass of a segment at its centre.

    Parameters
    ----------
    name : str
        "left thigh", "upper trunk".
    mass : float
        Share of the body, 0 to 1.
    carrier : str
        The bone that the mass rides on.
    mix : dict of Place to float
        Its place as a weighted sum of heads and tails.
    """

    name: str
    mass: float
    carrier: str
    mix: Mix


def place_of(
    mix: Mapping[Place, float],
    joints: Mapping[str, ArrayLike],
    *,
    tails: Mapping[str, ArrayLike] | None = None,
) -> Floats:
    """Where a weighted sum of places is.

    Parameters
    ----------
    mix : mapping of Place to float
        From `MassPoint.mix`.
    joints, tails : mapping of str to array_like
        As in `segment_cog`.
    """
    held = {"head": joints, "tail": tails or {}}
    parts = [w * np.asarray(held[end][name], dtype=np.float64) for (name, end), w in mix.items()]
    return np.asarray(np.sum(parts, axis=0))


def like_a_person(proportions: Mapping[str, float]) -> bool:
    """Whether a figure is built like a person.

    Parameters
    ----------
    proportions : mapping of str to float
        From `Masses`.

    Examples
    --------
    >>> like_a_person({"leg": 1.6, "arm": 1.1}), like_a_person({"leg": 0.6, "arm": 1.1})
    (True, False)
    """
    known = {part: _PERSON[part] for part in proportions}
    fits = all(low <= proportions[part] <= high for part, (low, high) in known.items())
    return fits and {"leg", "arm"} <= set(known)


@dataclass(frozen=True, slots=True)
class Masses:
    """Segments of a figure with their masses.

    Parameters
    ----------
    points : tuple of MassPoint
        Their masses add up to 1.
    coverage : float
        Share of the body's mass whose segments were found.
    missing, assumed : tuple of str
        A sentence for each segment that was not found, and for each joint that is assumed.
    proportions : dict of str to float
        Lengths in trunks (mid-shoulder to mid-hip): ``leg``, ``arm``, ``head``; what is known.
    trunk : (Mix, Mix)
        Its lower and upper end.
    vertex : Mix
        Top of the head; the trunk's where there is no head.
    """

    points: tuple[MassPoint, ...]
    coverage: float
    missing: tuple[str, ...]
    assumed: tuple[str, ...]
    proportions: dict[str, float]
    trunk: tuple[Mix, Mix]
    vertex: Mix


def place_masses(
    table: Mapping[str, Segment],
    skeleton: Skeleton,
    heads: Mapping[str, Floats],
    tails: Mapping[str, Floats],
) -> Masses:
    """Put each segment's mass at its centre, or at the joint it would hang on.

    Parameters
    ----------
    table : mapping of str to Segment
        Rows of `leapwright.segments.DE_LEVA`.
    skeleton : Skeleton
    heads, tails : mapping of str to ndarray, shape (frames, 3)

    Raises
    ------
    NotFoundError
        No trunk was recognised: says what was.
    """
    build = _Build(table, skeleton, heads, tails)
    build.trunk()
    build.head()
    for side in "LR":
        build.arm(side)
        build.leg(side)
    # The female column adds up to 99.99 %.
    total = sum(point.mass for point in build.points)
    points = tuple(MassPoint(p.name, p.mass / total, p.carrier, p.mix) for p in build.points)
    coverage = 1.0 - sum(build.lost.values()) / total
    missing, assumed = tuple(build.missing), tuple(build.assumed)
    return Masses(
        points=points,
        coverage=coverage,
        missing=missing,
        assumed=assumed,
        proportions=build.proportions,
        trunk=(build.low, build.top),
        vertex=build.vertex or build.top,
    )


def _between(first: Mix, second: Mix, part: float) -> Mix:
    """The place ``part`` of the way from the first to the second."""
    mixed = {place: (1.0 - part) * weight for place, weight in first.items()}
    for place, weight in second.items():
        mixed[place] = mixed.get(place, 0.0) + part * weight
    return mixed


@dataclass(slots=True)
class _Build:
    """Landmarks found so far, and the masses put on them."""

    table: Mapping[str, Segment]
    skeleton: Skeleton
    heads: Mapping[str, Floats]
    tails: Mapping[str, Floats]
    points: list[MassPoint] = field(default_factory=list)
    lost: dict[str, float] = field(default_factory=dict)
    missing: list[str] = field(default_factory=list)
    assumed: list[str] = field(default_factory=list)
    proportions: dict[str, float] = field(default_factory=dict)
    low: Mix = field(default_factory=dict)
    top: Mix = field(default_factory=dict)
    vertex: Mix = field(default_factory=dict)
    chest: str = ""
    pelvis: str = ""

    def start(self, role: str) -> Mix | None:
        """The head of a role's bone."""
        name = self.skeleton.roles.get(role)
        return None if name is None else {(name, "head"): 1.0}

    def end(self, role: str) -> Mix | None:
        """The tail of a role's bone, where tails are known."""
        name = self.skeleton.roles.get(role)
        return None if name is None or name not in self.tails else {(name, "tail"): 1.0}

    def at(self, mix: Mix) -> Floats:
        """Where a mix is."""
        return place_of(mix, self.heads, tails=self.tails)

    def apart(self, first: Mix, second: Mix) -> float:
        """Middle distance of two mixes."""
        return float(np.median(np.linalg.norm(self.at(first) - self.at(second), axis=1)))

    def put(
        self, name: str, row: str, mix: Mix | None, carrier: str, hang: tuple[Mix, str]
    ) -> None:
        """A segment's mass at its centre, or at the joint it would hang on."""
        mass = self.table[row].mass / 100.0
        if mix is None:
            self.lost[name] = mass
            self.missing.append(f"{name} ({100 * mass:.1f} %): its mass is at {hang[1]}")
            mix = hang[0]
        self.points.append(MassPoint(name, mass, carrier, mix))

    def trunk(self) -> None:
        """Three masses along the spine."""
        hips = [self.start(f"thigh.{side}") for side in "LR"]
        shoulders = [self.start(f"upper arm.{side}") for side in "LR"]
        pelvis, neck = self.start("pelvis"), self.start("neck") or self.start("head")
        low = _between(hips[0], hips[1], 0.5) if hips[0] and hips[1] else pelvis
        by_shoulders = bool(shoulders[0] and shoulders[1])
        top = _between(shoulders[0] or {}, shoulders[1] or {}, 0.5) if by_shoulders else neck
        if low is None or top is None:
            known = ", ".join(f"{n!r}" for n in self.skeleton.roles.values()) or "none"
            raise NotFoundError(
                "no trunk was recognised: it takes both thighs or a pelvis, and both upper arms or "
                f"a neck or head; bones that were recognised: {known}"
            )
        self.low, self.top = low, top
        spine = [b for b in (self.skeleton.roles.get("pelvis"), *self.skeleton.spine) if b]
        beside = [self.skeleton.roles.get(r) for r in ("thigh.L", "thigh.R", "neck", "head")]
        spine = spine or [next(name for name in beside if name)]
        along = [self.along({(name, "head"): 1.0}) for name in spine]
        self.pelvis, self.chest = spine[0], spine[-1]
        nodes = [(0.0, low)]
        for part, name in zip(along, spine, strict=True):
            if nodes[-1][0] + _ENDS[0] < part < _ENDS[1]:
                nodes.append((part, {(name, "head"): 1.0}))
        nodes.append((1.0, top))
        for name, part in self.trunk_parts(by_shoulders):
            after = next(i for i, (at, _) in enumerate(nodes) if at > part or at == 1.0)
            (a, before), (b, behind) = nodes[after - 1], nodes[after]
            mix = _between(before, behind, (part - a) / (b - a))
            under = [s for s, at in zip(spine, along, strict=True) if at <= part]
            row = next(r for r in self.table if r.startswith(name))
            self.put(name, row, mix, under[-1] if under else spine[0], ({}, ""))

    def along(self, mix: Mix) -> float:
        """How far up the trunk a place is, 0 mid-hip to 1 top."""
        low = self.at(self.low)
        way = self.at(self.top) - low
        square = np.maximum(np.sum(way**2, axis=1), 1e-30)
        return float(np.median(np.sum((self.at(mix) - low) * way, axis=1) / square))

    def trunk_parts(self, by_shoulders: bool) -> list[tuple[str, float]]:
        """The three parts' centres as parts of the way up the trunk."""
        rows = [(n, self.table[r]) for r in self.table for n in _TRUNK if r.startswith(n)]
        names, parts = [n for n, _ in rows], [row for _, row in rows]
        lengths = np.array([row.length for row in parts])
        below = np.append(np.cumsum(lengths[::-1])[::-1][1:], 0.0)
        up = below + lengths * (1.0 - np.array([row.centre for row in parts]) / 100.0)
        ends = "mid-shoulder" if by_shoulders else "C7"
        whole = self.table[f"trunk ({ends} to mid-hip)"]
        masses = np.array([row.mass for row in parts])
        # Three measured parts miss the measured whole by a few millimetres: the whole counts.
        up += whole.length * (1.0 - whole.centre / 100.0) - masses @ up / np.sum(masses)
        return list(zip(names, (up / whole.length).tolist(), strict=True))

    def head(self) -> None:
        """Head and neck are one mass."""
        neck, skull = self.start("neck"), self.start("head")
        base = neck or skull
        size = self.apart(self.low, self.top)
        row, mix = "head (vertex to C7)", None
        if base is not None:
            tip = self.end("head")
            long = 0.0 if tip is None else self.apart(base, tip) / max(size, 1e-30)
            if tip is None or not _HEAD_RANGE[0] < long < _HEAD_RANGE[1]:
                whole = self.table["trunk (C7 to mid-hip)"].length
                tip = _between(self.low, base, 1.0 + self.table[row].length / whole)
                self.assumed.append("top of the head: assumed in line with the trunk")
            else:
                self.proportions["head"] = long
            # A skeleton without a neck has its head joint at the jaw, or one that does for both.
            jaw = self.table["head (vertex to mid-gonion)"]
            shoulders = self.table["trunk (mid-shoulder to mid-hip)"]
            half = 0.5 * (jaw.length + self.table[row].length) / shoulders.length
            if neck is None and 0.0 < long < half:
                row = "head (vertex to mid-gonion)"
            mix = _between(tip, base, self.table[row].centre / 100.0)
            self.vertex = tip
        carrier = self.skeleton.roles.get("head") or self.skeleton.roles.get("neck") or self.chest
        self.put("head", row, mix, carrier, (self.top, "the top of the trunk"))

    def arm(self, side: str) -> None:
        """Upper arm, forearm, hand."""
        shoulder, wrist = self.start(f"upper arm.{side}"), self.start(f"hand.{side}")
        hand = wrist or self.end(f"forearm.{side}")
        elbow = self.start(f"forearm.{side}")
        joints = self.limb(side, "arm", shoulder, elbow, hand)
        names = ("upper arm", "forearm", "hand")
        tip, row = self.fingers(side, joints[1], wrist)
        self.chain(side, names, [*joints, tip], ("shoulder", "elbow", "wrist"), row)

    def leg(self, side: str) -> None:
        """Thigh, shank, foot."""
        hip, foot = self.start(f"thigh.{side}"), self.start(f"foot.{side}")
        ankle = foot or self.end(f"shin.{side}")
        joints = self.limb(side, "leg", hip, self.start(f"shin.{side}"), ankle)
        ball = self.start(f"toe.{side}") or self.end(f"foot.{side}")
        tip = ball if foot is not None else None
        self.chain(side, ("thigh", "shank", "foot"), [*joints, tip], ("hip", "knee", "ankle"), "")

    def limb(
        self, side: str, kind: str, first: Mix | None, middle: Mix | None, last: Mix | None
    ) -> list[Mix | None]:
        """Three joints of a limb; a middle one that is missing is assumed on a straight limb."""
        upper, lower, joint = {
            "arm": ("upper arm (shoulder to elbow)", "forearm (elbow to wrist)", "elbow"),
            "leg": ("thigh (hip to knee)", "shank (knee to ankle)", "knee"),
        }[kind]
        if middle is None and first is not None and last is not None:
            part = self.table[upper].length
            middle = _between(first, last, part / (part + self.table[lower].length))
            self.assumed.append(f"{_SIDES[side]} {joint}: assumed on a straight {kind}")
        if first is not None and middle is not None and last is not None:
            size = max(self.apart(self.low, self.top), 1e-30)
            long = (self.apart(first, middle) + self.apart(middle, last)) / size
            self.proportions[kind] = max(long, self.proportions.get(kind, 0.0))
        return [first, middle, last]

    def fingers(self, side: str, elbow: Mix | None, wrist: Mix | None) -> tuple[Mix | None, str]:
        """The far end of the hand, and the table's row for it."""
        knuckle, tip = self.start(f"knuckle.{side}"), self.end(f"hand.{side}")
        rows = ("hand (wrist to 3rd knuckle)", "hand (wrist to 3rd fingertip)")
        if knuckle is not None or wrist is None or tip is None or elbow is None:
            return knuckle, rows[0]
        # An end site may stand for either: the nearer in length counts.
        forearm = self.table["forearm (elbow to wrist)"].length
        long = self.apart(wrist, tip) / max(self.apart(elbow, wrist), 1e-30)
        middle = np.sqrt(self.table[rows[0]].length * self.table[rows[1]].length) / forearm
        return tip, rows[int(long > middle)]

    def chain(
        self,
        side: str,
        names: tuple[str, str, str],
        joints: list[Mix | None],
        called: tuple[str, str, str],
        last_row: str,
    ) -> None:
        """Masses of three segments in a row; `joints` are their four ends."""
        said = _SIDES[side]
        is_arm = names[0] == "upper arm"
        hang = (self.top, "the top of the trunk") if is_arm else (self.low, "the hips")
        carrier = self.chest if is_arm else self.pelvis
        bones = dict(zip(names, ("upper arm", "forearm", "hand"), strict=True))
        if not is_arm:
            bones = dict(zip(names, ("thigh", "shin", "foot"), strict=True))
        for number, name in enumerate(names):
            near, far = joints[number], joints[number + 1]
            row = (
                last_row
                if number == 2 and last_row
                else next(r for r in self.table if r.startswith(name))
            )
            if near is not None:
                hang = (near, f"the {said} {called[number]}")
                carrier = self.skeleton.roles.get(f"{bones[name]}.{side}", carrier)
            part = _FOOT_CENTRE if name == "foot" else self.table[row].centre / 100.0
            mix = None if near is None or far is None else _between(near, far, part)
            if mix is None and number == 2 and near is not None and self.has(bones[name], side):
                # A hand or foot without an end: at its joint, which is near enough to its centre.
                mix = near
                self.assumed.append(f"{said} {name}: its far end is unknown, so it is at its joint")
            self.put(f"{said} {name}", row, mix, carrier, hang)

    def has(self, bone: str, side: str) -> bool:
        """Whether a bone was recognised."""
        return f"{bone}.{side}" in self.skeleton.roles
