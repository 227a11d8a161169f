# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep the COG on its arc: on final poses, the COG control makes up for arms that rise and legs
that tuck, between take-off and land alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.curves import (
    MERGE_FRAMES,
    Channel,
    Curves,
    Interpolation,
    Kind,
    channel,
    concat,
    select,
)
from leapwright.errors import ClashError, HostError, InputError
from leapwright.fingerprint import changed_keys, written_keys
from leapwright.insert import insert_at
from leapwright.naming import is_never
from leapwright.path import handles_at_thirds
from leapwright.playback import evaluate
from leapwright.sparse import interpolate
from leapwright.style import Style, styled_air
from leapwright.units import positive
from leapwright_blender import host, store
from leapwright_blender.character import Holder
from leapwright_blender.chosen import jump_moments
from leapwright_blender.closed import refuse_channels
from leapwright_blender.cog import Source, cog_source
from leapwright_blender.correct import HELD, NEAR, ROOM, ROUNDS, TIGHTER, fitted, moved_share
from leapwright_blender.ground import Ground, ground_of
from leapwright_blender.hang import spliced
from leapwright_blender.poses import cog_on
from leapwright_blender.read import Reading, read_curves
from leapwright_blender.rehearsal import rehearsal
from leapwright_blender.rig import Controls
from leapwright_blender.sample import linear_maps
from leapwright_blender.schedule import on_frames
from leapwright_blender.space import Control, data_path_location, held_axes, label, the_object
from leapwright_blender.space import pose_bone as bone_of
from leapwright_blender.steps import Step, Steps, creeping, part
from leapwright_blender.store import Remembered
from leapwright_blender.write import write_all

__all__ = ["ArcKeys", "OffArc", "OnArc", "keep_on_arc"]

Floats = NDArray[np.float64]

STILL = 1e-6
"""An axis that is to move by no more than this keeps its keys as they are, in its own unit."""


@dataclass(frozen=True, slots=True)
class ArcKeys:
    """What becomes of one channel of the COG control.

    Attributes
    ----------
    channel : str
    changed : tuple of (float, float, float)
        Frame, value before and value after of keys that were there, in the air.
    added : tuple of float
        Frames of new keys.
    left : tuple of float
        Frames of keys whose value is as it was; on take-off and land all of them are.
    """

    channel: str
    changed: tuple[tuple[float, float, float], ...]
    added: tuple[float, ...]
    left: tuple[float, ...]

    def to_json(self) -> dict[str, Any]:
        """The same as JSON values."""
        return {
            "channel": self.channel,
            "changed": [{"frame": f, "before": a, "after": b} for f, a, b in self.changed],
            "added": list(self.added),
            "left": list(self.left),
        }


@dataclass(frozen=True, slots=True)
class OffArc:
    """How far the measured COG is from its arc on the frames of the air, m."""

    largest_m: float
    at_frame: float

    def to_json(self) -> dict[str, Any]:
        """The same as JSON values."""
        return {"largest_m": self.largest_m, "at_frame": self.at_frame}


