# SPDX-License-Identifier: GPL-3.0-or-later
"""The keys of a jump for everything that belongs to a character, rehearsed before they are written.

Rides become keys, the rehearsed keys show what turns and which legs bend, and keys are added for
that. Nothing in the file is changed here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import Channel, Curves, concat, remove_keys, select
from leapwright.errors import ClashError, HostError, KeysInTheWayError
from leapwright.fingerprint import changed_keys
from leapwright.naming import is_never, some
from leapwright_blender import host
from leapwright_blender.account import Keyed, account
from leapwright_blender.carry import rides
from leapwright_blender.character import Holder, holders
from leapwright_blender.closed import refuse_channels
from leapwright_blender.cog import Source
from leapwright_blender.contact import Contact
from leapwright_blender.correct import HELD, ROOM, Measure, corrected, settled
from leapwright_blender.course import Course
from leapwright_blender.footing import footing, sliding, too_short
from leapwright_blender.ground import Ground
from leapwright_blender.planted import LegKeys
from leapwright_blender.poses import Body, cog_in_steps
from leapwright_blender.read import Reading, read_curves
from leapwright_blender.rehearsal import Rehearsal, rehearsal
from leapwright_blender.ride import Ride
from leapwright_blender.rig import Controls
from leapwright_blender.schedule import Schedule
from leapwright_blender.space import Control, held_axes, label
from leapwright_blender.steps import Step, Steps, creeping, part
from leapwright_blender.store import Remembered
from leapwright_blender.whole_pose import whole_pose

__all__ = ["Arranger", "Layout", "Sheet", "lay_out"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

Arranger = Callable[[Holder, Reading, Sequence[Ride], Bools], Schedule]
"""Lays the rides of one data-block into its curves; the last argument are its superseded keys."""

COG_SHARE = 0.2
"""The COG control is held five times as near as the soles: it is what the arc is judged by. A COG
measured over the whole body is held as near as they are: its limbs sway on every frame."""

TRIES = 4
"""At most so many times a key is moved for a COG that does not quite follow it."""

TURNS = 5
"""At most so many times legs are planted anew after the body was moved for their mass."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """What is written on one data-block: whole channels, and what they were."""

    holder: Holder
    curves: Curves
    old: Curves
    went: Floats


@dataclass(frozen=True, slots=True)
class Layout:
    """All keys of a jump, ready to be written.

    Attributes
    ----------
    sheets : tuple of Sheet
    keyed : tuple of Keyed
    carrying : tuple of Channel
        Channels that carry the path.
    props : tuple of str
        What goes along with the rig, in words.
    sole_miss_m : float or None
        How far the soles of FK legs are off their places between keys; None without FK legs.
    warnings : tuple of str
    stood : dict of moment to ndarray, shape (3,)
        Of a draft: where the COG is in the poses, m.
    """

    sheets: tuple[Sheet, ...]
    keyed: tuple[Keyed, ...]
    carrying: tuple[Channel, ...]
    props: tuple[str, ...]
    sole_miss_m: float | None
    warnings: tuple[str, ...]
    stood: dict[str, Floats]


@dataclass(frozen=True, slots=True)
class _Page:
    """One data-block as it is: its keys, and which of them belong to a jump that is superseded."""

    holder: Holder
    reading: Reading
    superseded: Bools
    edited: tuple[tuple[str, float], ...]
    blocked_before: bool


def lay_out(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    course: Course,
    body: Body,
    arranger: Arranger,
    *,
    air: str,
    contacts: Mapping[str, Contact],
    lifts: Mapping[str, float],
    stepped: bool,
    within: float,
    props: bool = True,
    legs: bool = True,
    key: str | None = None,
    superseded: Sequence[tuple[Remembered, float]] = (),
    unasked: bool = True,
    source: Source | None = None,
    draft: bool = False,
) -> Steps[Layout]:
    """Work out every key of a jump, in steps.

    Parameters
    ----------
    arranger : callable
        Lays rides into the curves of one data-block.
    contacts : mapping of foot name to Contact
    within : float
        How far soles may be off their places between keys, m.
    lifts : mapping of foot name to float
        How much higher than the lowest foot each one lands, m.
    props : bool
        Whether props go along.
    legs : bool
        Whether FK legs get keys that hold their planted feet.
    key : {"touched", "selected", "all"}, optional
        What is keyed at every moment beside what the jump needs.
    superseded : sequence of (Remembered, frame)
        Jumps that this one stands for, with the frame after which.
    unasked : bool
        Whether their keys, as far as nobody edited them, give way without asking.
    source : Source, optional
        What the COG is measured with; None is the COG control. Any other is held `within` its
        course too.
    draft : bool
        Only to see where the COG is in the poses once their legs are planted; it is held nowhere.

    Raises
    ------
    KeysInTheWayError, ClashError, HostError
        Nothing can be written; nothing was.
    """
    rode = rides(course, body.stands, body.home, controls, air=air, contacts=contacts, lifts=lifts)
    _refuse_held([r.control for r in rode], controls.never)
    pages = _pages(obj, rode, superseded, props=props, unasked=unasked)

    def arranged(now: Sequence[Ride]) -> list[Schedule]:
        return [
            arranger(
                page.holder,
                page.reading,
                [r for r in now if _is_on(r.control.object, page.holder)],
                page.superseded,
            )
            for page in pages
        ]

    schedules = arranged(rode)
    _refuse_in_the_way(pages, schedules)
    for page, schedule in zip(pages, schedules, strict=True):
        if schedule.curves.channels:
            host.refuse_if_not_editable(page.holder.block, will_copy=True)
            _refuse_unplayed(page, schedule, _carrying(rode))
    yield Step(0.0, "laying out the keys")
    with rehearsal(_written(pages, schedules)) as stage:
        planted: list[Curves] = []

        def rehearse(now: Sequence[Ride]) -> list[Schedule]:
            again = arranged(now)
            for block, curves in _written(pages, again):
                stage.write(block, curves)
            for curves in planted:
                stage.write(obj, curves)
            return again

        cog = partial(cog_in_steps, obj, scene, ground, controls, source=source)
        correct = partial(
            _corrected, obj, scene, ground, controls, course, body,
            cog=cog, rehearse=rehearse, stepped=stepped, air=air, whole_body=source is not None,
            within=within * (COG_SHARE if source is None else 1.0),
        )  # fmt: skip
        plant = partial(
            footing, obj, scene, ground, controls, course, body,
            contacts=contacts, lifts=lifts, stepped=stepped, within=within,
        )  # fmt: skip
        better = rode if draft else (yield from part(correct(rode), 0.0, 0.4))
        if better is not rode:
            schedules = rehearse(better)
        leg_sheet = (yield from part(plant(), 0.4, 0.6)) if legs else None
        stood = {}
        if draft:
            stood = yield from _stood(obj, stage, leg_sheet, course, body, cog)
        if source is not None and leg_sheet is not None and not draft:
            better, leg_sheet = yield from part(
                _weighed(
                    obj, stage, planted, pages[0], leg_sheet, better,
                    rehearse=rehearse, correct=correct, plant=plant,
                ),
                0.6, 1.0,
            )  # fmt: skip
            schedules = arranged(better)
        slid = (0.0, 0.0)
        if not legs:
            slid = sliding(obj, scene, ground, controls, course, body, contacts=contacts)
    unkeyed: tuple[tuple[str, float], ...] = ()
    sheets = [
        Sheet(page.holder, schedule.curves, schedule.old, schedule.went)
        for page, schedule in zip(pages, schedules, strict=True)
    ]
    if leg_sheet is not None:
        refuse_channels(
            pages[0].reading.locked,
            set(leg_sheet.curves.channels),
            "locked channels would hold the feet",
            "unlock",
        )
        sheets[0] = _overlaid(sheets[0], pages[0].reading.curves, leg_sheet.curves)
    if key is not None:
        sheets[0], unkeyed = _with_whole_pose(
            obj, sheets[0], pages[0], course, controls, key, stepped
        )
    sheets = [sheet for sheet in sheets if sheet.curves.channels]
    carrying = _carrying(rode)
    span = float(course.frames[0]), float(course.frames[-1])
    return Layout(
        sheets=tuple(sheets),
        keyed=tuple(
            told
            for sheet in sheets
            for told in account(
                sheet.old,
                sheet.went,
                sheet.curves,
                span,
                carrying=[c for o, c in carrying if _is_on(o, sheet.holder)],
                whose=_whose(sheet.holder),
            )
        ),
        carrying=tuple(c for _, c in carrying),
        props=tuple(f"{p.holder.label} ({p.holder.why})" for p in pages[1:]),
        sole_miss_m=None if leg_sheet is None else leg_sheet.largest_miss * ground.metres,
        warnings=(
            *_edited_warning(pages),
            *too_short(leg_sheet, ground),
            *_unkeyed(unkeyed),
            *_slid(slid, within),
        ),
        stood=stood,
    )


# --- What is there -----------------------------------------------------------------------------


def _pages(
    obj: Any,
    rode: Sequence[Ride],
    superseded: Sequence[tuple[Remembered, float]],
    *,
    props: bool,
    unasked: bool,
) -> list[_Page]:
    cast = list(holders(obj, props=props))
    there = {holder.name for holder in cast if holder.kind == "objects"}
    steered = dict.fromkeys(r.control.object for r in rode)
    cast += [Holder("objects", n, "a control of the rig") for n in steered if n not in there]
    return [_page(holder, superseded, unasked=unasked) for holder in cast]


def _page(
    holder: Holder, superseded: Sequence[tuple[Remembered, float]], *, unasked: bool
) -> _Page:
    reading = read_curves(holder.block)
    curves = reading.curves
    mask = np.zeros(len(curves.frame), dtype=bool)
    edited: list[tuple[str, float]] = []
    for jump, after in superseded:
        found = changed_keys(jump.written, curves, holder.label)
        mask |= found.ours & (curves.frame > after + 1e-3)
        edited += [pair for pair in (*found.changed, *found.gone) if pair[1] > after + 1e-3]
    return _Page(holder, reading, mask & unasked, tuple(edited), bool(mask.any()))


def _is_on(name: str, holder: Holder) -> bool:
    return holder.kind == "objects" and holder.name == name


def _written(pages: Sequence[_Page], schedules: Sequence[Schedule]) -> list[tuple[Any, Curves]]:
    return [
        (page.holder.block, schedule.curves)
        for page, schedule in zip(pages, schedules, strict=True)
        if schedule.curves.channels
    ]


def _carrying(rode: Sequence[Ride]) -> list[tuple[str, Channel]]:
    return [(r.control.object, channel) for r in rode for channel in r.channels]


# --- What refuses ------------------------------------------------------------------------------


def _refuse_held(controls: Sequence[Control], never: Sequence[str]) -> None:
    for control in controls:
        if is_never(never, label(control), "location"):
            raise ClashError(
                f"the rig file says never to key the location of {label(control)!r}", ("rig_file",)
            )
        held = held_axes(control)
        if held:
            said = ", ".join(f"{axis} ({why})" for axis, why in held.items())
            raise HostError(f"the location of {label(control)!r} cannot be keyed freely: {said}")


def _refuse_unplayed(
    page: _Page, schedule: Schedule, carrying: Sequence[tuple[str, Channel]]
) -> None:
    """Keys that are locked, and keys on the COG's way that would not play as they are written."""
    written = set(schedule.curves.channels)
    refuse_channels(page.reading.locked, written, "locked channels would be written", "unlock")
    ways = {channel for name, channel in carrying if _is_on(name, page.holder)}
    refuse_channels(page.reading.muted, ways, "muted channels carry the COG", "unmute")
    refuse_channels(
        page.reading.modified, ways, "curve modifiers change channels that carry the COG", "remove"
    )
    refuse_channels(page.reading.sampled, ways, "baked channels carry the COG", "un-bake")


