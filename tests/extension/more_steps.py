# SPDX-License-Identifier: GPL-3.0-or-later
"""Controls, plan, landings, gravity, pins, check, fix and what is refused, by operators."""

from __future__ import annotations

import dataclasses
import importlib
import json
import os
from pathlib import Path
from typing import Any

import bpy
from jumper import (
    CONTROLS,
    MODULE,
    MOMENTS,
    SEEN,
    UNIT,
    api_rig,
    asked_in_metres,
    fresh,
    jumper,
    keys,
    refused,
    see_same,
    undo,
)


def preferences() -> Any:
    return bpy.context.preferences.addons[MODULE].preferences


def see_controls() -> None:
    fresh()
    settings = jumper().leapwright_ask
    assert bpy.ops.leapwright.find_controls("EXEC_DEFAULT", True) == {"FINISHED"}
    settings = jumper().leapwright_ask
    found = api_rig().find()
    SEEN["found_by_operator"] = [settings.root, settings.cog, settings.pelvis, settings.feet]
    SEEN["found_by_api"] = [
        found.root.bone, found.cog.bone, found.pelvis.bone,
        ", ".join(foot.bone for foot in found.feet),
    ]  # fmt: skip
    for bone in jumper().pose.bones:
        (bone if hasattr(bone, "select") else bone.bone).select = bone.name.startswith("thigh")
    bpy.ops.leapwright.take_control(role="feet")
    SEEN["taken_feet"] = sorted(settings.feet.split(", "))
    settings.feet = "foot.L, foot.R"
    where = Path(os.environ["BLENDER_USER_RESOURCES"]) / "jumper.rig.toml"
    assert bpy.ops.leapwright.save_rig_file(filepath=str(where)) == {"FINISHED"}
    SEEN["rig_file"] = where.read_text(encoding="utf-8")
    for role in ("root", "cog", "pelvis", "feet"):
        setattr(settings, role, "")
    assert bpy.ops.leapwright.load_rig_file(filepath=str(where)) == {"FINISHED"}
    SEEN["loaded_controls"] = [settings.root, settings.cog, settings.pelvis, settings.feet]
    settings.rig_file = ""
    # A pelvis of one's own is measured with, and changes no other control.
    settings.pelvis = "body"
    aiming = importlib.import_module(f"{MODULE}.aiming")
    controls = api_rig().find(**aiming.rig_arguments(settings, jumper()))
    SEEN["own_pelvis"] = [controls.pelvis.bone, controls.cog.bone]
    for role in ("root", "cog", "pelvis", "feet"):
        setattr(settings, role, "")


def see_plan() -> None:
    fresh()
    bpy.ops.ed.undo_push(message="plan")
    before = keys()
    assert bpy.ops.leapwright.plan("EXEC_DEFAULT", True) == {"FINISHED"}
    said = json.loads(jumper().leapwright_ask.preview)
    dry = api_rig().block(**asked_in_metres(), **CONTROLS, pins={"takeoff": 101}, dry_run=True)
    SEEN["plan"] = {
        "keys": keys() == before,
        "channels": said["channels"],
        "api": [[k.channel, k.became] for k in dry.keyed],
    }
    jumper().leapwright_ask.jump_height = 0.9 / UNIT
    SEEN["plan_forgotten"] = jumper().leapwright_ask.preview
    jumper().leapwright_ask.jump_height = 0.85 / UNIT


def see_pick() -> None:
    """An answer that is picked is what block writes; another ask lets go of it."""
    fresh()
    settings, scene = jumper().leapwright_ask, bpy.context.scene
    readout = importlib.import_module(f"{MODULE}.readout")
    others = readout.read_out(settings, scene).others
    SEEN["others"] = [dataclasses.asdict(o) for o in others]
    chosen = others[3]
    bpy.ops.leapwright.pick_frames(push=chosen.push, air=chosen.air)
    shown = readout.read_out(settings, scene)
    SEEN["picked"] = [list(shown.given), [chosen.push, chosen.air], list(settings.pinned)]
    SEEN["others_stay"] = shown.others == others
    bpy.ops.ed.undo_push(message="picked")
    assert bpy.ops.leapwright.block("EXEC_DEFAULT", True) == {"FINISHED"}
    (jump,) = api_rig().remembered()
    SEEN["picked_blocked"] = [
        jump.moments["takeoff"] - jump.moments["crouch"],
        jump.moments["land"] - jump.moments["takeoff"],
        jump.moments["takeoff"],
    ]
    settings = jumper().leapwright_ask
    SEEN["picked_after_block"] = list(settings.picked)
    undo()
    settings = jumper().leapwright_ask
    settings.jump_height = 0.5 / UNIT
    SEEN["pins_after_new_ask"] = [list(settings.pinned), list(settings.picked)]
    SEEN["refused_pick"] = refused(lambda: bpy.ops.leapwright.pick_frames(push=77, air=2))


