# SPDX-License-Identifier: GPL-3.0-or-later
"""What was wanted of a block, beside the jump itself; checked once at the door."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np

from leapwright.errors import ClashError, InputError, NotFoundError
from leapwright.units import STANDARD_GRAVITY
from leapwright_blender.cog import SOURCES
from leapwright_blender.store import Remembered

__all__ = ["Wanted", "again", "chained", "check_wanted"]

AIRS = ("root", "feet")
AFTERS = ("keep", "shift")
KEYS = ("touched", "selected", "all")


@dataclass(frozen=True, slots=True)
class Wanted:
    """How a jump is to be laid onto a rig. `Rig.block` documents each."""

    poses: Mapping[str, float] = field(default_factory=dict)
    gravity: float | str = STANDARD_GRAVITY
    keep: str | None = None
    shot_start: float | None = None
    stepped: bool = False
    air: str | None = None
    after: str = "keep"
    replace: bool = False
    markers: bool = True
    foot: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    key: str | None = None
    ground: str | None = None
    within: float = 0.005
    props: bool = True
    chain: bool = False
    again: bool = False
    cog_from: str | None = None
    dry_run: bool = False


def check_wanted(wanted: Wanted) -> None:
    """Raise InputError for a choice that there is not, or a distance that is none."""
    choices = (("air", AIRS), ("after", AFTERS), ("key", KEYS), ("cog_from", SOURCES))
    for name, allowed in choices:
        value = getattr(wanted, name)
        if value is not None and value not in allowed:
            raise InputError(f"{name} must be one of {', '.join(allowed)}, got {value!r}", name)
    if not np.isfinite(wanted.within) or wanted.within <= 0:
        raise InputError(f"within must be above 0 m, got {wanted.within!r}", "within")


def chained(
    wanted: Wanted, ask: Mapping[str, Any], jumps: Sequence[Remembered], rig: str
) -> tuple[Wanted, dict[str, Any]]:
    """The same for a jump that begins at the low of the last one: that low is its crouch, and its
    COG is measured with the same.

    Raises
    ------
    NotFoundError
        The rig remembers no jump, or one that has no low.
    ClashError
        What was asked says where the crouch is, or asks for an anticipation.
    """
    low = jumps[-1].moments.get("low") if jumps else None
    if low is None:
        raise NotFoundError(
            f"`chain`: {rig!r} remembers no jump to go on from; block the first one"
        )
    said = [name for name in ("start", "crouch") if name in wanted.poses]
    if said or "crouch" in (ask.get("pins") or {}) or ask.get("anticipation_frames"):
        raise ClashError(
            f"chain: the jump begins in the low on frame {low:g}; leave out the crouch's pose and "
            "pin, the start and the anticipation",
            ("chain", "poses", "pins", "anticipation_frames"),
        )
    changed = {f.name: getattr(wanted, f.name) for f in fields(Wanted)}
    changed["poses"] = {"crouch": low, **wanted.poses}
    changed["cog_from"] = wanted.cog_from or jumps[-1].cog_from
    hold = ask.get("crouch_hold_frames") or 0
    pins = {"crouch": low + hold, **(ask.get("pins") or {})}
    return Wanted(**changed), {**ask, "pins": pins, "anticipation_frames": 0}


def again(jumps: Sequence[Remembered], typed: Mapping[str, Any], rig: str) -> dict[str, Any]:
    """Arguments of the last block on a rig with what is typed now put over them; its poses are
    taken where they stand now. A hop of a chain stays one.

    Raises
    ------
    NotFoundError
        The rig remembers no jump.
    """
    if not jumps:
        raise NotFoundError(f"`again`: {rig!r} remembers no jump; block one first")
    last = jumps[-1]
    said = {**last.asked, "poses": dict(last.poses), "cog_from": last.cog_from}
    given = {name: value for name, value in typed.items() if value is not None}
    first = min(last.moments.values())
    if len(jumps) > 1 and jumps[-2].moments.get("low") == first:
        said, given = _goes_on(first, said, given)
    for measures in _ONE_OF:
        # A new measure takes the place of the old one that said the same.
        if any(name in given for name in measures):
            said = {name: value for name, value in said.items() if name not in measures}
    return {**said, **given, "chain": False, "again": True}


def _goes_on(
    low: float, said: dict[str, Any], given: dict[str, Any]
) -> tuple[dict[str, Any], dict[str, Any]]:
    """A hop of a chain still begins in the low of the one before."""
    said = {**said, **{name: given.pop(name) for name in ("poses", "pins") if name in given}}
    hold = given.get("crouch_hold_frames", said.get("crouch_hold_frames")) or 0
    pins = {**(said.get("pins") or {}), "crouch": low + hold}
    poses = {"crouch": low, **said["poses"]}
    return {**said, "poses": poses, "pins": pins, "anticipation_frames": 0}, given


_ONE_OF = (
    ("jump_height", "rise_frames", "air_frames", "takeoff_speed"),
    ("push_height", "push_frames", "magnification"),
    ("travel", "foot_travel", "running"),
    ("landing_level", "ground"),
    ("absorb_height", "absorb_frames"),
)
