# SPDX-License-Identifier: GPL-3.0-or-later
"""What is off is named, by the right name; what is sound, meant or rounded is left in peace."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from leapwright import plan
from leapwright.check import check
from leapwright.errors import InputError
from leapwright.find import find
from leapwright.findings import FINDINGS, FIXES, finding_answer, worst
from leapwright.style import Style, styled_air
from leapwright.thresholds import THRESHOLDS, thresholds
from leapwright.track import Track

TOOL = Path(__file__).parents[2] / "tools" / "faults.py"


def load_tool():
    spec = importlib.util.spec_from_file_location("faults", TOOL)
    module = importlib.util.module_from_spec(spec)
    sys.modules["faults"] = module
    spec.loader.exec_module(module)
    return module


faults = load_tool()


def names_of(findings):
    return [finding.id for finding in findings]


@pytest.mark.parametrize("kind", list(FINDINGS))
def test_every_kind_is_found_at_twice_its_threshold(kind):
    """``python tools/faults.py`` does the same with 50 jumps of each."""
    row = faults.seeded(kind, count=10, seed=1)
    assert row.share >= 0.9, row


def test_sound_jumps_are_clean():
    row = faults.false_alarms(count=80, seed=1)
    assert row.share <= 0.02, row


def track_of(jump, **more):
    m = jump.moments
    start = m.crouch - jump.frames.crouch_hold if m.start is None else m.start
    end = m.low if m.end is None else m.end
    t = np.arange(start - 8.0, end + 9)
    flags = (t <= m.takeoff) | (t >= m.land)
    cog = jump.cog(np.clip(t, start, end)).position
    return Track.of(cog, frames=t, frame_rate=jump.frame_rate, contacts=flags, **more)


@pytest.mark.parametrize("keep", ["gravity", "heights", "poses"])
@pytest.mark.parametrize("twos", [False, True])
def test_what_whole_frames_round_is_no_finding(keep, twos):
    random = np.random.default_rng(3)
    for _ in range(60):
        jump = plan(
            jump_height=float(np.exp(random.uniform(np.log(0.2), np.log(2)))),
            push_height=float(random.uniform(0.15, 0.5)),
            landing_level=float(random.uniform(-0.4, 0.1)) * (random.random() < 0.5),
            travel=float(random.uniform(0, 2)),
            crouch_hold_frames=2 * int(random.integers(0, 3)),
            keep=keep,
            twos=twos,
        )
        m = jump.moments
        apex = round(m.apex)
        track = track_of(jump, keys=[m.crouch, m.takeoff, apex, m.land, m.low])
        assert check(find(track), track, twos=twos) == ()


def test_another_gravity_is_a_note_that_names_a_size():
    jump = plan(jump_height=1.0, push_height=0.4, gravity="moon", frame_rate=60)
    track = track_of(jump)
    (finding,) = check(find(track), track)
    assert (finding.id, finding.severity, finding.fix) == ("gravity", "note", None)
    assert finding.measured == pytest.approx(1.6, rel=5e-3)
    assert "6.13 times the size" in finding.text
    assert check(find(track), track, gravity="moon") == ()


def styled(*, fall, hang):
    """A jump whose air is styled, between pushes and absorbs of constant force."""
    air = styled_air(
        Style(fall=fall, hang=hang), jump_height=1.2, fall_height=1.2, air=25 / 24, hang=hang / 24
    )
    t = np.arange(1.0, 85)
    s = (t - 30) / 24
    v, w = air.path.velocity[[0, -1], 0]
    up, down = v**2 / 0.8, w**2 / 0.8
    before = np.where(s > -v / up, v * s + up * s**2 / 2, -0.4)
    q = np.minimum(s - 25 / 24, -w / down)
    after = w * q + down * q**2 / 2
    inside = air.path.at(s).position[:, 0]
    z = np.where(s < 0, before, np.where(q > 0, after, inside))
    return Track.of(z + 1, frames=t, contacts=(s <= 0) | (t >= 55))


def test_a_style_is_found_and_may_be_meant():
    """Rise 12, hang 4, fall 9."""
    track = styled(fall=(12 / 9) ** 2, hang=4)
    jumps = find(track)
    found = check(jumps, track)
    assert sorted(names_of(found)) == ["falls_faster", "hangs"]
    assert [FINDINGS[f.id] for f in found] == ["falls faster than it rises", "hangs at the top"]
    assert worst(found) == "warning"
    by_id = {f.id: f for f in found}
    assert by_id["falls_faster"].measured == pytest.approx((12 / 9) ** 2, rel=0.02)
    assert by_id["hangs"].measured == pytest.approx(4, abs=0.2)
    meant = check(jumps, track, intended={"falls_faster": "the show", "hangs@1": "she floats"})
    assert worst(meant) == "note"
    assert {f.id: f.intended for f in meant} == {"falls_faster": "the show", "hangs": "she floats"}
    assert all(f.fix is None for f in meant)
    other = check(jumps, track, intended={"hangs@2": "another jump"})
    assert worst(other) == "warning"
    of_show = check(jumps, track, style=Style(fall=(12 / 9) ** 2, hang=4))
    assert [(f.severity, f.intended) for f in of_show] == [("note", "the style")] * 2


def eased(last, first):
    """Keys at crouch, apex and low, all eased, and feet that are off between two frames."""
    keys, values = np.array([1, 12, 21, 30, 45]), np.array([0.92, 0.6, 1.5, 0.6, 0.92])
    t = np.arange(1.0, 50)
    i = np.clip(np.searchsorted(keys, t, side="right") - 1, 0, 3)
    u = np.clip((t - keys[i]) / (keys[i + 1] - keys[i]), 0, 1)
    z = values[i] + (values[i + 1] - values[i]) * u * u * (3 - 2 * u)
    return Track.of(z, frames=t, contacts=(t <= last) | (t >= first), keys=keys)


@pytest.mark.parametrize(("last", "first"), [(12, 30), (13, 29), (14, 28), (15, 27)])
def test_the_beginners_jump_gains_speed_and_is_off_its_arc(last, first):
    track = eased(last, first)
    (jump,) = find(track)
    found = {f.id: f for f in check([jump], track)}
    assert {"gains_after_takeoff", "off_arc"} <= set(found)
    assert "still gains speed until frame 16.5" in found["gains_after_takeoff"].text
    assert ("no_key_on_contact" in found) == (last > 12)
    assert FIXES["off_arc"] == found["off_arc"].fix


@pytest.mark.parametrize(("last", "first"), [(19, 23), (18, 24)])
def test_with_a_small_magnification_the_beginners_body_slows_first(last, first):
    track = eased(last, first)
    (jump,) = find(track)
    assert "slows_before_takeoff" in names_of(check([jump], track))


def test_answers_are_ready_for_json():
    track = eased(14, 28)
    for finding in check(find(track), track):
        answer = finding_answer(finding)
        assert list(answer) == [
            "id", "severity", "phase", "frames", "measured", "expected", "unit", "text", "fix",
            "intended",
        ]  # fmt: skip
        assert answer["text"].endswith(".")
        assert len(answer["frames"]) == 2
        assert all(type(x) is float for x in [*answer["frames"], answer["measured"]])


def test_limits_can_be_changed():
    track = eased(14, 28)
    jumps = find(track)
    loose = {name: line.value * 100 for name, line in THRESHOLDS.items()}
    loose |= {"push_long": 0.01, "absorb_stiff": 0.01}
    assert check(jumps, track, limits=loose) == ()


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"intended": {"floats": "x"}}, "intended must name a finding"),
        ({"intended": {"hangs@two": "x"}}, "intended must name a finding"),
        ({"limits": {"floats": 1}}, "thresholds must be of"),
        ({"limits": {"hangs": 0}}, "hangs must be above 0"),
        ({"gravity": 0}, "gravity must be above 0"),
    ],
)
def test_what_is_asked_is_checked(asked, words):
    track = eased(14, 28)
    with pytest.raises(InputError, match=words):
        check(find(track), track, **asked)


def test_every_threshold_has_its_reason_and_every_finding_its_seed():
    assert set(faults.SEEDS) == set(FINDINGS)
    assert set(FIXES) <= set(FINDINGS)
    for name, line in thresholds().items():
        assert name.removesuffix("_least") in FINDINGS
        assert line.value > 0
        assert len(line.why) > 10


def test_nothing_found_is_nothing_to_check():
    assert check((), Track.of([1.0])) == ()
    assert worst(()) is None


def _eased_hops(magnification: float) -> Track:
    """Four hops keyed at crouch, apex and low alone with flat handles: 3u² - 2u³ between them.

    The soles leave where the body is as high as its push.
    """
    push, count = 0.3, 12
    frames = np.arange(1, 8 * count + 8)
    u = 1 - np.abs((frames - 1) % (2 * count) / count - 1)
    u[frames > 8 * count] = 0
    height = push * (1 + magnification) * (3 * u**2 - 2 * u**3)
    soles = np.zeros((1, len(frames), 3))
    soles[0, :, 2] = np.maximum(0, height - push)
    cog = np.stack([0 * height, 0 * height, 0.7 + height], axis=1)
    return Track.of(cog, frames=frames, soles=soles, names=["foot"])


@pytest.mark.parametrize(
    ("magnification", "named"),
    [
        (0.15, {"slows_before_takeoff"}),
        (0.3, {"slows_before_takeoff"}),
        (2, {"gains_after_takeoff", "off_arc"}),
        (3, {"gains_after_takeoff", "off_arc"}),
        (4, {"gains_after_takeoff", "off_arc"}),
    ],
)
def test_a_beginners_hops(magnification, named):
    # An eased way is fastest half-way up: after the feet leave where the jump is higher than the
    # push, before where it is lower (calculus: u = 1/2 is at half of the height).
    track = _eased_hops(magnification)
    jumps = find(track)
    assert len(jumps) == 4
    found = check(jumps, track)
    for jump in (1, 2, 3, 4):
        mine = {f.id for f in found if f.jump == jump}
        assert named <= mine
        wrong = {"slows_before_takeoff", "gains_after_takeoff"} - named
        assert not wrong & mine