@dataclass(frozen=True, slots=True)
class OnArc:
    """What keeping the COG on its arc did, or would do.

    Attributes
    ----------
    moments : dict of moment to frame
    cog_from, why : str
        What the COG was measured with, and why with that.
    gravity_m_s2 : float
        Gravity of the arc (of the rise, where a style gives the fall another).
    within_m : float
        How near the COG was to be held.
    before, after : OffArc
    keys : tuple of ArcKeys
        Channels that changed; nothing else did.
    dry_run : bool
        Whether nothing was written.
    warnings : tuple of str
    """

    moments: dict[str, float]
    cog_from: str
    why: str
    gravity_m_s2: float
    within_m: float
    before: OffArc
    after: OffArc
    keys: tuple[ArcKeys, ...]
    dry_run: bool
    warnings: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Everything as JSON values; units are in the names."""
        return {
            "moments": dict(self.moments),
            "cog_from": self.cog_from,
            "why": self.why,
            "gravity_m_s2": self.gravity_m_s2,
            "within_m": self.within_m,
            "off_arc_before": self.before.to_json(),
            "off_arc_after": self.after.to_json(),
            "keys": [keys.to_json() for keys in self.keys],
            "dry_run": self.dry_run,
            "warnings": list(self.warnings),
        }


@dataclass(frozen=True, slots=True, eq=False)
class _Air:
    """The air of a jump and who corrects it.

    Attributes
    ----------
    frames : ndarray, shape (F,)
        Take-off, land, all whole frames between and those of keys.
    keyed : int array
        Indices of frames that are keyed in any case.
    control : Control
    block : bpy.types.Object
        What the control's channels are on.
    base : Curves
        The three location channels, with keys on take-off and land, playing as before.
    """

    frames: Floats
    keyed: NDArray[np.int64]
    control: Control
    block: Any
    base: Curves


@dataclass(frozen=True, slots=True, eq=False)
class _Found:
    """The channels that hold the COG on its arc, and how well they do."""

    curves: Curves
    gravity: float
    before: OffArc
    after: OffArc


def keep_on_arc(
    obj: Any,
    scene: Any,
    controls: Controls,
    *,
    jump: int | None = None,
    moments: Mapping[str, float] | None = None,
    cog_from: str | None = None,
    within: float = 0.005,
    dry_run: bool = False,
) -> Steps[OnArc]:
    """Correct the COG control in the air, in steps. `Rig.keep_on_arc` is the documented door."""
    within = float(positive(within, "within", "m"))
    ground = ground_of(scene)
    finding = jump_moments(obj, scene, controls, moments=moments, jump=jump)
    frames, remembered = yield from part(finding, 0.0, 0.3)
    named = cog_from
    if named is None and remembered is not None and remembered.cog_from != "control":
        named = remembered.cog_from
    source = yield from cog_source(obj, scene, named, controls=controls)
    _refuse_held(controls)
    block = the_object(controls.cog)
    host.refuse_if_not_editable(block, will_copy=True)
    reading = read_curves(block)
    air = _air(controls.cog, block, reading.curves, (frames["takeoff"], frames["land"]))
    correcting = _corrected(obj, scene, ground, controls, source, air, remembered, within)
    found = yield from part(correcting, 0.3, 0.9)
    kept = _kept(reading.curves, air.base, found.curves)
    keys = tuple(_told(reading.curves, kept))
    said: list[str] = []
    after = found.after
    if kept.channels:
        _refuse_closed(reading, kept)
    if kept.channels and not dry_run:
        said += _written(obj, block, reading.curves, kept, remembered, source)
        after = _off(air.frames, _missing(obj, scene, ground, controls, source, air, remembered)[0])
    said += _words(after, within, remembered, source, changed=bool(kept.channels))
    return OnArc(
        moments={name: frame for name, frame in frames.items() if name != "hold"},
        cog_from=source.name,
        why=source.why,
        gravity_m_s2=found.gravity,
        within_m=within,
        before=found.before,
        after=after,
        keys=keys,
        dry_run=dry_run,
        warnings=tuple(said),
    )


# --- What is there -----------------------------------------------------------------------------


def _refuse_held(controls: Controls) -> None:
    """Refuse a COG control whose location must not, or cannot, be keyed."""
    control = controls.cog
    if is_never(controls.never, label(control), "location"):
        raise ClashError(
            f"the rig file says never to key the location of {label(control)!r}", ("rig_file",)
        )
    held = held_axes(control)
    if held:
        said = ", ".join(f"{axis} ({why})" for axis, why in held.items())
        raise HostError(f"the location of {label(control)!r} cannot be keyed freely: {said}")


def _refuse_closed(reading: Reading, kept: Curves) -> None:
    meant = set(kept.channels)
    for channels, what, remedy in (
        (reading.driven, "driven channels carry the COG", "remove the drivers of"),
        (reading.locked, "locked channels would be written", "unlock"),
        (reading.muted, "muted channels carry the COG", "unmute"),
        (reading.modified, "curve modifiers change channels that carry the COG", "remove"),
        (reading.sampled, "baked channels carry the COG", "un-bake"),
    ):
        refuse_channels(channels, meant, what, remedy)


def _air(control: Control, block: Any, curves: Curves, span: tuple[float, float]) -> _Air:
    """The COG control's channels, with keys where the air begins and ends."""
    takeoff, land = span
    path, group = data_path_location(control), control.bone or "Object Transforms"
    names = [Channel(path, axis, group) for axis in range(3)]
    own = [
        channel(curves, curves.channels.index(name))
        if name in curves.channels
        else _still(name, control, span)
        for name in names
    ]
    stepped = [one.channels[0].label for one in own if _is_stepped(one, span)]
    if stepped:
        raise InputError(
            f"moments: {stepped[0]} has stepped keys in the air: there is no arc between them; "
            "make splines first",
            "moments",
        )
    base = insert_at(concat(own), np.repeat(np.arange(3), 2), np.tile([takeoff, land], 3))
    keys = base.frame.astype(np.float64)
    keys = np.unique(keys[(keys > takeoff - MERGE_FRAMES) & (keys < land + MERGE_FRAMES)])
    whole = np.arange(np.ceil(takeoff), np.floor(land) + 1)
    whole = whole[np.abs(whole[:, None] - keys[None, :]).min(axis=1) > MERGE_FRAMES]
    frames = np.unique(np.concatenate([keys, whole]))
    return _Air(frames, np.searchsorted(frames, keys), control, block, base)


