# SPDX-License-Identifier: GPL-3.0-or-later
"""Hard use in Blender, by seeds: long random sequences of everything that writes, and rigs that
nobody should build. What a report does not name must not be lost; nothing may crash the host."""

from __future__ import annotations

import contextlib
import tempfile
import time
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import bpy
import numpy as np

from blender.rigs import KINDS, build
from blender.test_sequences import CHOICES, HOLDERS, POSES, Session, State, hare, state
from leapwright.curves import Curves, channel, identical
from leapwright.errors import LeapwrightError
from leapwright_blender import open_shot, rig_of
from leapwright_blender.read import read_curves
from leapwright_blender.rig import find_controls
from leapwright_blender.rigfile import save_rig_file

from .anything import EDGES, scratch
from .others import other_sequences

__all__ = ["SHOTS", "odd_rigs", "sequences"]

STEPS = 10
SLOWEST = 180.0
"""Seconds of this process's own time after which a verb hangs: a push of twelve seconds at 120
frames a second, worked out for two legs on every frame, is long and does end."""
OWN = ("Hare", "Satchel")
"""Whose keys a retime of the hare may reach."""


# --- Sequences -----------------------------------------------------------------------------------


def by_label(curves: Curves) -> dict[str, Curves]:
    return {c.label: channel(curves, i) for i, c in enumerate(curves.channels)}


def others_untouched(before: State, after: State) -> None:
    for name in HOLDERS:
        if name not in OWN:
            assert identical(before.curves[name], after.curves[name]), name
    theirs = [
        [m for m in s.markers if m[2] or not m[0].startswith(("Hare ", "Hare."))]
        for s in (before, after)
    ]
    assert theirs[0] == theirs[1]
    assert before.rest[1:3] == after.rest[1:3]
    assert set(before.rest[3]) <= set(after.rest[3])


def total(state: State) -> int:
    return sum(len(state.curves[name].frame) for name in OWN)


def after_retime(before: State, after: State, result: Any) -> None:
    """Every key is there again, but for the merged ones that are named; only COG and root channels
    get new ones."""
    others_untouched(before, after)
    keys = result.keys
    assert total(after) == total(before) + keys.split - len(keys.merged), keys
    merged = [name for name, _, _ in keys.merged]
    for name in OWN:
        was, now = by_label(before.curves[name]), by_label(after.curves[name])
        assert was.keys() == now.keys()
        for label, old in was.items():
            gone = sum(label in one for one in merged)
            assert len(now[label].frame) >= len(old.frame) - gone, label
            assert np.all(np.isfinite(now[label].value)), label
            if "location" not in label and not gone and len(now[label].frame) == len(old.frame):
                assert now[label].value.tobytes() == old.value.tobytes(), label


def do_retime(random: np.random.Generator) -> None:
    before = state()
    wish: dict[str, Any] = {"snappiness": float(random.choice([0.5, 0.8, 1.2, 1.5, 2.0]))}
    if random.random() < 0.3:
        wish = {str(random.choice(["rise_frames", "air_frames"])): int(random.integers(2, 30))}
    wish["exact_shape"] = bool(random.random() < 0.3)
    wish["after"] = str(random.choice(["shift", "stretch"]))
    result = hare().retime(**wish)
    if not wish["exact_shape"]:
        after_retime(before, state(), result)
    else:
        others_untouched(before, state())


def do_resize(random: np.random.Generator) -> None:
    before = state()
    wish: dict[str, Any] = {"times_height": float(random.choice([0.7, 1.2, 1.44, 2.0]))}
    if random.random() < 0.3:
        wish = {"travel": float(random.uniform(-2, 2))}
    result = hare().resize(**wish)
    after = state()
    others_untouched(before, after)
    for name in OWN:
        was, now = by_label(before.curves[name]), by_label(after.curves[name])
        assert was.keys() <= now.keys()
        for label, old in was.items():
            gone = sum(label in one for one, _, _ in result.keys.merged)
            if "location" not in label:
                assert len(now[label].frame) == len(old.frame) - gone, label


def do_fix(random: np.random.Generator) -> None:
    before = state()
    result = hare().fix()
    after = state()
    others_untouched(before, after)
    said = {one.channel: one for one in result.keys}
    for name in OWN:
        was, now = by_label(before.curves[name]), by_label(after.curves[name])
        for label in was.keys() | now.keys():
            old, new = was.get(label, Curves.empty()), now.get(label, Curves.empty())
            whose = label if name == "Hare" else f"{name}: {label}"
            if whose not in said:
                assert identical(old, new), whose
                continue
            assert len(new.frame) == len(old.frame) + len(said[whose].added), whose


def do_keep_on_arc(random: np.random.Generator) -> None:
    before = state()
    source = ("control", "segments", "mesh")[int(random.integers(3))]
    hare().keep_on_arc(cog_from=source)
    after = state()
    others_untouched(before, after)
    for name in OWN:
        was, now = by_label(before.curves[name]), by_label(after.curves[name])
        for label, old in was.items():
            assert set(old.frame.tolist()) <= set(now[label].frame.tolist()), label


