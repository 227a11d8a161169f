# SPDX-License-Identifier: GPL-3.0-or-later
"""The verb: fix what is off in the jumps of a rig, as little as it takes, and check again.

Every fix is rehearsed and checked before anything is written. One that does not make its finding go
away, or that makes another, is not written and says so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from itertools import count
from typing import Any

from leapwright.checked import Checked
from leapwright.errors import InputError, LeapwrightError
from leapwright.findings import FINDINGS, Finding, kinds_of
from leapwright.repair import unclear
from leapwright.style import Style
from leapwright.timemap import TimeMap
from leapwright.warp import warp
from leapwright_blender import host, store
from leapwright_blender.cast import Cast, read_cast
from leapwright_blender.check import check
from leapwright_blender.cog import cog_source
from leapwright_blender.draft import Draft
from leapwright_blender.fixed import ChannelKeys, Done, Fixed, keys_of_channels
from leapwright_blender.held import put_back
from leapwright_blender.markers import set_markers
from leapwright_blender.memory import marked
from leapwright_blender.mended import Mender, Wants, fixes_words
from leapwright_blender.recast import (
    Recast,
    joined,
    keys_of,
    open_up,
    refuse_closed,
    sheets,
    with_curves,
)
from leapwright_blender.recollected import recollected
from leapwright_blender.rehearsal import rehearsal
from leapwright_blender.rig import Controls
from leapwright_blender.steps import Step, Steps, creeping, part, run
from leapwright_blender.write import write_all

__all__ = ["fix"]

ORDER = (
    "move_keys", "move_contact", "add_contact_keys", "retime_push", "lay_arc", "even_travel",
    "plant_feet",
)  # fmt: skip
GRAVE = ("warning", "error")


@dataclass(frozen=True, slots=True)
class _Try:
    """One attempt at the jumps of a chain."""

    wants: Wants
    carry_feet: bool = False


def fix(
    obj: Any,
    scene: Any,
    controls: Controls,
    *,
    jump: int | None = None,
    only: Sequence[str] = (),
    cog_from: str | None = None,
    gravity: float | str | None = None,
    ground: str | None = None,
    style: Style | None = None,
    intended: Mapping[str, str] | None = None,
    limits: Mapping[str, float] | None = None,
    twos: bool | None = None,
    within: float = 0.005,
    props: bool = True,
    markers: bool = True,
    dry_run: bool = False,
) -> Steps[Fixed]:
    """Fix the jumps of a rig, in steps. `Rig.fix` is the documented door.

    Parameters
    ----------
    obj : bpy.types.Object
    scene : bpy.types.Scene
    controls : Controls
    jump, only, cog_from, gravity, ground, style, intended, limits, twos, within, props, markers
        As for `Rig.fix`.
    dry_run : bool
        Work everything out and write nothing.
    """
    host.refuse_if_not_editable(obj, will_copy=True)
    if not within > 0:
        raise InputError(f"within must be above 0 m, got {within:g}", "within")
    said: dict[str, Any] = {
        "controls": controls, "gravity": gravity, "ground": ground, "style": style,
        "intended": intended, "limits": limits, "twos": twos,
    }  # fmt: skip
    jumps = store.load(obj)
    named = cog_from or (jumps[-1].cog_from if jumps else None)
    # Read once: the masses of a mesh take longer than all the rest. Of a control it is to be said
    # how far the COG strays from it.
    source = yield from cog_source(obj, scene, named, controls=controls)
    yield Step(0.0, "reading the animation")
    named_source = named if source.name == "control" else source
    before = yield from part(check(obj, scene, cog_from=named_source, **said), 0.0, 0.2)
    said["cog_from"] = source

    def checked() -> Steps[Checked]:
        return replace((yield from check(obj, scene, **said)), warnings=before.warnings)

    wants, unfit = _fit(before, _wanted(before, jump, kinds_of(only)))
    cast = read_cast(obj, props=props)
    mender = Mender(
        obj, scene, controls, source, within, checked,
        push=_push_style(obj, style),
    )  # fmt: skip
    draft, after, done = Draft.of(cast), before, unfit
    chains = list(_chains(before, wants))
    for number, chain in enumerate(chains):
        draft, after, told = yield from part(
            _mended(mender, draft, before, after, chain),
            0.2 + 0.6 * number / len(chains),
            0.2 + 0.6 * (number + 1) / len(chains),
        )
        done += told
    plan = _plan(cast, draft)
    changed = bool(draft.touched)
    opened: list[str] = []
    if changed:
        refuse_closed(plan)
    if changed and not dry_run:
        yield Step(0.8, "writing")
        opened = open_up(plan)
        after = _written(obj, scene, plan, draft, before, after, checked, markers=markers)
    keys = keys_of_channels(
        cast.curves, draft.frames, joined(cast, draft.curves),
        [cast.label(c.label) for c in cast.curves.channels],
    )  # fmt: skip
    return Fixed(
        before=before,
        after=after,
        done=tuple(sorted(done, key=lambda one: one.jump)),
        left=tuple(f for f in after.findings if f.severity in GRAVE),
        keys=keys,
        props=tuple(f"{p.holder.label} ({p.holder.why})" for p in cast.parts[1:]),
        warnings=(*opened, *before.warnings, *draft.words, *_other_values(keys)),
    )


def _other_values(keys: Sequence[ChannelKeys]) -> list[str]:
    """Which keys have another value now: every other one kept its own."""
    return [
        f"{one.channel} has another value on {', '.join(f'{frame:g}' for frame in one.changed)}"
        for one in keys
        if one.changed
    ]


# --- What is asked ------------------------------------------------------------------------------


def _wanted(before: Checked, jump: int | None, only: frozenset[str]) -> Wants:
    """Jump → fix → the findings it is for."""
    numbers = [one.number for one in before.jumps]
    if jump is not None and jump not in numbers:
        listed = f"1 to {len(numbers)}" if numbers else f"of none: {before.reason}"
        raise InputError(f"jump must be {listed}, got {jump}", "jump")
    wants: Wants = {}
    for finding in before.findings:
        if finding.fix is None or finding.intended is not None or finding.severity not in GRAVE:
            continue
        if jump not in (None, finding.jump):
            continue
        if only and finding.id not in only and finding.fix not in only:
            continue
        own = wants.setdefault(finding.jump, {})
        own[finding.fix] = (*own.get(finding.fix, ()), finding.id)
    return wants


def _fit(before: Checked, wants: Wants) -> tuple[Wants, list[Done]]:
    """What can be tried; of a jump that was badly measured only whole frames."""
    left: Wants = {}
    told: list[Done] = []
    reasons = {one.number: unclear(one) for one in before.jumps}
    for number, own in wants.items():
        reason = reasons[number]
        good = {k: f for k, f in own.items() if reason is None or k == "move_keys"}
        if good:
            left[number] = good
        told += [
            Done(number, kind, own[kind], reason, False)
            for kind in ORDER
            if reason is not None and kind in own and kind not in good
        ]
    return left, told


def _push_style(obj: Any, style: Style | None) -> float:
    if style is not None:
        return style.push
    jumps = store.load(obj)
    return Style.from_json(jumps[-1].style).push if jumps and jumps[-1].style else 1.0


def _chains(before: Checked, wants: Wants) -> Iterator[Wants]:
    """Jumps that share a moment are fixed in one pass."""
    chain: Wants = {}
    for one in before.jumps:
        if not one.shares_crouch and chain:
            yield chain
            chain = {}
        if one.number in wants:
            chain[one.number] = wants[one.number]
    if chain:
        yield chain


# --- Trying -------------------------------------------------------------------------------------


def _mended(
    mender: Mender, draft: Draft, before: Checked, now: Checked, chain: Wants
) -> Steps[tuple[Draft, Checked, list[Done]]]:
    """The draft with a chain's fixes, as far as they are good."""
    tries = count()

    def tried(
        draft: Draft, now: Checked, attempt: _Try
    ) -> Steps[tuple[tuple[Draft, Checked] | None, list[str]]]:
        number = next(tries)
        steps = _tried(mender, draft, before, now, attempt)
        return (yield from part(steps, creeping(number), creeping(number + 1)))

    best, problems = yield from tried(draft, now, _Try(chain))
    lays = any({"lay_arc", "move_contact", "even_travel"} & set(own) for own in chain.values())
    if best is None and lays and mender.controls.feet:
        other, _ = yield from tried(draft, now, _Try(chain, carry_feet=True))
        best = other or best
    if best is not None:
        return best[0], best[1], _told(best[0], chain, {})
    # Not all of them together: one kind after the other, as far as each is good.
    reasons: dict[tuple[int, str], str] = {}
    good: Wants = {}
    start, checked = draft, now
    kinds = [kind for kind in ORDER if any(kind in own for own in chain.values())]
    pieces = [(number, kind) for number, own in chain.items() for kind in kinds if kind in own]
    if len(pieces) == 1:
        reasons[pieces[0]] = problems[0]
        return draft, now, _told(draft, chain, reasons)
    for number, own in chain.items():
        more = {**good, number: own}
        found, why = yield from tried(draft, now, _Try(more))
        if found is not None:
            good, (start, checked) = more, found
            continue
        for kind in [kind for kind in ORDER if kind in own]:
            had = good.get(number, {})
            more = {**good, number: {**had, kind: own[kind]}}
            found, why = yield from tried(draft, now, _Try(more))
            if found is None:
                reasons[number, kind] = why[0]
            else:
                good, (start, checked) = more, found
    return start, checked, _told(start, chain, reasons)


