# SPDX-License-Identifier: GPL-3.0-or-later
"""The README shows the help of every verb, word for word."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[2]
VERBS = ("plan", "chart", "block")


@pytest.fixture(scope="module")
def tool() -> ModuleType:
    spec = importlib.util.spec_from_file_location("readme_help", ROOT / "tools" / "readme_help.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("verb", VERBS)
def test_readme_shows_the_help(tool, verb):
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert verb in tool.verbs_in(readme)
    assert f"<!-- help: {verb} -->\n```text\n{tool.help_text(verb)}\n```\n<!-- end -->" in readme


def test_the_tool_renews_marked_blocks_and_nothing_else(tool, tmp_path):
    path = tmp_path / "README.md"
    path.write_text("A\n<!-- help: chart -->\nold\n<!-- end -->\nB\n", encoding="utf-8")
    assert tool.main(["--check", str(path)]) == 1
    assert tool.main([str(path)]) == 0
    text = path.read_text(encoding="utf-8")
    assert text.startswith("A\n<!-- help: chart -->\n```text\n Usage: leapwright chart")
    assert text.endswith("\n```\n<!-- end -->\nB\n")
    assert "old" not in text
    assert tool.main(["--check", str(path)]) == 0


def test_help_is_plain_and_no_wider_than_it_says(tool):
    text = tool.help_text("block")
    assert "\x1b" not in text
    assert max(map(len, text.splitlines())) <= tool.WIDTH
