# SPDX-License-Identifier: GPL-3.0-or-later
"""What carries the COG of a draft, COG control and root: their keys, and those of the moments."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import MERGE_FRAMES, Curves, channel, move_keys
from leapwright.errors import NotFoundError
from leapwright.found import FoundJump
from leapwright.repair import Repair
from leapwright_blender.contactkeys import body_channels
from leapwright_blender.draft import Draft, followed
from leapwright_blender.recast import joined
from leapwright_blender.relaid import is_on, keyed_axes
from leapwright_blender.rig import Controls
from leapwright_blender.space import Control, label

__all__ = ["carrier_frames", "contact_moved", "flyer_of", "new_moments"]

Floats = NDArray[np.float64]


def _carriers(controls: Controls) -> list[Control]:
    return list(dict.fromkeys([controls.cog, *([controls.root] if controls.root else [])]))


def _axes(made: Draft, control: Control) -> list[Curves]:
    return [
        channel(curves, i)
        for block, curves in made.played
        if is_on(control, block)
        for i in keyed_axes(curves, control).values()
    ]


def carrier_frames(made: Draft, controls: Controls) -> Floats:
    """Frames on which what carries the COG has keys.

    Parameters
    ----------
    made : Draft
    controls : Controls

    Raises
    ------
    NotFoundError
        It has none.
    """
    found = [one.frame.astype(np.float64) for c in _carriers(controls) for one in _axes(made, c)]
    if not found:
        raise NotFoundError(f"the location of {label(controls.cog)!r} has no keys: nothing to fix")
    return np.unique(np.concatenate(found))


def flyer_of(made: Draft, controls: Controls, repairs: Sequence[Repair]) -> Control:
    """What carries the body through the air: the root where its location moves there.

    Parameters
    ----------
    made : Draft
    controls : Controls
    repairs : sequence of Repair
    """
    root = controls.root
    if root is None or root == controls.cog:
        return controls.cog
    for one in _axes(made, root):
        for repair in repairs:
            first, last = repair.after["takeoff"], repair.after["land"]
            inside = (one.frame >= first - 1e-3) & (one.frame <= last + 1e-3)
            if np.any(inside) and float(np.ptp(one.value[inside])) > 1e-6:
                return root
    return controls.cog


def new_moments(made: Draft, controls: Controls, repairs: Sequence[Repair]) -> frozenset[float]:
    """Take-offs and lands whose place nobody posed.

    Parameters
    ----------
    made : Draft
    controls : Controls
    repairs : sequence of Repair
    """
    keyed: list[Floats] = []
    for number, part in enumerate(made.cast.parts):
        went = made.own(number)
        for control in _carriers(controls):
            if is_on(control, part.holder.block):
                keyed += [
                    went[part.curves.starts[i] : part.curves.starts[i + 1]]
                    for i in keyed_axes(part.curves, control).values()
                ]
    frames = np.concatenate([*keyed, np.zeros(0)])
    ends = {repair.after[m] for repair in repairs for m in ("takeoff", "land")}
    return frozenset(f for f in ends if np.abs(frames - f).min(initial=np.inf) > MERGE_FRAMES)


def contact_moved(made: Draft, controls: Controls, jump: FoundJump) -> tuple[Draft, str]:
    """The body's key of take-off, moved to where the feet leave.

    Parameters
    ----------
    made : Draft
    controls : Controls
    jump : FoundJump

    Returns
    -------
    Draft
    str
        What was done.
    """
    contact = jump.takeoffs.contact
    if contact is None:
        return made, "the take-off stays: no feet are known"
    keyed = carrier_frames(made, controls)
    inside = keyed[(keyed > jump.moments.crouch + 0.5) & (keyed < contact - MERGE_FRAMES)]
    there = np.abs(keyed - contact).min() <= MERGE_FRAMES
    if not inside.size or there:
        return made, f"the body is fastest where the feet leave, on frame {contact:g}"
    key = float(inside[np.argmin(np.abs(inside - jump.takeoffs.fastest))])
    mine = ~body_channels(made.cast, controls, feet=True)
    every = joined(made.cast, made.curves)
    home = every.channel_of_key()
    frame = every.frame.astype(np.float64)
    chosen = mine[home] & (np.abs(frame - key) < MERGE_FRAMES)
    blocked = mine[home] & (frame > key + MERGE_FRAMES) & (frame <= contact + MERGE_FRAMES)
    chosen &= ~np.isin(home, home[blocked])
    moved = move_keys(every, chosen, contact)
    frames = followed(made, every, moved)
    text = f"the take-off key goes from frame {key:g} to {contact:g}, where the feet leave"
    return replace(
        made,
        curves=made.cast.split(moved),
        frames=frames,
        moved={**made.moved, key: contact},
    ), text
