# SPDX-License-Identifier: GPL-3.0-or-later
"""Check: what is off in the jumps of the rig, each with its frame, its fix, or meant so."""

# mypy: disable-error-code="valid-type"
# No postponed annotations here: the host reads properties from the annotations themselves.
import json
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import bpy
from bpy.props import IntProperty, StringProperty

from leapwright.errors import NotFoundError
from leapwright.findings import FINDINGS
from leapwright_blender.character import print_of
from leapwright_blender.steps import Steps
from leapwright_blender.store import put_back_unless_done

from .aiming import rig_arguments
from .blocking import show
from .moments import FRESH
from .properties import settings_of
from .subject import Verb, on_keys, subject
from .tracking import is_at_rest, last_edit
from .working import LongVerb, in_steps

__all__ = [
    "OPERATORS",
    "LeapwrightCheck",
    "check_arguments",
    "check_summary",
    "findings_of",
    "fix_summary",
    "forget",
    "is_old",
    "result_of",
]

_SEVERITIES = ("error", "warning", "note")


class LeapwrightCheck(bpy.types.PropertyGroup):
    """What was last found off in the jumps of one rig."""

    result: StringProperty(
        name="Result",
        description="What the last check said, as JSON; empty: not checked",
        options={"HIDDEN"},
    )
    active: IntProperty(name="Finding", description="The finding that is looked at", default=-1)
    keys: StringProperty(
        name="Keys",
        description="Fingerprint of the keys that were checked",
        options={"HIDDEN"},
    )


def result_of(obj: Any) -> Mapping[str, Any] | None:
    """What the last check said; the same text is read once only."""
    text = obj.leapwright_check.result
    return _read(text) if text else None


@lru_cache(maxsize=8)
def _read(text: str) -> Mapping[str, Any]:
    said: Mapping[str, Any] = json.loads(text)
    return said


def forget() -> None:
    """Let go of what was read."""
    _read.cache_clear()
    _SEEN.clear()


_SEEN: dict[str, tuple[int, str]] = {}
"""By object: the number of the last edit that was looked at, and the keys' fingerprint then."""


def is_old(obj: Any) -> bool:
    """Whether keys are others now than those that were checked; looked at after an edit only."""
    edit, kept = last_edit(), _SEEN.get(obj.name)
    if kept is None or (kept[0] != edit and is_at_rest()):
        kept = _SEEN[obj.name] = edit, print_of(obj)
    return kept[1] != obj.leapwright_check.keys


def findings_of(said: Mapping[str, Any] | None) -> list[tuple[int, Mapping[str, Any]]]:
    """All findings in their order, each with the number of its jump."""
    jumps = said["jumps"] if said else []
    return [(n, found) for n, jump in enumerate(jumps, start=1) for found in jump["findings"]]


def check_arguments(obj: Any) -> dict[str, Any]:
    """What the tab says about how to check: the controls and the COG."""
    settings = settings_of(obj)
    source = None if settings.cog_from == "automatic" else settings.cog_from
    return {**rig_arguments(settings, obj), "cog_from": source}


def check_summary(said: Mapping[str, Any]) -> str:
    """Say in one line what was found."""
    jumps = len(said["jumps"])
    if not jumps:
        return f"No jump: {said['reason']}" if said["reason"] else "No jump"
    found = [f["severity"] for _, f in findings_of(said)]
    counts = ((found.count(s), s) for s in _SEVERITIES)
    told = [f"{n} {s}{'s' if n > 1 else ''}" for n, s in counts if n]
    return f"{jumps} jump{'s' if jumps > 1 else ''}: {', '.join(told) or 'nothing is off'}"


def _keep(obj: Any, said: Mapping[str, Any]) -> None:
    """Keep what a check said; the finding that is looked at stays it where it is still there."""
    holder = obj.leapwright_check
    before = findings_of(result_of(obj))
    was = None
    if 0 <= holder.active < len(before):
        number, found = before[holder.active]
        was = (number, found["id"])
    holder.result = json.dumps(said)
    holder.keys = print_of(obj)
    now = [(number, found["id"]) for number, found in findings_of(said)]
    holder.active = now.index(was) if was in now else -1


def _checked(obj: Any, scene: Any) -> Steps[dict[str, Any]]:
    checked: Any = yield from in_steps(obj, scene).check(**check_arguments(obj))
    said: dict[str, Any] = checked.to_json()
    return said


class LEAPWRIGHT_OT_check(LongVerb, bpy.types.Operator):
    """Find the jumps of this rig and say what is off in them; no key is touched."""

    bl_idname = "leapwright.check"
    bl_label = "Check Jump"
    bl_description = "Find the jumps of this rig and say what is off in them; no key is touched"

    @classmethod
    def poll(cls: Any, context: Any) -> bool:
        """Say why the button is off."""
        return on_rig_or_keys(cls, context)

    def steps(self, context: Any, obj: Any) -> Steps[str]:
        """Check, and keep what was found with the rig."""
        said = yield from _checked(obj, context.scene)
        _keep(obj, said)
        show(obj, context.scene)
        self.warn(said["warnings"])
        return check_summary(said)


def on_rig_or_keys(cls: Any, context: Any) -> bool:
    """Whether there are keys to look at; NLA strips count."""
    rig = subject(context)
    if rig is not None and rig.animation_data is not None and rig.animation_data.nla_tracks:
        return True
    return on_keys(cls, context, verb="check")


