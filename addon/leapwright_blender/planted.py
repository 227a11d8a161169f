# SPDX-License-Identifier: GPL-3.0-or-later
"""Keys for FK legs while their feet are planted: few, and the soles stay where they are.

The body is played as planned (in a rehearsal); on every frame the leg bends and aims as posed
until its foot is back in place, and as few of these frames are keyed as hold the sole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import MERGE_FRAMES, Curves, concat
from leapwright.errors import InputError
from leapwright.sparse import sparse_keys

from .leg import Leg
from .legkeys import Row, leg_curves, posed_frames
from .limb import PosedLimb, between, limb_of
from .read import read_curves
from .rehearsal import rehearsal
from .sample import sample
from .space import Point
from .turn import played_values, standing

__all__ = ["LegKeys", "Plant", "leg_keys"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_ROUNDS = 4
# The chain in numpy and the host differ by rounding: aimed at is a little less than asked.
_ROOM = 0.98
# Parts of the leg's length below which a miss is rounding, not a leg that is too short.
_SHORT = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class Plant:
    """A foot that stands.

    Parameters
    ----------
    leg : Leg
        An FK leg.
    first, last : float
        Frames of the span; the foot is planted on both.
    held : tuple of (frame, 4×4 matrix)
        World matrices, in Blender units, of the bone after the shin (`leg.after`) on these frames.
        Between two of them it goes from one to the other, slowly at both ends; outside it stays.
        Where the leg ends with its shin: of the shin, and only its end is held.
    sole : Point
        Where the foot is measured; it rides on that bone or on one below it.
    """

    leg: Leg
    first: float
    last: float
    held: tuple[tuple[float, Floats], ...]
    sole: Point


@dataclass(frozen=True, slots=True, eq=False)
class LegKeys:
    """Keys of legs, and how well they hold the soles.

    Attributes
    ----------
    curves : Curves
        Whole rotation channels of the legs' bones, the keys in the air as they were.
    largest_miss : float
        How far a sole (or an ankle) is off its place at most, Blender units, on the frames of the
        spans: measured on the rig as it plays the keys. With stepped keys on keyed frames only.
    at_frame : float or None
        Where that is; None when nothing is planted.
    leg : str
        Which leg, in words.
    short : tuple of (str, float, float)
        Leg in words, frame and missing length in Blender units, the worst of each span where a
        leg does not reach; below 0 where it cannot be folded as far as asked.
    """

    curves: Curves
    largest_miss: float = 0.0
    at_frame: float | None = None
    leg: str = ""
    short: tuple[tuple[str, float, float], ...] = ()


@dataclass(slots=True, eq=False)
class _Span:
    """One plant, solved on all its frames.

    `values` are the rotation channels of the limb's bones, `posed` the frames that are
    keyed already, `must` the ones that will be in any case, `bends` those at which the values
    jump and may have a corner.
    """

    plant: Plant
    limb: PosedLimb
    frames: Floats
    posed: Mask
    must: Mask
    values: Floats
    short: Floats
    bends: Mask
    knots: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    slopes_in: Floats = field(default_factory=lambda: np.zeros((0, 0)))
    slopes_out: Floats = field(default_factory=lambda: np.zeros((0, 0)))


def leg_keys(
    obj: Any,
    scene: Any,
    plants: Sequence[Plant],
    *,
    moments: Sequence[float],
    within: float,
    stepped: bool,
) -> LegKeys:
    """Find keys that keep planted feet of FK legs in place.

    To be called inside a `rehearsal` in which the body follows its plan; nothing is written.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig.
    scene : bpy.types.Scene
        The user's scene; it is read, not stepped.
    plants : sequence of Plant
        Spans of one leg may meet in a frame but not overlap.
    moments : sequence of float
        Frames that are keyed where they lie in a span.
    within : float
        How far soles may be off on any frame, Blender units.
    stepped : bool
        Key the moments only, held.

    Returns
    -------
    LegKeys
        Keys that were there keep their values to the bit, and outside the spans everything.

    Raises
    ------
    InputError
        A leg with a foot control, spans that overlap or end before they begin, `within` not
        above 0.

    Notes
    -----
    Only rotation channels of thigh, shin and the bone after it are keyed, all on the same frames.
    New keys are breakdowns, on moments keyframes. Inside a span the handles are FREE, one cubic
    from key to key; towards the air they are flat.
    """
    _check(plants, within)
    if not plants:
        return LegKeys(Curves.empty())
    paths = {c.data_path for p in plants for c in limb_of(obj, p.leg, p.sole).channels}
    before = read_curves(obj, paths=paths).curves
    at = np.array(moments, np.float64).reshape(-1)
    spans = _spans(obj, scene, plants, before, at, stepped=stepped)
    curves = Curves.empty()
    missed: list[Floats] = []
    for _ in range(_ROUNDS):
        for span in spans:
            _choose(span, within * _ROOM, stepped=stepped)
        curves = _assembled(obj, spans, before, at, stepped=stepped)
        missed = _measured(obj, scene, spans, curves)
        if stepped or not _key_what_misses(spans, missed, within):
            break
    return _said(spans, missed, curves, stepped=stepped)


def _check(plants: Sequence[Plant], within: float) -> None:
    if not within > 0:
        raise InputError(f"`within` must be above 0, got {within}", "within")
    for plant in plants:
        if plant.leg.ik:
            raise InputError(f"`plants` must be of FK legs, {plant.leg.name} is not", "plants")
        if not plant.held:
            raise InputError(f"`plants` must say where the {plant.leg.name} is held", "plants")
        if plant.last < plant.first:
            raise InputError(
                f"`plants` must end after they begin, got {plant.first:g} to {plant.last:g}",
                "plants",
            )
    for one, other in pairwise(sorted(plants, key=lambda p: (p.leg.thigh, p.first))):
        if one.leg.thigh == other.leg.thigh and other.first < one.last:
            raise InputError(
                f"`plants` of one leg must not overlap, got {other.first:g} before {one.last:g}",
                "plants",
            )


# --- Solving -----------------------------------------------------------------------------------


def _spans(
    obj: Any,
    scene: Any,
    plants: Sequence[Plant],
    before: Curves,
    moments: Floats,
    *,
    stepped: bool,
) -> list[_Span]:
    """Solve every plant on its frames; the rig is stepped once for all."""
    ordered = sorted(plants, key=lambda p: (p.leg.thigh, p.first))
    keyed = [posed_frames(before, limb_of(obj, p.leg, p.sole).channels) for p in ordered]
    frames = [_frames(p, k, moments) for p, k in zip(ordered, keyed, strict=True)]
    limbs = _sampled(obj, scene, ordered, frames)
    return [
        _solved(obj, p, limb, f, k, moments, stepped=stepped)
        for p, limb, f, k in zip(ordered, limbs, frames, keyed, strict=True)
    ]


def _frames(plant: Plant, keyed: Floats, moments: Floats) -> Floats:
    """Whole frames, both ends, moments and keys of the span, each once."""
    whole = np.arange(np.ceil(plant.first), np.floor(plant.last) + 1)
    # Keys first: their own frame, to the bit, is the one that stands.
    named = np.concatenate([keyed, [plant.first, plant.last], moments, whole])
    inside = (named >= plant.first - MERGE_FRAMES) & (named <= plant.last + MERGE_FRAMES)
    named = named[inside]
    order = np.argsort(named, kind="stable")
    rising = named[order]
    group = np.concatenate([[0], np.cumsum(np.diff(rising) > MERGE_FRAMES)])
    first = np.full(group[-1] + 1, len(named))
    np.minimum.at(first, group, order)
    return named[first]


def _sampled(
    obj: Any, scene: Any, plants: Sequence[Plant], frames: Sequence[Floats]
) -> list[PosedLimb]:
    """Limbs with what they are on the frames, as the rig plays just now."""
    limbs = [limb_of(obj, plant.leg, plant.sole) for plant in plants]
    points = list(dict.fromkeys(p for limb in limbs for p in limb.points))
    at = np.unique(np.concatenate(frames))
    samples = sample(obj, at, points, scene=scene)
    return [limb.on(samples, np.searchsorted(at, f)) for limb, f in zip(limbs, frames, strict=True)]


def _on(frames: Floats, others: Floats) -> Mask:
    """Which frames are among others."""
    if not len(others):
        return np.zeros(len(frames), bool)
    return np.asarray(np.abs(frames[:, None] - others).min(axis=1) <= MERGE_FRAMES)


def _solved(
    obj: Any,
    plant: Plant,
    limb: PosedLimb,
    frames: Floats,
    keyed: Floats,
    moments: Floats,
    *,
    stepped: bool,
) -> _Span:
    posed = _on(frames, keyed)
    limb = limb.planted(_held(plant, frames))
    rotations, short = limb.solve()
    values = []
    bends = np.zeros(len(frames), bool)
    for turn, matrices in zip(limb.limb.turns, rotations, strict=True):
        played = played_values(obj, turn, frames)
        given = np.where(posed[:, None], played, np.nan)
        values.append(turn.values(matrices, given, near=played[0]))
        bends |= turn.jumps(values[-1])
    whole = np.concatenate(values, axis=1)
    must = posed | _on(frames, moments)
    if not stepped:
        must |= bends | (frames == frames[0]) | (frames == frames[-1])
    return _Span(plant, limb, frames, posed, must, whole, short, bends)


def _held(plant: Plant, frames: Floats) -> Floats:
    """Where the foot is held on frames: smoothly from each place to the next, [F, 4, 4]."""
    at = np.array([f for f, _ in plant.held], dtype=np.float64)
    order = np.argsort(at)
    matrices = np.array([np.array(m, dtype=np.float64) for _, m in plant.held])[order]
    return between(at[order], matrices, frames)


# --- Choosing ----------------------------------------------------------------------------------


def _choose(span: _Span, within: float, *, stepped: bool) -> None:
    """Choose keys and slopes of one span."""
    count, depth = span.values.shape
    flat = np.zeros(depth)
    if stepped or count == 1:
        span.knots = np.flatnonzero(span.must)
        span.slopes_in = span.slopes_out = np.zeros((len(span.knots), depth))
        return
    found = sparse_keys(
        span.frames,
        span.values,
        knots=np.flatnonzero(span.must),
        miss=span.limb.miss,
        within=within,
        corners=span.bends,
        fixed_slopes={0: (flat, None), count - 1: (None, flat)},
    )
    span.knots, span.slopes_in, span.slopes_out = found.knots, found.slopes_in, found.slopes_out


def _assembled(
    obj: Any, spans: Sequence[_Span], before: Curves, moments: Floats, *, stepped: bool
) -> Curves:
    legs: dict[str, list[_Span]] = {}
    for span in spans:
        legs.setdefault(span.plant.leg.thigh, []).append(span)
    return concat(
        [
            leg_curves(
                before,
                own[0].limb.limb.channels,
                [
                    Row(
                        frames=s.frames[s.knots],
                        values=s.values[s.knots],
                        slopes_in=s.slopes_in,
                        slopes_out=s.slopes_out,
                    )
                    for s in own
                ],
                moments=moments,
                still=np.concatenate([standing(obj, t) for t in own[0].limb.limb.turns]),
                stepped=stepped,
            )
            for own in legs.values()
        ]
    )


def _measured(obj: Any, scene: Any, spans: Sequence[_Span], curves: Curves) -> list[Floats]:
    """How far soles and ankles are off on all frames of the spans, as the rig plays the keys."""
    with rehearsal([(obj, curves)]):
        limbs = _sampled(obj, scene, [s.plant for s in spans], [s.frames for s in spans])
    return [s.limb.miss_of(limb) for s, limb in zip(spans, limbs, strict=True)]


def _key_what_misses(spans: Sequence[_Span], missed: Sequence[Floats], within: float) -> bool:
    """Ask for keys where the played keys still miss; False when nothing is to be done."""
    more = False
    for span, miss in zip(spans, missed, strict=True):
        free = np.ones(len(miss), bool)
        free[span.knots] = False
        over = free & (miss > np.maximum(within, span.limb.miss(span.values) + 1e-3 * within))
        span.must |= over
        more |= bool(over.any())
    return more


def _said(
    spans: Sequence[_Span], missed: Sequence[Floats], curves: Curves, *, stepped: bool
) -> LegKeys:
    counted = [m[s.knots] if stepped else m for s, m in zip(spans, missed, strict=True)]
    worst = int(np.argmax([m.max(initial=-1.0) for m in counted]))
    span, miss = spans[worst], counted[worst]
    frames = span.frames[span.knots] if stepped else span.frames
    short = []
    for s in spans:
        at = int(np.abs(s.short).argmax())
        if abs(s.short[at]) > _SHORT * s.limb.length:
            short.append((s.plant.leg.name, float(s.frames[at]), float(s.short[at])))
    return LegKeys(
        curves=curves,
        largest_miss=float(miss.max()),
        at_frame=float(frames[int(miss.argmax())]),
        leg=span.plant.leg.name,
        short=tuple(short),
    )
