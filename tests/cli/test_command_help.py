# SPDX-License-Identifier: GPL-3.0-or-later
"""docs/command-line.md shows the help of every verb, word for word."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest
import typer

from leapwright.cli.app import app

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "command-line.md"


@pytest.fixture(scope="module")
def tool() -> ModuleType:
    spec = importlib.util.spec_from_file_location(
        "command_help", ROOT / "tools" / "command_help.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_page_has_every_verb_and_no_other(tool):
    verbs = set(typer.main.get_command(app).commands)
    assert set(tool.verbs_in(PAGE.read_text(encoding="utf-8"))) == verbs


def test_the_page_shows_the_help(tool):
    text = PAGE.read_text(encoding="utf-8")
    assert text == tool.with_help(text)


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
