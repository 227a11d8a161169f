# SPDX-License-Identifier: GPL-3.0-or-later
"""Hard use of files of jobs: any text is jobs, or one error that lists every mistake."""

from __future__ import annotations

import atexit
import functools
import json
import math
import pickle
import tempfile
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

from hypothesis import given, target
from hypothesis import strategies as st
from pydantic import ValidationError

from leapwright.batch import Jobs, JobsError, Task, plan_work, read_jobs
from leapwright.batch.lines import line_numbers
from leapwright.batch.options import VERBS, options_of
from leapwright.errors import InputError

from .anything import tried
from .toml import pairs, quoted, slipped

__all__ = ["jobs_files", "jobs_lines"]

NAMES = ("a", "Häschen", "足", "قدم", "b c", "[1]", "\U0001f407")
PATHS = st.one_of(
    st.sampled_from(NAMES).map(lambda name: quoted(f"shots/{name}.blend")),
    st.sampled_from(
        ['"*.blend"', '"shots/*.blend"', '"shots/**"', '["shots/a.blend", "shots/b c.blend"]',
         "'C:\\shots\\a.blend'", '"shots/?.blend"', '"shots/[!a].blend"', '"shots/none.blend"']
    ),
)  # fmt: skip
COMMON = {
    "rig": st.sampled_from(['"Hare*"', '"足"', '"Hare:root"']),
    "rig-file": st.sampled_from(['"hare.rig.toml"', '["*.rig.toml"]', '"none.rig.toml"']),
    "root": st.just('"root"'),
    "cog": st.just('"body"'),
    "feet": st.sampled_from(['"foot.*"', '["foot.L", "foot.R"]']),
    "output": st.sampled_from(
        ['"out/"', '"out/{path}"', '"{stem}-{verb}.blend"', '"{folder}/{job}/{name}"', '"shots/"']
    ),
    "in-place": st.sampled_from(["true", "false"]),
    "timeout": st.sampled_from(["300", "0.5", "1e9"]),
    "memory": st.sampled_from(['"4GB"', "1500", '"1.5 gib"']),
    "fail-on": st.sampled_from(['"note"', '"error"']),
    "plots": st.sampled_from(["true", "false"]),
    "drivers": st.sampled_from(['"warn"', '"refuse"']),
}
OPTIONS = st.sampled_from(
    ["1", "2.5", "1.5", "12", "-1", "0", '"4ft"', '"30cm"', '"moon"', "true", "false", '"poses"',
     '"shift"', "{ crouch = 7, takeoff = 13 }", '["takeoff=13"]', '"push,air"', '["push", "air"]',
     '"Erde"', "1e9", "1e-9", "{ hangs = 2 }", '{ "falls_faster@2" = "joke" }', '"fall=2"',
     '"all"', '["hangs"]', '"arc"', '"30000/1001"', '"٣"', '"1e400"', "{ apex = 1e300 }", "inf",
     "{ crouch = nan }"]
)  # fmt: skip


def _of(values: dict[str, Any], most: int) -> Any:
    def one(key: str) -> Any:
        return values[key].map(lambda value: f"{key} = {value}")

    return st.lists(st.sampled_from(sorted(values)), max_size=most, unique=True).flatmap(
        lambda chosen: st.tuples(*map(one, chosen)).map(list)
    )


@st.composite
def verb_lines(draw: Any) -> list[str]:
    """One verb and its options, in a table, dotted, or alone."""
    verb = draw(st.sampled_from(sorted(VERBS)))
    known = [option.key for option in options_of(verb)]
    said = draw(pairs(known, OPTIONS, most=3))
    if draw(st.booleans()):
        return [f"{verb}.{line}" for line in said] or [f"{verb} = {{}}"]
    return [f"{verb} = {{ {', '.join(said)} }}"]


@st.composite
def table_lines(draw: Any, *, files: bool) -> list[str]:
    lines = draw(_of(COMMON, 3)) + draw(pairs(sorted(COMMON), st.just("1"), most=1))[:1]
    if files:
        lines.insert(0, f"files = {draw(PATHS)}")
        lines += draw(verb_lines()) if draw(st.integers(0, 3)) else []
        if not draw(st.integers(0, 9)):
            lines += draw(st.sampled_from([['name = "a"'], ["except = []"], ["shots = []"]]))
    return draw(st.permutations(lines))


