# SPDX-License-Identifier: GPL-3.0-or-later
"""Retime in the tab: what is asked, the frames that it would give, and the button."""

# mypy: disable-error-code="valid-type"
# No postponed annotations here: the host reads properties from the annotations themselves.
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import bpy
from bpy.props import BoolProperty, FloatProperty, IntProperty

import leapwright
from leapwright.errors import LeapwrightError
from leapwright.style import Style
from leapwright_blender.sample import frame_rate
from leapwright_blender.steps import Steps
from leapwright_blender.store import Remembered

from .aiming import rig_arguments
from .blocking import show
from .layout import Tab, action, split_column, table, write
from .moments import FRESH, MOMENTS
from .options import OPTIONS, ChangeOptions, complete, draw_pin, draw_places, option_arguments
from .properties import settings_of
from .recall import jumps_of
from .subject import on_keys, subject
from .working import LongVerb, in_steps

__all__ = [
    "OPERATORS", "PANELS", "LeapwrightRetime", "Told", "draw_options", "forget",
    "retime_arguments", "retime_summary", "told",
]  # fmt: skip

COUNTS = {
    "rise_frames": ("Rise", "Frames from take-off to apex; push and fall follow"),
    "air_frames": ("Air", "Frames from take-off to land; the push follows"),
    "push_frames": ("Push", "Frames from crouch to take-off, alone"),
    "fall_frames": ("Fall", "Frames from apex to land, apart from the rise: a style"),
    "absorb_frames": ("Absorb", "Frames from land to low, alone"),
    "hang_frames": ("Hang", "Frames that the top hangs longer: a style"),
}
_PHASES = ("crouch_hold", "push", "rise", "fall", "absorb")
_SHOWN = ("crouch", "takeoff", "apex", "land")


def _count(name: str) -> Any:
    title, words = COUNTS[name]
    return IntProperty(
        name=f"{title} frames",
        description=f"{words}. 0: not asked",
        min=0,
        options=FRESH,
    )


class RetimeValues(ChangeOptions):
    """Everything that Retime needs to know, as properties; mixed into settings and operator."""

    snappiness: FloatProperty(
        name="Snappiness",
        description="Times are divided by it: 1.5 is snappier, 0.8 is slower, 1 is no change",
        default=1.0,
        min=0.05,
        soft_min=0.5,
        soft_max=2.0,
        max=20.0,
        step=5,
        precision=2,
        options=FRESH,
    )
    rise_frames: _count("rise_frames")
    air_frames: _count("air_frames")
    push_frames: _count("push_frames")
    fall_frames: _count("fall_frames")
    absorb_frames: _count("absorb_frames")
    hang_frames: _count("hang_frames")
    no_hang: BoolProperty(
        name="No hang", description="Take the hang of the top away", options=FRESH
    )
    selected: BoolProperty(
        name="Selected controls only",
        description="Retime only the selected controls, not the whole character",
        options=FRESH,
    )


VALUES = (*OPTIONS, *RetimeValues.__annotations__)
ASKS = ("snappiness", *COUNTS, "no_hang", "pin")
"""What is asked once: nothing is left asked after a retime."""


class LeapwrightRetime(RetimeValues, bpy.types.PropertyGroup):
    """What was entered for a retime of one rig."""


# Asked


def retime_arguments(values: Any) -> dict[str, Any]:
    """Give the arguments of retime, as far as something is asked."""
    asked: dict[str, Any] = {}
    if abs(values.snappiness - 1) > 1e-6:
        # 32 bits of 1.2 are not 1.2.
        asked["snappiness"] = round(values.snappiness, 6)
    asked |= {name: getattr(values, name) for name in COUNTS if getattr(values, name)}
    if values.no_hang:
        asked["hang_frames"] = 0
    return asked | option_arguments(values)


def _is_asked(asked: Mapping[str, Any]) -> bool:
    return bool(set(asked) - {"before", "after", "twos", "subframes"})


# Read-out


@dataclass(frozen=True, slots=True)
class Told:
    """Lines of a retime that would be; of one that cannot be, only `problem`.

    `asked` is False where nothing is asked yet.
    """

    phases: tuple[tuple[str, str, str], ...] = ()
    moments: tuple[tuple[str, str, str], ...] = ()
    warnings: tuple[str, ...] = ()
    problem: str = ""
    asked: bool = True


def told(obj: Any, scene: Any) -> Told:
    """What the entered retime would make of the jump that the rig remembers."""
    values = obj.leapwright_retime
    asked = retime_arguments(values)
    if not _is_asked(asked):
        return Told(problem="Enter a snappiness other than 1, or ask under More.", asked=False)
    jumps = jumps_of(obj)
    if not jumps:
        return Told(problem="No jump is remembered: it is found by its feet when you retime.")
    if not 1 <= values.jump <= len(jumps):
        return Told(problem=f"There are {len(jumps)} jumps.", asked=False)
    jump = jumps[values.jump - 1]
    rate = frame_rate(scene)
    pins = tuple(asked.pop("pins", {}).items())
    return _solved(_frames(jump), _style(jump), tuple(asked.items()), pins, rate, scene.frame_start)


def _frames(jump: Remembered) -> tuple[tuple[str, float], ...]:
    return tuple(sorted(jump.moments.items()))


def _style(jump: Remembered) -> tuple[tuple[str, float], ...]:
    return tuple(sorted(jump.style.items()))


