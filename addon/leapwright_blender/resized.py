# SPDX-License-Identifier: GPL-3.0-or-later
"""What a resize did to a rig: the answer, what became of the keys, the jump before and after."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from leapwright.answer import frames_between, resize_answer
from leapwright.jump import Frames, Moments
from leapwright.resize import Resized
from leapwright_blender.heights import Flight
from leapwright_blender.retimed import KeysMoved
from leapwright_blender.timed import Moved

__all__ = ["ResizedRig"]


@dataclass(frozen=True, slots=True)
class ResizedRig:
    """A resized jump.

    Attributes
    ----------
    asked : dict
        What was asked for, as it came.
    solved : Resized
    keys : KeysMoved
        Its `split` are keys added to the channels that carry the COG, at bends or for the new
        way; its largest miss is that of all other channels.
    others : Moved
    before, after : Flight
        The jump, measured; `after` is None on a dry run.
    travel_before_m : float
    landing_moved_m : tuple of float
        From the landing before to the one after, in the plan's axes.
    largest_distance_m, at_frame : float or None
        Farthest of the COG from its new way, on any frame; None on a dry run.
    props, warnings : tuple of str
    """

    asked: Mapping[str, Any]
    solved: Resized
    keys: KeysMoved
    others: Moved
    before: Flight
    after: Flight | None
    travel_before_m: float
    landing_moved_m: tuple[float, float, float]
    largest_distance_m: float | None
    at_frame: float | None
    props: tuple[str, ...]
    warnings: tuple[str, ...]

    @property
    def hold_before(self) -> float:
        """Frames of crouch hold before."""
        moments = self.before.moments
        return moments["crouch"] - moments.get("hold", moments["crouch"])

    @property
    def moments_before(self) -> Moments:
        """As those of the solved jump."""
        return self.solved.moments_before

    @property
    def moments_after(self) -> Moments:
        """As those of the solved jump."""
        return self.solved.moments_after

    @property
    def frames_before(self) -> Frames:
        """Frames of each phase."""
        return frames_between(dict(self.moments_before), self.hold_before)

    @property
    def frames_after(self) -> Frames:
        """Frames of each phase."""
        return self.solved.jump.frames

    def to_json(self) -> dict[str, Any]:
        """Everything as JSON values; units are in the names."""
        answer = resize_answer(
            self.solved,
            asked=self.asked,
            heights=self.before.heights,
            travel_before=self.travel_before_m,
            hold_before=self.hold_before,
        )
        answer["landing_moved_m"] = list(self.landing_moved_m)
        answer["keys"] = self.keys.to_json()
        answer["others"] = {k: v for k, v in asdict(self.others).items() if k != "said"}
        answer["props"] = list(self.props)
        answer["measured"] = {
            "before": self.before.to_json(),
            "after": None if self.after is None else self.after.to_json(),
            "largest_distance_m": self.largest_distance_m,
            "at_frame": self.at_frame,
        }
        answer["warnings"] = list(self.warnings)
        return answer
