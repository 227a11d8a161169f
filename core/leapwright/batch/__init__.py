# SPDX-License-Identifier: GPL-3.0-or-later
"""Many shots, on one machine or a cluster; needs the extra ``batch``.

`load_jobs` reads a file of jobs, `plan_work` says what it would do, `run` does it, `resume` goes on
with a run that was stopped, `undo` takes back what was written in place.
"""

from __future__ import annotations

from importlib.util import find_spec

from leapwright.errors import HostError

try:
    if find_spec("distributed") is None:
        raise ModuleNotFoundError("distributed", name="distributed")
    from leapwright.batch.jobs import load_jobs, read_jobs
    from leapwright.batch.mistakes import JobsError, Mistake
    from leapwright.batch.progress import Progress, Stop
    from leapwright.batch.row import Row
    from leapwright.batch.runner import BatchResult, resume, run
    from leapwright.batch.schema import schema
    from leapwright.batch.tables import Jobs
    from leapwright.batch.undo import Undone, undo
    from leapwright.batch.work import Task, Work, plan_work
except ModuleNotFoundError as error:
    if error.name and error.name.partition(".")[0] == "leapwright":
        raise
    raise HostError(
        f"batch needs {error.name}, which is missing: pip install leapwright[batch]"
    ) from error

__all__ = [
    "BatchResult",
    "Jobs",
    "JobsError",
    "Mistake",
    "Progress",
    "Row",
    "Stop",
    "Task",
    "Undone",
    "Work",
    "load_jobs",
    "plan_work",
    "read_jobs",
    "resume",
    "run",
    "schema",
    "undo",
]
