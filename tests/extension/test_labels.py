# SPDX-License-Identifier: GPL-3.0-or-later
"""Names beside marks, and strokes: what needs no host."""

from __future__ import annotations

import importlib
import sys
import types
from pathlib import Path
from typing import Any

import numpy as np
import pytest

FOLDER = Path(__file__).parents[2] / "addon" / "leapwright_ext"
MOMENTS = ("start", "crouch", "takeoff", "apex", "land", "low", "end")
FREE = (60.0, 2.0, 1050.0, 730.0)
TAKEN = ((950.0, 630.0, 1050.0, 730.0),)
GAP = 10.0


@pytest.fixture(scope="module")
def modules() -> Any:
    """The modules without the package's own door, which needs a host."""
    package = types.ModuleType("leapwright_ext_alone")
    package.__path__ = [str(FOLDER)]
    sys.modules["leapwright_ext_alone"] = package
    labels, shapes = (
        importlib.import_module(f"leapwright_ext_alone.{name}") for name in ("labels", "shapes")
    )
    return types.SimpleNamespace(labels=labels, shapes=shapes)


def meet(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    wide = min(one[2], other[2]) - max(one[0], other[0])
    tall = min(one[3], other[3]) - max(one[1], other[1])
    return wide > 0 and tall > 0


@pytest.mark.parametrize("seed", range(40))
def test_no_plate_meets_another_a_mark_or_an_edge(modules: Any, seed: int) -> None:
    rng = np.random.default_rng(seed)
    jumps = int(rng.integers(1, 12))
    spots = rng.uniform((-100, -100), (1300, 800), (7 * jumps, 2))
    names = modules.labels.names_at(MOMENTS * jumps, spots, near=5)
    sizes = {name.text: (7 * len(name.text) + 8, 17) for name in names}
    dots = rng.uniform((0, 0), (1100, 750), (300, 2))
    labels = modules.labels.placed(
        names, sizes, free=FREE, taken=TAKEN, marks=spots, dots=dots, gap=GAP
    )
    assert labels
    plates = [(b.x, b.y, b.x + sizes[b.text][0], b.y + sizes[b.text][1]) for b in labels]
    for number, plate in enumerate(plates):
        assert np.all(np.array(FREE[:2]) <= plate[:2])
        assert np.all(np.array(FREE[2:]) >= plate[2:])
        assert not any(meet(plate, other) for other in (*TAKEN, *plates[:number]))
        assert not any(plate[0] < x < plate[2] and plate[1] < y < plate[3] for x, y in spots)


def test_a_lone_jump_has_all_its_names(modules: Any) -> None:
    at = np.array([[200, 300], [200, 270], [240, 330], [400, 500], [560, 340], [570, 300],
                   [600, 340]], float)  # fmt: skip
    names = modules.labels.names_at(MOMENTS, at, near=5)
    sizes = {name.text: (7 * len(name.text) + 8, 17) for name in names}
    labels = modules.labels.placed(names, sizes, free=FREE, taken=TAKEN, marks=at, dots=at, gap=GAP)
    assert {b.text for b in labels} == {
        "Start", "Crouch", "Take-off", "Apex", "Land", "Low", "End"
    }  # fmt: skip


def test_marks_upon_each_other_share_a_plate(modules: Any) -> None:
    at = np.array([[200, 300], [200, 200], [201, 302], [np.nan, np.nan], [200, 200.5]])
    names = modules.labels.names_at(("start", "low", "end", "apex", "crouch"), at, near=5)
    assert [name.text for name in names] == ["Start, End", "Low, Crouch"]
    every = modules.labels.names_at(MOMENTS, np.full((7, 2), 100.0), near=5)
    assert [name.text for name in every] == ["Start … End"]


def area(shape: Any) -> float:
    """Of all triangles, by the cross product of two sides."""
    a, b, c = (shape.corners[shape.triangles[:, i]].astype(float) for i in range(3))
    return float(np.abs((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]).sum() / 2)


def test_a_stroke_covers_its_way_once(modules: Any) -> None:
    """Straight, bent, there and back, and with a gap: length times width, mitred corners alike."""
    strokes = modules.shapes.strokes
    straight = np.stack([np.linspace(10, 410, 500), np.full(500, 30.0)], axis=1)
    (shape,) = strokes(straight, 4.0)
    assert area(shape) == pytest.approx(1600, abs=5)
    assert len(shape.corners) < len(straight) / 2
    there_and_back = np.concatenate([straight, straight[::-1]])
    assert area(strokes(there_and_back, 4.0)[0]) == pytest.approx(3200, abs=10)
    gap = np.concatenate([straight, [[np.nan, np.nan]], straight + np.array([0, 100])])
    assert area(strokes(gap, 4.0)[0]) == pytest.approx(3200, abs=10)
    # A mitred corner adds outside what overlaps inside.
    bent = np.array([[0, 0], [100, 0], [170, 40]], float)
    assert area(strokes(bent, 4.0)[0]) == pytest.approx(4 * (100 + np.hypot(70, 40)), rel=1e-5)


def test_a_stroke_keeps_near_its_places(modules: Any) -> None:
    angle = np.linspace(0, 2 * np.pi, 400)
    circle = 150 * np.stack([np.cos(angle), np.sin(angle)], axis=1) + 300
    (shape,) = modules.shapes.strokes(circle, 2.0)
    off = np.hypot(*(shape.corners - 300).T) - 150
    assert np.abs(np.abs(off) - 1).max() < 0.2
    assert area(shape) == pytest.approx(2 * np.pi * 150 * 2, rel=0.01)
