# SPDX-License-Identifier: GPL-3.0-or-later
"""A rig's animation as a track: its COG, soles, legs and keys over all frames that are keyed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import bpy
import numpy as np
from numpy.typing import NDArray

from leapwright.contacts import feet_of
from leapwright.curves import Curves, Interpolation
from leapwright.errors import HostError, InputError, NotFoundError
from leapwright.track import Track
from leapwright_blender import host
from leapwright_blender.character import holders
from leapwright_blender.cog import Source, cog_source
from leapwright_blender.floor import floor_of, level_under, refuse_moving, refuse_moving_parent
from leapwright_blender.ground import Ground, ground_of
from leapwright_blender.nla import strips_in_time
from leapwright_blender.reach import rest_length
from leapwright_blender.read import read_co, read_curves
from leapwright_blender.rig import Controls, find_controls
from leapwright_blender.sample import sampling
from leapwright_blender.space import Control, pose_bone
from leapwright_blender.steps import Steps, part
from leapwright_blender.treads import Tread, treads_of

__all__ = ["Tracked", "keyed_span", "read_tracked"]

Floats = NDArray[np.float64]

SAID_FROM_M = 0.02
"""A measured COG that strays less than this from its control, m, is not worth a word."""


CARRIED_FRAMES = 40
"""Frames on which it is seen whether something carries the figure along."""


@dataclass(frozen=True, slots=True, eq=False)
class Tracked:
    """What was read.

    Attributes
    ----------
    track : Track
        m, in the axes of a plan.
    source : Source
        What the COG was measured with.
    controls : Controls or None
        None where none were found: then keys and legs are not known.
    ground : Ground
        The scene's units, axes and gravity.
    floor : ndarray, shape (S, F), or None
        Height of the floor below each sole, m; None: where the soles rest.
    warnings : tuple of str
    """

    track: Track
    source: Source
    controls: Controls | None
    ground: Ground
    floor: Floats | None = None
    warnings: tuple[str, ...] = ()


def read_tracked(
    obj: Any,
    scene: Any,
    *,
    controls: Controls | None = None,
    cog_from: str | Source | None = None,
    ground: str | None = None,
    frames: tuple[float, float] | None = None,
) -> Steps[Tracked]:
    """Read the animation of a rig as the scene plays it, in steps; the scene is not stepped.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig, or the top object of a figure without bones.
    scene : bpy.types.Scene
    controls : Controls, optional
        Default: as they are found; a rig may have none.
    cog_from : str or Source, optional
        One of `leapwright_blender.cog.SOURCES`, or what was read already.
    ground : str, optional
        Name of the object that is the floor. Default: where the soles rest.
    frames : (float, float), optional
        First and last frame. Default: all that is keyed, and all NLA strips.

    Raises
    ------
    InputError
        An unknown source, or ground without a surface.
    NotFoundError
        A source or an object is not to be had.
    HostError
        The rig cannot be evaluated, or has no place on some frames.
    """
    space = ground_of(scene)
    _refuse_no_numbers(obj)
    controls = controls or _controls(obj, scene)
    other = None
    if isinstance(cog_from, Source):
        source = cog_from
    else:
        naming = cog_source(obj, scene, cog_from, controls=controls)
        source = yield from part(naming, 0.0, 0.15)
        other = yield from part(_other(obj, scene, source, controls), 0.15, 0.3)
    span = frames or keyed_span(obj) or (scene.frame_current,) * 2
    at = np.arange(np.floor(span[0]), np.ceil(span[1]) + 1, dtype=np.float64)
    treads = treads_of(obj, controls)
    legs = controls.legs if controls is not None else ()
    above = [Control(obj.name, _above(obj, leg)) for leg in legs]
    groups = (
        list(source.points),
        [] if other is None else list(other.points),
        [tread.point for tread in treads],
        [leg.hip for leg in legs],
        [leg.ankle for leg in legs],
        above,
    )
    every = [p for group in groups for p in group]
    places = yield from part(sampling(obj, at, every, scene=scene), 0.3, 0.95)
    ends = np.cumsum([len(group) for group in groups])

    def measured(space: Ground) -> tuple[Floats, list[Floats]]:
        of_cog, *parts = np.split(space.to_plan(places.positions), ends[:-1])
        return np.einsum("p,pfi->fi", source.masses, of_cog), parts

    cog, (second, soles, *_) = measured(space)
    _refuse_nowhere(obj, at, cog)
    space, said = _upright(space, cog, soles)
    cog, (second, soles, hips, ankles, _) = measured(space)
    stretch = None
    if legs:
        linear = places.matrices[ends[4] :, :, :3, :3]
        scale = np.abs(np.linalg.det(linear)) ** (1 / 3)
        length = np.array([rest_length(obj, leg) for leg in legs])[:, None] * scale * space.metres
        stretch = np.linalg.norm(hips - ankles, axis=-1) / np.maximum(length, 1e-12)
    keys, stepped = _keys(obj, controls)
    track = Track.of(
        cog,
        frames=at,
        frame_rate=space.frame_rate,
        soles=soles if len(soles) else None,
        names=[tread.name for tread in treads],
        stretch=stretch,
        keys=keys,
        stepped=stepped,
    )
    floor = None
    if ground is not None:
        floor, more = _floor(ground, scene, space, places, treads, track)
        said += more
    said += _carried(obj, scene, at)
    if other is not None:
        said += _stray(cog, np.einsum("p,pfi->fi", other.masses, second), other)
    if not treads:
        said.append("no feet were found: jumps are found by the COG alone")
    return Tracked(track, source, controls, space, floor, tuple(said))


def keyed_span(obj: Any) -> tuple[float, float] | None:
    """First and last frame of a character's keys and NLA strips; None without any."""
    edges: list[float] = []
    for holder in holders(obj, props=False):
        curves = read_curves(holder.block).curves
        if len(curves.frame):
            edges += [float(np.min(curves.frame)), float(np.max(curves.frame))]
        for strip in strips_in_time(holder.block):
            if not strip.mute:
                edges += [float(strip.frame_start), float(strip.frame_end)]
    return (min(edges), max(edges)) if edges else None


