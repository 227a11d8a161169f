# SPDX-License-Identifier: GPL-3.0-or-later
"""What the overlay shows, measured a little at a time while nothing else happens.

All that is kept are numbers, by names of scene and rig: nothing of the host outlives an undo, a
load or a deleted rig here.
"""

from __future__ import annotations

import time
import traceback
from collections.abc import Generator
from typing import Any

import bpy
from bpy.app.handlers import persistent

from leapwright.errors import LeapwrightError
from leapwright_blender.trail import Arc, Trail, read_trail

from .working import is_working

__all__ = [
    "PROBLEMS",
    "SHOWN",
    "drop_plan",
    "forget",
    "is_at_rest",
    "is_stale",
    "last_edit",
    "measured_share",
    "note_plan",
    "plan_of",
    "register",
    "trail_of",
    "unregister",
    "version",
    "want",
]

Key = tuple[str, str]

SHOWN: dict[Key, Trail] = {}
"""Measured trails by scene and rig."""

PROBLEMS: dict[Key, str] = {}
"""Why a rig could not be measured."""

_PLANS: dict[Key, Arc] = {}
_WANTED: dict[Key, None] = {}
_STALE: set[Key] = set()
_WORK: dict[Key, tuple[Generator[float, None, Trail], float]] = {}
_STATE: dict[str, Any] = {"version": 0, "busy": False, "edited": 0.0, "edits": 0}

REST = 0.3
"""Seconds without an edit before anything is measured."""

SPELL = 0.03
"""Seconds at most that measuring holds up the window at a time, beyond the step at hand."""


def version() -> int:
    """A number that changes whenever something else is to be drawn."""
    return int(_STATE["version"])


def trail_of(key: Key) -> Trail | None:
    """What was measured of a rig."""
    return SHOWN.get(key)


def plan_of(key: Key) -> Arc | None:
    """The arc of a plan that was previewed, and not written yet."""
    return _PLANS.get(key)


def note_plan(key: Key, arc: Arc) -> None:
    """Keep the arc of a plan, to be drawn."""
    _PLANS[key] = arc
    _changed()


def drop_plan(key: Key) -> None:
    """Let go of a plan: it was written, or something else is asked."""
    if _PLANS.pop(key, None) is not None:
        _changed()


def measured_share(key: Key) -> float | None:
    """How much of a rig is measured, while it is."""
    return _WORK[key][1] if key in _WORK else 0.0 if key in _WANTED else None


def is_stale(key: Key) -> bool:
    """Whether keys were edited since the rig was measured."""
    return key in _STALE


def last_edit() -> int:
    """A number that changes whenever keys may have been edited."""
    return int(_STATE["edits"])


def is_at_rest() -> bool:
    """Whether nobody edits keys just now."""
    return bool(time.monotonic() - _STATE["edited"] >= REST)


def want(key: Key) -> None:
    """Have a rig measured as soon as nothing else happens."""
    _WANTED[key] = None
    if not bpy.app.background and not bpy.app.timers.is_registered(_work):
        bpy.app.timers.register(_work, first_interval=0.05)


def forget() -> None:
    """Let go of everything."""
    for holder in (SHOWN, PROBLEMS, _PLANS, _WANTED, _WORK):
        holder.clear()
    _STALE.clear()
    _STATE["edits"] += 1
    _changed()


def _changed() -> None:
    _STATE["version"] += 1
    if bpy.app.background:
        return
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                area.tag_redraw()


def _work() -> float | None:
    """Measure for a moment; again soon while there is something left."""
    if not _WANTED:
        return None
    if is_working():
        return REST
    playing = any(w.screen.is_animation_playing for w in bpy.context.window_manager.windows)
    if playing or not is_at_rest():
        return REST
    key = next(iter(_WANTED))
    if key not in _WORK:
        _WORK[key] = (read_trail(key[1], key[0]), 0.0)
    _STATE["busy"] = True
    try:
        _some(key)
    except StopIteration as done:
        _finish(key, trail=done.value)
    except LeapwrightError as error:
        _finish(key, problem=str(error))
    except KeyError:
        # Rig or scene went away meanwhile.
        _finish(key)
    except Exception as error:
        traceback.print_exc()
        _finish(key, problem=f"Unexpected {type(error).__name__}: {error}")
    finally:
        _STATE["busy"] = False
    return 0.01 if _WANTED else None


def _some(key: Key) -> None:
    work, _ = _WORK[key]
    until = time.monotonic() + SPELL
    while time.monotonic() < until:
        _WORK[key] = (work, next(work))


def _finish(key: Key, *, trail: Trail | None = None, problem: str = "") -> None:
    _WANTED.pop(key, None)
    _WORK.pop(key, None)
    _STALE.discard(key)
    SHOWN.pop(key, None)
    PROBLEMS.pop(key, None)
    if trail is not None:
        SHOWN[key] = trail
    if problem:
        PROBLEMS[key] = problem
    _changed()


def _edited_all() -> None:
    """What is shown is of other keys now: measure it again, what is at work from the start."""
    _STATE["edited"] = time.monotonic()
    _STATE["edits"] += 1
    _WORK.clear()
    PROBLEMS.clear()
    for key in SHOWN:
        _STALE.add(key)
        want(key)


@persistent  # type: ignore[untyped-decorator]
def _on_edit(scene: Any, graph: Any = None) -> None:
    if _STATE["busy"] or graph is None:
        return
    if any(isinstance(update.id, bpy.types.Action) for update in graph.updates):
        _edited_all()


@persistent  # type: ignore[untyped-decorator]
def _on_undo(*_: Any) -> None:
    _PLANS.clear()
    _edited_all()
    _changed()


@persistent  # type: ignore[untyped-decorator]
def _on_load(*_: Any) -> None:
    forget()


_HANDLERS = (
    ("depsgraph_update_post", _on_edit),
    ("undo_post", _on_undo),
    ("redo_post", _on_undo),
    ("load_post", _on_load),
)


def register() -> None:
    """Listen to edits, undo and load."""
    for name, handler in _HANDLERS:
        getattr(bpy.app.handlers, name).append(handler)


def unregister() -> None:
    """Stop listening; nothing is left at work."""
    for name, handler in _HANDLERS:
        getattr(bpy.app.handlers, name).remove(handler)
    if bpy.app.timers.is_registered(_work):
        bpy.app.timers.unregister(_work)
    forget()
