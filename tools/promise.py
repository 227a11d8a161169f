# SPDX-License-Identifier: GPL-3.0-or-later
"""What Leapwright promises to keep: names, parameters, verbs, options, exit codes, JSON keys.

``tests/core/promise.toml`` holds the promise; a test fails when anything in it vanishes. New things
are promised by writing it anew, which takes nothing away: ``.venv/bin/python tools/promise.py
--write``. To take something away, delete its line by hand and say so in CHANGELOG.md.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import io
import json
import os
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
PROMISE = ROOT / "tests" / "core" / "promise.toml"
SAMPLES = ROOT / "blend_samples"
SOURCES = {"leapwright": ROOT / "core", "leapwright_blender": ROOT / "addon"}
HEAD = """\
# SPDX-License-Identifier: GPL-3.0-or-later
# What stays: see tools/promise.py, which writes this file.
"""
Promise = dict[str, dict[str, Any]]


# --- Python, from the source, so that the Blender layer needs no Blender --------------------------


def python_names() -> dict[str, list[str]]:
    """Parameters of every public function and method; fields, methods of every public class."""
    found: dict[str, list[str]] = {}
    for package, source in SOURCES.items():
        tree = _tree(source / package / "__init__.py")
        for name in _exported(tree):
            home = _home(tree, name, package)
            node = _definition(_tree(source / home), name) if home else None
            found |= _described(f"{package}.{name}", node)
    return found


def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def _exported(tree: ast.Module) -> list[str]:
    for node in tree.body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return list(ast.literal_eval(node.value))
    raise ValueError("a package without __all__")


def _home(tree: ast.Module, name: str, package: str) -> Path | None:
    """The file that a name of a package comes from."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and name in [a.name for a in node.names]:
            module = node.module or ""
            full = f"{package}.{module}" if node.level else module
            return Path(full.replace(".", "/") + ".py")
    return None


def _definition(tree: ast.Module, name: str) -> ast.stmt | None:
    kinds = ast.FunctionDef | ast.ClassDef
    return next((n for n in tree.body if isinstance(n, kinds) and n.name == name), None)


def _described(name: str, node: ast.stmt | None) -> dict[str, list[str]]:
    if isinstance(node, ast.FunctionDef):
        return {name: _parameters(node)}
    if not isinstance(node, ast.ClassDef):
        return {name: []}
    fields, described = [], {}
    for item in node.body:
        if isinstance(item, ast.AnnAssign) and isinstance(item.target, ast.Name):
            fields.append(item.target.id)
        elif isinstance(item, ast.FunctionDef) and not item.name.startswith("_"):
            if any(ast.unparse(d) == "property" for d in item.decorator_list):
                fields.append(item.name)
            else:
                described[f"{name}.{item.name}"] = _parameters(item)
    return {name: [f for f in fields if not f.startswith("_")], **described}


def _parameters(node: ast.FunctionDef) -> list[str]:
    arguments = node.args
    every = [*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs]
    return [a.arg for a in every if a.arg not in ("self", "cls")]


# --- The command line ----------------------------------------------------------------------------


def verbs() -> dict[str, list[str]]:
    """Options of every verb."""
    import typer

    from leapwright.cli.app import app

    commands = typer.main.get_command(app).commands  # type: ignore[attr-defined]
    return {
        verb: [o for p in command.params for o in (*p.opts, *p.secondary_opts) if o[0] == "-"]
        for verb, command in commands.items()
    }


def exit_codes() -> dict[str, int]:
    """What a run may end with."""
    from leapwright.cli import app

    return {"done": 0, "failed": app.FAILED, "usage": app.USAGE}


# --- JSON ----------------------------------------------------------------------------------------

PLAIN_LINES = {
    "plan": ["--jump-height", "4ft", "--push-height", "1ft", "--landing-level", "2ft"],
    "chart": ["--rise-frames", "8,12"],
}
JUMP = ["--jump-height", "85cm", "--push-height", "30cm"]
HOPS = [str(SAMPLES / "hare_first_hops.blend"), "--rig", "Hare"]
HARE, OTHER = ["shot.blend", "--rig", "Hare"], ["-o", "other.blend"]
HOST_LINES = {
    "block": [str(SAMPLES / "hare.blend"), "--rig", "Hare", *JUMP, "-o", "shot.blend"],
    "spline": [*HARE, *OTHER],
    "retime": [*HARE, "--snappiness", "1.5", *OTHER],
    "resize": [*HARE, "--times-height", "1.2", *OTHER],
    "check": HOPS,
    "fix": [*HOPS, "--jump", "1", "--dry-run"],
    "cog": HARE,
}
"""One after the other in one folder: block makes the file of the others."""


def told(verb: str, words: list[str]) -> Any:
    """What a verb prints as JSON, run here."""
    from leapwright.cli.app import run

    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = run([verb, *words, "--json"])
    if code == 2 or not out.getvalue():
        raise RuntimeError(f"{verb}: {err.getvalue()}")
    return json.loads(out.getvalue())