def see_landings() -> None:
    """The 3D cursor, and the middle of a crate's top: as far and as high as they are."""
    fresh()
    rig, scene = jumper(), bpy.context.scene
    asked = {n: v for n, v in asked_in_metres().items() if n != "landing_level"}
    asked |= {**CONTROLS, "pins": {"takeoff": 101}}
    scene.cursor.location = (0.6 / UNIT, -0.8 / UNIT, 0.3 / UNIT)
    # The feet of the jumper stand about x = 0, y = 0 on the floor.
    way = {"foot_travel": 1.0, "heading": -53.13010235415598, "landing_level": 0.3}
    soles = api_rig().find(**CONTROLS).soles
    SEEN["has_soles"] = len(soles)
    rig.leapwright_ask.landing = "cursor"
    aiming = importlib.import_module(f"{MODULE}.aiming")
    target = aiming.aimed(rig.leapwright_ask, scene)
    SEEN["aimed"] = dataclasses.asdict(target)
    SEEN["aimed_expected"] = way
    cursor = aiming.landing_arguments(rig.leapwright_ask, rig, scene)
    see_same("cursor", "block", {**asked, **cursor}, landing="cursor")
    crate = bpy.data.objects["Crate of lamps"]
    crate.location = (0, -2.0 / UNIT, 0)
    bpy.context.view_layer.update()
    settings = jumper().leapwright_ask
    settings.ground, settings.landing, settings.to_middle = crate, "object", True
    scene = bpy.context.scene
    SEEN["aimed_at_crate"] = dataclasses.asdict(aiming.aimed(settings, scene))
    on_top = aiming.landing_arguments(settings, jumper(), scene)
    SEEN["crate_arguments"] = on_top
    see_same("crate", "block", {**asked, **on_top}, ground=crate.name)
    crate = bpy.data.objects["Crate of lamps"]
    crate.location = (0, 0, 0)
    bpy.context.view_layer.update()
    jumper().leapwright_ask.landing = "level"


def see_gravity() -> None:
    fresh()
    asked = {**asked_in_metres(), **CONTROLS, "pins": {"takeoff": 101}}
    moon = {"gravity_from": "body", "body": "moon"}
    see_same("moon", "block", {**asked, "gravity": "moon"}, **moon)
    see_same("scene_gravity", "block", {**asked, "gravity": "scene"}, gravity_from="scene")
    number = {"gravity_from": "number", "gravity": 3.7}
    see_same("own_gravity", "block", {**asked, "gravity": 3.7}, **number)
    see_same("mesh", "block", {**asked, "cog_from": "control"}, cog_from="control")
    pinned = {"pinned": [m == "land" for m in MOMENTS], "pin_frames": [90] * 7}
    see_same("pinned", "block", {**asked, "pins": {"land": 90}}, **pinned)


def see_preferences() -> None:
    """What the preferences say holds where the rig says nothing."""
    fresh()
    chosen, settings = preferences(), jumper().leapwright_ask
    chosen.units = "cm"
    SEEN["entered"] = [settings.entered_jump_height]
    settings.entered_jump_height = 120.0
    SEEN["entered"].append(settings.jump_height * UNIT)
    chosen.units = "scene"
    settings.jump_height = 0.85 / UNIT
    chosen.anticipation_frames, chosen.recover_frames, chosen.keep = 7, 5, "heights"
    asked = {**asked_in_metres(), **CONTROLS, "pins": {"takeoff": 101}}
    asked |= {"anticipation_frames": 7, "recover_frames": 5, "keep": "heights"}
    see_same("preferred", "block", asked)
    own = {"anticipation_frames": 9, "keep": "gravity"}
    see_same("over_preferred", "block", {**asked, **own}, **own)
    chosen.anticipation_frames, chosen.recover_frames, chosen.keep = -1, -1, "automatic"


def wrong_jump() -> None:
    """Keys at the moments alone, eased by the host: the commonest fault."""
    fresh()
    rig = jumper()
    body = rig.pose.bones["body"]
    feet = [rig.pose.bones[n] for n in ("foot.L", "foot.R")]
    for frame, height, foot in (
        (1, 0.0, 0), (10, -0.3, 0), (16, 0.0, 0), (26, 0.8, 0.8), (36, 0.0, 0), (42, -0.25, 0),
        (54, 0.0, 0),
    ):  # fmt: skip
        body.location = (0, height / UNIT, 0)
        body.keyframe_insert("location", frame=frame)
        for bone in feet:
            bone.location = (0, 0, foot / UNIT)
            bone.keyframe_insert("location", frame=frame)