def _still(name: Channel, control: Control, span: tuple[float, float]) -> Curves:
    """A channel that has no keys: it stands where it is set."""
    holder = bone_of(control) if control.bone else the_object(control)
    value = float(holder.location[name.index])
    return Curves.checked(
        [name], [0, 2], list(span), [value, value],
        interpolation=Interpolation.BEZIER, kind=Kind.BREAKDOWN,
    )  # fmt: skip


def _is_stepped(one: Curves, span: tuple[float, float]) -> bool:
    """Whether a key holds its value into the air."""
    holds = one.interpolation == Interpolation.CONSTANT
    until = np.append(one.frame[1:], np.inf)
    inside = (one.frame < span[1] - MERGE_FRAMES) & (until > span[0] + MERGE_FRAMES)
    # Behind the last key nothing moves anyhow.
    inside[-1:] = False
    return bool((holds & inside).any())


# --- The arc -----------------------------------------------------------------------------------


def _missing(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    source: Source,
    air: _Air,
    remembered: Remembered | None,
) -> tuple[Floats, float]:
    """What the COG misses of the arc through its take-off and land, (F, 3) in m; its gravity."""
    places = cog_on(obj, scene, ground, controls, air.frames, source)
    times = (air.frames - air.frames[0]) / float(ground.frame_rate)
    share = (times / times[-1])[:, None]
    chord = places[0] + share * (places[-1] - places[0])
    above, gravity = _above(times, places, chord, remembered)
    arc = chord.copy()
    arc[:, 2] += above
    return arc - places, gravity


def _above(
    times: Floats, places: Floats, chord: Floats, remembered: Remembered | None
) -> tuple[Floats, float]:
    """How high the arc is above the straight line from take-off to land, and its gravity: that
    which the jump was made with, else the one that changes least."""
    half = times * (times[-1] - times) / 2
    if remembered is None:
        own = places[:, 2] - chord[:, 2]
        gravity = float(half @ own / (half @ half)) if half.any() else 0.0
        if gravity <= 0:
            raise InputError("moments: the COG does not rise between take-off and land", "moments")
        return gravity * half, gravity
    gravity = remembered.gravity_m_s2
    style = Style.from_json(remembered.style) if remembered.style else Style()
    if style.fall == 1 and style.hang == 0:
        return gravity * half, gravity
    return _styled(times, style, float(places[-1, 2] - places[0, 2]), gravity), gravity


