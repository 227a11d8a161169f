# SPDX-License-Identifier: GPL-3.0-or-later
"""What hard use found, each with the input that it was found with."""

from __future__ import annotations

import numpy as np
import pytest

import leapwright
from leapwright import ClashError, HostError, InputError, TimeMap
from leapwright.cli import lengths
from leapwright.curves import Channel, Curves
from leapwright.find import find
from leapwright.track import Track
from leapwright.units import frame_rate_of

OK = {"air_frames": 2, "magnification": 1.0}


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"shot_start": None}, "shot_start must be a number, got None"),
        ({"crouch_hold_frames": None}, "crouch_hold_frames must be a number, got None"),
        ({"carry_on": b"12"}, "carry_on must be True or False"),
        ({"pins": True}, "pins must map moments to frames, got True"),
        ({"travel": 1e300}, "travel must be 1e[+]12 m at most, got 1e[+]300"),
        ({"absorb_height": 5e-324}, "absorb_height must be 1e-12 m at least"),
        ({"frame_rate": 2.9e-302}, "frame_rate must be a number above 0"),
        ({"frame_rate": 1e-4}, "from 0.001 to 100,000, got"),
        ({"travel": 3 + 4j}, "travel must be a number"),
        (
            {"anticipation_frames": b"12"},
            "anticipation_frames must be a number in frames, got b'12'",
        ),
    ],
)
def test_a_plan_is_refused_in_words(asked, said):
    with pytest.raises(InputError, match=said):
        leapwright.plan(**OK, **asked)


def test_a_pin_that_fractions_cannot_keep_is_a_clash():
    with pytest.raises(ClashError, match="apex=0 would be on -1"):
        leapwright.plan(**OK, subframes=True, pins={"takeoff": -2, "apex": 0})


@pytest.mark.parametrize("gravity", [[1.0], [1.0, 2.0], []])
def test_a_chart_has_one_gravity(gravity):
    with pytest.raises(InputError, match="gravity must be one number"):
        leapwright.chart([8], gravity=gravity)


def test_a_rate_may_be_a_small_numpy_number():
    assert frame_rate_of(np.int8(24)) == 24
    assert float(frame_rate_of(np.float32(23.5))) == 23.5


@pytest.mark.parametrize("text", ["1e9999999999", "1e-9999999999", "1/1e9999999999"])
def test_a_rate_of_many_digits_is_refused_at_once(text):
    with pytest.raises(InputError, match="frame_rate must be a number above 0"):
        frame_rate_of(text)


def test_a_track_has_no_absurd_heights():
    with pytest.raises(InputError, match=r"cog must be finite .* first on frame 2"):
        Track.of([1.0, 1e300, 1.0])


def test_a_typed_fall_keeps_whole_frames_where_the_rise_was_none():
    solved = leapwright.retime({"takeoff": 2, "land": 5, "low": 6, "end": 7}, fall_frames=1)
    assert (solved.moments_after.takeoff, solved.moments_after.land) == (2, 5)


@pytest.mark.parametrize("apex", [3, 4])
def test_a_hang_must_leave_rise_and_fall_something(apex):
    was = {"takeoff": 2, "apex": apex, "land": 5}
    with pytest.raises(InputError, match="leaves the rise or the fall none"):
        leapwright.retime(was, style=leapwright.Style(hang=2.0), push_frames=1)


def test_an_air_as_short_as_its_hang_is_refused():
    was = {"takeoff": 2, "apex": 4, "land": 6}
    with pytest.raises(InputError, match="air_frames must be above the 2 frames"):
        leapwright.retime(was, style=leapwright.Style(hang=2.0), air_frames=2)


def test_minutes_in_the_air_are_weighed_at_once():
    solved = leapwright.retime({"crouch": -1e5, "takeoff": 0, "land": 1e9}, snappiness=1.5)
    assert solved.moments_after.land == pytest.approx(1e9 / 1.5, rel=1e-3)


def test_pins_of_an_array_are_refused():
    with pytest.raises(InputError, match="pins must map moments to frames"):
        leapwright.retime({"takeoff": 2, "land": 5}, snappiness=2, pins=np.zeros(0))


@pytest.mark.parametrize("odd", [np.array([]), np.zeros((2, 0)), ["shift"], None])
def test_what_gives_is_a_word(odd):
    with pytest.raises(InputError, match="`before` must be shift or stretch"):
        leapwright.retime({"takeoff": 2, "land": 5}, snappiness=2, before=odd)


def test_knots_that_nothing_fits_between_are_refused():
    with pytest.raises(InputError, match="must rise, by more than 1e-09"):
        TimeMap.of([-2.6e-105, 0.0], [0.0, 29.0])


def test_feet_with_a_stray_mark_are_no_length():
    with pytest.raises(InputError, match="must be a length"):
        lengths.length("1ft'", "travel")


@pytest.mark.parametrize("value", [3e38, np.inf, np.nan])
def test_a_key_beyond_single_precision_is_named_with_its_channel(value):
    with pytest.raises(InputError, match=r"`value` must be finite .* in location\[2\]"):
        Curves.checked([Channel("scale", 0), Channel("location", 2)], [0, 1, 2], [1, 1], [1, value])


def test_a_low_that_was_not_seen_is_where_the_track_ends():
    up = leapwright.plan(rise_frames=12, push_frames=3, pins={"takeoff": 10})
    fallen = up.cog(np.arange(1, 36)).position
    (jump,) = find(Track.of(fallen))
    assert jump.moments.low <= 35


@pytest.mark.needs_bpy
def test_a_bone_that_is_scaled_to_nothing_is_refused_in_words():
    import bpy

    from blender.rigs import build
    from leapwright_blender import rig_of
    from leapwright_blender.read import read_curves

    obj = build("hare with FK legs")
    obj.pose.bones["thigh.L"].scale = (1, 1, 0)
    bpy.context.view_layer.update()
    with pytest.raises(HostError, match="is scaled to 0"):
        rig_of(obj, bpy.context.scene).block(jump_height=0.5, push_height=0.2)
    assert read_curves(obj).curves.channels == ()


@pytest.mark.needs_bpy
def test_a_bone_beyond_all_bounds_is_refused_in_words():
    import bpy

    from blender.rigs import build
    from leapwright_blender import rig_of
    from leapwright_blender.read import read_curves

    obj = build("hare with FK legs")
    # Shear that grows from bone to bone ends beyond single precision.
    for name in ("root", "body", "pelvis", "thigh.L"):
        obj.pose.bones[name].scale = (1e20, 1e-20, 1e20)
    bpy.context.view_layer.update()
    rig = rig_of(obj, bpy.context.scene)
    for verb in (rig.find, lambda: rig.block(jump_height=0.5, push_height=0.2)):
        with pytest.raises(HostError, match=r"bone '.*' is at no place that can be told"):
            verb()
    assert read_curves(obj).curves.channels == ()
