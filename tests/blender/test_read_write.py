# SPDX-License-Identifier: GPL-3.0-or-later
"""Keys out of and into the host: bit for bit, nothing else touched, refused where it must be."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import bpy
import numpy as np
import pytest

from leapwright import curves as cv
from leapwright.curves import Channel, Curves
from leapwright.errors import HostError, InputError
from leapwright.playback import evaluate
from leapwright_blender import host
from leapwright_blender.read import read_curves, read_played
from leapwright_blender.write import write_curves


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


@pytest.fixture
def hare() -> Any:
    return new_object("Hare")


def new_object(name: str) -> Any:
    made = bpy.data.objects.new(name, None)
    bpy.context.scene.collection.objects.link(made)
    return made


def random_curves(
    seed: int, counts: tuple[int, ...] = (7, 1, 12), modes: int = 13, **fixed: Any
) -> Curves:
    """Channels of an object with all sorts of keys."""
    rng = np.random.default_rng(seed)
    frame = np.concatenate(
        [np.sort(rng.choice(400, n, replace=False) + rng.uniform(0, 0.9, n)) for n in counts]
    ).astype(np.float32)
    value, size = rng.normal(0, 2, frame.size), frame.size
    reach = rng.uniform(0.01, 60, (2, size))
    paths = ["location", "rotation_euler", "scale", '["squash"]', "delta_location"]
    arrays: dict[str, Any] = {
        "left": np.stack([frame - reach[0], value + rng.normal(0, 1, size)], -1),
        "right": np.stack([frame + reach[1], value + rng.normal(0, 1, size)], -1),
        "interpolation": rng.integers(0, modes, size),
        "left_type": rng.integers(0, 5, size),
        "right_type": rng.integers(0, 5, size),
        "kind": rng.integers(0, 6, size),
        "easing": rng.integers(0, 4, size),
        "back": rng.uniform(0, 3, size),
        "amplitude": rng.uniform(0, 3, size),
        "period": rng.uniform(1, 9, size),
    }
    return Curves.checked(
        [Channel(paths[i % 5], i // 5, f"group {i % 2}") for i in range(len(counts))],
        np.r_[0, np.cumsum(counts)],
        frame,
        value,
        **(arrays | fixed),
    )


def curve_of(id_block: Any, channel: Channel) -> Any:
    return host.fcurves_of(id_block).find(channel.data_path, index=channel.index)


# What the numbers of the core mean here


@pytest.mark.parametrize(
    ("attribute", "enum"),
    [
        ("handle_left_type", cv.Handle),
        ("handle_right_type", cv.Handle),
        ("interpolation", cv.Interpolation),
        ("type", cv.Kind),
        ("easing", cv.Easing),
    ],
)
def test_enum_numbers_are_the_hosts(hare: Any, attribute: str, enum: Any) -> None:
    items = bpy.types.Keyframe.bl_rna.properties[attribute].enum_items
    assert {e.identifier: e.value for e in items} == {e.name: e.value for e in enum}
    hare.location = (0, 0, 1)
    hare.keyframe_insert("location", index=2, frame=1)
    points = host.fcurves_of(hare)[0].keyframe_points
    buffer = np.zeros(1, np.int32)
    for member in enum:
        setattr(points[0], attribute, member.name)
        points.foreach_get(attribute, buffer)
        assert buffer[0] == member


def test_plain_values_are_those_of_a_new_key(hare: Any) -> None:
    hare.keyframe_insert("location", index=2, frame=1)
    got, plain = read_curves(hare).curves, Curves.checked([Channel("z", 0)], [0, 1], [1], [0])
    for name in ("back", "amplitude", "period", "kind", "easing"):
        assert getattr(got, name).tobytes() == getattr(plain, name).tobytes()


# There and back


@pytest.mark.parametrize("seed", range(6))
def test_free_keys_of_every_sort_come_back_bit_for_bit(hare: Any, seed: int) -> None:
    curves = random_curves(seed, left_type=cv.Handle.FREE, right_type=cv.Handle.FREE)
    made = write_curves(hare, curves)
    assert (made.channels, made.keys, made.created) == (3, 20, curves.channels)
    assert cv.identical(read_curves(hare).curves, sorted_like(hare, curves))


@pytest.mark.parametrize("seed", range(40))
def test_mixed_handles_come_back_bit_for_bit_once_the_host_set_them(hare: Any, seed: int) -> None:
    write_curves(hare, random_curves(seed))
    host_made = read_curves(hare).curves
    for _ in range(5):
        write_curves(hare, host_made)
        assert cv.identical(read_curves(hare).curves, host_made)


@pytest.mark.parametrize("kind", ["AUTO", "AUTO_CLAMPED", "VECTOR", "ALIGNED", "FREE"])
def test_what_an_animator_keyed_comes_back_bit_for_bit(hare: Any, kind: str) -> None:
    rng = np.random.default_rng(5)
    for frame in (1, 5, 11, 12, 24, 40):
        hare.location = rng.normal(0, 1, 3)
        hare.keyframe_insert("location", frame=frame)
    for curve in host.fcurves_of(hare):
        for point in curve.keyframe_points:
            point.handle_left_type = point.handle_right_type = kind
        curve.update()
    before = read_curves(hare).curves
    made = write_curves(hare, before)
    assert made.created == ()
    assert cv.identical(read_curves(hare).curves, before)


def sorted_like(id_block: Any, curves: Curves) -> Curves:
    """Give `curves` with channels in the host's order: it sorts new ones into their groups."""
    order = [Channel(c.data_path, c.array_index) for c in host.fcurves_of(id_block)]
    return cv.select(curves, [curves.channels.index(c) for c in order])


