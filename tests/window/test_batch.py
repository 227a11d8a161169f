# SPDX-License-Identifier: GPL-3.0-or-later
"""A batch done by an installed Blender: the same answers as the bpy of this Python gives."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

import leapwright.batch as batches
from batch.trial import make_base

pytestmark = pytest.mark.needs_bpy


def test_an_installed_blender_does_the_same(tmp_path: Path) -> None:
    base = make_base(tmp_path / "base")
    (tmp_path / "shots").mkdir()
    for name in ("a.blend", "b c.blend"):
        shutil.copyfile(base / "hop.blend", tmp_path / "shots" / name)
    shutil.copyfile(base / "driver.blend", tmp_path / "shots" / "driver.blend")
    (tmp_path / "JOBS.toml").write_text(
        '[[jobs]]\nrig = "Hare"\nfiles = "shots/*.blend"\noutput = "{job}/{name}"\n'
        "retime = { snappiness = 1.5 }\nplots = false\n",
        encoding="utf-8",
    )

    def told(blender: str | None) -> dict[str, object]:
        result = batches.run(
            tmp_path / "JOBS.toml", workers=1, blender=blender, folder=tmp_path / str(bool(blender))
        )
        return {Path(row.file).name: (row.status, row.reason, row.result) for row in result.rows()}

    installed = told(os.environ["BLENDER"])
    assert [installed[name][0] for name in ("a.blend", "b c.blend")] == ["done", "done"]
    assert installed["driver.blend"][0] == "failed"
    assert installed == told(None)
    assert not list(tmp_path.rglob("*.was_run"))
