# SPDX-License-Identifier: GPL-3.0-or-later
"""Where the COG of a character is: by its control, by a mass table, or by its meshes.

Each source is a few masses that ride on bones, so that a frame costs one weighted sum.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.anatomy import place_of
from leapwright.body import Body
from leapwright.errors import InputError, NotFoundError

from .leg import rest_up, stature
from .meshes import body_meshes, read_rest_mesh
from .person import body_of, fraction_of_height, standing_height
from .poses import measured_at
from .rig import Controls, find_controls
from .sample import sample
from .solids import Piece, closed_pieces
from .space import Control, Point, label, rest_offset, the_object
from .steps import Step, Steps, part

__all__ = ["SOURCES", "Source", "cog_source", "measure", "persons_source", "source_named", "stray"]

Floats = NDArray[np.float64]

SOURCES = ("control", "segments", "mesh")
"""Names of the sources."""

# A skeleton without a skin is measured by segments when this much of the body is found.
_ENOUGH = 0.6

_LIKE_A_PERSON = "{!r} is built like a person"


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """Masses that ride on bones.

    Parameters
    ----------
    name : str
        One of `SOURCES`.
    why : str
        Why this one, in one sentence.
    points : tuple of Control or Point
        What the masses ride on.
    masses : ndarray, shape (points,)
        They add up to 1.
    parts : dict of str to float
        Share of the body by segment or bone, the heaviest first.
    rest : ndarray, shape (3,)
        COG at rest, in the axes of the rig's object, Blender units.
    height : float
        Part of the figure's height at which that is, 0 sole to 1 top.
    coverage : float
        Share of the body that was found; 1 for a mesh, 0 for a control.
    left_out : tuple of str
        A sentence for all that was left out, assumed or changed.
    """

    name: str
    why: str
    points: tuple[Control | Point, ...]
    masses: Floats
    parts: dict[str, float]
    rest: Floats
    height: float
    coverage: float
    left_out: tuple[str, ...] = ()

    @property
    def text(self) -> tuple[str, ...]:
        """Plain sentences: where the COG is at rest, what weighs what, what was left out."""
        lines = [
            f"COG from {self.name}: {self.why}",
            f"COG at rest: {100 * self.height:.1f} % of the height",
        ]
        if self.name == "segments":
            lines.append(f"{100 * self.coverage:.0f} % of the body's mass was found")
        if self.parts:
            said = [f"{part} {100 * share:.1f} %" for part, share in self.parts.items()]
            lines.append("masses: " + ", ".join(said))
        return (*lines, *self.left_out)

    def to_json(self) -> dict[str, Any]:
        """The same as JSON values."""
        return {
            "cog_from": self.name,
            "why": self.why,
            "height_fraction": self.height,
            "coverage": self.coverage,
            "masses": dict(self.parts),
            "left_out": list(self.left_out),
        }


def cog_source(
    obj: Any,
    scene: Any,
    which: str | None = None,
    *,
    controls: Controls | None = None,
    sex: str = "mean",
    without: Sequence[str] = (),
) -> Steps[Source]:
    """Choose what the COG of a character is measured with, and read its masses; in steps.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig, or the top object of a figure without bones.
    scene : bpy.types.Scene
    which : str, optional
        One of `SOURCES`. Default: ``"segments"`` for people and for skeletons without a skin,
        else ``"mesh"``, else ``"control"``.
    controls : Controls, optional
        From `leapwright_blender.rig.find_controls`; used by ``"control"``.
    sex : str
        The mass table of ``"segments"``, one of `leapwright.segments.SEXES`.
    without : sequence of str
        Names of meshes that are no part of the body.

    Returns
    -------
    Source

    Raises
    ------
    InputError
        An unknown source or table.
    NotFoundError
        The source that was asked for is not to be had: says what is missing.
    """
    if which is not None and which not in SOURCES:
        raise InputError(
            f"`cog_from` must be one of {', '.join(SOURCES)}, got {which!r}", "cog_from"
        )
    if which == "control":
        return _by_control(obj, scene, controls, "you asked for it")
    if which == "segments":
        return _by_segments(obj, body_of(obj, sex), "you asked for it")
    if which == "mesh":
        return (yield from _by_mesh(obj, scene, without, "you asked for it"))
    return (yield from _default(obj, scene, controls, sex, without))


def source_named(
    obj: Any, scene: Any, controls: Controls, name: str | None = None
) -> Steps[Source | None]:
    """What to measure a jump's COG with, by name, in steps; None is the COG control itself.

    Parameters
    ----------
    name : str, optional
        One of `SOURCES`, as asked for or as remembered; default ``"control"``.

    Raises
    ------
    InputError, NotFoundError
        As `cog_source`.
    """
    if name is None or name == "control":
        return None
    return (yield from cog_source(obj, scene, name, controls=controls))


def persons_source(obj: Any, *, sex: str = "mean") -> Source | None:
    """The source ``"segments"`` of a rig that is built like a person; None for any other.

    It is read off the bones at once, while meshes may take as long as a block.

    Parameters
    ----------
    obj : bpy.types.Object
    sex : str
        As `cog_source`.
    """
    try:
        body = body_of(obj, sex)
    except NotFoundError:
        return None
    return _by_segments(obj, body, _LIKE_A_PERSON.format(obj.name)) if body.human else None


def _default(
    obj: Any, scene: Any, controls: Controls | None, sex: str, without: Sequence[str]
) -> Steps[Source]:
    try:
        body = body_of(obj, sex)
    except NotFoundError:
        body = None
    if body is not None and body.human:
        return _by_segments(obj, body, _LIKE_A_PERSON.format(obj.name))
    why = f"{obj.name!r} is not built like a person"
    try:
        why_mesh = why if obj.pose else f"{obj.name!r} has no bones"
        return (yield from _by_mesh(obj, scene, without, why_mesh))
    except NotFoundError:
        pass
    limbs = body is not None and {"leg", "arm"} <= set(body.proportions)
    if body is not None and limbs and body.coverage >= _ENOUGH and not body.skeleton.tail:
        return _by_segments(obj, body, f"{obj.name!r} is a skeleton without a closed mesh")
    return _by_control(obj, scene, controls, f"{obj.name!r} has no closed mesh and is no person")


def measure(obj: Any, scene: Any, frames: ArrayLike, source: Source) -> Floats:
    """The COG on many frames; the user's scene is not stepped.

    Parameters
    ----------
    obj : bpy.types.Object
    scene : bpy.types.Scene
    frames : array_like, shape (frames,)
        May lie between whole frames.
    source : Source

    Returns
    -------
    ndarray, shape (frames, 3)
        World axes, Blender units.

    Raises
    ------
    InputError, NotFoundError, HostError
        As `leapwright_blender.sample.sample`.
    """
    places = sample(obj, frames, source.points, scene=scene).positions
    return np.asarray(np.einsum("p,pfi->fi", source.masses, places))


def stray(obj: Any, scene: Any, frames: ArrayLike, source: Source, other: Source) -> float:
    """How far two sources stray from each other, beyond their middle distance; Blender units.

    Parameters
    ----------
    obj : bpy.types.Object
    scene : bpy.types.Scene
    frames : array_like, shape (frames,)
    source, other : Source

    Returns
    -------
    float
        The largest over the frames.
    """
    both = sample(obj, frames, [*source.points, *other.points], scene=scene).positions
    masses = np.concatenate([source.masses, -other.masses])
    apart = np.einsum("p,pfi->fi", masses, both)
    middle = 0.5 * (apart.min(axis=0) + apart.max(axis=0))
    return float(np.linalg.norm(apart - middle, axis=1).max())


# --- The three sources ---------------------------------------------------------------------------


def _by_control(obj: Any, scene: Any, controls: Controls | None, why: str) -> Source:
    found = controls or find_controls(obj, scene=scene)
    point = measured_at(found)
    holder = the_object(point)
    offset = point.offset if isinstance(point, Point) else (0.0, 0.0, 0.0)
    if point.bone:
        rest = np.array(holder.data.bones[point.bone].matrix_local, dtype=np.float64)
    else:
        rest = np.array(obj.matrix_world.inverted_safe() @ holder.matrix_world, dtype=np.float64)
    place = rest[:3, :3] @ np.array(offset) + rest[:3, 3]
    return Source(
        name="control",
        why=f"{label(point)!r}; {why}",
        points=(point,),
        masses=np.ones(1),
        parts={},
        rest=place,
        height=_height(obj, place, ()),
        coverage=0.0,
    )


def _by_segments(obj: Any, body: Body, why: str) -> Source:
    bones = obj.data.bones
    heads = {b.name: np.array(b.head_local, dtype=np.float64) for b in bones}
    tails = {b.name: np.array(b.tail_local, dtype=np.float64) for b in bones}
    volumes: dict[Control, float] = {}
    moments: dict[Control, Floats] = {}
    for point in body.points:
        place = place_of(point.mix, heads, tails=tails)
        _add(volumes, moments, Control(obj.name, point.carrier), point.mass, point.mass * place)
    rest = np.sum(list(moments.values()), axis=0)
    points, masses = _riding(obj, volumes, moments, {})
    height, notes = standing_height(obj, body, rest)
    return Source(
        name="segments",
        why=why,
        points=points,
        masses=masses,
        parts=_heaviest(body.masses),
        rest=rest,
        height=height,
        coverage=body.coverage,
        left_out=(*body.missing, *body.assumed, *notes),
    )


def _by_mesh(obj: Any, scene: Any, without: Sequence[str], why: str) -> Steps[Source]:
    meshes, left = body_meshes(obj)
    used = [m for m in meshes if m.name not in set(without)]
    left += [f"{m.name!r} is left out: you said so" for m in meshes if m not in used]
    read = []
    for number, mesh in enumerate(used):
        yield Step(0.2 * number / len(used), f"reading {mesh.name!r}")
        read.append(read_rest_mesh(obj, mesh, scene=scene))
    found, notes = yield from part(closed_pieces(read), 0.2, 0.6)
    if not found:
        said = "; ".join([*left, *notes]) or "it has no meshes"
        raise NotFoundError(f"mesh: {obj.name!r} has no closed mesh: {said}")
    volumes: dict[Control, float] = {}
    moments: dict[Control, Floats] = {}
    for number, piece in enumerate(found):
        yield Step(0.6 + 0.4 * number / len(found), f"weighing {piece.mesh.name!r}")
        carriers, shares = piece.shares()
        for carrier, size, moment in zip(carriers, shares.volumes, shares.moments, strict=True):
            _add(volumes, moments, carrier, float(size), moment)
    total = sum(volumes.values())
    if total <= 0.0:
        raise NotFoundError(f"mesh: {obj.name!r} has no volume")
    rest = np.sum(list(moments.values()), axis=0) / total
    points, masses = _riding(obj, volumes, moments, {m.name: m.to_own for m in read})
    return Source(
        name="mesh",
        why=why,
        points=points,
        masses=masses,
        parts=_heaviest({label(c): size / total for c, size in volumes.items()}),
        rest=rest,
        height=_height(obj, rest, found),
        coverage=1.0,
        left_out=(*left, *notes),
    )


def _add(
    volumes: dict[Control, float],
    moments: dict[Control, Floats],
    carrier: Control,
    size: float,
    moment: Floats,
) -> None:
    volumes[carrier] = volumes.get(carrier, 0.0) + size
    moments[carrier] = moments.get(carrier, np.zeros(3)) + moment


def _riding(
    obj: Any,
    volumes: Mapping[Control, float],
    moments: Mapping[Control, Floats],
    to_own: Mapping[str, Floats],
) -> tuple[tuple[Point, ...], Floats]:
    """Each carrier's mass as one point in its own axes."""
    held = [carrier for carrier, size in volumes.items() if size != 0.0]
    points = []
    for carrier in held:
        place = moments[carrier] / volumes[carrier]
        if carrier.bone:
            offset = rest_offset(obj.data.bones[carrier.bone], place)
        else:
            own = to_own[carrier.object]
            x, y, z = (own[:3, :3] @ place + own[:3, 3]).tolist()
            offset = (x, y, z)
        points.append(Point(carrier.object, carrier.bone, offset))
    masses = np.array([volumes[carrier] for carrier in held])
    return tuple(points), masses / masses.sum()


def _heaviest(parts: Mapping[str, float]) -> dict[str, float]:
    ordered = sorted(parts.items(), key=lambda item: -item[1])
    return {name: share for name, share in ordered if share != 0.0}


def _height(obj: Any, place: Floats, found: Sequence[Piece]) -> float:
    """Part of the height of a skin, or of bones."""
    if found:
        return fraction_of_height(place, np.concatenate([p.points for p in found]), rest_up(obj))
    if obj.pose is None:
        return 0.5
    low, high, up = stature(obj)
    return (float(place @ up) - low) / max(high - low, 1e-30)
