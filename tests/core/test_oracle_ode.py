# SPDX-License-Identifier: GPL-3.0-or-later
"""The path against a solver of differential equations.

Each phase is given to the solver as the acceleration that the model names; position and speed
come out of integrating, and are compared with the path to one part in a thousand million.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from leapwright import plan


def accelerations(jump):
    """(seconds, function of the phase's own time) of each phase, along the heading and upwards."""
    fps = float(jump.frame_rate)
    n = jump.frames
    v = jump.travel_speed

    def ease(height, time):
        # From rest to rest: 3u² - 2u³ of the height.
        return lambda t: np.array([0.0, height * (6 - 12 * t / time) / time**2])

    def pushed(height, time, factor, along, *, mirrored=False):
        def acceleration(t):
            u = 1 - t / time if mirrored else t / time
            up = height * (2 * (3 - 2 * factor) + 6 * (2 * factor - 2) * u) / time**2
            return np.array([along, up])

        return acceleration

    gain = 0.0 if jump.running else v * fps / n.push
    lose = 0.0 if jump.carry_on else -v * fps / n.absorb
    push, absorb = n.push / fps, n.absorb / fps
    phases = [
        (n.anticipation / fps, ease(-jump.start_height, max(n.anticipation, 1) / fps)),
        (n.crouch_hold / fps, lambda t: np.zeros(2)),
        (push, pushed(jump.push_height, push, jump.push_factor, gain)),
        (n.air / fps, lambda t: np.array([0.0, -jump.gravity])),
        (absorb, pushed(jump.absorb_height, absorb, jump.absorb_factor, lose, mirrored=True)),
        (n.recover / fps, ease(jump.end_height, max(n.recover, 1) / fps)),
    ]
    return [(time, function) for time, function in phases if time > 0]


def integrated(jump, samples=9):
    """(frames, position, velocity) by integrating from the jump's first moment."""
    fps = float(jump.frame_rate)
    n = jump.frames
    lead = (n.anticipation + n.crouch_hold + n.push) / fps
    low = -jump.push_height + (jump.start_height if n.anticipation else 0)
    if jump.running:
        state = np.array([-jump.travel_speed * lead, low, jump.travel_speed, 0.0])
    else:
        state = np.array([-jump.travel_speed * n.push / fps / 2, low, 0.0, 0.0])
    clock, times, states = -lead, [], []
    for time, acceleration in accelerations(jump):
        at = np.linspace(0, time, samples)
        solution = solve_ivp(
            lambda t, y, a=acceleration: np.concatenate([y[2:], a(t)]),
            (0, time),
            state,
            method="DOP853",
            t_eval=at,
            rtol=1e-13,
            atol=1e-14,
        )
        times.append(clock + at)
        states.append(solution.y.T)
        state = solution.y[:, -1]
        clock += time
    table = np.concatenate(states)
    frames = jump.moments.takeoff + np.concatenate(times) * fps
    return frames, table[:, :2], table[:, 2:]


CASES = {
    "level": {"jump_height": 1.2, "push_height": 0.35},
    "onto a crate": {"jump_height": 0.85, "push_height": 0.34, "landing_level": 0.545},
    "down from a roof": {"jump_height": 0.6, "push_height": 0.3, "landing_level": -2.5},
    "posed": {"rise_frames": 12, "push_height": 0.36, "keep": "poses"},
    "posed, short": {"jump_height": 1, "push_height": 0.5, "push_frames": 3, "keep": "poses"},
    "posed, held": {"jump_height": 1, "push_height": 0.3, "push_frames": 9, "keep": "poses"},
    "heights": {"jump_height": 0.47, "push_height": 0.31, "landing_level": 0.1, "keep": "heights"},
    "foot travel": {"jump_height": 0.9, "push_height": 0.3, "foot_travel": 2.2, "heading": 37},
    "travel": {"jump_height": 0.9, "push_height": 0.3, "travel": -2.2, "crouch_hold_frames": 5},
    "running": {"jump_height": 0.9, "push_height": 0.3, "running": 5.0, "heading": 200},
    "running, stops": {"jump_height": 0.9, "push_height": 0.3, "running": 5, "carry_on": False},
    "odd": {"air_frames": 13, "push_height": 0.3},
    "twos": {"jump_height": 1.3, "push_height": 0.3, "twos": True, "landing_level": 0.5},
    "bare": {"jump_height": 1, "push_frames": 3, "anticipation_frames": 0, "recover_frames": 0},
    "subframes": {"jump_height": 0.7, "push_height": 0.3, "landing_level": 0.2, "subframes": True},
    "film rate": {"jump_height": 0.7, "push_height": 0.3, "frame_rate": "24000/1001"},
    "moonlit": {"jump_height": 3.0, "push_height": 0.3, "gravity": "mars", "travel": 4.0},
    "absorbed in a posed low": {
        "jump_height": 1,
        "push_height": 0.3,
        "absorb_height": 0.4,
        "absorb_frames": 11,
        "keep": "poses",
    },
}


@pytest.mark.parametrize("case", CASES)
def test_the_path_is_the_integrated_motion(case):
    jump = plan(**CASES[case])
    frames, position, velocity = integrated(jump)
    got = jump.cog(frames)
    angle = np.deg2rad(jump.heading)
    ahead = np.array([np.cos(angle), np.sin(angle), 0.0])
    up = np.array([0.0, 0.0, 1.0])
    size = np.abs(position).max()
    wanted = position @ np.stack([ahead, up])
    np.testing.assert_allclose(got.position, wanted, rtol=1e-9, atol=1e-9 * size)
    speed = np.abs(velocity).max()
    wanted = velocity @ np.stack([ahead, up])
    np.testing.assert_allclose(got.velocity, wanted, rtol=1e-9, atol=1e-9 * speed)


@pytest.mark.parametrize("case", CASES)
def test_the_motion_ends_at_rest_where_it_should(case):
    """What was integrated meets the measures that the jump names."""
    jump = plan(**CASES[case])
    frames, position, velocity = integrated(jump)
    takeoff = np.argmin(np.abs(frames - jump.moments.takeoff))
    land = np.argmin(np.abs(frames - jump.moments.land))
    assert position[takeoff] == pytest.approx([0, 0], abs=1e-9)
    assert velocity[takeoff, 1] == pytest.approx(jump.takeoff_speed, rel=1e-9)
    assert position[land] == pytest.approx([jump.travel, jump.landing_level], abs=1e-9)
    assert -velocity[land, 1] == pytest.approx(jump.landing_speed, rel=1e-9)
    assert velocity[-1, 1] == pytest.approx(0, abs=1e-9)
    end = jump.landing_level - jump.absorb_height + (jump.end_height if jump.frames.recover else 0)
    assert position[-1, 1] == pytest.approx(end, abs=1e-9)
    if not jump.running:
        feet = position[-1, 0] - position[0, 0]
        assert feet == pytest.approx(jump.foot_travel, abs=1e-9)
