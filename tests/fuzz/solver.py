# SPDX-License-Identifier: GPL-3.0-or-later
"""Hard use of the solver: plan, chart, retime, resize and maps of time."""

from __future__ import annotations

import json
import math
from itertools import pairwise
from typing import Any

import numpy as np
from hypothesis import given, target
from hypothesis import strategies as st

import leapwright
from leapwright import Heights, Style, TimeMap
from leapwright.answer import chart_answer, plan_answer, resize_answer, retime_answer

from .anything import finite, mostly, numbers, rates, rows, tried

__all__ = ["charts", "maps", "plans", "plans_of_many", "resizes", "retimes"]

MOMENTS = ("start", "crouch", "takeoff", "apex", "land", "low", "end")

AIR = {
    "jump_height": numbers(0.01, 12),
    "rise_frames": mostly(st.integers(1, 60)),
    "air_frames": mostly(st.integers(2, 120)),
    "takeoff_speed": numbers(0.1, 20),
}
PUSH = {
    "push_height": numbers(0.01, 2),
    "push_frames": mostly(st.integers(1, 40)),
    "magnification": numbers(0.1, 20),
}
REST = {
    "landing_level": numbers(-5, 2),
    "travel": numbers(-8, 8),
    "foot_travel": numbers(-8, 8),
    "heading": numbers(-720, 720),
    "running": numbers(0, 12),
    "carry_on": mostly(st.booleans()),
    "absorb_height": numbers(0.01, 2),
    "absorb_frames": mostly(st.integers(1, 40)),
    "anticipation_frames": mostly(st.integers(0, 40)),
    "recover_frames": mostly(st.integers(0, 40)),
    "crouch_hold_frames": mostly(st.integers(0, 20)),
    "gravity": mostly(st.one_of(st.floats(0.5, 40), st.sampled_from(["earth", "Moon", " mars "]))),
    "frame_rate": rates(),
    "keep": mostly(st.sampled_from(["gravity", "poses", "heights"])),
    "twos": st.booleans(),
    "shot_start": mostly(st.integers(-2000, 2000)),
    "subframes": st.booleans(),
    "start_height": numbers(0, 2),
    "end_height": numbers(0, 2),
    "absorb_limit": numbers(0.01, 2),
    "cog_ahead": numbers(-1, 1),
    "cog_behind": numbers(-1, 1),
}
PINNED = mostly(st.integers(-3000, 3000), of=12)
PINS = mostly(st.dictionaries(st.sampled_from(MOMENTS), PINNED, max_size=3), of=12)


def some(choices: dict[str, Any], *, most: int) -> st.SearchStrategy[dict[str, Any]]:
    """A few arguments of those that there are."""
    keys = st.lists(st.sampled_from(sorted(choices)), unique=True, max_size=most)
    return keys.flatmap(lambda chosen: st.fixed_dictionaries({k: choices[k] for k in chosen}))


def one_of_each() -> st.SearchStrategy[dict[str, Any]]:
    """One measure of the air and one of the push, as they should be; now and then too many."""
    air = mostly(some(AIR, most=1).filter(bool), some(AIR, most=3), of=8)
    push = mostly(some(PUSH, most=1).filter(bool), some(PUSH, most=3), of=8)
    pins = st.one_of(st.just({}), st.just({}), PINS.map(lambda pins: {"pins": pins}))
    return st.tuples(air, push, some(REST, most=7), pins).map(
        lambda parts: {k: v for part in parts for k, v in part.items()}
    )


@given(asked=one_of_each())
def plans(asked: dict[str, Any]) -> None:
    """A plan is refused in words, or is whole, ordered and finite."""
    wrong = not isinstance(asked.get("pins", {}), dict)
    jump = tried(lambda: leapwright.plan(**asked), wrong_call=wrong)
    if jump is None:
        return
    if np.ndim(jump.jump_height):
        assert finite(jump.jump_height)
        return
    json.dumps(plan_answer(jump), allow_nan=False)
    at = [getattr(jump.moments, name) for name in MOMENTS]
    there = [frame for frame in at if frame is not None]
    assert there == sorted(there), at
    m = jump.moments
    assert m.takeoff < m.land, at
    if not jump.asked["subframes"]:
        whole = [frame for name, frame in jump.moments if name != "apex" and frame is not None]
        assert all(float(frame).is_integer() for frame in whole), at
        assert jump.frames == jump.alternatives[0].frames
        assert jump.frames.push >= 1
        assert jump.frames.air == jump.frames.rise + jump.frames.fall
    for name, frame in (asked.get("pins") or {}).items():
        # Between frames a moment is a sum, with its rounding.
        given = getattr(jump.moments, name)
        assert math.isclose(given, frame, rel_tol=1e-12, abs_tol=1e-9), (name, at)
    frames = np.linspace(there[0] - 2, there[-1] + 2, 40)
    motion = jump.cog(frames)
    assert all(finite(part) for part in motion)
    top = jump.cog([m.takeoff, m.land]).position[:, 2]
    assert math.isclose(top[1] - top[0], jump.landing_level, rel_tol=1e-6, abs_tol=1e-6)


