# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright batch``: hundreds of shots overnight, one report in the morning."""

from __future__ import annotations

import contextlib
import json
import signal
import sys
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TaskID, TextColumn

from leapwright.cli import tables
from leapwright.cli.shots import option, switch
from leapwright.errors import ClashError, InputError

if TYPE_CHECKING:
    from leapwright.batch import BatchResult, Row, Stop, Work
    from leapwright.batch import Progress as Far

__all__ = ["batch"]

RUN, WORK, OUTPUT = "The run", "How it is done", "Output"
MOST_SHOTS = 40
"""Shots that are listed at the end; more are counted."""


class FailOn(StrEnum):
    """From which severity on findings fail."""

    note = "note"
    warning = "warning"
    error = "error"


def batch(
    jobs: Annotated[
        Path | None,
        typer.Argument(metavar="JOBS", show_default=False, help="The JOBS.toml that says it."),
    ] = None,
    run: Annotated[
        Path | None,
        option(
            "--run",
            "DIR",
            RUN,
            "The run's folder: journal, results, report. Default: a new one by the date in "
            ".leapwright/runs beside JOBS.",
        ),
    ] = None,
    resume: Annotated[
        Path | None,
        option(
            "--resume",
            "RUN",
            RUN,
            "Go on with a run that was stopped or killed. Shots that failed are not tried again.",
        ),
    ] = None,
    undo: Annotated[
        Path | None,
        option("--undo", "RUN", RUN, "Give shots that a run wrote in place their backups back."),
    ] = None,
    in_place: Annotated[
        bool, switch("--in-place", RUN, "Write the shots themselves and keep dated backups.")
    ] = False,
    dry_run: Annotated[
        bool, switch("--dry-run", RUN, "List what would be done; do nothing.")
    ] = False,
    schema: Annotated[bool, switch("--schema", RUN, "Print the JSON Schema of JOBS.toml.")] = False,
    workers: Annotated[
        int | None,
        typer.Option(
            "--workers",
            metavar="N",
            min=1,
            rich_help_panel=WORK,
            show_default=False,
            help="Shots at once. Default: as cores and memory allow.",
        ),
    ] = None,
    scheduler: Annotated[
        str | None,
        option(
            "--scheduler",
            "ADDRESS",
            WORK,
            "Use the workers of a distributed scheduler that is there, tcp://host:8786. They must "
            "see the same folders.",
        ),
    ] = None,
    blender: Annotated[
        Path | None,
        option("--blender", "PATH", WORK, "Work with this Blender. Default: the bpy module."),
    ] = None,
    timeout: Annotated[
        float | None,
        typer.Option(
            "--timeout",
            metavar="SECONDS",
            rich_help_panel=WORK,
            show_default=False,
            help="A shot that takes longer is given up. Default: JOBS, else 600.",
        ),
    ] = None,
    memory: Annotated[
        str | None,
        option(
            "--memory",
            "SIZE",
            WORK,
            "A host that takes more is ended: 4GB. Default: JOBS, else 8GB.",
        ),
    ] = None,
    fail_on: Annotated[
        FailOn | None,
        typer.Option(
            "--fail-on",
            rich_help_panel=OUTPUT,
            show_default=False,
            help="Findings of check and fix from this severity on fail a shot, unless they are "
            "intended. Default: JOBS, else warning.",
        ),
    ] = None,
    no_plots: Annotated[
        bool,
        switch("--no-plots", OUTPUT, "Do not check before and after; faster, a report without."),
    ] = False,
    as_json: Annotated[
        bool, typer.Option("--json", rich_help_panel=OUTPUT, help="Print the outcome as JSON.")
    ] = False,
) -> None:
    """Do the jobs of a file: retime, resize, block, spline, check or fix hundreds of shots.

    A bad shot costs no other. Ctrl-C finishes the shots in hand, twice stops now; both can be
    resumed. Ends with 1 when shots failed or have findings.
    """
    typed: dict[str, Any] = {
        "timeout": timeout,
        "memory": memory if memory is None or not _is_number(memory) else float(memory),
        "in_place": in_place or None,
        "fail_on": fail_on and fail_on.value,
        "plots": False if no_plots else None,
    }
    _one_wish(jobs, resume, undo, schema, typed, run)
    from leapwright import batch as batches

    if schema:
        print(json.dumps(batches.schema(), indent=2))
        return
    if undo is not None:
        _undo(undo, as_json=as_json)
        return
    if resume is None:
        read = batches.load_jobs(str(jobs), **typed)
        if dry_run:
            _list(batches.plan_work(read), as_json=as_json)
            return
    with _stoppable() as stop, _watching(sys.stderr.isatty()) as watching:
        how: dict[str, Any] = {"workers": workers, "scheduler": scheduler, "stop": stop}
        how |= {"on_result": watching.row, "on_progress": watching.progress}
        if resume is not None:
            done = batches.resume(resume, **how)
        else:
            program = None if blender is None else str(blender)
            done = batches.run(read, blender=program, folder=run, **how)
    _tell(done, as_json=as_json)
    raise typer.Exit(done.exit_code)


