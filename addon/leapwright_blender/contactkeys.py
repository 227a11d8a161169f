# SPDX-License-Identifier: GPL-3.0-or-later
"""Keys where feet leave and land, and keys on whole frames; no shape and no value changes."""

from __future__ import annotations

from collections.abc import Sequence

import bpy
import numpy as np
from numpy.typing import NDArray

from leapwright.curves import MERGE_FRAMES, Curves, Interpolation, Kind, move_keys
from leapwright.insert import insert_at
from leapwright_blender.cast import Cast
from leapwright_blender.recast import joined
from leapwright_blender.rig import Controls
from leapwright_blender.space import Control

__all__ = ["body_channels", "whole_keys", "with_contact_keys"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def body_channels(cast: Cast, controls: Controls, *, feet: bool = False) -> Bools:
    """Which channels of a cast move the COG control, the root and the feet, bool[C].

    Parameters
    ----------
    cast : Cast
    controls : Controls
    feet : bool
        Only those of the feet: foot controls and FK legs.
    """
    owners: set[Control] = set(controls.feet)
    for leg in controls.legs:
        if not leg.ik:
            owners |= {Control(leg.hip.object, bone) for bone in (*leg.chain, leg.after) if bone}
    if not feet:
        owners |= {controls.cog, *([controls.root] if controls.root is not None else [])}
    beginnings = {
        (c.object, f'pose.bones["{bpy.utils.escape_identifier(c.bone)}"].' if c.bone else "")
        for c in owners
    }
    return np.array(
        [
            part.holder.kind == "objects"
            and any(
                part.holder.name == name
                and (c.data_path.startswith(path) if path else "[" not in c.data_path)
                for name, path in beginnings
            )
            for part in cast.parts
            for c in part.curves.channels
        ],
        dtype=bool,
    )


def with_contact_keys(
    cast: Cast, curves: Sequence[Curves], controls: Controls, frames: Sequence[float]
) -> list[Curves]:
    """Curves with keys on some frames on the COG control, root and feet.

    Parameters
    ----------
    curves : sequence of Curves
        One for each part of the cast.
    frames : sequence of float

    Raises
    ------
    InputError
        A frame lies inside an easing segment.
    """
    every = joined(cast, curves)
    stepped = np.array(
        [
            bool((every.interpolation[a:b] == Interpolation.CONSTANT).all())
            for a, b in zip(every.starts[:-1], every.starts[1:], strict=True)
        ],
        dtype=bool,
    )
    keyed = np.diff(every.starts) > 1
    mine = np.flatnonzero(body_channels(cast, controls) & keyed & ~stepped)
    at = np.array(frames, dtype=np.float64)
    added = insert_at(every, np.repeat(mine, at.size), np.tile(at, mine.size), kind=Kind.KEYFRAME)
    return list(curves) if added is every else cast.split(added)


def whole_keys(
    cast: Cast, curves: Sequence[Curves], went: Floats, spans: Sequence[tuple[float, float]]
) -> tuple[list[Curves], Floats, list[str]]:
    """Keys between frames on the nearest whole one.

    Parameters
    ----------
    curves : sequence of Curves
        One for each part of the cast, with no other keys than those of the file.
    went : ndarray, shape (K,)
        Frame that each key of the file is on.
    spans : sequence of (float, float)

    Returns
    -------
    curves : list of Curves
    went : ndarray
    clashes : list of str
        Keys that stay, since another one is there.
    """
    every = joined(cast, curves)
    frame = every.frame.astype(np.float64)
    whole = np.rint(frame)
    inside = np.zeros(len(frame), dtype=bool)
    for first, last in spans:
        inside |= (frame >= first) & (frame <= last)
    chosen = inside & (np.abs(frame - whole) > MERGE_FRAMES / 2)
    home = every.channel_of_key()
    there = np.where(chosen, whole, frame)
    clash = np.zeros(len(frame), dtype=bool)
    near = np.flatnonzero((np.diff(home) == 0) & (np.diff(there) < MERGE_FRAMES))
    for k in near.tolist():
        clash[k if chosen[k] else k + 1] = True
        if chosen[k] and chosen[k + 1]:
            # Of two that want one frame the nearer one has it.
            far = k if abs(frame[k] - whole[k]) > abs(frame[k + 1] - whole[k + 1]) else k + 1
            clash[k], clash[k + 1] = far == k, far == k + 1
    said = [
        f"the key on {frame[k]:g} of {cast.label(every.channels[home[k]].label)} stays between "
        f"frames: {whole[k]:g} has a key"
        for k in np.flatnonzero(clash)
    ]
    chosen &= ~clash
    if not chosen.any():
        return list(curves), went, said
    moved = move_keys(every, chosen, whole[chosen])
    at = {(int(h), float(f)): float(n) for h, f, n in zip(home, frame, moved.frame, strict=True)}
    file = cast.curves.channel_of_key()
    new = np.array([at.get((int(h), float(f)), float(f)) for h, f in zip(file, went, strict=True)])
    return cast.split(moved), new, said
