# SPDX-License-Identifier: GPL-3.0-or-later
"""The list of findings: a click goes to the frame, and says what there is to do."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import bpy

from leapwright.findings import FINDINGS

from .checking import check_summary, findings_of, is_old, result_of
from .layout import Tab, action, write
from .subject import subject

__all__ = ["PANELS"]

_ICONS = {"error": "CANCEL", "warning": "ERROR", "note": "INFO"}


class LEAPWRIGHT_PT_check(Tab, bpy.types.Panel):
    """What is off in the jumps of the rig."""

    bl_idname = "LEAPWRIGHT_PT_check"
    bl_label = "Check"
    bl_order = 4
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: Any) -> None:
        """Draw the button, the sum, and a line for each finding."""
        layout, obj = self.layout, subject(context)
        action(layout, "leapwright.check", text="Check", icon="VIEWZOOM", big=True)
        said = result_of(obj)
        if said is None:
            return
        said_of = f"{check_summary(said)}. COG from {said['cog_from']}"
        write(layout, said_of, region=context.region)
        if is_old(obj):
            write(layout, "Keys changed since: check again.", region=context.region, icon="INFO")
        found = findings_of(said)
        last = 0
        for index, (number, finding) in enumerate(found):
            if number != last:
                _draw_jump(layout, number, said["jumps"][number - 1])
                last = number
            self._draw_finding(layout, obj, index, number, finding, region=context.region)
        if any(f["fix"] and not f["intended"] for _, f in found):
            action(layout, "leapwright.fix", text="Fix all that can be fixed", icon="TOOL_SETTINGS")

    def _draw_finding(
        self, layout: Any, obj: Any, index: int, number: int, found: Mapping[str, Any], *,
        region: Any,
    ) -> None:  # fmt: skip
        active = obj.leapwright_check.active == index
        holder = layout.box() if active else layout
        row = holder.split(factor=0.24)
        go = row.operator(
            "leapwright.go_to_finding",
            # A whole frame, as it is gone to: more is cut off.
            text=f"{round(found['frames'][0])}",
            icon="BOOKMARKS" if found["intended"] else _ICONS[found["severity"]],
            depress=active,
        )
        go.index = index
        write(row, FINDINGS[found["id"]], region=region, margin=115)
        if not active:
            return
        write(holder, found["text"], region=region)
        which = f"{found['id']}@{number}"
        if found["intended"]:
            write(holder, f"Intended: {found['intended']}", region=region)
            button = holder.operator("leapwright.unmark_intended", text="Not intended", icon="X")
            button.finding = which
            return
        row = holder.row(align=True)
        if found["fix"]:
            row.operator("leapwright.fix", text="Fix", icon="TOOL_SETTINGS").finding = which
        row.operator("leapwright.mark_intended", text="Intended", icon="BOOKMARKS").finding = which


def _draw_jump(layout: Any, number: int, jump: Mapping[str, Any]) -> None:
    moments = jump["moments"]
    layout.label(
        text=f"Jump {number}: frames {moments['takeoff']:.4g} to {moments['land']:.4g}",
        icon="SPHERECURVE",
    )


PANELS = (LEAPWRIGHT_PT_check,)