def _is_number(text: str) -> bool:
    with contextlib.suppress(ValueError):
        float(text)
        return True
    return False


def _one_wish(
    jobs: Path | None,
    resume: Path | None,
    undo: Path | None,
    schema: bool,
    typed: dict[str, Any],
    run: Path | None,
) -> None:
    """One of a file, a run to resume, a run to undo, the schema."""
    wishes = {"JOBS": jobs, "--resume": resume, "--undo": undo, "--schema": schema or None}
    given = [name for name, value in wishes.items() if value is not None]
    if len(given) > 1:
        raise ClashError(f"{' and '.join(given)} each say what to do: give one", ())
    if not given:
        raise InputError("say what to do: a JOBS.toml, --resume RUN or --undo RUN")
    if jobs is None:
        extra = [name for name, value in typed.items() if value is not None]
        extra += ["run"] * (run is not None)
        if extra:
            flag = "--no-plots" if extra[0] == "plots" else "--" + extra[0].replace("_", "-")
            raise InputError(f"{flag} goes with JOBS: a run keeps what it was begun with")


# --- While it runs -------------------------------------------------------------------------------


@contextlib.contextmanager
def _stoppable() -> Iterator[Stop]:
    """Ctrl-C once and twice, and being told to end, while this lasts."""
    from leapwright.batch import Stop

    stop = Stop()

    def interrupted(*_: object) -> None:
        if stop.asked:
            stop.now()
        else:
            stop.soon()
            print("Finishing the shots in hand; Ctrl-C again stops now.", file=sys.stderr)

    before = {
        signal.SIGINT: signal.signal(signal.SIGINT, interrupted),
        signal.SIGTERM: signal.signal(signal.SIGTERM, lambda *_: stop.now()),
    }
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class _Lines:
    """A line for each shot, for logs."""

    def __init__(self) -> None:
        self.far: Far | None = None

    def row(self, row: Row) -> None:
        self._say(_line(row))

    def progress(self, far: Far) -> None:
        self.far = far

    def _say(self, text: str) -> None:
        print(text, file=sys.stderr, flush=True)


class _Bar:
    """A bar at the bottom; above it the shots that are not done."""

    def __init__(self, bar: Progress) -> None:
        self.bar = bar
        self.task: TaskID | None = None

    def row(self, row: Row) -> None:
        if row.status != "done":
            self.bar.console.print(escape(_line(row)), highlight=False, soft_wrap=True)

    def progress(self, far: Far) -> None:
        if self.task is None:
            self.task = self.bar.add_task("", total=far.total, said="")
        self.bar.update(self.task, completed=far.finished, said=_said(far))


@contextlib.contextmanager
def _watching(terminal: bool) -> Iterator[_Lines | _Bar]:
    if not terminal:
        yield _Lines()
        return
    columns = (BarColumn(), TextColumn("{task.completed:.0f}/{task.total:.0f} {task.fields[said]}"))
    with Progress(*columns, console=Console(stderr=True)) as bar:
        yield _Bar(bar)


def _said(far: Far) -> str:
    parts = [f"{far.done} done"]
    parts += [f"{far.findings} with findings"] * bool(far.findings)
    parts += [f"{far.failed} failed"] * bool(far.failed)
    parts += [f"{far.skipped} skipped"] * bool(far.skipped)
    if far.rate:
        rate = f"{far.rate:.1f}/s" if far.rate >= 1 else f"{far.rate * 60:.1f}/min"
        parts.append(rate)
    if far.seconds_left:
        parts.append(f"{_time(far.seconds_left)} left")
    return ", ".join(parts)


