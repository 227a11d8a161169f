# SPDX-License-Identifier: GPL-3.0-or-later
"""Random sequences of everything that writes, on a shot full of keys: what vanished or moved is in
the report, all else keeps every bit, undo and files give back what was there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from blender.rigs import simple_hare
from leapwright.curves import Curves, Handle, channel, identical
from leapwright.errors import LeapwrightError
from leapwright_blender import host, open_shot, rig_of
from leapwright_blender.account import Keyed
from leapwright_blender.read import read_curves

pytestmark = pytest.mark.thorough

HELD = 2e-5
"""What the COG is held within where an edited pose of the root has no crouch beside it, m."""
STEPS = 6
HOLDERS = ("Hare", "Satchel", "Fox", "Camera")
POSES = {"start": 1, "crouch": 7, "takeoff": 13, "land": 25}
EASINGS = ("BEZIER", "CONSTANT", "LINEAR", "BOUNCE", "ELASTIC", "BACK", "SINE")
HANDLES = ("FREE", "AUTO", "VECTOR", "ALIGNED", "AUTO_CLAMPED")


# --- The shot ------------------------------------------------------------------------------------


def full_shot(random: np.random.Generator) -> Any:
    """The hare in the market: four poses, breakdowns, later keys, a satchel, a fox, a camera."""
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.preferences.edit.use_global_undo = True
    scene = bpy.context.scene
    scene.render.fps = 24
    fox = simple_hare()
    fox.name, fox.location = "Fox", (4, 0, 0)
    rig = simple_hare()
    rig.name = "Hare"
    _pose(rig)
    bones = rig.pose.bones
    for name in ("head", "arm.L", "arm.R", "hand.R"):
        bones[name].rotation_mode = "XYZ"
    later = sorted(random.choice(np.arange(60, 400), 12, replace=False).tolist())
    between = sorted(random.choice([3, 4, 9, 10, 11, 16, 19, 22], 4, replace=False).tolist())
    for frame in (*POSES.values(), *between):
        _key(rig, 'pose.bones["head"].rotation_euler', 0, frame, random)
    for frame in (*POSES.values(), *between, *later):
        for axis in range(3):
            _key(rig, 'pose.bones["arm.L"].rotation_euler', axis, frame, random)
    for frame in later:
        _key(rig, 'pose.bones["arm.R"].rotation_euler', 1, frame, random)
        _key(fox, 'pose.bones["body"].location', 2, frame, random)
    # A pose that is keyed on one frame alone, and a counter that never glides.
    _key(rig, 'pose.bones["hand.R"].rotation_euler', 2, POSES["crouch"], random)
    rig["lamp"] = 0
    for frame in (2, *POSES.values(), 90, 190):
        rig["lamp"] = frame
        rig.keyframe_insert('["lamp"]', frame=frame)
    _key(rig, 'pose.bones["body"].location', 2, later[4], random)
    _satchel(rig, random)
    driver = bones["ear.R"].driver_add("rotation_quaternion", 1).driver
    driver.expression = "frame / 100"
    camera = bpy.data.objects.new("Camera", bpy.data.cameras.new("Camera"))
    scene.collection.objects.link(camera)
    camera.keyframe_insert("location", frame=14)
    scene.timeline_markers.new("drum", frame=17)
    scene.timeline_markers.new("Fox take-off", frame=18)
    scene.timeline_markers.new("Hare land", frame=5).camera = camera
    _styled(rig, random)
    bpy.context.view_layer.update()
    return rig


def _pose(rig: Any) -> None:
    for moment, (lift, way) in zip(
        POSES, ((0.0, 0.0), (-0.2, 0.0), (0.16, 0.0), (0.05, -0.9)), strict=True
    ):
        for bone, place in (("body", (0, 0, lift)), ("root", (0, way, 0))):
            rig.pose.bones[bone].location = place
            rig.pose.bones[bone].keyframe_insert("location", frame=POSES[moment])


def _satchel(rig: Any, random: np.random.Generator) -> None:
    satchel = bpy.data.objects.new("Satchel", None)
    bpy.context.scene.collection.objects.link(satchel)
    satchel.parent, satchel.parent_type, satchel.parent_bone = rig, "BONE", "hand.L"
    for frame in (POSES["crouch"], 10, POSES["land"], 130):
        _key(satchel, "location", 1, frame, random)
    for frame in (70, 80):
        _key(satchel, "scale", 0, frame, random)


def _key(holder: Any, path: str, axis: int, frame: int, random: np.random.Generator) -> None:
    collection = host.ensure_fcurves(holder, holder.name)
    curve = collection.find(path, index=axis) or host.new_fcurve(collection, path, axis, "mine")
    key = curve.keyframe_points.insert(frame, float(random.uniform(-1, 1)))
    key.interpolation = str(random.choice(EASINGS))
    key.type = str(random.choice(["KEYFRAME", "EXTREME", "BREAKDOWN", "JITTER"]))


def _styled(rig: Any, random: np.random.Generator) -> None:
    """Handles of every type, the FREE ones out of line."""
    for curve in host.fcurves_of(rig):
        if "arm." not in curve.data_path and "head" not in curve.data_path:
            continue
        for key in curve.keyframe_points:
            key.handle_left_type = str(random.choice(HANDLES))
            key.handle_right_type = str(random.choice(HANDLES))
            key.handle_right[1] += float(random.uniform(-0.2, 0.2))
        curve.update()


# --- What there is, and what a report must say of a change ----------------------------------------


@dataclass(frozen=True, slots=True)
class State:
    """Everything in the file that somebody may have made."""

    curves: dict[str, Curves]
    markers: tuple[tuple[str, int, str], ...]
    remembered: str
    rest: tuple[Any, ...]

    def same_as(self, other: State) -> None:
        for name in HOLDERS:
            ours, theirs = self.curves[name], other.curves[name]
            assert ours.channels == theirs.channels, name
            assert identical(ours, theirs), name
        assert self.markers == other.markers
        assert self.remembered == other.remembered
        assert self.rest == other.rest


def state() -> State:
    scene, rig = bpy.context.scene, bpy.data.objects["Hare"]
    curves = {name: read_curves(bpy.data.objects[name]).curves for name in HOLDERS}
    keyed = {c.data_path for c in curves["Hare"].channels}
    unkeyed = tuple(
        (bone.name, *tuple(bone.location), *tuple(bone.scale))
        for bone in rig.pose.bones
        if not any(f'"{bone.name}"' in path for path in keyed)
    )
    markers = sorted(
        (m.name, m.frame, m.camera.name if m.camera else "") for m in scene.timeline_markers
    )
    rest = (
        scene.frame_current, len(bpy.data.scenes), sorted(o.name for o in bpy.data.objects),
        sorted(a.name for a in bpy.data.actions), unkeyed,
    )  # fmt: skip
    return State(curves, tuple(markers), rig.get("leapwright", ""), rest)


def told(keyed: Sequence[Keyed], name: str) -> dict[str, Keyed]:
    """Reports of one data-block by its own channels."""
    whose = "" if name == "Hare" else f"{name}: "
    return {
        k.channel.removeprefix(whose): k
        for k in keyed
        if k.channel.startswith(whose) and (whose or ": " not in k.channel)
    }


def check_report(before: State, after: State, keyed: Sequence[Keyed], span: Any) -> None:
    """Every difference of keys is in the report, and nothing else differs."""
    reached = 0
    for name in HOLDERS:
        said = told(keyed, name)
        reached += len(said)
        was, now = _by_label(before.curves[name]), _by_label(after.curves[name])
        for label in {*was, *now, *said}:
            old, new = was.get(label, Curves.empty()), now.get(label, Curves.empty())
            if label not in said:
                assert identical(old, new), (name, label)
                continue
            _check_channel(old, new, said[label], span, label)
    assert reached == len(keyed)
    ours = ("Hare ", "Hare.")
    assert [m for m in before.markers if m[2] or not m[0].startswith(ours)] == [
        m for m in after.markers if m[2] or not m[0].startswith(ours)
    ]
    # A first key makes an action; nothing else is made or lost.
    assert before.rest[:3] == after.rest[:3]
    assert set(before.rest[3]) <= set(after.rest[3])


def check_remembered(now: State) -> None:
    """The air of every jump that the rig remembers is keyed on what carries the COG; a crouch
    that is another one's low may have been taken away as a pose."""
    ways = [i for i, c in enumerate(now.curves["Hare"].channels) if ".location" in c.data_path]
    keyed = {f for i in ways for f in channel(now.curves["Hare"], i).frame.tolist()}
    marked = {(name, frame) for name, frame, camera in now.markers if not camera}
    for number, jump in enumerate(hare().remembered(), 1):
        assert {jump.moments[m] for m in ("takeoff", "apex", "land")} <= keyed
        rig = "Hare" if number == 1 else f"Hare {number}"
        assert (f"{rig} take-off", jump.moments["takeoff"]) in marked


