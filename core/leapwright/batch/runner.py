# SPDX-License-Identifier: GPL-3.0-or-later
"""Running a batch: from the file of jobs to its report, or on from where it was stopped."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from leapwright.batch.commit import put, settle
from leapwright.batch.folder import RunFolder
from leapwright.batch.hosts import Order
from leapwright.batch.jobs import load_jobs
from leapwright.batch.journal import Journal
from leapwright.batch.locks import Locks
from leapwright.batch.places import refuse_source, refuse_target
from leapwright.batch.progress import Meter, Progress, Stop
from leapwright.batch.row import Row, failed_row, row_of
from leapwright.batch.summary import write_report, write_summary
from leapwright.batch.tables import Jobs
from leapwright.batch.work import Task, Work, plan_work
from leapwright.errors import FileError, HostError

if TYPE_CHECKING:
    from leapwright.batch.engine import Engine

__all__ = ["BatchResult", "resume", "run"]

OnResult = Callable[[Row], None]
OnProgress = Callable[[Progress], None]


@dataclass(frozen=True, slots=True)
class BatchResult:
    """What became of a run.

    Attributes
    ----------
    folder : Path
        The run's folder: resume or undo it by this.
    progress : Progress
        How many shots there are, by status.
    seconds : float
        Of this session.
    warnings : tuple of str
        What was worth knowing before it began.
    report_problem : str
        Why there is no report; "" where there is one.
    """

    folder: Path
    progress: Progress
    seconds: float
    warnings: tuple[str, ...] = ()
    report_problem: str = ""

    @property
    def left(self) -> int:
        """Shots that are still to be done; above 0 where the run was stopped."""
        return self.progress.total - self.progress.finished

    @property
    def exit_code(self) -> int:
        """0 when all is done, 1 when shots failed, have findings, or are left."""
        return int(bool(self.progress.failed or self.progress.findings or self.left))

    @property
    def report(self) -> Path:
        """The page."""
        return self.folder / "report.html"

    @property
    def summary(self) -> Path:
        """The table, comma-separated."""
        return self.folder / "summary.csv"

    @property
    def results(self) -> Path:
        """The rows, JSON lines."""
        return self.folder / "results.jsonl"

    def rows(self) -> Iterator[Row]:
        """What became of each shot, in the order it was done; read from the disk as you go."""
        journal = Journal(self.folder)
        try:
            yield from journal.rows()
        finally:
            journal.close()


def run(
    jobs: Jobs | str | Path,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    blender: str | None = None,
    folder: str | Path | None = None,
    recycle: int = 200,
    on_result: OnResult | None = None,
    on_progress: OnProgress | None = None,
    stop: Stop | None = None,
) -> BatchResult:
    """Do all jobs of a file; what a bad shot does costs no other.

    Parameters
    ----------
    jobs : Jobs or path
        A file of jobs, or what `load_jobs` made of one.
    workers : int, optional
        Shots that are worked on at once; default: as cores and memory allow.
    scheduler : str, optional
        Address of a `distributed` scheduler, whose workers see the same folders: they are used.
    blender : str, optional
        Program of an installed Blender to do the work; default: the bpy of this Python.
    folder : path, optional
        The run's folder; default: a new one by the date in ``.leapwright/runs`` beside the jobs.
    recycle : int
        Shots after which a host process is replaced.
    on_result : function of a Row, optional
        Called with each row as soon as it is on the disk, in the caller's thread.
    on_progress : function of a Progress, optional
        Called a few times a second.
    stop : Stop, optional
        By which the run can be stopped from another thread, or from a signal.

    Returns
    -------
    BatchResult

    Raises
    ------
    JobsError
        The file of jobs cannot be used; nothing was done.
    FileError
        Another batch is at work on these files, or the run's folder cannot be written; nothing was
        done.
    HostError
        There is no Blender, or no cluster; the run can be resumed.
    """
    read = jobs if isinstance(jobs, Jobs) else load_jobs(jobs)
    work = plan_work(read)
    place = RunFolder(Path(folder)) if folder is not None else RunFolder.new(read.folder)
    settings = {"blender": blender, "recycle": recycle, "title": Path(read.source).name}
    place.begin(work, settings)
    return _Session(place, work, settings, on_result, on_progress, stop).work(workers, scheduler)


def resume(
    folder: str | Path,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    on_result: OnResult | None = None,
    on_progress: OnProgress | None = None,
    stop: Stop | None = None,
) -> BatchResult:
    """Go on with a run that was stopped or killed: shots that have their row are not done again.

    Parameters
    ----------
    folder : path
        The run's folder.
    workers, scheduler, on_result, on_progress, stop
        As for `run`.

    Returns
    -------
    BatchResult

    Raises
    ------
    FileError
        There is no run in the folder, or it is being worked on; and as `run`.
    HostError
        As `run`.
    """
    place = RunFolder(Path(folder))
    work, settings = place.read()
    return _Session(place, work, settings, on_result, on_progress, stop).work(workers, scheduler)


class _Session:
    """One life of a runner on a run."""

    def __init__(
        self,
        place: RunFolder,
        work: Work,
        settings: dict[str, Any],
        on_result: OnResult | None,
        on_progress: OnProgress | None,
        stop: Stop | None,
    ) -> None:
        self.place, self.plan, self.settings = place, work, settings
        self.on_result, self.on_progress = on_result, on_progress
        self.stop = stop or Stop()
        self.meter = Meter(len(work.tasks))

    def work(self, workers: int | None, scheduler: str | None) -> BatchResult:
        begun = time.monotonic()
        tasks = self.plan.tasks
        _make_folders(tasks)
        doing = [task for task in tasks if not task.refused]
        reads = [task.file for task in doing]
        writes = [task.target for task in doing if task.target]
        with Locks(self.place.path, reads, writes):
            # Read under the lock: another runner may have written to it a moment ago.
            self.journal = Journal(self.place.path)
            try:
                self._go_through(tasks, workers, scheduler)
                problem = self._tell()
            finally:
                self.journal.close()
        return BatchResult(
            self.place.path,
            self.meter.progress(),
            time.monotonic() - begun,
            self.plan.warnings,
            problem,
        )

    def _go_through(
        self, tasks: Sequence[Task], workers: int | None, scheduler: str | None
    ) -> None:
        journal = self.journal
        for status in journal.done.values():
            self.meter.earlier(status)
        self.place.open(journal, [t for t in tasks if t.number not in journal.ready])
        self._settle({task.number: task for task in tasks})
        left = [task for task in tasks if task.number not in journal.done]
        for task in left:
            if task.refused:
                self._row(task, failed_row(task, task.refused))
        doing = [task for task in left if not task.refused]
        if doing and not self.stop.asked:
            order = Order(
                str(self.place.path),
                self.place.session,
                self.settings["blender"],
                self.settings["recycle"],
            )
            self._have_done(doing, order, workers, scheduler)
        self.place.close(tasks)

    def _settle(self, tasks: dict[int, Task]) -> None:
        """Finish what an earlier session was about to put in place when it was killed."""
        for number, entry in list(self.journal.ready.items()):
            if settle(entry):
                row = row_of(tasks[number], entry["row"] | {"backup": entry["backup"]})
                self._row(tasks[number], row)
            else:
                del self.journal.ready[number]

    def _have_done(
        self, doing: Sequence[Task], order: Order, workers: int | None, scheduler: str | None
    ) -> None:
        # Loaded when it is needed: it takes longer than all else.
        from leapwright.batch.engine import Engine

        with Engine(order, workers=workers, scheduler=scheduler) as engine:
            begun = self._begun(doing)
            for task, answer in engine.answers(begun, tick=lambda: self._tick(engine)):
                if answer.get("error") == "no host":
                    raise HostError(answer["reason"])
                if answer.get("error") != "stopped":
                    self._finish(task, answer)
                self._say_progress()

    def _begun(self, doing: Sequence[Task]) -> Iterator[Task]:
        """Tasks in order; what has become of a path since it was planned is looked at again."""
        for task in doing:
            reason = self._refused(task)
            if reason:
                self._row(task, failed_row(task, reason))
            else:
                yield task

    def _refused(self, task: Task) -> str:
        reason = refuse_source(Path(task.file), self.plan.roots)
        if not reason and task.target is not None:
            reason = refuse_target(Path(task.target), self.plan.roots)
        return reason

    def _tick(self, engine: Engine) -> bool:
        self._say_progress()
        if self.stop.asked:
            self.place.stop()
        if self.stop.at_once:
            engine.stop_now()
        return not self.stop.asked

    def _finish(self, task: Task, answer: dict[str, Any]) -> None:
        """Put the result in place and write the row."""
        answer["log"] = self.place.keep_log(task.number, answer.pop("log_text", ""))
        kept = None
        if answer["status"] == "done" and answer.get("sha256"):
            try:
                reason = refuse_target(Path(str(task.target)), self.plan.roots)
                if reason:
                    Path(answer["staged"]).unlink(missing_ok=True)
                    raise FileError(reason)
                kept = put(task, answer, self.journal)
            except FileError as error:
                answer |= {"status": "failed", "reason": str(error)}
        answer["backup"] = str(kept) if kept else None
        self._row(task, row_of(task, answer))

    def _row(self, task: Task, row: Row) -> None:
        self.journal.write_row(task.number, row)
        self.meter.add(row.status)
        with contextlib.suppress(OSError):
            note = self.place.path / "begun" / f"{self.place.session}-{task.number}"
            note.unlink(missing_ok=True)
        if self.on_result is not None:
            self.on_result(row)

    def _say_progress(self) -> None:
        if self.on_progress is not None:
            self.on_progress(self.meter.progress())

    def _tell(self) -> str:
        """Write the table and the report; a report that cannot be written costs no shot."""
        write_summary(self.journal.rows(), self.place.summary)
        try:
            write_report(
                self.journal.rows(),
                self.place.report,
                title=str(self.settings["title"]),
                facts={"Run": str(self.place.path)},
            )
        except (HostError, OSError) as error:
            return str(error)
        return ""


def _make_folders(tasks: Sequence[Task]) -> None:
    """The folders that are written to: locks lie in them."""
    for folder in dict.fromkeys(Path(t.target).parent for t in tasks if t.target and not t.refused):
        with contextlib.suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
