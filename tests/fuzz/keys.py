# SPDX-License-Identifier: GPL-3.0-or-later
"""Hard use of curves: absurd handles through a map of time, more keys, playing."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from leapwright import TimeMap
from leapwright.curves import Channel, Curves, Handle, Interpolation, keys_at
from leapwright.insert import insert_keys
from leapwright.playback import evaluate
from leapwright.warp import warp

from .anything import finite, names, numbers, tried

__all__ = ["insertions", "playings", "warps"]

WHOLE = st.integers(-20, 80).map(float)
EDGE_FRAMES = st.sampled_from([0.0, 1e-3, 0.009, 0.5, 1.0, 1e5, 1e6, -1e6, 16777216.0])
VALUES = st.one_of(
    st.floats(-2, 2, width=32),
    st.floats(-2, 2, width=32),
    st.sampled_from([0.0, 1e-38, 1e-20, 1e6, 1e14, -1e14, -9e14, 3e38, 1.0]),
)
REACHES = st.one_of(
    st.floats(0, 3, width=32),
    st.floats(-1, 40, width=32),
    st.sampled_from([0.0, 1e-6, -5.0, 1e4, 1e9, 1e14, -1e14]),
)


@st.composite
def channels(draw: Any, *, most: int = 3, soft: bool = True) -> Curves | None:
    """A few channels with any handles, types and easings; None where Curves refuses."""
    labels = draw(st.lists(st.tuples(names(), st.integers(0, 3)), max_size=most, unique=True))
    starts, frames, values = [0], [], []
    for _ in labels:
        own = draw(
            st.lists(
                st.one_of(WHOLE, st.floats(-20, 80, width=32), EDGE_FRAMES),
                max_size=6, unique=True,
            )
        )  # fmt: skip
        frames += sorted(own)
        values += [draw(VALUES) for _ in own]
        starts.append(len(frames))
    count = len(frames)

    def each(choices: st.SearchStrategy[Any]) -> list[Any]:
        return draw(st.lists(choices, min_size=count, max_size=count))

    frame, value = np.array(frames, np.float32), np.array(values, np.float32)
    reach = [np.array(each(REACHES), np.float32).reshape(count) for _ in range(2)]
    rise = [np.array(each(VALUES), np.float32).reshape(count) for _ in range(2)]
    last = Interpolation.SINE if soft else Interpolation.BEZIER
    with np.errstate(over="ignore"):
        left = np.stack([frame - reach[0], value - rise[0]], -1)
        right = np.stack([frame + reach[1], value + rise[1]], -1)
    return tried(
        lambda: Curves.checked(
            [Channel(path, index) for path, index in labels],
            starts,
            frame,
            value,
            left=left,
            right=right,
            left_type=each(st.sampled_from(Handle)),
            right_type=each(st.sampled_from(Handle)),
            interpolation=each(st.integers(0, int(last))),
            easing=each(st.integers(0, 3)),
            kind=each(st.integers(0, 5)),
            back=each(VALUES),
            amplitude=each(VALUES),
            period=each(VALUES),
        )
    )


def is_absurd(curves: Curves) -> bool:
    """Whether numbers are so large that single precision cannot follow."""
    every = (curves.frame, curves.value, curves.left, curves.right)
    return any(np.any(np.abs(part.astype(float)) > 1e7) for part in every)


@st.composite
def maps_of_time(draw: Any) -> TimeMap | None:
    size = draw(st.integers(1, 4))
    knots = [
        sorted(
            draw(st.lists(numbers(-20, 80, of=40) if odd else st.integers(-20, 80).map(float),
                          min_size=size, max_size=size, unique_by=repr)),
            key=lambda x: x if isinstance(x, float) else 0.0,
        )
        for odd in (draw(st.integers(0, 5)) == 0,) * 2
    ]  # fmt: skip
    return tried(lambda: TimeMap.of(*knots))


@given(
    curves=channels(),
    time_map=maps_of_time(),
    exact=st.booleans(),
    subframes=st.booleans(),
    physics=st.lists(st.integers(-1, 3), max_size=3),
    air=st.one_of(st.none(), st.tuples(st.integers(-20, 40), st.integers(-20, 80))),
    moments=st.one_of(st.none(), st.dictionaries(st.integers(-20, 80), st.integers(-20, 80))),
)
def warps(curves: Any, time_map: Any, physics: Any, air: Any, moments: Any, **how: bool) -> None:
    """Through a map no channel and no key is lost that is not named, and nothing turns infinite."""
    if curves is None or time_map is None:
        return
    done = tried(lambda: warp(curves, time_map, physics=physics, air=air, moments=moments, **how))
    if done is None:
        return
    assert done.curves.channels == curves.channels
    for name in ("frame", "value", "left", "right"):
        assert finite(getattr(done.curves, name)), name
    same = np.diff(done.curves.channel_of_key()) == 0
    assert np.all(np.diff(done.curves.frame)[same] >= 0)
    kept = len(curves.frame) - len(done.merged) - len(done.joined)
    assert int(np.sum(~done.split)) == kept
    if not is_absurd(curves):
        assert len(evaluate(done.curves, [0.0, 20.0])) == len(curves.channels)


@given(
    curves=channels(),
    which=st.lists(st.integers(-1, 3), max_size=3),
    frames=st.lists(st.one_of(st.floats(-30, 90), numbers(-30, 90)), max_size=4),
)
def insertions(curves: Any, which: Any, frames: Any) -> None:
    """More keys leave every channel's shape as it was, and no key is lost."""
    if curves is None:
        return
    more = tried(lambda: insert_keys(curves, which, frames), wrong_call=True)
    if more is None:
        return
    assert more.channels == curves.channels
    for name in ("frame", "value", "left", "right"):
        assert finite(getattr(more, name)), name
    for i in range(len(curves.channels)):
        was = curves.frame[curves.starts[i] : curves.starts[i + 1]]
        now = more.frame[more.starts[i] : more.starts[i + 1]]
        assert set(was.tolist()) <= set(now.tolist())
    if is_absurd(curves):
        return
    at = np.linspace(-25, 85, 120)
    before, after = evaluate(curves, at), evaluate(more, at)
    for i in range(len(curves.channels)):
        part = slice(curves.starts[i], curves.starts[i + 1])
        if not len(curves.frame[part]):
            continue
        # A key that is nearer to another one than the host can tell apart makes a step there.
        steep = np.min(np.diff(curves.frame[part]), initial=1.0)
        size = np.ptp(
            np.concatenate([curves.value[part], curves.left[part, 1], curves.right[part, 1]])
        )
        if steep >= 0.02:
            assert np.allclose(before[i], after[i], rtol=0, atol=2e-3 * size + 1e-4), i


@given(
    curves=channels(),
    frames=st.lists(st.one_of(st.floats(-30, 90), numbers(-30, 90)), max_size=6),
)
def playings(curves: Any, frames: Any) -> None:
    """Every key is played with its own value, and no value is lost."""
    if curves is None:
        return
    values = tried(lambda: evaluate(curves, frames), wrong_call=True)
    if values is not None:
        assert values.shape == (len(curves.channels), np.size(frames))
        there = np.diff(curves.starts) > 0
        assert finite(values[there])
    for i in range(len(curves.channels)):
        part = slice(curves.starts[i], curves.starts[i + 1])
        own, first = np.unique(curves.frame[part], return_index=True)
        if len(own) == len(curves.frame[part]) and len(own):
            assert np.array_equal(evaluate(curves, own)[i], curves.value[part][first])
    assert keys_at(curves, [0.0]).mask.shape == curves.frame.shape
