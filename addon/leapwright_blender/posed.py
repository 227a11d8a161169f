# SPDX-License-Identifier: GPL-3.0-or-later
"""What the poses say of a jump, and how that goes with what was asked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from leapwright.errors import ClashError, InputError
from leapwright_blender.poses import Stand

__all__ = ["Measures", "measure", "with_poses"]

LEAST_ROOM_M = 0.01
"""Legs that can fold by less than this say nothing about a landing."""


@dataclass(frozen=True, slots=True)
class Measures:
    """What posed frames say; None where too few moments are posed. Lengths in m.

    Attributes
    ----------
    push_height_m, landing_level_m, travel_m : float or None
        Between crouch and take-off, and take-off and land.
    heading_deg : float or None
        Direction of the travel, 0 is +X, 90 is +Y.
    start_height_m, end_height_m, absorb_height_m : float or None
        Start over crouch, end over low, land over low.
    absorb_limit_m : float or None
        How far the legs let the body sink.
    """

    push_height_m: float | None = None
    landing_level_m: float | None = None
    travel_m: float | None = None
    heading_deg: float | None = None
    start_height_m: float | None = None
    end_height_m: float | None = None
    absorb_height_m: float | None = None
    absorb_limit_m: float | None = None


def measure(stands: Mapping[str, Stand], home: Stand | None = None) -> Measures:
    """Read the measures off posed bodies; `home` is the body whose legs are looked at."""

    def rise(first: str, second: str) -> float | None:
        if first in stands and second in stands:
            return float(stands[second].cog[2] - stands[first].cog[2])
        return None

    travel = heading = None
    if "takeoff" in stands and "land" in stands:
        way = stands["land"].cog - stands["takeoff"].cog
        travel = float(np.hypot(way[0], way[1]))
        heading = float(np.degrees(np.arctan2(way[1], way[0])))
    start, end = rise("crouch", "start"), rise("low", "end")
    return Measures(
        push_height_m=rise("crouch", "takeoff"),
        landing_level_m=rise("takeoff", "land"),
        travel_m=travel,
        heading_deg=heading,
        start_height_m=None if start is None else abs(start),
        end_height_m=None if end is None else abs(end),
        absorb_height_m=rise("low", "land"),
        absorb_limit_m=None if home is None else _fold_room(home),
    )


def _fold_room(home: Stand) -> float | None:
    rooms = [hip[2] - ankle[2] - fold for hip, ankle, _, fold in home.legs.values()]
    room = float(min(rooms, default=0.0))
    return room if room > LEAST_ROOM_M else None


def with_poses(ask: Mapping[str, Any], said: Measures, *, keep: str | None) -> dict[str, Any]:
    """Add what the poses say to what was asked: arguments of `leapwright.plan`.

    Parameters
    ----------
    ask : mapping
        Arguments of `leapwright.plan`; None is not asked.
    said : Measures
    keep : str or None
        As asked; None is "poses" where a push is posed.

    Raises
    ------
    ClashError
        What was asked contradicts the poses.
    InputError
        The poses make no jump: a crouch above the take-off, a low above the land.
    """
    asked = {name: value for name, value in ask.items() if value is not None}
    if said.push_height_m is not None:
        _refuse_both(asked, "push_height", "the crouch and take-off poses", said.push_height_m)
        if said.push_height_m <= 1e-6:
            raise InputError(
                "poses: the COG must be higher at take-off than in the crouch, got "
                f"{said.push_height_m:.3f} m",
                "poses",
            )
        if keep == "gravity":
            raise ClashError(
                "keep=gravity would change the posed push height: use poses or heights",
                ("keep", "poses"),
            )
        asked["push_height"] = said.push_height_m
        keep = keep or "poses"
    if said.landing_level_m is not None:
        _add_landing(asked, said)
    if said.absorb_height_m is not None and said.absorb_height_m <= 0:
        raise InputError(
            "poses: the COG must be lower at low than at land, got "
            f"{-said.absorb_height_m:.3f} m above",
            "poses",
        )
    for name in ("start_height", "end_height", "absorb_height"):
        value = getattr(said, f"{name}_m")
        if value is not None:
            asked[name] = value
    if said.absorb_height_m is None and said.absorb_limit_m is not None:
        asked.setdefault("absorb_limit", said.absorb_limit_m)
    if keep is not None:
        asked["keep"] = keep
    return asked


def _add_landing(asked: dict[str, Any], said: Measures) -> None:
    poses = "the take-off and land poses"
    _refuse_both(asked, "landing_level", poses, said.landing_level_m)
    for name in ("travel", "foot_travel", "heading"):
        _refuse_both(asked, name, poses, said.travel_m)
    asked["landing_level"] = said.landing_level_m
    if asked.get("running") is None:
        asked["travel"] = said.travel_m
    asked["heading"] = said.heading_deg


def _refuse_both(asked: Mapping[str, Any], name: str, poses: str, value: float | None) -> None:
    if asked.get(name):
        raise ClashError(
            f"{name} is given, and {poses} say it too ({value:.3f}): leave one of them out",
            (name, "poses"),
        )
