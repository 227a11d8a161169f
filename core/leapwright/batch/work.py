# SPDX-License-Identifier: GPL-3.0-or-later
"""The work that a file of jobs makes: which shot, which verb, what is written where."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from leapwright.batch.mistakes import JobsError, Mistake
from leapwright.batch.options import ask_of
from leapwright.batch.places import (
    expand,
    fits,
    home,
    refuse_source,
    refuse_target,
    root_of,
    same_file_key,
)
from leapwright.batch.tables import Controls, Job, Jobs

__all__ = ["Task", "Work", "plan_work"]


@dataclass(frozen=True, slots=True)
class Task:
    """One shot and what is to be done with it.

    Attributes
    ----------
    number : int
        From 1.
    job : str
        What its job is called.
    file : str
        The shot.
    target : str or None
        What is written; None for a check.
    in_place : bool
        The target is the shot.
    verb : str
    ask : dict
        The verb's keyword arguments, JSON values.
    rig : str or None
        Name or pattern; None is the only one there is.
    rig_files : tuple of str
    chosen : dict
        Root, COG control and feet that were named.
    controls : tuple of dict
        Choices by the rig's name.
    timeout, memory : float
        Seconds; MB.
    fail_on, drivers : str
    plots : bool
    refused : str
        Why it is not done; "" where it is.
    skipped : bool
        It was meant to be left out; `refused` says why.
    """

    number: int
    job: str
    file: str
    target: str | None
    in_place: bool
    verb: str
    ask: dict[str, Any]
    rig: str | None = None
    rig_files: tuple[str, ...] = ()
    chosen: dict[str, Any] = field(default_factory=dict)
    controls: tuple[dict[str, Any], ...] = ()
    timeout: float = 600
    memory: float = 8192
    fail_on: str = "warning"
    drivers: str = "refuse"
    plots: bool = True
    refused: str = ""
    skipped: bool = False

    def to_json(self) -> dict[str, Any]:
        """The same as JSON values."""
        return asdict(self)

    @classmethod
    def from_json(cls, said: Mapping[str, Any]) -> Task:
        """A task from its JSON values."""
        tuples = {name: tuple(said[name]) for name in ("rig_files", "controls")}
        return cls(**{**said, **tuples})


@dataclass(frozen=True, slots=True)
class Work:
    """All tasks of a run, and what is worth knowing before it starts.

    Attributes
    ----------
    tasks : tuple of Task
    roots : tuple of Path
        Without links.
    warnings : tuple of str
    """

    tasks: tuple[Task, ...]
    roots: tuple[Path, ...]
    warnings: tuple[str, ...] = ()


def plan_work(jobs: Jobs) -> Work:
    """Find the shots, work out what is written where, and refuse what clashes.

    A shot that cannot be taken does not stop the others: its task says why.

    Raises
    ------
    JobsError
        Patterns that cover nothing, a file written twice, a shot read by one job and written by
        another, an output that would be taken for a shot the next time.
    """
    return _Planner(jobs).plan()


class _Planner:
    def __init__(self, jobs: Jobs) -> None:
        self.jobs = jobs
        self.folder = jobs.folder
        self.roots = tuple(
            dict.fromkeys(Path(os.path.realpath(self.folder / home(r))) for r in jobs.roots)
        )
        self.mistakes: list[Mistake] = []
        self.warnings: list[str] = []
        self.places: list[tuple[int, int]] = []

    def plan(self) -> Work:
        for i, root in enumerate(self.roots):
            # `Path.is_dir` may raise where a name is too long for the system.
            if not os.path.isdir(root):  # noqa: PTH112
                self._wrong(f"there is no folder {root}", "roots", i)
        controls = tuple(self._choice(i, c) for i, c in enumerate(self.jobs.controls))
        tasks = [
            task
            for i, job in enumerate(self.jobs.jobs)
            for task in self._tasks_of(i, job, controls)
        ]
        tasks = [replace(task, number=n) for n, task in enumerate(tasks, start=1)]
        self._clashes(tasks)
        if self.mistakes:
            placed = sorted(set(self.mistakes), key=lambda m: (m.line, str(m)))
            raise JobsError(self.jobs.source, tuple(placed))
        return Work(tuple(tasks), self.roots, tuple(self.warnings))

    def _wrong(self, text: str, *place: str | int) -> None:
        self.mistakes.append(Mistake(text, self.jobs.line(*place)))

    # --- What is said ------------------------------------------------------------------------

    def _choice(self, number: int, said: Controls) -> dict[str, Any]:
        files = self._rig_files(said.rig_file or [], "controls", number, "rig-file")
        choice: dict[str, Any] = {"rig": said.rig, "rig_files": files}
        return choice | {k: v for k in ("root", "cog", "feet") if (v := getattr(said, k))}

    def _rig_files(self, patterns: list[str], *place: str | int) -> list[str]:
        found = []
        for pattern in patterns:
            covered = list(expand(pattern, self.folder))
            if not covered:
                self._wrong(f"no rig file is covered by {pattern!r}", *place)
            for path in covered:
                if reason := refuse_source(path, self.roots):
                    self._wrong(f"rig file {path}: {reason}", *place)
                found.append(str(path))
        return list(dict.fromkeys(found))

    def _files(self, number: int, job: Job) -> list[Path]:
        left_out = {same_file_key(p) for e in job.except_ or () for p in expand(e, self.folder)}
        found: dict[str, Path] = {}
        for pattern in job.files:
            covered = list(expand(pattern, self.folder))
            if not covered:
                self.warnings.append(f"no shot is covered by {pattern!r}")
            for path in covered:
                if (key := same_file_key(path)) not in left_out:
                    found.setdefault(key, _straight(path))
        if not found:
            left = " that are not excepted" * bool(left_out)
            self._wrong(
                f"no shot is covered by these files{left}: {', '.join(map(repr, job.files))} in "
                f"{self.folder}",
                *("jobs", number, "files"),
            )
        return list(found.values())

    # --- Tasks -------------------------------------------------------------------------------

    def _tasks_of(
        self, number: int, job: Job, controls: tuple[dict[str, Any], ...]
    ) -> Iterator[Task]:
        files = self._files(number, job)
        keys = {same_file_key(path): path for path in files}
        different: dict[str, list[int]] = {}
        for j, shot in enumerate(job.shots):
            covered = {same_file_key(p) for e in shot.files for p in expand(e, self.folder)}
            if not covered & keys.keys():
                self._wrong(
                    "none of the job's shots is covered", "jobs", number, "shots", j, "files"
                )
            for key in covered:
                different.setdefault(key, []).append(j)
        for key, path in keys.items():
            overrides = different.get(key, [])
            self.places.append((number, overrides[-1] if overrides else -1))
            yield self._task(number, job, path, overrides, controls)

    def _task(
        self,
        number: int,
        job: Job,
        path: Path,
        overrides: list[int],
        controls: tuple[dict[str, Any], ...],
    ) -> Task:
        defaults: Any = self.jobs.defaults
        levels = [*(job.shots[j] for j in reversed(overrides)), job, defaults]

        def say(name: str, otherwise: Any = None) -> Any:
            given = (getattr(level, name) for level in levels)
            return next((value for value in given if value is not None), otherwise)

        verb = job.verb
        given: dict[str, Any] = {}
        for level in reversed(levels):
            options = getattr(level, verb)
            if options is not None:
                given |= options.model_dump(by_alias=True, exclude_none=True)
        line = ("jobs", number, *(("shots", overrides[-1]) if overrides else ()))
        skip = next((job.shots[j].skip for j in reversed(overrides) if job.shots[j].skip), None)
        output, in_place = self._where(levels)
        target, refused = self._target(job, path, output, in_place)
        return Task(
            number=0,
            job=job.name or verb,
            file=str(path),
            target=target,
            in_place=in_place,
            verb=verb,
            ask=ask_of(verb, given),
            rig=say("rig"),
            rig_files=tuple(self._rig_files(say("rig_file", []), *line, "rig-file")),
            chosen={k: v for k in ("root", "cog", "feet") if (v := say(k))},
            controls=controls,
            timeout=float(say("timeout", self.jobs.timeout)),
            memory=float(say("memory", self.jobs.memory)),
            fail_on=say("fail_on", "warning"),
            drivers=say("drivers", "refuse"),
            plots=say("plots", True),
            refused=skip or refused,
            skipped=skip is not None,
        )

    def _where(self, levels: list[Any]) -> tuple[str | None, bool]:
        """The nearest level that says where to write decides, whichever way."""
        for level in levels:
            if level.in_place:
                return None, True
            if level.output:
                return level.output, False
        return None, False

    def _target(
        self, job: Job, path: Path, output: str | None, in_place: bool
    ) -> tuple[str | None, str]:
        reason = refuse_source(path, self.roots)
        if job.verb == "check" or (output is None and not in_place):
            return None, reason
        if in_place:
            target = Path(os.path.realpath(path))
        else:
            root = root_of(path, self.roots) or root_of(Path(os.path.realpath(path)), self.roots)
            start = root if root and path.is_relative_to(root) else path.parent
            relative = path.relative_to(start)
            parts = {
                "path": relative.as_posix(),
                "folder": relative.parent.as_posix(),
                "name": path.name,
                "stem": path.stem,
                "job": job.name or job.verb,
                "verb": job.verb,
            }
            target = _straight(self.folder / str(output).format(**parts))
        reason = reason or refuse_target(target, self.roots)
        return os.path.realpath(target), reason

    # --- Clashes -----------------------------------------------------------------------------

    def _clashes(self, tasks: list[Task]) -> None:
        """Two that write one file, and what one writes and another reads."""
        doing = [t for t in tasks if not t.skipped]
        lines = {t.number: self._line_of(t) for t in tasks}
        writers: dict[str, Task] = {}
        for task in doing:
            if task.target is None:
                continue
            key = same_file_key(Path(task.target))
            if key == same_file_key(Path(task.file)) and not task.in_place:
                text = f"{task.target} is the shot itself: in-place = true writes that"
                self.mistakes.append(Mistake(text, lines[task.number]))
                continue
            other = writers.setdefault(key, task)
            if other is not task:
                text = f"{other.file} and {task.file} would both be written to {task.target}"
                self.mistakes.append(Mistake(text, lines[task.number]))
        for task in doing:
            writer = writers.get(same_file_key(Path(task.file)))
            if writer is not None and writer is not task:
                text = f"{task.file} is a shot, and {writer.job} would write it"
                self.mistakes.append(Mistake(text, lines[writer.number]))
        self._outputs_as_shots(doing, lines)

    def _outputs_as_shots(self, doing: list[Task], lines: Mapping[int, int]) -> None:
        patterns = [(job, p) for job in self.jobs.jobs for p in job.files]
        told = set()
        for task in doing:
            if task.target is None or task.in_place or lines[task.number] in told:
                continue
            target = Path(task.target)
            for job, pattern in patterns:
                left_out = any(fits(e, self.folder, target) for e in job.except_ or ())
                if fits(pattern, self.folder, target) and not left_out:
                    text = f"{target} would be taken for a shot the next time, by {pattern!r}"
                    self.mistakes.append(Mistake(text, lines[task.number]))
                    told.add(lines[task.number])
                    break

    def _line_of(self, task: Task) -> int:
        number, override = self.places[task.number - 1]
        if override >= 0 and self.jobs.jobs[number].shots[override].output:
            return self.jobs.line("jobs", number, "shots", override, "output")
        return self.jobs.line("jobs", number, "output")


def _straight(path: Path) -> Path:
    """Without dots, and with its links: those are for the user to read."""
    return Path(os.path.normpath(path.absolute()))
