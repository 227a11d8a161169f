# SPDX-License-Identifier: GPL-3.0-or-later
"""JOBS.toml: which shots, which verb, with what; read and checked before anything runs.

roots = ["."]                     # nothing outside of these folders is read or written
timeout = 300                     # seconds for a file
memory = "4GB"                    # of a host process

[defaults]
rig = "Hare*"
output = "retimed/{path}"

[[controls]]                      # for the rigs whose name the pattern covers
rig = "Hare*"
rig-file = "rigs/hare.rig.toml"

[[jobs]]
files = ["shots/*.blend"]
except = ["shots/hop_007.blend"]
retime = { snappiness = 1.5 }     # the verb, and its options as on the command line

[[jobs.shots]]                    # what is different for some of them
files = "shots/hop_012.blend"
retime = { snappiness = 1.2 }
"""

from __future__ import annotations

import copy
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from leapwright.batch.lines import Place, line_numbers, nearest_line
from leapwright.batch.mistakes import JobsError, Mistake, mistakes_of_kind, place_of, plain
from leapwright.batch.options import VERBS, mistakes_of, model_of
from leapwright.batch.tables import Job, Jobs, Said, allowed_keys, kebab
from leapwright.errors import FileError, InputError
from leapwright.toml import TomlError, read_toml

__all__ = ["load_jobs", "read_jobs"]

WRITING = tuple(verb for verb in VERBS if verb != "check")


def load_jobs(path: str | Path, **typed: Any) -> Jobs:
    """Read a file of jobs.

    Parameters
    ----------
    path : path
        The TOML file; paths in it start from its folder.
    **typed
        What holds whatever the file says: in_place, timeout, memory, fail_on, plots.

    Raises
    ------
    FileError
        It cannot be read.
    JobsError
        Something is wrong in it: every mistake, each with its line.
    """
    where = Path(path)
    try:
        text = where.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise FileError(f"cannot read {where}: {error.strerror or error}") from error
    except UnicodeDecodeError as error:
        raise JobsError(str(where), (Mistake(f"is not UTF-8 text: {error}", 1),)) from error
    return read_jobs(text, folder=where.absolute().parent, name=str(where), **typed)


def read_jobs(
    text: str, *, folder: str | Path = ".", name: str = "JOBS.toml", **typed: Any
) -> Jobs:
    r"""Read jobs from a text.

    Parameters
    ----------
    text : str
        TOML.
    folder : path
        Where relative paths start from.
    name : str
        What the file is called, for messages.
    **typed
        As for `load_jobs`.

    Raises
    ------
    JobsError
        Something is wrong in it: every mistake, each with its line.

    Examples
    --------
    >>> jobs = read_jobs('[[jobs]]\nfiles = "*.blend"\noutput = "out/"\nretime.snappiness = 1.5')
    >>> jobs.jobs[0].verb, jobs.jobs[0].output
    ('retime', 'out/{name}')
    """
    try:
        data = read_toml(text)
    except TomlError as error:
        raise JobsError(name, (Mistake(error.message, error.line),)) from error
    lines = line_numbers(text)
    mistakes: list[tuple[Place, str]] = _unspeakable(data)
    _type_over(data, typed)
    mistakes += _in_options(data)
    try:
        jobs = Jobs.model_validate(data)
    except ValidationError as error:
        mistakes += mistakes_of_kind(error, allowed_keys, data)
        jobs = _readable(data, error)
    mistakes += _between(jobs)
    if mistakes:
        placed = sorted({(nearest_line(lines, place), plain(said)) for place, said in mistakes})
        raise JobsError(name, tuple(Mistake(said, line) for line, said in placed))
    jobs._folder, jobs._name, jobs._lines = Path(folder).absolute(), name, lines
    return jobs


def _unspeakable(data: Any, place: Place = ()) -> list[tuple[Place, str]]:
    """Texts with a character that no name of a file or of a rig can have."""
    if isinstance(data, str):
        return [(place, "a NUL character is in no name")] if "\0" in data else []
    if not isinstance(data, dict | list):
        return []
    inside = data.items() if isinstance(data, dict) else enumerate(data)
    return [one for key, item in inside for one in _unspeakable(item, (*place, key))]