@st.composite
def meant(draw: Any) -> str:
    """A file of jobs as a person writes it, with a slip now and then."""
    lines = draw(_of({"timeout": COMMON["timeout"], "memory": COMMON["memory"]}, 2))
    if draw(st.booleans()):
        lines += ["roots = " + draw(st.sampled_from(['["."]', '"shots"', '["shots", "out"]']))]
    if draw(st.booleans()):
        lines += ["", "[defaults]", *draw(table_lines(files=False))]
        if draw(st.integers(0, 3)):
            lines += ['output = "out/{path}"']
    if draw(st.integers(0, 3)) == 0:
        lines += ["[[controls]]", 'rig = "Hare*"', *draw(table_lines(files=False))]
    for _ in range(draw(st.integers(0, 3))):
        lines += ["[[jobs]]  # one", *draw(table_lines(files=True))]
        if draw(st.integers(0, 3)) == 0:
            lines += ["[[jobs.shots]]", *draw(table_lines(files=True))]
    return "\n".join(dict.fromkeys(lines) if draw(st.booleans()) else lines)


@functools.cache
def folder() -> Path:
    """A folder with a few shots that are none; nothing may be written to it."""
    made = tempfile.TemporaryDirectory(prefix="leapwright-fuzz-")
    atexit.register(made.cleanup)
    where = Path(made.name)
    (where / "shots").mkdir()
    for name in NAMES:
        (where / "shots" / f"{name}.blend").write_bytes(b"")
    (where / "hare.rig.toml").write_bytes(b"")
    return where


TYPED = st.fixed_dictionaries(
    {},
    optional={
        "in_place": st.just(True),
        "timeout": st.sampled_from([5, 0.5, -1, float("nan"), "x"]),
        "memory": st.sampled_from([4096.0, "4GB", "x"]),
        "fail_on": st.sampled_from(["note", "hop"]),
        "plots": st.booleans(),
    },
)


@given(text=slipped(meant()), typed=st.one_of(st.just({}), TYPED))
def jobs_files(text: str, typed: dict[str, Any]) -> None:
    """Any text is jobs, or an error that lists every mistake with a line that is there; reader and
    schema agree; what would be done stays inside of the roots, and nothing is written."""
    schema_agrees(text)

    def read() -> Jobs | None:
        try:
            return read_jobs(text, folder=folder(), **typed)
        except JobsError as error:
            is_listed(error, text)
            raise

    jobs = tried(read)
    before = sorted(folder().rglob("*"))
    if jobs is not None and not goes_far(jobs):
        target(float(len(jobs.jobs)), label="jobs")
        planned(jobs, text)
    assert sorted(folder().rglob("*")) == before


def is_listed(error: JobsError, text: str) -> None:
    last = text.count("\n") + 1
    assert error.mistakes
    told = str(error).split("\n")
    assert len(told) == len(error.mistakes) + 1, "a mistake is not one line"
    for line, mistake in zip(told[1:], error.mistakes, strict=True):
        assert mistake.strip(), error
        assert 1 <= mistake.line <= last, error
        assert line == f"  line {mistake.line}: {mistake}"
        assert len(line) < 2000, "too long to be read"
    again = pickle.loads(pickle.dumps(error))
    assert str(again) == str(error)


def goes_far(jobs: Jobs) -> bool:
    """Whether its patterns would walk folders that are not ours."""
    patterns = [p for job in jobs.jobs for p in (*job.files, *(job.except_ or ()))]
    patterns += [p for job in jobs.jobs for shot in job.shots for p in shot.files]
    every = (jobs.defaults, *jobs.controls, *jobs.jobs, *(s for j in jobs.jobs for s in j.shots))
    patterns += [p for level in every for p in level.rig_file or ()]
    return any(p.startswith(("/", "~")) or ".." in p for p in patterns if set("*?[") & set(p))


