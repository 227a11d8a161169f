# SPDX-License-Identifier: GPL-3.0-or-later
"""The rig that is worked on, why there is none, and how an operator tells what went wrong."""

from __future__ import annotations

import sys
import traceback
from typing import Any

from leapwright.errors import LeapwrightError

__all__ = ["Verb", "on_keys", "on_rig", "refuse", "subject"]

MOST_LETTERS = 160
"""What a line of the status bar holds."""


def subject(context: Any) -> Any:
    """Give the rig at hand: the active object, or the armature that bends it; None without one."""
    obj = context.object
    if obj is not None and obj.type == "MESH":
        return obj.find_armature() or obj
    return obj


def on_rig(cls: Any, context: Any) -> bool:
    """Whether there is a rig to work on; else an operator's class says why not."""
    obj = subject(context)
    if obj is None:
        cls.poll_message_set("Select the rig or the object that jumps")
    elif context.object.mode not in ("OBJECT", "POSE") or obj.mode not in ("OBJECT", "POSE"):
        cls.poll_message_set("Go to object mode or pose mode first")
    elif obj.library is not None:
        cls.poll_message_set("This object is linked: make a library override first")
    else:
        return True
    return False


def on_keys(cls: Any, context: Any, *, verb: str) -> bool:
    """Whether there are keys to work on; else an operator's class says why not."""
    if not on_rig(cls, context):
        return False
    data = subject(context).animation_data
    if data is None or data.action is None:
        cls.poll_message_set(f"Block a jump first: there are no keys to {verb}")
        return False
    return True


def refuse(operator: Any, error: Exception, *, hint: str = "") -> Any:
    """Say in the status bar in one line what went wrong, in the console at length.

    Parameters
    ----------
    operator : bpy.types.Operator
    error : Exception
    hint : str
        What to do about it, put behind.
    """
    known = isinstance(error, LeapwrightError)
    line = " ".join(str(error).split())
    if known:
        print(f"Leapwright, {type(error).__name__}: {error}", file=sys.stderr)
    else:
        line = f"Unexpected {type(error).__name__}: {line}. The console has the details"
        traceback.print_exception(error)
    if known and len(line) > MOST_LETTERS:
        # A list that is too long for the line; the console has all of it.
        line = line[: line.rfind(" ", 0, MOST_LETTERS)].rstrip(",;") + " … (more in the console)"
    operator.report({"ERROR"}, f"{line}. {hint}" if hint else line)
    return {"CANCELLED"}


class Verb:
    """An operator on a rig: gather, call, report. A child's `work` returns its line of report."""

    bl_options: Any = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls: Any, context: Any) -> bool:
        """Say why a button is off."""
        return on_rig(cls, context)

    def execute(self: Any, context: Any) -> Any:
        """Work; errors become one line."""
        window = context.window
        if window is not None:
            window.cursor_set("WAIT")
        try:
            said = self.work(context, subject(context))
        except Exception as error:
            return refuse(self, error, hint=self.hint(error))
        finally:
            if window is not None:
                window.cursor_set("DEFAULT")
        if said:
            self.report({"INFO"}, said)
        return {"FINISHED"}

    def hint(self, error: Exception) -> str:
        """What the user can do about an error."""
        return ""

    def warn(self: Any, warnings: Any) -> None:
        """Report what is worth knowing."""
        for warning in warnings:
            self.report({"WARNING"}, warning)
