# SPDX-License-Identifier: GPL-3.0-or-later
"""Volumes against formulas and against points counted inside; shares against slices."""

from __future__ import annotations

import numpy as np
import pytest

from leapwright.errors import InputError
from leapwright.surface import boundary_edges, close_holes, inside, oriented, pieces
from leapwright.volume import share, solid

BOX = np.array(
    [[0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1], [2, 3, 7], [2, 7, 6],
     [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3]]
)  # fmt: skip


def box(low=(0, 0, 0), high=(1, 1, 1)):
    corners = [[(low, high)[i][0], (low, high)[j][1], (low, high)[k][2]]
               for i in (0, 1) for j in (0, 1) for k in (0, 1)]  # fmt: skip
    return np.array(corners, dtype=float), BOX


def ball(rings=40, radius=1.0):
    """A tube of rings that closes at its poles."""
    turn = np.linspace(0, np.pi, rings + 1)[1:-1]
    return tube(lambda t: radius * np.sin(t), lambda t: -radius * np.cos(t), turn, cap=radius)


def tube(radius, height, at, *, around=48, cap=None):
    angle = np.arange(around) * 2 * np.pi / around
    rings = [
        np.stack(
            [radius(t) * np.cos(angle), radius(t) * np.sin(angle), np.full(around, height(t))], 1
        )
        for t in at
    ]
    points = np.concatenate(rings)
    a = np.arange(around)
    b = (a + 1) % around
    faces = [
        np.concatenate([np.stack([a, b, b + around], 1), np.stack([a, b + around, a + around], 1)])
        + i * around
        for i in range(len(at) - 1)
    ]
    if cap is not None:
        n, last = len(points), (len(at) - 1) * around
        points = np.concatenate([points, [[0, 0, -cap], [0, 0, cap]]])
        faces += [np.stack([b, a, np.full(around, n)], 1)]
        faces += [np.stack([a + last, b + last, np.full(around, n + 1)], 1)]
    return points, np.concatenate(faces)


# --- Volume and centre -----------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(20))
def test_box_anywhere_of_any_size(seed):
    rng = np.random.default_rng(seed)
    low, size = rng.normal(0, 100, 3), rng.uniform(0.01, 10, 3)
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    turn *= np.sign(np.linalg.det(turn))
    points, faces = box(low, low + size)
    found = solid(points @ turn.T, faces)
    assert found.volume == pytest.approx(np.prod(size), rel=1e-9)
    assert found.centre == pytest.approx(turn @ (low + size / 2), abs=1e-9 * 100)


def test_ball_and_half_ball():
    points, faces = ball(200)
    found = solid(points, faces)
    assert found.volume == pytest.approx(4 / 3 * np.pi, rel=4e-3)
    assert found.centre == pytest.approx(np.zeros(3), abs=1e-12)
    turn = np.linspace(0, np.pi / 2, 200)[1:]
    rim, sides = tube(np.sin, lambda t: -np.cos(t), turn)
    at, closed, _, holes = close_holes(rim, sides, np.ones((len(rim), 1)))
    assert (holes, len(boundary_edges(closed))) == (2, 0)
    # The centre of a half ball lies at 3/8 of its radius.
    assert solid(at, closed).centre == pytest.approx([0, 0, -3 / 8], abs=3e-3)


def test_inside_out_is_negative():
    points, faces = box()
    assert solid(points, faces[:, ::-1]).volume == pytest.approx(-1.0)
    assert solid(points, faces[:, ::-1]).centre == pytest.approx([0.5] * 3)


def test_centre_is_where_points_counted_inside_have_theirs():
    """Brute force: a bent horn filled with a grid, counted by `inside`, which sums no volumes."""
    points, faces = tube(lambda t: 0.3 - 0.2 * t, lambda t: t, np.linspace(0, 1, 30), around=24)
    points[:, 0] += points[:, 2] ** 2
    at, faces, _, _ = close_holes(points, faces, np.ones((len(points), 1)))
    low, size = at.min(axis=0), np.ptp(at, axis=0)
    cells = (np.arange(24) + 0.5) / 24
    grid = low + size * np.stack(np.meshgrid(cells, cells, cells), -1)
    places = grid.reshape(-1, 3)
    kept = places[inside(at, faces, places)]
    found = solid(at, faces)
    assert found.centre == pytest.approx(kept.mean(axis=0), abs=0.01 * size.max())
    assert found.volume == pytest.approx(len(kept) * np.prod(size / 24), rel=0.03)


# --- Shares ------------------------------------------------------------------------------------


def test_rigid_closed_parts_are_exact():
    boxes = [box((0, 0, 0), (1, 1, 1)), box((5, 0, 0), (6, 2, 1)), box((0, 7, 0), (3, 8, 1))]
    points = np.concatenate([p for p, _ in boxes])
    faces = np.concatenate([f + 8 * i for i, (_, f) in enumerate(boxes)])
    weights = np.repeat(np.eye(3), 8, axis=0)
    found = share(points, faces, weights)
    assert found.volumes == pytest.approx([1, 2, 3], rel=1e-12)
    want = [[0.5, 0.5, 0.5], [5.5, 1, 0.5], [1.5, 7.5, 0.5]]
    assert found.centres == pytest.approx(np.array(want), abs=1e-12)


def wavy(z):
    return 0.1 * (1 + 0.3 * np.sin(5 * z))


