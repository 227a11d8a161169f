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
import re
import string
import tomllib
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StrictBool,
    StrictFloat,
    StrictInt,
    StrictStr,
    ValidationError,
    create_model,
    model_validator,
)

from leapwright.batch.lines import Place, line_numbers, nearest_line
from leapwright.batch.options import VERBS, mistakes_of, model_of
from leapwright.errors import FileError, InputError

__all__ = ["Controls", "Job", "Jobs", "JobsError", "Mistake", "load_jobs", "read_jobs", "schema"]

FIELDS = ("path", "folder", "name", "stem", "job", "verb")
WRITING = tuple(verb for verb in VERBS if verb != "check")
_SIZES = {"KB": 1 / 1024, "MB": 1, "GB": 1024, "KIB": 1 / 1024, "MIB": 1, "GIB": 1024}


class Mistake(str):
    """One thing that is wrong in a file: its text, and the line it stands on."""

    line: int

    def __new__(cls, text: str, line: int) -> Self:
        """A text with its line."""
        made = super().__new__(cls, text)
        made.line = line
        return made

    def __reduce__(self) -> tuple[type[Mistake], tuple[str, int]]:
        return (type(self), (str(self), self.line))


class JobsError(InputError):
    """A file of jobs cannot be used; the message lists every mistake with its line.

    Parameters
    ----------
    name : str
        The file.
    mistakes : sequence of Mistake
    """

    def __init__(self, name: str, mistakes: tuple[Mistake, ...]) -> None:
        listed = "".join(f"\n  line {m.line}: {m}" for m in mistakes)
        count = f"{len(mistakes)} mistakes" if len(mistakes) > 1 else "one mistake"
        super().__init__(f"{name} has {count}:{listed}")
        self.name = name
        self.mistakes = tuple(mistakes)

    def __reduce__(self) -> tuple[type[JobsError], tuple[str, tuple[Mistake, ...]]]:
        return (type(self), (self.name, self.mistakes))


# --- What may be said ----------------------------------------------------------------------------


def _kebab(name: str) -> str:
    return name.rstrip("_").replace("_", "-")


def _listed(value: Any) -> Any:
    return [value] if isinstance(value, str) else value


def _megabytes(value: Any) -> Any:
    """A size like ``4GB`` or ``1500MB``; a bare number is in MB."""
    if not isinstance(value, str):
        return value
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*([A-Za-z]+)\s*", value)
    if not found or found[2].upper() not in _SIZES:
        raise ValueError(f"must be a size like 4GB or 1500MB, got {value!r}")
    return float(found[1]) * _SIZES[found[2].upper()]


def _pattern(value: Any) -> Any:
    """An output pattern, with only the fields that there are."""
    if not isinstance(value, str):
        return value
    try:
        fields = [field for _, field, _, _ in string.Formatter().parse(value) if field is not None]
    except ValueError as error:
        raise ValueError(f"has braces that do not pair: {value!r}") from error
    for field in fields:
        if field not in FIELDS:
            known = ", ".join(f"{{{name}}}" for name in FIELDS)
            raise ValueError(f"knows {known}; got {{{field}}}")
    if value.endswith(("/", "\\")):
        value += "{name}"
    elif not value.endswith((".blend", "{name}", "{path}")):
        raise ValueError(f"must end in a folder's /, .blend, {{name}} or {{path}}; got {value!r}")
    return value


