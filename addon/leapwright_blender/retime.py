# SPDX-License-Identifier: GPL-3.0-or-later
"""Retime a jump on a rig: the whole character's keys through one map of time, measured again."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

import leapwright
from leapwright.answer import retime_answer
from leapwright.curves import Channel, Curves, channel, identical, select
from leapwright.errors import HostError, NotFoundError
from leapwright.fingerprint import changed_keys, written_keys
from leapwright.retime import Retimed
from leapwright.style import Style, styled_air
from leapwright.timemap import TimeMap
from leapwright.units import STANDARD_GRAVITY, gravity_of
from leapwright.shape import Miss, largest_miss
from leapwright.warp import Warped, warp
from leapwright_blender import host, store
from leapwright_blender.block import prepare
from leapwright_blender.character import Holder, holders
from leapwright_blender.ground import Ground, ground_of
from leapwright_blender.hang import laid_anew
from leapwright_blender.heights import Flight, measure_flight
from leapwright_blender.markers import set_markers
from leapwright_blender.poses import measured_at
from leapwright_blender.read import read_curves
from leapwright_blender.rig import Controls
from leapwright_blender.space import Control, data_path_location
from leapwright_blender.store import Remembered
from leapwright_blender.timed import Moved, retime_others
from leapwright_blender.turning import jump_moments
from leapwright_blender.whole_pose import selected_paths
from leapwright_blender.write import write_all

__all__ = ["KeysMoved", "RetimedRig", "retime"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class KeysMoved:
    """What became of the keys.

    Attributes
    ----------
    channels : int
        Channels of which something changed.
    moved, split : int
        Keys on another frame; keys added where a curve had to be split.
    merged : tuple of (str, float, float)
        Channel, and frames (before) of the key that stayed and of the one that gave way to it.
    largest_miss : Miss
        How far a shape differs at most from before, at corresponding frames.
    """

    channels: int
    moved: int
    split: int
    merged: tuple[tuple[str, float, float], ...]
    largest_miss: Miss

    def to_json(self) -> dict[str, Any]:
        """The same as JSON values."""
        miss = self.largest_miss
        return {
            "channels": self.channels,
            "moved": self.moved,
            "split": self.split,
            "merged": [
                {"channel": c, "kept_frame": kept, "merged_frame": away}
                for c, kept, away in self.merged
            ],
            "largest_miss": {
                "value": miss.value,
                "of_range": miss.share,
                "channel": miss.channel,
                "frame": miss.frame,
            },
        }


@dataclass(frozen=True, slots=True)
class RetimedRig:
    """A retimed jump: the answer, what became of the keys, and the jump before and after.

    `after` is None on a dry run.
    """

    solved: Retimed
    keys: KeysMoved
    others: Moved
    before: Flight
    after: Flight | None
    props: tuple[str, ...]
    warnings: tuple[str, ...]

    def to_json(self) -> dict[str, Any]:
        """Everything as JSON values; units are in the names."""
        answer = retime_answer(self.solved)
        answer["keys"] = self.keys.to_json()
        answer["others"] = self.others.to_json()
        answer["props"] = list(self.props)
        answer["measured"] = {
            "before": self.before.to_json(),
            "after": None if self.after is None else self.after.to_json(),
        }
        answer["warnings"] = list(self.warnings)
        return answer


@dataclass(frozen=True, slots=True)
class _Page:
    """One data-block: its curves before, and after as far as they change."""

    holder: Holder
    before: Curves
    after: Curves
    warped: Warped


def retime(
    obj: Any,
    scene: Any,
    controls: Controls,
    *,
    moments: Mapping[str, float] | None = None,
    jump: int | None = None,
    to_gravity: bool | float | str = False,
    exact_shape: bool = False,
    subframes: bool = False,
    selected: bool = False,
    props: bool = True,
    markers: bool = True,
    dry_run: bool = False,
    shot_start: float | None = None,
    **ask: Any,
) -> RetimedRig:
    """Send a rig's jump through a map of time. `Rig.retime` is the documented door."""
    ground = ground_of(scene)
    frames, remembered = jump_moments(obj, scene, ground, controls, moments=moments, jump=jump)
    before = measure_flight(obj, scene, ground, controls, frames)
    solved = leapwright.retime(
        {name: frame for name, frame in before.moments.items() if name != "hold"},
        frame_rate=ground.frame_rate,
        heights=before.heights,
        style=_style(remembered),
        crouch_hold_frames=_hold(frames),
        to_gravity=_gravity(to_gravity, ground),
        shot_start=scene.frame_start if shot_start is None else shot_start,
        subframes=subframes,
        **{name: value for name, value in ask.items() if value is not None},
    )
    done = [] if dry_run else prepare(obj, props=props)
    only = selected_paths(obj) if selected else None
    pages = _pages(
        obj, controls, remembered, solved, before,
        exact=exact_shape, subframes=subframes, props=props, only=only,
    )  # fmt: skip
    _refuse(pages)
    if solved.answer.rewrite_air:
        pages = _hanging(scene, ground, controls, remembered, pages, solved, before)
    keys = _told(pages, solved.map)
    after, others = None, Moved()
    if not dry_run:
        after, others = _write(
            obj, scene, ground, controls, pages, solved, remembered, before,
            only=only, markers=markers,
        )  # fmt: skip
    return RetimedRig(
        solved=solved,
        keys=keys,
        others=others,
        before=before,
        after=after,
        props=tuple(f"{p.holder.label} ({p.holder.why})" for p in pages[1:]),
        warnings=(*done, *solved.warnings, *_unsplit(pages), *others.said),
    )


