# SPDX-License-Identifier: GPL-3.0-or-later
"""Keys taken out again: what a split added goes, what shapes the curve stays."""

from __future__ import annotations

import numpy as np
import pytest

from leapwright.curves import Channel, Curves, Interpolation, concat
from leapwright.errors import InputError
from leapwright.insert import insert_keys
from leapwright.join import join_keys
from leapwright.playback import evaluate


def smooth(seed: int, path: str = "c") -> Curves:
    """Twelve keys 4 to 12 frames apart, handles a tenth to a half of their interval."""
    rng = np.random.default_rng(seed)
    gap = rng.integers(4, 12, 11)
    frame, value = np.r_[0, np.cumsum(gap)].astype(float), rng.normal(0, 1, 12)
    out, up = rng.uniform(0.1, 0.5, (2, 12)), rng.normal(0, 0.5, (2, 12))
    return Curves.checked(
        [Channel(path, 0)], [0, 12], frame, value,
        left=np.stack([frame - out[0] * np.r_[4, gap], value + up[0]], -1),
        right=np.stack([frame + out[1] * np.r_[gap, 4], value + up[1]], -1),
        interpolation=rng.choice([1, 2, 2, 2], 12),
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(40))
def test_what_was_inserted_goes_and_all_is_as_before(seed: int) -> None:
    curves = concat([smooth(seed, "a"), smooth(seed + 500, "b")])
    inside = np.random.default_rng(seed).choice(np.arange(2, 60), 6, replace=False) + 0.5
    more = insert_keys(curves, [0, 1], inside)
    added = ~np.isin(more.frame, curves.frame)
    joined, gone = join_keys(more, added)
    assert np.array_equal(gone, added)
    assert np.array_equal(joined.frame, curves.frame)
    bent = np.flatnonzero(curves.interpolation == Interpolation.BEZIER)
    for side, at in (("right", bent), ("left", bent[bent < 23] + 1)):
        miss = np.abs(getattr(joined, side) - getattr(curves, side))[at]
        assert miss[:, 0].max() <= 1e-4
        assert miss[:, 1].max() <= 1e-5


@pytest.mark.parametrize("seed", range(10))
def test_keys_that_shape_the_curve_stay(seed: int) -> None:
    curve = smooth(seed)
    joined, gone = join_keys(curve, np.ones(12, bool))
    assert not gone[[0, -1]].any()
    frames = np.linspace(-2, curve.frame[-1] + 2, 500)
    np.testing.assert_allclose(evaluate(joined, frames), evaluate(curve, frames), atol=2e-4)
    assert np.count_nonzero(gone) <= 1


def test_linear_and_constant_keys() -> None:
    line = Curves.checked(
        [Channel("c", 0)], [0, 6], [0, 2, 5, 6, 7, 9], [0, 2, 5, 5, 5, 5],
        interpolation=[1, 1, 0, 0, 0, 0],
    )  # fmt: skip
    joined, gone = join_keys(line, np.ones(6, bool))
    assert gone.tolist() == [False, True, False, True, True, False]
    assert joined.frame.tolist() == [0, 5, 9]


def test_only_keys_of_the_mask_go() -> None:
    more = insert_keys(smooth(1), [0], [1.5, 2.5])
    mask = np.isin(more.frame, [2.5])
    assert np.array_equal(join_keys(more, mask)[1], mask)
    assert join_keys(more, np.zeros(len(mask), bool))[0] is more
    with pytest.raises(InputError, match="mask"):
        join_keys(more, [True])