def _tried(
    mender: Mender, draft: Draft, before: Checked, now: Checked, attempt: _Try
) -> Steps[tuple[tuple[Draft, Checked] | None, list[str]]]:
    try:
        mending = mender.mend(draft, now, attempt.wants, carry_feet=attempt.carry_feet)
        made = yield from part(mending, 0.0, 0.7)
        with rehearsal(made.played):
            after = yield from part(mender.checked(), 0.7, 1.0)
    except LeapwrightError as error:
        return None, [str(error)]
    problems = _problems(before, after, attempt.wants)
    return (None, problems) if problems else ((made, after), [])


def _problems(before: Checked, after: Checked, wants: Wants) -> list[str]:
    """Why a result is not good enough: what is still there, what is new."""
    if len(after.jumps) != len(before.jumps):
        return [f"{len(after.jumps)} jumps would be found after it, not {len(before.jumps)}"]
    grave = {(f.jump, f.id): f for f in after.findings if f.severity in GRAVE}
    was = {(f.jump, f.id) for f in before.findings if f.severity in GRAVE}
    still = [
        f"{FINDINGS[kind]!r} would still be there: {grave[number, kind].text}"
        for number, own in wants.items()
        for kinds in own.values()
        for kind in kinds
        if (number, kind) in grave
    ]
    new = [
        f"jump {number} would have {FINDINGS[kind]!r} after it: {f.text}"
        for (number, kind), f in grave.items()
        if (number, kind) not in was
    ]
    if all(set(own) == {"add_contact_keys"} for own in wants.values()):
        # Nothing moves otherwise than before: what is seen beside it now was there.
        return still
    return [*new, *still]