@pytest.mark.parametrize("soft", [0.01, 0.1, 0.4])
@pytest.mark.parametrize("shift", [0.0, 10.0])
def test_a_limb_in_one_skin_is_shared_as_its_slices_are(soft, shift):
    """Three bones along a limb, soft joints. The oracle cuts it into 15,000 slices."""

    def held(z):
        upper = np.clip((z - 0.5) / soft + 0.5, 0, 1)
        last = np.minimum(upper, np.clip((z - 1.0) / soft + 0.5, 0, 1))
        return np.stack([1 - upper, upper - last, last], axis=1)

    points, faces = tube(wavy, lambda z: z, np.linspace(0, 1.5, 150))
    at, faces, weights, _ = close_holes(points, faces, held(points[:, 2]))
    found = share(at + shift, faces, weights)
    z = (np.arange(15_000) + 0.5) / 10_000
    slices = held(z) * wavy(z)[:, None] ** 2
    want = slices.sum(axis=0) / slices.sum()
    assert found.volumes / found.volumes.sum() == pytest.approx(want, abs=0.008)
    middle = (slices * z[:, None]).sum(axis=0) / slices.sum(axis=0)
    assert found.centres[:, 2] == pytest.approx(middle + shift, abs=0.01)
    assert found.centres[:, :2] == pytest.approx(np.full((3, 2), shift), abs=1e-6)


@pytest.mark.parametrize("seed", range(10))
def test_shares_add_up_to_the_mesh(seed):
    rng = np.random.default_rng(seed)
    points, faces = ball(20)
    points = points * rng.uniform(0.5, 2, 3) + rng.normal(0, 5, 3)
    weights = rng.dirichlet(np.full(6, 0.3), len(points))
    found = share(points, faces, weights)
    whole = solid(points, faces)
    assert found.volumes.sum() == pytest.approx(whole.volume, rel=1e-9)
    assert found.moments.sum(axis=0) == pytest.approx(whole.volume * whole.centre, rel=1e-9)
    assert np.all(found.volumes >= 0)


def test_a_fork_keeps_its_prongs_apart():
    """Two legs on one trunk: each leg is its own, wherever the origin."""
    trunk, legs = box((0, 0, 2), (3, 1, 3)), [box((0, 0, 0), (1, 1, 2)), box((2, 0, 0), (3, 1, 2))]
    parts = [trunk, *legs]
    points = np.concatenate([p for p, _ in parts])
    faces = np.concatenate([f + 8 * i for i, (_, f) in enumerate(parts)])
    found = share(points, faces, np.repeat(np.eye(3), 8, axis=0))
    assert found.volumes == pytest.approx([3, 2, 2], rel=1e-12)


def test_weights_are_scaled_and_columns_without_weight_hold_nothing():
    points, faces = box()
    found = share(points, faces, np.tile([3.0, 0.0, 1.0], (8, 1)))
    assert found.volumes == pytest.approx([0.75, 0.0, 0.25])
    assert found.centres[1] == pytest.approx(np.zeros(3))


# --- Surfaces ------------------------------------------------------------------------------------


def test_holes_are_found_and_closed():
    points, faces = box()
    open_box = faces[2:]
    assert len(boundary_edges(faces)) == 0
    assert len(boundary_edges(open_box)) == 4
    at, closed, weights, holes = close_holes(points, open_box, np.arange(8.0)[:, None])
    assert holes == 1
    assert solid(at, closed).volume == pytest.approx(1.0)
    # The side without faces has the corners 0 to 3.
    assert weights[-1] == pytest.approx([1.5])


def test_pieces_are_told_apart():
    faces = np.concatenate([BOX, BOX + 8, BOX + 16])
    order = np.random.default_rng(0).permutation(len(faces))
    labels = pieces(faces[order])
    assert np.array_equal(labels, order // 12)


@pytest.mark.parametrize("seed", range(10))
def test_triangles_that_disagree_are_turned(seed):
    points, faces = ball(20)
    rng = np.random.default_rng(seed)
    flip = rng.random(len(faces)) < 0.3
    mixed = np.where(flip[:, None], faces[:, ::-1], faces)
    turned, count = oriented(mixed)
    assert count == np.count_nonzero(flip)
    assert len(boundary_edges(turned)) == 0
    assert solid(points, turned).volume == pytest.approx(solid(points, faces).volume, rel=1e-12)
    assert oriented(faces)[1] == 0


def test_inside_of_a_hollow_box_and_of_one_inside_out():
    points, faces = box((-1, -1, -1), (1, 1, 1))
    rng = np.random.default_rng(3)
    places = rng.uniform(-2, 2, (500, 3))
    want = np.all(np.abs(places) < 1, axis=1)
    assert np.array_equal(inside(points, faces, places), want)
    assert np.array_equal(inside(points, faces[:, ::-1], places), want)


@pytest.mark.parametrize(
    ("points", "faces", "argument"),
    [
        ([[0, 0]], [[0, 0, 0]], "points"),
        ([[0, 0, np.inf]], [[0, 0, 0]], "points"),
        ([[0, 0, 0]], np.empty((0, 3)), "triangles"),
        ([[0, 0, 0]], [[0, 0, 1]], "triangles"),
    ],
)
def test_bad_meshes_are_refused(points, faces, argument):
    with pytest.raises(InputError) as caught:
        solid(points, faces)
    assert caught.value.argument == argument


@pytest.mark.parametrize("weights", [np.zeros((8, 1)), -np.ones((8, 1)), np.ones((7, 1))])
def test_bad_weights_are_refused(weights):
    with pytest.raises(InputError, match="weights"):
        share(*box(), weights)