def _refuse_in_the_way(pages: Sequence[_Page], schedules: Sequence[Schedule]) -> None:
    keys = [
        (_named(page.holder, channel), frame)
        for page, schedule in zip(pages, schedules, strict=True)
        for channel, frame in schedule.in_the_way
    ]
    if not keys:
        return
    since = {
        (_named(page.holder, channel), frame) for page in pages for channel, frame in page.edited
    }
    edited = [key for key in keys if key in since]
    keys = [*edited, *(key for key in keys if key not in since)]
    said = ""
    if any(page.blocked_before for page in pages):
        since_then = f"{len(edited)} of them edited since" if edited else "none edited since"
        said = f" (a jump was blocked there before, {since_then})"
    raise KeysInTheWayError(
        f"{len(keys)} keys stand where the jump would go{said}: {_few(keys)}; replace them, or "
        "shift later keys back",
        keys,
    )


def _named(holder: Holder, channel: str) -> str:
    return f"{_whose(holder)}{channel}"


def _whose(holder: Holder) -> str:
    """What is put before channels that are not on the rig itself."""
    return "" if holder.why == "the rig itself" else f"{holder.label}: "


def _edited_warning(pages: Sequence[_Page]) -> list[str]:
    keys = [(_named(p.holder, channel), frame) for p in pages for channel, frame in p.edited]
    if not keys:
        return []
    return [f"edited since the last block: {_few(keys)}"]


