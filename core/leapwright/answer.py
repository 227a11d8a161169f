# SPDX-License-Identifier: GPL-3.0-or-later
"""A jump or a chart as plain dictionaries, ready for JSON: units stand in the key names."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from fractions import Fraction
from typing import Any

import numpy as np

from leapwright.changes import Change
from leapwright.chart import Chart
from leapwright.jump import Frames, Jump

__all__ = ["chart_answer", "plain", "plan_answer"]

_UNITS = {
    "frame_rate": "",
    "gravity": "_m_s2",
    "heading": "_degrees",
    "magnification": "",
    "running": "_m_s",
    "shot_start": "_frame",
    "takeoff_speed": "_m_s",
}
"""Ending of an asked number's key; what is not here and not a count is a length in m."""


def plan_answer(jump: Jump) -> dict[str, Any]:
    """Everything a plan says, as numbers, texts, lists and dictionaries.

    Parameters
    ----------
    jump : Jump
        One jump or many; many give lists in the place of numbers.

    Returns
    -------
    dict
        Ready for `json.dumps`. What is absent is None.

    Examples
    --------
    >>> from leapwright import plan
    >>> answer = plan_answer(plan(rise_frames=12, push_frames=3))
    >>> answer["moments"]["apex"] - answer["moments"]["crouch"], answer["frame_rate"]
    (15, 24)
    """
    return {
        "asked": _asked(jump.asked),
        "frame_rate": plain(jump.frame_rate),
        "gravity_m_s2": plain(jump.gravity),
        "keep": jump.keep,
        "heights_m": {
            "push": plain(jump.push_height),
            "jump": plain(jump.jump_height),
            "fall": plain(jump.fall_height),
            "absorb": plain(jump.absorb_height),
            "landing_level": plain(jump.landing_level),
        },
        "travel_m": plain(jump.travel),
        "foot_travel_m": plain(jump.foot_travel),
        "magnification": plain(jump.magnification),
        "speeds_m_s": {
            "takeoff": plain(jump.takeoff_speed),
            "landing": plain(jump.landing_speed),
            "travel": plain(jump.travel_speed),
        },
        "force_body_weights": {
            "push": plain(jump.push_force),
            "absorb": plain(jump.absorb_force),
        },
        "frames": _counts(jump.frames),
        "subframes": _counts(jump.subframes),
        "moments": {moment: plain(frame) for moment, frame in jump.moments},
        "changes": _changes(jump.changes),
        "alternatives": [
            {
                "frames": _counts(alternative.frames),
                "changes": _changes(alternative.changes),
                "words": alternative.words,
            }
            for alternative in jump.alternatives
        ],
        "warnings": list(jump.warnings),
    }


def chart_answer(chart: Chart) -> dict[str, Any]:
    """The rows of a chart.

    Examples
    --------
    >>> from leapwright import chart
    >>> chart_answer(chart([12]))["rows"][0]["air_frames"]
    24
    """
    columns = {
        name: plain(getattr(chart, name))
        for name in ("rise_frames", "height_m", "takeoff_speed_m_s", "air_frames", "step_m")
    }
    counts = ("rise_frames", "air_frames")
    for name in counts:
        columns[name] = [int(n) if n.is_integer() else n for n in columns[name]]
    return {
        "rows": [
            dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)
        ]
    }


def plain(value: Any) -> Any:
    """A value that JSON knows: arrays as lists, fractions as numbers, NaN (absent) as None.

    Examples
    --------
    >>> plain(Fraction(24)), plain(np.array([1.0, np.nan]))
    (24, [1.0, None])
    """
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, Fraction):
        return value.numerator if value.denominator == 1 else float(value)
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value


def _counts(frames: Frames) -> dict[str, Any]:
    return {phase: plain(count) for phase, count in asdict(frames).items()}


def _changes(changes: tuple[Change, ...]) -> list[dict[str, Any]]:
    return [{name: plain(value) for name, value in asdict(change).items()} for change in changes]


def _asked(asked: Mapping[str, Any]) -> dict[str, Any]:
    """The arguments as they came, each number's unit in its key; texts keep the bare name."""
    answer = {}
    for name, value in asked.items():
        bare = isinstance(value, str | bool | Mapping) or name.endswith("_frames")
        answer[name if bare else name + _UNITS.get(name, "_m")] = plain(value)
    return answer
