# SPDX-License-Identifier: GPL-3.0-or-later
"""The exposure sheet of a checked clip: what every frame is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.report.shown import Hop, Shown, rows_of

__all__ = ["Exposure", "exposures"]

Floats = NDArray[np.float64]

STILL = 1e-5
"""m that a held pose moves at most from one frame to the next."""
MOST_NAMED = 3
"""Soles on the floor; more are counted."""
WHOLE_CLIP = 400
"""A clip of more frames is listed only about its jumps."""

_PHASES = (
    ("crouch", "takeoff", "push"),
    ("takeoff", "apex", "rise"),
    ("apex", "land", "fall"),
    ("land", "low", "absorb"),
)
_NAMES = {"takeoff": "take-off"}


@dataclass(frozen=True, slots=True)
class Exposure:
    """One frame of the sheet.

    Attributes
    ----------
    frame : float
    moments : str
        Named with the frame where that is between two: ``apex 34.5``. "" for none.
    phase : str
        The one that begins on this frame or goes on; "" outside of jumps.
    jump : int or None
    held : int
        Frames that this pose is shown for: 1 is on ones, 2 on twos. 0: it is only known where
        poses begin, and this is not one.
    drawn : bool
        The pose begins here.
    keyed : str
        ``●``, or the frame of a key beside it; "" for none.
    height : float
        Of the COG, m.
    soles : str
        Those on the floor; ``–`` for none, "" where feet are not known.
    after_gap : bool
        Frames before it are left out.
    """

    frame: float
    moments: str
    phase: str
    jump: int | None
    held: int
    drawn: bool
    keyed: str
    height: float
    soles: str
    after_gap: bool = False

    @property
    def exposed(self) -> str:
        """``on ones``, ``on twos``, ``held 7``."""
        words = {1: "on ones", 2: "on twos"}
        return words.get(self.held, f"held {self.held}")

    @property
    def marks(self) -> str:
        """Classes of its line on the page."""
        phase = f"ph-{self.phase.replace(' ', '-')}" if self.phase else ""
        gap = "gap" if self.after_gap else ""
        return " ".join(filter(None, ("mo" if self.moments else "", phase, gap)))


def exposures(checked: Mapping[str, Any]) -> list[Exposure]:
    """The sheet of a checked clip.

    Parameters
    ----------
    checked : mapping
        `leapwright.checked.Checked.to_json` with ``track=True``.

    Returns
    -------
    list of Exposure
        A line a frame; of a long clip those about its jumps.

    Raises
    ------
    InputError
        There is no track in it.
    """
    shown = Shown.of(checked)
    track = checked["track"]
    starts = _starts(shown.frames, track)
    held = np.diff(np.append(np.flatnonzero(starts), len(starts)))
    held = np.repeat(held, held)
    keys = track.get("keys")
    rows = [(float(shown.frames[0]), float(shown.frames[-1]))]
    if rows[0][1] - rows[0][0] > WHOLE_CLIP:
        rows = rows_of(shown)
    lines: list[Exposure] = []
    for first, last in rows:
        inside = np.flatnonzero((shown.frames >= first) & (shown.frames <= last))
        if lines and len(inside) and shown.frames[inside[0]] <= lines[-1].frame:
            inside = inside[1:]
        for place, i in enumerate(inside.tolist()):
            frame = float(shown.frames[i])
            jump, phase = _phase(shown.hops, frame)
            gap = place == 0 and bool(lines) and frame - lines[-1].frame > 1.5
            lines.append(
                Exposure(
                    frame=frame,
                    moments=_moments(shown.hops, frame),
                    phase=phase,
                    jump=jump,
                    held=int(held[i]),
                    drawn=bool(starts[i]),
                    keyed=_keyed(keys or (), frame),
                    height=float(shown.heights[i]),
                    soles=_soles(shown, i),
                    after_gap=gap,
                )
            )
    return lines


def _starts(frames: Floats, track: Mapping[str, Any]) -> NDArray[np.bool_]:
    """Where a pose begins: on the keys of held poses, else where the COG moves."""
    keys = track.get("keys")
    starts = np.zeros(len(frames), dtype=bool)
    if track.get("stepped") and keys:
        rows = np.searchsorted(frames, np.asarray(keys) - 1e-6)
        starts[rows[rows < len(frames)]] = True
    else:
        place = np.array([track["height_m"], track.get("along_m") or track["height_m"]])
        starts[1:] = np.any(np.abs(np.diff(place, axis=1)) > STILL, axis=0)
        # A frame that moves on into a still one is drawn; so is the first of the clip.
    starts[0] = True
    return starts


def _moments(hops: tuple[Hop, ...], frame: float) -> str:
    """The moments nearest to this frame; halves go to the earlier."""
    said = []
    for hop in hops:
        for name, at in hop.moments.items():
            if frame - 0.5 < at <= frame + 0.5:
                exact = f"{at:.1f}".removesuffix(".0")
                whole = exact == f"{frame:.1f}".removesuffix(".0")
                word = _NAMES.get(name, name)
                said.append(word if whole else f"{word} {exact}")
    return ", ".join(dict.fromkeys(said))


def _phase(hops: tuple[Hop, ...], frame: float) -> tuple[int | None, str]:
    for hop in hops:
        m = hop.moments
        if "crouch" in m and hop.begins - 1e-6 <= frame < m["crouch"] - 1e-6:
            return hop.number, "crouch hold"
        for first, last, phase in _PHASES:
            if first in m and last in m and m[first] - 1e-6 <= frame < m[last] - 1e-6:
                return hop.number, phase
    return None, ""


def _keyed(keys: Sequence[float], frame: float) -> str:
    near = [key for key in keys if frame - 0.5 < key <= frame + 0.5]
    return ", ".join("●" if abs(key - frame) < 0.01 else f"{key:.2f}" for key in near)


def _soles(shown: Shown, row: int) -> str:
    if not shown.contacts:
        return ""
    on = [name for name, contact in shown.contacts.items() if contact[row]]
    if len(on) == len(shown.contacts):
        return "all"
    return ", ".join(on) or "–" if len(on) <= MOST_NAMED else f"{len(on)} of {len(shown.contacts)}"
