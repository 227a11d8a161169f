# SPDX-License-Identifier: GPL-3.0-or-later
"""JOBS.toml: what is read of it, and every mistake with its line."""

from __future__ import annotations

import inspect
import json
import pickle
import random
import time
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from leapwright.batch import Jobs, JobsError, load_jobs, read_jobs, schema
from leapwright.batch.lines import line_numbers
from leapwright.batch.options import VERBS, ask_of, options_of
from leapwright.errors import FileError, InputError

GOOD = """\
roots = ["."]
timeout = 300
memory = "4GB"

[defaults]
rig = "Hare*"
output = "out/{path}"

[[controls]]
rig = "Hare*"
cog = "body"

[[jobs]]
files = ["shots/*.blend"]
except = "shots/hop_007.blend"
retime = { snappiness = 1.5 }

[[jobs.shots]]
files = "shots/hop_012.blend"
retime.snappiness = 1.2
"""


def mistakes(text: str, **typed: Any) -> dict[int, list[str]]:
    with pytest.raises(JobsError) as caught:
        read_jobs(text, **typed)
    found: dict[int, list[str]] = {}
    for mistake in caught.value.mistakes:
        found.setdefault(mistake.line, []).append(str(mistake))
        assert f"line {mistake.line}: {mistake}" in str(caught.value)
    return found


def test_what_is_said_is_read():
    jobs = read_jobs(GOOD, folder="/show")
    assert jobs.memory == 4096
    assert jobs.jobs[0].verb == "retime"
    assert jobs.jobs[0].except_ == ["shots/hop_007.blend"]
    assert jobs.jobs[0].shots[0].retime.snappiness == 1.2
    assert jobs.folder == Path("/show").absolute()


def test_every_mistake_is_told_with_its_line():
    text = """\
timeout = -1
memory = "4 elephants"
colour = 3

[defaults]
output = "x/{nme}"
retime = { snapiness = 1.5 }

[[jobs]]
files = []
retime = { snappiness = "fast", pin = { hop = 3 }, rise-frames = true, before = "hop" }


[[jobs]]
files = "a.blend"
in-place = true
output = "b/"
block = { jump-height = "4 furlongs" }

[[jobs]]
files = "b.blend"
spline = {}
retime = {}

[[jobs]]
files = "c.blend"
output = "c/"
check = {}

[[jobs]]
verb = "hop"
"""
    found = mistakes(text)
    expected = {
        1: ["above 0"],
        2: ["4 elephants"],
        3: ["colour is unknown"],
        6: ["{nme}"],
        7: ["did you mean snappiness?"],
        10: ["must hold at least one"],
        11: ["'fast'", "'hop=3'", "rise-frames must be", "'shift' or 'stretch', got 'hop'"],
        16: ["output and in-place each say"],
        18: ["'4 furlongs'"],
        20: ["one verb", "spline and retime"],
        27: ["check writes no shot"],
        30: ["files is missing"],
        31: ["jobs.verb is unknown"],
    }
    assert set(found) == set(expected)
    for line, words in expected.items():
        said = "\n".join(found[line])
        assert all(word in said for word in words), (line, said)


@pytest.mark.parametrize(
    ("verb", "given", "said"),
    [
        ("retime", "snappiness = -1", "snappiness must be above 0, got -1"),
        ("retime", "rise-frames = 2.5", "rise-frames must be a whole number"),
        ("retime", "rise-frames = 2.5, subframes = true", ""),
        ("retime", 'phases = "push,hop"', "phases"),
        ("resize", "times-height = 0", "times-height must be above 0"),
        ("resize", 'travel = "-3ft"', ""),
        ("block", 'jump-height = "-1m", push-height = 0', "jump-height must be above 0 m"),
        ("block", 'landing-level = "9m"', ""),
        ("block", 'running = "measured", pose = { crouch = 2 }', ""),
        ("check", 'intended = { hops_faster = "joke" }', "intended must name a finding"),
        ("check", 'intended = { "falls_faster@2" = "joke" }', ""),
        ("retime", "pin = { tkeoff = 12 }", "retime: pin must name one of"),
        ("check", "limit = { hops = 2 }", "thresholds must be of"),
        ("check", "limit = { hangs = -2 }", "hangs must be"),
        ("check", "limit = { hangs = 2 }", ""),
        ("fix", 'only = ["hangs", "hopping"]', "got 'hopping'"),
        ("fix", 'only = "hangs"', ""),
    ],
)
def test_values_that_no_shot_can_take(verb, given, said):
    where = "plots = true" if verb == "check" else 'output = "o/"'
    text = f'[[jobs]]\nfiles = "a"\n{where}\n{verb} = {{ {given} }}\n'
    if said:
        assert said in "\n".join(mistakes(text)[4])
    else:
        assert read_jobs(text).jobs[0].verb == verb


def test_what_is_not_toml_is_told_with_its_line():
    assert list(mistakes('a = 1\nb = "\n')) == [2]
    assert list(mistakes("a = 1\na = 2\n")) == [2]