def _by_label(curves: Curves) -> dict[str, Curves]:
    return {c.label: channel(curves, i) for i, c in enumerate(curves.channels)}


def _check_channel(old: Curves, new: Curves, said: Keyed, span: Any, label: str) -> None:
    accounted = sorted([a for a, _ in said.moves] + list(said.gone) + list(said.stay))
    assert accounted == old.frame.tolist(), label
    expected = sorted([b for _, b in said.moves] + list(said.new) + list(said.stay))
    assert expected == new.frame.tolist(), label
    assert np.all(new.frame % 1 == 0), label
    went = [*said.moves, *((f, f) for f in said.stay)]
    for a, b in went:
        i, j = int(np.flatnonzero(old.frame == a)[0]), int(np.flatnonzero(new.frame == b)[0])
        outside = not span[0] <= b <= span[1]
        if outside or not said.ours:
            assert old.value[i] == new.value[j], (label, a, b)
            assert old.kind[i] == new.kind[j], (label, a, b)
        if outside:
            assert old.interpolation[i] == new.interpolation[j], (label, a, b)
            assert old.easing[i] == new.easing[j], (label, a, b)
            # Beside a new key handles are laid so that the shape between stays; the first key after
            # the span is what a stepped key inside it now glides to.
            beside = new.frame[max(j - 1, 0) : j + 2]
            first_after = b > span[1] >= new.frame[max(j - 1, 0)]
            if not first_after and not np.isin(beside, said.new).any():
                _check_free(old, i, new, j, (label, a, b))


