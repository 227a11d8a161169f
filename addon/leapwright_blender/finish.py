# SPDX-License-Identifier: GPL-3.0-or-later
"""Writing a layout once: keys, markers and what the rig remembers; then a measurement."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from leapwright.fingerprint import Written, changed_keys, fingerprints, written_keys
from leapwright_blender import host, store
from leapwright_blender.blocked import Measured, measure_written
from leapwright_blender.cog import Source
from leapwright_blender.course import Course
from leapwright_blender.ground import Ground
from leapwright_blender.layout import Layout, Sheet
from leapwright_blender.markers import set_markers
from leapwright_blender.memory import marked
from leapwright_blender.read import read_curves
from leapwright_blender.rig import Controls
from leapwright_blender.schedule import Shift, on_frames
from leapwright_blender.space import label
from leapwright_blender.store import Remembered
from leapwright_blender.write import write_all

__all__ = ["finish", "remembered_controls"]

SAID_FROM_M = 2e-3
"""Distance from the plan that is worth a warning, m."""

STRAYS_FROM_M = 0.02
"""Way of the body's own COG beside its arc that is worth a warning, m."""


def finish(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    course: Course,
    layout: Layout,
    *,
    poses: Mapping[str, float],
    top: float,
    kept: Sequence[Remembered],
    new: Remembered,
    markers: bool,
    shift: Shift | None = None,
    source: Source | None = None,
    within: float = SAID_FROM_M,
) -> tuple[Measured, list[str]]:
    """Write the keys, set markers, remember, measure.

    Parameters
    ----------
    poses : mapping of moment to frame
        Where the poses were.
    top : float
        Frame of the arc's top.
    kept : sequence of Remembered
        Jumps that the rig goes on remembering beside this one.
    new : Remembered
        What is remembered of this one; the keys written are put in beside those that are its
        own already.
    shift : Shift, optional
        Keys that went back to make room: what is remembered of them goes along.
    source : Source, optional
        What the COG is measured with; None is the COG control.
    within : float
        How near such a source was to be held, m.

    Returns
    -------
    measured : Measured
    warnings : list of str
    """
    # Not before everything else is sure: what is refused changes nothing.
    said = [text for sheet in layout.sheets for text in host.make_editable(sheet.holder.block)]
    with write_all([(s.holder.block, s.curves, None, s.old) for s in layout.sheets]):
        new = replace(new, written=_written(layout.sheets, new.written))
        if shift is not None and shift.by:
            kept = [_pushed_back(jump, shift, layout.sheets) for jump in kept]
        remembered = _in_time([*_without(kept, new, layout.sheets), new])
        store.save(obj, remembered)
    if markers:
        set_markers(scene, obj.name, [marked(r) for r in remembered])
    measured = measure_written(
        obj, scene, ground, controls, course, top, poses, layout.sheets,
        stepped=new.stepped, source=source,
    )  # fmt: skip
    measured = replace(measured, sole_miss_m=layout.sole_miss_m)
    near = SAID_FROM_M if source is None else max(within, SAID_FROM_M)
    off = _distance_warning(measured.largest_distance_m, measured.at_frame, near)
    return measured, [*said, *off, *_stray_warning(measured)]


def remembered_controls(controls: Controls) -> dict[str, Any]:
    """Names of a rig's controls, as they are remembered."""
    return {
        "root": controls.root and label(controls.root),
        "cog": label(controls.cog),
        "feet": [label(foot) for foot in controls.feet],
    }


def _in_time(jumps: Sequence[Remembered]) -> list[Remembered]:
    return sorted(jumps, key=lambda jump: jump.moments["takeoff"])