MORE: Mapping[str, Callable[[np.random.Generator], None]] = MappingProxyType(
    {"retime": do_retime, "resize": do_resize, "fix": do_fix, "keep_on_arc": do_keep_on_arc}
)


def said(error: LeapwrightError) -> None:
    """A refusal has words."""
    assert str(error).strip(), type(error)


class Wild(Session):
    """A session that also changes time, size and what is off."""

    def step(self, name: str) -> bool:
        if name not in MORE:
            return super().step(name)
        before = self.history[self.at]
        try:
            MORE[name](self.random)
        except LeapwrightError as error:
            said(error)
            state().same_as(before)
            return False
        self.push()
        return True


def sequences(seed: int) -> list[str]:
    """Ten steps of any kind, then back through all of them and forth again."""
    random = np.random.default_rng([7, seed])
    names = [*CHOICES, *MORE]
    weights = np.array([*CHOICES.values(), 4, 2, 2, 1], dtype=float)
    with tempfile.TemporaryDirectory(prefix="leapwright-fuzz-") as folder:
        session = Wild(random, Path(folder))
        steps = ["block", *random.choice(names, STEPS, p=weights / weights.sum()).tolist()]
        done = [name for name in steps if session.step(name)]
        while session.undo():
            pass
        while session.redo():
            pass
    return done


# --- Rigs that nobody should build ---------------------------------------------------------------

NAMES = (
    "Hüfte", "足.L", "قدم", "ступня_R", "पैर", "🐇", "a\nb", 'q"uote', "back\\slash", "it's", " ",
    "[0]", "*", "rig:ns:foot.L", "x" * 60, "root", "COG", "é", "e\u0301", "..", "../up", "%s", "{}",
)  # fmt: skip


def renamed(obj: Any, random: np.random.Generator) -> None:
    things = [obj, *(obj.pose.bones if obj.pose else obj.children_recursive)]
    for thing in things:
        if random.random() < 0.4:
            # Longer names are cut by the host, in the middle of a letter by 4.2.
            name = unicodedata.normalize("NFC", str(random.choice(NAMES)))[:15]
            thing.name = name or "x"


def turned_in_circles(obj: Any, random: np.random.Generator) -> None:
    """Constraints that wait for each other."""
    bones = list(obj.pose.bones) if obj.pose else []
    for kind in ("COPY_LOCATION", "COPY_TRANSFORMS", "DAMPED_TRACK", "CHILD_OF"):
        if bones and random.random() < 0.7:
            a, b = (bones[int(i)] for i in random.integers(len(bones), size=2))
            for one, other in ((a, b), (b, a)):
                made = one.constraints.new(kind)
                made.target, made.subtarget = obj, other.name
    if random.random() < 0.5:
        made = obj.constraints.new("COPY_LOCATION")
        made.target = obj if random.random() < 0.3 else bpy.context.scene.objects[0]


def squeezed(obj: Any, random: np.random.Generator) -> None:
    """Scales of zero, below zero, and beyond reason."""
    scales = (0.0, -1.0, 1e-6, 1e6, 1e-20, 1e20)
    for thing in [obj, *(obj.pose.bones if obj.pose else ())]:
        if random.random() < (0.5 if thing == obj else 0.1):
            thing.scale[int(random.integers(3))] = float(random.choice(scales))
            if random.random() < 0.5:
                thing.scale = (float(random.choice(scales)),) * 3


def parented(obj: Any, random: np.random.Generator) -> None:
    """Under something that is turned, mirrored or flat."""
    over = bpy.data.objects.new("Over", None)
    bpy.context.scene.collection.objects.link(over)
    obj.parent = over
    over.rotation_euler = random.uniform(-3, 3, 3)
    over.scale = random.choice([1.0, -1.0, 0.0, 0.01], 3)


def badly_keyed(obj: Any, random: np.random.Generator) -> None:
    """Keys of absurd size, between frames, on channels that should have none."""
    bones = list(obj.pose.bones) if obj.pose else [obj]
    for _ in range(int(random.integers(1, 12))):
        thing = bones[int(random.integers(len(bones)))]
        path = str(random.choice(["location", "scale", "rotation_quaternion", "rotation_euler"]))
        sizes = [0.1, 0.5, 1.0, *(float(e) for e in EDGES if np.isfinite(e) and abs(e) < 1e30)]
        with contextlib.suppress(RuntimeError, TypeError):
            setattr(thing, path, [float(random.choice(sizes)) for _ in getattr(thing, path)])
            thing.keyframe_insert(path, frame=float(random.choice([1, 7, 7.5, 12, 30, 300, -50])))


def crowded(obj: Any, random: np.random.Generator) -> None:
    """Thousands of bones, or hundreds of parts, that nobody keyed."""
    if not obj.pose:
        for number in range(200):
            part = bpy.data.objects.new(f"{random.choice(NAMES)[:40]}{number}", None)
            bpy.context.scene.collection.objects.link(part)
            part.parent = obj
        return
    bpy.context.view_layer.objects.active = obj
    bpy.ops.object.mode_set(mode="EDIT")
    bones = obj.data.edit_bones
    names = [bone.name for bone in bones]
    for number in range(int(random.choice([200, 1000, 3000]))):
        bone = bones.new(f"{str(random.choice(NAMES))[:12]}{number}")
        bone.head, bone.tail = random.uniform(-1, 1, 3), random.uniform(1, 2, 3)
        bone.parent = bones[names[int(random.integers(len(names)))]]
    bpy.ops.object.mode_set(mode="OBJECT")


