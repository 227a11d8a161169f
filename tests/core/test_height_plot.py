# SPDX-License-Identifier: GPL-3.0-or-later
"""The plot of a check: what it shows, where it stands, and that nothing lies on anything else."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from io import BytesIO
from itertools import combinations

import numpy as np
import pytest

from browser import night
from leapwright.checked import check_track
from leapwright.errors import FileError, HostError, InputError
from leapwright.report.drawing import printable, shortened
from leapwright.report.height_plot import height_plot, save_height_plot
from leapwright.track import Track

SVG = "{http://www.w3.org/2000/svg}"


def one(**meant):
    return night.checked(night.faults().shot(night.sound(3)).track(), file="sh010.blend", **meant)


def four():
    return night.checked(night.chain(4), file="sh030.blend")


def twelve():
    kinds = ["hangs", "foot_slides", "speed_step", "push_short", "absorb_stiff", "off_arc"]
    made = [
        night.spoilt(kinds[i // 2], i) if i % 2 else night.faults().shot(night.sound(i))
        for i in range(12)
    ]
    return night.checked(night.series(made, fps=30), file="sh040.blend", intended={"hangs": "gag"})


@pytest.fixture(scope="module")
def clips():
    return {"one": one(), "four": four(), "twelve": twelve()}


def parsed(checked, **options):
    return ET.fromstring(height_plot(checked, **options))


def words(root):
    return [(e.text, e) for e in root.iter(f"{SVG}text")]


def boxes(root):
    """Where the words stand, by the real widths of the letters of a wide font."""
    image_font = pytest.importorskip("PIL.ImageFont", reason="Pillow measures the letters")
    matplotlib = pytest.importorskip("matplotlib", reason="its font is wider than those of pages")
    face = f"{matplotlib.get_data_path()}/fonts/ttf/DejaVuSans.ttf"
    found = []
    for text, element in words(root):
        size = float(element.get("font-size"))
        wide = image_font.truetype(face, 100).getlength(text) / 100 * size
        x, y = float(element.get("x")), float(element.get("y"))
        left = (
            x
            - {"start": 0.0, "middle": 0.5, "end": 1.0}[element.get("text-anchor", "start")] * wide
        )
        found.append((text, (left, y - 0.75 * size, left + wide, y + 0.2 * size)))
    return found


def dots(root):
    """Centres of the dots of the COG, the one in the key aside."""
    path = next(
        e for e in root.iter(f"{SVG}path")
        if e.get("stroke-linecap") == "round" and "dot" in e.get("class")
    )  # fmt: skip
    return np.array(re.findall(r"M(\S+) (\S+?)h0", path.get("d")), dtype=float)


@pytest.mark.parametrize("clip", ["one", "four", "twelve"])
@pytest.mark.parametrize("width", [600, 960])
def test_no_words_on_words_and_none_cut_off(clips, clip, width):
    root = parsed(clips[clip], width=width)
    wide, tall = float(root.get("width")), float(root.get("height"))
    found = boxes(root)
    for text, (left, top, right, bottom) in found:
        assert left >= 0, text
        assert right <= wide, text
        assert top >= 0, text
        assert bottom <= tall, text
    for (said, a), (other, b) in combinations(found, 2):
        apart = a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]
        assert apart, f"{said!r} and {other!r}"


@pytest.mark.parametrize("clip", ["one", "four"])
def test_there_is_one_dot_a_frame_at_its_height(clips, clip):
    """By the numbers beside the axes: what a person reads off the plot is what was measured."""
    root = parsed(clips[clip])
    track = clips[clip]["track"]
    got = dots(root)
    assert len(got) == len(track["frames"])
    ticks = {text: e for text, e in words(root) if "quiet" in e.get("class")}
    rows = {
        float(text[:-2]): float(e.get("y")) - 4 for text, e in ticks.items() if text.endswith(" m")
    }
    columns = {
        float(text): float(e.get("x")) for text, e in ticks.items() if text.lstrip("-").isdigit()
    }
    for axis, marks, told in ((0, columns, track["frames"]), (1, rows, track["height_m"])):
        assert len(marks) >= 2
        slope, start = np.polyfit(list(marks.values()), list(marks), 1)
        pixel = abs(slope)
        assert np.abs(slope * got[:, axis] + start - told).max() < 0.2 * pixel


@pytest.mark.parametrize("clip", ["one", "four"])
def test_moments_are_named_with_their_frames(clips, clip):
    root = parsed(clips[clip])
    said = " | ".join(text for text, e in words(root) if "moment" in e.get("class"))
    names = {"takeoff": "take-off"}
    jumps = clips[clip]["jumps"]
    for number, jump in enumerate(jumps):
        for moment, frame in jump["moments"].items():
            shown = f"{frame:.1f}".removesuffix(".0")
            assert re.search(rf"(^|\W){re.escape(shown)}( |$)", said), f"{moment} {shown}"
            if number == 0 and len(jumps) == 1:
                assert f"{names.get(moment, moment)} {shown}" in said


def test_a_low_that_is_the_next_crouch_is_named_once(clips):
    said = [text for text, _ in words(parsed(clips["four"]))]
    assert [text for text in said if text.startswith("low and crouch")] == [
        "low and crouch 41",
        "low and crouch 61",
        "low and crouch 81",
    ]


def test_findings_have_a_letter_over_their_frames_and_a_line_below(clips):
    root = parsed(clips["twelve"])
    kinds = {}
    for jump in clips["twelve"]["jumps"]:
        for one in jump["findings"]:
            severity = "intended" if one["intended"] else one["severity"]
            kinds.setdefault((severity, one["id"]), []).append(one)
    letters = [t for t, _ in words(root) if re.fullmatch("[A-Z]", t)]
    # Once in the list, and once for every finding.
    assert sorted(set(letters)) == [chr(65 + i) for i in range(len(kinds))]
    assert len(letters) == len(kinds) + sum(map(len, kinds.values()))
    lines = [t for t, _ in words(root)]
    assert any("hangs at the top" in t and "meant so (gag)" in t for t in lines)
    assert not any("hangs at the top" in t and "warning" in t for t in lines)


def test_severities_differ_without_their_colours():
    checked = one()
    base = {"id": "hangs", "phase": "air", "frames": [28, 41], "measured": 1, "expected": 0}
    base |= {"unit": "frames", "text": "It hangs.", "fix": None, "intended": None}
    shapes = {}
    for severity in ("error", "warning", "note"):
        checked["jumps"][0]["findings"] = [base | {"severity": severity}]
        shapes[severity] = outline(checked)
    checked["jumps"][0]["findings"] = [base | {"severity": "note", "intended": "a gag"}]
    shapes["intended"] = outline(checked)
    assert len(set(shapes.values())) == 4


def outline(checked):
    """Corners and dash of the badge: what is left of it on a black and white print."""
    paths = list(parsed(checked).iter(f"{SVG}path"))
    badge = paths[-1]
    points = np.array(re.findall(r"[ML]([^ LMZ]+) ([^LMZ]+)", badge.get("d")), dtype=float)
    return len(points), badge.get("stroke-dasharray")


def test_soles_on_the_floor_are_a_band(clips):
    track = clips["one"]["track"]
    root = parsed(clips["one"])
    at = dots(root)[:, 0]
    bands = [e for e in root.iter(f"{SVG}rect") if "band" in e.get("class")]
    on = np.array(track["contacts"]["left"])
    first = min(float(e.get("y")) for e in bands)
    spans = [
        (float(e.get("x")), float(e.get("x")) + float(e.get("width")))
        for e in bands
        if float(e.get("y")) == first
    ]
    covered = np.any([(at >= a - 0.1) & (at <= b + 0.1) for a, b in spans], axis=0)
    assert np.array_equal(covered, on)


def test_the_arc_is_the_one_that_was_fitted(clips):
    checked = clips["one"]
    root = parsed(checked)
    arc = next(e for e in root.iter(f"{SVG}path") if "line-arc" in e.get("class", ""))
    points = np.array(re.findall(r"[ML](\S+?) ([^L]+)", arc.get("d")), dtype=float)
    at, frames = dots(root), np.array(checked["track"]["frames"])
    slope, start = np.polyfit(at[:, 0], frames, 1)
    metres, zero = np.polyfit(at[:, 1], checked["track"]["height_m"], 1)
    told = np.interp(
        slope * points[:, 0] + start, checked["jumps"][0]["arc"]["frames"],
        checked["jumps"][0]["arc"]["height_m"],
    )  # fmt: skip
    assert np.abs(metres * points[:, 1] + zero - told).max() < abs(metres)


def test_beside_gives_both_the_same_scales(clips):
    other = night.checked(night.spoilt("hangs", 1).track(), file="other.blend")
    a, b = parsed(clips["one"], beside=other), parsed(other, beside=clips["one"])

    def scale(root):
        got = dots(root)
        return np.diff(got[:2, 0])[0], [t for t, _ in words(root) if t.endswith(" m")]

    assert scale(a)[0] == pytest.approx(scale(b)[0], abs=0.11)
    assert scale(a)[1] == scale(b)[1]


def test_one_jump_of_many(clips):
    root = parsed(clips["twelve"], jump=7)
    named = [text for text, _ in words(root) if text.startswith("Frames 1 to")]
    assert named[0].endswith("jump 7")
    assert len(dots(root)) < 170
    with pytest.raises(InputError, match="jump must be from 1 to 12, got 13"):
        height_plot(clips["twelve"], jump=13)


def test_names_are_escaped_and_shown():
    name = 'a "b" <c> & \n\u202e 夜市 $x^2$.blend'
    checked = one() | {"file": name}
    root = parsed(checked)
    title = root.find(f"{SVG}title").text
    assert '"b" <c> &' in title
    assert r"\n\u202e 夜市 $x^2$" in title


def test_a_name_too_long_is_cut_in_its_middle():
    checked = one() | {"file": "very_" * 60 + "long.blend"}
    title = next(text for text, e in words(parsed(checked)) if e.get("font-weight"))
    assert "…" in title
    assert title.endswith("long.blend, Hare")


@pytest.mark.parametrize("frames", [1, 2, 3, 500, 100_000])
def test_a_clip_without_a_jump(frames):
    track = Track.of(np.full(frames, 0.9) + 0.001 * np.sin(np.arange(frames)))
    checked = check_track(track).to_json(track=True)
    text = height_plot(checked)
    assert checked["reason"].split(":")[0] in text
    assert len(text) < 400_000


def test_more_jumps_than_fit_are_counted():
    checked = night.checked(night.chain(3))
    jump = checked["jumps"][1]
    many = [
        jump | {"moments": {m: f + 400 * i for m, f in jump["moments"].items()}} for i in range(30)
    ]
    checked["track"]["frames"] = (np.arange(13_000.0) + 1).tolist()
    checked["track"]["height_m"] = [1.0] * 13_000
    checked["track"]["contacts"] = {}
    said = [text for text, _ in words(parsed(checked | {"jumps": many}))]
    assert "Jumps 13 to 30 are not drawn." in said


def test_the_same_each_time(clips):
    assert height_plot(clips["twelve"]) == height_plot(clips["twelve"])


def test_dark_is_light_on_dark(clips):
    light, dark = (parsed(clips["one"], dark=d) for d in (False, True))
    paper = [root.find(f"{SVG}rect").get("fill") for root in (light, dark)]
    assert luminance(paper[0]) > 0.9
    assert luminance(paper[1]) < 0.02
    for root, ground in zip((light, dark), paper, strict=True):
        for text, e in words(root):
            if "fill-paper" not in e.get("class"):
                # 4.5 to 1: WCAG 2.2, 1.4.3.
                assert contrast(e.get("fill"), ground) >= 4.5, text


def luminance(colour):
    """Relative luminance by WCAG 2.2."""
    rgb = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(a, b):
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def test_files(clips, tmp_path):
    save_height_plot(clips["four"], tmp_path / "plot.svg")
    assert (tmp_path / "plot.svg").read_text(encoding="utf-8") == height_plot(clips["four"])
    image = pytest.importorskip("PIL.Image")
    pytest.importorskip("matplotlib")
    save_height_plot(clips["four"], tmp_path / "plot.PNG")
    with image.open(BytesIO((tmp_path / "plot.PNG").read_bytes())) as seen:
        assert seen.size[0] == 1920
        colours = {tuple(c[1][:3]) for c in seen.convert("RGB").getcolors(1 << 20)}
    assert {(0x8C, 0x7A, 0x55), (0x22, 0x30, 0x4F), (0xFD, 0xFC, 0xF8)} <= colours
    assert sorted(p.name for p in tmp_path.iterdir()) == ["plot.PNG", "plot.svg"]


def test_files_that_cannot_be(clips, tmp_path):
    with pytest.raises(InputError, match=r"must end in \.svg or \.png, got 'plot\.jpg'"):
        save_height_plot(clips["one"], tmp_path / "plot.jpg")
    with pytest.raises(FileError, match="cannot write"):
        save_height_plot(clips["one"], tmp_path / "nowhere" / "plot.svg")


def test_a_png_without_matplotlib_names_the_extra(clips, tmp_path, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "matplotlib.backends.backend_agg", None)
    with pytest.raises(HostError, match=r"pip install leapwright\[batch\]"):
        save_height_plot(clips["one"], tmp_path / "plot.png")
    assert list(tmp_path.iterdir()) == []


def test_what_cannot_be_drawn():
    with pytest.raises(InputError, match=r"to_json\(track=True\)"):
        height_plot({"file": "a", "jumps": []})
    with pytest.raises(InputError, match="width must be 320"):
        height_plot(one(), width=100)


@pytest.mark.parametrize(
    ("text", "shown"),
    [("a\nb", r"a\nb"), ("\x00", r"\x00"), ("\udcff", r"\udcff"), ("夜 é", "夜 é"), ("\\", "\\")],
)
def test_printable(text, shown):
    assert printable(text) == shown


def test_shortened_fits_and_keeps_both_ends():
    assert shortened("short", 100) == "short"
    assert shortened("abcdefghijklmnopqrstuvwxyz", 80) == "abcde…vwxyz"
