# SPDX-License-Identifier: GPL-3.0-or-later
"""Long work while the window lives: a verb goes on in steps, shows how far it is, and Esc stops it.

What takes no longer than a blink is done at once. What takes longer keeps mouse and keyboard until
it is done or stopped, so that nobody edits what it reads; if anything else wants the file meanwhile
(a save, an undo, a load, a render), it is stopped first, and everything is as it was.
"""

from __future__ import annotations

import time
from collections.abc import Generator
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import Any

import bpy
from bpy.app.handlers import persistent

from leapwright_blender import rig_of
from leapwright_blender.steps import Step, Steps, held, run

from .subject import Verb, refuse, subject

__all__ = ["LongVerb", "draw_progress", "in_steps", "is_working", "register", "stop", "unregister"]

AT_ONCE = 0.25
"""Seconds that work may take before it goes on in steps."""

SPELL = 0.05
"""Seconds of work between two looks at the keyboard, beyond the step at hand."""

STOPPED = "Stopped: nothing was changed"


@dataclass(slots=True)
class _Work:
    """What goes on just now."""

    operator: str
    label: str
    steps: Generator[Step, None, str]
    at: Step


_NOW: list[_Work] = []
"""The work that goes on, if any: there is one at a time."""


class LongVerb(Verb):
    """A verb that may take long. A child's `steps` yield where they are; they return the line of
    report."""

    def steps(self: Any, context: Any, obj: Any) -> Steps[str]:
        """Work step by step."""
        raise NotImplementedError

    def work(self: Any, context: Any, obj: Any) -> str:
        """Work without a halt: for scripts, and when it is adjusted after the fact."""
        stop()
        said: str = run(self.steps(context, obj))
        return said

    def invoke(self: Any, context: Any, event: Any) -> Any:
        """Work; what is not done in a blink goes on in steps."""
        return self.begin(context)

    def ask(self: Any, context: Any, *, width: int) -> Any:
        """Ask in a dialog first; then work."""
        self.asking = True
        return context.window_manager.invoke_props_dialog(self, width=width)

    def execute(self: Any, context: Any) -> Any:
        """Work without a halt; what was asked in a dialog begins anew, as from a button."""
        if not getattr(self, "asking", False) or bpy.app.background:
            return super().execute(context)
        # The host lets nothing go on in steps from a dialog.
        names = [n for n in self.as_keywords() if self.properties.is_property_set(n)]
        entered = {name: getattr(self, name) for name in names}
        window = list(context.window_manager.windows).index(context.window)
        again = partial(_again, type(self).__name__.partition("_OT_")[2], entered, window)
        bpy.app.timers.register(again, first_interval=0.0)
        return {"CANCELLED"}

    def begin(self: Any, context: Any) -> Any:
        """Begin to work from a button or a menu."""
        if bpy.app.background or context.window is None:
            return self.execute(context)
        stop()
        name = "leapwright." + type(self).__name__.partition("_OT_")[2]
        steps = self.steps(context, subject(context))
        self._own = _Work(name, self.bl_label, steps, Step(0.0, ""))
        _NOW.append(self._own)
        done = self._on(AT_ONCE)
        if done is not None:
            return done
        self._timer = context.window_manager.event_timer_add(0.01, window=context.window)
        context.window_manager.modal_handler_add(self)
        context.window.cursor_modal_set("WAIT")
        return {"RUNNING_MODAL"}

    def modal(self: Any, context: Any, event: Any) -> Any:
        """Go on, or stop."""
        if not any(work is self._own for work in _NOW):
            # Something else wanted the file, or began to work.
            done = self._given_up()
        elif event.type == "ESC" and event.value == "PRESS":
            stop()
            done = self._given_up()
        elif event.type == "TIMER":
            done = self._on(SPELL)
        else:
            done = None
        if done is not None:
            self._end(context)
            return done
        return {"RUNNING_MODAL"}

    def cancel(self: Any, context: Any) -> None:
        """The window goes away."""
        if any(work is self._own for work in _NOW):
            stop()
        self._end(context)

    def _on(self: Any, seconds: float) -> Any:
        """Work for a moment; None while there is something left."""
        now, until = self._own, time.monotonic() + seconds
        try:
            while time.monotonic() < until:
                now.at = next(now.steps)
        except StopIteration as done:
            _NOW.clear()
            if done.value:
                self.report({"INFO"}, done.value)
            return {"FINISHED"}
        except ReferenceError:
            # A script took the rig away between two steps.
            _NOW.clear()
            self.report({"ERROR"}, "The rig went away meanwhile")
            return {"CANCELLED"}
        except Exception as error:
            _NOW.clear()
            return refuse(self, error, hint=self.hint(error))
        _show(f"{now.label}: {now.at.words}   {now.at.share:.0%}   Esc stops it")
        return None

    def _given_up(self: Any) -> Any:
        self.report({"WARNING"}, STOPPED)
        return {"CANCELLED"}

    def _end(self: Any, context: Any) -> None:
        context.window_manager.event_timer_remove(self._timer)
        if context.window is not None:
            context.window.cursor_modal_restore()
        _show(None)


def _again(name: str, entered: dict[str, Any], number: int) -> None:
    """Begin an operator with what was entered in its dialog."""
    # Typed loosely: the operators are ours.
    host: Any = bpy
    window = host.context.window_manager.windows[number]
    # What it refuses it has reported.
    with suppress(RuntimeError), host.context.temp_override(window=window):
        getattr(host.ops.leapwright, name)("INVOKE_DEFAULT", True, **entered)


def in_steps(obj: Any, scene: Any) -> Any:
    """Give the rig of an object, whose verbs give their steps."""
    return rig_of(obj, scene, runner=held)


def stop(*_: Any) -> None:
    """Stop what goes on; everything is as it was before."""
    while _NOW:
        _NOW.pop().steps.close()


def is_working() -> bool:
    """Whether something goes on: what is played meanwhile may not be what is in the file."""
    return bool(_NOW)


def draw_progress(layout: Any, operator: str) -> bool:
    """Draw how far an operator is, if it works just now.

    Parameters
    ----------
    layout : bpy.types.UILayout
    operator : str
        As in `bpy.ops`.

    Returns
    -------
    bool
        Whether there was something to draw.
    """
    now = _NOW[0] if _NOW else None
    if now is None or now.operator != operator:
        return False
    column = layout.column()
    column.progress(factor=now.at.share, text=f"{now.at.words.capitalize()} (Esc stops)")
    return True


def _show(text: str | None) -> None:
    """Write into the status bar, and have the tab drawn anew."""
    for window in bpy.context.window_manager.windows:
        window.workspace.status_text_set(text)
        for area in window.screen.areas:
            for region in area.regions:
                if area.type == "VIEW_3D" and region.type == "UI":
                    region.tag_redraw()


@persistent  # type: ignore[untyped-decorator]
def _on_other(*_: Any) -> None:
    stop()


_HANDLERS = ("save_pre", "undo_pre", "redo_pre", "load_pre", "render_init")


def register() -> None:
    """Give way to whatever else wants the file."""
    for name in _HANDLERS:
        getattr(bpy.app.handlers, name).insert(0, _on_other)


def unregister() -> None:
    """Stop what goes on, and stop listening."""
    stop()
    for name in _HANDLERS:
        getattr(bpy.app.handlers, name).remove(_on_other)
