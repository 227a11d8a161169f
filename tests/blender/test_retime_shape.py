# SPDX-License-Identifier: GPL-3.0-or-later
"""Shape through a retime, on more than a thousand random channels of the generated human.

The host itself plays every curve, before and after; nothing of ours evaluates them.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import bpy
import numpy as np
import pytest

from blender.rigs import human
from leapwright_blender import host, rig_of

G = 9.80665
FPS = 24
MOMENTS = {"crouch": 38, "takeoff": 41, "apex": 53, "land": 65, "low": 68}
BENDS = (38, 41, 65, 68)
FRAMES = np.arange(20, 90.001, 0.25)
HANDLES = {"FREE": 0, "AUTO": 1, "VECTOR": 2, "ALIGNED": 3, "AUTO_CLAMPED": 4}
CONSTANT, LINEAR, BEZIER, ELASTIC = 0, 1, 2, 6
EASED = (3, 4, 5, 6, 7, 8, 9, 10, 11, 12)
TORSO = 'pose.bones["torso"].location'

Played = dict[tuple[str, int], Any]


class Keys(NamedTuple):
    """Keys of one host curve: place, both handles, interpolation and kind of handles."""

    co: Any
    left: Any
    right: Any
    interpolation: Any
    left_type: Any
    right_type: Any


def keys(curve: Any) -> Keys:
    points, found = curve.keyframe_points, []
    for name, kind, width in (
        ("co", "f", 2), ("handle_left", "f", 2), ("handle_right", "f", 2),
        ("interpolation", "i", 1), ("handle_left_type", "i", 1), ("handle_right_type", "i", 1),
    ):  # fmt: skip
        array = np.zeros(len(points) * width, kind)
        points.foreach_get(name, array)
        found.append(array.reshape(-1, 2) if width == 2 else array)
    return Keys(*found)


def by_name(rig: Any) -> dict[tuple[str, int], Any]:
    return {(c.data_path, c.array_index): c for c in host.fcurves_of(rig)}


def all_keys(rig: Any) -> dict[tuple[str, int], Keys]:
    return {name: keys(curve) for name, curve in by_name(rig).items()}


def played(rig: Any, frames: Any) -> Played:
    """Every curve on these frames, as the host plays it."""
    return {
        name: np.array([curve.evaluate(float(f)) for f in frames])
        for name, curve in by_name(rig).items()
    }


def put(curve: Any, frames: Any, values: Any, **arrays: Any) -> None:
    points = curve.keyframe_points
    points.add(len(frames))
    points.foreach_set("co", np.c_[frames, values].astype(np.float32).ravel())
    for name, array in arrays.items():
        points.foreach_set(name, np.ascontiguousarray(array).ravel())
    # As after any edit by hand: handles of mixed kinds come to rest at the second update.
    curve.update()
    curve.update()


def jump(rig: Any) -> None:
    """The COG by hand: a true jump, its keys on the moments alone."""
    v = G * 12 / FPS**2
    h = v * 12 / 2
    frames = np.array([20, 38, 41, 53, 65, 68, 85], float)
    values = np.array([0, -v * 3 / 2, 0, h, 0, -v * 3 / 2, 0])
    into = np.array([0, 0, v, 0, -v, 0, 0])
    gap = np.diff(frames) / 3
    before, after = np.r_[gap[0], gap], np.r_[gap, gap[-1]]
    curve = host.new_fcurve(host.ensure_fcurves(rig, "Hop"), TORSO, 2, "torso")
    put(
        curve, frames, values,
        handle_left_type=np.zeros(7, np.int32), handle_right_type=np.zeros(7, np.int32),
        handle_left=np.c_[frames - before, values - into * before].astype(np.float32),
        handle_right=np.c_[frames + after, values + into * after].astype(np.float32),
    )  # fmt: skip


def controls(rig: Any) -> list[str]:
    """Controls of arms, head and face: nothing that moves the body's COG or its feet."""
    away = ("MCH", "ORG", "DEF", "root", "torso", "hips", "chest", "spine", "VIS")
    return [b.name for b in rig.pose.bones if not b.name.startswith(away) and "spine" not in b.name]


def crowd(rig: Any, rng: np.random.Generator, *, whole: bool) -> int:
    """Random curves on all the controls: any handles, any interpolation, keys all over time."""
    driven = {(d.data_path, d.array_index) for d in rig.animation_data.drivers}
    collection = host.ensure_fcurves(rig, "Hop")
    count = 0
    for name in controls(rig):
        path = f'pose.bones["{name}"]'
        for channel in [(f"{path}.{p}", i) for p, n in (("location", 3), ("rotation_euler", 3),
                                                         ("scale", 3)) for i in range(n)]:  # fmt: skip
            if channel not in driven:
                random_curve(host.new_fcurve(collection, *channel, name), rng, whole=whole)
                count += 1
    return count