def _type_over(data: dict[str, Any], typed: Mapping[str, Any]) -> None:
    """Put what was typed in the place of what the file says, at every level."""
    given = {kebab(name): value for name, value in typed.items() if value is not None}
    try:
        Said.model_validate(given)
    except ValidationError as error:
        one = error.errors(include_url=False)[0]
        place = place_of(one, given)
        said = mistakes_of_kind(error, allowed_keys, given)[0][1]
        raise InputError(said, str(place[0]).replace("-", "_")) from error
    for place, table in _tables(data):
        own = dict(given)
        if place[0] == "jobs" and "check" in table:
            own.pop("in-place", None)
        if own.get("in-place"):
            table.pop("output", None)
        if place == ("defaults",):
            own.pop("in-place", None)
        table.update(own)


def _readable(data: Any, error: ValidationError) -> Jobs:
    """What can be read of a file, so that the rest of its mistakes are found in the same go."""
    left = copy.deepcopy(data)
    for one in error.errors(include_url=False):
        place = place_of(one, data)
        in_job = len(place) > 1 and place[0] == "jobs" and isinstance(place[1], int)
        if in_job and (len(place) == 2 or one["type"] == "missing" or place[2] == "files"):
            left["jobs"][place[1]] = dict(_STAND_IN)
            continue
        table = left
        for part in place[:-1]:
            table = table[part] if _has(table, part) else {}
        if isinstance(table, dict) and place:
            table.pop(place[-1], None)
            if place[-1] == "output":
                table["output"] = "{name}"
    if not isinstance(left.get("jobs"), list) or not left["jobs"]:
        left["jobs"] = [dict(_STAND_IN)]
    try:
        return Jobs.model_validate(left)
    except ValidationError:
        return Jobs.model_validate({"jobs": [_STAND_IN]})


_STAND_IN = {"files": ["*"], "retime": {}, "output": "{name}"}
"""Takes the place of a job that cannot be read; the numbers of the others stay."""


def _has(table: Any, part: str | int) -> bool:
    if isinstance(table, dict):
        return part in table
    return isinstance(table, list) and isinstance(part, int) and part < len(table)


def _tables(data: Any) -> list[tuple[Place, dict[str, Any]]]:
    """All tables that may hold verbs."""
    found: list[tuple[Place, Any]] = [(("defaults",), data.get("defaults"))]
    jobs = data.get("jobs")
    for i, job in enumerate(jobs if isinstance(jobs, list) else ()):
        found.append((("jobs", i), job))
        shots = job.get("shots") if isinstance(job, dict) else None
        for j, shot in enumerate(shots if isinstance(shots, list) else ()):
            found.append((("jobs", i, "shots", j), shot))
    return [(place, table) for place, table in found if isinstance(table, dict)]


def _in_options(data: Any) -> list[tuple[Place, str]]:
    """What the verbs themselves cannot read in their options; kinds are pydantic's."""
    found = []
    for place, table in _tables(data):
        for verb in VERBS:
            given = table.get(verb)
            if not isinstance(given, dict):
                continue
            try:
                model_of(verb).model_validate(given)
            except ValidationError as error:
                wrong = {one["loc"][0] for one in error.errors(include_url=False)}
                given = {key: value for key, value in given.items() if key not in wrong}
            for key, said in mistakes_of(verb, given):
                found.append(((*place, verb, *([key] if key else [])), f"{verb}: {said}"))
    return found


def _between(jobs: Jobs) -> list[tuple[Place, str]]:
    """What is fine by itself and not together."""
    found: list[tuple[Place, str]] = []
    defaults: Any = jobs.defaults
    names: set[str] = set()
    for i, job in enumerate(jobs.jobs):
        place: Place = ("jobs", i)
        name = job.name or job.verb
        if job.name and name in names:
            found.append(((*place, "name"), f"two jobs are called {name!r}"))
        names.add(name)
        for where, said in (
            (place, job),
            *(((*place, "shots", j), s) for j, s in enumerate(job.shots)),
        ):
            others = [
                verb for verb in VERBS if getattr(said, verb) is not None and verb != job.verb
            ]
            if others:
                found.append(
                    ((*where, others[0]), f"the job's verb is {job.verb}, not {others[0]}")
                )
            found += _target(where, said, job, defaults)
    return found


def _target(where: Place, said: Any, job: Job, defaults: Any) -> list[tuple[Place, str]]:
    if job.verb not in WRITING:
        wrong = next((k for k in ("output", "in_place") if getattr(said, k)), None)
        if wrong:
            return [
                ((*where, kebab(wrong)), f"{job.verb} writes no shot: it takes no {kebab(wrong)}")
            ]
        return []
    if said.output and said.in_place:
        return [((*where, "in-place"), "output and in-place each say where to write: give one")]
    if said is job and not any(level.output or level.in_place for level in (job, defaults)):
        return [(where, f"say where {job.verb} writes: output, or in-place = true")]
    return []
