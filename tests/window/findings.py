# SPDX-License-Identifier: GPL-3.0-or-later
"""A jump that is off: found, looked at, one finding meant so, the others fixed; and all undone."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import bpy
from hands import (
    WAIT,
    click,
    keys,
    overridden,
    picture,
    scroll,
    type_in,
    undo,
    wait_for,
)
from popups import press_ok
from work import at_frame, hare, reopen, unfold
from wrong import wrong_jump

WHY = "ears carry it"


def said() -> dict[str, Any]:
    result: dict[str, Any] = json.loads(hare().leapwright_check.result or "{}")
    return result


def steps(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """A jump with default handles."""
    shots = asked["shots"]
    yield from reopen(asked["sample"])
    wrong_jump(hare())
    with overridden():
        bpy.ops.ed.undo_push(message="wrong jump")
    yield from unfold("Check")
    yield from click("leapwright.check", upwards=True)
    yield from wait_for(said)
    seen["wrong_checked"] = said()
    yield from scroll(down=True)
    yield from picture(shots, "08-findings")
    at_frame(1)
    yield from click("leapwright.go_to_finding(index=0)", across=0.16)
    seen["went_to"] = bpy.context.scene.frame_current
    seen["active"] = hare().leapwright_check.active
    yield from scroll(down=True)
    yield from picture(shots, "09-finding")
    yield from meant(asked, seen)
    before = keys(hare())
    yield from click("leapwright.fix()", upwards=True)
    yield from wait_for(lambda: keys(hare()) != before)
    seen["fixed_changed"] = keys(hare()) != before
    seen["fixed_checked"] = said()
    yield from picture(shots, "10-fixed")
    yield from undo()
    seen["fix_undone"] = keys(hare()) == before


def meant(asked: dict[str, Any], seen: dict[str, Any]) -> Iterator[float]:
    """Say why this is meant so."""
    before = said()
    yield from click("leapwright.mark_intended", across=0.8, upwards=True)
    yield WAIT
    yield from picture(asked["shots"], "09a-why")
    yield from type_in(WHY)
    yield from picture(asked["shots"], "09b-why")
    yield from press_ok(below=WHY.split()[-1])
    yield from wait_for(lambda: said() != before)
    seen["meant_keys"] = keys(hare())
    seen["meant_checked"] = said()
    yield from scroll(down=True)
    yield from picture(asked["shots"], "09c-meant")
