# SPDX-License-Identifier: GPL-3.0-or-later
"""Hard use of what is typed: names and patterns, lengths and rates, whole command lines."""

from __future__ import annotations

import contextlib
import io
import json
import math
import os
import tempfile
from pathlib import Path
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from leapwright import naming
from leapwright.cli import lengths
from leapwright.cli.app import run
from leapwright.offsets import foot_offsets, foot_text
from leapwright.units import frame_rate_of, gravity_of

from .anything import finite, names, tried

__all__ = ["command_lines", "control_names", "measures"]

PATTERNS = st.one_of(
    names(),
    st.lists(st.sampled_from(["*", "?", "[", "]", "!", "-", "a", "*a", "[a-z]", "[!"])).map(
        "".join
    ),
)


@given(name=names(), others=st.lists(names(), max_size=5), pattern=PATTERNS, channel=names())
def control_names(name: str, others: list[str], pattern: str, channel: str) -> None:
    """No name and no pattern is too odd; a name without signs of patterns matches itself."""

    def every() -> None:
        for read in (naming.strip_namespace, naming.strip_copy_number, naming.side, naming.words):
            read(name)
        assert naming.is_mechanism(name) in (True, False)
        for role in naming.ROLES:
            assert naming.rank(name, role) is None or naming.rank(name, role) >= 0
            naming.role_words(role)
        assert naming.matches(pattern, name) in (True, False)
        assert set(naming.matching(pattern, others)) <= set(others)
        assert set(naming.close_names(name, others)) <= set(others)
        naming.is_never([pattern, name], name, channel)
        naming.some(others)

    tried(every)
    if not set(name) & set("*?[]"):
        bare = naming.strip_namespace(name)
        assert naming.matches(bare, name) or not bare.strip(), (name, bare)


TYPED = st.one_of(
    st.lists(
        st.sampled_from(
            ["1", "2.5", ".5", "1e3", "1e400", "1e-400", "-", "+", "ft", "in", "'", '"', "m", "cm",
             "km/h", "m/s", "m/s²", "m/s^2", "**9", "^9", "mph", "/", " ", ",", "=", "takeoff",
             "land", "nan", "inf", "_", "٣", "²", "kg", "lb", "e", "99999999999999999999", "\n"]
        ),
        max_size=6,
    ).map("".join),
    st.text(max_size=8),
)  # fmt: skip


@given(text=TYPED, more=st.lists(TYPED, max_size=2))
def measures(text: str, more: list[str]) -> None:
    """Lengths, speeds, counts and rates are read as numbers, or refused in words."""
    for read in (lengths.length, lengths.speed, lengths.number):
        assert isinstance(tried(lambda read=read: read(text, "travel")) or 0.0, float)
    tried(lambda: gravity_of(lengths.gravity(text)))
    counted = tried(lambda: lengths.count(text, "rise_frames"))
    assert counted is None or isinstance(counted, int | float)
    rate = tried(lambda: frame_rate_of(text))
    assert rate is None or (rate > 0 and finite(float(rate)))
    listed = tried(lambda: lengths.frame_list(text, "rise_frames"))
    assert listed is None or len(listed) <= lengths.MOST_ROWS * (text.count(",") + 1)
    for frame in (tried(lambda: lengths.moment_frames([text, *more], "pins")) or {}).values():
        assert isinstance(frame, int | float)
    feet = tried(lambda: foot_offsets([text, *more]))
    if feet:
        assert foot_offsets([foot_text({k: v}) for k, v in feet.items()]) == feet


FLAGS = st.sampled_from(
    ["--jump-height", "--rise-frames", "--air-frames", "--takeoff-speed", "--push-height",
     "--push-frames", "--magnification", "--landing-level", "--travel", "--foot-travel",
     "--heading", "--running", "--absorb-height", "--absorb-frames", "--anticipation-frames",
     "--recover-frames", "--crouch-hold-frames", "--fps", "--gravity", "--keep", "--shot-start",
     "--pin", "--unit"]
)  # fmt: skip
MEANT = st.sampled_from(
    ["1", "3", "12", "4ft", "30cm", "1ft6in", "24", "30000/1001", "moon", "poses", "heights",
     "takeoff=101", "land=117", "crouch=9", "0", "-1", "1e9", "1e-9", "1e300", "4m/s",
     "cm", "5e-324"]
)  # fmt: skip
OPTION = st.tuples(FLAGS, st.one_of(MEANT, MEANT, TYPED)).map(list)
ALONE = st.sampled_from([["--twos"], ["--subframes"], ["--json"], ["--help"], ["--"], ["--stop"]])


@st.composite
def line(draw: Any) -> list[str]:
    """A command line that is meant well, as a rule."""
    if draw(st.integers(0, 14)) == 0:
        return draw(st.lists(st.one_of(FLAGS, TYPED, st.sampled_from(["plan", "chart"]))))
    verb = draw(st.sampled_from(["plan", "plan", "plan", "chart", "block", "retime"]))
    parts = draw(st.lists(st.one_of(OPTION, OPTION, ALONE), max_size=6))
    start = [[verb]] if verb in ("plan", "chart") else [[verb, "no.blend", "--rig", "Hare"]]
    good = [["--jump-height", "4ft", "--push-height", "1ft"]] if draw(st.booleans()) else []
    return [word for part in [*start, *good, *parts] for word in part if "\x00" not in word]


@given(words=line())
def command_lines(words: list[str]) -> None:
    """A command line ends with 0, 1 or 2; what it refuses it says on one line, and no data."""
    out, err = io.StringIO(), io.StringIO()
    with in_empty_folder(), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = tried(lambda: run(words))
        assert os.listdir() == []  # noqa: PTH208
    assert code in (0, 1, 2)
    if code == 0 and "--json" in words and "--help" not in words:
        json.loads(out.getvalue(), parse_constant=lambda name: math.nan / 0)
    if code and words:
        assert out.getvalue() == "", words
        said = err.getvalue().splitlines()
        assert len(said) == 1, said
        assert said[0].startswith("leapwright: ")


@contextlib.contextmanager
def in_empty_folder() -> Any:
    """Nothing that is typed may reach a file of this checkout."""
    was = Path.cwd()
    with tempfile.TemporaryDirectory(prefix="leapwright-fuzz-") as folder:
        os.chdir(folder)
        try:
            yield
        finally:
            os.chdir(was)
