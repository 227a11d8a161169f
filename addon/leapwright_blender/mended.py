# SPDX-License-Identifier: GPL-3.0-or-later
"""Fixes of the jumps of one rig, made in drafts of its curves."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.checked import Checked
from leapwright.curves import MERGE_FRAMES, Curves, remove_keys
from leapwright.errors import HostError, InputError
from leapwright.repair import Repair, repair_map, repairs_of
from leapwright.thresholds import THRESHOLDS
from leapwright.timemap import TimeMap
from leapwright_blender.carriers import carrier_frames, contact_moved, flyer_of, new_moments
from leapwright_blender.cog import Source
from leapwright_blender.contactkeys import whole_keys, with_contact_keys
from leapwright_blender.draft import Draft, Played, fresh_keys, warped
from leapwright_blender.ground import Ground, ground_of
from leapwright_blender.laidarc import lay_arcs, runs_of
from leapwright_blender.rehearsal import rehearsal
from leapwright_blender.replant import (
    feet_of_rig,
    hold_controls,
    plants_of,
    stands_of,
    with_plants,
)
from leapwright_blender.rig import Controls
from leapwright_blender.steps import Steps, part

__all__ = ["Mender", "Wants", "fixes_words"]

Floats = NDArray[np.float64]
Wants = dict[int, dict[str, tuple[str, ...]]]


@dataclass(frozen=True, slots=True, eq=False)
class Mender:
    """Fixes the jumps of one rig in drafts.

    Attributes
    ----------
    checked : function
        Checks what is played just now.
    """

    obj: Any
    scene: Any
    controls: Controls
    source: Source
    within: float
    checked: Callable[[], Steps[Checked]]
    push: float = 1.0

    def mend(self, draft: Draft, now: Checked, wants: Wants, *, carry_feet: bool) -> Steps[Draft]:
        """Fix some jumps, in steps.

        Parameters
        ----------
        now : Checked
            Of the draft.
        wants : mapping of jump to fixes
        carry_feet : bool
            Take feet that are steered along where the air is laid anew.

        Raises
        ------
        LeapwrightError
            Why it cannot be.
        """
        ground = ground_of(self.scene)
        made, now = yield from part(self._moved(draft, now, wants), 0.0, 0.3)
        kinds = {number: _kinds_of(own) for number, own in wants.items()}
        fixes = [kinds.get(jump.number, frozenset()) for jump in now.jumps]
        self._refuse_stepped(now, kinds)
        assert now.track is not None
        repairs = repairs_of(
            now.jumps, now.track, fixes, carrier_frames(made, self.controls), push=self.push
        )
        self._refuse_hopeless(repairs)
        time_map = repair_map(repairs, self._others(made, now, repairs))
        made = self._keyed(made, repairs, moving=not time_map.is_identity)
        made = warped(made, time_map, repairs)
        made = yield from part(
            self._laid(made, now, repairs, time_map, ground, carry_feet=carry_feet), 0.3, 1.0
        )
        there = {repair.jump.number: repair.after for repair in repairs}
        return replace(
            made,
            moments={**made.moments, **there},
            told={**made.told, **_texts(repairs, wants)},
        )

    # --- Keys in time ---------------------------------------------------------------------------

    def _moved(self, draft: Draft, now: Checked, wants: Wants) -> Steps[tuple[Draft, Checked]]:
        """Keys between frames and contact keys that are elsewhere; checked again after it."""
        spans = [
            (jump.moments.crouch - jump.frames.crouch_hold - 1, jump.moments.low + 1)
            for jump in now.jumps
            if "move_keys" in wants.get(jump.number, {})
        ]
        made = draft
        told = dict(draft.told)
        if spans:
            whole, frames, clashes = whole_keys(made.cast, made.curves, made.frames, spans)
            made = replace(made, curves=whole, frames=frames, words=(*made.words, *clashes))
            for number, own in wants.items():
                if "move_keys" in own:
                    told[number, "move_keys"] = "keys between frames went to the nearest whole one"
        for jump in now.jumps:
            if "move_contact" not in wants.get(jump.number, {}):
                continue
            made, text = contact_moved(made, self.controls, jump)
            told[jump.number, "move_contact"] = text
        made = replace(made, told=told)
        if made.curves is draft.curves:
            return made, now
        with rehearsal(made.played):
            checked = yield from self.checked()
        if len(checked.jumps) != len(now.jumps):
            raise InputError("other jumps would be found once its keys are on whole frames")
        return made, checked

    def _others(self, made: Draft, now: Checked, repairs: Sequence[Repair]) -> list[float]:
        """Frames that stay: moments of the other jumps, and the keys beside those that are
        fixed."""
        fixed = {repair.jump.number for repair in repairs}
        stay: list[float] = []
        for jump in now.jumps:
            if jump.number not in fixed:
                stay += [float(np.rint(jump.moments.takeoff)), float(np.rint(jump.moments.land))]
        keyed = carrier_frames(made, self.controls)
        for run in runs_of(repairs):
            earlier = keyed[keyed < run[0].before["crouch"] - MERGE_FRAMES]
            later = keyed[keyed > run[-1].before["low"] + MERGE_FRAMES]
            stay += earlier[-1:].tolist() + later[:1].tolist()
        return sorted(set(stay))

    def _keyed(self, made: Draft, repairs: Sequence[Repair], *, moving: bool) -> Draft:
        """Keys where feet leave and land, of no shape of their own."""
        curves = made.curves
        for repair in repairs:
            if "add_contact_keys" in repair.fixes or (moving and repair.lays):
                at = [repair.before["takeoff"], repair.before["land"]]
                curves = with_contact_keys(made.cast, curves, self.controls, at)
        return replace(made, curves=curves)

    # --- The way of the COG, and the feet -------------------------------------------------------

    def _laid(
        self,
        made: Draft,
        now: Checked,
        repairs: Sequence[Repair],
        time_map: TimeMap,
        ground: Ground,
        *,
        carry_feet: bool,
    ) -> Steps[Draft]:
        laying = [repair for repair in repairs if repair.lays]
        planting = [repair for repair in repairs if "plant_feet" in repair.fixes]
        if not laying and not planting:
            return made
        feet, treads = feet_of_rig(self.obj, self.controls)
        played = made.played
        if planting:
            spans = [_span(repair) for repair in planting]
            stands = [
                (foot, stand)
                for foot in feet
                if foot.control is not None
                for stand in stands_of(foot, now, time_map, spans, whole=True)
            ]
            played = hold_controls(
                self.obj, self.scene, ground, treads, stands, played, _floors(now),
                within=self.within / 2,
            )  # fmt: skip
        spans = [_span(repair) for repair in repairs if repair.lays or repair in planting]
        stands = [
            (foot, stand)
            for foot in feet
            if foot.leg is not None and _leg_is_keyed(played[0][1], foot.leg)
            for stand in stands_of(foot, now, time_map, _joined(spans), whole=False)
        ]
        fresh = fresh_keys(made.cast.parts[0].curves, made.own(0), played[0][1])
        plants = plants_of(
            self.obj, self.scene, ground, treads, stands, played, remove_keys(played[0][1], fresh)
        )
        moments = sorted({f for r in repairs for f in r.after.values()})
        short: dict[str, None] = {}

        def replant(now: Played) -> Steps[Played]:
            own = fresh_keys(made.cast.parts[0].curves, made.own(0), now[0][1])
            stood, said = yield from with_plants(
                self.obj, self.scene, ground, now, plants, own, moments=moments, within=self.within
            )
            short.clear()
            short.update(dict.fromkeys(said))
            return stood

        if laying:
            laid = yield from lay_arcs(
                self.obj, self.scene, ground, self.source, self.controls.cog,
                flyer_of(made, self.controls, laying), played, laying,
                fresh=new_moments(made, self.controls, laying),
                within=self.within,
                uneven=self._uneven(now),
                feet=tuple(self.controls.feet) if carry_feet else (),
                replant=replant,
            )  # fmt: skip
            curves = laid.curves
        else:
            curves = [c for _, c in (yield from replant(played))]
        return replace(made, curves=curves, words=(*made.words, *short))

    def _uneven(self, now: Checked) -> float:
        size = min((jump.size for jump in now.jumps), default=1.0)
        return THRESHOLDS["travel_uneven_least"].value * size

    def _refuse_stepped(self, now: Checked, kinds: Mapping[int, frozenset[str]]) -> None:
        ways = {"lay_arc", "retime_push", "meet_push", "even_travel", "move_contact", "plant_feet"}
        if now.track is not None and now.track.stepped and any(k & ways for k in kinds.values()):
            raise HostError(
                f"{self.obj.name!r} holds its poses: there is no way between them to fix; make "
                "splines first"
            )

    def _refuse_hopeless(self, repairs: Sequence[Repair]) -> None:
        for repair in repairs:
            if "air" in repair.lays and any("not above" in word for word in repair.words):
                raise InputError(
                    f"jump {repair.jump.number}: the posed apex is not above take-off and land, so "
                    "no arc goes through them"
                )


def _kinds_of(own: Mapping[str, tuple[str, ...]]) -> frozenset[str]:
    """The fixes of a jump; a speed step alone needs no other frames."""
    step = set(own.get("retime_push", ())) == {"speed_step"}
    return frozenset("meet_push" if k == "retime_push" and step else k for k in own)


def fixes_words(draft: Draft, number: int, kind: str) -> str:
    """What a fix of a jump did, in one sentence."""
    return draft.told.get((number, kind), "done")


def _texts(repairs: Sequence[Repair], wants: Wants) -> dict[tuple[int, str], str]:
    told: dict[tuple[int, str], str] = {}
    for repair in repairs:
        number, after = repair.jump.number, repair.after
        said = "; ".join(repair.words)
        texts = {
            "add_contact_keys": (
                f"keys where the feet leave and land, on frames {after['takeoff']:g} and "
                f"{after['land']:g}"
            ),
            "lay_arc": (
                f"the COG goes on one arc from frame {after['takeoff']:g} to {after['land']:g}, "
                "push and absorb meet its speed"
            ),
            "retime_push": (
                f"the push goes from frame {after['crouch']:g} to {after['takeoff']:g} and meets "
                "the speed of the air"
            ),
            "even_travel": "one travel speed in the air",
            "plant_feet": "feet stay where they were first posed on the floor",
        }
        for kind, text in texts.items():
            if kind in wants.get(number, {}):
                adds = said and kind == _teller(repair)
                told[number, kind] = f"{text}; {said}" if adds else text
    return told


def _teller(repair: Repair) -> str:
    """The fix that tells what was decided."""
    if "meet_push" in repair.fixes:
        return "retime_push"
    order = ("retime_push", "lay_arc", "move_contact", "even_travel", "add_contact_keys")
    return next((kind for kind in order if kind in repair.fixes), "")


# --- Feet ---------------------------------------------------------------------------------------


def _span(repair: Repair) -> tuple[float, float]:
    return repair.after["crouch"], repair.after["low"]


def _joined(spans: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Spans that meet, as one."""
    joined_spans: list[tuple[float, float]] = []
    for first, last in sorted(spans):
        if joined_spans and first <= joined_spans[-1][1] + MERGE_FRAMES:
            joined_spans[-1] = (joined_spans[-1][0], max(last, joined_spans[-1][1]))
        else:
            joined_spans.append((first, last))
    return joined_spans


def _leg_is_keyed(curves: Curves, leg: Any) -> bool:
    """Legs that were never keyed are not keyed now."""
    names = {name for name in (*leg.chain, leg.after) if name}
    found = {
        name
        for name in names
        for c in curves.channels
        if c.data_path.startswith(f'pose.bones["{name}"].rotation')
    }
    return found == names


def _floors(now: Checked) -> Floats | None:
    """Height of the floor under each sole, m: where it rests."""
    if now.feet is None or now.feet.above is None or now.track is None or now.track.soles is None:
        return None
    rows = now.track.known()
    return np.asarray(np.median(now.track.soles[:, rows, 2] - now.feet.above, axis=1))
