# SPDX-License-Identifier: GPL-3.0-or-later
"""What a plot shows of a check: its JSON as arrays, and the stretches of frames that are drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.errors import InputError
from leapwright.findings import FINDINGS

__all__ = ["AROUND", "LONGEST", "MOMENTS", "FindingKind", "Hop", "Shown", "kinds_of", "rows_of"]

Floats = NDArray[np.float64]

MOMENTS = ("crouch", "takeoff", "apex", "land", "low")

LONGEST = 170
"""Frames in a row; with more, the dots of neighbouring frames touch."""
AROUND = 12
"""Frames shown before and after a jump of a long clip."""


@dataclass(frozen=True, slots=True)
class Hop:
    """One jump: its moments' frames, the arc of its air, its findings as they came."""

    number: int
    moments: Mapping[str, float]
    begins: float
    arc_frames: Floats
    arc_heights: Floats
    findings: tuple[Mapping[str, Any], ...]


@dataclass(frozen=True, slots=True)
class Shown:
    """A check as arrays."""

    file: str
    rig: str
    cog_from: str
    frame_rate: float
    frames: Floats
    heights: Floats
    contacts: Mapping[str, NDArray[np.bool_]]
    hops: tuple[Hop, ...]
    reason: str

    @classmethod
    def of(cls, checked: Mapping[str, Any], *, jump: int | None = None) -> Shown:
        """Read the JSON of a check; with `jump`, only that one."""
        track = checked.get("track")
        if not track:
            raise InputError(
                "checked must hold a track: it is Checked.to_json(track=True)", "checked"
            )
        frames = np.asarray(track["frames"], dtype=np.float64)
        heights = np.asarray(track["height_m"], dtype=np.float64)
        if not len(frames) or frames.shape != heights.shape:
            raise InputError(
                f"checked must have one height a frame, got {heights.shape} for {frames.shape}",
                "checked",
            )
        hops = [_hop(n, one) for n, one in enumerate(checked.get("jumps", ()), start=1)]
        if jump is not None:
            if not 1 <= jump <= len(hops):
                raise InputError(f"jump must be from 1 to {len(hops)}, got {jump}", "jump")
            hops = [hops[jump - 1]]
        on = track.get("contacts") or {}
        return cls(
            file=checked.get("file") or "",
            rig=checked.get("rig") or "",
            cog_from=checked.get("cog_from") or "",
            frame_rate=float(checked["frame_rate"]),
            frames=frames,
            heights=heights,
            contacts={name: np.asarray(row, dtype=bool) for name, row in on.items()},
            hops=tuple(hops),
            reason=checked.get("reason") or "",
        )

    def height_at(self, frame: float) -> float:
        """Of the COG, between frames too."""
        return float(np.interp(frame, self.frames, self.heights))


def _hop(number: int, said: Mapping[str, Any]) -> Hop:
    moments = {m: float(said["moments"][m]) for m in MOMENTS if said["moments"].get(m) is not None}
    arc = said.get("arc") or {"frames": [], "height_m": []}
    first = min(moments.values())
    hold = float((said.get("frames") or {}).get("crouch_hold") or 0.0)
    return Hop(
        number=number,
        moments=moments,
        begins=moments.get("crouch", first) - hold,
        arc_frames=np.asarray(arc["frames"], dtype=np.float64),
        arc_heights=np.asarray(arc["height_m"], dtype=np.float64),
        findings=tuple(said.get("findings") or ()),
    )


def rows_of(shown: Shown, *, alone: bool = False) -> list[tuple[float, float]]:
    """First and last frame of each row of the plot.

    Parameters
    ----------
    shown : Shown
    alone : bool
        Only the frames about the jumps, however short the clip.

    Returns
    -------
    list of (float, float)
        One row where the clip is short; else rows of whole jumps, as many in each as fit.
    """
    first, last = float(shown.frames[0]), float(shown.frames[-1])
    if (last - first <= LONGEST and not alone) or not shown.hops:
        return [(first, last)]
    ends = [max(hop.moments.values()) for hop in shown.hops]
    cuts = [(end + hop.begins) / 2 for end, hop in zip(ends, shown.hops[1:], strict=False)]
    cuts = [first, *(float(np.round(cut)) for cut in cuts), last]
    rows: list[tuple[float, float]] = []
    for (a, b), hop, end in zip(pairwise(cuts), shown.hops, ends, strict=True):
        start, stop = max(a, np.floor(hop.begins) - AROUND), min(b, np.ceil(end) + AROUND)
        if rows and stop - rows[-1][0] <= LONGEST:
            rows[-1] = (rows[-1][0], float(stop))
        else:
            rows.append((float(start), float(stop)))
    return rows


@dataclass(frozen=True, slots=True)
class FindingKind:
    """Findings of one id and severity, over all jumps: one letter in the plot.

    Attributes
    ----------
    letter : str
    id, name : str
    severity : str
        note, warning or error; ``intended`` for what is meant so.
    jumps : tuple of int
    reasons : tuple of str
        Why it is meant so.
    frames : tuple of (float, float)
        Where, in the order of `jumps`.
    """

    letter: str
    id: str
    name: str
    severity: str
    jumps: tuple[int, ...]
    reasons: tuple[str, ...]
    frames: tuple[tuple[float, float], ...]


def kinds_of(hops: Sequence[Hop]) -> list[FindingKind]:
    """The kinds of findings, gravest first, each with a letter."""
    found: dict[tuple[str, str], list[tuple[int, Mapping[str, Any]]]] = {}
    for hop in hops:
        for one in hop.findings:
            severity = "intended" if one.get("intended") else str(one["severity"])
            found.setdefault((severity, str(one["id"])), []).append((hop.number, one))
    rank = {"error": 0, "warning": 1, "note": 2, "intended": 3}
    kinds = []
    for place, key in enumerate(sorted(found, key=lambda key: rank.get(key[0], 2))):
        severity, kind = key
        those = found[key]
        kinds.append(
            FindingKind(
                letter=_letter(place),
                id=kind,
                name=FINDINGS.get(kind, kind.replace("_", " ")),
                severity=severity,
                jumps=tuple(number for number, _ in those),
                reasons=tuple(dict.fromkeys(str(f["intended"]) for _, f in those if f["intended"])),
                frames=tuple((float(f["frames"][0]), float(f["frames"][-1])) for _, f in those),
            )
        )
    return kinds


def _letter(place: int) -> str:
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return letters[place] if place < len(letters) else str(place - len(letters) + 1)
