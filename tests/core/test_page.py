# SPDX-License-Identifier: GPL-3.0-or-later
"""The report page: what it holds, that nothing in it can run or break out, and its exposure sheet.

How it behaves in a browser is in tests/browser.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from functools import cache
from html.parser import HTMLParser
from types import SimpleNamespace

import numpy as np
import pytest

import leapwright
from browser import night
from leapwright.errors import FileError, HostError
from leapwright.report import page as page_module
from leapwright.report.exposure import exposures
from leapwright.report.page import page, write_page
from leapwright.track import Track

pytest.importorskip("jinja2", reason="pages are made with jinja2, in the extra batch")

VOID = {"meta", "input", "br", "link", "img", "hr", "col"}
OPTIONAL = {"td", "th", "tr", "li", "option", "p", "dt", "dd"}


class Tree(HTMLParser):
    """Elements with their attributes, text and parents; refuses what is not nested."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.elements, self.open = [], []
        self.feed(text)
        self.close()
        assert [e.tag for e in self.open] == []

    def handle_starttag(self, tag, attrs):
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), f"<{tag}> has an attribute twice"
        if tag in ("td", "th", "tr") or tag == "li":
            while self.open and self.open[-1].tag in ("td", "th") and tag != "li":
                self.open.pop()
            if tag == "tr" and self.open and self.open[-1].tag == "tr":
                self.open.pop()
        element = SimpleNamespace(tag=tag, attrs=dict(attrs), text="", parents=list(self.open))
        self.elements.append(element)
        if tag not in VOID:
            self.open.append(element)

    def handle_startendtag(self, tag, attrs):
        self.elements.append(
            SimpleNamespace(tag=tag, attrs=dict(attrs), text="", parents=list(self.open))
        )

    def handle_endtag(self, tag):
        while self.open and self.open[-1].tag != tag and self.open[-1].tag in OPTIONAL:
            self.open.pop()
        assert self.open, f"</{tag}> closes nothing"
        assert self.open[-1].tag == tag, f"</{tag}> closes <{self.open[-1].tag}>"
        self.open.pop()

    def handle_data(self, data):
        for element in self.open:
            element.text += data

    def all(self, tag=None, **attrs):
        wanted = {name.replace("_", "-"): value for name, value in attrs.items()}
        return [
            e
            for e in self.elements
            if (tag is None or e.tag == tag)
            and all(value in (e.attrs.get(name) or "").split() for name, value in wanted.items())
        ]


@cache
def some_rows():
    return night.rows(24, distinct=8)


@cache
def some_page():
    return page(some_rows(), title="A night", facts={"Begun": "22:00"})


def bodies(text):
    """What each shot shows when it is opened, by its number."""
    tree = Tree(text)
    kept = {
        int(e.attrs["id"].removeprefix("body-")): e.text
        for e in tree.all("script")
        if "body" in (e.attrs.get("id") or "")
    }
    return {number: Tree(body) for number, body in kept.items()}


def test_it_is_well_formed_and_ids_are_unique():
    tree = Tree(some_page())
    ids = Counter(e.attrs["id"] for e in tree.elements if "id" in e.attrs)
    assert {name: n for name, n in ids.items() if n > 1} == {}
    for e in tree.elements:
        for points in ("aria-controls", "aria-labelledby", "for"):
            assert e.attrs.get(points, "rows") in ids
    assert len(bodies(some_page())) == len(some_rows())


def test_nothing_comes_from_elsewhere():
    """Offline: no address in any attribute that loads, none in the style; a policy forbids it."""
    text = some_page()
    for tree in (Tree(text), *bodies(text).values()):
        for e in tree.elements:
            for name in ("src", "href", "srcset", "action", "data", "poster", "xlink:href"):
                assert (e.attrs.get(name) or "#").startswith("#"), (e.tag, e.attrs)
            assert e.tag not in ("link", "iframe", "object", "embed", "base", "img")
            assert not any(name.startswith("on") for name in e.attrs), e.attrs
            assert "url(" not in (e.attrs.get("style") or "")
    style = "".join(e.text for e in Tree(text).all("style"))
    assert "url(" not in style
    assert "@import" not in style
    policy = next(e for e in Tree(text).all("meta") if "http-equiv" in e.attrs)
    assert "default-src 'none'" in policy.attrs["content"]


