# SPDX-License-Identifier: GPL-3.0-or-later
"""NLA strips play the same time of their action at corresponding frames."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from blender.in_time import (
    BEAT,
    add_strip,
    everything,
    hare,
    held,
    keyed,
    modify,
    numbers_of,
    strip_action,
    with_track,
)
from leapwright.errors import HostError
from leapwright.timemap import TimeMap
from leapwright_blender import host
from leapwright_blender.timed import Moved, retime_others, time_bearing


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


def played(obj: Any, frame: float) -> float:
    """The action time that strips play, whole frames and parts."""
    bpy.context.scene.frame_set(int(np.floor(frame)), subframe=float(frame % 1))
    return float(obj.evaluated_get(bpy.context.evaluated_depsgraph_get()).scale.x)


def test_strips_play_the_same_time_of_their_action_at_corresponding_frames() -> None:
    obj = hare()
    track = with_track(obj)
    action = strip_action("Ears", 10, 40)
    add_strip(track, action, 5)
    inside = add_strip(track, action, 43, scale=0.3)
    inside.repeat = 2
    after = add_strip(track, action, 70)
    after.use_reverse = True
    x = np.r_[6:34:1.7, 44:60:1.3, 71:99:1.9]
    before = [played(obj, f) for f in x]
    assert np.ptp(before) > 25
    moved = retime_others(held(obj), BEAT)
    assert moved == Moved(strips=3)
    np.testing.assert_allclose([played(obj, f) for f in BEAT.apply(x)], before, atol=2e-3)
    assert (inside.action_frame_start, inside.action_frame_end, inside.repeat) == (10, 40, 2)
    assert inside.scale == pytest.approx(0.2)
    assert inside.frame_end == pytest.approx(float(BEAT.apply(61)))


def test_a_strip_that_bends_is_stretched_as_a_whole_and_said() -> None:
    obj = hare()
    strip = add_strip(with_track(obj), strip_action("Ears", 10, 40), 30)
    strip.blend_in, strip.blend_out = 4, 5
    moved = retime_others(held(obj), BEAT)
    start, end = 32, float(BEAT.apply(60))
    assert (strip.frame_start, strip.frame_end) == pytest.approx((start, end))
    assert strip.scale == pytest.approx((end - start) / 30)
    assert (strip.blend_in, strip.blend_out) == pytest.approx((4, 5 * 2 / 3))
    assert moved == Moved(
        strips=1,
        said=("NLA strip “Ears” of Hare is only stretched as a whole: the retime bends inside it",),
    )


def test_blends_that_trade_places_both_arrive() -> None:
    obj = hare()
    strip = add_strip(with_track(obj), strip_action("Ears", 10, 40), 30)
    strip.blend_in, strip.blend_out = 10, 20
    retime_others(held(obj), TimeMap.of([30, 40, 60], [30, 55, 60]))
    assert (strip.blend_in, strip.blend_out) == pytest.approx((25, 5))


def test_a_strip_with_a_time_of_its_own_follows_every_bend() -> None:
    obj = hare()
    strip = add_strip(with_track(obj), strip_action("Ears", 10, 40), 30)
    strip.use_animated_time = strip.use_animated_influence = True
    for name, keys in (("strip_time", {30: 10, 60: 40}), ("influence", {30: 1, 60: 1, 65: 0})):
        curve = strip.fcurves.find(name)
        curve.keyframe_points.clear()
        for frame, value in keys.items():
            curve.keyframe_points.insert(frame, value).interpolation = "LINEAR"
        curve.update()
    x = np.arange(31, 60, 1.3)
    before, was = [played(obj, f) for f in x], everything()
    assert np.ptp(before) > 20
    moved = retime_others(held(obj), BEAT, exact=True)
    assert moved == Moved(strips=1)
    np.testing.assert_allclose([played(obj, f) for f in BEAT.apply(x)], before, atol=2e-3)
    keys = [[k.co[0] for k in curve.keyframe_points] for curve in strip.fcurves]
    end = 42 + 19 * 2 / 3
    np.testing.assert_allclose(sorted(keys), [[32, 40, end], [32, end, 58]], atol=1e-4)
    assert retime_others(held(obj), BEAT.inverse(), exact=True) == moved
    np.testing.assert_allclose(
        numbers_of(everything()["Hare"]["tracks"]), numbers_of(was["Hare"]["tracks"]), atol=1e-4
    )


def test_keys_of_a_strip_that_come_onto_one_frame_are_named() -> None:
    obj = hare()
    strip = add_strip(with_track(obj), strip_action("Ears", 10, 20), 44)
    strip.use_animated_influence = True
    curve = strip.fcurves.find("influence")
    curve.keyframe_points.clear()
    for frame in (44, 45, 46, 47):
        curve.keyframe_points.insert(frame, frame / 100)
    moved = retime_others(held(obj), TimeMap.of([44, 54], [44, 47]))
    kept = [round(k.co[1] * 100) for k in curve.keyframe_points]
    assert moved.strips == 1
    gone = sorted({44, 45, 46, 47} - set(kept))
    assert len(gone) > 0
    said = [told for told in moved.said if "gave way" in told]
    assert [int(told.split(" at ")[1].split()[0]) for told in said] == gone


def test_tracks_that_are_not_played_and_other_objects_strips_are_left() -> None:
    obj, crate = hare(), hare("Crate")
    action = strip_action("Ears", 10, 40)
    quiet, loud = with_track(obj), with_track(obj)
    add_strip(quiet, action, 70)
    quiet.mute = True
    plays, silent = add_strip(loud, action, 70), add_strip(loud, action, 120)
    silent.mute = True
    add_strip(with_track(crate), action, 70)
    was = everything()
    moved = retime_others(held(obj), BEAT)
    left = ("NLA strip “Ears” of Hare is left: its track is not played",)
    assert moved == Moved(strips=2, said=left)
    bounds = [(s.frame_start, s.frame_end) for s in (plays, silent)]
    assert bounds == [(63, 93), (113, 143)]
    now = everything()
    assert now["Crate"] == was["Crate"]
    assert now["Hare"]["tracks"][0] == was["Hare"]["tracks"][0]
    found = time_bearing(held(obj))
    assert found.said == left
    assert found.strips == tuple(f"“{s.name}” of Hare" for s in (plays, silent))


def test_strips_that_grow_do_not_push_their_neighbours() -> None:
    obj = hare()
    track = with_track(obj)
    action = strip_action("Ears", 10, 20)
    for i, start in enumerate((20, 30, 40, 50, 70)):
        add_strip(track, action, start).name = f"s{i}"
    track.strips["s3"].mute = True
    slow = TimeMap.of([30, 50, 60], [30, 90, 100])
    was = everything()
    assert retime_others(held(obj), slow) == Moved(strips=4)
    bounds = {s.name: (s.frame_start, s.frame_end, s.scale) for s in track.strips}
    assert bounds == {
        "s0": (20, 30, 1), "s1": (30, 60, 3), "s2": (60, 90, 3), "s3": (90, 100, 1),
        "s4": (110, 120, 1),
    }  # fmt: skip
    retime_others(held(obj), slow.inverse())
    assert everything() == was


def test_a_starred_track_is_refused_before_anything_is_moved() -> None:
    obj = hare()
    modify(keyed(obj, {1: 0, 100: 10}), "LIMITS", (45, 60))
    track = with_track(obj)
    add_strip(track, strip_action("Ears", 10, 40), 70)
    track.is_solo = True
    was = everything()
    with pytest.raises(HostError, match="alone"):
        retime_others(held(obj), BEAT)
    assert everything() == was


def test_meta_strips_and_transitions_with_all_that_is_inside() -> None:
    obj = hare()
    track = with_track(obj)
    action = strip_action("Ears", 10, 20)
    one, two = add_strip(track, action, 44), add_strip(track, action, 70)
    one.name, two.name = "One", "Two"
    window = bpy.context.window_manager.windows[0]
    area = window.screen.areas[0]
    area.type = "NLA_EDITOR"
    region = next(r for r in area.regions if r.type == "WINDOW")
    obj.select_set(True)
    bpy.context.view_layer.objects.active = obj
    with bpy.context.temp_override(window=window, area=area, region=region):
        for strip in track.strips:
            strip.select = True
        bpy.ops.nla.transition_add()
        for strip in track.strips:
            strip.select = True
        bpy.ops.nla.meta_add()
    meta = track.strips[0]
    assert meta.type == "META"
    x = np.r_[45:53:0.9, 71:79:1.1]
    before, was = [played(obj, f) for f in x], everything()
    moved = retime_others(held(obj), BEAT)
    assert moved.strips == 4
    assert moved.said == (
        "NLA strip “Transition” of Hare is only stretched as a whole: the retime bends inside it",
    )
    bounds = [(s.frame_start, s.frame_end) for s in (meta, *meta.strips)]
    expected = [(44, 80), (44, 54), (54, 70), (70, 80)]
    np.testing.assert_allclose(bounds, BEAT.apply(expected), atol=1e-5)
    np.testing.assert_allclose([played(obj, f) for f in BEAT.apply(x)], before, atol=2e-3)
    retime_others(held(obj), BEAT.inverse())
    np.testing.assert_allclose(numbers_of(everything()), numbers_of(was), atol=1e-4)


def test_the_strips_of_a_linked_rig_are_left_on_its_override(tmp_path: Path) -> None:
    obj = hare()
    action = strip_action("Ears", 10, 40)
    add_strip(with_track(obj), action, 70)
    shelf = bpy.data.collections.new("Shelf")
    shelf.objects.link(obj)
    library = str(tmp_path / "hare.blend")
    bpy.data.libraries.write(library, {shelf}, fake_user=True)
    bpy.ops.wm.read_homefile(use_empty=True)
    with bpy.data.libraries.load(library, link=True) as (_, wanted):
        wanted.collections = ["Shelf"]
    scene, layer = bpy.context.scene, bpy.context.view_layer
    wanted.collections[0].override_hierarchy_create(scene, layer, do_fully_editable=True)
    own = next(o for o in bpy.data.objects if o.override_library is not None)
    holder = held(own)
    host.make_editable(own)
    track = own.animation_data.nla_tracks.new()
    strip = add_strip(track, own.animation_data.nla_tracks[0].strips[0].action, 70)
    told = "NLA strip “Ears” of Hare is left: it comes from the library"
    assert retime_others(holder, BEAT) == Moved(strips=1, said=(told,))
    assert (strip.frame_start, strip.frame_end) == (63, 93)
    theirs = own.animation_data.nla_tracks[0].strips[0]
    assert (theirs.frame_start, theirs.frame_end) == (70, 100)
    assert time_bearing(holder).said == (told,)


@pytest.mark.parametrize("seed", range(12))
def test_any_map_moves_a_row_of_strips_and_its_inverse_moves_it_back(seed: int) -> None:
    rng = np.random.default_rng(seed)
    obj = hare()
    track = with_track(obj)
    action = strip_action("Ears", 10, 20)
    starts = np.cumsum(rng.integers(10, 25, 6))
    strips = [add_strip(track, action, start, rng.uniform(0.3, 1)) for start in starts]
    knots = np.cumsum(rng.integers(2, 20, 7))
    time_map = TimeMap.of(knots, np.cumsum(rng.integers(1, 30, 7)))
    bounds = np.array([(s.frame_start, s.frame_end) for s in strips])
    was = everything()
    retime_others(held(obj), time_map)
    now = [(s.frame_start, s.frame_end) for s in strips]
    np.testing.assert_allclose(now, time_map.apply(bounds), atol=1e-4)
    lengths = [(s.frame_end - s.frame_start) / s.scale for s in strips]
    np.testing.assert_allclose(lengths, 10, atol=1e-3)
    retime_others(held(obj), time_map.inverse())
    np.testing.assert_allclose(numbers_of(everything()), numbers_of(was), atol=1e-4)
