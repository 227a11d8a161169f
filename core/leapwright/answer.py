# SPDX-License-Identifier: GPL-3.0-or-later
"""A jump or a chart as plain dictionaries, ready for JSON: units stand in the key names."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict
from decimal import Decimal
from fractions import Fraction
from typing import Any

import numpy as np

from leapwright.changes import Change
from leapwright.chart import Chart
from leapwright.jump import Frames, Jump
from leapwright.layout import plain_frame
from leapwright.resize import Resized
from leapwright.retimed import Heights, Physics, Retimed

__all__ = [
    "chart_answer",
    "frames_between",
    "plain",
    "plan_answer",
    "resize_answer",
    "retime_answer",
]

_UNITS = {
    "frame_rate": "",
    "gravity": "_m_s2",
    "heading": "_degrees",
    "magnification": "",
    "running": "_m_s",
    "shot_start": "_frame",
    "snappiness": "",
    "takeoff_speed": "_m_s",
    "times_height": "",
    "to_gravity": "_m_s2",
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


def retime_answer(solved: Retimed) -> dict[str, Any]:
    """Everything a retime says of the jump's time.

    Examples
    --------
    >>> from leapwright import retime
    >>> hop = {"crouch": 38, "takeoff": 41, "apex": 53, "land": 65}
    >>> retime_answer(retime(hop, snappiness=1.5))["moments_after"]["land"]
    56
    """
    answer = solved.answer
    return {
        "asked": _asked(solved.asked),
        "got": {"snappiness": plain(answer.snappiness)},
        "frame_rate": plain(solved.frame_rate),
        "moments_before": {moment: plain(frame) for moment, frame in solved.moments_before},
        "moments_after": {moment: plain(frame) for moment, frame in answer.moments},
        "frames_before": _counts(solved.frames_before),
        "frames_after": _counts(answer.frames),
        "magnification": {
            "heights": plain(solved.magnification),
            "timing_before": plain(solved.timing_before),
            "timing_after": plain(answer.timing),
        },
        "gravity_m_s2": {
            "before": _gravity(solved.physics_before, "rise_gravity"),
            "after": _gravity(answer.physics, "rise_gravity"),
            "fall_before": _gravity(solved.physics_before, "fall_gravity"),
            "fall_after": _gravity(answer.physics, "fall_gravity"),
        },
        "reads_as_size": plain(answer.reads_as_size),
        "speed_step_at_takeoff": plain(answer.speed_step),
        "style": answer.style.to_json(),
        "map": [
            [plain(source), plain(target)]
            for source, target in zip(answer.map.source, answer.map.target, strict=True)
        ],
        "alternatives": [
            {
                "frames": _counts(other.frames),
                "moments": {moment: plain(frame) for moment, frame in other.moments},
                "snappiness": plain(other.snappiness),
                "timing": plain(other.timing),
                "gravity_m_s2": _gravity(other.physics, "rise_gravity"),
                "words": other.words,
            }
            for other in solved.alternatives
        ],
        "warnings": list(solved.warnings),
    }


def resize_answer(
    solved: Resized,
    *,
    asked: Mapping[str, Any],
    heights: Heights,
    travel_before: float = 0.0,
    hold_before: float = 0.0,
) -> dict[str, Any]:
    """Everything a resize says of the jump.

    Parameters
    ----------
    asked : mapping
        Arguments of `leapwright.resize` that were given.
    heights : Heights
        Of the COG before, m.
    travel_before : float
        m.
    hold_before : float
        Frames of crouch hold.

    Examples
    --------
    >>> from leapwright import Heights, resize
    >>> was, heights = {"crouch": 20, "takeoff": 23, "land": 43}, Heights(0.8513, 0.28)
    >>> answer = resize_answer(
    ...     resize(was, heights, times_height=1.44), asked={"times_height": 1.44}, heights=heights
    ... )
    >>> answer["asked"], round(answer["got"]["times_height"], 6), answer["frames_after"]["air"]
    ({'times_height': 1.44}, 1.44, 24)
    """
    jump = solved.jump
    before, after = dict(solved.moments_before), dict(solved.moments_after)
    return {
        "asked": _asked(asked),
        "got": {
            "jump_height_m": plain(jump.jump_height),
            "times_height": plain(solved.times_height),
            "travel_m": plain(jump.travel),
        },
        "frame_rate": plain(jump.frame_rate),
        "moments_before": {moment: plain(frame) for moment, frame in before.items()},
        "moments_after": {moment: plain(frame) for moment, frame in after.items()},
        "frames_before": _counts(frames_between(before, hold_before)),
        "frames_after": _counts(jump.frames),
        "heights_m": {
            "before": {
                "push": plain(heights.push),
                "jump": plain(heights.jump),
                "landing_level": plain(heights.landing_level),
            },
            "after": {
                "push": plain(jump.push_height),
                "jump": plain(jump.jump_height),
                "landing_level": plain(jump.landing_level),
            },
        },
        "gravity_m_s2": plain(solved.gravity),
        "travel_m": {"before": plain(travel_before), "after": plain(jump.travel)},
        "magnification": {
            "before": plain(heights.magnification),
            "after": plain(jump.magnification),
        },
        "force_body_weights": {
            "push": plain(jump.push_force),
            "absorb": plain(jump.absorb_force),
        },
        "map": [
            [plain(source), plain(target)]
            for source, target in zip(solved.map.source, solved.map.target, strict=True)
        ],
        "alternatives": [
            {
                "frames": _counts(other.frames),
                "changes": _changes(other.changes),
                "words": other.words,
            }
            for other in jump.alternatives
        ],
        "warnings": list(solved.warnings),
    }


def frames_between(moments: Mapping[str, Any], hold: float = 0.0) -> Frames:
    """Count the frames between moments; 0 where a phase is absent.

    Parameters
    ----------
    moments : mapping of moment to frame
        None where there is none.
    hold : float
        Frames of crouch hold.

    Examples
    --------
    >>> was = {"start": None, "crouch": 1, "takeoff": 4, "apex": 10, "land": 16, "low": None}
    >>> counted = frames_between({**was, "end": 20})
    >>> counted.push, counted.rise, counted.air, counted.absorb, counted.recover
    (3, 6, 12, 0, 4)
    """

    def between(first: str, last: str) -> Any:
        a, b = moments[first], moments[last]
        return 0 if a is None or b is None else b - a

    hold = plain_frame(hold)
    return Frames(
        anticipation=max(0, between("start", "crouch") - hold),
        crouch_hold=hold,
        push=between("crouch", "takeoff"),
        rise=between("takeoff", "apex"),
        fall=between("apex", "land"),
        absorb=between("land", "low"),
        recover=between("land" if moments["low"] is None else "low", "end"),
        air=between("takeoff", "land"),
    )


def _gravity(physics: Physics | None, which: str) -> float | None:
    return None if physics is None else float(getattr(physics, which))


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
    if isinstance(value, float | Decimal):
        value = float(value)
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