def _style(remembered: Remembered | None) -> Style | None:
    return Style.from_json(remembered.style) if remembered and remembered.style else None


def _hold(frames: Mapping[str, float]) -> float:
    return frames["crouch"] - frames["hold"] if {"hold", "crouch"} <= set(frames) else 0.0


def _gravity(wanted: bool | float | str, ground: Ground) -> float | None:
    if wanted is False or wanted is None:
        return None
    if wanted is True:
        return STANDARD_GRAVITY
    return ground.gravity if wanted == "scene" else float(gravity_of(wanted))


# --- Curves ------------------------------------------------------------------------------------


def _pages(
    obj: Any,
    controls: Controls,
    remembered: Remembered | None,
    solved: Retimed,
    before: Flight,
    *,
    exact: bool,
    subframes: bool,
    props: bool,
    only: Collection[str] | None,
) -> list[_Page]:
    air = before.moments["takeoff"], before.moments["land"]
    also = _moments(solved, before)
    pages = []
    for holder in holders(obj, props=props and only is None):
        curves = read_curves(holder.block).curves
        if only is not None:
            curves = select(
                curves,
                [i for i, c in enumerate(curves.channels) if c.data_path.startswith(tuple(only))],
            )
        ways = _carrying(controls, remembered, holder)
        physics = np.array([c.data_path in ways for c in curves.channels], dtype=bool)
        warped = warp(
            curves,
            solved.map,
            exact=exact,
            subframes=subframes,
            physics=physics,
            air=air,
            moments=also,
        )
        pages.append(_Page(holder, curves, warped.curves, warped))
    return pages


def _hanging(
    scene: Any,
    ground: Ground,
    controls: Controls,
    remembered: Remembered | None,
    pages: Sequence[_Page],
    solved: Retimed,
    before: Flight,
) -> list[_Page]:
    """Pages with the COG's air laid out anew, since its top hangs otherwise than before."""
    answer = solved.answer
    fps = float(ground.frame_rate)
    styled = styled_air(
        answer.style,
        jump_height=before.heights.jump,
        fall_height=before.heights.fall,
        air=answer.frames.air / fps,
        hang=answer.style.hang / fps,
    )
    carriers: list[Control] = [controls.cog, *controls.feet]
    if _air(controls, remembered) == "root" and controls.root is not None:
        carriers = [controls.root]
    air = float(answer.moments.takeoff), float(answer.moments.land)
    made = laid_anew(
        scene,
        ground,
        measured_at(controls),
        carriers,
        [(page.holder.block, page.after) for page in pages if page.after.channels],
        styled.path,
        air,
    )
    told = iter(made)
    return [_with_after(p, next(told)) if p.after.channels else p for p in pages]