def test_a_job_says_where_it_writes():
    text = '[[jobs]]\nfiles = "a"\nretime = {}\n'
    assert "say where retime writes" in mistakes(text)[1][0]
    assert read_jobs(text, in_place=True).jobs[0].in_place
    assert read_jobs('[[jobs]]\nfiles = "a"\ncheck = {}\n').jobs[0].verb == "check"


BASE = '[[jobs]]\nfiles = "a"\noutput = "o/"\n'


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        (BASE + "retime = {}\nstr = 1\n", 5, "jobs.str is unknown"),
        ("int = 1\n" + BASE + "retime = {}\n", 1, "int is unknown"),
        (BASE + '"a[1]" = 1\nretime = {}\n', 4, "jobs.a[1] is unknown"),
        (BASE + '"a\\nb" = 1\nretime = {}\n', 4, r"jobs.a\nb is unknown"),
        (BASE + 'name = "a\\u0000"\nretime = {}\n', 4, "a NUL character is in no name"),
        (BASE + "retime = {}\nmemory = true\n", 5, "memory must be"),
        (BASE + "retime = {}\nmemory = nan\n", 5, "memory must be"),
        (BASE + "retime = {}\ntimeout = inf\n", 5, "timeout must be 1e+09 at most, got inf"),
        (BASE + f"retime = {{}}\ntimeout = 1{'0' * 400}\n", 5, "at most, got 1000"),
        (BASE + f'retime = {{}}\nmemory = "{"9" * 400}GB"\n', 5, "1e+09 MB at most"),
        (BASE + "retime = {}\nplots = " + "[" * 5000 + "]" * 5000, 5, "deep in each other"),
        (BASE + "resize = { travel = 1, heading = inf }", 4, "heading must be finite, got inf"),
        (BASE + "retime = { snappiness = 2, pin = { crouch = nan } }", 4, "pin"),
        (BASE.replace("o/", "{name:9}.blend") + "retime = {}", 3, "got '9' beside a name"),
        (BASE.replace("o/", "{path!r}.blend") + "retime = {}", 3, "got '!r' beside a name"),
        ("\n[a.b.c]\nx = 1\n" + BASE + "retime = {}\n", 2, "a is unknown"),
    ],
    ids=range(16),
)
def test_odd_things_are_mistakes_with_their_line(text, line, said):
    found = mistakes(text)
    assert said in "\n".join(found[line])
    assert all("\n" not in one and len(one) < 1000 for one in found[line])


def test_a_long_file_is_read_at_once():
    text = "".join(f'[[jobs]]\nname = "{i}"\nfiles = "{i}"\ncheck = {{}}\n' for i in range(4000))
    begun = time.process_time()
    assert len(line_numbers(text)) == 4000 * 4 + 1
    assert time.process_time() - begun < 2


def test_the_same_name_twice_and_another_verb_in_an_override():
    text = (
        '[defaults]\noutput = "out/"\n[[jobs]]\nname = "a"\nfiles = "a"\nretime = {}\n'
        '[[jobs]]\nname = "a"\nfiles = "b"\nretime = {}\n'
        '[[jobs.shots]]\nfiles = "b"\nresize = { times-height = 2 }\n'
    )
    found = mistakes(text)
    assert "two jobs are called 'a'" in found[8][0]
    assert "the job's verb is retime, not resize" in found[13][0]


def test_what_is_typed_wins_at_every_level():
    text = GOOD + "timeout = 7\n"
    jobs = read_jobs(text, timeout=5, fail_on="error")
    shot = jobs.jobs[0].shots[0]
    assert (shot.timeout, jobs.jobs[0].timeout, shot.fail_on) == (5, 5, "error")
    with pytest.raises(InputError) as caught:
        read_jobs(text, timeout=-1)
    assert caught.value.argument == "timeout"
    assert not isinstance(caught.value, JobsError)


def test_a_file_that_cannot_be_read(tmp_path):
    with pytest.raises(FileError, match="none"):
        load_jobs(tmp_path / "none.toml")
    odd = tmp_path / "odd.toml"
    odd.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(JobsError, match="UTF-8"):
        load_jobs(odd)
    odd.write_bytes("\ufeff".encode() + GOOD.encode().replace(b"\n", b"\r\n"))
    assert isinstance(load_jobs(odd), Jobs)


def test_errors_can_be_pickled():
    with pytest.raises(JobsError) as caught:
        read_jobs("x = 1\n")
    error = caught.value
    again = pickle.loads(pickle.dumps(error))
    assert (str(again), again.mistakes[0].line) == (str(error), error.mistakes[0].line)


# Options


def test_options_are_those_of_the_command_line():
    """Everything that a verb's command takes is an option here, but for files and the rig."""
    ours = {"file", "rig", "rig_file", "root", "cog", "feet", "out", "in_place", "dry_run"}
    ours |= {"as_json", "unit", "fps", "fail_on", "plot", "scale"}
    for verb, (function, _) in VERBS.items():
        flags = set(inspect.signature(function).parameters) - ours
        assert {option.name for option in options_of(verb)} == flags