def _check_free(old: Curves, i: int, new: Curves, j: int, where: Any) -> None:
    """The host makes all other handles anew; FREE ones go with their key and nowhere else."""
    by = float(new.frame[j]) - float(old.frame[i])
    for types, sides in (("left_type", "left"), ("right_type", "right")):
        kind = getattr(old, types)[i]
        assert kind == getattr(new, types)[j], where
        other = getattr(old, "right_type" if types == "left_type" else "left_type")[i]
        if kind == Handle.FREE and other == Handle.FREE:
            was, now = getattr(old, sides)[i], getattr(new, sides)[j]
            assert now.tolist() == pytest.approx([was[0] + by, was[1]], abs=1e-4), where


# --- The steps -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Done:
    """A step that wrote: its report and the frames of the jumps that it is about."""

    keyed: tuple[Keyed, ...]
    span: tuple[float, float]


def hare() -> Any:
    return rig_of(bpy.data.objects["Hare"], bpy.context.scene)


def random_block(random: np.random.Generator) -> dict[str, Any]:
    jumps = hare().remembered()
    poses = dict(jumps[-1].poses) if jumps and random.random() < 0.95 else dict(POSES)
    if poses and random.random() < 0.2:
        poses.pop(str(random.choice(list(poses))), None)
    asked: dict[str, Any] = {"poses": poses}
    asked["rise_frames"] = int(random.integers(6, 16))
    asked["stepped"] = bool(random.random() < 0.5)
    asked["after"] = str(random.choice(["keep", "shift"]))
    asked["replace"] = bool(random.random() < 0.7)
    asked["key"] = [None, None, "touched", "all"][int(random.integers(4))]
    asked["props"] = bool(random.random() < 0.8)
    if random.random() < 0.3:
        asked["crouch_hold_frames"] = int(random.integers(1, 5))
    if "crouch" not in poses or "takeoff" not in poses:
        asked["push_height"] = 0.3
    return asked


def do_block(random: np.random.Generator) -> Done:
    return _blocked(hare().block, random_block(random))


def do_again(random: np.random.Generator) -> Done:
    changed: dict[str, Any] = {"replace": bool(random.random() < 0.6)}
    changed["jump_height" if random.random() < 0.5 else "rise_frames"] = int(random.integers(1, 9))
    return _blocked(hare().block_again, changed)


def do_chain(random: np.random.Generator) -> Done:
    asked = {"jump_height": float(random.uniform(0.2, 1.0)), "chain": True, "push_height": 0.25}
    asked |= {"replace": bool(random.random() < 0.7), "stepped": bool(random.random() < 0.5)}
    return _blocked(hare().block, {**asked, "after": str(random.choice(["keep", "shift"]))})


def _blocked(verb: Any, asked: dict[str, Any]) -> Done:
    result = verb(**asked)
    if not asked.get("stepped"):
        assert result.measured.largest_distance_m < HELD
    takeoff = result.moments["takeoff"]
    jump = next(j for j in hare().remembered() if j.moments["takeoff"] == takeoff)
    assert result.moments.items() <= jump.moments.items()
    return Done(result.keyed, (min(jump.moments.values()), max(jump.moments.values())))