def _with_after(page: _Page, after: Curves) -> _Page:
    """The page with other curves; every key of a channel that differs counts as changed."""
    if identical(after, page.after):
        return page
    same = [
        identical(channel(after, i), channel(page.after, i)) for i in range(len(after.channels))
    ]
    home = after.channel_of_key()
    changed = ~np.array(same)[home]
    for i in np.flatnonzero(same):
        here = slice(page.after.starts[i], page.after.starts[i + 1])
        changed[home == i] = page.warped.changed[here]
    added = max(len(after.frame) - len(page.after.frame), 0)
    split = np.zeros(len(after.frame), dtype=bool)
    split[:added] = True
    nothing = np.zeros(len(after.frame), dtype=bool)
    warped = replace(page.warped, curves=after, changed=changed, split=split, fixed=nothing)
    return replace(page, after=after, warped=warped)


def _air(controls: Controls, remembered: Remembered | None) -> str:
    return remembered.air if remembered else controls.carries


def _carrying(controls: Controls, remembered: Remembered | None, holder: Holder) -> set[str]:
    """Data paths of the locations that carry the COG, on one data-block."""
    carriers: list[Control] = [controls.cog]
    if controls.root is not None:
        carriers.append(controls.root)
    if _air(controls, remembered) == "feet":
        carriers += controls.feet
    return {
        data_path_location(c)
        for c in carriers
        if holder.kind == "objects" and c.object == holder.name
    }


def _moments(solved: Retimed, before: Flight) -> dict[float, float]:
    """Frames of the moments before and after: their keys go there."""
    after = dict(solved.moments_after)
    return {
        frame: float(after[name])
        for name, frame in before.moments.items()
        if name != "hold" and after.get(name) is not None and float(frame).is_integer()
    }


def _refuse(pages: Sequence[_Page]) -> None:
    if not any(len(page.before.frame) for page in pages):
        raise NotFoundError("there are no keys to retime")
    for page in pages:
        if not page.warped.changed.any() and len(page.after.frame) == len(page.before.frame):
            continue
        host.refuse_if_not_editable(page.holder.block, will_copy=True)
        locked = [c for c in read_curves(page.holder.block).locked if _changes(page, c)]
        if locked:
            shown = ", ".join(c.label for c in locked[:4])
            more = f" and {len(locked) - 4} more" if len(locked) > 4 else ""
            raise HostError(f"locked channels would be retimed: {shown}{more}; unlock them first")


def _changes(page: _Page, channel: Channel) -> bool:
    if channel not in page.before.channels:
        return False
    i = page.before.channels.index(channel)
    count = np.diff(page.before.starts)[i], np.diff(page.after.starts)[i]
    own = page.warped.changed[page.after.starts[i] : page.after.starts[i + 1]]
    return bool(own.any() or count[0] != count[1])


def _told(pages: Sequence[_Page], time_map: TimeMap) -> KeysMoved:
    misses = [largest_miss(p.before, p.after, time_map) for p in pages]
    worst = max(misses, key=lambda miss: miss.share)
    return KeysMoved(
        channels=sum(_changes(p, c) for p in pages for c in p.before.channels),
        moved=sum(p.warped.moved for p in pages),
        split=sum(int(p.warped.split.sum()) for p in pages),
        merged=tuple((m.channel, m.kept, m.away) for p in pages for m in p.warped.merged),
        largest_miss=worst,
    )


def _unsplit(pages: Sequence[_Page]) -> list[str]:
    listed = [f"{c} from {f:g}" for p in pages for c, f in p.warped.unsplit]
    if not listed:
        return []
    more = f" and {len(listed) - 4} more" if len(listed) > 4 else ""
    text = "eased segments that a bend of time runs through are stretched as a whole"
    return [f"{text}: {', '.join(listed[:4])}{more}"]


# --- Writing -----------------------------------------------------------------------------------


