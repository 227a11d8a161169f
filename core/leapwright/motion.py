# SPDX-License-Identifier: GPL-3.0-or-later
"""From a solved jump to the way of its centre of gravity."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from leapwright.path import Path

if TYPE_CHECKING:
    from leapwright.jump import Jump

__all__ = ["KNOTS", "jump_path"]

KNOTS = ("start", "hold", "crouch", "takeoff", "apex", "land", "low", "end")
"""The knots of a jump's path: its moments, and where a crouch hold begins."""


def jump_path(jump: Jump) -> Path:
    """The path of one jump or of many, shape (..., 8) knots by (x, y, z).

    The COG at take-off is the origin, at second 0. An absent phase has two knots at one time.
    """
    fps = float(jump.frame_rate)
    n = {
        name: np.asarray(getattr(jump.frames, name), dtype=np.float64)
        for name in ("anticipation", "crouch_hold", "push", "rise", "air", "absorb", "recover")
    }
    push, air, absorb = n["push"] / fps, n["air"] / fps, n["absorb"] / fps
    rise = n["rise"] / fps
    before = -push - n["crouch_hold"] / fps
    times = np.stack(
        [
            before - n["anticipation"] / fps,
            before,
            -push,
            0 * push,
            rise,
            air,
            air + absorb,
            air + absorb + n["recover"] / fps,
        ],
        axis=-1,
    )
    speed, gravity = np.asarray(jump.takeoff_speed), np.asarray(jump.gravity)
    crouch = -np.asarray(jump.push_height)
    start = np.where(n["anticipation"] > 0, crouch + jump.start_height, crouch)
    low = np.asarray(jump.landing_level) - jump.absorb_height
    end = np.where(n["recover"] > 0, low + jump.end_height, low)
    zero = np.zeros_like(speed)
    height = [
        start,
        crouch,
        crouch,
        zero,
        rise * (speed - gravity * rise / 2),
        jump.landing_level,
        low,
        end,
    ]
    climb = [zero, zero, zero, speed, speed - gravity * rise, speed - gravity * air, zero, zero]
    along, pace = _level_ground(jump, times)
    angle = np.deg2rad(np.asarray(jump.heading))[..., None]
    position = np.stack([along * np.cos(angle), along * np.sin(angle), np.stack(height, -1)], -1)
    velocity = np.stack([pace * np.cos(angle), pace * np.sin(angle), np.stack(climb, -1)], -1)
    return Path(times, position, velocity)


def _level_ground(jump: Jump, times: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Way and speed along the heading at the knots: constant speed in the air, gained and lost
    linearly by who stands, kept by who runs."""
    speed = np.asarray(jump.travel_speed)[..., None] + 0 * times
    before = times[..., :4]
    in_air = speed[..., :1] * times
    if jump.running:
        lead = speed[..., :4] * before
        lead_pace = speed[..., :4]
    else:
        lead = np.broadcast_to(speed[..., :1] * times[..., 2:3] / 2, before.shape).copy()
        lead[..., 3] = 0
        lead_pace = speed[..., :4] * np.array([0.0, 0.0, 0.0, 1.0])
    if jump.carry_on:
        tail, tail_pace = in_air[..., 5:], speed[..., 5:]
    else:
        stop = (times[..., 6:7] - times[..., 5:6]) / 2
        tail = in_air[..., 5:6] + speed[..., 5:6] * stop * np.array([0.0, 1.0, 1.0])
        tail_pace = speed[..., 5:] * np.array([1.0, 0.0, 0.0])
    way = np.concatenate([lead, in_air[..., 4:5], tail], axis=-1)
    return way, np.concatenate([lead_pace, speed[..., 4:5], tail_pace], axis=-1)
