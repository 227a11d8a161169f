# SPDX-License-Identifier: GPL-3.0-or-later
"""How long a page does not answer while it is loaded, sorted, filtered and opened."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

__all__ = ["measured_pauses"]

CLICK = "([what, i]) => document.querySelectorAll(what)[i].click()"
TYPE = """(text) => {
  const field = document.getElementById('by-text');
  field.value = text;
  field.dispatchEvent(new Event('input', {bubbles: true}));
}"""
# A function: the page's own policy forbids to evaluate text.
ALL_OPEN = "() => document.querySelectorAll('[aria-expanded=false]').length === 0"

SORTED = "() => !document.querySelector('[aria-busy]')"


def measured_pauses(browser: Any, report: Path) -> dict[str, list[float]]:
    """The longest task of the page's own thread for each thing that is done, ms.

    Of the processor, not of the clock: what others do on a shared machine is not the page's.

    Parameters
    ----------
    browser : playwright.sync_api.Browser
    report : Path
    """
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()

    def longest(work: Callable[[], Any]) -> float:
        browser.start_tracing(page=page, categories=["toplevel"])
        work()
        page.evaluate("new Promise(done => requestAnimationFrame(() => setTimeout(done, 200)))")
        return _longest_task(json.loads(browser.stop_tracing()))

    def open_all() -> None:
        page.evaluate(CLICK, ["#open-all", 0])
        page.wait_for_function(ALL_OPEN, timeout=180_000)

    def sort(column: int) -> None:
        page.evaluate(CLICK, [".sort", column])
        page.wait_for_function(SORTED, timeout=60_000)

    found = {"load": [longest(lambda: page.goto(report.as_uri()))]}
    found["sort"] = [longest(lambda i=i: sort(i)) for i in (0, 4, 5)]
    found["filter"] = [longest(lambda w=w: page.evaluate(TYPE, w)) for w in ("h", "hop", "")]
    found["open"] = [longest(lambda i=i: page.evaluate(CLICK, [".open", i])) for i in (0, 99, 200)]
    found["open all"] = [longest(open_all)]
    found["sort all open"] = [longest(lambda: sort(0))]
    context.close()
    return {what: [round(ms, 1) for ms in times] for what, times in found.items()}


def _longest_task(trace: dict[str, Any]) -> float:
    events = trace["traceEvents"]
    main = {
        (e["pid"], e["tid"])
        for e in events
        if e["name"] == "thread_name" and e["args"]["name"] == "CrRendererMain"
    }
    tasks = [
        e["tdur"] / 1000
        for e in events
        if (e["pid"], e["tid"]) in main and e["name"].endswith("RunTask") and "tdur" in e
    ]
    if not tasks:
        raise RuntimeError("the browser's trace holds no tasks of the page")
    return float(max(tasks))