def test_the_policy_allows_the_pages_own_script():
    import base64
    import hashlib

    tree = Tree(some_page())
    (own,) = [e for e in tree.all("script") if "type" not in e.attrs]
    digest = base64.b64encode(hashlib.sha256(own.text.encode()).digest()).decode()
    policy = next(e for e in tree.all("meta") if "http-equiv" in e.attrs)
    assert f"script-src 'sha256-{digest}'" in policy.attrs["content"]


NASTY = (
    '"><script>alert(1)</script>',
    "</script><script>alert(1)</script>",
    "<!-- <script>",
    "a\nb\r\x00\x1b[31m",
    "{{ 7 * 7 }} {% raw %} ${1} `x`",
    "夜市 兎 قفزة \U0001f407",
    "half \ud83d a letter",
    "right\u202eleft",
    "'\"&amp;&lt;",
)


@pytest.mark.parametrize("nasty", NASTY)
def test_everything_is_escaped(nasty):
    good = some_rows()[0]
    finding = {
        "id": nasty, "severity": "note", "phase": nasty, "frames": [1, 2], "measured": 1.0,
        "expected": 2.0, "unit": nasty, "text": nasty, "fix": nasty, "intended": nasty,
    }  # fmt: skip
    after = dict(good["after"])
    after["jumps"] = [after["jumps"][0] | {"findings": [finding]}]
    after |= {"file": nasty, "rig": nasty, "reason": nasty, "cog_from": nasty}
    after["track"] = after["track"] | {"contacts": {nasty: [True] * len(after["track"]["frames"])}}
    names = ("file", "output", "rig", "verb", "status", "reason", "log", "backup")
    row = good | dict.fromkeys(names, nasty) | {"after": after, "warnings": [nasty]}
    text = page([row, good], title=nasty, facts={nasty: nasty})
    text.encode("utf-8")
    plain = Tree(page([good, good], title="t", facts={"a": "b"}))
    tree = Tree(text)
    # The same scripts as with plain names: nothing of the text became an element.
    assert Counter(e.tag for e in tree.all("script")) == Counter(e.tag for e in plain.all("script"))
    for part in (tree, *bodies(text).values()):
        assert [e for e in part.elements if e.tag == "script" and "alert(1)" in e.text[:30]] == []
        assert "49" not in part.all("h1")[0].text if part is tree else True
    shown = tree.all("h1")[0].text
    assert not any(ord(c) < 32 or c in "\u202e\ud83d" for c in shown)
    single = page([row], title=nasty)
    assert Counter(e.tag for e in Tree(single).all("script")) == {"script": 1}


def test_a_body_that_could_end_its_element_is_refused():
    with pytest.raises(ValueError, match="holds a script"):
        page_module._kept("<p></ScRiPt>")


def test_totals_are_those_of_the_rows():
    rows = some_rows()
    tree = Tree(some_page())
    tiles = " ".join(e.text for e in tree.all("ul", **{"class": "totals"}))
    statuses = Counter(row["status"] for row in rows)
    words = {"done": "done", "findings": "with findings", "failed": "failed", "skipped": "skipped"}
    for status, word in words.items():
        assert re.search(rf"\b{statuses[status]} {word}", tiles)
    sums = tree.all("p", **{"class": "sums"})[0].text
    looked = [row["after"] for row in rows if row["after"]]
    assert f"In {len(looked)} shots" in sums
    jumps = [jump for said in looked for jump in said["jumps"]]
    assert f": {len(jumps)} jumps" in sums
    findings = [finding for jump in jumps for finding in jump["findings"]]
    meant = sum(bool(f["intended"]) for f in findings)
    warnings = sum(f["severity"] == "warning" for f in findings if not f["intended"])
    assert f"{warnings} warning" in sums
    assert f"{meant} meant so" in sums
    missing = len(rows) - len(looked)
    assert f"{missing} {'was' if missing == 1 else 'were'} not looked at" in sums