def _controls(obj: Any, scene: Any) -> Controls | None:
    try:
        return find_controls(obj, scene=scene)
    except NotFoundError:
        return None


def _other(obj: Any, scene: Any, source: Source, controls: Controls | None) -> Steps[Source | None]:
    """What the COG would be measured with beside its control, to say how far that strays."""
    if source.name != "control":
        return None
    try:
        other = yield from cog_source(obj, scene, controls=controls)
    except (NotFoundError, HostError):
        return None
    return None if other.name == "control" else other


def _stray(cog: Floats, second: Floats, other: Source) -> list[str]:
    """Say how far the other COG goes from the control, beyond their middle distance."""
    apart = second - cog
    middle = 0.5 * (apart.min(axis=0) + apart.max(axis=0))
    far = float(np.max(np.linalg.norm(apart - middle, axis=1)))
    if far < SAID_FROM_M:
        return []
    whose = {"segments": "a person's segments", "mesh": "the mesh"}[other.name]
    text = f"the COG control is what is checked; the COG of {whose} strays by up to"
    return [f"{text} {100 * far:.0f} cm from it; COG from {other.name} measures that"]


def _upright(space: Ground, cog: Floats, soles: Floats) -> tuple[Ground, list[str]]:
    """Who stands on their feet while the scene's gravity points up is measured as they stand;
    who hangs from a ceiling, as the gravity says."""
    if space.axes[2, 2] > -0.5:
        return space, []
    said = "the scene's gravity points up"
    if not len(soles):
        return space, [f"{said}: what is up counts as down"]
    if np.median(cog[:, 2] - np.min(soles[:, :, 2], axis=0)) > 0:
        return space, [f"{said}: what is up counts as down, as the figure stands"]
    turned = replace(space, axes=space.axes * np.array([[1.0], [-1.0], [-1.0]]))
    return turned, [f"{said}, but the figure stands on its feet: checked as if it pointed down"]


def _above(obj: Any, leg: Any) -> str:
    """The bone above the thigh: a stretching thigh is itself scaled."""
    parent = pose_bone(leg.hip, obj=obj).parent
    return "" if parent is None else str(parent.name)


def _refuse_no_numbers(obj: Any) -> None:
    """Keys may hold no number: another script wrote them."""
    for holder in holders(obj, props=False):
        for curve in host.fcurves_of(holder.block) or ():
            places = read_co([curve])
            bad = ~np.isfinite(places).all(axis=1)
            if bad.any():
                frame = float(places[int(np.argmax(bad)), 0])
                channel = f"{curve.data_path}[{curve.array_index}]"
                raise HostError(
                    f"{holder.label}: the curve {channel} has a key that is no number, on frame "
                    f"{frame:g}: mend it first"
                )


def _refuse_nowhere(obj: Any, at: Floats, cog: Floats) -> None:
    bad = ~np.isfinite(cog).all(axis=1)
    if bad.any():
        raise HostError(
            f"{obj.name!r} has no place on {int(bad.sum())} of {len(at)} frames, first on frame "
            f"{at[int(np.argmax(bad))]:g}: a curve or a driver gives something that is no number"
        )


# --- Keys ----------------------------------------------------------------------------------------