def test_aligned_keys_in_line_stay_and_are_watched(hare: Any) -> None:
    frame, slope = np.array([1, 9, 20, 31], np.float32), np.array([0.1, -0.2, 0.3, 0])
    value = np.array([0, 1, 0.5, 2], np.float32)
    curves = Curves.checked(
        [Channel("location", 2)], [0, 4], frame, value,
        left=np.c_[frame - 3, value - 3 * slope], right=np.c_[frame + 2, value + 2 * slope],
        left_type=cv.Handle.ALIGNED, right_type=cv.Handle.ALIGNED,
    )  # fmt: skip
    every = np.ones(4, bool)
    write_curves(hare, curves, fixed=every)
    got = read_curves(hare).curves
    np.testing.assert_allclose(got.right, curves.right, atol=1e-5)
    bent = curves.right.copy()
    bent[1, 1] += 0.5
    with pytest.raises(HostError, match=r"changed 1 keys.*frame 9 of location\[2\]"):
        write_curves(hare, replace(curves, right=bent), fixed=every)
    with pytest.raises(InputError, match="`fixed`"):
        write_curves(hare, curves, fixed=[1, 0])


@pytest.mark.parametrize("now", [2, 7, 15])
def test_more_or_fewer_keys_replace_those_that_were(hare: Any, now: int) -> None:
    kinds = {"left_type": 0, "right_type": 0}
    write_curves(hare, random_curves(1, (7,), **kinds))
    curves = random_curves(2, (now,), **kinds)
    write_curves(hare, curves)
    got = read_curves(hare).curves
    assert got.starts.tolist() == [0, now]
    assert cv.identical(replace(got, channels=curves.channels), curves)


def test_other_channels_keep_every_byte(hare: Any) -> None:
    for axis in range(3):
        hare.location[axis] = axis
        hare.keyframe_insert("location", index=axis, frame=1)
        hare.location[axis] = 3.3
        hare.keyframe_insert("location", index=axis, frame=8)
    fcurves = host.fcurves_of(hare)
    odd = fcurves.find("location", index=0)
    # Handles that an update would move: nothing may update this curve.
    odd.keyframe_points.foreach_set("handle_left", np.array([0, 9, 5, -9], np.float32))
    odd.extrapolation = "LINEAR"
    others = [fcurves.find("location", index=i) for i in (0, 1)]
    before = [bytes_of(c) for c in others]
    write_curves(hare, Curves.checked([Channel("location", 2)], [0, 3], [1, 4, 9], [0, 1, 0]))
    assert [bytes_of(host.fcurves_of(hare).find("location", index=i)) for i in (0, 1)] == before
    assert curve_of(hare, Channel("location", 0)).extrapolation == "LINEAR"


def bytes_of(curve: Any) -> list[bytes]:
    out = []
    for p in bpy.types.Keyframe.bl_rna.properties:
        if p.identifier == "rna_type" or p.is_readonly:
            continue
        width = max(1, getattr(p, "array_length", 0))
        buffer = np.zeros(
            len(curve.keyframe_points) * width, np.float32 if p.type == "FLOAT" else np.int32
        )
        curve.keyframe_points.foreach_get(p.identifier, buffer)
        out.append(buffer.tobytes())
    return out