@lru_cache(maxsize=32)
def _solved(
    moments: tuple[tuple[str, float], ...],
    style: tuple[tuple[str, float], ...],
    asked: tuple[tuple[str, Any], ...],
    pins: tuple[tuple[str, int], ...],
    rate: Any,
    start: int,
) -> Told:
    frames = dict(moments)
    hold = frames.pop("hold", None)
    try:
        solved = leapwright.retime(
            frames,
            frame_rate=rate,
            style=Style.from_json(dict(style)) if style else None,
            crouch_hold_frames=frames["crouch"] - hold if hold is not None else 0,
            pins=dict(pins) or None,
            shot_start=start,
            **dict(asked),
        )
    except LeapwrightError as error:
        return Told(problem=str(error), asked=False)
    return Told(tuple(_phases(solved)), tuple(_moments(solved)), solved.warnings)


def _phases(solved: Any) -> list[tuple[str, str, str]]:
    rows = []
    for name in _PHASES:
        was, now = (getattr(f, name) for f in (solved.frames_before, solved.answer.frames))
        if was or now:
            rows.append((name.replace("_", " ").capitalize(), f"{was:g}", f"{now:g}"))
    return rows


def _moments(solved: Any) -> list[tuple[str, str, str]]:
    after = dict(solved.moments_after)
    return [
        (MOMENTS[name], f"{was:g}", f"{after[name]:g}")
        for name, was in solved.moments_before
        if name in _SHOWN and was is not None and after[name] is not None
    ]


def forget() -> None:
    """Let go of what was solved."""
    _solved.cache_clear()


def retime_summary(result: Any) -> str:
    """Say in one line what was retimed."""
    frames, keys = result.solved.answer.frames, result.keys
    merged = f", {len(keys.merged)} merged" if keys.merged else ""
    split = f", {keys.split} added" if keys.split else ""
    return (
        f"Retimed: push {frames.push:g}, rise {frames.rise:g}, fall {frames.fall:g}. "
        f"{keys.channels} channels, {keys.moved} keys moved{split}{merged}. "
        f"Curves keep their shape within {100 * keys.largest_miss.share:.1f} %"
    )


# The button


class LEAPWRIGHT_OT_retime(RetimeValues, LongVerb, bpy.types.Operator):
    """Change the time of the jump for the whole character; poses stay as they are."""

    bl_idname = "leapwright.retime"
    bl_label = "Retime Jump"
    bl_description = (
        "Change the time of the jump for the whole character, push and air together; poses stay "
        "as they are"
    )

    @classmethod
    def poll(cls: Any, context: Any) -> bool:
        """Say why the button is off."""
        return on_keys(cls, context, verb="retime")

    def invoke(self, context: Any, event: Any) -> Any:
        """From a menu, with nothing asked in the tab: ask now."""
        obj = subject(context)
        given = any(self.properties.is_property_set(name) for name in ASKS)
        if given or told(obj, context.scene).asked:
            return self.begin(context)
        return self.ask(context, width=300)

    def steps(self, context: Any, obj: Any) -> Steps[str]:
        """Retime, say what became of it, and ask for nothing more."""
        entered = obj.leapwright_retime
        complete(self, dict.fromkeys(VALUES, entered), ASKS)
        result: Any = yield from in_steps(obj, context.scene).retime(
            **rig_arguments(settings_of(obj), obj),
            **retime_arguments(self),
            jump=self.jump if len(jumps_of(obj)) > 1 else None,
            exact_shape=self.exact_shape,
            selected=self.selected,
            props=self.props,
        )
        for name in ASKS:
            entered.property_unset(name)
        show(obj, context.scene)
        self.warn(result.warnings)
        return retime_summary(result)

    def draw(self, context: Any) -> None:
        """Draw the values that can be adjusted after the fact."""
        column = split_column(self.layout)
        column.prop(self, "snappiness")
        if len(jumps_of(subject(context))) > 1:
            column.prop(self, "jump")
        draw_pin(column, self)
        # One thing is asked in the dialog; the rest can be adjusted after.
        if not getattr(self, "asking", False):
            _draw_values(self.layout, self)


# Drawing


class LEAPWRIGHT_PT_retime(Tab, bpy.types.Panel):
    """Snappiness, the frames that it would give, and the button."""

    bl_idname = "LEAPWRIGHT_PT_retime"
    bl_label = "Retime"
    bl_order = 3
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: Any) -> None:
        """Draw what is asked and what it would give."""
        layout, obj = self.layout, subject(context)
        values = obj.leapwright_retime
        column = split_column(layout)
        column.prop(values, "snappiness")
        if len(jumps_of(obj)) > 1:
            column.prop(values, "jump")
        draw_pin(column, values)
        box = layout.box()
        shown = told(obj, context.scene)
        if shown.problem:
            write(box, shown.problem, region=context.region, icon="INFO")
        if shown.phases:
            table(box, [("Frames", "Now", "Retimed"), *shown.phases])
            box.separator(factor=0.3)
            table(box, shown.moments)
        for line in shown.warnings:
            write(box, line, region=context.region, icon="ERROR")
        button = layout.column()
        button.enabled = shown.asked
        action(button, "leapwright.retime", text="Retime", icon="TIME", big=True)
        draw_options(layout, values)


def draw_options(layout: Any, values: Any) -> None:
    """Draw what is seldom asked, folded away."""
    header, body = layout.panel("LEAPWRIGHT_retime_more", default_closed=True)
    header.label(text="More")
    if body is not None:
        _draw_values(body, values)


def _draw_values(layout: Any, values: Any) -> None:
    column = split_column(layout)
    column.label(text="Frames wanted (0: not set)")
    for name, (title, _) in COUNTS.items():
        column.prop(values, name, text=title)
    column.separator(factor=0.5)
    draw_places(column, values)
    ticks = layout.column(align=True)
    for name in ("no_hang", "twos", "exact_shape", "subframes", "selected", "props"):
        ticks.prop(values, name)


OPERATORS = (LEAPWRIGHT_OT_retime,)
PANELS = (LEAPWRIGHT_PT_retime,)
