# SPDX-License-Identifier: GPL-3.0-or-later
"""What a retime did to a rig: the answer, what became of the keys, the jump before and after."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from leapwright.answer import retime_answer
from leapwright.retime import Retimed
from leapwright.shape import Miss
from leapwright_blender.heights import Flight
from leapwright_blender.timed import Moved

__all__ = ["KeysMoved", "RetimedRig"]


@dataclass(frozen=True, slots=True)
class KeysMoved:
    """What became of the keys.

    Attributes
    ----------
    channels : int
        Channels of which something changed.
    moved, split : int
        Keys on another frame; keys added where a curve had to be split.
    merged : tuple of (str, float, float)
        Channel, and frames (before) of the key that stayed and of the one that gave way to it.
    largest_miss : Miss
        How far a shape differs at most from before, at corresponding frames.
    """

    channels: int
    moved: int
    split: int
    merged: tuple[tuple[str, float, float], ...]
    largest_miss: Miss

    def to_json(self) -> dict[str, Any]:
        """The same as JSON values."""
        miss = self.largest_miss
        return {
            "channels": self.channels,
            "moved": self.moved,
            "split": self.split,
            "merged": [
                {"channel": c, "kept_frame": kept, "merged_frame": away}
                for c, kept, away in self.merged
            ],
            "largest_miss": {
                "value": miss.value,
                "of_range": miss.share,
                "channel": miss.channel,
                "frame": miss.frame,
            },
        }


@dataclass(frozen=True, slots=True)
class RetimedRig:
    """A retimed jump: the answer, what became of the keys, and the jump before and after.

    `after` is None on a dry run.
    """

    solved: Retimed
    keys: KeysMoved
    others: Moved
    before: Flight
    after: Flight | None
    props: tuple[str, ...]
    warnings: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Everything as JSON values; units are in the names."""
        answer = retime_answer(self.solved)
        answer["keys"] = self.keys.to_json()
        answer["others"] = {k: v for k, v in asdict(self.others).items() if k != "said"}
        answer["props"] = list(self.props)
        answer["measured"] = {
            "before": self.before.to_json(),
            "after": None if self.after is None else self.after.to_json(),
        }
        answer["warnings"] = list(self.warnings)
        return answer