MANY = {
    "jump_height": (0.05, 5), "push_height": (0.05, 1), "landing_level": (-2, 4),
    "travel": (-5, 5), "magnification": (0.5, 8), "takeoff_speed": (0.5, 9),
}  # fmt: skip


@st.composite
def several(draw: Any) -> dict[str, Any]:
    """Arrays of one shape, and numbers that are the same for all."""
    size = draw(st.integers(1, 5))
    air = draw(st.sampled_from(["jump_height", "takeoff_speed"]))
    push = draw(st.sampled_from(["push_height", "magnification"]))
    asked = {name: draw(rows(*MANY[name], size)) for name in (air, push)}
    if draw(st.booleans()):
        asked["landing_level"] = draw(rows(*MANY["landing_level"], size))
    same = ("keep", "twos", "gravity", "frame_rate", "subframes")
    return asked | draw(some({name: REST[name] for name in same}, most=3))


@given(asked=several())
def plans_of_many(asked: dict[str, Any]) -> None:
    """Many jumps in one call are the single ones; it refuses when one of them is refused."""
    many = tried(lambda: leapwright.plan(**asked), wrong_call=True)
    arrays = {k for k in MANY if isinstance(asked.get(k), np.ndarray)}
    size = max(len(asked[name]) for name in arrays)
    singles = []
    for i in range(size):
        row = {k: float(v[i]) if k in arrays else v for k, v in asked.items()}
        singles.append(tried(lambda row=row: leapwright.plan(**row), wrong_call=True))
    assert (many is None) == any(single is None for single in singles)
    if many is None:
        return
    for i, single in enumerate(singles):
        for name in ("takeoff", "apex", "land", "low"):
            assert getattr(many.moments, name)[i] == getattr(single.moments, name), (i, name)
        assert math.isclose(many.jump_height[i], single.jump_height, rel_tol=1e-9)


@given(
    rise=st.one_of(st.lists(numbers(0.1, 100), max_size=6), numbers(0.1, 100)),
    rate=rates(),
    gravity=REST["gravity"],
)
def charts(rise: Any, rate: Any, gravity: Any) -> None:
    """A chart is refused in words, or is finite and rises with the frames."""
    table = tried(lambda: leapwright.chart(rise, frame_rate=rate, gravity=gravity))
    if table is None:
        return
    json.dumps(chart_answer(table), allow_nan=False)
    order = np.argsort(table.rise_frames, kind="stable")
    assert finite(table.height_m)
    assert np.all(np.diff(table.height_m[order]) >= 0)


KNOTS = mostly(
    st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=6, unique=True).map(sorted),
    st.lists(numbers(-1e3, 1e3), max_size=5),
    of=6,
)


@given(source=KNOTS, target_=KNOTS, frames=st.lists(st.floats(-1e7, 1e7), min_size=1, max_size=8))
def maps(source: Any, target_: Any, frames: list[float]) -> None:
    """A map of time rises, can be turned round, and comes back from its JSON."""
    if isinstance(source, list) and isinstance(target_, list):
        size = min(len(source), len(target_))
        source, target_ = source[:size], target_[:size]
    made = tried(lambda: TimeMap.of(source, target_))
    if made is None:
        return
    again = TimeMap.from_json(json.loads(json.dumps(made.to_json())))
    assert np.array_equal(again.source, made.source)
    there = np.sort(np.array(frames))
    went = made.apply(there)
    assert finite(went)
    assert np.all(np.diff(went) >= -1e-12 * (1 + np.max(np.abs(went))))
    slopes = made.slope(there)
    assert np.all(slopes > 0)
    # As exactly as numbers of this size can be told apart where the map squeezes most.
    steepest = max(1.0, 1.0 / float(np.min(made.slope(made.source))), 1.0 / float(np.min(slopes)))
    size = max(float(np.max(np.abs(part))) for part in (there, went, made.source, made.target))
    room = 1e-14 * (size + 1) * (steepest + 1) * 16
    assert np.allclose(made.invert(went), there, rtol=0, atol=room)
    assert np.allclose(made.inverse().apply(went), there, rtol=0, atol=room)


@st.composite
def jump_frames(draw: Any) -> Any:
    """Frames of a jump's moments in order, some left out; now and then anything."""
    if draw(st.integers(0, 19)) == 0:
        return draw(st.dictionaries(st.sampled_from((*MOMENTS, "hop")), numbers(-100, 100)))
    at, frames = draw(st.integers(-200, 3000)), {}
    for name in MOMENTS:
        frames[name] = at
        at += draw(st.integers(1, 40))
    for name in draw(st.sets(st.sampled_from(["start", "crouch", "apex", "low", "end"]))):
        del frames[name]
    return frames