def planned(jobs: Jobs, text: str) -> None:
    try:
        work = tried(lambda: plan_work(jobs))
    except InputError as error:  # pragma: no cover
        raise AssertionError from error
    if work is None:
        return
    for number, task in enumerate(work.tasks, 1):
        assert task.number == number
        assert Task.from_json(json.loads(json.dumps(task.to_json(), allow_nan=False))) == task
        if task.refused:
            continue
        inside = [root for root in work.roots if Path(task.file).resolve().is_relative_to(root)]
        assert inside, task
        if task.target is not None:
            assert any(Path(task.target).is_relative_to(root) for root in work.roots), task
            assert task.in_place == (Path(task.target) == Path(task.file).resolve())


# --- The schema ----------------------------------------------------------------------------------

SCHEMA = json.loads((files("leapwright.batch") / "jobs.schema.json").read_text(encoding="utf-8"))
KINDS: dict[str, Any] = {
    "string": lambda v: isinstance(v, str),
    "boolean": lambda v: isinstance(v, bool),
    "integer": lambda v: isinstance(v, int) and not isinstance(v, bool),
    "number": lambda v: isinstance(v, int | float) and not isinstance(v, bool),
    "array": lambda v: isinstance(v, list),
    "object": lambda v: isinstance(v, dict),
}


def allows(rule: Any, value: Any) -> bool:
    """Whether a JSON Schema (of the words that ours uses) allows a value."""
    known = {"$ref", "anyOf", "type", "enum", "const", "minItems", "exclusiveMinimum", "maximum",
             "items", "required", "properties", "additionalProperties", "$defs", "$schema", "title",
             "description", "default"}  # fmt: skip
    assert set(rule) <= known, set(rule) - known
    if "$ref" in rule and not allows(SCHEMA["$defs"][rule["$ref"].rpartition("/")[2]], value):
        return False
    if "anyOf" in rule and not any(allows(one, value) for one in rule["anyOf"]):
        return False
    if "type" in rule and not KINDS[rule["type"]](value):
        return False
    if "enum" in rule and value not in rule["enum"]:
        return False
    if "const" in rule and value != rule["const"]:
        return False
    if KINDS["number"](value):
        low, high = (rule.get(k, math.nan) for k in ("exclusiveMinimum", "maximum"))
        return not (value <= low or value > high or ("maximum" in rule and value != value))
    if isinstance(value, list):
        return len(value) >= rule.get("minItems", 0) and all(
            allows(rule.get("items", {}), item) for item in value
        )
    if isinstance(value, dict):
        own, rest = rule.get("properties", {}), rule.get("additionalProperties", True)
        return set(rule.get("required", ())) <= set(value) and all(
            allows(own[key], item) if key in own else rest is not False and (
                rest is True or allows(rest, item)
            )
            for key, item in value.items()
        )  # fmt: skip
    return True


def schema_agrees(text: str) -> None:
    """What the schema refuses the reader refuses, and the other way round for all kinds."""
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError):
        return
    try:
        Jobs.model_validate(data)
    except ValidationError as error:
        kinds = {one["type"] for one in error.errors(include_url=False)}
        # What a schema cannot say: patterns of sizes and outputs, one verb for a job.
        if kinds <= {"value_error"}:
            assert allows(SCHEMA, data)
        elif "value_error" not in kinds:
            assert not allows(SCHEMA, data), kinds
    else:
        assert allows(SCHEMA, data)


# --- Lines ---------------------------------------------------------------------------------------


@given(text=slipped(meant()))
def jobs_lines(text: str) -> None:
    """Every key and every item of what TOML reads has a line on which its name or value stands."""
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError):
        return
    lines = tried(lambda: line_numbers(text))
    every = list(places(data))
    assert set(every) == set(lines) | {p for p in every if not p}, text
    last = text.count("\n") + 1
    assert all(1 <= line <= last for line in lines.values())


def places(value: Any, place: tuple[Any, ...] = ()) -> Any:
    if place:
        yield place
    if isinstance(value, dict | list):
        inside = value.items() if isinstance(value, dict) else enumerate(value)
        for key, item in inside:
            yield from places(item, (*place, key))
