# SPDX-License-Identifier: GPL-3.0-or-later
"""What every test folder shares: which folders need Blender, and how a process with bpy ends."""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from leapwright.bpy_missing import explain

TESTS = Path(__file__).parent
NEEDS_BPY = ("blender", "extension")
NEEDS_WINDOW = ("window",)

_exit_status = pytest.StashKey[int]()


@functools.cache
def bpy_problem() -> str:
    """Why bpy does not load here; empty when it does. Imports bpy: ask late."""
    try:
        import bpy  # noqa: F401
    except ImportError as error:
        return explain(error)
    return ""


def skip_or_fail(reason: str) -> None:
    """Skip where bpy is a matter of luck, fail where it was promised (``make`` does)."""
    if os.environ.get("LEAPWRIGHT_REQUIRE_BPY"):
        pytest.fail(reason, pytrace=False)
    pytest.skip(reason)


class FolderWithoutHost(pytest.Dir):
    """A folder of tests whose host is missing: its modules are not even imported."""

    def collect(self) -> Iterator[pytest.Item | pytest.Collector]:
        if self.path.name in NEEDS_BPY:
            skip_or_fail(bpy_problem())
        pytest.skip("needs a Blender with a window: set BLENDER to the path of its program")


def pytest_collect_directory(path: Path, parent: pytest.Collector) -> pytest.Collector | None:
    if path.parent != TESTS:
        return None
    lacks_bpy = path.name in NEEDS_BPY and bpy_problem()
    lacks_window = path.name in NEEDS_WINDOW and not os.environ.get("BLENDER")
    if lacks_bpy or lacks_window:
        return FolderWithoutHost.from_parent(parent, path=path)
    return None


def pytest_runtest_setup(item: pytest.Item) -> None:
    if item.get_closest_marker("needs_bpy") and bpy_problem():
        skip_or_fail(bpy_problem())


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_sessionfinish(session: pytest.Session) -> Iterator[None]:
    # The outermost wrapper: reports are written, and no plugin changes the status after it.
    result = yield
    session.config.stash[_exit_status] = int(session.exitstatus)
    return result


@pytest.hookimpl(trylast=True)
def pytest_unconfigure(config: pytest.Config) -> None:
    """End at once after bpy was loaded: its own shutdown crashes (4.2) or hangs (4.5)."""
    if "bpy" not in sys.modules or _exit_status not in config.stash:
        return
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(config.stash[_exit_status])
