# SPDX-License-Identifier: GPL-3.0-or-later
"""Keys for FK legs while their feet are planted: few, and the soles stay where they are.

The body is played as planned (in a rehearsal); on every frame the leg bends and aims as posed
until its foot is back in place, and as few of these frames are keyed as hold the sole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import MERGE_FRAMES, Curves, concat
from leapwright.errors import InputError
from leapwright.sparse import Sparse, sparse_keys

from .leg import Leg
from .legkeys import Row, among, leg_curves, posed_frames
from .limb import PosedLimb, between, limb_of
from .read import read_curves
from .rehearsal import rehearsal
from .sample import sampling
from .space import Point
from .steps import Step, Steps, creeping, part
from .turn import played_values, standing

__all__ = ["LegKeys", "Plant", "leg_keys"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

PLANTED = "holding planted feet"

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


@dataclass(frozen=True, slots=True, eq=False)
class _Span:
    """One plant, solved on all its frames.

    `values` are the rotation channels of the limb's bones, `must` the frames that are keyed in any
    case, `corners` those on which keys may be reached and left with different slopes.
    """

    plant: Plant
    limb: PosedLimb
    frames: Floats
    must: Mask
    corners: Mask
    values: Floats
    short: Floats


def leg_keys(
    obj: Any,
    scene: Any,
    plants: Sequence[Plant],
    *,
    moments: Sequence[float],
    within: float,
    stepped: bool,
) -> Steps[LegKeys]:
    """Find keys that keep planted feet of FK legs in place, in steps.

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
    A pose that does not stand where its foot is held is kept all the same, and its miss is said:
    so legs that are keyed on every frame are not solved at all.
    New keys are breakdowns, on moments keyframes. Inside a span the handles are FREE, one cubic
    from key to key; towards the air they are flat.
    """
    _check(plants, within)
    if not plants:
        return LegKeys(Curves.empty())
    paths = {c.data_path for p in plants for c in limb_of(obj, p.leg, p.sole).channels}
    before = read_curves(obj, paths=paths).curves
    at = np.array(moments, np.float64).reshape(-1)
    yield Step(0.0, PLANTED)
    solving = _spans(obj, scene, plants, before, at, within=within, stepped=stepped)
    spans = yield from part(solving, 0.0, 0.25, PLANTED)
    musts = [s.must for s in spans]
    for left in reversed(range(_ROUNDS)):
        begun, ended = (creeping(_ROUNDS - left + n) for n in (0, 1))
        yield Step(begun, PLANTED)
        chosen = [
            _choose(span, must, within * _ROOM, stepped=stepped)
            for span, must in zip(spans, musts, strict=True)
        ]
        curves = _assembled(obj, spans, chosen, before, at, stepped=stepped)
        missed = yield from part(_measured(obj, scene, spans, curves), begun, ended, PLANTED)
        more = [_over(s, c, m, within) for s, c, m in zip(spans, chosen, missed, strict=True)]
        if stepped or not left or not any(over.any() for over in more):
            break
        musts = [must | over for must, over in zip(musts, more, strict=True)]
    return _said(spans, chosen, missed, curves, stepped=stepped)


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
    within: float,
    stepped: bool,
) -> Steps[list[_Span]]:
    """Solve every plant on its frames; the rig is stepped once for all."""
    ordered = sorted(plants, key=lambda p: (p.leg.thigh, p.first))
    keyed = [posed_frames(before, limb_of(obj, p.leg, p.sole).channels) for p in ordered]
    frames = [_frames(p, k, moments) for p, k in zip(ordered, keyed, strict=True)]
    limbs = yield from _sampled(obj, scene, ordered, frames)
    return [
        _solved(obj, p, limb, f, k, moments, within=within, stepped=stepped)
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
) -> Steps[list[PosedLimb]]:
    """Limbs with what they are on the frames, as the rig plays just now."""
    limbs = [limb_of(obj, plant.leg, plant.sole) for plant in plants]
    points = list(dict.fromkeys(p for limb in limbs for p in limb.points))
    at = np.unique(np.concatenate(frames))
    samples = yield from sampling(obj, at, points, scene=scene)
    return [limb.on(samples, np.searchsorted(at, f)) for limb, f in zip(limbs, frames, strict=True)]


def _solved(
    obj: Any,
    plant: Plant,
    limb: PosedLimb,
    frames: Floats,
    keyed: Floats,
    moments: Floats,
    *,
    within: float,
    stepped: bool,
) -> _Span:
    posed = among(frames, keyed)
    limb = limb.planted(_held(plant, frames))
    rotations, short = limb.solve()
    values = []
    jumps = np.zeros(len(frames), bool)
    for turn, matrices in zip(limb.limb.turns, rotations, strict=True):
        played = played_values(obj, turn, frames)
        given = np.where(posed[:, None], played, np.nan)
        values.append(turn.values(matrices, given, near=played[0]))
        jumps |= turn.jumps(values[-1])
    whole = np.concatenate(values, axis=1)
    must = posed | among(frames, moments)
    if not stepped:
        must |= jumps | (frames == frames[0]) | (frames == frames[-1])
    # A pose that stands elsewhere is reached and left in a frame.
    elsewhere = posed & (limb.miss(whole) > within)
    corners = jumps | elsewhere
    corners[1:] |= elsewhere[:-1]
    corners[:-1] |= elsewhere[1:]
    return _Span(plant, limb, frames, must, corners, whole, short)


def _held(plant: Plant, frames: Floats) -> Floats:
    """Where the foot is held on frames: smoothly from each place to the next, [F, 4, 4]."""
    at = np.array([f for f, _ in plant.held], dtype=np.float64)
    order = np.argsort(at)
    matrices = np.array([np.array(m, dtype=np.float64) for _, m in plant.held])[order]
    return between(at[order], matrices, frames)


# --- Choosing ----------------------------------------------------------------------------------


def _choose(span: _Span, must: Mask, within: float, *, stepped: bool) -> Sparse:
    """Choose keys and slopes of one span."""
    count, depth = span.values.shape
    flat, knots = np.zeros(depth), np.flatnonzero(must)
    if stepped or count == 1:
        still = np.zeros((len(knots), depth))
        return Sparse(knots, still, still)
    return sparse_keys(
        span.frames,
        span.values,
        knots=knots,
        miss=span.limb.miss,
        within=within,
        corners=span.corners,
        fixed_slopes={0: (flat, None), count - 1: (None, flat)},
    )


def _assembled(
    obj: Any,
    spans: Sequence[_Span],
    chosen: Sequence[Sparse],
    before: Curves,
    moments: Floats,
    *,
    stepped: bool,
) -> Curves:
    """Whole channels of all legs, with the chosen keys."""
    legs: dict[str, list[tuple[_Span, Sparse]]] = {}
    for span, keys in zip(spans, chosen, strict=True):
        legs.setdefault(span.plant.leg.thigh, []).append((span, keys))
    done = []
    for own in legs.values():
        limb = own[0][0].limb.limb
        rows = [
            Row(s.frames[k.knots], s.values[k.knots], k.slopes_in, k.slopes_out) for s, k in own
        ]
        still = np.concatenate([standing(obj, turn) for turn in limb.turns])
        done.append(
            leg_curves(before, limb.channels, rows, moments=moments, still=still, stepped=stepped)
        )
    return concat(done)


def _measured(obj: Any, scene: Any, spans: Sequence[_Span], curves: Curves) -> Steps[list[Floats]]:
    """How far soles and ankles are off on all frames of the spans, as the rig plays the keys."""
    with rehearsal([(obj, curves)]):
        plants, frames = [s.plant for s in spans], [s.frames for s in spans]
        limbs = yield from _sampled(obj, scene, plants, frames)
    return [s.limb.miss_of(limb) for s, limb in zip(spans, limbs, strict=True)]


def _over(span: _Span, chosen: Sparse, missed: Floats, within: float) -> Mask:
    """Frames without a key that the played keys miss, more than a key there would."""
    free = np.ones(len(missed), bool)
    free[chosen.knots] = False
    least = span.limb.miss(span.values) + 1e-3 * within
    return np.asarray(free & (missed > np.maximum(within, least)))


def _said(
    spans: Sequence[_Span],
    chosen: Sequence[Sparse],
    missed: Sequence[Floats],
    curves: Curves,
    *,
    stepped: bool,
) -> LegKeys:
    counted = [
        k.knots if stepped else np.arange(len(m)) for k, m in zip(chosen, missed, strict=True)
    ]
    most = [np.max(m[c], initial=-1.0) for m, c in zip(missed, counted, strict=True)]
    worst = int(np.argmax(most))
    short = []
    for span in spans:
        at = int(np.argmax(np.abs(span.short)))
        if abs(span.short[at]) > _SHORT * span.limb.length:
            short.append((span.plant.leg.name, float(span.frames[at]), float(span.short[at])))
    if not len(counted[worst]):
        return LegKeys(curves, short=tuple(short))
    row = counted[worst][np.argmax(missed[worst][counted[worst]])]
    return LegKeys(
        curves=curves,
        largest_miss=float(missed[worst][row]),
        at_frame=float(spans[worst].frames[row]),
        leg=spans[worst].plant.leg.name,
        short=tuple(short),
    )