def test_a_row_a_shot_worst_first():
    rows = some_rows()
    tree = Tree(some_page())
    shown = tree.all("tr", **{"class": "shot"})
    order = ["failed", "findings", "skipped", "done"]
    ranks = [order.index(e.attrs["class"].split("status-")[1]) for e in shown]
    assert ranks == sorted(ranks)
    assert len(shown) == len(rows)
    index = json.loads(tree.all("script", id="index")[0].text)
    assert [e.attrs["data-n"] for e in shown] == [str(one["n"]) for one in index]
    for one in index:
        row = rows[one["n"] - 1]
        found = {
            f["id"] for jump in (row["after"] or {"jumps": []})["jumps"] for f in jump["findings"]
        }
        assert set(one["kinds"]) == found
        assert row["file"].lower() in one["words"]


def test_table_is_one_to_who_hears_it():
    tree = Tree(some_page())
    (table,) = tree.all("table", **{"class": "shots"})
    assert table.attrs["role"] == "table"
    for row in tree.all("tr"):
        if table in row.parents:
            assert row.attrs["role"] == "row"
    heads = [e for e in tree.all("th", scope="col") if table in e.parents]
    assert [e.attrs["role"] for e in heads] == ["columnheader"] * 7
    assert [e.attrs.get("aria-sort") for e in heads].count("ascending") == 1
    assert len(tree.all("button", **{"class": "sort"})) == 7
    assert tree.all("p", role="status")[0].attrs["aria-live"] == "polite"
    assert tree.all("a", **{"class": "skip"})[0].attrs["href"] == "#shots"
    assert len(tree.all("main")) == len(tree.all("h1")) == 1
    for control in [*tree.all("input"), *tree.all("select")]:
        assert any(e.tag == "label" for e in control.parents), control.attrs
    for number, body in bodies(some_page()).items():
        for table in body.all("table"):
            assert any(table in e.parents for e in body.all("caption")), number


def test_intended_is_shown_as_such_and_not_as_a_failure():
    track = night.spoilt("hangs", 4).track()
    row = {"file": "a.blend", "status": "done", "rig": "Hare"}
    tree = Tree(page([row | {"before": night.checked(track, intended={"hangs": "a gag"})}]))
    severities = [e.text.strip() for e in tree.all("td", **{"class": "severity"})]
    assert "meant so" in severities
    assert not {"warning", "error"} & set(severities)
    assert "Meant so: a gag" in [e.text for e in tree.all("span", **{"class": "meant"})]
    assert tree.all("p", **{"class": "reason"}) == []
    # The same without a word of intent.
    plain = Tree(page([row | {"before": night.checked(track)}]))
    assert "warning" in [e.text.strip() for e in plain.all("td", **{"class": "severity"})]


def test_before_and_after_stand_side_by_side_and_gone_is_told():
    good = night.faults().shot(night.sound(1)).track()
    bad = night.spoilt("foot_slides", 1).track()
    row = {
        "file": "a.blend",
        "status": "done",
        "before": night.checked(bad),
        "after": night.checked(good),
    }
    body = Tree(page([row]))
    plots = body.all("svg", **{"class": "plot"})
    assert [e.attrs["aria-label"] for e in plots] == [
        "Before: height of the COG",
        "After: height of the COG",
    ]
    changes = [e.text for e in body.all("td", **{"class": "change"})]
    assert changes == ["gone"] * len(changes)
    assert len(changes) == sum(len(jump["findings"]) for jump in row["before"]["jumps"])
    assert "none" in body.all("td", **{"class": "c-findings"})[0].text


def test_a_failed_shot_shows_its_reason_and_the_end_of_its_log(tmp_path):
    log = tmp_path / "host.log"
    lines = [f"line {i} <b>" for i in range(500)]
    log.write_text("\n".join(lines), encoding="utf-8")
    row = {"file": "a.blend", "status": "failed", "reason": "the host ended", "log": str(log)}
    tree = Tree(page([row]))
    shown = tree.all("pre")[0].text.splitlines()
    assert shown == lines[-30:]
    assert "the host ended" in tree.all("p", **{"class": "reason"})[0].text
    gone = Tree(page([row | {"log": str(tmp_path / "no.log")}]))
    assert gone.all("pre") == []
    assert Tree(page([row | {"log": str(tmp_path)}])).all("pre") == []


