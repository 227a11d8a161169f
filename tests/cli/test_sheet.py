# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright sheet``: the page of one shot, from a recording."""

from __future__ import annotations

import json

import numpy as np
import pytest

pytest.importorskip("jinja2", reason="pages are made with jinja2, in the extra batch")

HEAD = """HIERARCHY
ROOT Hips
{
  OFFSET 0 0 0
  CHANNELS 3 Xposition Yposition Zposition
  End Site
  {
    OFFSET 0 10 0
  }
}
MOTION
Frames: %d
Frame Time: 0.0416667
"""


@pytest.fixture
def recording(tmp_path):
    """A body of one joint that jumps 0.5 m, in centimetres."""
    import leapwright

    plan = leapwright.plan(jump_height=0.5, push_frames=4, pins={"takeoff": 30})
    height = 100 * (1 + plan.cog(np.arange(1.0, 80.0)).position[:, 2])
    path = tmp_path / "awning <leap>.bvh"
    lines = "".join(f"0 {h:.5f} 0\n" for h in height)
    path.write_text(HEAD % len(height) + lines, encoding="utf-8")
    return path


def test_a_page_is_written(here, recording, tmp_path):
    out = tmp_path / "sheet.html"
    told = here(
        "sheet",
        str(recording),
        "-o",
        str(out),
        "--scale",
        "0.01",
        "--cog-from",
        "control",
        "--json",
    )
    assert told.code == 0, told.err
    assert json.loads(told.out)["output"] == str(out)
    assert told.err.splitlines()[-1] == f"Wrote {out}"
    text = out.read_text(encoding="utf-8")
    assert "awning &lt;leap&gt;.bvh" in text
    assert "take-off 30" in text
    assert "<leap>" not in text


@pytest.mark.parametrize(
    ("out", "words"),
    [("sheet.pdf", "must be an .html file"), ("nowhere/sheet.html", "there is no folder")],
)
def test_what_cannot_be_written_is_said_first(here, recording, tmp_path, out, words):
    told = here("sheet", str(recording), "-o", str(tmp_path / out))
    assert told.code in (1, 2)
    assert words in told.err
    assert not (tmp_path / out).exists()


def test_a_file_that_is_not_there(here, tmp_path):
    told = here("sheet", str(tmp_path / "no.bvh"), "-o", str(tmp_path / "sheet.html"))
    assert "there is no such file" in told.refusal(1)
