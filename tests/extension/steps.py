# SPDX-License-Identifier: GPL-3.0-or-later
"""Poses, block, spline, retime and resize by operators, and the same through Python."""

from __future__ import annotations

import dataclasses
import importlib
import json
import math
from typing import Any

import bpy
from jumper import (
    CONTROLS,
    MODULE,
    SEEN,
    UNIT,
    api_rig,
    asked_in_metres,
    curves,
    fresh,
    jumper,
    key_frames,
    keys,
    see_same,
    undo,
)


def see_poses(shown: Any) -> None:
    scene = bpy.context.scene
    body = jumper().pose.bones["body"]
    for moment, frame, height in (("crouch", 1, -0.25), ("takeoff", 2, -0.05)):
        body.location = (0, height / UNIT, 0)
        body.keyframe_insert("location", frame=frame)
        scene.frame_set(frame)
        bpy.ops.leapwright.mark_pose(moment=moment)
    settings = jumper().leapwright_ask
    SEEN["marked"] = {
        "crouch": settings.pose_frames[1],
        "takeoff": settings.pose_frames[2],
    }
    SEEN["measured"] = json.loads(settings.measured)
    SEEN["shown_from_poses"] = dataclasses.asdict(shown.read_out(settings, scene))
    for moment in ("crouch", "takeoff"):
        bpy.ops.leapwright.clear_pose(moment=moment)
    SEEN["measured_after_clear"] = json.loads(settings.measured)
    SEEN["problem_after_clear"] = shown.read_out(settings, scene).problem
    jumper().animation_data_clear()
    body.location = (0, 0, 0)


def see_readout(shown: Any) -> None:
    settings, scene = jumper().leapwright_ask, bpy.context.scene
    first = shown.read_out(settings, scene)
    SEEN["shown"] = {
        **dataclasses.asdict(first),
        "planned_once": shown.read_out(settings, scene) is first,
    }


def see_block() -> None:
    scene = bpy.context.scene
    scene.frame_set(7)
    bpy.ops.ed.undo_push(message="before")
    assert bpy.ops.leapwright.block("EXEC_DEFAULT", True) == {"FINISHED"}
    SEEN["keys"], SEEN["first"] = key_frames(), keys()
    SEEN["frame"] = [7, scene.frame_current]
    undo()
    SEEN["keys_after_undo"] = key_frames()
    SEEN["markers_after_undo"] = [m.name for m in bpy.context.scene.timeline_markers]


def see_again() -> None:
    """As adjusting the last operation does: undone, then run with one value changed."""
    assert bpy.ops.leapwright.block("EXEC_DEFAULT", True, jump_height=1.2 / UNIT) == {"FINISHED"}
    SEEN["again"] = keys()
    SEEN["settings_after_again_m"] = jumper().leapwright_ask.jump_height * UNIT
    undo()
    api = importlib.import_module("leapwright_blender")
    settings = jumper().leapwright_ask
    # What the operator sees went through the host's 32-bit properties.
    asked = {n: getattr(settings, n) * UNIT for n in ("push_height", "landing_level")}
    settings.jump_height = 1.2 / UNIT
    asked["jump_height"] = settings.jump_height * UNIT
    names = {"root": "root", "cog": "body", "feet": ["foot.L", "foot.R"]}
    rig = api.rig_of(jumper(), bpy.context.scene)
    rig.block(**asked, **names, pins={"takeoff": 101})
    SEEN["api"] = keys()
    jumper().animation_data_clear()


def see_refusals() -> None:
    settings = jumper().leapwright_ask
    settings.landing_level = 5.0 / UNIT
    bpy.ops.ed.undo_push(message="before")
    try:
        bpy.ops.leapwright.block("EXEC_DEFAULT", True)
    except RuntimeError as error:
        SEEN["refused"] = str(error)
    SEEN["keys_after_refusal"] = key_frames()
    bpy.ops.object.mode_set(mode="OBJECT")
    bpy.context.view_layer.objects.active = None
    SEEN["poll_without_object"] = bpy.ops.leapwright.block.poll()


