# SPDX-License-Identifier: GPL-3.0-or-later
"""The report in a real browser: sorted, filtered, opened, by keyboard, printed; and how fast."""

from __future__ import annotations

import re

import pytest

from browser.pauses import measured_pauses

PAUSE = 200
"""ms that the page may not answer."""


def now(row):
    return row["after"] or {"jumps": []}


def findings(row):
    return [finding for jump in now(row)["jumps"] for finding in jump["findings"]]


def shown(page):
    """Numbers of the shots that are in sight, in order."""
    numbers = page.eval_on_selector_all(
        "tr.shot", "all => all.filter(e => e.checkVisibility()).map(e => e.dataset.n)"
    )
    return [int(n) for n in numbers]


def head(page, name):
    return page.get_by_role("columnheader", name=name, exact=True)


def sort_by(page, name):
    head(page, name).get_by_role("button").click()
    page.wait_for_function("() => !document.querySelector('[aria-busy]')")


def told(page, pattern):
    page.wait_for_function(
        "p => new RegExp(p).test(document.getElementById('count').textContent)", arg=pattern
    )


def test_it_opens_offline_with_all_shots(opened, rows):
    page = opened()
    assert len(shown(page)) == len(rows)
    assert page.title() == "Night market"
    assert page.locator("tr.more:visible").count() == 0


KEYS = {
    "Jumps": lambda row: -1 if row["after"] is None else len(now(row)["jumps"]),
    "Time": lambda row: row["seconds"],
    "Findings": lambda row: [
        sum(f["severity"] == severity and not f["intended"] for f in findings(row))
        for severity in ("error", "warning", "note")
    ],
    "Status": lambda row: ["failed", "findings", "skipped", "done"].index(row["status"]),
}


@pytest.mark.parametrize("name", KEYS)
def test_sorting(opened, rows, name):
    page = opened()
    for _ in range(2):
        sort_by(page, name)
        sense = head(page, name).get_attribute("aria-sort")
        keys = [KEYS[name](rows[n - 1]) for n in shown(page)]
        assert keys == sorted(keys, reverse=sense == "descending")
        told(page, f"{len(rows)} shots, sorted by {name}, {sense}")
        assert page.locator("th[aria-sort]").count() == 1


def test_numbers_in_names_sort_as_numbers(opened):
    page = opened()
    sort_by(page, "Shot")
    names = page.locator("tr.shot .open").all_text_contents()
    numbers = [int(m[1]) for m in (re.match(r"sh(\d+)_\D", name) for name in names) if m]
    assert numbers == sorted(numbers)
    assert len(numbers) > 60


@pytest.mark.parametrize(
    ("field", "value", "fits"),
    [
        ("by-status", "failed", lambda row: row["status"] == "failed"),
        ("by-kind", "hangs", lambda row: any(f["id"] == "hangs" for f in findings(row))),
        (
            "by-severity",
            "warning",
            lambda row: any(f["severity"] == "warning" for f in findings(row)),
        ),
        ("by-severity", "intended", lambda row: any(f["intended"] for f in findings(row))),
        ("by-severity", "none", lambda row: row["after"] is not None and not findings(row)),
        ("by-text", "no such thing", lambda row: False),
        ("by-text", "signal 11", lambda row: "signal 11" in (row["reason"] or "")),
        (
            "by-text",
            "SEQ_01 rooftop",
            lambda row: all(word in row["file"] for word in ("seq_01", "rooftop")),
        ),
        ("by-text", "夜市", lambda row: "夜市" in row["file"]),
    ],
)
def test_filtering(opened, rows, field, value, fits):
    page = opened()
    expected = {n for n, row in enumerate(rows, start=1) if fits(row)}
    control = page.locator(f"#{field}")
    control.fill(value) if field == "by-text" else control.select_option(value)
    told(page, f"^{len(expected)} of {len(rows)} shots")
    assert set(shown(page)) == expected
    assert page.locator("#nothing").is_visible() == (not expected)
    page.get_by_role("button", name="Clear").click()
    told(page, f"^{len(rows)} shots")
    assert len(shown(page)) == len(rows)