class LEAPWRIGHT_OT_fix(LongVerb, bpy.types.Operator):
    """Mend findings; keys that have nothing to do with them stay."""

    bl_idname = "leapwright.fix"
    bl_label = "Fix Jump"
    bl_description = "Mend what the check found off; all other keys stay"

    finding: StringProperty(
        name="Finding",
        description="Kind of finding to mend, of one jump with @ and its number: off_arc@1. "
        "Empty: all that can be mended",
        options=FRESH,
    )

    @classmethod
    def poll(cls: Any, context: Any) -> bool:
        """Say why the button is off."""
        return on_keys(cls, context, verb="fix")

    def steps(self, context: Any, obj: Any) -> Steps[str]:
        """Fix, and show what is left."""
        rig = in_steps(obj, context.scene)
        result: Any = yield from rig.fix(**fix_arguments(self), **check_arguments(obj))
        _keep(obj, result.after.to_json())
        show(obj, context.scene)
        self.warn([*result.warnings, *(d.text for d in result.done if not d.written)])
        return fix_summary(result)

    def draw(self, context: Any) -> None:
        """Say what was to be mended."""
        kind, _, number = self.finding.partition("@")
        named = FINDINGS.get(kind, kind) or "All that can be fixed"
        self.layout.label(text=_capital(named) + (f", jump {number}" if number else ""))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def fix_arguments(values: Any) -> dict[str, Any]:
    """Give the arguments of fix."""
    kind, _, number = values.finding.partition("@")
    return {
        "only": (kind,) if kind else (),
        "jump": int(number) if number.isdecimal() else None,
    }


MOST_TOLD = 2
"""More mends than this are counted in the line of report, and listed in the console."""


def fix_summary(result: Any) -> str:
    """Say in one line what was mended."""
    told = [d for d in result.done if d.written]
    done = "; ".join(d.text.rstrip(".") for d in told) or "Nothing was mended"
    if len(told) > MOST_TOLD:
        jumps = len({d.jump for d in told})
        done = f"Mended {len(told)} things in {jumps} jump{'s' if jumps != 1 else ''}"
        print("Leapwright, mended:", *(f"jump {d.jump}: {d.text}" for d in told), sep="\n  ")
    left = len(result.left)
    more = f" {left} finding{'s' if left != 1 else ''} left for you" if left else ""
    return f"{done[0].upper()}{done[1:]}.{more}"


class LEAPWRIGHT_OT_mark_intended(LongVerb, bpy.types.Operator):
    """Keep with the shot that a finding is meant: it stays a note from then on."""

    bl_idname = "leapwright.mark_intended"
    bl_label = "Mark Jump Finding as Intended"
    bl_description = "Keep with the shot that this is meant so: it stays a note from then on"

    finding: StringProperty(
        name="Finding",
        description="falls_faster, or falls_faster@2 for the second jump alone",
        options=FRESH,
    )
    reason: StringProperty(name="Why", description="Why it is meant so", options=FRESH)

    def invoke(self, context: Any, event: Any) -> Any:
        """Ask for the reason, unless it is given."""
        if self.reason:
            return self.begin(context)
        return self.ask(context, width=320)

    def draw(self, context: Any) -> None:
        """Draw the reason alone: which finding is known."""
        kind = self.finding.partition("@")[0]
        self.layout.label(text=_capital(FINDINGS.get(kind, kind)))
        row = self.layout.row()
        row.activate_init = True
        row.prop(self, "reason")

    def steps(self, context: Any, obj: Any) -> Steps[str]:
        """Mark it, and check again."""
        rig = in_steps(obj, context.scene)
        with put_back_unless_done(obj):
            yield from rig.mark_intended(self.finding, self.reason)
            said = yield from _checked(obj, context.scene)
        _keep(obj, said)
        return f"Intended: {self.reason}"


class LEAPWRIGHT_OT_unmark_intended(LongVerb, bpy.types.Operator):
    """Forget that a finding is meant."""

    bl_idname = "leapwright.unmark_intended"
    bl_label = "Unmark Intended Jump Finding"
    bl_description = "This is not meant so any more"

    finding: StringProperty(name="Finding", options=FRESH)

    def steps(self, context: Any, obj: Any) -> Steps[str]:
        """Forget it, and check again."""
        rig = in_steps(obj, context.scene)
        with put_back_unless_done(obj):
            yield from rig.unmark_intended(self.finding)
            said = yield from _checked(obj, context.scene)
        _keep(obj, said)
        return ""


class LEAPWRIGHT_OT_go_to_finding(Verb, bpy.types.Operator):
    """Go to the frame where this finding shows."""

    bl_idname = "leapwright.go_to_finding"
    bl_label = "Go to Jump Finding"
    bl_options: Any = {"REGISTER"}

    index: IntProperty(
        name="Finding", description="Which one of the list, from 0", min=0, options=FRESH
    )

    @classmethod
    def description(cls, context: Any, properties: Any) -> str:
        """Say what the finding says."""
        rig = subject(context)
        found = findings_of(result_of(rig)) if rig else []
        here = properties.index < len(found)
        return found[properties.index][1]["text"] if here else "Go to the frame where this shows"

    def work(self, context: Any, obj: Any) -> str:
        """Set the frame, and look at this finding."""
        found = findings_of(result_of(obj))
        if self.index >= len(found):
            raise NotFoundError(
                f"there is no finding {self.index}: {obj.name!r} has {len(found)}; check it first"
            )
        said = found[self.index][1]
        obj.leapwright_check.active = self.index
        context.scene.frame_set(round(said["frames"][0]))
        return str(said["text"])


OPERATORS = (
    LEAPWRIGHT_OT_check,
    LEAPWRIGHT_OT_fix,
    LEAPWRIGHT_OT_mark_intended,
    LEAPWRIGHT_OT_unmark_intended,
    LEAPWRIGHT_OT_go_to_finding,
)
