# SPDX-License-Identifier: GPL-3.0-or-later
"""A real browser: the one named by LEAPWRIGHT_BROWSER, or one on the path."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

__all__ = ["NoBrowser", "started"]

PROGRAMS = ("chromium", "chromium-browser", "google-chrome", "chrome", "microsoft-edge", "msedge")


class NoBrowser(Exception):  # noqa: N818 (it is an answer more than an error)
    """There is none, or nothing that drives it; says which."""


@contextmanager
def started() -> Iterator[Any]:
    """The browser, running.

    Raises
    ------
    NoBrowser
        There is none, or playwright is not installed.
    """
    program = os.environ.get("LEAPWRIGHT_BROWSER")
    program = program or next(filter(None, map(shutil.which, PROGRAMS)), None)
    if program is None:
        raise NoBrowser(f"no browser: LEAPWRIGHT_BROWSER is unset, no {' or '.join(PROGRAMS)}")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        raise NoBrowser("playwright, which drives the browser, is not installed") from None
    # The browser's own sandbox cannot start for root.
    as_root = hasattr(os, "geteuid") and os.geteuid() == 0
    with sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=program, args=["--no-sandbox"] if as_root else []
        )
        yield browser
        browser.close()