def test_a_channel_without_keys_is_gone_unless_it_has_modifiers(hare: Any) -> None:
    write_curves(hare, random_curves(1, (3, 3, 3), left_type=0, right_type=0))
    kept = read_curves(hare).curves.channels[0]
    curve_of(hare, kept).modifiers.new("NOISE")
    curves = read_curves(hare).curves
    empty = cv.remove_keys(curves, np.arange(9) < 6)
    made = write_curves(hare, empty)
    assert made.removed == curves.channels[1:2]
    assert [c.data_path for c in host.fcurves_of(hare)] == [
        curves.channels[0].data_path, curves.channels[2].data_path
    ]  # fmt: skip
    assert cv.identical(read_curves(hare).curves, cv.channel(curves, 2))


def test_handles_on_their_key_are_allowed_and_moved_by_a_thousandth_at_most(hare: Any) -> None:
    curves = Curves.checked([Channel("location", 2)], [0, 3], [1, 500, 5000], [0, 1, 0])
    write_curves(hare, curves)
    got = read_curves(hare).curves
    np.testing.assert_allclose(got.left, curves.left, rtol=0, atol=1.6e-3)
    assert got.left[:, 1].tolist() == [0, 1, 0] == got.right[:, 1].tolist()


# The evaluated scene


def test_what_is_written_plays_at_once(hare: Any) -> None:
    channel = [Channel("location", 2)]
    write_curves(hare, Curves.checked(channel, [0, 1], [1], [1.0]))
    bpy.context.scene.frame_set(1)
    assert hare.evaluated_get(bpy.context.evaluated_depsgraph_get()).location.z == 1.0
    write_curves(hare, Curves.checked(channel, [0, 1], [1], [4.0]))
    bpy.context.view_layer.update()
    assert hare.evaluated_get(bpy.context.evaluated_depsgraph_get()).location.z == 4.0


@pytest.mark.parametrize("seed", range(20))
def test_evaluate_equals_the_host(hare: Any, seed: int) -> None:
    write_curves(hare, random_curves(seed, (9, 2, 1, 25), modes=3))
    curves = read_curves(hare).curves
    rng = np.random.default_rng(seed)
    frames = np.r_[rng.uniform(-20, 430, 400), curves.frame].astype(np.float32)
    # The host takes a frame within 1e-4 of a key for the key.
    near = np.abs(frames[:, None] - curves.frame)
    frames = frames[((near == 0) | (near > 2e-4)).all(axis=1)]
    got = evaluate(curves, frames)
    for i, channel in enumerate(curves.channels):
        curve = curve_of(hare, channel)
        expected = np.array([curve.evaluate(f) for f in frames.tolist()])
        scale = np.maximum(1, np.abs(curves.value).max())
        # Where time stands still along a curve the host's own float32 is the limit.
        assert np.abs(got[i] - expected).max() <= 1e-5 * scale + steepness(curves, i, frames)


def steepness(curves: Curves, i: int, frames: Any) -> float:
    """Most that one float32 step of time changes the value at any of the frames."""
    one = cv.channel(curves, i)
    step = np.spacing(np.abs(frames).astype(np.float32)).astype(float)
    wide = np.abs(evaluate(one, frames + step) - evaluate(one, frames - step))
    inside = ~np.isin(frames, one.frame)  # a constant key jumps there
    return float(wide[0][inside].max())


# Reading


def test_reading_an_object_without_animation(hare: Any) -> None:
    got = read_curves(hare)
    assert got.curves.channels == got.driven == got.locked == got.sampled == ()


def test_reading_tells_what_is_special(hare: Any) -> None:
    write_curves(hare, random_curves(1, (3, 3, 3)))
    channels = read_curves(hare).curves.channels
    curve_of(hare, channels[0]).lock = True
    curve_of(hare, channels[1]).mute = True
    curve_of(hare, channels[2]).modifiers.new("CYCLES")
    hare.driver_add("rotation_euler", 2)
    baked = host.new_fcurve(host.fcurves_of(hare), "location", 1)
    baked.keyframe_points.insert(1, 0)
    baked.keyframe_points.insert(5, 1)
    baked.convert_to_samples(1, 5)
    got = read_curves(hare)
    assert got.locked == channels[:1]
    assert got.muted == channels[1:2]
    assert got.modified == channels[2:]
    assert got.driven == (Channel("rotation_euler", 2),)
    assert got.sampled == (Channel("location", 1),)
    assert got.curves.channels == channels
    with pytest.raises(HostError, match=r"location\[1\]"):
        write_curves(hare, Curves.checked([Channel("location", 1)], [0, 1], [1], [0]))


