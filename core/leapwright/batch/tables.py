# SPDX-License-Identifier: GPL-3.0-or-later
"""The tables of JOBS.toml and what each may hold."""

from __future__ import annotations

import re
import string
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
    create_model,
    model_validator,
)

from leapwright.batch.lines import Place, nearest_line
from leapwright.batch.options import VERBS, model_of

__all__ = ["Controls", "Job", "Jobs", "Said", "Shot", "allowed_keys", "kebab"]

FIELDS = ("path", "folder", "name", "stem", "job", "verb")
MOST = 1e9
"""Seconds or megabytes: more is a slip."""
_SIZES = {"KB": 1 / 1024, "MB": 1, "GB": 1024, "KIB": 1 / 1024, "MIB": 1, "GIB": 1024}


def kebab(name: str) -> str:
    """A name of Python as it stands in the file."""
    return name.rstrip("_").replace("_", "-")


def _listed(value: Any) -> Any:
    if isinstance(value, str):
        return [value]
    if not isinstance(value, list):
        raise ValueError(f"must be a text in quotes or a list of them, got {value!r}")
    return value


def _megabytes(value: Any) -> Any:
    """A size like ``4GB`` or ``1500MB``; a bare number is in MB."""
    if not isinstance(value, str):
        return value
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*([A-Za-z]+)\s*", value)
    if not found or found[2].upper() not in _SIZES:
        raise ValueError(f"must be a size like 4GB or 1500MB, got {value!r}")
    size = float(found[1]) * _SIZES[found[2].upper()]
    if size > MOST:
        raise ValueError(f"must be {MOST:g} MB at most, got {value!r}")
    return size


def _pattern(value: Any) -> Any:
    """An output pattern, with only the fields that there are."""
    if not isinstance(value, str):
        return value
    try:
        parsed = list(string.Formatter().parse(value))
    except ValueError as error:
        raise ValueError(f"has braces that do not pair: {value!r}") from error
    fields = [field for _, field, _, _ in parsed if field is not None]
    known = ", ".join(f"{{{name}}}" for name in FIELDS)
    for field in fields:
        if field not in FIELDS:
            raise ValueError(f"knows {known}; got {{{field}}}")
    if more := next((spec or f"!{turn}" for _, _, spec, turn in parsed if spec or turn), ""):
        raise ValueError(f"knows {known} as they are; got {more!r} beside a name")
    if value.endswith(("/", "\\")):
        value += "{name}"
    elif not value.endswith((".blend", "{name}", "{path}")):
        raise ValueError(f"must end in a folder's /, .blend, {{name}} or {{path}}; got {value!r}")
    return value


_Patterns = Annotated[list[StrictStr], Field(min_length=1)]
Patterns = Annotated[
    _Patterns, BeforeValidator(_listed, json_schema_input_type=StrictStr | _Patterns)
]
_RANGE: Any = Field(gt=0, le=MOST)
Seconds = Annotated[StrictInt, _RANGE] | Annotated[StrictFloat, _RANGE]
Megabytes = Annotated[
    Seconds, BeforeValidator(_megabytes, json_schema_input_type=Seconds | StrictStr)
]
Output = Annotated[StrictStr, BeforeValidator(_pattern, json_schema_input_type=StrictStr)]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", alias_generator=kebab, validate_by_name=False)


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


def allowed_keys(place: Place) -> list[str]:
    """The keys of a table, by the model it is read with."""
    model: Any = Jobs
    for part in (p for p in place if isinstance(p, str)):
        if part in VERBS:
            model = model_of(part)
        else:
            model = {"jobs": Job, "shots": Shot, "controls": Controls, "defaults": Defaults}[part]
    return [field.alias or name for name, field in model.model_fields.items()]