def _styled(times: Floats, style: Style, level: float, gravity: float) -> Floats:
    """The same for a styled air of that gravity in its rise, whose height is found by halving."""
    total = float(times[-1])
    # A style's hang is in frames; the frames are whole but for their ends.
    hang = style.hang * total / max(len(times) - 1, 1)

    def air(height: float) -> Any:
        return styled_air(
            style, jump_height=height, fall_height=height - level, air=total, hang=hang
        )

    low, high = max(level, 0.0) + 1e-6, max(level, 0.0) + gravity * total**2
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if air(middle).rise_gravity < gravity else (low, middle)
    rise = air(high).path.at(times).position[:, -1]
    return np.asarray(rise - level * times / total)


def _off(frames: Floats, missing: Floats) -> OffArc:
    away = np.linalg.norm(missing, axis=1)
    worst = int(np.argmax(away))
    return OffArc(float(away[worst]), float(frames[worst]))


# --- The correction ----------------------------------------------------------------------------


def _corrected(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    source: Source,
    air: _Air,
    remembered: Remembered | None,
    within: float,
) -> Steps[_Found]:
    """Rehearse the correction until the COG is on its arc, then leave keys out."""
    frames = air.frames
    with rehearsal([(air.block, air.base)]) as stage:

        def missed(values: Floats | None = None) -> Floats:
            if values is not None:
                slopes = np.gradient(values, frames, axis=0)
                stage.write(air.block, _keyed(air, frames, values, slopes, slopes))
            missing = _missing(obj, scene, ground, controls, source, air, remembered)[0]
            missing[[0, -1]] = 0
            return missing

        missing, gravity = _missing(obj, scene, ground, controls, source, air, remembered)
        before = _off(frames, missing)
        if before.largest_m <= within:
            return _Found(air.base, gravity, before, before)
        linear = ground.axes @ linear_maps(obj, frames, air.control, scene=scene) * ground.metres
        own, share = evaluate(air.base, frames).T, np.ones(len(frames))
        for number in range(ROUNDS):
            yield Step(0.7 * creeping(number), HELD)
            by = missing / share[:, None]
            own = own + np.linalg.solve(linear, by[..., None])[..., 0]
            was, missing = missing, missed(own)
            share = moved_share(by, was - missing)
            if np.max(np.linalg.norm(missing, axis=1)) <= NEAR * within:
                break
        # Slopes may break where the air begins and ends alone.
        ends = np.isin(np.arange(len(frames)), [0, len(frames) - 1])
        asked = within * ROOM
        for number in range(ROUNDS):
            yield Step(0.7 + 0.3 * creeping(number), HELD)
            found = fitted(
                frames, own, linear * share[:, None, None], air.keyed, asked, corners=ends
            )
            at = frames[found.knots]
            values = interpolate(frames, own, found)[found.knots]
            curves = _keyed(air, at, values, found.slopes_in, found.slopes_out)
            stage.write(air.block, curves)
            after = _off(frames, missed())
            if after.largest_m <= within:
                break
            asked *= TIGHTER
    return _Found(curves, gravity, before, after)


def _keyed(air: _Air, at: Floats, values: Floats, before: Floats, after: Floats) -> Curves:
    """The three channels with other keys in the air."""
    parts = []
    for axis in range(3):
        key, left, right = handles_at_thirds(
            at, values[:, axis], before[:, axis], slopes_after=after[:, axis]
        )
        parts.append(spliced(channel(air.base, axis), key, left, right))
    return concat(parts)


def _kept(old: Curves, base: Curves, new: Curves) -> Curves:
    """The channels that are to be written: those of which any value is another one."""
    parts = []
    for i, name in enumerate(new.channels):
        now, was = channel(new, i), channel(base, i)
        if name in old.channels:
            was = channel(old, old.channels.index(name))
        frames = now.frame.astype(np.float64)
        whole = np.arange(np.ceil(frames[0]), np.floor(frames[-1]) + 1)
        at = np.unique(np.concatenate([frames, whole]))
        if np.max(np.abs(evaluate(now, at) - evaluate(was, at))) > STILL:
            parts.append(now)
    return concat(parts) if parts else select(new, [])