def test_reading_only_some_paths(hare: Any) -> None:
    write_curves(hare, random_curves(1, (3, 4, 5)))
    whole = read_curves(hare).curves
    got = read_curves(hare, paths=["scale"]).curves
    index = [c.data_path for c in whole.channels].index("scale")
    assert cv.identical(got, cv.channel(whole, index))


@pytest.mark.parametrize("seed", range(6))
def test_written_keys_are_read_again_with_the_hosts_handles(hare: Any, seed: int) -> None:
    curves = random_curves(seed)
    write_curves(hare, curves)
    whole, played = read_curves(hare).curves, read_played(hare, curves)
    assert cv.identical(sorted_like(hare, played), whole)
    assert not np.array_equal(played.left, curves.left)


def test_unsorted_keys_of_another_script_are_read_sorted(hare: Any) -> None:
    write_curves(hare, Curves.checked([Channel("location", 0)], [0, 3], [1, 2, 3], [1, 2, 3]))
    points = host.fcurves_of(hare)[0].keyframe_points
    points.foreach_set("co", np.array([3, 30, 1, 10, 2, 20], np.float32))
    got = read_curves(hare).curves
    assert got.frame.tolist() == [1, 2, 3]
    assert got.value.tolist() == [10, 20, 30]
    assert cv.identical(read_played(hare, got), got)


# Refusals: plain, and before anything is written


ONE = Curves.checked([Channel("location", 2)], [0, 1], [1], [0], left=[[0, 0]], right=[[2, 0]])


def test_driven_channels_are_refused(hare: Any) -> None:
    hare.driver_add("location", 2)
    with pytest.raises(HostError, match=r"location\[2\]"):
        write_curves(hare, cv.concat([random_curves(1, (2, 2), modes=3), ONE]))
    assert host.fcurves_of(hare) is None
    assert len(bpy.data.actions) == 0


def test_keys_that_the_host_would_merge_are_refused(hare: Any) -> None:
    close = Curves.checked([Channel("location", 2)], [0, 2], [1, 1.005], [0, 1])
    with pytest.raises(InputError, match=r"location\[2\]"):
        write_curves(hare, close)
    assert hare.animation_data is None
    apart = Curves.checked([Channel("location", 2)], [0, 2], [1, 1.02], [0, 1])
    assert write_curves(hare, apart).keys == 2


def test_another_ones_action_is_refused(hare: Any) -> None:
    write_curves(hare, ONE)
    crate = new_object("Crate")
    crate.animation_data_create().action = hare.animation_data.action
    if host.slotted():
        write_curves(crate, ONE)  # a slot of its own
        assert len(hare.animation_data.action.slots) == 2
        crate.animation_data.action_slot = hare.animation_data.action_slot
    for one, other in ((hare, "Crate"), (crate, "Hare")):
        with pytest.raises(HostError, match=f"also moves object “{other}”"):
            write_curves(one, ONE)
    crate.animation_data_clear()
    hare.animation_data.action.use_fake_user = True
    write_curves(hare, ONE)


def test_an_action_for_object_and_data_in_two_slots_is_not_shared() -> None:
    if not host.slotted():
        pytest.skip("no slots in this version")
    data = bpy.data.armatures.new("Hare")
    hare = bpy.data.objects.new("Hare", data)
    write_curves(hare, ONE)
    action = hare.animation_data.action
    data.animation_data_create().action = action
    write_curves(data, Curves.checked([Channel('["ears"]', 0)], [0, 1], [1], [0]))
    assert data.animation_data.action == action
    assert len(action.slots) == 2
    assert cv.identical(read_curves(hare).curves, ONE)
    write_curves(hare, ONE)


@pytest.mark.parametrize("mute", [True, False])
def test_nla_use_counts_unless_muted(hare: Any, mute: bool) -> None:
    write_curves(hare, ONE)
    data = hare.animation_data
    track = data.nla_tracks.new()
    strip = track.strips.new("hop", 1, data.action)
    if host.slotted():
        strip.action_slot = data.action_slot
    track.mute = mute
    if mute:
        write_curves(hare, ONE)
        return
    with pytest.raises(HostError, match="an NLA strip of object “Hare”"):
        write_curves(hare, ONE)
    data.action = None
    with pytest.raises(HostError, match="NLA strips and no action"):
        write_curves(hare, ONE)


