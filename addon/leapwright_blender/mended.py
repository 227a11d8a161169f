# SPDX-License-Identifier: GPL-3.0-or-later
"""A character's curves while its jumps are fixed: nothing is written, every step gives new ones."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.checked import Checked
from leapwright.curves import MERGE_FRAMES, Curves, channel, move_keys, remove_keys
from leapwright.errors import HostError, InputError, NotFoundError
from leapwright.repair import Repair, repair_map, repairs_of
from leapwright.thresholds import THRESHOLDS
from leapwright.timemap import TimeMap
from leapwright.warp import warp
from leapwright_blender.aligned import unturned
from leapwright_blender.cast import Cast
from leapwright_blender.cog import Source
from leapwright_blender.contactkeys import body_channels, whole_keys, with_contact_keys
from leapwright_blender.ground import Ground, ground_of
from leapwright_blender.laidarc import lay_arcs, runs_of
from leapwright_blender.recast import joined
from leapwright_blender.rehearsal import rehearsal
from leapwright_blender.relaid import is_on, keyed_axes
from leapwright_blender.replant import (
    feet_of_rig,
    hold_controls,
    plants_of,
    stands_of,
    with_plants,
)
from leapwright_blender.rig import Controls
from leapwright_blender.space import Control, label

__all__ = ["Draft", "Mender", "Wants", "fixes_words"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Wants = dict[int, dict[str, tuple[str, ...]]]
Played = list[tuple[Any, Curves]]


@dataclass(frozen=True, slots=True, eq=False)
class Draft:
    """Curves of a character as they are to be.

    Attributes
    ----------
    cast : Cast
        As it is in the file.
    curves : list of Curves
        For each part.
    frames : ndarray, shape (K,)
        Frame that each key of the file is on now.
    moved : dict of float to float
        Frames of moments that went elsewhere: before and after.
    moments : dict of jump to dict of moment to frame
        Where the moments of fixed jumps are.
    told : dict of (jump, fix) to str
    words : tuple of str
        Warnings.
    """

    cast: Cast
    curves: list[Curves]
    frames: Floats
    moved: Mapping[float, float] = field(default_factory=dict)
    moments: Mapping[int, Mapping[str, float]] = field(default_factory=dict)
    told: Mapping[tuple[int, str], str] = field(default_factory=dict)
    words: tuple[str, ...] = ()

    @classmethod
    def of(cls, cast: Cast) -> Draft:
        """The file itself."""
        return cls(cast, [part.curves for part in cast.parts], cast.curves.frame.astype(np.float64))

    @property
    def played(self) -> Played:
        """Each data-block with its channels as they are to be."""
        return [(p.holder.block, c) for p, c in zip(self.cast.parts, self.curves, strict=True)]

    @property
    def touched(self) -> bool:
        """Whether anything differs from the file."""
        return any(
            now is not part.curves for part, now in zip(self.cast.parts, self.curves, strict=True)
        )

    def own(self, number: int) -> Floats:
        """Frame that each key of one part, as it is in the file, is on now."""
        part = self.cast.parts[number]
        starts = self.cast.curves.starts
        return self.frames[starts[part.channels.start] : starts[part.channels.stop]]


def _fresh(before: Curves, went: Floats, now: Curves) -> Bools:
    fresh = np.ones(len(now.frame), dtype=bool)
    for i, name in enumerate(before.channels):
        there = went[before.starts[i] : before.starts[i + 1]]
        j = now.channels.index(name)
        own = slice(now.starts[j], now.starts[j + 1])
        frames = now.frame[own].astype(np.float64)
        away = np.abs(frames[:, None] - there[None, :]).min(axis=1, initial=np.inf)
        fresh[own] = away > MERGE_FRAMES
    return fresh


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
    checked: Callable[[], Checked]
    push: float = 1.0

    def mend(self, draft: Draft, now: Checked, wants: Wants, *, carry_feet: bool) -> Draft:
        """Fix some jumps.

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
        made, now = self._moved(draft, now, wants)
        kinds = {number: _kinds_of(own) for number, own in wants.items()}
        fixes = [kinds.get(jump.number, frozenset()) for jump in now.jumps]
        self._refuse_stepped(now, kinds)
        assert now.track is not None
        repairs = repairs_of(
            now.jumps, now.track, fixes, _carrier_frames(made, self.controls), push=self.push
        )
        self._refuse_hopeless(repairs)
        time_map = repair_map(repairs, self._others(made, now, repairs))
        made = self._keyed(made, repairs, moving=not time_map.is_identity)
        made = _warped(made, time_map, repairs)
        made = self._laid(made, now, repairs, time_map, ground, carry_feet=carry_feet)
        there = {repair.jump.number: repair.after for repair in repairs}
        return replace(
            made,
            moments={**made.moments, **there},
            told={**made.told, **_texts(repairs, wants)},
        )

    # --- Keys in time ---------------------------------------------------------------------------

    def _moved(self, draft: Draft, now: Checked, wants: Wants) -> tuple[Draft, Checked]:
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
            made, text = _contact_moved(made, self.controls, jump)
            told[jump.number, "move_contact"] = text
        made = replace(made, told=told)
        if made.curves is draft.curves:
            return made, now
        with rehearsal(made.played):
            checked = self.checked()
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
        keyed = _carrier_frames(made, self.controls)
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
    ) -> Draft:
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
        fresh = _fresh(made.cast.parts[0].curves, made.own(0), played[0][1])
        plants = plants_of(
            self.obj, self.scene, ground, treads, stands, played, remove_keys(played[0][1], fresh)
        )
        moments = sorted({f for r in repairs for f in r.after.values()})
        short: dict[str, None] = {}

        def replant(now: Played) -> Played:
            own = _fresh(made.cast.parts[0].curves, made.own(0), now[0][1])
            stood, said = with_plants(
                self.obj, self.scene, ground, now, plants, own, moments=moments, within=self.within
            )
            short.clear()
            short.update(dict.fromkeys(said))
            return stood

        if laying:
            laid = lay_arcs(
                self.obj, self.scene, ground, self.source, self.controls.cog,
                _flyer(made, self.controls, laying), played, laying,
                fresh=_new_moments(made, self.controls, laying),
                within=self.within,
                uneven=self._uneven(now),
                feet=tuple(self.controls.feet) if carry_feet else (),
                replant=replant,
            )  # fmt: skip
            curves = laid.curves
        else:
            curves = [c for _, c in replant(played)]
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


