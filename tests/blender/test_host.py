# SPDX-License-Identifier: GPL-3.0-or-later
"""Linked, shared, layered and muted animation: handled, or refused with its reason."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import bpy
import pytest

from leapwright import curves as cv
from leapwright.curves import Channel, Curves
from leapwright.errors import HostError
from leapwright_blender import host
from leapwright_blender.read import read_curves
from leapwright_blender.write import write_curves

ONE = Curves.checked(
    [Channel("location", 2)], [0, 1], [7], [1.5], left=[[6, 1.5]], right=[[8, 1.5]]
)
TWO = Curves.checked(
    [Channel("location", 2)],
    [0, 2],
    [7, 12],
    [1.5, 3.0],
    left=[[6, 1.5], [10, 3]],
    right=[[9, 2], [13, 3]],
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
    write_curves(made, ONE)
    return made


def save(path: Path) -> str:
    bpy.context.preferences.filepaths.save_version = 0
    bpy.ops.wm.save_as_mainfile(filepath=str(path), check_existing=False)
    return str(path)


@pytest.fixture
def override(tmp_path: Path) -> Any:
    """The override of a linked hare that plays the linked action; the file is saved once."""
    made = bpy.data.objects.new("Hare", bpy.data.armatures.new("Hare"))
    group = bpy.data.collections.new("Hare")
    group.objects.link(made)
    bpy.context.scene.collection.children.link(group)
    write_curves(made, ONE)
    library = save(tmp_path / "hare rig.blend")
    bpy.ops.wm.read_homefile(use_empty=True)
    with bpy.data.libraries.load(library, link=True) as (_, wanted):
        wanted.collections = ["Hare"]
    wanted.collections[0].override_hierarchy_create(
        bpy.context.scene, bpy.context.view_layer, do_fully_editable=True
    )
    save(tmp_path / "shot.blend")
    return overridden()


def overridden() -> Any:
    return next(o for o in bpy.data.objects if o.override_library)


def reopened(tmp_path: Path) -> Any:
    path = save(tmp_path / "shot.blend")
    bpy.ops.wm.open_mainfile(filepath=path)
    return overridden()


def height(id_block: Any, frame: int) -> float:
    """Where the host plays it, unkeyed channels having been put elsewhere."""
    id_block.location.z = 77
    id_block.animation_data.action.update_tag()
    bpy.context.scene.frame_set(frame)
    return float(id_block.location.z)


def everything() -> list[tuple[Any, ...]]:
    """Each bit of all actions, and who plays which."""
    found: list[tuple[Any, ...]] = []
    for obj in bpy.data.objects:
        data = obj.animation_data
        action = None if data is None else data.action
        library = None if action is None else action.library
        keys = read_curves(obj).curves
        bits = tuple(getattr(keys, n).tobytes() for n in ("frame", "value", "left", "right"))
        found.append((obj.name_full, action and action.name_full, library, keys.channels, bits))
    return [*found, (sorted(a.name_full for a in bpy.data.actions),)]


def refused(do: Callable[[Any], Any], id_block: Any, *words: str, and_dry: bool = True) -> None:
    """It raises one line that says all of the words, and not a bit has changed."""
    before = everything()
    for act in (do, host.refuse_if_not_editable, *((host.make_editable,) if and_dry else ())):
        with pytest.raises(HostError) as error:
            act(id_block)
        text = str(error.value)
        assert "\n" not in text
        assert [word for word in words if word not in text] == [], text
        assert everything() == before


def write_two(id_block: Any) -> None:
    write_curves(id_block, TWO)


# Overrides


def test_an_override_writes_to_a_copy_that_survives_a_load(override: Any, tmp_path: Path) -> None:
    linked = override.animation_data.action
    why = host.needs_copy(override)
    assert "action “Hare" in why
    assert "is linked from" in why
    assert "hare rig.blend" in why
    (said,) = host.make_editable(override)
    assert said.startswith(why)
    assert "a copy in this file" in said
    assert linked.library is not None
    assert host.needs_copy(override) == ""
    assert host.make_editable(override) == []
    assert cv.identical(read_curves(override).curves, ONE)
    write_two(override)
    again = reopened(tmp_path)
    assert again.animation_data.action.library is None
    assert cv.identical(read_curves(again).curves, TWO)
    assert height(again, 12) == 3.0
    original = next(o for o in bpy.data.objects if o.library)
    assert cv.identical(read_curves(original).curves, ONE)


def test_before_the_copy_an_override_is_refused_and_a_dry_run_is_not(override: Any) -> None:
    refused(write_two, override, "is linked from", "hare rig.blend", and_dry=False)
    before = everything()
    host.refuse_if_not_editable(override, will_copy=True)
    assert host.needs_copy(override) != ""
    assert everything() == before


def test_what_a_copy_does_not_help_is_refused_before_it(override: Any) -> None:
    track = override.animation_data.nla_tracks.new()
    track.strips.new("gallop", 1, bpy.data.actions.new("gallop"))
    override.animation_data.action_blend_type = "ADD"
    refused(write_two, override, "blended", "“gallop”", "add")


def test_the_copy_moves_the_same_slot(tmp_path: Path) -> None:
    if not host.slotted():
        pytest.skip("no slots in this version")
    group = bpy.data.collections.new("Pair")
    bpy.context.scene.collection.children.link(group)
    pair = [bpy.data.objects.new(name, None) for name in ("Crate", "Hare")]
    for made, keys in zip(pair, (TWO, ONE), strict=True):
        group.objects.link(made)
        made.animation_data_create().action = bpy.data.actions.get("Both") or (
            bpy.data.actions.new("Both")
        )
        write_curves(made, keys)
    hare = pair[1]
    hare.animation_data.action_slot.name_display = "Courier"
    library = save(tmp_path / "rigs.blend")
    bpy.ops.wm.read_homefile(use_empty=True)
    with bpy.data.libraries.load(library, link=True) as (_, wanted):
        wanted.collections = ["Pair"]
    wanted.collections[0].override_hierarchy_create(
        bpy.context.scene, bpy.context.view_layer, do_fully_editable=True
    )
    crate, hare = sorted((o for o in bpy.data.objects if o.override_library), key=lambda o: o.name)
    host.make_editable(hare)
    assert hare.animation_data.action_slot.name_display == "Courier"
    assert cv.identical(read_curves(hare).curves, ONE)
    assert crate.animation_data.action.library is not None
    write_two(hare)
    assert cv.identical(read_curves(hare).curves, TWO)
    other = host._bag(hare.animation_data.action, hare.animation_data.action.slots[0]).fcurves
    assert len(other[0].keyframe_points) == 2


def test_a_local_rig_needs_no_copy(hare: Any) -> None:
    assert host.needs_copy(hare) == ""
    assert host.make_editable(hare) == []
    assert host.needs_copy(bpy.data.objects.new("Crate", None)) == ""


def test_a_system_override_keeps_its_copy_too(override: Any, tmp_path: Path) -> None:
    override.override_library.is_system_override = True
    host.make_editable(override)
    write_two(override)
    assert cv.identical(read_curves(reopened(tmp_path)).curves, TWO)


def test_a_linked_action_of_a_local_rig_is_refused(override: Any) -> None:
    crate = bpy.data.objects.new("Crate", None)
    crate.animation_data_create().action = override.animation_data.action
    refused(write_two, crate, "action “Hare", "object “Crate”", "linked", "assign a copy")


# The NLA


def strip_of(hare: Any, *, name: str = "gallop", value: float = 5.0) -> Any:
    """A strip with an action of its own, under the hare's action."""
    under = bpy.data.objects.new("under", None)
    write_curves(under, Curves.checked(ONE.channels, [0, 1], [1], [value]))
    action = under.animation_data.action
    strip = hare.animation_data.nla_tracks.new().strips.new(name, 1, action)
    if host.slotted():
        strip.action_slot = action.slots[0]
    bpy.data.objects.remove(under)
    return strip


