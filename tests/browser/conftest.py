# SPDX-License-Identifier: GPL-3.0-or-later
"""A real browser for the report page: the one named by LEAPWRIGHT_BROWSER, or one on the path.

Without one, or without the package that drives it, these tests are skipped and say why; with
LEAPWRIGHT_REQUIRE_BROWSER=1 that is a failure.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from browser import night
from browser.program import NoBrowser, started


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """The browser, started."""
    try:
        with started() as browser:
            yield browser
    except NoBrowser as none:
        if os.environ.get("LEAPWRIGHT_REQUIRE_BROWSER") == "1":
            pytest.fail(f"{none}, and LEAPWRIGHT_REQUIRE_BROWSER=1 promises one", pytrace=False)
        pytest.skip(str(none))


def written(path: Path, rows: list[dict[str, Any]]) -> Path:
    pytest.importorskip("jinja2")
    from leapwright.report.page import write_page

    write_page(rows, path, title="Night market", facts={"Begun": "2026-11-27 22:00"})
    return path


@pytest.fixture(scope="session")
def rows(chromium: Any, tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    """Some shots of a night."""
    return night.rows(72, distinct=12, logs=tmp_path_factory.mktemp("logs"))


@pytest.fixture(scope="session")
def report(rows: list[dict[str, Any]], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Their report."""
    return written(tmp_path_factory.mktemp("report") / "night market 夜市 #1.html", rows)


@pytest.fixture(scope="session")
def long_report(chromium: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The report of 300 shots."""
    return written(tmp_path_factory.mktemp("long") / "night.html", night.rows(300, distinct=12))


@pytest.fixture
def opened(chromium: Any, report: Path) -> Iterator[Callable[..., Any]]:
    """Opens the report without a network; at the end nothing may have gone wrong in it."""
    contexts, wrong = [], []

    def go(*, path: Path = report, **options: Any) -> Any:
        context = chromium.new_context(**{"viewport": {"width": 1280, "height": 900}} | options)
        contexts.append(context)
        context.set_offline(True)
        page = context.new_page()
        page.on("console", lambda said: wrong.append(said.text))
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("dialog", lambda dialog: wrong.append(dialog.message))
        page.on("request", lambda asked: asked.url == path.as_uri() or wrong.append(asked.url))
        page.goto(path.as_uri())
        return page

    yield go
    for context in contexts:
        context.close()
    assert wrong == []