def see_check() -> None:
    wrong_jump()
    bpy.ops.ed.undo_push(message="wrong jump")
    before = keys()
    assert bpy.ops.leapwright.check("EXEC_DEFAULT", True) == {"FINISHED"}
    said = json.loads(jumper().leapwright_check.result)
    SEEN["check"] = {"operator": said, "api": api_rig().check(**CONTROLS).to_json()}
    SEEN["check_keys"] = keys() == before
    checking = importlib.import_module(f"{MODULE}.checking")
    SEEN["check_summary"] = checking.check_summary(said)
    found = checking.findings_of(said)
    bpy.context.scene.frame_set(3)
    bpy.ops.leapwright.go_to_finding("EXEC_DEFAULT", True, index=0)
    SEEN["went"] = [bpy.context.scene.frame_current, found[0][1]["frames"][0]]
    SEEN["no_such_finding"] = refused(lambda: bpy.ops.leapwright.go_to_finding(index=99))
    kind = found[0][1]["id"]
    SEEN["no_reason"] = refused(
        lambda: bpy.ops.leapwright.mark_intended("EXEC_DEFAULT", finding=f"{kind}@1")
    )
    bpy.ops.ed.undo_push(message="mark")
    bpy.ops.leapwright.mark_intended(
        "EXEC_DEFAULT", True, finding=f"{kind}@1", reason="the lamp pulls"
    )
    after = checking.findings_of(json.loads(jumper().leapwright_check.result))
    SEEN["intended"] = {f["id"]: f["intended"] for _, f in after if f["intended"]}
    SEEN["intended_by_api"] = {
        f.id: f.intended for f in api_rig().check(**CONTROLS).findings if f.intended
    }
    SEEN["intended_kind"] = kind
    bpy.ops.leapwright.unmark_intended("EXEC_DEFAULT", True, finding=f"{kind}@1")
    again = checking.findings_of(json.loads(jumper().leapwright_check.result))
    SEEN["unmarked"] = [f["intended"] for _, f in again]


def see_fix() -> None:
    if not hasattr(api_rig(), "fix"):
        return
    wrong_jump()
    see_same("fix", "fix", {**CONTROLS})
    checking = importlib.import_module(f"{MODULE}.checking")
    bpy.ops.ed.undo_push(message="before fix")
    assert bpy.ops.leapwright.check("EXEC_DEFAULT", True) == {"FINISHED"}
    found = checking.findings_of(json.loads(jumper().leapwright_check.result))
    first = next(f["id"] for _, f in found if f["fix"])
    see_same("fix_one", "fix", {**CONTROLS, "only": (first,), "jump": 1}, finding=f"{first}@1")
    assert bpy.ops.leapwright.fix("EXEC_DEFAULT", True) == {"FINISHED"}
    after = checking.findings_of(json.loads(jumper().leapwright_check.result))
    SEEN["fix_findings"] = [
        [f["id"] for _, f in found if f["severity"] != "note"],
        [f["id"] for _, f in after if f["severity"] != "note"],
    ]


EVERY: tuple[tuple[str, dict[str, Any]], ...] = (
    ("find_controls", {}),
    ("mark_pose", {"moment": "crouch", "frame": 1}),
    ("plan", {}),
    ("block", {}),
    ("spline", {}),
    ("retime", {"snappiness": 1.5}),
    ("resize", {"times_height": 1.2}),
    ("check", {}),
    ("fix", {}),
    ("mark_intended", {"finding": "hangs", "reason": "so"}),
    ("go_to_finding", {"index": 0}),
)


def told(name: str, given: dict[str, Any]) -> str:
    """Why an operator does not run: its poll, or its one line."""
    operator = getattr(bpy.ops.leapwright, name)
    return refused(lambda: operator("EXEC_DEFAULT", True, **given))


def see_every_refusal() -> None:
    """Missing rig, deleted bone, linked rig, edit mode, no selection: a clear line from each."""
    fresh()
    said: dict[str, dict[str, str]] = {}
    assert bpy.ops.leapwright.block("EXEC_DEFAULT", True) == {"FINISHED"}
    rig = jumper()
    before = keys()
    rig.leapwright_ask.cog = "wing"
    said["deleted bone"] = {n: told(n, g) for n, g in EVERY if n not in NEED_NO_BONE}
    rig.leapwright_ask.cog = ""
    bpy.ops.object.mode_set(mode="EDIT")
    said["edit mode"] = {n: told(n, g) for n, g in EVERY}
    bpy.ops.object.mode_set(mode="POSE")
    SEEN["keys_after_every_refusal"] = keys() == before
    file = str(Path(os.environ["BLENDER_USER_RESOURCES"]) / "linked.blend")
    bpy.data.libraries.write(file, {rig})
    with bpy.data.libraries.load(file, link=True) as (_, there):
        there.objects = ["Jumper"]
    linked = there.objects[0]
    bpy.context.collection.objects.link(linked)
    bpy.ops.object.mode_set(mode="OBJECT")
    bpy.context.view_layer.objects.active = linked
    said["linked"] = {n: told(n, g) for n, g in EVERY}
    bpy.data.objects.remove(linked)
    bpy.context.view_layer.objects.active = None
    said["no selection"] = {n: told(n, g) for n, g in EVERY}
    lonely = bpy.data.objects.new("Lonely", bpy.data.armatures.new("Lonely"))
    bpy.context.collection.objects.link(lonely)
    bpy.context.view_layer.objects.active = lonely
    said["no bones"] = {n: told(n, g) for n, g in EVERY if n not in NEED_NO_BONE}
    bpy.data.objects.remove(lonely)
    SEEN["every_refusal"] = said
    rig = bpy.data.objects["Jumper"]
    bpy.context.view_layer.objects.active = rig
    bpy.ops.object.mode_set(mode="POSE")


# These look at the rig anew, or only at what is noted of it.
NEED_NO_BONE = ("find_controls", "mark_pose", "mark_intended", "go_to_finding")
