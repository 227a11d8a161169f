# SPDX-License-Identifier: GPL-3.0-or-later
"""Retimed jumps: an animator's cases by number, and what must always hold."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leapwright.errors import ClashError, InputError
from leapwright.retime import Heights, retime
from leapwright.style import Style

G = 9.80665
law = settings(max_examples=200, deadline=None, derandomize=True)


def jump(push: int, rise: int, fall: int | None = None, *, crouch: int = 20, absorb: int = 0):
    fall = rise if fall is None else fall
    takeoff = crouch + push
    moments = {"crouch": crouch, "takeoff": takeoff, "apex": takeoff + rise}
    moments["land"] = takeoff + rise + fall
    if absorb:
        moments["low"] = takeoff + rise + fall + absorb
    return moments


def free_flight(rise: float, fps: float = 24) -> float:
    """Height in m of a rise of so many frames."""
    return G * (rise / fps) ** 2 / 2


def counts(retimed) -> tuple[float, float, float]:
    f = retimed.frames_after
    return f.push, f.rise, f.fall


def frames_of(moments) -> dict[str, float]:
    return {m: f for m, f in moments if f is not None}


# Common practice


def test_a_faster_rise_takes_a_push_faster_by_the_same_fraction():
    got = retime(jump(6, 6), rise_frames=3)
    assert counts(got) == (3, 3, 3)
    assert got.answer.snappiness == got.snappiness_asked == 2


def test_rise_12_push_3_at_one_and_a_half():
    h = free_flight(12)
    got = retime(jump(3, 12), snappiness=1.5, heights=Heights(h, h / 4))
    assert counts(got) == (2, 8, 8)
    assert got.magnification == pytest.approx(4)
    assert got.timing_before == got.answer.timing == 4
    assert got.answer.physics.rise_gravity == pytest.approx(1.5**2 * G)
    assert got.answer.reads_as_size == pytest.approx(1 / 2.25)
    assert got.answer.speed_step == pytest.approx(0)
    assert got.warnings == ()


def test_a_drum_beat():
    h = free_flight(12)
    beat = {"crouch": 38, "takeoff": 41, "apex": 53, "land": 65}
    got = retime(beat, snappiness=1.5, pins={"land": 58}, heights=Heights(h, h / 4))
    assert frames_of(got.moments_after) == {"crouch": 40, "takeoff": 42, "apex": 50, "land": 58}
    assert got.physics_before.rise_gravity == pytest.approx(G)
    assert got.answer.physics.rise_gravity == pytest.approx(22.065, abs=5e-4)
    # What is before moves along.
    assert got.map.apply([1, 38, 65, 100]).tolist() == [3, 40, 58, 93]


def test_a_bit_snappier_is_never_no_change():
    got = retime(jump(3, 12), snappiness=1.2)
    assert counts(got) == (3, 10, 10)
    assert not got.answer.unchanged
    assert got.answer.snappiness == 1.2
    got = retime(jump(2, 5), snappiness=1.3)
    assert counts(got) == (2, 4, 4)
    assert got.answer.snappiness == 1.25
    assert got.answer.speed_step == pytest.approx(0.25)


def test_a_floaty_landing():
    h = 1.2258
    was = {"takeoff": 23, "apex": 35, "land": 51, "low": 55, "end": 67, "crouch": 20, "start": 10}
    got = retime(was, fall_frames=12, after="stretch", heights=Heights(h, h / 4))
    now = frames_of(got.moments_after)
    assert now == {**was, "land": 47, "low": 50}
    before, after = got.physics_before, got.answer.physics
    assert before.fall_gravity == pytest.approx(5.516, abs=5e-4)
    assert after.fall_gravity == pytest.approx(9.807, abs=1e-3)
    assert before.rise_gravity == after.rise_gravity == pytest.approx(9.807, abs=1e-3)
    assert 100 * before.last_drop == pytest.approx(14.84, abs=5e-3)
    assert 100 * after.last_drop == pytest.approx(19.58, abs=5e-3)
    assert got.map.reach == (35, 67)
    assert got.map.bends().tolist() == [35, 55, 67]
    style = got.answer.style
    assert [style.fall, style.push, style.hang] == pytest.approx([1, 1, 0])
    assert got.answer.reads_as_size == 1


# What is asked alone


def test_one_phase_alone_leaves_the_others_but_the_absorb():
    was = jump(3, 12, absorb=6)
    pushed = retime(was, push_frames=5)
    assert counts(pushed) == (5, 12, 12)
    assert pushed.frames_after.absorb == 6
    aired = retime(was, snappiness=2, phases={"air"})
    assert counts(aired) == (3, 6, 6)
    assert aired.frames_after.absorb == 3
    absorbed = retime(was, absorb_frames=4)
    assert counts(absorbed) == (3, 12, 12)
    assert absorbed.frames_after.absorb == 4
    assert absorbed.map.reach == (47, np.inf)
    assert retime(was, snappiness=3, phases={"absorb"}).frames_after.absorb == 2


def test_the_absorb_keeps_a_frame():
    assert retime(jump(6, 12, absorb=1), snappiness=3).frames_after.absorb == 1


def test_push_alone_is_a_style():
    h = free_flight(12)
    got = retime(jump(3, 12), push_frames=4, heights=Heights(h, h / 4))
    assert got.answer.style.push == pytest.approx(4 / 3)
    assert got.answer.snappiness == 1
    assert got.answer.speed_step == pytest.approx(1 / 3)


def test_rise_and_fall_together():
    h = free_flight(12)
    got = retime(jump(3, 12), rise_frames=8, fall_frames=12, heights=Heights(h, h / 4))
    assert counts(got) == (2, 8, 12)
    assert got.answer.style.fall == pytest.approx((8 / 12) ** 2)
    assert got.map.source.tolist() == [20, 23, 35, 47]
    assert got.map.target.tolist() == [20, 22, 30, 42]


def test_a_snappier_styled_jump_keeps_its_style():
    h = free_flight(12)
    got = retime(jump(3, 12, 18, absorb=6), snappiness=1.5, heights=Heights(h, h / 4))
    assert counts(got) == (2, 8, 12)
    assert got.answer.style.fall == pytest.approx((12 / 18) ** 2)
    assert got.frames_after.absorb == 4


def test_a_hang_lasts_and_the_rest_stays():
    h = free_flight(12)
    got = retime(jump(3, 12, absorb=3), hang_frames=4, heights=Heights(h, h / 4))
    assert got.frames_after.air == 28
    assert counts(got) == (3, 14, 14)
    assert got.map.source.tolist() == [20, 23, 32, 38, 47, 50]
    assert got.map.target.tolist() == [20, 23, 32, 42, 51, 54]
    assert got.answer.rewrite_air
    assert got.answer.style.hang == 4
    back = retime(got.moments_after, hang_frames=0, style=Style(hang=4), heights=Heights(h, h / 4))
    np.testing.assert_allclose(back.map.apply(got.map.target), got.map.source)


def test_to_true_gravity():
    h = 4 * free_flight(12)
    got = retime(jump(3, 12), to_gravity=G, heights=Heights(h, h / 4))
    assert counts(got) == (6, 24, 24)
    assert got.answer.physics.rise_gravity == pytest.approx(G)
    assert got.snappiness_asked == pytest.approx(0.5)


def test_two_pins():
    got = retime(jump(3, 12), pins={"takeoff": 30, "land": 46})
    assert frames_of(got.moments_after) == {"crouch": 28, "takeoff": 30, "apex": 38, "land": 46}
    assert got.snappiness_asked == 1.5
    got = retime(jump(3, 12, absorb=6), pins={"crouch": 20, "low": 42})
    assert got.moments_after.low == 42
    assert counts(got) == (2, 8, 8)
    got = retime(jump(3, 12, absorb=6), snappiness=1.5, pins={"land": 40, "low": 42})
    assert (got.moments_after.land, got.moments_after.low) == (40, 42)
    got = retime(jump(3, 12), pins={"takeoff": 23, "apex": 31})
    assert counts(got) == (2, 8, 8)


def test_typed_and_pinned_counts_beat_the_even_rule():
    assert counts(retime(jump(3, 12), air_frames=17)) == (2, 8, 9)
    assert retime(jump(3, 12), air_frames=17).answer.odd
    pinned = retime(jump(3, 12), pins={"takeoff": 23, "land": 40}).frames_after
    assert (pinned.push, pinned.air) == (2, 17)
    listed = retime(jump(3, 12), snappiness=1.4).alternatives
    assert [a.odd for a in listed] == [False] * 5 + [True] * 2
    assert "top between frames" in listed[-1].words


# Around the jump


def test_anticipation_and_recover_on_request():
    was = {"start": 2, **jump(3, 12, crouch=12, absorb=6), "end": 60}
    got = retime(was, snappiness=1.5, phases={"anticipation", "push", "air", "absorb", "recover"})
    f = got.frames_after
    assert (f.anticipation, f.push, f.rise, f.absorb, f.recover) == (7, 2, 8, 4, 10)
    assert got.moments_after.crouch == 12
    assert got.map.apply(-10) == -7


def test_stretch_keeps_what_is_outside():
    was = {"start": 2, **jump(3, 12, crouch=12, absorb=6), "end": 60}
    got = retime(
        was, snappiness=1.5, before="stretch", after="stretch", pins={"land": 30},
        crouch_hold_frames=4,
    )  # fmt: skip
    assert frames_of(got.moments_after) == {
        "start": 2, "crouch": 12, "takeoff": 14, "apex": 22, "land": 30, "low": 34, "end": 60
    }  # fmt: skip
    assert got.frames_after.crouch_hold == 4
    moved = retime(
        was, snappiness=1.5, before="stretch", after="stretch", pins={"land": 33},
        crouch_hold_frames=4,
    )  # fmt: skip
    # The hold moves with the crouch and stays four frames.
    assert moved.map.apply([2, 8, 12, 60]).tolist() == [2, 11, 15, 60]
    assert moved.frames_after.anticipation == 9


def test_pins_on_start_and_end():
    was = {"start": 2, **jump(3, 12, crouch=12, absorb=6), "end": 60}
    got = retime(was, snappiness=1.5, pins={"start": 5})
    assert (got.moments_after.start, got.moments_after.crouch) == (5, 15)
    got = retime(was, snappiness=1.5, pins={"end": 50})
    assert got.moments_after.end == 50
    got = retime(was, snappiness=1.5, after="stretch", pins={"end": 50})
    assert (got.moments_after.crouch, got.moments_after.end) == (12, 50)
    with pytest.raises(ClashError, match="recover would be"):
        retime(was, snappiness=1.5, after="stretch", pins={"end": 34})


def test_a_jump_without_push_or_absorb():
    got = retime({"takeoff": 10, "land": 20}, snappiness=1.25)
    assert (got.moments_after.takeoff, got.moments_after.land) == (10, 18)
    assert got.answer.timing is got.answer.speed_step is got.magnification is None


def test_twos():
    was = jump(4, 12, crouch=21, absorb=4)
    got = retime(was, snappiness=1.5, twos=True)
    after = frames_of(got.moments_after)
    assert all((f - 1) % 2 == 0 for f in after.values())
    assert got.frames_after.air % 4 == 0
    with pytest.raises(ClashError, match="use 29 or 31"):
        retime(was, snappiness=1.5, twos=True, pins={"land": 30})
    with pytest.raises(InputError, match="multiple of 2"):
        retime(was, twos=True, rise_frames=5)


# Too small, too much


def test_too_small_a_wish_names_the_next():
    got = retime(jump(3, 12), snappiness=1.01)
    assert got.answer.unchanged
    assert got.map.is_identity
    assert got.warnings == (
        f"no whole-frame change is this small; the next is {got.alternatives[1].words}",
    )


def test_less_than_a_frame_of_push_names_the_most():
    got = retime(jump(3, 12), snappiness=4)
    assert got.frames_after.push == 1
    assert got.warnings == (
        "snappiness 4 asks for 0.75 frames of push; 3 is the most that keeps the magnification",
    )
    assert retime(jump(3, 12), snappiness=3).warnings == ()


# Laws


@st.composite
def cases(draw):
    push, rise = draw(st.integers(1, 14)), draw(st.integers(2, 30))
    absorb = draw(st.integers(0, 9))
    h = draw(st.floats(0.1, 4))
    moments = jump(push, rise, absorb=absorb, crouch=draw(st.integers(-20, 2000)))
    return moments, Heights(h, h / draw(st.floats(0.3, 20))), draw(st.floats(0.3, 3.5))


@law
@given(case=cases())
def test_subframes_are_exact(case):
    moments, heights, k = case
    got = retime(moments, snappiness=k, heights=heights, subframes=True)
    f, was = got.frames_after, got.frames_before
    for phase in ("push", "rise", "fall", "air", "absorb"):
        assert getattr(f, phase) == pytest.approx(getattr(was, phase) / k)
    ratio = got.answer.physics.rise_gravity / got.physics_before.rise_gravity
    assert ratio == pytest.approx(k**2, rel=1e-12)
    assert got.answer.timing == pytest.approx(got.timing_before)
    assert got.answer.speed_step == pytest.approx(0, abs=1e-12)
    assert got.answer.physics.fall_gravity == pytest.approx(got.answer.physics.rise_gravity)
    back = retime(
        got.moments_after, snappiness=1 / k, heights=heights, subframes=True
    ).map.compose(got.map)  # fmt: skip
    frames = np.linspace(-50, 2100, 500)
    np.testing.assert_allclose(back.apply(frames), frames, atol=1e-8)


@law
@given(case=cases(), twos=st.booleans())
def test_every_answer_is_whole_and_told_truly(case, twos):
    moments, heights, k = case
    try:
        got = retime(moments, snappiness=k, heights=heights, twos=twos)
    except ClashError:
        pytest.fail("snappiness alone always has an answer")
    step = 2 if twos else 1
    for a in got.alternatives:
        after = frames_of(a.moments)
        assert all((frame - 1) % step == 0 for m, frame in after.items() if m != "apex")
        assert all(b - c >= step for c, b in pairwise(after.values()))
        np.testing.assert_allclose(
            a.map.apply([moments[m] for m in after if m != "apex"]),
            [f for m, f in after.items() if m != "apex"],
        )
        base = got.frames_before.air / a.frames.air
        assert a.snappiness == pytest.approx(base)
        assert a.physics.rise_gravity == pytest.approx(got.physics_before.rise_gravity * base**2)
        assert a.frames.rise + a.frames.fall == a.frames.air
        assert len(a.map.source) <= 4
    if not twos:
        assert got.moments_after.crouch == moments["crouch"]


@law
@given(case=cases(), level=st.floats(-2, 0.9))
def test_the_apex_key_is_nearest_to_the_top(case, level):
    moments, heights, k = case
    heights = Heights(heights.jump, heights.push, landing_level=level * heights.jump)
    air = moments["land"] - moments["takeoff"]
    top = air / (1 + math.sqrt(1 - level))
    moments["apex"] = moments["takeoff"] + min(max(math.ceil(top - 0.5 - 1e-9), 1), air - 1)
    if abs(moments["apex"] - moments["takeoff"] - top) > 0.5:
        return  # the top is less than half a frame from take-off or land
    got = retime(moments, snappiness=k, heights=heights)
    for a in got.alternatives:
        wanted = a.frames.air / (1 + math.sqrt(1 - level))
        if abs(level) > 0.01:
            near = min(max(math.ceil(wanted - 0.5 - 1e-9), 1), a.frames.air - 1)
            assert a.frames.rise == near
    # One gravity before, one after: no knot at the apex.
    assert got.physics_before.rise_gravity == pytest.approx(got.physics_before.fall_gravity)
    assert moments["apex"] not in got.map.source


# The door


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({}, "nothing to change"),
        ({"snappiness": 0}, "snappiness"),
        ({"snappiness": 2, "rise_frames": 3}, "one of snappiness and rise_frames"),
        ({"fall_frames": 3, "air_frames": 9}, "fall_frames with rise_frames"),
        ({"rise_frames": 3.5}, r"whole number of frames \(3 or 4\)"),
        ({"to_gravity": 9.8}, "heights"),
        ({"snappiness": 2, "phases": {"hop"}}, "phases"),
        ({"snappiness": 2, "before": "glue"}, "before"),
        ({"snappiness": 2, "before": "stretch"}, "needs anticipation"),
        ({"snappiness": 2, "pins": {"peak": 3}}, "pins must be of"),
        ({"snappiness": 2, "pins": {"low": 3}}, "has no low"),
        ({"snappiness": 2, "pins": {"land": 3.5}}, "use 3 or 4"),
        ({"pins": {"land": 30, "takeoff": 30}}, "is not after"),
        ({"pins": {"land": 31, "takeoff": 30}}, "leave no answer"),
        ({"snappiness": 2, "style": Style(hang=90)}, "hang less"),
    ],
)
def test_the_door(change, match):
    with pytest.raises(InputError, match=match):
        retime(jump(3, 12), **change)


def test_moments_are_checked():
    with pytest.raises(InputError, match="got no land"):
        retime({"takeoff": 3}, snappiness=2)
    with pytest.raises(InputError, match="moments must rise"):
        retime({"takeoff": 3, "land": 2}, snappiness=2)
    with pytest.raises(InputError, match="must be of"):
        retime({"takeoff": 3, "land": 9, "top": 4}, snappiness=2)
    with pytest.raises(InputError, match="landing_level"):
        Heights(1.0, landing_level=1.0)