def _time(seconds: float) -> str:
    """A time as a person says it."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02d} min"
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def _line(row: Row) -> str:
    """A row on one line, whatever the file is called."""
    line = f"{row.status}: {_shown(row.file)}"
    if row.reason:
        line += f": {_shown(row.reason)}"
    if row.log:
        line += f" (log: {row.log})"
    return line


def _shown(text: str) -> str:
    """A text that a terminal shows on one line: what cannot be printed as an escape."""
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


# --- When it is over -----------------------------------------------------------------------------


def _tell(done: BatchResult, *, as_json: bool) -> None:
    far = done.progress
    if as_json:
        print(json.dumps(_outcome(done), indent=2))
    else:
        print(f"{_shots(far.total)}: {_counts(far)} in {_time(done.seconds)}.")
        _list_bad(done)
        if not done.report_problem:
            print(f"Report:  {done.report}")
        print(f"Table:   {done.summary}\nResults: {done.results}")
    tables.warn(done.warnings)
    if done.report_problem:
        tables.warn([f"no report: {done.report_problem}"])
    if done.left:
        print(
            f"Stopped, {_shots(done.left)} left. "
            f"Go on with: leapwright batch --resume {done.folder}",
            file=sys.stderr,
        )


def _shots(count: int) -> str:
    return f"{count} shot{'s' * (count != 1)}"


def _counts(far: Far) -> str:
    names = {"done": "done", "findings": "with findings", "failed": "failed", "skipped": "skipped"}
    said = [f"{getattr(far, name)} {words}" for name, words in names.items() if getattr(far, name)]
    return ", ".join(said) or "none done"


def _list_bad(done: BatchResult) -> None:
    bad = [(row.status, _line(row)) for row in done.rows() if row.status in ("failed", "findings")]
    for status in ("failed", "findings"):
        lines = [line for its, line in bad if its == status]
        for line in lines[:MOST_SHOTS]:
            print(f"  {line}")
        if len(lines) > MOST_SHOTS:
            print(f"  {status}: {len(lines) - MOST_SHOTS} more, see the table")


def _outcome(done: BatchResult) -> dict[str, Any]:
    far = done.progress
    return {
        "run": str(done.folder),
        "total": far.total,
        "done": far.done,
        "findings": far.findings,
        "failed": far.failed,
        "skipped": far.skipped,
        "left": done.left,
        "seconds": round(done.seconds, 3),
        "report": None if done.report_problem else str(done.report),
        "summary": str(done.summary),
        "results": str(done.results),
        "warnings": list(done.warnings),
        "shots": [
            {
                "file": row.file,
                "output": row.output,
                "verb": row.verb,
                "status": row.status,
                "reason": row.reason,
            }
            for row in done.rows()
        ],
    }


def _list(work: Work, *, as_json: bool) -> None:
    """What would be done."""
    if as_json:
        print(json.dumps([task.to_json() for task in work.tasks], indent=2))
        return
    for task in work.tasks:
        line = f"{task.verb} {_shown(task.file)}"
        if task.refused:
            line = f"{'skip' if task.skipped else 'refuse'} {_shown(task.file)}: {task.refused}"
        elif task.in_place:
            line += " in place"
        elif task.target:
            there = " (replaces it)" if Path(task.target).exists() else ""
            line += f" -> {_shown(task.target)}{there}"
        print(line)
    tables.warn(work.warnings)
    refused = sum(bool(task.refused) and not task.skipped for task in work.tasks)
    said = f"{_shots(len(work.tasks))}{f', {refused} refused' * bool(refused)}"
    print(f"{said}. Nothing was done (dry run).", file=sys.stderr)


def _undo(run: Path, *, as_json: bool) -> None:
    from leapwright.batch import undo

    undone = undo(run)
    if as_json:
        kept = [{"file": file, "reason": reason} for file, reason in undone.kept]
        print(json.dumps({"undone": list(undone.back), "kept": kept}, indent=2))
    else:
        are = "is as it was" if len(undone.back) == 1 else "are as they were"
        said = f"{_shots(len(undone.back))} {are} before the run."
        nothing = "Nothing to give back: the run wrote no shot in place, or it was undone before."
        print(said if undone.back or undone.kept else nothing)
        for file, reason in undone.kept:
            print(f"  left as it is: {_shown(file)}: {reason}")
    if undone.kept:
        raise typer.Exit(1)