# --- Curves -------------------------------------------------------------------------------------


def _carriers(controls: Controls) -> list[Control]:
    return list(dict.fromkeys([controls.cog, *([controls.root] if controls.root else [])]))


def _axes(made: Draft, control: Control) -> list[Curves]:
    return [
        channel(curves, i)
        for block, curves in made.played
        if is_on(control, block)
        for i in keyed_axes(curves, control).values()
    ]


def _carrier_frames(made: Draft, controls: Controls) -> Floats:
    """Frames on which what carries the COG has keys."""
    found = [one.frame.astype(np.float64) for c in _carriers(controls) for one in _axes(made, c)]
    if not found:
        raise NotFoundError(f"the location of {label(controls.cog)!r} has no keys: nothing to fix")
    return np.unique(np.concatenate(found))


def _flyer(made: Draft, controls: Controls, repairs: Sequence[Repair]) -> Control:
    """What carries the body through the air: the root where its location moves there."""
    root = controls.root
    if root is None or root == controls.cog:
        return controls.cog
    for one in _axes(made, root):
        for repair in repairs:
            first, last = repair.after["takeoff"], repair.after["land"]
            inside = (one.frame >= first - 1e-3) & (one.frame <= last + 1e-3)
            if np.any(inside) and float(np.ptp(one.value[inside])) > 1e-6:
                return root
    return controls.cog


