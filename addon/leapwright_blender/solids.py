# SPDX-License-Identifier: GPL-3.0-or-later
"""Closed pieces of a character's meshes: holes closed, turned right side out, each counted once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from leapwright.surface import boundary_edges, close_holes, inside, oriented, pieces
from leapwright.volume import Shares, share, solid

from .meshes import RestMesh
from .space import Control
from .steps import Step, Steps, part

__all__ = ["Piece", "closed_pieces"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# A piece whose holes take more than this part of its surface is a sheet, not a body.
_SHEET = 0.4
# Corners of a piece that are looked at to tell whether it lies in another.
_LOOKS = 8
# A piece with more than this part of its corners in another overlaps it.
_ACROSS = 0.2
# Corners nearer than this part of the mesh's size are one.
_SAME = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A closed piece of a mesh.

    Parameters
    ----------
    mesh : RestMesh
        What it is a piece of.
    points, triangles, weights : ndarray
        Its own, as in `RestMesh`; right side out.
    volume : float
        Negative for a hollow in another piece.
    was_inside_out : bool
        Whether it was turned.
    """

    mesh: RestMesh
    points: Floats
    triangles: Ints
    weights: Floats
    volume: float
    was_inside_out: bool

    def shares(self) -> tuple[tuple[Control, ...], Shares]:
        """Its carriers, and the volume and moment of each; less than 0 for a hollow."""
        used = np.flatnonzero(self.weights.sum(axis=0) > 0)
        found = share(self.points, self.triangles, self.weights[:, used])
        if self.volume < 0:
            found = Shares(-found.volumes, -found.moments)
        return tuple(self.mesh.carriers[i] for i in used), found


def closed_pieces(meshes: Sequence[RestMesh]) -> Steps[tuple[list[Piece], list[str]]]:
    """Take meshes apart into closed pieces, each counted once; in steps.

    Parameters
    ----------
    meshes : sequence of RestMesh

    Returns
    -------
    list of Piece
        Their volumes add up to the body's.
    notes : list of str
        Holes closed, sheets left out, pieces inside others, pieces that overlap.
    """
    found: list[Piece] = []
    notes: list[str] = []
    for number, mesh in enumerate(meshes):
        yield Step(0.3 * number / len(meshes), f"taking {mesh.name!r} apart")
        notes += mesh.notes
        own, said = _take_apart(mesh)
        found += own
        notes += said
    kept, said = yield from part(_once(found), 0.3, 1.0)
    return kept, [*notes, *said]


def _take_apart(mesh: RestMesh) -> tuple[list[Piece], list[str]]:
    if not len(mesh.triangles):
        return [], [f"{mesh.name!r} is left out: it has no faces"]
    points, weights = mesh.points, mesh.weights
    triangles = _welded(mesh) if len(boundary_edges(mesh.triangles)) else mesh.triangles
    triangles, turned = oriented(triangles)
    notes = []
    if turned:
        notes.append(f"{turned} triangles of {mesh.name!r} were turned: faces disagreed")
    labels = pieces(triangles)
    order = np.argsort(labels, kind="stable")
    cuts = np.cumsum(np.bincount(labels))[:-1]
    found, sheets, holes = [], 0, 0
    for some in np.split(triangles[order], cuts):
        used, corners = np.unique(some, return_inverse=True)
        at, faces = points[used], corners.reshape(-1, 3)
        closed, faces, held, count = close_holes(at, faces, weights[used])
        area = _areas(closed, faces)
        volume = solid(closed, faces).volume
        flat = area[len(some) :].sum() > _SHEET * area[: len(some)].sum()
        if flat or abs(volume) <= 1e-12 * area.sum() ** 1.5:
            sheets += 1
            continue
        holes += count
        inward = volume < 0
        faces = faces[:, ::-1] if inward else faces
        found.append(Piece(mesh, closed, faces, held, abs(volume), inward))
    if holes:
        notes.append(f"{mesh.name!r} is open: {holes} hole{'s' * (holes > 1)} closed")
    if sheets:
        what = "open sheet" + "s" * (sheets > 1)
        notes.append(f"{sheets} {what} of {mesh.name!r} left out: no volume")
    return found, notes


def _welded(mesh: RestMesh) -> Ints:
    """Triangles with corners joined that importers split: one place, the same weights."""
    size = float(np.max(np.ptp(mesh.points, axis=0))) or 1.0
    grid = np.rint(mesh.points / (_SAME * size)).astype(np.int64)
    # Where two parts touch, each keeps its own corners.
    grid = np.column_stack([grid, np.argmax(mesh.weights, axis=1)])
    _, first, where = np.unique(grid, axis=0, return_index=True, return_inverse=True)
    one = first[where.reshape(-1)]
    alike = np.abs(mesh.weights[one] - mesh.weights).max(axis=1) < 1e-3
    joined = np.where(alike, one, np.arange(len(one)))[mesh.triangles]
    a, b, c = joined.T
    return np.asarray(joined[(a != b) & (b != c) & (c != a)])


def _areas(points: Floats, triangles: Ints) -> Floats:
    a, b, c = points[triangles].transpose(1, 0, 2)
    return np.asarray(0.5 * np.linalg.norm(np.cross(b - a, c - a), axis=1))


def _once(found: Sequence[Piece]) -> Steps[tuple[list[Piece], list[str]]]:
    """Leave out what lies inside another piece; hollows are taken off."""
    order = sorted(found, key=lambda piece: -piece.volume)
    low = np.array([p.points.min(axis=0) for p in order]).reshape(-1, 3)
    high = np.array([p.points.max(axis=0) for p in order]).reshape(-1, 3)
    kept: list[Piece] = []
    within: dict[tuple[str, str], int] = {}
    across: dict[tuple[str, str], int] = {}
    for number, piece in enumerate(order):
        met = np.all((low[:number] < high[number]) & (high[:number] > low[number]), axis=1)
        looks = piece.points[:: -(-len(piece.points) // _LOOKS)]
        whole = None
        for i in np.flatnonzero(met):
            other = order[i]
            near = np.all((looks >= low[i]) & (looks <= high[i]), axis=1)
            if near.mean() <= _ACROSS:
                continue
            yield Step(number / len(order), f"what lies inside {other.mesh.name!r}")
            held = np.count_nonzero(inside(other.points, other.triangles, looks[near]))
            held_part = held / len(looks)
            names = (piece.mesh.name, other.mesh.name)
            if held_part == 1.0:
                whole = other
                break
            if held_part > _ACROSS:
                across[names] = across.get(names, 0) + 1
        if whole is None:
            kept.append(piece)
        elif whole.mesh is piece.mesh and piece.was_inside_out and not whole.was_inside_out:
            kept.append(replace(piece, volume=-piece.volume))
        else:
            names = (piece.mesh.name, whole.mesh.name)
            within[names] = within.get(names, 0) + 1
    lines = [
        f"{_many(count, one)} {'lies' if count == 1 else 'lie'} inside {outer!r}: counted once"
        for (one, outer), count in within.items()
    ]
    for (one, second), count in across.items():
        what = "another of its pieces" if one == second else repr(second)
        verb = "overlaps" if count == 1 else "overlap"
        lines.append(f"{_many(count, one)} {verb} {what}: what they share counts twice")
    return kept, lines


def _many(count: int, name: str) -> str:
    return f"{count} piece{'s' * (count > 1)} of {name!r}"