@pytest.mark.parametrize("blend", ["COMBINE", "ADD", "SUBTRACT", "MULTIPLY"])
def test_an_action_blended_onto_strips_is_refused(hare: Any, blend: str) -> None:
    strip_of(hare)
    hare.animation_data.action_blend_type = blend
    refused(write_two, hare, "object “Hare”", "blended", "“gallop”", blend.lower(), "replace")


def test_an_action_of_part_influence_is_refused(hare: Any) -> None:
    strip_of(hare, value=5.0)
    hare.animation_data.action_influence = 0.5
    assert height(hare, 7) == pytest.approx((1.5 + 5.0) / 2)
    refused(write_two, hare, "“gallop”", "influence of 0.5")


def test_a_muted_strip_on_a_playing_track_still_takes_part(hare: Any) -> None:
    strip_of(hare, value=5.0).mute = True
    hare.animation_data.action_influence = 0.5
    assert height(hare, 7) == 1.5 / 2
    refused(write_two, hare, "“gallop”", "influence of 0.5")


def test_strips_under_an_action_that_replaces_them_are_no_reason(hare: Any) -> None:
    strip_of(hare, value=5.0)
    write_two(hare)
    assert height(hare, 12) == 3.0


@pytest.mark.parametrize("off", ["stack", "track", "no strips"])
def test_a_blend_without_strips_that_play_is_no_reason(hare: Any, off: str) -> None:
    data = hare.animation_data
    if off != "no strips":
        strip_of(hare)
        data.use_nla = off != "stack"
        data.nla_tracks[0].mute = off == "track"
    data.action_influence = 0.5
    write_two(hare)
    assert height(hare, 12) == 3.0