def odd_scene(random: np.random.Generator) -> None:
    """Units, frame rates and gravity at their ends."""
    scene = bpy.context.scene
    scene.unit_settings.scale_length = float(random.choice([1.0, 0.01, 1e-5, 100.0]))
    scene.render.fps = int(random.choice([1, 24, 25, 120]))
    scene.render.fps_base = float(random.choice([1.0, 1.001, 0.5]))
    scene.gravity = random.choice([0.0, -9.81, 9.81, -1e-3, -1000.0], 3)


SLOW = ("generated", "human", "skeleton")
"""Kinds whose making takes longer than everything that is tried on them."""
ODDITIES = (renamed, turned_in_circles, squeezed, parented, badly_keyed)


def verbs(obj: Any, random: np.random.Generator) -> Iterator[tuple[str, Callable[[], Any]]]:
    """Everything that there is, in any order, with anything that may be asked."""
    rig = rig_of(obj, bpy.context.scene)
    height = float(random.choice([0.05, 0.5, 2.0, 50.0]))
    ask = {"jump_height": height, "push_height": float(random.choice([0.02, 0.3, 5.0]))}
    at = {"pins": {"crouch": int(random.choice([-100, 1, 20, 400]))}}
    poses = dict(POSES) if random.random() < 0.3 else None
    gravity = str(random.choice(["scene", "moon", "earth"]))
    every = {
        "find": rig.find,
        "block": lambda: rig.block(
            **ask, **at, poses=poses, gravity=gravity, replace=True,
            key=[None, "all", "touched"][int(random.integers(3))],
        ),
        "again": lambda: rig.block_again(jump_height=height * 0.8, replace=True),
        "spline": rig.spline,
        "retime": lambda: rig.retime(snappiness=float(random.choice([0.1, 1.3, 9.0]))),
        "resize": lambda: rig.resize(times_height=float(random.choice([0.1, 1.3, 9.0]))),
        "check": lambda: rig.check().to_json(),
        "cog": lambda: rig.cog_source(["control", "segments", "mesh"][int(random.integers(3))]),
        "fix": rig.fix,
        "keep_on_arc": rig.keep_on_arc,
    }  # fmt: skip
    order = ["block", *random.choice(list(every), 5).tolist()]
    for name in order:
        yield name, every[name]


def keys_of(obj: Any) -> Curves | None:
    """The keys of a rig; None where one is so absurd that it is refused."""
    try:
        return read_curves(obj).curves
    except LeapwrightError:
        return None


def rig_file_again(obj: Any) -> None:
    """What was found is found again from the rig file that says it, whatever things are called."""
    try:
        found = find_controls(obj, folders=())
    except LeapwrightError as error:
        said(error)
        return
    with scratch() as folder:
        saved = save_rig_file(Path(folder) / "odd.rig.toml", found, obj)
        again = find_controls(obj, folders=[folder])
    assert replace(again, sure={}) == replace(found, sure={}), saved


def odd_rigs(seed: int) -> list[str]:
    """A rig with a few oddities: every verb does its work or refuses in words, and then nothing
    has changed."""
    random = np.random.default_rng([11, seed])
    kinds = [kind for kind in KINDS if not any(word in kind for word in SLOW)]
    kind = str(random.choice(kinds))
    obj = build(kind)
    if random.random() < 0.3:
        odd_scene(random)
    # One oddity alone lets more verbs through than several.
    for odd in random.choice(len(ODDITIES), int(random.choice([1, 1, 1, 2, 3])), replace=False):
        ODDITIES[int(odd)](obj, random)
    if random.random() < 0.05:
        crowded(obj, random)
    bpy.context.view_layer.update()
    done = [kind]
    for name, verb in verbs(obj, random):
        before = keys_of(obj)
        begun = time.process_time()
        try:
            verb()
        except LeapwrightError as error:
            said(error)
            now = keys_of(obj)
            assert (before is None) == (now is None), name
            assert before is None or now is None or identical(before, now), name
        else:
            done.append(name)
        took = time.process_time() - begun
        assert took < SLOWEST, f"{name} took {took:.0f} s"
        # Keys that are read are finite; what was sound is still.
        assert before is None or keys_of(obj) is not None, name
    if random.random() < 0.5:
        rig_file_again(obj)
    if random.random() < 0.3:
        with tempfile.TemporaryDirectory(prefix="leapwright-fuzz-") as folder:
            path = str(Path(folder) / "odd.blend")
            bpy.ops.wm.save_as_mainfile(filepath=path)
            open_shot(path)
        bpy.context.preferences.edit.use_global_undo = True
    return done


SHOTS: Mapping[str, Callable[[int], list[str]]] = MappingProxyType(
    {"sequences": sequences, "other_sequences": other_sequences, "odd_rigs": odd_rigs}
)