Patterns = Annotated[list[StrictStr], BeforeValidator(_listed), Field(min_length=1)]
Number = StrictInt | StrictFloat
Seconds = Annotated[Number, Field(gt=0)]
Megabytes = Annotated[
    float,
    BeforeValidator(_megabytes, json_schema_input_type=Number | StrictStr),
    Field(gt=0),
]
Output = Annotated[StrictStr, BeforeValidator(_pattern, json_schema_input_type=StrictStr)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", alias_generator=_kebab, validate_by_name=False)


_RIG_FILE: Any = Field(
    None, description="A rig file, or several of which the one that is of the rig is taken."
)


class Controls(_Strict):
    """What the controls of some rigs are."""

    rig: StrictStr = Field(description="A rig's name, or a pattern: Hare*.")
    rig_file: Patterns | None = _RIG_FILE
    root: StrictStr | None = Field(None, description="The root.")
    cog: StrictStr | None = Field(None, description="The COG control.")
    feet: Patterns | None = Field(None, description="The foot controls.")


class Said(_Strict):
    """What defaults, a job and a shot can all say; the last one that says it holds."""

    rig: StrictStr | None = Field(
        None, description="The rig, by name or pattern. Default: the only one in the shot."
    )
    rig_file: Patterns | None = _RIG_FILE
    root: StrictStr | None = Field(None, description="The root.")
    cog: StrictStr | None = Field(None, description="The COG control.")
    feet: Patterns | None = Field(None, description="The foot controls.")
    output: Output | None = Field(
        None,
        description="Where to write: {path} is the shot's path from its root, {folder} the folder "
        "of that, {name} its name, {stem} that without .blend; {job} and {verb} too.",
    )
    in_place: StrictBool | None = Field(
        None, description="Write the shot itself and keep a dated backup of it."
    )
    timeout: Seconds | None = Field(None, description="Seconds that a shot may take.")
    memory: Megabytes | None = Field(
        None, description="How much memory a host process may take: 4GB, 1500MB."
    )
    fail_on: Literal["note", "warning", "error"] | None = Field(
        None, description="Findings from here on fail check and fix. Default warning."
    )
    plots: StrictBool | None = Field(
        None, description="Check before and after, for the report. Default true."
    )
    drivers: Literal["refuse", "warn"] | None = Field(
        None, description="What becomes of a shot whose drivers want scripts. Default refuse."
    )


_verbs: dict[str, Any] = {
    verb: (model_of(verb), Field(None, description=f"Options of `leapwright {verb}`."))
    for verb in VERBS
}
Defaults = create_model(
    "Defaults", __base__=Said, __doc__="What holds for all jobs that say nothing else.", **_verbs
)


class Shot(Defaults):  # type: ignore[misc, valid-type]
    """What is different for some shots of a job."""

    files: Patterns = Field(description="Which: names or patterns.")
    skip: StrictStr | None = Field(None, description="Leave them out, and why.")


class Job(Defaults):  # type: ignore[misc, valid-type]
    """Shots, and one verb for them."""

    name: StrictStr | None = Field(None, description="What the job is called. Default: its verb.")
    files: Patterns = Field(description="Names or patterns (*, ?, [..], **) of .blend files.")
    except_: Patterns | None = Field(None, description="What of these to leave out.")
    shots: list[Shot] = Field([], description="What is different for some of them.")

    @property
    def verb(self) -> str:
        """The one verb of this job."""
        return next(verb for verb in VERBS if getattr(self, verb) is not None)

    @model_validator(mode="after")
    def _one_verb(self) -> Self:
        given = [verb for verb in VERBS if getattr(self, verb) is not None]
        if len(given) != 1:
            verbs = ", ".join(VERBS)
            got = " and ".join(given) or "none"
            raise ValueError(f"must have one verb of {verbs}, as in retime = {{}}; got {got}")
        return self


class Jobs(_Strict):
    """A file of jobs.

    Attributes
    ----------
    roots, timeout, memory, defaults, controls, jobs
        As in the file.
    """

    roots: Patterns = Field(
        ["."], description="Folders outside of which nothing is read or written."
    )
    timeout: Seconds = Field(600, description="Seconds that a shot may take.")
    memory: Megabytes = Field(8192, description="How much memory a host process may take.")
    defaults: Defaults = Field(  # type: ignore[valid-type]
        default_factory=Defaults, description="What holds for all jobs that say nothing else."
    )
    controls: list[Controls] = Field([], description="What the controls of some rigs are.")
    jobs: list[Job] = Field(min_length=1, description="What to do.")

    _folder: Path = Path()
    _name: str = "JOBS.toml"
    _lines: dict[Place, int] = {}

    @property
    def folder(self) -> Path:
        """The folder that all paths in the file start from."""
        return self._folder

    @property
    def source(self) -> str:
        """What the file is called, for messages."""
        return self._name

    def line(self, *place: str | int) -> int:
        """The line of a key.

        Parameters
        ----------
        *place : str or int
            Its way from the top: ``"jobs", 0, "files"``.
        """
        return nearest_line(self._lines, place)


# --- Reading -------------------------------------------------------------------------------------


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
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"\(at line (\d+)", str(error))
        line = int(found[1]) if found else text.count("\n") + 1
        raise JobsError(name, (Mistake(f"is not TOML: {error}", line),)) from error
    lines = line_numbers(text)
    _type_over(data, typed)
    mistakes: list[tuple[Place, str]] = _in_options(data)
    try:
        jobs = Jobs.model_validate(data)
    except ValidationError as error:
        mistakes += _from_pydantic(error)
        jobs = _readable(data, error)
    mistakes += _between(jobs)
    if mistakes:
        placed = sorted({(nearest_line(lines, place), said) for place, said in mistakes})
        raise JobsError(name, tuple(Mistake(said, line) for line, said in placed))
    jobs._folder, jobs._name, jobs._lines = Path(folder).absolute(), name, lines
    return jobs


