# SPDX-License-Identifier: GPL-3.0-or-later
"""The moments of a jump as the interface names them, posed and pinned."""

from __future__ import annotations

from typing import Any

__all__ = ["FRESH", "MOMENTS", "free_pins", "ground_name", "pin", "pins_of", "posed_frames"]

MOMENTS = {
    "start": "Start",
    "crouch": "Crouch",
    "takeoff": "Take-off",
    "apex": "Apex",
    "land": "Land",
    "low": "Low",
    "end": "End",
}

# Values of an operator are those of the rig at hand, never those of the last rig.
FRESH: Any = {"SKIP_SAVE"}


def posed_frames(values: Any) -> dict[str, int]:
    """Give the frame of each posed moment."""
    every = zip(MOMENTS, values.posed, values.pose_frames, strict=True)
    return {moment: frame for moment, posed, frame in every if posed}


def pins_of(values: Any) -> dict[str, int]:
    """Give the frame of each pinned moment."""
    every = zip(MOMENTS, values.pinned, values.pin_frames, strict=True)
    return {moment: frame for moment, pinned, frame in every if pinned}


def free_pins(values: Any) -> dict[str, int]:
    """Give the pins that were put in by hand, not those of frames picked from a list."""
    by_hand = {m for m, picked in zip(MOMENTS, values.picked, strict=True) if not picked}
    return {moment: frame for moment, frame in pins_of(values).items() if moment in by_hand}


def pin(values: Any, moment: str, frame: float | None, *, picked: bool = False) -> None:
    """Pin a moment to a frame, or with None let it go."""
    index = list(MOMENTS).index(moment)
    values.pinned[index] = frame is not None
    values.picked[index] = picked and frame is not None
    if frame is not None:
        values.pin_frames[index] = round(frame)


def ground_name(values: Any) -> str:
    """Give the name of the object to land on, or nothing."""
    ground = values.ground if values.landing == "object" else None
    return ground if isinstance(ground, str) else ground.name if ground else ""
