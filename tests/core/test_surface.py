# SPDX-License-Identifier: GPL-3.0-or-later
"""The public surface: every `__all__` is whole, and every name in it is documented.

What a package exports says what each of its parameters or fields is, too.

Read from the source, so that the Blender layer is checked where there is no Blender.
"""

from __future__ import annotations

import ast
import functools
import importlib
import inspect
import re
from pathlib import Path

import pytest

import leapwright

ROOT = Path(__file__).parents[2]
PACKAGES = {
    "leapwright": ROOT / "core" / "leapwright",
    "leapwright_blender": ROOT / "addon" / "leapwright_blender",
}
EDGES = ("cli", "report", "batch")
Definition = ast.FunctionDef | ast.ClassDef


def files() -> list[tuple[str, Path]]:
    return [
        (f"{name}/{path.relative_to(folder).as_posix()}", path)
        for name, folder in PACKAGES.items()
        for path in sorted(folder.rglob("*.py"))
        if path.name != "__main__.py" and path.relative_to(folder).parts[0] not in EDGES
    ]


def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def surface(tree: ast.Module) -> list[str] | None:
    """The names in ``__all__``, or None where there is none."""
    for node in tree.body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return list(ast.literal_eval(node.value))
    return None


def bound_names(tree: ast.Module) -> dict[str, ast.stmt]:
    """Names that a module binds itself, or takes from its own package, at its top level."""
    names: dict[str, ast.stmt] = {}
    # A package that loads its modules late names them for type checkers.
    late = [node for node in tree.body if isinstance(node, ast.If) and is_typing(node)]
    for node in [*tree.body, *(inner for block in late for inner in block.body)]:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            names[node.name] = node
        elif isinstance(node, ast.Assign):
            names |= {t.id: node for t in node.targets if isinstance(t, ast.Name)}
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            names[node.target.id] = node
        elif isinstance(node, ast.ImportFrom) and (node.level or is_ours(node.module or "")):
            names |= {alias.asname or alias.name: node for alias in node.names}
    return names


def is_typing(node: ast.If) -> bool:
    return ast.unparse(node.test) == "TYPE_CHECKING"


def is_ours(module: str) -> bool:
    return module.partition(".")[0] in PACKAGES


def public_definitions() -> list[tuple[str, Definition, str]]:
    """Functions and classes in any ``__all__``, where they are defined."""
    found = []
    for name, path in files():
        tree = tree_of(path)
        bound = bound_names(tree)
        for public in surface(tree) or ():
            node = bound.get(public)
            if isinstance(node, ast.FunctionDef | ast.ClassDef):
                found.append((f"{name}:{public}", node, name))
    return found


@functools.cache
def exported_from(where: str) -> frozenset[str]:
    """What the package of a file gives to its users: the ``__all__`` of its ``__init__``."""
    package = PACKAGES[where.partition("/")[0]]
    return frozenset(surface(tree_of(package / "__init__.py")) or ())


def parameters(node: ast.FunctionDef) -> list[str]:
    arguments = node.args
    every = [*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs]
    return [a.arg for a in every if not a.arg.startswith("_")]


def fields(node: ast.ClassDef) -> list[str]:
    """Public fields of a dataclass; none for other classes."""
    if not any("dataclass" in ast.unparse(d) for d in node.decorator_list):
        return []
    return [
        item.target.id
        for item in node.body
        if isinstance(item, ast.AnnAssign)
        and isinstance(item.target, ast.Name)
        and not item.target.id.startswith("_")
        and "ClassVar" not in ast.unparse(item.annotation)
    ]


def bare_methods(node: Definition) -> list[str]:
    """Public methods and properties of a class that have no docstring."""
    return [
        item.name
        for item in node.body
        if isinstance(node, ast.ClassDef)
        and isinstance(item, ast.FunctionDef)
        and not item.name.startswith("_")
        and not ast.get_docstring(item)
    ]


def undocumented(node: Definition) -> list[str]:
    """Parameters or fields that the docstring does not name."""
    names = parameters(node) if isinstance(node, ast.FunctionDef) else fields(node)
    text = ast.get_docstring(node) or ""
    # An entry starts its line, alone or in a list: "height, time : float".
    entries = re.findall(r"^\*{0,2}([\w, ]+?)(?: *:.*)?$", text, flags=re.MULTILINE)
    listed = {name.strip() for entry in entries for name in entry.split(",")}
    listed |= set(re.findall(r"`(\w+)`", text))
    return [name for name in names if name not in listed]


@pytest.mark.parametrize(("name", "path"), files(), ids=[name for name, _ in files()])
def test_all_is_whole(name, path):
    tree = tree_of(path)
    declared = surface(tree)
    assert declared is not None, "the module has no __all__"
    bound = bound_names(tree)
    missing = sorted(set(declared) - set(bound))
    assert missing == [], "__all__ names what is not there"
    assert sorted(declared) == sorted(set(declared)), "__all__ names something twice"
    own = {
        public
        for public, node in bound.items()
        if not public.startswith("_")
        and (isinstance(node, ast.ClassDef | ast.FunctionDef) or path.name == "__init__.py")
    }
    assert own - set(declared) == set(), "public by name, but not in __all__"
    assert ast.get_docstring(tree), "the module has no docstring"


@pytest.mark.parametrize(
    ("node", "where"),
    [(node, where) for _, node, where in public_definitions()],
    ids=[name for name, _, _ in public_definitions()],
)
def test_public_is_documented(node, where):
    assert ast.get_docstring(node), "no docstring"
    if node.name in exported_from(where):
        assert undocumented(node) == []
        assert bare_methods(node) == []


def test_the_stable_names_are_there():
    assert {"plan", "chart"} <= set(leapwright.__all__)
    blender = PACKAGES["leapwright_blender"] / "__init__.py"
    assert "open_shot" in (surface(tree_of(blender)) or ())


def exported() -> list[str]:
    return [name for name in leapwright.__all__ if not name.startswith("__")]


@pytest.mark.parametrize("name", exported())
def test_exported_is_real_and_functions_show_an_example(name):
    thing = getattr(leapwright, name)
    if inspect.isfunction(thing):
        assert ">>>" in (thing.__doc__ or ""), "no example that runs"
    if inspect.isclass(thing) or inspect.isfunction(thing):
        assert is_ours(thing.__module__)
        home = importlib.import_module(thing.__module__)
        assert name in home.__all__, "exported, but not public where it lives"


def test_the_check_sees_what_is_missing():
    function = ast.parse(
        'def f(a, *, b, c):\n    """Do.\n\n    a, b : float\n        Yes.\n    """'
    )
    assert undocumented(function.body[0]) == ["c"]
    record = ast.parse(
        '@dataclass(frozen=True)\nclass R:\n    """R.\n\n    x : int\n    """\n    x: int\n    y: R'
    )
    assert undocumented(record.body[0]) == ["y"]
    bare = ast.parse(
        "class C:\n    def seen(self):\n        pass\n    def _own(self):\n        pass"
    )
    assert bare_methods(bare.body[0]) == ["seen"]
    module = ast.parse("from .a import b\n__all__ = ['b', 'd']\ndef c(): pass")
    assert set(bound_names(module)) == {"b", "__all__", "c"}
    assert surface(module) == ["b", "d"]
