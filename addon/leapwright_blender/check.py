# SPDX-License-Identifier: GPL-3.0-or-later
"""The verb: read an animation, find its jumps, say what is off in them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import bpy

from leapwright.checked import Checked, Meant, check_track
from leapwright.fingerprint import changed_keys
from leapwright.found import FoundJump
from leapwright.style import Style
from leapwright.units import STANDARD_GRAVITY, gravity_of
from leapwright_blender import store
from leapwright_blender.character import holders
from leapwright_blender.cog import Source
from leapwright_blender.playing import played_action, playing
from leapwright_blender.read import read_curves
from leapwright_blender.rig import Controls
from leapwright_blender.steps import Steps
from leapwright_blender.store import Remembered
from leapwright_blender.tracked import Tracked, keyed_span, read_tracked

__all__ = ["check", "check_tracked", "link"]

_NO_KEYS = "no jump: {!r} has no keys"


def check(
    obj: Any,
    scene: Any,
    *,
    controls: Controls | None = None,
    cog_from: str | Source | None = None,
    gravity: float | str | None = None,
    ground: str | None = None,
    style: Style | None = None,
    intended: Mapping[str, str] | None = None,
    limits: Mapping[str, float] | None = None,
    twos: bool | None = None,
    action: str | None = None,
    frames: tuple[float, float] | None = None,
) -> Steps[Checked]:
    """Check the jumps of a rig, in steps. Nothing in the file is changed.

    What is not said is as the rig remembers it: a jump that was blocked is checked with the COG
    source, gravity and style that it was made with.

    Parameters
    ----------
    obj : bpy.types.Object
    scene : bpy.types.Scene
    controls : Controls, optional
        Default: as they are found; a rig may have none.
    cog_from : str or Source, optional
        ``control``, ``segments`` or ``mesh``; or what was read already.
    gravity : float or str, optional
        m/s², a body, or "scene".
    ground : str, optional
        Name of the object that is the floor.
    style : Style, optional
        What the show is meant to look like.
    intended : mapping of finding to reason, optional
        Beside what is kept with the shot.
    limits : mapping, optional
        Other values for `leapwright.thresholds.THRESHOLDS`.
    twos : bool, optional
        Default: as it was blocked, else as the keys are.
    action : str, optional
        Play this action alone instead.
    frames : (float, float), optional
        First and last frame. Default: all that is keyed.

    Returns
    -------
    Checked

    Raises
    ------
    InputError
        A value is not allowed.
    NotFoundError
        An action, object or source is not there.
    HostError
        The rig cannot be evaluated.
    """
    own = action is None or action == played_action(obj)
    jumps = store.load(obj) if own else ()
    if cog_from is None and jumps:
        cog_from = jumps[-1].cog_from
    with playing(obj, action):
        tracked = yield from read_tracked(
            obj, scene, controls=controls, cog_from=cog_from, ground=ground, frames=frames
        )
        edited = _edited(obj, jumps)
        still = frames is None and keyed_span(obj) is None
    checked = check_tracked(
        obj,
        tracked,
        jumps,
        gravity=gravity,
        style=style,
        intended={**store.load_intended(obj), **(intended or {})},
        limits=limits,
        twos=twos,
        warnings=edited,
    )
    return replace(checked, reason=_NO_KEYS.format(obj.name)) if still else checked


def check_tracked(
    obj: Any,
    tracked: Tracked,
    jumps: Sequence[Remembered] = (),
    *,
    gravity: float | str | None = None,
    style: Style | None = None,
    intended: Mapping[str, str] | None = None,
    limits: Mapping[str, float] | None = None,
    twos: bool | None = None,
    warnings: Sequence[str] = (),
) -> Checked:
    """Check what was read already; parameters as for `check`.

    Parameters
    ----------
    obj : bpy.types.Object
    tracked : Tracked
        From `leapwright_blender.tracked.read_tracked`.
    jumps : sequence of Remembered
        What the rig remembers.
    gravity, style, intended, limits, twos, warnings
        As for `check`.
    """
    g = tracked.ground.gravity if gravity == "scene" else gravity
    on_twos = _on_twos(tracked) if twos is None else twos

    def meant(found: FoundJump) -> Meant:
        number = link(found, jumps)
        known = None if number is None else jumps[number - 1]
        own = {} if known is None else _meant_of(known)
        return Meant(
            gravity=_gravity(g, known),
            style=style or (Style.from_json(known.style) if known else Style()),
            intended={**own, **(intended or {})},
            twos=on_twos if known is None or twos is not None else bool(known.asked.get("twos")),
        )

    checked = check_track(
        tracked.track,
        file=bpy.data.filepath,
        rig=obj.name,
        cog_from=tracked.source.name,
        meant=meant,
        ground=tracked.floor,
        limits=limits,
        warnings=[*tracked.warnings, *warnings],
    )
    return replace(checked, remembered=tuple(link(jump, jumps) for jump in checked.jumps))


def link(found: FoundJump, jumps: Sequence[Remembered]) -> int | None:
    """Number, from 1, of the remembered jump whose air a found one shares the most of.

    Parameters
    ----------
    found : FoundJump
    jumps : sequence of Remembered
    """
    shares = [_shared(found, jump) for jump in jumps]
    best = max(range(len(jumps)), key=shares.__getitem__, default=None)
    return None if best is None or shares[best] <= 0 else best + 1


def _shared(found: FoundJump, jump: Remembered) -> float:
    start = max(found.moments.takeoff, jump.moments["takeoff"])
    return min(found.moments.land, jump.moments["land"]) - start


def _meant_of(jump: Remembered) -> dict[str, str]:
    """What was marked, and what was asked for when the jump was blocked."""
    asked = {"key_between_frames": "asked between frames"} if jump.asked.get("subframes") else {}
    return {**asked, **store.intended_of(jump)}


def _gravity(typed: float | str | None, known: Remembered | None) -> float:
    if typed is not None:
        return float(gravity_of(typed))
    return STANDARD_GRAVITY if known is None else known.gravity_m_s2


def _on_twos(tracked: Tracked) -> bool:
    """Held poses on every other frame."""
    track = tracked.track
    if not track.stepped or track.keys is None or len(track.keys) < 4:
        return False
    gaps = (track.keys - track.keys[0]) % 2
    return bool((gaps < 1e-3).all())


def _edited(obj: Any, jumps: Sequence[Remembered]) -> list[str]:
    """Say which remembered jumps are no longer as they were blocked."""
    curves = {h.label: read_curves(h.block).curves for h in holders(obj)} if jumps else {}
    said = []
    for number, jump in enumerate(jumps, start=1):
        labels = {name.partition("|")[0] for name in jump.written}
        edits = [
            changed_keys(jump.written, curves[label], label) for label in labels if label in curves
        ]
        changed = sum(len(e.changed) for e in edits)
        gone = sum(len(e.gone) for e in edits)
        parts = [f"{changed} keys changed"] * bool(changed) + [f"{gone} gone"] * bool(gone)
        if parts:
            said.append(
                f"jump {number} (take-off {jump.moments['takeoff']:g}) was edited since it was "
                f"blocked: {', '.join(parts)}"
            )
    return said
