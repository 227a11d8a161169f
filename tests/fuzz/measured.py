# SPDX-License-Identifier: GPL-3.0-or-later
"""Hard use of what is read: tracks of any kind, and recorded motion that is broken."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
from hypothesis import given, target
from hypothesis import strategies as st

import leapwright
from leapwright.bvh import read_bvh
from leapwright.check import check
from leapwright.find import search
from leapwright.findings import finding_answer
from leapwright.found import found_answer
from leapwright.style import Style
from leapwright.track import Track

from .anything import EDGES, finite, mostly, numbers, rates, tried

__all__ = ["recordings", "tracks"]


def hop(jump: float, push: float, level: float, frames: int) -> Any:
    """Heights of a jump's COG about 1 m."""
    plan = leapwright.plan(jump_height=jump, push_height=push, landing_level=min(level, jump / 2))
    return 1.0 + plan.cog(np.arange(frames)).position[:, 2]


@st.composite
def heights(draw: Any) -> Any:
    """Heights over frames: hops, steps, noise, nothing, nonsense, and mixtures of them."""
    frames = draw(st.integers(1, 90))
    seed = draw(st.integers(0, 2**32 - 1))
    random = np.random.default_rng(seed)
    z = np.ones(frames)
    for _ in range(draw(st.integers(0, 3))):
        kind = draw(st.sampled_from(["hop", "noise", "constant", "step", "ramp", "wave", "held"]))
        if kind == "hop":
            z = hop(
                draw(st.floats(0.02, 3)), draw(st.floats(0.02, 0.8)),
                draw(st.floats(-1, 1)), frames,
            )  # fmt: skip
        elif kind == "noise":
            z = z + random.normal(0, draw(st.sampled_from([1e-9, 1e-3, 0.02, 1.0])), frames)
        elif kind == "constant":
            z = np.full(frames, draw(st.floats(-10, 10)))
        elif kind == "step":
            z = np.where(np.arange(frames) < frames // 2, z, z + draw(st.floats(-3, 3)))
        elif kind == "ramp":
            z = z + np.linspace(0, draw(st.floats(-20, 20)), frames)
        elif kind == "wave":
            z = z + draw(st.floats(0, 2)) * np.sin(np.arange(frames) * draw(st.floats(0, 3)))
        else:
            z = z[np.arange(frames) // draw(st.integers(2, 9)) * 1]
    change = draw(st.sampled_from(["", "", "", "reversed", "turned", "huge", "tiny", "far", "odd"]))
    if change == "reversed":
        z = z[::-1].copy()
    elif change == "turned":
        z = -z
    elif change == "huge":
        z = z * draw(st.sampled_from([1e3, 1e6, 1e100, 1e154, 1e200, 1e307]))
    elif change == "tiny":
        z = z * draw(st.sampled_from([1e-3, 1e-9, 1e-100, 1e-200, 1e-308, 0.0]))
    elif change == "far":
        z = z + draw(st.sampled_from([1e3, 1e6, 1e12, 1e15]))
    elif change == "odd":
        z[draw(st.integers(0, frames - 1))] = draw(st.sampled_from(EDGES))
    return z


@st.composite
def any_track(draw: Any) -> dict[str, Any]:
    z = draw(heights())
    count, none = len(z), np.zeros_like(z)
    way = draw(numbers(-3, 3, of=40).filter(lambda x: isinstance(x, float)))
    made: dict[str, Any] = {"frame_rate": draw(rates())}
    cog = np.stack([np.linspace(0, 1, count) * (way if np.isfinite(way) else 0), none, z], -1)
    made["cog"] = z if draw(st.booleans()) else cog
    if draw(st.booleans()):
        feet = []
        for _ in range(draw(st.integers(1, 3))):
            low = draw(st.floats(0.5, 1.5))
            sole = np.stack([none, none, np.maximum(z - low, draw(st.sampled_from([0.0, -1.0])))])
            feet.append(sole.T)
        made["soles"] = np.array(feet)
        if draw(st.booleans()):
            made["stretch"] = np.abs(np.array(feet)[:, :, 2])
    if draw(st.booleans()):
        made["keys"] = draw(st.lists(st.integers(1, count).map(float), max_size=6, unique=True))
        made["keys"].sort()
        made["stepped"] = draw(st.booleans())
    if draw(st.integers(0, 9)) == 0:
        made["frames"] = np.cumsum(np.full(count, draw(st.sampled_from([0.5, 1, 2, 1e-9, 1e9]))))
    return made


@given(
    track=any_track(),
    gravity=mostly(st.floats(0.5, 40), numbers(-1, 40), of=6),
    ground=mostly(st.none(), numbers(-1, 1), of=6),
    least=mostly(st.just(0.05), numbers(0, 1), of=8),
    style=st.sampled_from([None, Style(fall=2), Style(hang=4), Style(push=0.5)]),
    twos=st.booleans(),
)
def tracks(track: Any, gravity: Any, ground: Any, least: Any, style: Any, twos: bool) -> None:
    """In any track jumps are in order, what is measured is finite, and findings have words."""
    cog = track.pop("cog")
    made = tried(lambda: Track.of(cog, **track))
    if made is None:
        return
    found = tried(lambda: search(made, gravity=gravity, ground=ground, least_height=least))
    if found is None:
        return
    assert bool(found.jumps) != bool(found.reason)
    target(float(len(found.jumps)), label="jumps")
    last = -np.inf
    for jump in found.jumps:
        json.dumps(found_answer(jump), allow_nan=False)
        m = jump.moments
        there = [f for f in (m.crouch, m.takeoff, m.apex, m.land, m.low) if f is not None]
        assert there == sorted(there), m
        assert m.takeoff < m.land, m
        assert m.takeoff >= last - 1e-6, (m, last)
        assert made.frames[0] - 1 <= there[0]
        assert there[-1] <= made.frames[-1] + 1
        last = m.land
    findings = tried(
        lambda: check(found.jumps, made, gravity=gravity, style=style, twos=twos, ground=ground)
    )
    for finding in findings or ():
        assert finding.text.strip()
        assert "nan" not in finding.text
        assert " inf" not in finding.text
        json.dumps(finding_answer(finding), allow_nan=False)


WORDS = st.sampled_from(
    ["HIERARCHY", "ROOT", "JOINT", "End Site", "OFFSET", "CHANNELS", "MOTION", "Frames:",
     "Frame Time:", "{", "}", "3", "6", "0", "-1", "1e9", "nan", "inf", "1e400", "Xposition",
     "Yrotation", "Zrotation", "hips", "足", "\n", "\t", "\x00", "0.0333", "99999999999", "1_000"]
)  # fmt: skip


@st.composite
def clip(draw: Any) -> str:
    """A small clip as it should be."""
    lines, columns, depth = ["HIERARCHY"], 0, 0
    joints = draw(st.integers(1, 5))
    for number in range(joints):
        kind = "ROOT" if number == 0 else "JOINT"
        moved = draw(st.sampled_from(["", "Xposition Yposition Zposition ", "Yposition "]))
        turned = draw(st.permutations(["Xrotation", "Yrotation", "Zrotation"]))
        own = (moved + " ".join(turned)).split()
        offset = " ".join(str(draw(st.integers(-9, 9))) for _ in range(3))
        name = draw(st.sampled_from(["hips", "Left Foot", "足", "toe:L"]))
        lines += [f"{kind} {name}{number}", "{", f"OFFSET {offset}"]
        lines.append(f"CHANNELS {len(own)} {' '.join(own)}")
        columns, depth = columns + len(own), depth + 1
    lines += ["End Site", "{", "OFFSET 0 1 0", "}", *["}"] * depth]
    frames = draw(st.integers(0, 4))
    lines += ["MOTION", f"Frames: {frames}", f"Frame Time: {draw(st.sampled_from([0.04, 1 / 30]))}"]
    for _ in range(frames):
        lines.append(" ".join(f"{draw(st.integers(-90, 90))}" for _ in range(columns)))
    return "\n".join(lines)


@st.composite
def broken(draw: Any) -> str:
    """A clip with words taken out, put in, doubled or changed; or any text at all."""
    if draw(st.integers(0, 9)) == 0:
        return draw(st.text(max_size=60))
    pieces = draw(clip()).split(" ")
    for _ in range(draw(st.integers(0, 3))):
        at = draw(st.integers(0, len(pieces)))
        match draw(st.sampled_from(["out", "in", "cut", "twice", "letters"])):
            case "out":
                del pieces[at : at + 1]
            case "in":
                pieces.insert(at, draw(WORDS))
            case "cut":
                pieces = pieces[:at]
            case "twice":
                pieces[at:at] = pieces[max(at - 4, 0) : at]
            case _:
                pieces.insert(at, draw(st.text(max_size=4)))
    return " ".join(pieces)


@given(text=broken(), scale=mostly(st.floats(0.001, 10), numbers(-1, 1)))
def recordings(text: str, scale: Any) -> None:
    """A recording is refused in words, or has a place for every joint on every frame."""
    read = tried(lambda: read_bvh(text))
    if read is None:
        return
    place = tried(lambda: read.positions(scale=scale), wrong_call=not isinstance(scale, float))
    if place is None:
        return
    assert place.shape == (len(read.joints), len(read.motion), 3)
    assert finite(place)