def _written(sheets: Sequence[Sheet], before: Written) -> Written:
    """Keys that are the jump's own, as the host has them now: those that no key was before, and
    those of `before` that nobody edited. What was edited stays known as edited."""
    found: Written = dict(before)
    for sheet in sheets:
        curves, prefix = read_curves(sheet.holder.block).curves, sheet.holder.label
        mask = np.zeros(len(curves.frame), dtype=bool)
        home, old_home = curves.channel_of_key(), sheet.old.channel_of_key()
        own = changed_keys(before, sheet.old, prefix).ours
        for channel in sheet.curves.channels:
            if channel not in curves.channels:
                continue
            mine = home == curves.channels.index(channel)
            mask[mine] = True
            if channel in sheet.old.channels:
                came = old_home == sheet.old.channels.index(channel)
                came &= ~np.isnan(sheet.went) & ~own
                mask[mine] = ~on_frames(curves.frame[mine], sheet.went[came])
        now = written_keys(curves, prefix, mask=mask)
        for channel in sheet.curves.channels:
            name = f"{prefix}|{channel.label}"
            fresh = now.get(name, [])
            frames = {frame for frame, _ in fresh}
            found[name] = [*fresh, *(key for key in before.get(name, []) if key[0] not in frames)]
    return {name: keys for name, keys in found.items() if keys}


def _pushed_back(jump: Remembered, shift: Shift, sheets: Sequence[Sheet]) -> Remembered:
    """A jump whose keys went back: the same, later. Keys that were edited stay known as edited."""

    def later(frames: Mapping[str, float]) -> dict[str, float]:
        return {n: f + shift.by * (f > shift.after) for n, f in frames.items()}

    written = dict(jump.written)
    for sheet in sheets:
        ours = changed_keys(jump.written, sheet.old, sheet.holder.label).ours
        now = read_curves(sheet.holder.block).curves
        prints, home, old_home = fingerprints(now), now.channel_of_key(), sheet.old.channel_of_key()
        for i, name in enumerate(sheet.old.channels):
            label_ = f"{sheet.holder.label}|{name.label}"
            if label_ not in written or name not in now.channels:
                continue
            there = np.flatnonzero(home == now.channels.index(name))
            anew = {}
            for k in np.flatnonzero(ours & (old_home == i)).tolist():
                at = there[on_frames(now.frame[there], sheet.went[k : k + 1])]
                anew.update({float(sheet.old.frame[k]): prints[at[0]]} if at.size else {})
            written[label_] = [
                [f + shift.by * (f > shift.after), anew.get(f, was) if f > shift.after else was]
                for f, was in written[label_]
            ]
    asked = dict(jump.asked)
    if asked.get("pins"):
        asked["pins"] = later(asked["pins"])
    moments, poses = later(jump.moments), later(jump.poses)
    return replace(jump, asked=asked, written=written, moments=moments, poses=poses)


def _without(
    kept: Sequence[Remembered], new: Remembered, sheets: Sequence[Sheet]
) -> list[Remembered]:
    """Earlier jumps without the keys and moments that are the new one's now."""
    first, last = min(new.moments.values()), max(new.moments.values())
    channels = {f"{s.holder.label}|{c.label}" for s in sheets for c in s.curves.channels}

    def own(channel: str, keys: list[list[Any]]) -> list[list[Any]]:
        if channel not in channels:
            return keys
        return [key for key in keys if not first - 1e-3 <= key[0] <= last + 1e-3]

    told = []
    for jump in kept:
        written = {name: own(name, keys) for name, keys in jump.written.items()}
        low = jump.moments.get("low", first)
        after = low >= first > jump.moments["takeoff"]
        moments = {n: f for n, f in jump.moments.items() if not (after and n == "end")}
        told.append(replace(jump, written={n: k for n, k in written.items() if k}, moments=moments))
    return told


def _distance_warning(metres: float, frame: float, near: float) -> list[str]:
    """What no extra key could mend."""
    if metres <= near:
        return []
    text = (
        f"the COG is {metres * 100:.1f} cm off the plan on frame {frame:g}: something above or "
        "below the COG control moves between the poses"
    )
    return [text]


def _stray_warning(measured: Measured) -> list[str]:
    """Where the COG control is on the arc and the body's own COG is not."""
    stray = measured.stray
    if stray is None or stray.largest_m < STRAYS_FROM_M:
        return []
    text = (
        f"the COG control is on the arc; the COG by {stray.cog_from} strays up to "
        f"{stray.largest_m * 100:.1f} cm from one (frame {stray.at_frame:g})"
    )
    return [text]
