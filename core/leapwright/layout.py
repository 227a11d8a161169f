# SPDX-License-Identifier: GPL-3.0-or-later
"""Laying a retimed jump out in time: its moments, what gives around them, and its map."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from leapwright.errors import ClashError
from leapwright.jump import Frames, Moments
from leapwright.retimed import Heights, Retiming
from leapwright.timemap import TimeMap
from leapwright.timing import Counts, Timing, Wanted

__all__ = ["MOMENTS", "Shell", "lay_out", "plain_frame"]

MOMENTS = ("start", "crouch", "takeoff", "apex", "land", "low", "end")


@dataclass(frozen=True, slots=True)
class Shell:
    """What lies around push, air and absorb, and how it gives; `step` is 0 for sub-frames."""

    was: Mapping[str, float | None]
    timing: Timing
    before: str
    after: str
    phases: frozenset[str]
    step: int

    def eased(self, phase: str, frames: float | None, k: float) -> float | None:
        """Frames of anticipation or recover after, where it does not give."""
        if frames is None or phase not in self.phases:
            return frames
        if not self.step:
            return frames / k
        return max(self.step, math.floor(frames / k / self.step + 0.5) * self.step)

    def rigid(self, pins: Mapping[str, float], k: float) -> dict[str, float]:
        """Pins with those of start and end, where these move along, taken to the moment next."""
        near = dict(pins)
        start, end = near.pop("start", None), near.pop("end", None)
        if start is not None and self.before == "shift":
            lead = self.eased("anticipation", self.timing.anticipation, k) or 0.0
            self.put(near, "crouch", start + lead + self.timing.hold)
        if end is not None and self.after == "shift":
            tail = self.eased("recover", self.timing.recover, k) or 0.0
            self.put(near, "low" if self.timing.absorb is not None else "land", end - tail)
        return near

    def put(self, pins: dict[str, float], moment: str, frame: float) -> None:
        """Add a pin that follows from another one."""
        if abs(pins.get(moment, frame) - frame) > 1e-9:
            raise ClashError(
                f"pins clash: {moment}={pins[moment]:g}, and the others put it on {frame:g}",
                ("pins",),
            )
        pins[moment] = frame

    def frames_before(self) -> Frames:
        """Counts before, in the words of a plan."""
        t = self.timing
        rise = t.rise + t.hang / 2
        if self.was["apex"] is not None and self.was["takeoff"] is not None:
            rise = self.was["apex"] - self.was["takeoff"]
        counts = (t.anticipation, t.hold, t.push, rise, t.air - rise, t.absorb, t.recover, t.air)
        return Frames(*(plain_frame(c or 0.0) for c in counts))


def lay_out(
    shell: Shell,
    counts: Counts,
    wanted: Wanted,
    *,
    pins: Mapping[str, float],
    heights: Heights | None,
    fps: float,
    start: float,
) -> Retiming:
    """Give one answer's moments, its map and what it means.

    Raises
    ------
    ClashError
        Anticipation or recover would have no frame left.
    """
    t, was = shell.timing, shell.was
    takeoff = counts.takeoff
    if takeoff is None:
        crouch = was["takeoff"] or 0.0 if was["crouch"] is None else was["crouch"]
        if shell.step:
            # Ties go to the earlier frame.
            crouch = start + math.ceil((crouch - start) / shell.step - 0.5) * shell.step
        takeoff = crouch + (counts.push or 0.0)
    now: dict[str, float | None] = dict.fromkeys(MOMENTS)
    now |= {"takeoff": takeoff, "apex": takeoff + counts.key, "land": takeoff + counts.air}
    if counts.push is not None:
        now["crouch"] = takeoff - counts.push
    last = takeoff + counts.air + (counts.absorb or 0.0)
    if counts.absorb is not None:
        now["low"] = last
    first = takeoff - (counts.push or 0.0) - t.hold
    lead, tail = (
        shell.eased("anticipation", t.anticipation, wanted.snappiness),
        shell.eased("recover", t.recover, wanted.snappiness),
    )
    if lead is not None:
        stays = pins.get("start", was["start"]) if shell.before == "stretch" else None
        now["start"] = start = first - lead if stays is None else stays
        lead = first - start
    if tail is not None:
        stays = pins.get("end", was["end"]) if shell.after == "stretch" else None
        now["end"] = end = last + tail if stays is None else stays
        tail = end - last
    for phase, frames in (("anticipation", lead), ("recover", tail)):
        if frames is not None and frames < (shell.step or 1e-9):
            raise ClashError(
                f"{phase} would be {frames:g} frames, and needs {shell.step or 1} or more", (phase,)
            )
    rise = counts.key if wanted.styled else t.rise * (counts.air - wanted.hang) / (t.air - t.hang)
    return Retiming.of(
        time_map=_map(shell, now, wanted, rise),
        moments=Moments(**{m: plain_frame(now[m]) for m in MOMENTS}),
        frames=_frames(lead, t.hold, counts, tail),
        timing=t,
        rise=rise,
        hang=wanted.hang,
        styled=wanted.styled,
        heights=heights,
        fps=fps,
        odd=counts.odd,
    )


def _frames(lead: float | None, hold: float, counts: Counts, tail: float | None) -> Frames:
    fall = counts.air - counts.key
    each = (lead, hold, counts.push, counts.key, fall, counts.absorb, tail, counts.air)
    return Frames(*(plain_frame(c or 0.0) for c in each))


def _map(shell: Shell, now: Mapping[str, float | None], wanted: Wanted, rise: float) -> TimeMap:
    """Knots at the moments; the apex only where rise and fall part, the hang's ends where it
    changes, and the hold before the crouch as long as it was."""
    t, was = shell.timing, shell.was
    knots = [(was[m], now[m]) for m in MOMENTS if m != "apex"]
    crouch = was["crouch"]
    if crouch is not None and t.hold and was["start"] is not None:
        knots.append((crouch - t.hold, (now["crouch"] or 0.0) - t.hold))
    takeoff, land = was["takeoff"] or 0.0, was["land"] or 0.0
    to, end = now["takeoff"] or 0.0, now["land"] or 0.0
    if wanted.hang != t.hang:
        fall_was, fall = t.air - t.hang - t.rise, end - to - wanted.hang - rise
        knots.append((takeoff + 0.75 * t.rise, to + 0.75 * rise))
        knots.append((land - 0.75 * fall_was, end - 0.75 * fall))
    elif wanted.styled:
        knots.append((takeoff + t.rise, to + rise))
    there = sorted((a, b) for a, b in knots if a is not None and b is not None)
    return TimeMap.of([a for a, _ in there], [b for _, b in there])


def plain_frame(frame: float | None) -> Any:
    """Give whole frames as int, so that they read and print as such."""
    if frame is None:
        return None
    whole = round(frame)
    return whole if abs(frame - whole) < 1e-9 else float(frame)
