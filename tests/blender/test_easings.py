# SPDX-License-Identifier: GPL-3.0-or-later
"""Easing interpolations: played here as the host plays them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import bpy
import numpy as np
import pytest

from leapwright.curves import Channel, Curves, Easing, Interpolation
from leapwright.playback import evaluate
from leapwright_blender import host
from leapwright_blender.read import read_curves
from leapwright_blender.write import write_curves

EASINGS = [i for i in Interpolation if i > Interpolation.BEZIER]


@pytest.fixture
def hare() -> Iterator[Any]:
    bpy.ops.wm.read_homefile(use_empty=True)
    made = bpy.data.objects.new("Hare", None)
    bpy.context.scene.collection.objects.link(made)
    yield made
    bpy.ops.wm.read_homefile(use_empty=True)


def keyed(seed: int, interpolation: Interpolation, easing: Easing) -> Curves:
    """Fourteen keys; amplitude and period of some are 0, some values are equal."""
    rng = np.random.default_rng(seed)
    count = 14
    value = rng.normal(0, 2, count)
    value[[4, 9]] = value[[3, 8]]
    amplitude, period = rng.uniform(0, 6, count), rng.uniform(1, 9, count)
    amplitude[::5], period[::4] = 0, 0
    return Curves.checked(
        [Channel("location", 0)],
        [0, count],
        np.cumsum(rng.integers(1, 30, count)),
        value,
        interpolation=interpolation,
        easing=easing,
        back=rng.uniform(0, 4, count),
        amplitude=amplitude,
        period=period,
    )


@pytest.mark.parametrize("easing", list(Easing))
@pytest.mark.parametrize("interpolation", EASINGS)
def test_as_the_host_plays_them(hare: Any, interpolation: Interpolation, easing: Easing) -> None:
    for seed in range(4):
        write_curves(hare, keyed(seed, interpolation, easing))
        curves = read_curves(hare).curves
        frames = np.linspace(-5, float(curves.frame[-1]) + 5, 1500).astype(np.float32)
        near = np.abs(frames[:, None] - curves.frame)
        frames = np.r_[frames[(near > 2e-4).all(axis=1)], curves.frame]
        curve = host.fcurves_of(hare).find("location", index=0)
        expected = np.array([curve.evaluate(f) for f in frames.tolist()])
        got = evaluate(curves, frames)[0]
        # The host counts in single precision: what one step of time is worth is allowed.
        step = np.spacing(frames).astype(float)
        wide = np.abs(evaluate(curves, frames + step) - evaluate(curves, frames - step))[0]
        wide[np.isin(frames, curves.frame)] = 0
        size = max(1.0, float(np.abs(curves.value).max()))
        assert (np.abs(got - expected) - wide).max() <= 1e-5 * size
