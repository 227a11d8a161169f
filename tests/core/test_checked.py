# SPDX-License-Identifier: GPL-3.0-or-later
"""What a check says as data: the fields that others read, and arcs that can be drawn from it."""

from __future__ import annotations

import json

import numpy as np
import pytest

import leapwright
from leapwright import Style, Track, plan
from leapwright.checked import Checked, Meant, arc_heights, check_track
from leapwright.findings import FIX_WORDS, FIXES
from leapwright.style import styled_air

G = 9.80665
JUMP = {
    "moments", "uncertainty_frames", "frames", "heights_m", "gravity_m_s2", "magnification",
    "travel_m", "force_body_weights", "off_arc_m", "in_place", "findings",
}  # fmt: skip
FINDING = {
    "id", "severity", "phase", "frames", "measured", "expected", "unit", "text", "fix", "intended",
}  # fmt: skip
MOMENTS = ["crouch", "takeoff", "apex", "land", "low"]


def planned(**more):
    ask = {"rise_frames": 12, "push_frames": 3, "pins": {"takeoff": 30}, **more}
    return plan(**ask)


def track_of(jump, last=80, **more):
    t = np.arange(1.0, last)
    on = (t <= jump.moments.takeoff) | (t >= jump.moments.land)
    return Track.of(jump.cog(t).position, frames=t, contacts=on, **more)


def styled_track():
    """Rise 12, hang 4, fall 9 between a push and an absorb of constant force."""
    air = styled_air(
        Style(fall=(12 / 9) ** 2, hang=4),
        jump_height=1.2,
        fall_height=1.2,
        air=25 / 24,
        hang=4 / 24,
    )
    t = np.arange(1.0, 85)
    since, after = (t - 30) / 24, (t - 55) / 24
    v, w = air.path.velocity[[0, -1], 0]
    up, down = v**2 / 0.8, w**2 / 0.8
    push = np.where(since > -v / up, v * since + up * since**2 / 2, -0.4)
    q = np.minimum(after, -w / down)
    air_z = air.path.at(since).position[:, 0]
    z = np.where(since < 0, push, np.where(after > 0, w * q + down * q**2 / 2, air_z))
    return Track.of(z + 1, frames=t, contacts=(since <= 0) | (t >= 55))


def test_json_has_the_fields_that_are_promised():
    told = check_track(
        track_of(planned()), file="market.blend", rig="Hare", cog_from="mesh", meant=Meant("moon"),
        warnings=["said"],
    )  # fmt: skip
    said = json.loads(json.dumps(told.to_json()))
    assert {"file", "rig", "frame_rate", "cog_from", "jumps", "warnings"} <= set(said)
    assert (said["file"], said["rig"], said["cog_from"]) == ("market.blend", "Hare", "mesh")
    assert (said["frame_rate"], said["warnings"], said["reason"]) == (24.0, ["said"], None)
    (jump,) = said["jumps"]
    assert set(jump) >= JUMP
    assert list(jump["moments"]) == list(jump["uncertainty_frames"]) == MOMENTS
    assert list(jump["frames"]) == ["crouch_hold", "push", "rise", "fall", "absorb"]
    assert set(jump["heights_m"]) >= {"push", "jump", "fall"}
    assert set(jump["gravity_m_s2"]) == {"air", "rise", "fall"}
    assert set(jump["magnification"]) == {"heights", "timing"}
    assert set(jump["off_arc_m"]) == {"rms", "largest", "at_frame"}
    (finding,) = jump["findings"]
    assert set(finding) == FINDING
    assert (finding["id"], finding["severity"]) == ("gravity", "note")
    assert "track" not in said


def test_the_arc_can_be_drawn_from_the_json_alone():
    jump = planned(travel=1.2, landing_level=-0.3)
    said = check_track(track_of(jump)).to_json(track=True)
    (arc,) = [found["arc"] for found in said["jumps"]]
    true = jump.cog(np.array(arc["frames"])).position
    np.testing.assert_allclose(arc["height_m"], true[:, 2], atol=1e-6)
    track = said["track"]
    assert track["frames"] == list(range(1, 80))
    whole = jump.cog(np.array(track["frames"])).position
    np.testing.assert_allclose(track["height_m"], whole[:, 2])
    way = np.linalg.norm(whole[:, :2] - whole[0, :2], axis=1)
    np.testing.assert_allclose(track["along_m"], way, atol=1e-9)
    ((name, on),) = track["contacts"].items()
    assert name == "sole 1"
    assert on.index(False) == jump.moments.takeoff
    assert on[jump.moments.takeoff :].index(True) == jump.frames.air - 1


def test_the_drawn_arc_of_a_style_is_the_style():
    track = styled_track()
    (jump,) = leapwright.find(track)
    inside = np.arange(np.ceil(jump.moments.takeoff), jump.moments.land)
    true = np.interp(inside, track.frames, track.cog[:, 2])
    np.testing.assert_allclose(arc_heights(jump, track, inside), true, atol=2e-3)


def test_a_style_is_found_named_and_may_be_meant():
    track = styled_track()
    told = check_track(track)
    assert {f.name for f in told.findings} == {"falls faster than it rises", "hangs at the top"}
    assert told.worst == "warning"
    meant = {"falls_faster": "the show's", "hangs@1": "the show's"}
    told = check_track(track, meant=Meant(intended=meant))
    assert [f.intended for f in told.findings] == ["the show's"] * 2
    assert told.worst == "note"
    told = check_track(track, meant=Meant(style=Style(fall=16 / 9, hang=4)))
    assert told.worst == "note"
    assert len(told.findings) == 2


def test_every_jump_is_judged_by_its_own():
    jump = planned()
    piece = jump.cog(np.arange(1.0, 80)).position
    two = Track.of(np.concatenate([piece, piece]))
    told = check_track(two, meant=lambda found: Meant("moon" if found.number == 2 else G))
    assert [f.jump for f in told.findings] == [2]
    assert told.of(1) == ()
    assert len(told.of(2)) == 1
    assert told.remembered == (None, None)


@pytest.mark.parametrize(
    ("cog", "reason"),
    [
        ([1.0], "one frame cannot hold a jump: it takes four"),
        ([1.0] * 40, "the COG never goes up past where it stood"),
    ],
)
def test_no_jump_is_an_answer_with_a_reason(cog, reason):
    told = check_track(Track.of(cog))
    assert reason in told.reason
    assert (told.jumps, told.findings, told.worst) == ((), (), None)
    said = told.to_json(track=True)
    assert said["reason"] == told.reason
    assert said["track"]["height_m"] == cog


def test_nothing_to_measure_is_data_too():
    said = Checked("", "Hare", 24, "mesh", reason="no keys").to_json(track=True)
    assert said["jumps"] == []
    assert "track" not in said


def test_every_fix_has_words():
    assert set(FIX_WORDS) == set(FIXES.values())