@pytest.mark.parametrize(
    ("verb", "given", "ask"),
    [
        ("retime", {"snappiness": 1.5}, {"snappiness": 1.5}),
        ("retime", {"snappiness": "1.5", "before": "stretch"}, {"before": "stretch"}),
        ("retime", {"pin": {"take-off": 20}}, {"pins": {"takeoff": 20}}),
        ("retime", {"pin": ["take-off=20", "land=31"]}, {"pins": {"takeoff": 20, "land": 31}}),
        ("retime", {"phases": ["push", "air"]}, {"phases": ["push", "air"]}),
        ("retime", {"to-gravity": True, "gravity": "moon"}, {"to_gravity": "moon"}),
        ("retime", {"jump": 2, "no-props": True}, {"jump": 2, "props": False}),
        ("resize", {"jump-height": "4ft", "travel": 2}, {"jump_height": 1.2192, "travel": 2.0}),
        ("block", {"pose": {"crouch": 2}, "again": True}, {"poses": {"crouch": 2}, "again": True}),
        ("check", {"style": "fall=2"}, {"style": {"fall": 2.0, "push": 1.0, "hang": 0.0}}),
        ("check", {"intended": {"hangs": "style"}}, {"intended": {"hangs": "style"}}),
    ],
)  # fmt: skip
def test_options_become_arguments(verb, given, ask):
    got = ask_of(verb, given)
    assert {name: got[name] for name in ask} == ask
    assert not {"rig_file", "root", "cog", "feet", "dry_run"} & set(got)
    json.dumps(got)


# Lines


def test_lines_are_where_the_keys_are():
    """Random files in which every value is the number of the line its key stands on."""
    for seed in range(60):
        text = written(random.Random(seed))
        lines = line_numbers(text)
        checked = 0
        for place, value in leaves(tomllib.loads(text)):
            assert lines[place] == value, (seed, place, text)
            checked += 1
        assert checked > 3


def leaves(value: Any, place: tuple[Any, ...] = ()) -> Any:
    if isinstance(value, dict):
        for key, item in value.items():
            yield from leaves(item, (*place, key))
    elif isinstance(value, list):
        for i, item in enumerate(value):
            yield from leaves(item, (*place, i))
    elif isinstance(value, int) and not isinstance(value, bool):
        yield place, value


def written(chance: random.Random) -> str:
    lines: list[str] = []
    fillers = [
        "",
        "# a = [1",
        'text{n} = """\n]] "quoted" \\"""\nx = 1 """',
        "raw{n} = '''\n[a]\n'''",
    ]
    fillers += ['say{n} = "# no \\" comment"', "s{n} = 'it\\'", '"a.b ]{n}" = "["', "on{n} = true"]

    def add(text: str) -> None:
        lines.extend(text.split("\n"))

    for number in range(chance.randint(4, 12)):
        for _ in range(chance.randint(0, 3)):
            add(chance.choice(fillers).replace("{n}", f"{number}_{len(lines)}"))
        now = len(lines) + 1
        kind = chance.randint(0, 4)
        if kind == 0:
            add(f"k{number} = {now}  # k = 3")
        elif kind == 1:
            add(f'd{number}."x y".z = {now}')
        elif kind == 2:
            add(f"l{number} = [ {now}, # ]\n  {now + 1},\n\n  [{now + 3}], ]")
        elif kind == 3:
            add(f"i{number} = {{ a = {now}, b = {{ c = {now}, 'd' = [{now}] }} }}")
        else:
            head = chance.choice(
                ["[[many]]", f"[t{number}]", f"[t{number}.'u.v']", "[[many.more]]"]
            )
            if head == "[[many.more]]" and "[[many]]" not in lines:
                head = "[[many]]"
            add(head)
            add(f"k{number} = {len(lines) + 1}")
    return "\n".join(lines) + "\n"


# The schema


def test_the_published_schema_is_the_one_of_the_code():
    """Written by: leapwright batch --schema > core/leapwright/batch/jobs.schema.json."""
    text = (files("leapwright.batch") / "jobs.schema.json").read_text(encoding="utf-8")
    assert json.loads(text) == schema()


def test_the_schema_knows_what_the_reader_knows():
    made = schema()
    for verb in VERBS:
        table = made["$defs"][f"{verb.capitalize()}Options"]
        assert set(table["properties"]) == {option.key for option in options_of(verb)}
        assert table["additionalProperties"] is False
    assert '"null"' not in json.dumps(made)
    # Where a list may be one text, the schema says so, and sizes have their least.
    kinds = {one["type"] for one in made["$defs"]["Job"]["properties"]["files"]["anyOf"]}
    assert kinds == {"string", "array"}
    assert made["properties"]["memory"]["anyOf"][0]["exclusiveMinimum"] == 0
    assert set(made["properties"]) == set(tomllib.loads(GOOD))