def test_an_open_shot_moves_and_hides_with_its_row(opened, rows):
    page = opened()
    number = next(n for n, row in enumerate(rows, start=1) if row["status"] == "findings")
    page.locator(f"tr[data-n='{number}'] .open").click()
    body = page.locator(f"#shot-{number}")
    assert body.is_visible()
    head(page, "Time").get_by_role("button").click()
    assert (
        page.evaluate(
            "n => document.querySelector(`tr[data-n='${n}']`).nextElementSibling.id", number
        )
        == f"shot-{number}"
    )
    page.locator("#by-status").select_option("failed")
    assert body.is_hidden()
    page.locator("#by-status").select_option("")
    assert body.is_visible()


def test_a_shot_shows_what_was_found(opened, rows):
    page = opened()
    number = next(
        n for n, row in enumerate(rows, start=1)
        if row["status"] == "findings" and len(now(row)["jumps"]) == 1
    )  # fmt: skip
    row = rows[number - 1]
    page.locator(f"tr[data-n='{number}'] .open").click()
    body = page.locator(f"#shot-{number}")
    plots = body.get_by_role("img")
    assert plots.count() == 2
    a, b = plots.nth(0).bounding_box(), plots.nth(1).bounding_box()
    assert a["y"] == pytest.approx(b["y"], abs=1)
    assert b["x"] > a["x"] + a["width"] - 1
    text = body.inner_text()
    for finding in findings(row):
        assert finding["text"] in text
    body.get_by_text("Exposure sheet").click()
    sheet = body.get_by_role("region", name="Exposure sheet of")
    lines = sheet.locator("tbody tr")
    assert lines.count() == len(now(row)["track"]["frames"])
    takeoff = round(now(row)["jumps"][0]["moments"]["takeoff"])
    line = sheet.get_by_role("row").filter(
        has=page.get_by_role("rowheader", name=f"{takeoff}", exact=True)
    )
    assert "take-off" in line.inner_text()


def test_names_of_any_kind_are_shown_and_run_nothing(opened, rows):
    page = opened()
    names = page.locator("tr.shot .open").all_text_contents()
    assert any("<img src=x onerror=alert(1)>" in name for name in names)
    assert any("<script>alert(1)<!--" in name for name in names)
    assert any(r"two\nlines" in name for name in names)
    for number, row in enumerate(rows, start=1):
        if "alert" in row["file"]:
            page.locator(f"tr[data-n='{number}'] .open").click()
    page.wait_for_timeout(50)
    assert page.locator("img").count() == 0


def test_by_keyboard_alone(opened, rows):
    page = opened()
    press = page.keyboard.press

    def at():
        return page.evaluate("document.activeElement.textContent.trim()")

    def outlined():
        return page.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none"

    press("Tab")
    assert at() == "Skip to the shots"
    assert outlined()
    press("Enter")
    press("Tab")
    assert at() == "Shot"
    assert outlined()
    press("Space")
    assert head(page, "Shot").get_attribute("aria-sort") == "ascending"
    for _ in range(7):
        press("Tab")
    button = page.evaluate_handle("document.activeElement")
    assert button.get_attribute("aria-expanded") == "false"
    assert outlined()
    press("Enter")
    assert button.get_attribute("aria-expanded") == "true"
    controlled = page.locator(f"#{button.get_attribute('aria-controls')}")
    assert controlled.is_visible()
    press("Space")
    assert controlled.is_hidden()
    press("Shift+Tab")
    assert at() == "Time"
    # What has the focus is not below the head of the table that stays on top.
    for _ in range(40):
        press("Tab")
    box = page.evaluate_handle("document.activeElement").bounding_box()
    top = page.locator(".shots > thead").bounding_box()
    assert box["y"] >= top["y"] + top["height"] - 1
    for _ in range(25):
        press("Shift+Tab")
    box = page.evaluate_handle("document.activeElement").bounding_box()
    assert box["y"] >= top["height"] - 1


def test_it_is_a_table_to_who_hears_it(opened, rows):
    page = opened()
    table = page.get_by_role("table").first
    assert table.get_by_role("columnheader").count() == 7
    assert table.get_by_role("rowheader").count() == len(rows)
    page.set_viewport_size({"width": 380, "height": 800})
    assert table.get_by_role("rowheader").count() == len(rows)
    row = table.get_by_role("row").nth(1)
    assert row.get_by_role("cell").count() >= 3
    assert page.get_by_role("search").get_by_role("searchbox", name="Text").count() == 1
    assert page.get_by_role("combobox").count() == 3
    failed = page.get_by_role("button", name="sh0100").first
    assert failed.get_attribute("aria-expanded") == "false"


