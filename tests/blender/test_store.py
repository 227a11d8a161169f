# SPDX-License-Identifier: GPL-3.0-or-later
"""What a rig remembers: every digit, over a save and a load, and never a raise for damage."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path, PureWindowsPath
from typing import Any

import bpy
import numpy as np
import pytest

from leapwright import curves as cv
from leapwright.curves import Channel, Curves, Handle
from leapwright.errors import HostError, InputError
from leapwright.fingerprint import changed_keys, fingerprints, written_keys
from leapwright_blender import host, store
from leapwright_blender.read import read_curves
from leapwright_blender.store import Remembered
from leapwright_blender.write import write_curves

FIRST = Remembered(
    asked={"jump_height": 0.1, "on": 2, "feet": ["paw.L", "paw.R"], "keep": None, "loud": True},
    keep="poses",
    gravity_m_s2=9.80665,
    stepped=False,
    poses={"crouch": 97.0, "takeoff": 101},
    moments={"hold": 95.0, "crouch": 97.0, "apex": 110.00000000000001},
    controls={"root": None, "cog": "torso", "feet": ["foot_ik.L", "foot_ik.R"]},
    air="feet",
)
SECOND = replace(
    FIRST,
    controls={"root": "root", "cog": "torso", "feet": []},
    cog_from="mesh",
    feet={"paw.L": {"release": -4, "plant": 0}},
    style={"fall": 1.5},
    intended=["air not one parabola"],
    written={'Häre|pose.bones["a|b"].location[2]': [[97.0, "45e00a9e0417"], [101.5, ""]]},
)


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


@pytest.fixture
def hare() -> Any:
    made = bpy.data.objects.new("Hare", None)
    bpy.context.scene.collection.objects.link(made)
    return made


def reopen(path: Path) -> None:
    bpy.context.preferences.filepaths.save_version = 0
    bpy.ops.wm.save_as_mainfile(filepath=str(path), check_existing=False)
    bpy.ops.wm.open_mainfile(filepath=str(path))


def test_jumps_come_back_in_order_to_the_digit(hare: Any, tmp_path: Path) -> None:
    assert store.load(hare) == ()
    store.save(hare, [FIRST])
    assert store.load(hare) == (FIRST,)
    store.save(hare, (SECOND, FIRST))
    assert store.load(hare) == (SECOND, FIRST)
    reopen(tmp_path / "shot.blend")
    hare = bpy.data.objects["Hare"]
    assert store.load(hare) == (SECOND, FIRST)
    store.save(hare, [])
    assert store.load(hare) == ()
    assert store.PROPERTY in hare
    store.clear(hare)
    assert store.PROPERTY not in hare
    store.clear(hare)


def test_all_sorts_of_numbers_become_json(hare: Any) -> None:
    single, double = np.float32(0.1), np.float64(1) / 3
    asked = {
        "single": single, "double": double, "count": np.int64(7), "yes": np.bool_(True),
        "rate": Fraction(24000, 1001), "half": Fraction(1, 2), "whole": Fraction(24),
        "path": Path("rigs") / "hare.toml", "windows": PureWindowsPath(r"C:\rigs\hare.toml"),
        "array": np.array([[1, 2], [3, 4]]), "pair": (1, 0.5), "names": {"b", "a"},
        "handle": Handle.ALIGNED, "tiny": 5e-324, "many": 2**80, "deep": {"at": {1: [single]}},
    }  # fmt: skip
    store.save(hare, [replace(FIRST, asked=asked, gravity_m_s2=np.float64(1.62))])
    (got,) = store.load(hare)
    assert got.gravity_m_s2 == 1.62
    assert got.asked == {
        "single": float(single), "double": 1 / 3, "count": 7, "yes": True,
        "rate": "24000/1001", "half": 0.5, "whole": 24,
        "path": str(Path("rigs") / "hare.toml"), "windows": "C:\\rigs\\hare.toml",
        "array": [[1, 2], [3, 4]], "pair": [1, 0.5], "names": ["a", "b"],
        "handle": 3, "tiny": 5e-324, "many": 2**80, "deep": {"at": {"1": [float(single)]}},
    }  # fmt: skip
    assert Fraction(got.asked["rate"]) == asked["rate"]


def test_what_json_cannot_hold_is_named_and_the_old_memory_stays(hare: Any) -> None:
    store.save(hare, [FIRST])
    with pytest.raises(InputError, match=r"`rig` must be text, numbers.*got <object"):
        store.save(hare, [replace(FIRST, asked={"rig": object()})])
    assert store.load(hare) == (FIRST,)


def whole() -> dict[str, Any]:
    bpy.data.objects.new("kept", None)
    store.save(bpy.data.objects["kept"], [SECOND])
    content: dict[str, Any] = json.loads(bpy.data.objects["kept"][store.PROPERTY])
    bpy.data.objects.remove(bpy.data.objects["kept"])
    return content


@pytest.mark.parametrize(
    "text",
    [
        "", "hop", "{", "null", "[]", "2", '"2"', "{}", "[" * 100_000, '{"format": 2}',
        '{"format": 2, "jumps": {}}', '{"format": 2, "jumps": [1]}',
        '{"format": 2, "jumps": [{}]}', "9" * 5000,
    ],
)  # fmt: skip
def test_damage_is_nothing(hare: Any, text: str) -> None:
    hare[store.PROPERTY] = text
    assert store.load(hare) == ()


@pytest.mark.parametrize("other", [1, 3, None, "2", True])
def test_another_format_is_nothing(hare: Any, other: Any) -> None:
    hare[store.PROPERTY] = json.dumps(whole() | {"format": other})
    assert store.load(hare) == ()


WRONG: dict[str, list[Any]] = {
    "asked": [None, 3, [1], "x"],
    "keep": [None, 3, [1], {}],
    "gravity_m_s2": [None, "9.8", True, [9.8]],
    "stepped": [None, 0, "no"],
    "poses": [None, [1], {"crouch": "97"}, {"crouch": None}, {"crouch": True}],
    "moments": [None, [1], {"crouch": "97"}, {"crouch": None}],
    "controls": [
        None, [1], {}, {"cog": "hips"}, {"cog": 1, "feet": []}, {"cog": "hips", "feet": "paw"},
        {"cog": "hips", "feet": [1]}, {"cog": "hips", "feet": [], "root": 2},
    ],
    "air": [None, 3],
    "cog_from": [None, 3],
    "feet": [None, [], {"paw": {}}, {"paw": {"release": 1}}, {"paw": [0, 0]}],
    "style": [None, []],
    "intended": [None, {}, "x"],
    "written": [None, [], {"z": [1]}, {"z": [[1]]}, {"z": [["1", "a"]]}, {"z": [[1, 2]]}],
}  # fmt: skip


@pytest.mark.parametrize(("name", "value"), [(n, v) for n, many in WRONG.items() for v in many])
def test_a_jump_with_a_wrong_part_is_nothing(hare: Any, name: str, value: Any) -> None:
    assert set(WRONG) == set(Remembered.__slots__)
    content = whole()
    content["jumps"].append(content["jumps"][0] | {name: value})
    hare[store.PROPERTY] = json.dumps(content)
    assert store.load(hare) == ()


def test_parts_with_a_default_may_be_missing_and_unknown_ones_are_left(hare: Any) -> None:
    content = whole()
    for name in ("cog_from", "feet", "style", "intended", "written"):
        del content["jumps"][0][name]
    content["jumps"][0]["later"] = 3
    hare[store.PROPERTY] = json.dumps(content)
    plain = replace(SECOND, cog_from="control", feet={}, style={}, intended=[], written={})
    assert store.load(hare) == (plain,)
    del content["jumps"][0]["keep"]
    hare[store.PROPERTY] = json.dumps(content)
    assert store.load(hare) == ()


@pytest.mark.parametrize("value", [3, 0.5, [1, 2], b"\xff\xfe"])
def test_a_property_of_the_users_own_is_nothing(hare: Any, value: Any) -> None:
    hare[store.PROPERTY] = value
    assert store.load(hare) == ()


# Linked and overridden rigs


def make_library(path: Path, *, remembers: bool) -> str:
    made = bpy.data.objects.new("Hare", None)
    group = bpy.data.collections.new("Hare")
    group.objects.link(made)
    bpy.context.scene.collection.children.link(group)
    write_curves(made, Curves.checked([Channel("location", 2)], [0, 1], [1], [0]))
    if remembers:
        store.save(made, [FIRST])
    reopen(path)
    bpy.ops.wm.read_homefile(use_empty=True)
    return str(path)


@pytest.mark.parametrize("remembers", [False, True])
def test_an_override_remembers_over_a_load(tmp_path: Path, remembers: bool) -> None:
    library = make_library(tmp_path / "hare.blend", remembers=remembers)
    with bpy.data.libraries.load(library, link=True) as (_, wanted):
        wanted.collections = ["Hare"]
    wanted.collections[0].override_hierarchy_create(
        bpy.context.scene, bpy.context.view_layer, do_fully_editable=True
    )

    def rig() -> Any:
        return next(o for o in bpy.data.objects if o.override_library)

    inherited = (FIRST,) if remembers else ()
    assert store.load(rig()) == inherited
    with pytest.raises(HostError, match=r"'Hare' is an override without an action of its own"):
        store.save(rig(), [SECOND])
    linked = next(o for o in bpy.data.objects if o.library)
    with pytest.raises(HostError, match=r"'Hare' is linked from .*hare\.blend.*make an override"):
        store.save(linked, [SECOND])
    if remembers:
        with pytest.raises(HostError, match="is linked from"):
            store.clear(linked)
    assert store.load(rig()) == inherited
    host.make_editable(rig())
    store.save(rig(), [SECOND, FIRST])
    reopen(tmp_path / "shot.blend")
    assert store.load(rig()) == (SECOND, FIRST)
    store.clear(rig())
    reopen(tmp_path / "shot.blend")
    assert store.load(rig()) == ()


# Keys as they were written


def all_sorts(seed: int) -> Curves:
    rng = np.random.default_rng(seed)
    counts = (7, 9, 1, 12)
    frame = np.concatenate([np.sort(rng.choice(4000, n, replace=False)) for n in counts])
    value, size = rng.normal(0, 3, frame.size), frame.size
    reach, slope = rng.uniform(1, 60, (2, size)), rng.normal(0, 0.5, size)
    # ALIGNED handles in line, as they are written; the host lines all others up.
    return Curves.checked(
        [Channel("location", i) for i in range(3)] + [Channel("scale", 0)],
        np.r_[0, np.cumsum(counts)],
        frame,
        value,
        left=np.stack([frame - reach[0], value - reach[0] * slope], -1),
        right=np.stack([frame + reach[1], value + reach[1] * slope], -1),
        interpolation=rng.integers(0, 3, size),
        left_type=rng.choice([0, 1, 2, 3, 3], size),
        right_type=rng.choice([0, 1, 2, 3, 3], size),
    )


@pytest.mark.parametrize("seed", range(4))
def test_a_save_and_a_load_leave_all_fingerprints(hare: Any, tmp_path: Path, seed: int) -> None:
    write_curves(hare, all_sorts(seed))
    before = read_curves(hare).curves
    store.save(hare, [replace(FIRST, written=written_keys(before, "Hare"))])
    reopen(tmp_path / "shot.blend")
    hare = bpy.data.objects["Hare"]
    now = read_curves(hare).curves
    assert fingerprints(now) == fingerprints(before)
    (kept,) = store.load(hare)
    assert kept.written == written_keys(now, "Hare")
    assert changed_keys(kept.written, now, "Hare").ours.all()


@pytest.mark.parametrize("seed", range(8))
def test_edited_neighbours_leave_the_others_ours(hare: Any, seed: int) -> None:
    rng = np.random.default_rng(seed)
    write_curves(hare, all_sorts(seed))
    before = read_curves(hare).curves
    kept = written_keys(before, "Hare")
    touched = np.zeros(len(before.frame), bool)
    for i, curve in enumerate(host.fcurves_of(hare)):
        at = before.starts[i] + rng.integers(len(curve.keyframe_points))
        touched[at] = True
        curve.keyframe_points[int(at - before.starts[i])].co.y += 2.5
        curve.keyframe_points.insert(5000.0, 3.0)
        for _ in range(20):  # a drag updates at every move of the mouse
            curve.update()
    now = read_curves(hare).curves
    got = changed_keys(kept, now, "Hare")
    old = np.concatenate([np.r_[np.ones(n, bool), False] for n in np.diff(before.starts)])
    assert not cv.identical(now, before)
    assert (got.ours[old] == ~touched).all()
    assert not got.ours[~old].any()
    assert got.gone == ()
    assert len(got.changed) == 4