def random_curve(curve: Any, rng: np.random.Generator, *, whole: bool) -> None:
    many = int(rng.integers(2, 12))
    frames = np.unique(rng.integers(22, 88, many)) + (0 if whole else 0.5 * rng.integers(0, 2))
    if rng.random() < 0.4:
        # Two keys close to a bend, one on each side.
        bend = float(rng.choice(BENDS))
        frames = np.union1d(frames, [bend - 1, bend + 1] if whole else [bend - 0.4, bend + 0.7])
    if rng.random() < 0.3:
        frames = np.union1d(frames, [float(rng.choice(BENDS))])
    n = len(frames)
    values = rng.normal(size=n)
    types = rng.integers(0, 5, (2, n))
    if rng.random() < 0.5:
        # As animators have them: both sides alike.
        types[1] = types[0]
    mode = rng.choice([CONSTANT, LINEAR, BEZIER, BEZIER, BEZIER, BEZIER], n)
    if rng.random() < 0.25:
        mode = rng.choice([BEZIER, *EASED], n)
    reach = rng.uniform(0.2, 9, (2, n))
    put(
        curve, frames, values,
        interpolation=mode.astype(np.int32),
        easing=rng.integers(0, 4, n).astype(np.int32),
        back=rng.uniform(0.5, 2, n).astype(np.float32),
        handle_left_type=types[0].astype(np.int32),
        handle_right_type=types[1].astype(np.int32),
        handle_left=np.c_[frames - reach[0], values + rng.normal(size=n)].astype(np.float32),
        handle_right=np.c_[frames + reach[1], values + rng.normal(size=n)].astype(np.float32),
    )  # fmt: skip


def figure(seed: int, *, whole: bool = True, least: int = 1000) -> Any:
    rig = human()
    rig.animation_data.action = None
    bpy.context.scene.render.fps = FPS
    jump(rig)
    assert crowd(rig, np.random.default_rng(seed), whole=whole) >= least
    return rig


def retime(rig: Any, **ask: Any) -> Any:
    moments = ask.pop("moments", MOMENTS)
    return rig_of(rig, bpy.context.scene).retime(moments=moments, **ask)


def misses(
    was: dict[tuple[str, int], Keys],
    before: Played,
    after: Played,
    source: Any,
    *,
    but: Callable[[Keys, int], bool] = lambda _keys, _k: False,
) -> dict[tuple[str, int], float]:
    """Largest difference of each channel as a part of its range, not just beside its keys (where
    a stepped curve jumps) and not in segments that `but` names."""
    found = {}
    for name, one in was.items():
        frames, values = one.co[:, 0], one.co[:, 1]
        spread = float(np.ptp(values)) or 1.0
        near = np.abs(source[:, None] - frames[None, :]).min(axis=1)
        off = np.where(near < 2e-3, 0.0, np.abs(after[name] - before[name]) / spread)
        for k in range(len(frames) - 1):
            if but(one, k):
                off[(source > frames[k]) & (source < frames[k + 1])] = 0.0
        found[name] = float(off.max())
    return found


def waves(one: Keys, k: int) -> bool:
    """Whether a segment is elastic and time bends in it: it is stretched whole, and said."""
    first, last = one.co[k, 0], one.co[k + 1, 0]
    return one.interpolation[k] == ELASTIC and any(first < b < last for b in BENDS)


def heights(rig: Any, frames: Any) -> Any:
    found = []
    for frame in frames:
        bpy.context.scene.frame_set(int(np.floor(frame)), subframe=float(frame % 1))
        found.append((rig.matrix_world @ rig.pose.bones["ORG-spine"].head)[2])
    return np.array(found)


@pytest.mark.parametrize("whole", [True, False])
def test_exact_shape_on_a_thousand_channels(whole: bool) -> None:
    rig = figure(1 + whole, whole=whole)
    was, before = all_keys(rig), played(rig, FRAMES)
    stands = heights(rig, MOMENTS.values())
    result = retime(rig, snappiness=1.5, exact_shape=True)
    after = played(rig, result.solved.map.apply(FRAMES))
    off = misses(was, before, after, FRAMES, but=waves)
    worst = max(off, key=lambda name: off[name])
    assert off[worst] < 1e-4, (worst, off[worst], was[worst])
    now = dict(result.solved.moments_after)
    assert heights(rig, [now[m] for m in MOMENTS]) == pytest.approx(stands, abs=1e-6)
    # The miss it states is of the elastic ones, if of any.
    every = misses(was, before, after, FRAMES)
    assert result.keys.largest_miss.share == pytest.approx(max(every.values()), abs=0.02)
    assert any("stretched as a whole" in text for text in result.warnings)
