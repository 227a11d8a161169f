# SPDX-License-Identifier: GPL-3.0-or-later
"""What a row says of the findings of a shot."""

from __future__ import annotations

from pathlib import Path

import pytest

from leapwright.batch.jobs import read_jobs
from leapwright.batch.row import row_of
from leapwright.batch.work import plan_work

SLIDES = {"id": "foot_slides", "severity": "warning", "text": "The planted foot slides."}
NO_KEY = {"id": "no_key_on_contact", "severity": "warning", "text": "There is no key on 4."}
NOTE = {"id": "other_gravity", "severity": "note", "text": "Gravity is another."}
MEANT = SLIDES | {"intended": "ice"}


@pytest.mark.parametrize(
    ("jumps", "status", "reason"),
    [
        ([[NOTE, MEANT]], "done", None),
        ([[SLIDES, NOTE]], "findings", "The planted foot slides."),
        (
            [[SLIDES, NO_KEY], [NO_KEY, NOTE]],
            "findings",
            "3 findings: no_key_on_contact (2), foot_slides",
        ),
    ],
)
def test_several_findings_are_summed(tmp_path: Path, jumps, status, reason):
    (tmp_path / "a.blend").touch()
    jobs = read_jobs('[[jobs]]\nfiles = "a.blend"\ncheck = {}\n', folder=tmp_path)
    (task,) = plan_work(jobs).tasks
    said = {"status": "done", "reason": None, "result": {"jumps": [{"findings": f} for f in jumps]}}
    row = row_of(task, said)
    assert (row.status, row.reason) == (status, reason)