def _write(
    obj: Any,
    scene: Any,
    ground: Ground,
    controls: Controls,
    pages: Sequence[_Page],
    solved: Retimed,
    remembered: Remembered | None,
    before: Flight,
    *,
    only: Collection[str] | None,
    markers: bool,
) -> tuple[Flight, Moved]:
    changed = [(p, _changed_only(p)) for p in pages]
    ours = {p.holder.label: _ours(p, remembered) for p in pages}
    with write_all([(p.holder.block, curves, fixed, p.before) for p, (curves, fixed) in changed]):
        others = retime_others(
            [p.holder for p in pages], solved.map, channels=_channels(pages, only)
        )
    moments = {
        name: float(frame)
        for name, frame in solved.moments_after
        if frame is not None and name in before.moments
    }
    if "hold" in before.moments:
        moments["hold"] = float(solved.map.apply([before.moments["hold"]])[0])
    if remembered is not None:
        _remember(obj, scene, pages, solved, remembered, moments, ours, markers=markers)
    return measure_flight(obj, scene, ground, controls, moments), others


def _channels(pages: Sequence[_Page], only: Collection[str] | None) -> list[Channel] | None:
    return None if only is None else [c for p in pages for c in p.before.channels]


def _changed_only(page: _Page) -> tuple[Curves, NDArray[np.bool_]]:
    at = [i for i, c in enumerate(page.before.channels) if _changes(page, c)]
    mine = np.isin(page.after.channel_of_key(), at)
    return select(page.after, at), page.warped.fixed[mine]


def _ours(page: _Page, remembered: Remembered | None) -> Any:
    if remembered is None:
        return np.zeros(len(page.before.frame), dtype=bool)
    return changed_keys(remembered.written, page.before, page.holder.label).ours


def _remember(
    obj: Any,
    scene: Any,
    pages: Sequence[_Page],
    solved: Retimed,
    remembered: Remembered,
    moments: Mapping[str, float],
    ours: Mapping[str, Any],
    *,
    markers: bool,
) -> None:
    """The same jump at its new time, and later ones where they went."""
    style = solved.answer.style
    told = []
    for jump in store.load(obj):
        if jump.moments == remembered.moments:
            written = {}
            for page in pages:
                written.update(_written(page, ours[page.holder.label], solved.map))
            poses = {m: moments[m] for m in jump.poses if m in moments}
            gravity = solved.answer.physics
            told.append(
                replace(
                    jump,
                    moments=dict(moments),
                    poses=poses,
                    written=written,
                    style={} if style.is_true else style.to_json(),
                    gravity_m_s2=gravity.rise_gravity if gravity else jump.gravity_m_s2,
                )
            )
            continue
        told.append(_shifted(jump, solved.map))
    store.save(obj, told)
    if markers:
        set_markers(
            scene,
            obj.name,
            [{k: f for k, f in jump.moments.items() if k != "hold"} for jump in told],
        )


def _shifted(jump: Remembered, time_map: TimeMap) -> Remembered:
    def there(frame: float) -> float:
        return float(np.rint(time_map.apply([frame])[0]))

    return replace(
        jump,
        moments={m: there(f) for m, f in jump.moments.items()},
        poses={m: there(f) for m, f in jump.poses.items()},
        written={c: [[there(f), print_] for f, print_ in keys] for c, keys in jump.written.items()},
    )


def _written(page: _Page, ours: Any, time_map: TimeMap) -> dict[str, list[list[Any]]]:
    """Fingerprints of the jump's own keys where they are now, read back from the host."""
    now = read_curves(page.holder.block).curves
    mask = np.zeros(len(now.frame), dtype=bool)
    home = now.channel_of_key()
    for i, name in enumerate(page.before.channels):
        keys = slice(page.before.starts[i], page.before.starts[i + 1])
        frames = time_map.apply(page.before.frame[keys][ours[keys]].astype(np.float64))
        if not frames.size or name not in now.channels:
            continue
        mine = np.flatnonzero(home == now.channels.index(name))
        nearest = np.abs(now.frame[mine][None, :] - frames[:, None]).argmin(axis=1)
        mask[mine[nearest]] = True
    return written_keys(now, page.holder.label, mask=mask)