def do_spline(random: np.random.Generator) -> Done:
    before = state()
    result = hare().spline()
    moments = [f for jump in hare().remembered() for f in jump.moments.values()]
    after = state()
    for name in HOLDERS:
        was, now = _by_label(before.curves[name]), _by_label(after.curves[name])
        ours = {label for label, k in told(result.keyed, name).items() if k.ours}
        for label, new in now.items():
            if label not in ours:
                assert new.frame.tolist() == was[label].frame.tolist(), label
                assert new.value.tobytes() == was[label].value.tobytes(), label
    return Done(_one_report_each(result.keyed), (min(moments), max(moments)))


def _one_report_each(keyed: Sequence[Keyed]) -> tuple[Keyed, ...]:
    """Several jumps' reports of one channel as one: what a later one leaves may be an earlier
    one's new key."""
    whole: dict[str, Keyed] = {}
    for k in keyed:
        if k.channel not in whole:
            whole[k.channel] = k
            continue
        first = whole[k.channel]
        assert not (*first.moves, *k.moves, *first.gone, *k.gone)
        new = {*first.new, *k.new}
        stay = tuple(f for f in k.stay if f not in new)
        whole[k.channel] = replace(first, new=tuple(sorted(new)), stay=stay)
    return tuple(whole.values())


def edit(random: np.random.Generator) -> None:
    """What an animator does in between: another pose on a key, a new breakdown."""
    rig = bpy.data.objects["Hare"]
    curves = list(host.fcurves_of(rig))
    chosen = curves[int(random.integers(len(curves)))]
    key = chosen.keyframe_points[int(random.integers(len(chosen.keyframe_points)))]
    key.co[1] += 0.01
    chosen.update()
    _key(rig, 'pose.bones["head"].rotation_euler', 0, int(random.integers(1, 60)), random)


STEPS_THAT_WRITE = {"block": do_block, "again": do_again, "chain": do_chain, "spline": do_spline}


class Session:
    """The file as it goes through steps, with every state that undo must give back."""

    def __init__(self, random: np.random.Generator, folder: Path) -> None:
        self.random, self.path = random, folder / "shot.blend"
        full_shot(random)
        bpy.ops.wm.save_as_mainfile(filepath=str(self.path))
        self.begin()

    def begin(self) -> None:
        bpy.ops.ed.undo_push(message="begin")
        self.history, self.at = [state()], 0

    def push(self) -> None:
        bpy.ops.ed.undo_push(message="step")
        self.history = [*self.history[: self.at + 1], state()]
        self.at += 1

    def write(self, name: str) -> bool:
        before = self.history[self.at]
        try:
            done = STEPS_THAT_WRITE[name](self.random)
        except LeapwrightError:
            state().same_as(before)
            return False
        after = state()
        check_report(before, after, done.keyed, done.span)
        check_remembered(after)
        self.push()
        return True

    def undo(self) -> bool:
        if self.at == 0:
            return False
        bpy.ops.ed.undo()
        self.at -= 1
        state().same_as(self.history[self.at])
        return True

    def redo(self) -> bool:
        if self.at == len(self.history) - 1:
            return False
        bpy.ops.ed.redo()
        self.at += 1
        state().same_as(self.history[self.at])
        return True

    def edit(self) -> bool:
        edit(self.random)
        self.push()
        return True

    def save(self) -> bool:
        before, remembered = self.history[self.at], hare().remembered()
        bpy.ops.wm.save_as_mainfile(filepath=str(self.path))
        state().same_as(before)
        open_shot(self.path)
        bpy.context.preferences.edit.use_global_undo = True
        state().same_as(before)
        assert hare().remembered() == remembered
        self.begin()
        return True

    def step(self, name: str) -> bool:
        return self.write(name) if name in STEPS_THAT_WRITE else bool(getattr(self, name)())


CHOICES = {
    "block": 3, "again": 4, "chain": 3, "spline": 3, "undo": 3, "redo": 2, "save": 2, "edit": 2,
}  # fmt: skip


@pytest.mark.parametrize("seed", range(30))
def test_whatever_is_done_the_report_tells_it_and_undo_gives_it_back(
    seed: int, tmp_path: Path
) -> None:
    random = np.random.default_rng(seed)
    session = Session(random, tmp_path)
    weights = np.array(list(CHOICES.values()), dtype=float)
    steps = ["block", *random.choice(list(CHOICES), STEPS, p=weights / weights.sum()).tolist()]
    done = [name for name in steps if session.step(name)]
    # A walk back through all that was done since the file was opened, and forth again.
    while session.undo():
        done.append("undo")
    while session.redo():
        done.append("redo")
    assert len(done) >= 2, steps