FOOT_TEXTS = (
    "paw.L=release-4,plant+0; paw.R=plant+2",
    " a=b = plant +3 ;",
    "",
    "front*=release-2",
    "paw.L=up+3",
    "paw.L=release-4,",
    "=plant+1",
    "release-4",
    "paw.L=plant+1; paw.L=release-1",
)


def see_foot_texts() -> None:
    feet = importlib.import_module("leapwright.offsets")
    errors = importlib.import_module("leapwright.errors")
    said: dict[str, Any] = {}
    for text in FOOT_TEXTS:
        try:
            said[text] = feet.foot_offsets(text)
            assert feet.foot_offsets(feet.foot_text(said[text])) == said[text]
        except errors.InputError as error:
            said[text] = [error.argument, str(error)]
    SEEN["foot_texts"] = said


def see_options() -> None:
    fresh()
    foot = {"foot.L": {"release": -1, "plant": 0}, "foot.R": {"plant": 2}}
    asked = {**asked_in_metres(), **CONTROLS, "pins": {"takeoff": 101}}
    see_same(
        "options",
        "block",
        {**asked, "foot": foot, "key": "all", "within": 0.01, "props": False, "stepped": True},
        foot="foot.L=release-1,plant+0; foot.R=plant+2",
        key="all",
        within=0.01 / UNIT,
        props=False,
        stepped=True,
    )
    mesh = bpy.data.meshes.new("Crate")
    side = 8.0
    corners = [(x * side, y * side, 0.3 / UNIT) for x, y in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    mesh.from_pydata(corners, [], [(0, 1, 2, 3)])
    crate = bpy.data.objects.new("Crate", mesh)
    bpy.context.collection.objects.link(crate)
    bpy.context.view_layer.update()
    del asked["landing_level"]
    see_same("ground", "block", {**asked, "ground": "Crate"}, ground="Crate", to_middle=False)
    settings = jumper().leapwright_ask
    settings.ground = bpy.data.objects["Crate"]
    settings.landing, settings.to_middle = "object", False
    bpy.data.objects["Crate"].name = "Crate of lamps"
    bpy.ops.ed.undo_push(message="renamed")
    bpy.ops.leapwright.block("EXEC_DEFAULT", True)
    SEEN["ground_of_settings"] = keys()
    undo()
    jumper().leapwright_ask.ground, jumper().leapwright_ask.landing = None, "level"
    root = jumper().pose.bones["root"]
    for frame in (1, 97):
        # 2 m/s at 24 frames a second.
        root.location = (0, -2.0 / UNIT * (frame - 1) / 24, 0)
        root.keyframe_insert("location", frame=frame)
    for curve in curves():
        for key in curve.keyframe_points:
            key.interpolation = "LINEAR"
    asked["landing_level"] = asked_in_metres()["landing_level"]
    # Without poses the run is measured before the current frame.
    bpy.context.scene.frame_set(97)
    run = {"running_measured": True, "replace": True}
    see_same("run", "block", {**asked, "running": "measured", "replace": True}, **run)


def see_jumps_after_another() -> None:
    fresh()
    body = jumper().pose.bones["body"]
    for moment, frame, height in (("crouch", 1, -0.25), ("takeoff", 2, -0.05)):
        body.location = (0, height / UNIT, 0)
        body.keyframe_insert("location", frame=frame)
        bpy.ops.leapwright.mark_pose(moment=moment, frame=frame)
    settings = jumper().leapwright_ask
    settings.push_measure, settings.stepped = "poses", True
    SEEN["spline_poll_before"] = bpy.ops.leapwright.spline.poll()
    bpy.ops.ed.undo_push(message="posed")
    read = settings.measured
    assert bpy.ops.leapwright.block("EXEC_DEFAULT", True) == {"FINISHED"}
    settings = jumper().leapwright_ask
    SEEN["followed"] = [list(settings.posed), list(settings.pose_frames), settings.measured == read]
    SEEN["remembered"] = [dict(jump.moments) for jump in api_rig().remembered()]
    SEEN["spline_poll_after"] = bpy.ops.leapwright.spline.poll()
    # Half a metre a unit: 1.5 m is the same in 32 bits.
    again = {"jump_height": 1.5, **CONTROLS}
    see_same("again_block", "block_again", again, ops="block", again=True, jump_height=1.5 / UNIT)
    frames = {"rise_frames": 14, **CONTROLS}
    see_same("again_other", "block_again", frames, ops="block", again=True, rise_frames=14)
    splined = {"handle": "vector", **CONTROLS}
    see_same("spline", "spline", splined, handle="vector")
    settings = jumper().leapwright_ask
    settings.chain, settings.push_measure = True, "push_height"
    shown = importlib.import_module(f"{MODULE}.readout")
    SEEN["shown_chained"] = dataclasses.asdict(shown.read_out(settings, bpy.context.scene))
    chained = {**asked_in_metres(), **CONTROLS, "chain": True, "stepped": True}
    see_same("chain", "block", chained)
    jumper().leapwright_ask.chain = False
    jumper().leapwright_ask.stepped = False


def see_retime() -> None:
    fresh()
    SEEN["retime_poll_before"] = bpy.ops.leapwright.retime.poll()
    assert bpy.ops.leapwright.block("EXEC_DEFAULT", True) == {"FINISHED"}
    SEEN["retime_poll_after"] = bpy.ops.leapwright.retime.poll()
    module = importlib.import_module(f"{MODULE}.retiming")
    scene, entered = bpy.context.scene, jumper().leapwright_retime
    SEEN["retime_not_asked"] = dataclasses.asdict(module.told(jumper(), scene))
    entered.snappiness = 1.5
    shown = module.told(jumper(), scene)
    SEEN["retime_shown"] = dataclasses.asdict(shown)
    SEEN["retime_solved_once"] = module.told(jumper(), scene) is shown
    lines: list[str] = []
    summary = module.retime_summary
    module.retime_summary = lambda result: lines.append(summary(result)) or lines[-1]
    # From the panel: what is entered is what is asked.
    see_same("retime", "retime", {"snappiness": 1.5, **CONTROLS})
    SEEN["retime_report"] = lines[0]
    asked = {"rise_frames": 8, "pins": {"land": 110}, "exact_shape": True, "props": False}
    given = {**asked, "pin": "land", "pin_frame": 110}
    del given["pins"]
    see_same("retime_pinned", "retime", {**asked, **CONTROLS}, **given)
    more = {"snappiness": 0.8, "subframes": True, "before": "stretch", "after": "stretch"}
    see_same("retime_between", "retime", {**more, **CONTROLS}, **more)
    for bone in jumper().pose.bones:
        holder = bone if hasattr(bone, "select") else bone.bone
        holder.select = bone.name == "body"
    one = {"snappiness": 1.3, "selected": True, "twos": False}
    see_same("retime_selected", "retime", {**one, **CONTROLS}, **one)
    jumper().leapwright_retime.snappiness = 1.5
    assert bpy.ops.leapwright.retime("EXEC_DEFAULT", True) == {"FINISHED"}
    SEEN["retime_left_asked"] = jumper().leapwright_retime.snappiness
    SEEN["retime_moments"] = [dict(jump.moments) for jump in api_rig().remembered()]
    said = {}
    for name, given in {
        "nothing": {},
        "both": {"snappiness": 1.5, "rise_frames": 5},
        "off the grid": {"snappiness": 1.2, "twos": True, "pin": "land", "pin_frame": 118},
    }.items():
        bpy.ops.ed.undo_push(message=name)
        try:
            bpy.ops.leapwright.retime("EXEC_DEFAULT", True, **given)
        except RuntimeError as error:
            said[name] = str(error).strip()
    SEEN["retime_errors"] = said


def see_resize() -> None:
    fresh()
    SEEN["resize_poll_before"] = bpy.ops.leapwright.resize.poll()
    assert bpy.ops.leapwright.block("EXEC_DEFAULT", True) == {"FINISHED"}
    SEEN["resize_poll_after"] = bpy.ops.leapwright.resize.poll()
    module = importlib.import_module(f"{MODULE}.resizing")
    entered = jumper().leapwright_resize
    SEEN["resize_why_not"] = [module.why_not(jumper())]
    entered.times_height = 1.44
    SEEN["resize_why_not"].append(module.why_not(jumper()))
    before = api_rig().remembered()[0]
    lines: list[str] = []
    summary = module.resize_summary
    module.resize_summary = lambda *told: lines.append(summary(*told)) or lines[-1]
    # From the panel: what is entered is what is asked; how it is done is entered once for both.
    jumper().leapwright_retime.props = False
    see_same("resize", "resize", {"times_height": 1.44, "props": False, **CONTROLS})
    SEEN["resize_report"] = lines
    jumper().leapwright_retime.props = True
    higher = {"jump_height": 1.2, "after": "stretch", "subframes": True}
    given = {**higher, "jump_height": 1.2 / UNIT}
    see_same("resize_between", "resize", {**higher, **CONTROLS}, **given)
    farther = {"travel": 1.5, "heading": 90.0, "pins": {"land": 120}, "exact_shape": True}
    given = {"use_travel": True, "travel": 1.5 / UNIT, "use_heading": True, "exact_shape": True}
    given |= {"heading": math.radians(90), "pin": "land", "pin_frame": 120}
    # The times height that is entered is not asked beside what was given.
    see_same("resize_farther", "resize", {**farther, **CONTROLS}, **given)
    said = {}
    for name, given in {
        "both": {"times_height": 1.5, "jump_height": 2.0},
        "straight up": {"use_travel": True, "travel": 3.0},
        "too low": {"times_height": 0.3},
        "no room": {"times_height": 1.2, "pin": "land", "pin_frame": 90, "before": "stretch"},
    }.items():
        bpy.ops.ed.undo_push(message=name)
        was = keys()
        try:
            bpy.ops.leapwright.resize("EXEC_DEFAULT", True, **given)
        except RuntimeError as error:
            said[name] = str(error).strip()
        assert keys() == was, name
    SEEN["resize_errors"] = said
    retime, entered = jumper().leapwright_retime, jumper().leapwright_resize
    retime.pin, retime.pin_frame = "takeoff", 102
    assert bpy.ops.leapwright.resize("EXEC_DEFAULT", True) == {"FINISHED"}
    SEEN["resize_left_asked"] = [
        entered.times_height, entered.jump_height, entered.use_travel, entered.use_heading,
        jumper().leapwright_retime.pin,
    ]  # fmt: skip
    after = api_rig().remembered()[0]
    SEEN["resize_moments"] = [dict(before.moments), dict(after.moments)]
    nothing = ""
    try:
        bpy.ops.leapwright.resize("EXEC_DEFAULT", True)
    except RuntimeError as error:
        nothing = str(error).strip()
    SEEN["resize_errors"]["nothing"] = nothing


def see_clear_errors() -> None:
    fresh()
    said = {}
    for name, given in {
        "foot": {"foot": "foot.L=up+3"},
        "foot_name": {"foot": "wing=plant+1"},
        "ground": {"ground": "Crates"},
        "chain": {"chain": True},
        "again": {"again": True},
        "running": {"running_measured": True},
    }.items():
        try:
            bpy.ops.leapwright.block("EXEC_DEFAULT", True, **given)
        except RuntimeError as error:
            said[name] = str(error).strip()
    SEEN["clear_errors"] = said
    SEEN["keys_after_errors"] = keys()
