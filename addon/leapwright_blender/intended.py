# SPDX-License-Identifier: GPL-3.0-or-later
"""Findings that are meant: kept with the shot, each with its reason."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from leapwright.errors import InputError, NotFoundError
from leapwright.findings import mark_intended as as_notes
from leapwright_blender import store
from leapwright_blender.check import check, link
from leapwright_blender.steps import Steps
from leapwright_blender.store import Remembered

__all__ = ["mark_intended", "unmark_intended"]


def mark_intended(obj: Any, scene: Any, finding: str, reason: str) -> Steps[None]:
    """Keep that a finding is meant, in steps: with the jump that was blocked, else with the rig.

    Parameters
    ----------
    obj : bpy.types.Object
    scene : bpy.types.Scene
    finding : str
        ``falls_faster``, or ``falls_faster@2`` for the second jump alone.
    reason : str

    Raises
    ------
    InputError
        The finding is unknown, or there is no reason.
    NotFoundError
        There is no such jump.
    HostError
        The rig cannot remember.
    """
    as_notes((), {finding: reason})
    if not reason.strip():
        raise InputError("reason must say why it is meant, got nothing", "reason")
    kind, _, number = finding.partition("@")
    jumps = list(store.load(obj))
    which = (yield from _remembered(obj, scene, int(number), jumps)) if number else None
    if which is None:
        store.save_intended(obj, {**store.load_intended(obj), finding: reason})
        return
    meant = {**store.intended_of(jumps[which]), kind: reason}
    jumps[which] = _with(jumps[which], meant)
    store.save(obj, jumps)


def unmark_intended(obj: Any, scene: Any, finding: str) -> Steps[None]:
    """Forget that a finding is meant, in steps.

    Parameters
    ----------
    obj : bpy.types.Object
    scene : bpy.types.Scene
    finding : str
        As it was marked.

    Raises
    ------
    NotFoundError
        It is not marked.
    """
    kind, _, number = finding.partition("@")
    general = store.load_intended(obj)
    if finding in general:
        del general[finding]
        store.save_intended(obj, general)
        return
    jumps = list(store.load(obj))
    which = None
    if number.isdecimal():
        which = yield from _remembered(obj, scene, int(number), jumps)
    meant = {} if which is None else store.intended_of(jumps[which])
    if which is None or kind not in meant:
        marked = [
            *general,
            *(f"{k} (jump {i})" for i, j in enumerate(jumps, 1) for k in store.intended_of(j)),
        ]
        raise NotFoundError(
            f"{finding!r} is not marked as intended; marked: {', '.join(marked) or 'nothing'}"
        )
    del meant[kind]
    jumps[which] = _with(jumps[which], meant)
    store.save(obj, jumps)


def _with(jump: Remembered, meant: Mapping[str, str]) -> Remembered:
    entries = [{"finding": kind, "reason": reason} for kind, reason in meant.items()]
    return replace(jump, intended=entries)


def _remembered(obj: Any, scene: Any, number: int, jumps: list[Remembered]) -> Steps[int | None]:
    """Which remembered jump the found one of that number is; None for one that nobody blocked."""
    found = (yield from check(obj, scene)).jumps
    if not 1 <= number <= len(found):
        there = "no jump" if not found else f"jumps 1 to {len(found)}"
        raise NotFoundError(f"there is no jump {number}: {obj.name!r} has {there}")
    which = link(found[number - 1], jumps)
    return None if which is None else which - 1