@pytest.mark.parametrize("rows", [[], [{}], [{"file": "x"}], [{"status": "odd", "before": None}]])
def test_little_is_enough(rows):
    assert Tree(page(rows)).all("h1")


def test_a_check_as_a_result_is_shown():
    """A row of the verb check may hold what it says in its result alone."""
    said = night.checked(night.chain(2))
    tree = Tree(page([{"file": "a", "status": "done", "verb": "check", "result": said}]))
    assert len(tree.all("svg", **{"class": "plot"})) == 1


def test_the_same_each_time():
    assert page(some_rows(), title="A night", facts={"Begun": "22:00"}) == some_page()


def test_it_is_written_whole_or_not_at_all(tmp_path):
    write_page(some_rows()[:2], tmp_path / "夜 市.html", title="A night")
    assert (tmp_path / "夜 市.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert len(list(tmp_path.iterdir())) == 1
    with pytest.raises(FileError, match="cannot write"):
        write_page([], tmp_path / "nowhere" / "page.html")


def test_it_warns_who_would_jump_by_it():
    footer = Tree(some_page()).all("footer")[0].text
    assert "never a guide for a person’s jump" in footer
    assert "local rules" in footer


def test_without_jinja_the_extra_is_named(monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "jinja2", None)
    page_module._environment.cache_clear()
    with pytest.raises(HostError, match=r"pip install leapwright\[batch\]"):
        page([])
    page_module._environment.cache_clear()


def planned(**ask):
    plan = leapwright.plan(rise_frames=12, push_frames=3, pins={"takeoff": 30}, **ask)
    return plan, plan.cog(np.arange(1.0, 80.0)).position


def test_the_sheet_says_what_every_frame_is():
    plan, cog = planned()
    keys = [18, 27, 30, 42, 54, 57, 66.25]
    lines = exposures(night.checked(Track.of(cog, keys=keys)))
    by_frame = {line.frame: line for line in lines}
    assert list(by_frame) == list(range(1, 80))
    moments = {line.moments: line.frame for line in lines if line.moments}
    assert moments == {"crouch": 27, "take-off": 30, "apex": 42, "land": 54, "low": 57}
    phases = Counter(line.phase for line in lines)
    frames = plan.frames
    assert phases["push"] == frames.push == 3
    assert phases["rise"] == 12
    assert phases["fall"] == 12
    assert phases["absorb"] == frames.absorb
    assert {f: line.keyed for f, line in by_frame.items() if line.keyed} == {
        18: "●", 27: "●", 30: "●", 42: "●", 54: "●", 57: "●", 66: "66.25",
    }  # fmt: skip
    assert by_frame[30].height == pytest.approx(cog[29, 2])
    assert by_frame[35].exposed == "on ones"


def test_the_sheet_tells_ones_twos_and_holds():
    _, cog = planned(foot_travel=1.5)
    twos = np.repeat(cog[::2], 2, axis=0)[:79]
    lines = exposures(night.checked(Track.of(twos)))
    air = [line for line in lines if line.phase in ("rise", "fall")]
    assert {line.exposed for line in air} == {"on twos"}
    assert [line.drawn for line in air[:4]] in ([True, False] * 2, [False, True] * 2)
    keys = np.array([1, 9, 12, 13, 79])
    stepped = cog[np.searchsorted(keys, np.arange(1, 80), side="right") - 1]
    checked = night.checked(Track.of(stepped))
    checked["track"] |= {"stepped": True, "keys": keys.tolist()}
    held = {line.frame: line.exposed for line in exposures(checked) if line.drawn}
    assert held == {1: "held 8", 9: "held 3", 12: "on ones", 13: "held 66", 79: "on ones"}


def test_a_long_clip_is_listed_about_its_jumps():
    _, cog = planned()
    rest = np.repeat(cog[-1:], 3000, axis=0)
    lines = exposures(night.checked(Track.of(np.concatenate([cog, rest]))))
    assert 30 < len(lines) < 100
    assert {"crouch", "low"} <= {line.moments for line in lines}