def _unkeyed(keys: Sequence[tuple[str, float]]) -> list[str]:
    if not keys:
        return []
    return [f"no key inside an easing, which would change its shape: {_few(keys)}"]


def _few(keys: Sequence[tuple[str, float]]) -> str:
    return some([f"{channel} on {frame:g}" for channel, frame in keys])


# --- What is added -----------------------------------------------------------------------------


def _corrected(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    course: Course,
    body: Body,
    rode: list[Ride],
    *,
    cog: Measure,
    rehearse: Callable[[Sequence[Ride]], list[Schedule]],
    stepped: bool,
    within: float,
    air: str,
    whole_body: bool,
    room: float = ROOM,
) -> Steps[list[Ride]]:
    """Rides with what the measured COG misses added: the root's at the apex, where it carries the
    body, then the COG control's anywhere between the poses."""
    posed = set(body.stands)
    knots = set(course.knots)
    steps = [(controls.cog, posed - ({"apex"} if air == "feet" else set()), not stepped)]
    if air == "root" and controls.root is not None:
        steps.insert(0, (controls.root, knots - {"apex"}, False))
    now = list(rode)

    def put(place: int, ride: Ride) -> None:
        now[place] = ride
        rehearse(now)

    for number, (control, stays, every_frame) in enumerate(steps):
        begun, ended = number / len(steps), (number + 1) / len(steps)
        yield Step(begun, HELD)
        at = [i for i, ride in enumerate(now) if ride.control == control]
        if not at:
            continue
        better = partial(
            corrected, obj, scene, ground, course, cog=cog, posed=stays, within=within
        )  # fmt: skip
        if every_frame and whole_body:
            yield from part(
                settled(
                    obj, scene, ground, course, now[at[0]],
                    cog=cog, posed=stays, within=within, rehearse=partial(put, at[0]), room=room,
                ),
                begun, ended,
            )  # fmt: skip
            continue
        # Where planted limbs stay behind, the COG comes near by steps.
        for _ in range(TRIES if whole_body else 1):
            ride = yield from better(now[at[0]], every_frame=every_frame)
            if ride is now[at[0]]:
                break
            put(at[0], ride)
            yield Step(ended, HELD)
    return rode if all(a is b for a, b in zip(now, rode, strict=True)) else now