def test_tweak_mode_is_refused(hare: Any) -> None:
    write_curves(hare, ONE)
    data = hare.animation_data
    action = data.action
    strip = data.nla_tracks.new().strips.new("hop", 1, action)
    data.action = None
    strip.select = True
    data.use_tweak_mode = True
    assert data.use_tweak_mode
    with pytest.raises(HostError, match="tweak mode"):
        write_curves(hare, ONE)


def test_linked_data_and_linked_actions_are_refused(hare: Any, tmp_path: Any) -> None:
    write_curves(hare, ONE)
    file = str(tmp_path / "hare.blend")
    bpy.ops.wm.save_as_mainfile(filepath=file, check_existing=False)
    bpy.ops.wm.read_homefile(use_empty=True)
    with bpy.data.libraries.load(file, link=True) as (_, wanted):
        wanted.objects = ["Hare"]
    linked = bpy.data.objects["Hare"]
    with pytest.raises(HostError, match=r"is linked from.*override"):
        write_curves(linked, ONE)
    local = new_object("Other")
    local.animation_data_create().action = linked.animation_data.action
    with pytest.raises(HostError, match=r"action .* is linked"):
        write_curves(local, ONE)


# The host's side of things


def test_the_action_is_named_after_the_data_block_or_as_asked(hare: Any) -> None:
    write_curves(hare, ONE)
    assert hare.animation_data.action.name == "Hare"
    crate = new_object("Crate")
    write_curves(crate, ONE, name="Crate hop")
    assert crate.animation_data.action.name == "Crate hop"


def test_new_channels_are_in_their_groups_and_an_action_without_slot_is_filled(hare: Any) -> None:
    hare.animation_data_create().action = bpy.data.actions.new("empty")
    assert not host.animated(hare)
    curves = random_curves(3, (2, 3, 2, 1), left_type=0, right_type=0)
    write_curves(hare, curves)
    assert host.animated(hare)
    got = read_curves(hare).curves
    groups = {(c.data_path, c.index): c.group for c in got.channels}
    assert groups == {(c.data_path, c.index): c.group for c in curves.channels}
    assert cv.identical(got, sorted_like(hare, curves))


def test_nothing_to_write_makes_nothing(hare: Any) -> None:
    assert write_curves(hare, Curves.empty()).keys == 0
    assert hare.animation_data is None


def test_bones_and_shape_keys_too() -> None:
    mesh = bpy.data.meshes.new("Satchel")
    mesh.from_pydata([(0, 0, 0)], [], [])
    satchel = bpy.data.objects.new("Satchel", mesh)
    satchel.shape_key_add(name="Basis")
    satchel.shape_key_add(name="Swing")
    keys = Curves.checked(
        [Channel('key_blocks["Swing"].value', 0)], [0, 2], [1, 9], [0, 1], left=[[0, 0], [6, 1]],
        right=[[4, 0], [12, 1]], interpolation=1,
    )  # fmt: skip
    write_curves(mesh.shape_keys, keys)
    assert cv.identical(read_curves(mesh.shape_keys).curves, keys)
    assert read_curves(satchel).curves.channels == ()


def test_writing_is_near_bare_foreach_set(hare: Any) -> None:
    base = random_curves(4, (200,), left_type=0, right_type=0)
    many = cv.concat([replace(base, channels=(Channel(f'["p{i}"]', 0),)) for i in range(300)])
    write_curves(hare, many)
    fcurves = list(host.fcurves_of(hare))
    arrays = read_curves(hare).curves
    co = np.stack([arrays.frame, arrays.value], -1).ravel()[:400].copy()
    left, right = arrays.left.ravel()[:400].copy(), arrays.right.ravel()[:400].copy()
    types = [np.zeros(200, np.int32)] * 5

    def bare() -> None:
        for curve in fcurves:
            points = curve.keyframe_points
            points.foreach_set("co", co)
            points.foreach_set("handle_left", left)
            points.foreach_set("handle_right", right)
            names = ("handle_left_type", "handle_right_type", "interpolation", "type", "easing")
            for name, array in zip(names, types, strict=True):
                points.foreach_set(name, array)
            curve.update()

    def best(call: Any) -> float:
        times = []
        for _ in range(5):
            start = time.perf_counter()
            call()
            times.append(time.perf_counter() - start)
        return min(times)

    ratio = best(lambda: write_curves(hare, many)) / best(bare)
    print(f"writing is {ratio:.2f} times bare foreach_set")
    assert ratio < 6