# --- Writing and telling -----------------------------------------------------------------------


def _told(old: Curves, kept: Curves) -> list[ArcKeys]:
    told = []
    for i, name in enumerate(kept.channels):
        now = channel(kept, i)
        there = channel(old, old.channels.index(name)) if name in old.channels else None
        were = np.zeros(0) if there is None else there.frame.astype(np.float64)
        values = np.zeros(0) if there is None else there.value.astype(np.float64)
        changed, added, left = [], [], []
        for frame, value in zip(now.frame.tolist(), now.value.tolist(), strict=True):
            near = np.flatnonzero(np.abs(were - frame) < MERGE_FRAMES)
            if not near.size:
                added.append(frame)
            elif abs(value - values[near[0]]) > STILL:
                changed.append((frame, float(values[near[0]]), value))
            else:
                left.append(frame)
        told.append(ArcKeys(name.label, tuple(changed), tuple(added), tuple(left)))
    return told


def _written(
    obj: Any,
    block: Any,
    old: Curves,
    kept: Curves,
    remembered: Remembered | None,
    source: Source,
) -> list[str]:
    """Write once, and remember the keys that are the jump's own as they are now."""
    said = host.make_editable(block)
    there = [old.channels.index(name) for name in kept.channels if name in old.channels]
    jumps = store.load(obj)
    with write_all([(block, kept, None, select(old, there))]):
        if jumps:
            prefix = Holder("objects", block.name, "a control of the rig").label
            mine = [jump == remembered for jump in jumps]
            store.save(
                obj,
                [
                    _known(jump, block, prefix, old, kept, source if own else None)
                    for jump, own in zip(jumps, mine, strict=True)
                ],
            )
    return list(said)


def _known(
    jump: Remembered, block: Any, prefix: str, old: Curves, kept: Curves, source: Source | None
) -> Remembered:
    """A jump's own keys as they are now; with a source it is the corrected jump, whose new keys
    are its own too. What was edited stays known as edited."""
    ours = changed_keys(jump.written, old, prefix).ours
    now = read_curves(block).curves
    mask = np.zeros(len(now.frame), dtype=bool)
    home, old_home = now.channel_of_key(), old.channel_of_key()
    for name in kept.channels:
        keys = np.flatnonzero(home == now.channels.index(name))
        was = old_home == old.channels.index(name) if name in old.channels else ours & False
        mask[keys] = on_frames(now.frame[keys], old.frame[was & ours].astype(np.float64))
        if source is not None:
            mask[keys] |= ~on_frames(now.frame[keys], old.frame[was].astype(np.float64))
    written = dict(jump.written)
    for label_, prints in written_keys(now, prefix, mask=mask).items():
        frames = np.array([frame for frame, _ in prints])
        stay = [
            key
            for key in written.get(label_, [])
            if np.abs(frames - key[0]).min(initial=np.inf) > MERGE_FRAMES
        ]
        written[label_] = sorted([*stay, *prints])
    if source is None:
        return replace(jump, written=written)
    return replace(jump, written=written, cog_from=source.name)


def _words(
    after: OffArc,
    within: float,
    remembered: Remembered | None,
    source: Source,
    *,
    changed: bool,
) -> Sequence[str]:
    said = []
    if after.largest_m > within:
        said.append(
            f"the COG is still {after.largest_m * 100:.1f} cm off its arc on frame "
            f"{after.at_frame:g}: it does not follow the COG control there"
        )
    if changed and remembered is not None and remembered.cog_from != source.name:
        said.append(
            f"the jump was on its arc by {remembered.cog_from}; it is by {source.name} now, and "
            "is measured with that from here on"
        )
    return said