def _stood(
    obj: Any,
    stage: Rehearsal,
    leg_sheet: LegKeys | None,
    course: Course,
    body: Body,
    cog: Measure,
) -> Steps[dict[str, Floats]]:
    """Where the COG is in the poses on the ground, as they play with planted legs."""
    if leg_sheet is not None:
        stage.write(obj, leg_sheet.curves)
    moments = [m for m in body.stands if m in course.knots and m != "apex"]
    if not moments:
        return {}
    places = yield from cog(np.array([course.frame(m) for m in moments]))
    return dict(zip(moments, places, strict=True))


def _weighed(
    obj: Any,
    stage: Rehearsal,
    planted: list[Curves],
    page: _Page,
    leg_sheet: LegKeys,
    rode: list[Ride],
    *,
    rehearse: Callable[[Sequence[Ride]], list[Schedule]],
    correct: Callable[..., Steps[list[Ride]]],
    plant: Callable[[], Steps[LegKeys | None]],
) -> Steps[tuple[list[Ride], LegKeys]]:
    """Rides and leg keys where the legs that are planted weigh too: the body is moved for what
    they shift, and they are planted anew, until both agree."""
    for turn in range(TURNS):
        begun, ended = creeping(turn), creeping(turn + 1)
        planted[:] = [leg_sheet.curves]
        stage.write(obj, leg_sheet.curves)
        better = yield from part(correct(rode, room=ROOM / 2), begun, (begun + ended) / 2)
        planted.clear()
        if better is rode:
            break
        rode = better
        schedule = rehearse(rode)[0]
        stage.write(obj, _as_before(leg_sheet.curves, [schedule.curves, page.reading.curves]))
        leg_sheet = (yield from part(plant(), (begun + ended) / 2, ended)) or leg_sheet
    return rode, leg_sheet