def paper(page):
    colour = page.evaluate("getComputedStyle(document.body).backgroundColor")
    return sum(int(n) for n in re.findall(r"\d+", colour)[:3]) / 3


def test_light_and_dark(opened):
    light, dark = opened(color_scheme="light"), opened(color_scheme="dark")
    assert paper(light) > 240
    assert paper(dark) < 30
    for page in (light, dark):
        page.get_by_text("dark", exact=True).click()
        assert paper(page) < 30
        page.get_by_text("light", exact=True).click()
        assert paper(page) > 240
        page.reload()
        assert paper(page) > 240
        assert page.get_by_label("light", exact=True).is_checked()
        page.get_by_text("as the system", exact=True).click()
    assert paper(dark) < 30
    dark.emulate_media(media="print")
    assert paper(dark) > 240


def test_plots_follow_the_colours(opened, rows):
    page = opened(color_scheme="dark")
    number = next(n for n, row in enumerate(rows, start=1) if row["status"] == "done")
    page.locator(f"tr[data-n='{number}'] .open").click()
    fill = "getComputedStyle(document.querySelector('.plot rect')).fill"
    ink = "getComputedStyle(document.querySelector('.plot text')).fill"
    dark = page.evaluate(fill), page.evaluate(ink)
    page.get_by_text("light", exact=True).click()
    light = page.evaluate(fill), page.evaluate(ink)
    assert dark == ("rgb(17, 19, 27)", "rgb(240, 242, 248)")
    assert light == ("rgb(253, 252, 248)", "rgb(28, 32, 48)")


@pytest.mark.parametrize("width", [320, 390, 768, 1920])
def test_nothing_sticks_out(opened, rows, width):
    page = opened(viewport={"width": width, "height": 800})
    number = next(n for n, row in enumerate(rows, start=1) if row["status"] == "findings")
    page.locator(f"tr[data-n='{number}'] .open").click()
    page.locator(f"#shot-{number} summary").click()
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_little_moves_for_who_wants_that(opened):
    moving = "getComputedStyle(document.querySelector('.turn')).transitionDuration"
    assert opened(reduced_motion="reduce").evaluate(moving) == "0s"
    assert opened(reduced_motion="no-preference").evaluate(moving) != "0s"


def test_print_has_what_was_open_and_no_controls(opened, rows):
    page = opened()
    number = next(n for n, row in enumerate(rows, start=1) if row["status"] == "done")
    page.locator("#by-text").fill(rows[number - 1]["file"].rpartition("/")[2][:12])
    page.locator(f"tr[data-n='{number}'] .open").click()
    page.locator(f"#shot-{number} summary").click()
    page.emulate_media(media="print")
    for hidden in (".filters", ".themes", ".skip"):
        assert page.locator(hidden).is_hidden()
    assert page.locator(f"#shot-{number} .plot").first.is_visible()
    # The sheet is printed whole, not the part that was in sight.
    whole = "e => e.scrollHeight <= e.clientHeight + 1"
    assert page.locator(f"#shot-{number} .sheet-box").evaluate(whole)
    assert len(page.pdf(format="A4")) > 10_000


def test_one_shot_is_open_from_the_start(opened, rows, tmp_path):
    from leapwright.report.page import write_page

    row = next(row for row in rows if row["status"] == "findings")
    write_page([row], tmp_path / "one.html", title="One")
    page = opened(path=tmp_path / "one.html")
    assert page.locator(".plot").count() == 2
    assert page.locator(".sheet-box").is_visible()
    assert page.locator(".filters").count() == 0


def test_all_are_opened_a_few_at_a_time(opened):
    page = opened()
    page.locator("#by-text").fill("lantern")
    told(page, " of ")
    wanted = len(shown(page))
    page.get_by_role("button", name="Open all shown").click()
    page.wait_for_function(
        "n => document.querySelectorAll('tr.more:not([hidden])').length === n", arg=wanted
    )
    page.get_by_role("button", name="Close all").click()
    page.wait_for_function("() => !document.querySelector('tr.more:not([hidden])')")


@pytest.fixture(scope="module")
def pauses(chromium, long_report):
    """The longest that the page of 300 shots does not answer, ms, while something is done."""
    return measured_pauses(chromium, long_report)


@pytest.mark.parametrize("what", ["load", "sort", "filter", "open", "open all", "sort all open"])
def test_no_pause(pauses, what):
    assert max(pauses[what]) < PAUSE, pauses