def _keys(obj: Any, controls: Controls | None) -> tuple[Floats | None, bool]:
    """Frames on which COG control, root and feet are keyed; and whether poses are held there."""
    body, feet = _beginnings(obj, controls)
    frames: list[Floats] = []
    held: list[bool] = []
    for name in dict.fromkeys(name for name, _ in [*body, *feet]):
        holder = bpy.data.objects.get(name)
        if holder is None:
            continue
        reading = read_curves(holder)
        curves, home = reading.curves, reading.curves.channel_of_key()
        for i, channel in enumerate(curves.channels):
            if not _is_of(channel.data_path, name, [*body, *feet]):
                continue
            frames.append(curves.frame[home == i].astype(np.float64))
            if _is_of(channel.data_path, name, body) and channel.data_path.endswith("location"):
                held.append(_is_held(curves, i))
        if any(_is_of(c.data_path, name, body) for c in reading.sampled):
            return None, False
    if not frames:
        return None, False
    return np.unique(np.concatenate(frames)), bool(held) and all(held)


def _beginnings(
    obj: Any, controls: Controls | None
) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """(object, bone) of what carries the body, and of the feet."""
    if controls is None:
        every = [(obj.name, bone.name) for bone in obj.pose.bones] if obj.pose else []
        return [(obj.name, ""), *every], []
    body = {controls.cog, *([controls.root] if controls.root else [])}
    body |= {controls.pelvis} if controls.pelvis else set()
    legs = [
        (obj.name, bone)
        for leg in controls.legs
        if not leg.ik
        for bone in (*leg.chain, leg.after)
        if bone
    ]
    feet = [(c.object, c.bone) for c in controls.feet]
    return [(c.object, c.bone) for c in body] + [(obj.name, "")], [*feet, *legs]


def _is_of(path: str, name: str, owners: Sequence[tuple[str, str]]) -> bool:
    """Whether a channel of an object moves one of these."""
    whose = ""
    if path.startswith('pose.bones["'):
        whose = path[len('pose.bones["') :].rpartition('"]')[0]
        whose = whose.replace('\\"', '"').replace("\\\\", "\\")
    return (name, whose) in owners


def _is_held(curves: Curves, channel: int) -> bool:
    """Whether every key but the last holds its value; one key holds for ever."""
    keys = slice(int(curves.starts[channel]), int(curves.starts[channel + 1]))
    kinds, values = curves.interpolation[keys][:-1], curves.value[keys]
    return bool(np.all(kinds == Interpolation.CONSTANT)) or float(np.ptp(values)) < 1e-9


# --- What carries it ---------------------------------------------------------------------------


def _carried(obj: Any, scene: Any, at: Floats) -> list[str]:
    """Say that a parent or a constraint moves the whole figure; a few frames tell."""
    some = np.unique(np.linspace(0, len(at) - 1, min(len(at), CARRIED_FRAMES)).astype(int))
    try:
        refuse_moving_parent(obj, scene, at[some])
    except HostError as error:
        what, _, _ = str(error).partition(": ")
        return [f"{what}: that counts as the figure's own way, and feet that ride along as sliding"]
    return []


# --- The floor -----------------------------------------------------------------------------------


def _floor(
    name: str, scene: Any, space: Ground, places: Any, treads: Sequence[Tread], track: Track
) -> tuple[Floats | None, list[str]]:
    """Height of an object's top under each sole; beside it, where the soles rest."""
    picked = floor_of(name, scene)
    if track.soles is None:
        return None, [f"ground {name!r} says nothing where no feet are found"]
    up, at = space.axes[2], track.frames
    world = places.positions[[places.points.index(tread.point) for tread in treads]]
    said = []
    try:
        refuse_moving(picked, scene, at)
        level = level_under(picked, scene, world.reshape(-1, 3), up, float(at[0]))
        top = level.reshape(world.shape[:2])
    except HostError:
        said.append(f"the ground {name!r} moves: feet that ride on it count as sliding")
        top = np.stack(
            [level_under(picked, scene, world[:, i], up, float(f)) for i, f in enumerate(at)], 1
        )
    top = top * space.metres
    beside = np.isnan(top)
    if beside.all():
        raise InputError(f"`ground`: no foot is ever over {name!r}", "ground")
    if beside.any():
        top = np.where(beside, _rests(track), top)
    return top, said


def _rests(track: Track) -> Floats:
    """Height of the floor that the soles' own rests say, (S, F)."""
    assert track.soles is not None
    feet = feet_of(track)
    rows = track.known()
    height = track.soles[:, :, 2]
    if feet is None or feet.above is None:
        return np.broadcast_to(height.min(axis=1, keepdims=True), height.shape)
    floor = height[:, rows] - feet.above
    held = np.searchsorted(rows, np.arange(height.shape[1]), side="right") - 1
    return np.asarray(floor[:, np.maximum(held, 0)])