def _told(draft: Draft, chain: Wants, reasons: Mapping[tuple[int, str], str]) -> list[Done]:
    told = []
    for number, own in chain.items():
        for kind in ORDER:
            if kind not in own:
                continue
            reason = reasons.get((number, kind))
            text = fixes_words(draft, number, kind) if reason is None else reason
            told.append(Done(number, kind, own[kind], text, reason is None))
    return told


# --- Writing ------------------------------------------------------------------------------------


def _plan(cast: Cast, draft: Draft) -> Recast:
    nothing = warp(cast.curves, TimeMap.identity())
    plan = Recast(cast, cast.curves, nothing.changed, nothing.fixed, nothing)
    return with_curves(plan, joined(cast, draft.curves))


def _written(
    obj: Any,
    scene: Any,
    plan: Recast,
    draft: Draft,
    before: Checked,
    expected: Checked,
    checked: Callable[[], Steps[Checked]],
    *,
    markers: bool,
) -> Checked:
    """Write all or nothing; give the check of what is there then."""
    jumps = store.load(obj)
    kept = recollected(plan.cast, draft, before, jumps)
    moved = list(jumps)
    with ExitStack() as undo, write_all(sheets(plan)):
        put_back(keys_of(plan, ~plan.changed))
        if jumps:
            undo.callback(store.save, obj, jumps)
            moved = kept()
            store.save(obj, moved)
        after = run(checked())
        _refuse_other(expected, after)
        undo.pop_all()
    if markers and moved != list(jumps):
        set_markers(scene, obj.name, [marked(one) for one in moved])
    return after


def _refuse_other(expected: Checked, after: Checked) -> None:
    """What was rehearsed must be what is there."""
    was = {(f.jump, f.id) for f in expected.findings if f.severity in GRAVE}
    new = [f for f in after.findings if f.severity in GRAVE and (f.jump, f.id) not in was]
    if new:
        raise LeapwrightError(f"nothing was written: after it there would be: {_first(new)}")


def _first(findings: Sequence[Finding]) -> str:
    return findings[0].text