def _type_over(data: dict[str, Any], typed: Mapping[str, Any]) -> None:
    """Put what was typed in the place of what the file says, at every level."""
    given = {_kebab(name): value for name, value in typed.items() if value is not None}
    try:
        Said.model_validate(given)
    except ValidationError as error:
        one = error.errors(include_url=False)[0]
        place = tuple(p for p in one["loc"] if not _is_kind(p))
        said = _from_pydantic(error)[0][1] or _words(dict(one), place)
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
        place = [p for p in one["loc"] if not _is_kind(p)]
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


def _from_pydantic(error: ValidationError) -> list[tuple[Place, str]]:
    """The mistakes in our words; of a value that could be of several kinds only one is told."""
    told: dict[Place, str] = {}
    kinds: dict[Place, list[str]] = {}
    for one in error.errors(include_url=False):
        place = tuple(p for p in one["loc"] if not _is_kind(p))
        kinds.setdefault(place, []).append(_kind_of(one))
        told.setdefault(place, _words(dict(one), place))
    return [
        (place, f"{_dotted(place)} must be {' or '.join(dict.fromkeys(kinds[place]))}{said}")
        if all(kinds[place])
        else (place, said)
        for place, said in told.items()
    ]


_KINDS = {
    "string_type": "a text in quotes",
    "int_type": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "list_type": "a list",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
}


def _is_kind(part: str | int) -> bool:
    """Whether a step of pydantic's is a kind of value, none of the file."""
    return isinstance(part, str) and bool(re.fullmatch(r"(str|int|float|bool)|.*[\[\](].*", part))


def _kind_of(one: Mapping[str, Any]) -> str:
    return _KINDS.get(str(one["type"]), "")


def _dotted(place: Place) -> str:
    return ".".join(str(p) for p in place if isinstance(p, str)) or "the file"


def _words(one: dict[str, Any], place: Place) -> str:
    kind, name = one["type"], _dotted(place)
    if kind in _KINDS:
        return f", got {one['input']!r}"
    if kind == "extra_forbidden":
        allowed = _allowed(place[:-1])
        near = get_close_matches(str(place[-1]), allowed, 1)
        hint = f"; did you mean {near[0]}?" if near else f"; allowed: {', '.join(allowed)}"
        return f"{name} is unknown{hint}"
    if kind == "missing":
        return f"{name} is missing"
    if kind == "too_short":
        return f"{name} must hold at least one"
    context = one.get("ctx", {})
    if kind == "literal_error":
        return f"{name} must be {context['expected']}, got {one['input']!r}"
    if kind == "greater_than":
        return f"{name} must be above {context['gt']:g}, got {one['input']!r}"
    said = str(context.get("error", one["msg"]))
    return f"{name} {said}"


def _allowed(place: Place) -> list[str]:
    """The keys of a table, by the model it is read with."""
    model: Any = Jobs
    for part in (p for p in place if isinstance(p, str)):
        if part in VERBS:
            model = model_of(part)
        else:
            model = {"jobs": Job, "shots": Shot, "controls": Controls, "defaults": Defaults}[part]
    return [field.alias or name for name, field in model.model_fields.items()]


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
                ((*where, _kebab(wrong)), f"{job.verb} writes no shot: it takes no {_kebab(wrong)}")
            ]
        return []
    if said.output and said.in_place:
        return [((*where, "in-place"), "output and in-place each say where to write: give one")]
    if said is job and not any(level.output or level.in_place for level in (job, defaults)):
        return [(where, f"say where {job.verb} writes: output, or in-place = true")]
    return []


# --- The schema ----------------------------------------------------------------------------------


def schema() -> dict[str, Any]:
    """The JSON Schema of a file of jobs, for editors."""
    made = Jobs.model_json_schema(by_alias=True, mode="validation")
    made["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    made["title"] = "Leapwright jobs"
    _plain(made)
    return made


def _plain(node: Any) -> None:
    """Without nulls, which TOML does not have, and without titles that repeat the key."""
    if isinstance(node, list):
        for item in node:
            _plain(item)
    if not isinstance(node, dict):
        return
    if isinstance(node.get("anyOf"), list):
        kinds = [kind for kind in node["anyOf"] if kind != {"type": "null"}]
        if len(kinds) == 1:
            del node["anyOf"]
            node |= {k: v for k, v in kinds[0].items() if k not in node}
        else:
            node["anyOf"] = kinds
    if "default" in node and node["default"] is None:
        del node["default"]
    for key in [k for k, v in node.items() if k == "title" and isinstance(v, str)]:
        if "properties" not in node:
            del node[key]
    for value in node.values():
        _plain(value)