def _as_before(channels: Curves, layers: Sequence[Curves]) -> Curves:
    """Channels as the first of several layers has them; without keys where none does."""
    parts = []
    for i, name in enumerate(channels.channels):
        layer = next((one for one in layers if name in one.channels), None)
        if layer is not None:
            parts.append(select(layer, [layer.channels.index(name)]))
            continue
        one = select(channels, [i])
        parts.append(remove_keys(one, np.ones(len(one.frame), dtype=bool)))
    return concat(parts)


def _slid(slid: tuple[float, float], within: float) -> list[str]:
    """FK feet that are left to themselves between the poses."""
    metres, frame = slid
    if metres <= within:
        return []
    where = f"{metres * 100:.1f} cm between the poses (frame {frame:g})"
    return [f"planted feet of FK legs slide up to {where}: the option legs adds keys against that"]


def _overlaid(sheet: Sheet, base: Curves, more: Curves) -> Sheet:
    """The sheet with whole channels put over it; those it did not have stood still till now."""
    rest = [i for i, c in enumerate(sheet.curves.channels) if c not in more.channels]
    known = set(sheet.old.channels)
    fresh = [i for i, c in enumerate(base.channels) if c in more.channels and c not in known]
    old = select(base, fresh)
    return Sheet(
        sheet.holder,
        concat([select(sheet.curves, rest), more]),
        concat([sheet.old, old]),
        np.concatenate([sheet.went, old.frame.astype(np.float64)]),
    )


def _with_whole_pose(
    obj: Any,
    sheet: Sheet,
    page: _Page,
    course: Course,
    controls: Controls,
    which: str,
    stepped: bool,
) -> tuple[Sheet, tuple[tuple[str, float], ...]]:
    base = page.reading.curves
    rest = [i for i, c in enumerate(base.channels) if c not in sheet.curves.channels]
    now = concat([sheet.curves, select(base, rest)])
    closed = (*page.reading.driven, *page.reading.locked, *page.reading.sampled)
    whole = whole_pose(
        obj, now, course, which=which, never=controls.never, closed=closed, stepped=stepped
    )
    return _overlaid(sheet, base, whole.curves), whole.without
