# SPDX-License-Identifier: GPL-3.0-or-later
"""Nothing that is promised vanishes. `promise.toml` says what; `tools/promise.py` writes it."""

from __future__ import annotations

import importlib.util
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[2]


def tool() -> ModuleType:
    spec = importlib.util.spec_from_file_location("promise", ROOT / "tools" / "promise.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


promise = tool()
PROMISED = promise.read()


def without_host_answers() -> dict:
    answers = {verb: PROMISED["json"][verb] for verb in promise.PLAIN_LINES}
    return {**PROMISED, "json": answers}


def test_nothing_vanished():
    assert promise.vanished(without_host_answers(), promise.found(host=False)) == []


@pytest.mark.needs_bpy
def test_no_key_of_an_answer_of_the_blender_layer_vanished():
    # In a child process: the commands end bpy's own way.
    import subprocess

    done = subprocess.run(
        [sys.executable, str(ROOT / "tools" / "promise.py")],
        capture_output=True, encoding="utf-8", timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


def test_the_check_sees_what_vanished():
    there = promise.found(host=False)
    less = {
        **there,
        "python": {k: v for k, v in there["python"].items() if k != "leapwright.plan"},
        "command_line": {**there["command_line"], "plan": ["--json"]},
        "exit_codes": {"done": 0, "failed": 1, "usage": 3},
    }
    gone = promise.vanished(without_host_answers(), less)
    assert "python: leapwright.plan" in gone
    assert "command_line: plan: --jump-height" in gone
    assert "exit_codes: usage is 3, was 2" in gone


def test_what_is_new_is_added_and_nothing_is_taken_away():
    old = {"python": {"a.f": ["x", "y"]}, "exit_codes": {"done": 0}}
    new = {"python": {"a.f": ["y", "z"], "a.g": []}, "exit_codes": {"done": 0, "failed": 1}}
    whole = promise.joined(old, new)
    assert whole["python"] == {"a.f": ["x", "y", "z"], "a.g": []}
    assert whole["exit_codes"] == {"done": 0, "failed": 1}
    assert tomllib.loads(promise.to_toml(whole)) == whole


def test_the_file_is_as_the_tool_writes_it():
    assert promise.to_toml(PROMISED) == promise.PROMISE.read_text(encoding="utf-8")


def test_the_heart_of_it_is_promised():
    assert {"jump_height", "push_height", "pins"} <= set(PROMISED["python"]["leapwright.plan"])
    assert "leapwright_blender.Rig.block" in PROMISED["python"]
    assert {"plan", "chart", "block", "retime", "resize"} <= set(PROMISED["command_line"])
    assert "moments.takeoff" in PROMISED["json"]["plan"]
    assert "map" in PROMISED["json"]["retime"]
