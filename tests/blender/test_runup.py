# SPDX-License-Identifier: GPL-3.0-or-later
"""The speed of a run before a jump, at any rate, unit and turn; and what is no run."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import bpy
import numpy as np
import pytest

from leapwright.curves import Channel, Curves, Interpolation
from leapwright.errors import InputError
from leapwright_blender.ground import ground_of
from leapwright_blender.runup import Run, measure_run, travel_text
from leapwright_blender.space import Control, Point
from leapwright_blender.write import write_curves


@pytest.fixture(autouse=True)
def scene() -> Iterator[Any]:
    bpy.ops.wm.read_homefile(use_empty=True)
    scene = bpy.context.scene
    scene.gravity = (0, 0, -9.81)
    scene.frame_set(3)
    yield scene
    assert scene.frame_current == 3
    bpy.ops.wm.read_homefile(use_empty=True)


@pytest.fixture
def hare() -> Any:
    made = bpy.data.objects.new("Hare", None)
    bpy.context.scene.collection.objects.link(made)
    return made


def run_through(
    obj: Any, frames: Any, place: Callable[[Any], Any], interpolation: int = Interpolation.LINEAR
) -> None:
    """Keys on all frames: place(seconds) gives x, y, z in Blender units."""
    at = np.asarray(frames, dtype=float)
    render = bpy.context.scene.render
    places = np.array([place(t) for t in at * render.fps_base / render.fps])
    write_curves(
        obj,
        Curves.checked(
            [Channel("location", i) for i in range(3)],
            np.arange(4) * len(at),
            np.tile(at, 3),
            places.T.ravel(),
            interpolation=interpolation,
        ),
    )


def measured(obj: Any, until: float, point: Any = None, **more: Any) -> Run:
    scene = bpy.context.scene
    where = point or Control(obj.name)
    return measure_run(obj, scene, ground_of(scene), where, until=until, **more)


@pytest.mark.parametrize(("fps", "base"), [(24, 1.0), (25, 1.0), (30, 1.001), (60, 1.0), (12, 0.5)])
@pytest.mark.parametrize("metres", [1.0, 0.01, 100.0])
@pytest.mark.parametrize("heading", [0.0, 90.0, -135.0])
def test_four_metres_a_second(
    scene: Any, hare: Any, fps: int, base: float, metres: float, heading: float
) -> None:
    scene.render.fps, scene.render.fps_base = fps, base
    scene.unit_settings.scale_length = metres
    scene.gravity = (0, 0, -9.81 / metres)
    way = np.array([np.cos(np.radians(heading)), np.sin(np.radians(heading)), 0])
    run_through(hare, [1, 40], lambda t: 4.0 * t * way / metres)
    got = measured(hare, 20)
    assert got.speed_m_s == pytest.approx(4.0, rel=1e-5)
    assert got.heading_deg == pytest.approx(heading, abs=1e-4)
    assert (got.first_frame, got.last_frame, got.keyed) == (12, 20, False)
    assert got.scatter_m < 1e-5
    assert got.text == "the run has 4.0 m/s on frames 12 to 20"


@pytest.mark.parametrize(
    ("down", "way"),
    [((-9.81, 0, 0), (0, 0, 1)), ((0, 9.81, 0), (0.6, 0, 0.8)), ((-3, -4, -5), (0.8, -0.6, 0))],
)
def test_what_is_level_is_the_scenes(scene: Any, hare: Any, down: Any, way: Any) -> None:
    scene.gravity = down
    up = -np.array(down) / np.linalg.norm(down)
    level, rising = np.array(way), 3.0 * up
    run_through(hare, [1, 40], lambda t: (4.0 * level + rising) * t)
    assert level @ up == pytest.approx(0)
    got = measured(hare, 20)
    assert got.speed_m_s == pytest.approx(4.0, rel=1e-5)
    plan = ground_of(scene).axes @ level
    assert got.heading_deg == pytest.approx(np.degrees(np.arctan2(plan[1], plan[0])), abs=1e-3)


def test_a_run_under_a_turned_scaled_moving_parent(scene: Any, hare: Any) -> None:
    band = bpy.data.objects.new("band", None)
    scene.collection.objects.link(band)
    band.scale = (0.01, 0.01, 0.01)
    band.rotation_euler = (0, 0, np.pi / 2)
    hare.parent = band
    run_through(hare, [1, 40], lambda t: (300.0 * t, 0, 0))
    assert measured(hare, 20).speed_m_s == pytest.approx(3.0, rel=1e-5)
    assert measured(hare, 20).heading_deg == pytest.approx(90, abs=1e-3)
    run_through(band, [1, 40], lambda t: (0, 1.0 * t, 0))
    assert measured(hare, 20).speed_m_s == pytest.approx(4.0, rel=1e-5)
    hare.animation_data_clear()
    assert measured(hare, 20).speed_m_s == pytest.approx(1.0, rel=1e-5)


def test_bobbing_and_swaying_change_nothing_that_matters(hare: Any) -> None:
    stride = 8 / 24

    def place(t: float) -> tuple[float, float, float]:
        turn = 2 * np.pi * (t - 16 / 24) / stride
        return 4.0 * t, 0.03 * np.cos(turn), 0.08 * np.cos(2 * turn)

    run_through(hare, range(1, 40), place)
    got = measured(hare, 20)
    # Even about the middle of the span: nothing of the sway is left, but it is said.
    assert got.speed_m_s == pytest.approx(4.0, rel=1e-5)
    assert got.heading_deg == pytest.approx(0.0, abs=1e-3)
    assert got.scatter_m == pytest.approx(0.033, abs=0.006)
    assert got.text.endswith("cm uneven")
    assert got.keyed


def test_the_longer_the_span_the_less_a_surge_counts(hare: Any) -> None:
    stride = 8 / 24
    run_through(
        hare, range(1, 80), lambda t: (4.0 * t + 0.02 * np.sin(2 * np.pi * t / stride), 0, 0)
    )
    off = [abs(measured(hare, 72, frames=n).speed_m_s - 4.0) for n in (8, 16, 32, 64)]
    assert off == sorted(off, reverse=True)
    # Least squares over n strides are off by 6 A / (π n T), and here by a little less.
    assert off[0] < 6 * 0.02 / (np.pi * stride)
    assert off[3] < 0.02


def test_it_agrees_with_a_fit_by_other_means(hare: Any) -> None:
    rng = np.random.default_rng(2)
    noise = rng.normal(0, 0.02, (40, 3))
    run_through(hare, range(1, 40), lambda t: (3.0 * t, -1.5 * t, 0) + noise[round(t * 24)])
    got = measured(hare, 30, frames=12)
    at = np.arange(18, 31)
    slopes = [np.polyfit(at / 24, 3.0 * at / 24 + noise[at, 0], 1)[0],
              np.polyfit(at / 24, -1.5 * at / 24 + noise[at, 1], 1)[0]]  # fmt: skip
    assert got.speed_m_s == pytest.approx(np.hypot(*slopes), rel=1e-5)
    assert got.heading_deg == pytest.approx(np.degrees(np.arctan2(slopes[1], slopes[0])), abs=1e-3)


def test_what_comes_later_and_what_was_before_do_not_count(hare: Any) -> None:
    run_through(hare, [1, 10, 20, 30], lambda t: (max(0.0, min(t, 20 / 24) - 10 / 24) * 5.0, 0, 0))
    assert measured(hare, 20).speed_m_s == pytest.approx(5.0, rel=1e-5)
    assert measured(hare, 20, frames=3).first_frame == 17
    half = measured(hare, 19.5)
    assert (half.first_frame, half.last_frame) == (11.5, 19.5)
    assert half.speed_m_s == pytest.approx(5.0, rel=1e-5)


def test_a_run_that_begins_late_is_measured_from_its_first_key(hare: Any) -> None:
    run_through(hare, [17, 40], lambda t: (4.0 * t, 0, 0))
    got = measured(hare, 20)
    assert (got.first_frame, got.last_frame, got.keyed) == (17, 20, True)
    assert got.speed_m_s == pytest.approx(4.0, rel=1e-5)
    assert measured(hare, 18).speed_m_s == pytest.approx(4.0, rel=1e-5)
    assert measured(hare, 18).first_frame == 17


def test_a_point_that_rides_along(hare: Any) -> None:
    run_through(hare, [1, 40], lambda t: (4.0 * t, 0, 0))
    ears = bpy.data.objects.new("ears", None)
    bpy.context.scene.collection.objects.link(ears)
    ears.parent = hare
    for point in (Control("ears"), Point("Hare", offset=(0, 0, 1))):
        assert measured(hare, 20, point).speed_m_s == pytest.approx(4.0, rel=1e-5)


def refused(hare: Any, until: float, words: str) -> None:
    with pytest.raises(InputError, match=words) as error:
        measured(hare, until)
    assert error.value.argument == "running"


def test_what_is_no_run_is_said(hare: Any) -> None:
    refused(hare, 20, "'Hare' has no keys before frame 20")
    run_through(hare, [20, 40], lambda t: (4.0 * t, 0, 0))
    refused(hare, 20, "'Hare' has no keys before frame 20")
    refused(hare, 20.5, "begin on frame 20, less than a frame before 20.5")
    run_through(hare, [1, 40], lambda t: (0.05 * t, 0, 9.0 * t))
    refused(hare, 20, r"does not run on frames 12 to 20 \(0\.05 m/s\)")
    with pytest.raises(InputError, match="`frames` must be 2 or more, got 1"):
        measured(hare, 20, frames=1)


@pytest.mark.parametrize(
    ("needs", "has", "said"),
    [
        (4.8, 4.0, "the jump needs 4.8 m/s, the run has 4.0"),
        (4.0, 4.0, ""),
        (4.001, 4.0, ""),
        (4.04, 4.01, "the jump needs 4.04 m/s, the run has 4.01"),
        (3, 4.25, "the jump needs 3.0 m/s, the run has 4.2"),
    ],
)
def test_what_the_run_cannot_give_is_a_sentence(needs: float, has: float, said: str) -> None:
    assert travel_text(needs, has) == said