def _new_moments(made: Draft, controls: Controls, repairs: Sequence[Repair]) -> frozenset[float]:
    """Take-offs and lands whose place nobody posed."""
    keyed: list[Floats] = []
    for number, part in enumerate(made.cast.parts):
        went = made.own(number)
        for control in _carriers(controls):
            if is_on(control, part.holder.block):
                keyed += [
                    went[part.curves.starts[i] : part.curves.starts[i + 1]]
                    for i in keyed_axes(part.curves, control).values()
                ]
    frames = np.concatenate([*keyed, np.zeros(0)])
    ends = {repair.after[m] for repair in repairs for m in ("takeoff", "land")}
    return frozenset(f for f in ends if np.abs(frames - f).min(initial=np.inf) > MERGE_FRAMES)


def _warped(made: Draft, time_map: TimeMap, repairs: Sequence[Repair]) -> Draft:
    """Everything through the map of time at once; poses keep their values."""
    if time_map.is_identity:
        return made
    moments = {r.before[m]: r.after[m] for r in repairs for m in r.before}
    every = joined(made.cast, made.curves)
    warped = unturned(warp(every, time_map, moments=moments))
    if warped.merged:
        first = warped.merged[0]
        raise InputError(
            f"keys on frames {first.kept:g} and {first.away:g} of "
            f"{made.cast.label(first.channel)} would come onto one frame"
        )
    if len(warped.curves.frame) != len(every.frame):
        raise InputError("time would bend inside a segment that cannot be split")
    frames = _followed(made, every, warped.curves)
    moved = {a: b for a, b in moments.items() if a != b}
    return replace(
        made,
        curves=made.cast.split(warped.curves),
        frames=frames,
        moved={**made.moved, **moved},
    )


def _followed(made: Draft, before: Curves, after: Curves) -> Floats:
    """Where the file's keys are, once the keys of `before` are those of `after`, one by one."""
    frames = made.frames.copy()
    for i in range(len(before.channels)):
        own = slice(before.starts[i], before.starts[i + 1])
        file = slice(made.cast.curves.starts[i], made.cast.curves.starts[i + 1])
        was = before.frame[own].astype(np.float64)
        if not was.size or file.start == file.stop:
            continue
        at = np.abs(was[None, :] - frames[file][:, None]).argmin(axis=1)
        frames[file] = after.frame[own].astype(np.float64)[at]
    return frames


def _contact_moved(made: Draft, controls: Controls, jump: Any) -> tuple[Draft, str]:
    """The body's key of take-off, moved to where the feet leave."""
    contact = jump.takeoffs.contact
    if contact is None:
        return made, "the take-off stays: no feet are known"
    keyed = _carrier_frames(made, controls)
    inside = keyed[(keyed > jump.moments.crouch + 0.5) & (keyed < contact - MERGE_FRAMES)]
    there = np.abs(keyed - contact).min() <= MERGE_FRAMES
    if not inside.size or there:
        return made, f"the body is fastest where the feet leave, on frame {contact:g}"
    key = float(inside[np.argmin(np.abs(inside - jump.takeoffs.fastest))])
    mine = ~body_channels(made.cast, controls, feet=True)
    every = joined(made.cast, made.curves)
    home = every.channel_of_key()
    frame = every.frame.astype(np.float64)
    chosen = mine[home] & (np.abs(frame - key) < MERGE_FRAMES)
    blocked = mine[home] & (frame > key + MERGE_FRAMES) & (frame <= contact + MERGE_FRAMES)
    chosen &= ~np.isin(home, home[blocked])
    moved = move_keys(every, chosen, contact)
    frames = _followed(made, every, moved)
    text = f"the take-off key goes from frame {key:g} to {contact:g}, where the feet leave"
    return replace(
        made,
        curves=made.cast.split(moved),
        frames=frames,
        moved={**made.moved, key: contact},
    ), text


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