def json_keys(answer: Any) -> list[str]:
    """Every key of an answer with those that it lies in: ``jumps[].moments.land``."""
    return sorted(set(_keys(answer, "")))


def _keys(answer: Any, place: str) -> Iterator[str]:
    if isinstance(answer, list):
        for item in answer:
            yield from _keys(item, f"{place}[]")
    elif isinstance(answer, Mapping):
        for key, value in answer.items():
            below = f"{place}.{key}" if place else key
            yield below
            # What was asked, a threshold or a foot has whatever name it was given.
            if key != "asked":
                yield from _keys(value, below)


ALL_AT_ONCE = """
import json, os, sys
from leapwright.cli.app import run
data = os.dup(1)
for line in json.loads(sys.argv[1]):
    run(line)
    # Each verb turns its stdout over to the talk of the host.
    os.dup2(data, 1)
sys.stdout.flush()
os._exit(0)
"""
"""One process for all, since loading bpy takes longest; it ends before bpy winds down."""


def host_answers() -> dict[str, list[str]]:
    """Keys of the verbs that need bpy, run on the hare in a folder of their own."""
    places = os.pathsep.join(str(source) for source in SOURCES.values())
    environment = {**os.environ, "PYTHONPATH": places, "PYTHONIOENCODING": "utf-8"}
    lines = [[verb, *words, "--json"] for verb, words in HOST_LINES.items()]
    with tempfile.TemporaryDirectory(prefix="leapwright-") as folder:
        done = subprocess.run(
            [sys.executable, "-c", ALL_AT_ONCE, json.dumps(lines)],
            cwd=folder, env=environment, capture_output=True, encoding="utf-8", check=False,
        )  # fmt: skip
    answers, text = [], done.stdout.lstrip()
    while text:
        answer, end = json.JSONDecoder().raw_decode(text)
        answers.append(json_keys(answer))
        text = text[end:].lstrip()
    if len(answers) != len(lines):
        raise RuntimeError(f"{len(answers)} of {len(lines)} verbs answered: {done.stderr[-2000:]}")
    return dict(zip(HOST_LINES, answers, strict=True))


# --- The promise ---------------------------------------------------------------------------------


def read() -> Promise:
    """What is promised."""
    return tomllib.loads(PROMISE.read_text(encoding="utf-8"))


def found(*, host: bool) -> Promise:
    """What there is; `host` runs the verbs that need bpy as well."""
    answers = {verb: json_keys(told(verb, words)) for verb, words in PLAIN_LINES.items()}
    if host:
        answers |= host_answers()
    return {
        "exit_codes": exit_codes(),
        "command_line": verbs(),
        "json": answers,
        "python": python_names(),
    }


def vanished(promised: Promise, there: Promise) -> list[str]:
    """What is promised and is not there any more, as a person would name it."""
    gone = []
    for part, names in promised.items():
        for name, items in names.items():
            now = there[part].get(name)
            if now is None:
                gone.append(f"{part}: {name}")
            elif isinstance(items, list):
                gone += [f"{part}: {name}: {item}" for item in items if item not in now]
            elif now != items:
                gone.append(f"{part}: {name} is {now}, was {items}")
    return gone


def joined(promised: Promise, there: Promise) -> Promise:
    """The promise with all that is new added to it."""
    whole: Promise = {}
    for part, names in there.items():
        kept = {**promised.get(part, {})}
        for name, items in names.items():
            if isinstance(items, list):
                old = kept.get(name, [])
                kept[name] = [*old, *(item for item in items if item not in old)]
            else:
                kept.setdefault(name, items)
        whole[part] = kept
    return whole


def to_toml(promise: Promise) -> str:
    """The promise as a file, one line an item, so that a diff shows what came and went."""
    lines = [HEAD]
    for part, names in promise.items():
        lines.append(f"[{part}]")
        for name, items in names.items():
            key = json.dumps(name) if "." in name else name
            if not isinstance(items, list):
                lines.append(f"{key} = {items}")
            elif not items:
                lines.append(f"{key} = []")
            else:
                inner = "".join(f"    {json.dumps(i, ensure_ascii=False)},\n" for i in items)
                lines.append(f"{key} = [\n{inner}]")
        lines.append("")
    return "\n".join(lines)


def main() -> int:
    """Say what vanished and what is new; write what is new down where asked."""
    parser = argparse.ArgumentParser(description="What Leapwright promises to keep.")
    parser.add_argument("--write", action="store_true", help="promise what is new as well")
    asked = parser.parse_args()
    promised = read() if PROMISE.exists() else {}
    there = found(host=True)
    gone = vanished(promised, there)
    for line in gone:
        print(f"vanished: {line}", file=sys.stderr)
    fresh = vanished(
        joined(promised, there), promised | {k: {} for k in there if k not in promised}
    )
    print(f"{len(gone)} vanished, {len(fresh)} new", file=sys.stderr)
    if asked.write:
        PROMISE.write_text(to_toml(joined(promised, there)), encoding="utf-8", newline="\n")
    return 1 if gone or (fresh and not asked.write) else 0


if __name__ == "__main__":
    sys.exit(main())