HEIGHTS = mostly(
    st.fixed_dictionaries({"jump": st.floats(0.01, 10)}, optional={
        "push": st.floats(0.01, 2), "landing_level": st.floats(-5, 0.5),
    }),
    st.dictionaries(st.sampled_from(["push", "jump", "landing_level"]), numbers(-1, 3)),
    of=10,
)  # fmt: skip
STYLES = st.one_of(
    st.none(),
    st.fixed_dictionaries(
        {}, optional={"fall": numbers(0.2, 4), "push": numbers(0.3, 3), "hang": numbers(0, 12)}
    ),
)
WISHES = {
    "snappiness": numbers(0.2, 5),
    "to_gravity": numbers(0.5, 40),
    "rise_frames": mostly(st.integers(1, 60)),
    "air_frames": mostly(st.integers(2, 120)),
    "push_frames": mostly(st.integers(1, 40)),
    "fall_frames": mostly(st.integers(1, 60)),
    "hang_frames": mostly(st.integers(0, 20)),
    "absorb_frames": mostly(st.integers(1, 40)),
}
PLACING = {
    "before": mostly(st.sampled_from(["shift", "stretch"])),
    "after": mostly(st.sampled_from(["shift", "stretch"])),
    "pins": PINS,
    "twos": st.booleans(),
    "shot_start": mostly(st.integers(-10, 10)),
    "subframes": st.booleans(),
    "frame_rate": rates(),
    "crouch_hold_frames": mostly(st.integers(0, 10)),
}
PHASES = mostly(
    st.lists(st.sampled_from(["anticipation", "push", "air", "absorb", "recover", "hop"]))
)


def wrongly_called(moments: Any, more: dict[str, Any]) -> bool:
    """Whether Python itself may refuse: a mapping or list that is none."""
    return not isinstance(more.get("pins", {}), dict) or not isinstance(
        more.get("phases", []), list
    )


def heights_of(given_heights: Any) -> Any:
    if not isinstance(given_heights, dict):
        return None
    return tried(lambda: Heights(**given_heights), wrong_call=True)


def style_of(given_style: Any) -> Any:
    return None if given_style is None else tried(lambda: Style(**given_style))


def keeps_order(solved: Any, before: Any, after: Any, *, whole: bool) -> None:
    """Moments stay in their order and are where the map puts them."""
    there = [frame for _, frame in after if frame is not None]
    assert there == sorted(there), after
    assert finite(there)
    if whole:
        assert all(float(f).is_integer() for n, f in after if n != "apex" and f is not None), after
    for name in ("takeoff", "land"):
        went = float(solved.map.apply(getattr(before, name)))
        assert math.isclose(went, getattr(after, name), abs_tol=1e-6), (name, went, after)
    for a, b in pairwise(solved.map.target.tolist()):
        assert a < b


@given(
    moments=jump_frames(),
    heights=st.one_of(st.none(), HEIGHTS),
    style=STYLES,
    wishes=mostly(some(WISHES, most=1).filter(bool), some(WISHES, most=4), of=4),
    more=some(PLACING | {"phases": PHASES, "alternatives": mostly(st.integers(1, 9))}, most=4),
)
def retimes(moments: Any, heights: Any, style: Any, wishes: Any, more: dict[str, Any]) -> None:
    """A retime is refused in words, or its map rises and takes the moments where it says."""
    solved = tried(
        lambda: leapwright.retime(
            moments, heights=heights_of(heights), style=style_of(style), **wishes, **more
        ),
        wrong_call=wrongly_called(moments, more)
        or not isinstance(more.get("alternatives", 1), int),
    )
    if solved is None:
        return
    target(float(len(solved.alternatives)), label="alternatives")
    json.dumps(retime_answer(solved), allow_nan=False)
    keeps_order(
        solved, solved.moments_before, solved.moments_after, whole=not more.get("subframes")
    )


@given(
    moments=jump_frames(),
    heights=HEIGHTS,
    style=STYLES,
    wish=st.one_of(
        st.fixed_dictionaries({"jump_height": numbers(0.01, 10)}),
        st.fixed_dictionaries({"times_height": numbers(0.1, 5)}),
        st.fixed_dictionaries({"travel": numbers(-5, 5), "travel_before": numbers(-5, 5)}),
    ),
    more=some(PLACING | {"absorb_limit": numbers(0.01, 2)}, most=4),
)
def resizes(moments: Any, heights: Any, style: Any, wish: Any, more: dict[str, Any]) -> None:
    """A resize is refused in words, or its map rises and takes the moments where it says."""
    was = heights_of(heights)
    if was is None:
        return
    solved = tried(
        lambda: leapwright.resize(moments, was, style=style_of(style), **wish, **more),
        wrong_call=wrongly_called(moments, more),
    )
    if solved is None:
        return
    keeps_order(
        solved, solved.moments_before, solved.moments_after, whole=not more.get("subframes")
    )
    assert finite([solved.times_height, solved.gravity])
    json.dumps(resize_answer(solved, asked=wish, heights=was), allow_nan=False)
