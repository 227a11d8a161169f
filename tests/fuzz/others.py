# SPDX-License-Identifier: GPL-3.0-or-later
"""Random sequences on what is not the hare with IK paws: FK legs, a figure of objects, an import.
What a report does not name is not lost; undo, redo and files give back what was there."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import bpy
import numpy as np
from mathutils import Vector

from blender.rigs import build
from leapwright.curves import Curves, channel, identical
from leapwright.errors import LeapwrightError
from leapwright_blender import open_shot, rig_of
from leapwright_blender.read import read_curves
from leapwright_blender.space import pose_bone, the_object

__all__ = ["LIKELY", "other_sequences"]

LIKELY = (
    "hare with FK legs", "hare with FK legs", "figure of objects", "figure of objects",
    "quadruped with FK legs", "glTF import", "hare without a root", "single mesh",
    "hare with namespaces",
)  # fmt: skip
POSES = {"start": 1, "crouch": 9, "takeoff": 14, "land": 27}
STEPS = 8
By = dict[tuple[str, str], Curves]


# --- The shot ------------------------------------------------------------------------------------


def keyed_shot(kind: str, random: np.random.Generator) -> str:
    """A rig of a kind with four poses, breakdowns and later keys; a fox, a camera, markers."""
    obj = build(kind)
    bpy.context.preferences.edit.use_global_undo = True
    scene = bpy.context.scene
    scene.render.fps = 24
    for index, frame in enumerate((14, 40, 90)):
        fox = bpy.data.objects.get("Fox cub") or bpy.data.objects.new("Fox cub", None)
        if fox.name not in scene.collection.objects:
            scene.collection.objects.link(fox)
        fox.location[0] = float(index)
        fox.keyframe_insert("location", frame=frame)
    scene.timeline_markers.new("drum", frame=17)
    controls = rig_of(obj, scene).find()
    for (lift, way), frame in zip(
        ((0.0, 0.0), (-0.15, 0.0), (0.1, 0.05), (-0.02, 0.7)), POSES.values(), strict=True
    ):
        if controls.root is not None:
            _moved(controls.root, (0, -way, 0), frame)
            _moved(controls.cog, (0, 0, lift), frame)
        else:
            _moved(controls.cog, (0, -way, lift), frame)
        for foot in controls.feet if controls.root is None else ():
            _moved(foot, (0, -way, 0), frame)
    parts = list(obj.pose.bones) if obj.pose else [obj, *obj.children_recursive]
    limbs = [part for part in parts if not _is_control(part, controls)]
    for part in random.permutation(len(limbs))[:6].tolist():
        _turned(limbs[part], random)
    bpy.context.view_layer.update()
    return str(obj.name)


def _is_control(part: Any, controls: Any) -> bool:
    return part.name in {c.bone or c.object for c in (controls.cog, controls.root) if c}


def _moved(control: Any, by: tuple[float, float, float], frame: int) -> None:
    owner = the_object(control)
    thing = pose_bone(control) if control.bone else owner
    if control.bone:
        turn = owner.matrix_world.to_3x3() @ thing.bone.matrix_local.to_3x3()
        thing.location = turn.inverted() @ Vector(by)
    else:
        thing["rest"] = thing.get("rest", list(thing.location))
        thing.location = Vector(thing["rest"][:]) + Vector(by)
    thing.keyframe_insert("location", frame=frame)


def _turned(part: Any, random: np.random.Generator) -> None:
    part.rotation_mode = str(random.choice(["XYZ", "QUATERNION"]))
    path = "rotation_quaternion" if part.rotation_mode == "QUATERNION" else "rotation_euler"
    later = random.choice(np.arange(30, 120), 3, replace=False).tolist()
    for frame in (*POSES.values(), *random.choice([4, 11, 18, 22], 2).tolist(), *later):
        value = getattr(part, path)
        setattr(part, path, np.array(value) + random.uniform(-0.1, 0.1, len(value)))
        part.keyframe_insert(path, frame=int(frame))


# --- What there is -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class State:
    """All keys by whose they are and their channel, markers, and what is remembered."""

    keys: By
    markers: tuple[tuple[str, int], ...]
    remembered: str
    rest: tuple[Any, ...]

    def same_as(self, other: State) -> None:
        assert self.keys.keys() == other.keys.keys()
        for name, curves in self.keys.items():
            assert identical(curves, other.keys[name]), name
        assert self.markers == other.markers
        assert self.remembered == other.remembered
        assert self.rest == other.rest


def state(name: str) -> State:
    scene = bpy.context.scene
    keys: By = {}
    for obj in scene.objects:
        curves = read_curves(obj).curves
        keys |= {(obj.name, c.label): channel(curves, i) for i, c in enumerate(curves.channels)}
    markers = tuple(sorted((m.name, m.frame) for m in scene.timeline_markers))
    rest = (scene.frame_current, len(bpy.data.scenes), sorted(o.name for o in bpy.data.objects))
    return State(keys, markers, bpy.data.objects[name].get("leapwright", ""), rest)


NONE = Curves.empty()


def whose(name: str, key: tuple[str, str]) -> str:
    """A channel as reports call it."""
    return key[1] if key[0] == name else f"{key[0]}: {key[1]}"


def others_are_left(before: State, after: State) -> None:
    for key, curves in before.keys.items():
        if key[0] == "Fox cub":
            assert identical(curves, after.keys[key]), key
    assert ("drum", 17) in after.markers
    assert before.rest == after.rest


def every(before: State, after: State) -> Any:
    for key in before.keys.keys() | after.keys.keys():
        yield key, before.keys.get(key, NONE), after.keys.get(key, NONE)


# --- The steps -----------------------------------------------------------------------------------


def keyed_is_told(name: str, before: State, after: State, keyed: Any) -> None:
    """Of block and spline: every key that moved, went, came or stayed is named."""
    said: dict[str, list[Any]] = {}
    for one in keyed:
        said.setdefault(one.channel, []).append(one)
    for key, old, new in every(before, after):
        told = said.pop(whose(name, key), None)
        if told is None:
            assert identical(old, new), key
            continue
        came = {f for one in told for f in one.new}
        moved = [pair for one in told for pair in one.moves]
        gone = {f for one in told for f in one.gone}
        stay = {f for one in told for f in one.stay} - came
        assert sorted([a for a, _ in moved] + list(gone) + list(stay)) == old.frame.tolist(), key
        assert sorted([b for _, b in moved] + list(came) + list(stay)) == new.frame.tolist(), key
    assert not said


def merged_are_told(name: str, before: State, after: State, result: Any) -> None:
    """Of retime and resize: no key is fewer but for those that are named as merged, and for our
    own between the poses of FK legs that give way, which are counted."""
    merged = [label for label, _, _ in result.keys.merged]
    said = [re.match(r"(\d+) keys? .*gave way", text) for text in result.warnings]
    allowed = sum(int(found[1]) for found in said if found)
    lost = 0
    for key, old, new in every(before, after):
        gone = merged.count(whose(name, key))
        lost += max(0, len(old.frame) - gone - len(new.frame))
        assert np.all(np.isfinite(new.value)), key
    assert lost <= allowed, (lost, allowed)


def added_are_told(name: str, before: State, after: State, keys: Any) -> None:
    """Of fix and keep_on_arc: what is not named is the same, and nothing has fewer keys."""
    said = {one.channel: one for one in keys}
    for key, old, new in every(before, after):
        told = said.get(whose(name, key))
        if told is None:
            assert identical(old, new), key
        else:
            assert len(new.frame) == len(old.frame) + len(told.added), key


def block(rig: Any, random: np.random.Generator) -> Any:
    asked: dict[str, Any] = {"rise_frames": int(random.integers(5, 16))}
    asked["stepped"] = bool(random.random() < 0.5)
    asked["after"] = str(random.choice(["keep", "shift"]))
    asked["replace"] = bool(random.random() < 0.7)
    asked["key"] = [None, None, "touched", "all"][int(random.integers(4))]
    jumps = rig.remembered()
    asked["poses"] = dict(jumps[-1].poses) if jumps else dict(POSES)
    if random.random() < 0.3:
        asked["poses"], asked["push_height"] = {}, 0.2
        asked["pins"] = {"crouch": int(random.integers(1, 90))}
    return rig.block(**asked).keyed


def again(rig: Any, random: np.random.Generator) -> Any:
    return rig.block_again(jump_height=float(random.uniform(0.1, 2)), replace=True).keyed


def retime(rig: Any, random: np.random.Generator) -> Any:
    how = {"after": str(random.choice(["shift", "stretch"])), "exact_shape": random.random() < 0.2}
    return rig.retime(snappiness=float(random.choice([0.5, 0.8, 1.3, 2.0])), **how)


def resize(rig: Any, random: np.random.Generator) -> Any:
    if random.random() < 0.3:
        return rig.resize(travel=float(random.uniform(-2, 2)))
    return rig.resize(times_height=float(random.choice([0.7, 1.3, 2.0])))


def keep_on_arc(rig: Any, random: np.random.Generator) -> Any:
    return rig.keep_on_arc(cog_from=str(random.choice(["control", "segments", "mesh"]))).keys


Verb = Callable[[Any, np.random.Generator], Any]
Told = Callable[[str, State, State, Any], None]
VERBS: Mapping[str, tuple[int, Verb, Told]] = MappingProxyType(
    {
        "block": (4, block, keyed_is_told),
        "again": (2, again, keyed_is_told),
        "spline": (3, lambda rig, _: rig.spline().keyed, keyed_is_told),
        "retime": (4, retime, merged_are_told),
        "resize": (3, resize, merged_are_told),
        "fix": (3, lambda rig, _: rig.fix().keys, added_are_told),
        "keep_on_arc": (2, keep_on_arc, added_are_told),
    }
)
BESIDES = {"undo": 3, "redo": 2, "save": 2}


def has_words(error: LeapwrightError) -> None:
    assert str(error).strip(), type(error)


class Session:
    """A file as it goes through steps, and every state that undo must give back."""

    def __init__(self, kind: str, random: np.random.Generator, folder: Path) -> None:
        self.random, self.path = random, folder / "shot.blend"
        self.name = keyed_shot(kind, random)
        bpy.ops.wm.save_as_mainfile(filepath=str(self.path))
        self.begin()

    def begin(self) -> None:
        bpy.ops.ed.undo_push(message="begin")
        self.history, self.at = [state(self.name)], 0

    def step(self, name: str) -> bool:
        return self.write(name) if name in VERBS else bool(getattr(self, name)())

    def write(self, name: str) -> bool:
        before = self.history[self.at]
        _, verb, told = VERBS[name]
        try:
            keys = verb(rig_of(bpy.data.objects[self.name], bpy.context.scene), self.random)
        except LeapwrightError as error:
            has_words(error)
            state(self.name).same_as(before)
            return False
        after = state(self.name)
        others_are_left(before, after)
        told(self.name, before, after, keys)
        bpy.ops.ed.undo_push(message=name)
        self.history = [*self.history[: self.at + 1], after]
        self.at += 1
        return True

    def undo(self) -> bool:
        return self._walk(-1)

    def redo(self) -> bool:
        return self._walk(1)

    def _walk(self, by: int) -> bool:
        if not 0 <= self.at + by < len(self.history):
            return False
        (bpy.ops.ed.undo if by < 0 else bpy.ops.ed.redo)()
        self.at += by
        state(self.name).same_as(self.history[self.at])
        return True

    def save(self) -> bool:
        before = self.history[self.at]
        bpy.ops.wm.save_as_mainfile(filepath=str(self.path))
        open_shot(self.path)
        bpy.context.preferences.edit.use_global_undo = True
        state(self.name).same_as(before)
        self.begin()
        return True


def other_sequences(seed: int) -> list[str]:
    """Eight steps of any kind, then back through all of them and forth again."""
    random = np.random.default_rng([13, seed])
    kind = LIKELY[seed % len(LIKELY)]
    chances = {name: weight for name, (weight, _, _) in VERBS.items()} | BESIDES
    weights = np.array([*chances.values()], dtype=float)
    with tempfile.TemporaryDirectory(prefix="leapwright-fuzz-") as folder:
        session = Session(kind, random, Path(folder))
        steps = random.choice([*chances], STEPS, p=weights / weights.sum()).tolist()
        done = [name for name in ("block", *steps) if session.step(name)]
        while session.undo():
            pass
        while session.redo():
            pass
    return [kind, *done]
