# SPDX-License-Identifier: GPL-3.0-or-later
"""Own markers come and go; all others stay."""

from __future__ import annotations

from typing import Any

import bpy
import pytest

from leapwright.errors import InputError
from leapwright_blender.markers import (
    MOMENTS,
    marker_name,
    own_markers,
    remove_markers,
    set_markers,
)


@pytest.fixture
def scene() -> Any:
    bpy.ops.wm.read_homefile(use_empty=True)
    return bpy.context.scene


def all_of(scene: Any) -> list[tuple[str, int, Any]]:
    return sorted(
        ((m.name, m.frame, m.camera) for m in scene.timeline_markers), key=lambda m: m[:2]
    )


def test_moments_are_marked_by_name(scene: Any) -> None:
    moments = {"crouch": 97, "takeoff": 101, "apex": 111.0, "land": 117, "start": None}
    made = set_markers(scene, "Hare", moments)
    assert made == ["Hare crouch", "Hare take-off", "Hare apex", "Hare land"]
    assert all_of(scene) == [
        ("Hare apex", 111, None),
        ("Hare crouch", 97, None),
        ("Hare land", 117, None),
        ("Hare take-off", 101, None),
    ]
    assert own_markers(scene, "Hare") == [
        ("crouch", 97), ("take-off", 101), ("apex", 111), ("land", 117)
    ]  # fmt: skip


def test_earlier_own_markers_are_replaced_and_no_others(scene: Any) -> None:
    camera = bpy.data.objects.new("Cam", bpy.data.cameras.new("Cam"))
    for name, frame in (("drum", 97), ("Hare 2 land", 5), ("hare land", 6), ("Hare landing", 7)):
        scene.timeline_markers.new(name, frame=frame)
    shot = scene.timeline_markers.new("Hare apex", frame=40)
    shot.camera = camera
    bpy.data.objects.new("Hare 2", None)
    set_markers(scene, "Hare 2", {"apex": 50})
    others = [m for m in all_of(scene) if m[0] not in ("Hare 2 land",)] + [("Hare 2 land", 5, None)]
    set_markers(scene, "Hare", {"land": 10, "apex": 4})
    set_markers(scene, "Hare", {"land": 12, "low": 14})
    assert own_markers(scene, "Hare") == [("land", 12), ("low", 14)]
    assert remove_markers(scene, "Hare") == 2
    assert remove_markers(scene, "Hare") == 0
    # "Hare 2 land" is gone: it bears the name of a marker of Hare 2, which was marked anew.
    others = [m for m in others if m[0] != "Hare 2 land"]
    assert all_of(scene) == sorted(others, key=lambda m: m[:2])
    assert len(others) == 5


def test_each_jump_of_a_chain_has_its_number(scene: Any) -> None:
    hops = [{"takeoff": 4, "low": 19}, {"crouch": 19, "takeoff": 22}, {"takeoff": 40}]
    assert set_markers(scene, "Hare", hops) == [
        "Hare take-off", "Hare low", "Hare 2 crouch", "Hare 2 take-off", "Hare 3 take-off"
    ]  # fmt: skip
    assert own_markers(scene, "Hare") == [("take-off", 4), ("low", 19)]
    assert own_markers(scene, "Hare", jump=2) == [("crouch", 19), ("take-off", 22)]
    assert set_markers(scene, "Hare", hops[:1]) == ["Hare take-off", "Hare low"]
    assert all_of(scene) == [("Hare low", 19, None), ("Hare take-off", 4, None)]
    set_markers(scene, "Hare", hops)
    assert remove_markers(scene, "Hare") == 5
    assert all_of(scene) == []


@pytest.mark.parametrize("first", ["Hare", "Hare 2"])
@pytest.mark.parametrize("others", [["Hare 2"], ["Hare 2", "Hare (2)"], ["Hare 2", "Hare 2 2"]])
def test_a_rig_called_like_a_jump_keeps_its_markers(
    scene: Any, first: str, others: list[str]
) -> None:
    rigs = ["Hare", *others]
    for name in rigs:
        bpy.data.objects.new(name, None)
    hops = [{"takeoff": 4, "land": 16}, {"takeoff": 22, "land": 34}]
    for name in sorted(rigs, key=lambda name: name != first):
        set_markers(scene, name, hops)
    assert len({m.name for m in scene.timeline_markers}) == 4 * len(rigs)
    for name in rigs:
        assert own_markers(scene, name) == [("take-off", 4), ("land", 16)]
        assert own_markers(scene, name, jump=2) == [("take-off", 22), ("land", 34)]
    for left, name in enumerate(rigs, 1):
        assert remove_markers(scene, name) == 4
        assert len(scene.timeline_markers) == 4 * (len(rigs) - left)


def test_numbers_that_are_no_jumps_stay(scene: Any) -> None:
    names = [
        "Hare 1 land", "Hare 02 land", "Hare 2 landing", "Hare 2 land.001", "Hare two land",
        "Hare (2 land", "Hare 2) land", "Hare  2 land", "My Hare 2 land", "Hare -2 land", "2 land",
        "Hare ² land",
    ]  # fmt: skip
    for name in names:
        scene.timeline_markers.new(name, frame=5)
    before = all_of(scene)
    set_markers(scene, "Hare", [{"land": 5}, {"land": 9}])
    assert remove_markers(scene, "Hare") == 2
    assert all_of(scene) == before


@pytest.mark.parametrize(("frame", "marked"), [(10.4, 10), (10.5, 10), (10.6, 11), (-0.5, -1)])
def test_between_frames_the_nearest_and_the_earlier(scene: Any, frame: float, marked: int) -> None:
    set_markers(scene, "Hare", {"apex": frame})
    assert own_markers(scene, "Hare") == [("apex", marked)]


def test_nonsense_changes_nothing(scene: Any) -> None:
    set_markers(scene, "Hare", {"apex": 3})
    before = all_of(scene)
    with pytest.raises(InputError, match=r"start, crouch, take-off.*'peak'"):
        set_markers(scene, "Hare", {"apex": 5, "peak": 3})
    with pytest.raises(InputError, match="apex=nan"):
        set_markers(scene, "Hare", {"apex": float("nan")})
    assert all_of(scene) == before


@pytest.mark.parametrize("rig", ["R" * 200, "häre" * 20, "x" * 56, "x" * 57, "x" * 63])
def test_long_names_survive_and_differ(scene: Any, rig: str) -> None:
    other = rig[:-1] + "q"
    set_markers(scene, rig, {m: i for i, m in enumerate(MOMENTS)})
    set_markers(scene, other, [{"apex": 50}, {"apex": 70}])
    assert own_markers(scene, other, jump=2) == [("apex", 70)]
    set_markers(scene, other, {"apex": 50})
    assert own_markers(scene, rig) == [(m, i) for i, m in enumerate(MOMENTS)]
    assert own_markers(scene, other) == [("apex", 50)]
    assert {m.name for m in scene.timeline_markers} == {
        *(marker_name(rig, m) for m in MOMENTS), marker_name(other, "apex")
    }  # fmt: skip


def test_own_markers_survive_a_save(scene: Any, tmp_path: Any) -> None:
    set_markers(scene, "Hare", {"apex": 9})
    file = str(tmp_path / "a.blend")
    bpy.ops.wm.save_as_mainfile(filepath=file, check_existing=False)
    bpy.ops.wm.open_mainfile(filepath=file)
    assert own_markers(bpy.context.scene, "Hare") == [("apex", 9)]