def test_a_stack_that_is_off_is_no_action(hare: Any) -> None:
    strip_of(hare)
    hare.animation_data.action = None
    refused(write_two, hare, "NLA strips and no action")
    hare.animation_data.use_nla = False
    write_two(hare)
    assert height(hare, 12) == 3.0


def test_a_strip_of_a_stack_that_is_off_shares_no_action(hare: Any) -> None:
    crate = bpy.data.objects.new("Crate", None)
    strip = (
        crate.animation_data_create()
        .nla_tracks.new()
        .strips.new("same", 1, hare.animation_data.action)
    )
    if host.slotted():
        strip.action_slot = hare.animation_data.action_slot
    refused(write_two, hare, "also moves an NLA strip of object “Crate”", "single-user")
    crate.animation_data.use_nla = False
    write_two(hare)


def test_a_track_that_plays_alone_is_refused(hare: Any) -> None:
    strip_of(hare, value=5.0)
    track = hare.animation_data.nla_tracks[0]
    track.name = "Rooftops"
    track.is_solo = True
    assert height(hare, 7) == 5.0
    refused(write_two, hare, "“Rooftops” alone", "star")
    track.is_solo = False
    write_two(hare)


def test_tweak_mode_is_refused_with_the_strips_name(hare: Any) -> None:
    data = hare.animation_data
    strip = strip_of(hare, name="gallop 2")
    strip_of(hare, name="another")
    data.action = None
    data.nla_tracks.active = data.nla_tracks[0]
    strip.select = True
    data.use_tweak_mode = True
    assert data.use_tweak_mode
    refused(write_two, hare, "tweak mode", "strip “gallop 2”", "leave it first")
    assert data.use_tweak_mode


# Slots, sharing and muting


def test_only_the_own_slots_curves_are_read_and_written(hare: Any) -> None:
    if not host.slotted():
        pytest.skip("no slots in this version")
    action = hare.animation_data.action
    crate = bpy.data.objects.new("Crate", None)
    crate.animation_data_create().action = action
    write_curves(crate, TWO)
    assert len(action.slots) == 2
    before = read_curves(crate).curves
    write_curves(hare, Curves.checked([Channel("location", 0)], [0, 1], [1], [4.0]))
    assert cv.identical(read_curves(crate).curves, before)
    assert [c.label for c in read_curves(hare).curves.channels] == ["location[2]", "location[0]"]
    assert host.slot_number(hare) == action.slots[0].handle
    assert host.slot_number(crate) == action.slots[1].handle
    copy = action.copy()
    assert [s.handle for s in copy.slots] == [s.handle for s in action.slots]


def test_an_action_that_moves_two_is_refused(hare: Any) -> None:
    crate = bpy.data.objects.new("Crate", None)
    crate.animation_data_create().action = hare.animation_data.action
    if host.slotted():
        crate.animation_data.action_slot = hare.animation_data.action_slot
    refused(write_two, hare, "action “Hare", "also moves object “Crate”", "single-user")
    refused(write_two, crate, "also moves object “Hare”")


@pytest.mark.parametrize("how", ["curve", "group", "neither", "hidden"])
def test_muted_is_what_the_host_does_not_play(hare: Any, how: str) -> None:
    grouped = Curves.checked([Channel("location", 1, "Body")], [0, 1], [1], [2.0])
    write_curves(hare, grouped)
    curve = host.fcurves_of(hare).find("location", index=1)
    assert curve.group.name == "Body"
    curve.mute = how == "curve"
    curve.group.mute = how == "group"
    curve.hide = how == "hidden"
    hare.location.y = 77
    hare.animation_data.action.update_tag()
    bpy.context.scene.frame_set(3)
    still = hare.location.y == 77
    assert read_curves(hare).muted == (grouped.channels if still else ())
    assert still or how in ("group", "neither", "hidden")
    assert not still or how in ("group", "curve")
