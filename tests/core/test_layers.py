# SPDX-License-Identifier: GPL-3.0-or-later
"""Imports point one way: core, Blender layer, extension. Read from the source, nothing is run."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SOURCES = {
    "leapwright": ROOT / "core" / "leapwright",
    "leapwright_blender": ROOT / "addon" / "leapwright_blender",
    "leapwright_ext": ROOT / "addon" / "leapwright_ext",
}
STDLIB = sys.stdlib_module_names
# The parts of the core package that may use the extras.
EDGES = ("leapwright.cli", "leapwright.report", "leapwright.batch", "leapwright.disk")
FOR_BLENDER = ("leapwright.report", "leapwright.disk")
# What reaches outside the process; the solver takes arrays and gives arrays.
IO_MODULES = {
    "ftplib", "glob", "http", "io", "logging", "mmap", "os", "pathlib", "shutil", "socket",
    "sqlite3", "subprocess", "tempfile", "urllib",
}  # fmt: skip
IO_CALLS = {"input", "open", "print"}
UI_CLASSES = {"AddonPreferences", "Gizmo", "Header", "Menu", "Operator", "Panel", "UIList"}


@dataclass(frozen=True, slots=True)
class Layer:
    """Roots a layer may import beside the standard library."""

    name: str
    allowed: frozenset[str]


CORE = Layer("core", frozenset({"numpy", "leapwright"}))
EDGE = Layer(
    "edge",
    frozenset(
        {"numpy", "leapwright", "leapwright_blender", "bpy", "typer", "click", "rich", "pint"}
        | {"matplotlib", "PIL", "jinja2", "dask", "distributed", "psutil", "pydantic"}
    ),
)
BLENDER = Layer(
    "blender", frozenset({"numpy", "leapwright", "leapwright_blender", "bpy", "mathutils"})
)
EXTENSION = Layer(
    "extension",
    BLENDER.allowed | {"leapwright_ext", "blf", "gpu", "gpu_extras", "bpy_extras"},
)


def layer_of(module: str) -> Layer:
    if is_under(module, *EDGES):
        return EDGE
    by_root = {"leapwright": CORE, "leapwright_blender": BLENDER, "leapwright_ext": EXTENSION}
    return by_root[module.partition(".")[0]]


def is_under(module: str, *packages: str) -> bool:
    return any(module == package or module.startswith(package + ".") for package in packages)


def modules() -> list[tuple[str, Path]]:
    found = []
    for root, folder in SOURCES.items():
        for path in sorted(folder.rglob("*.py")):
            parts = path.relative_to(folder).with_suffix("").parts
            found.append((".".join((root, *parts)), path))
    return found


def imports(tree: ast.AST, module: str) -> Iterator[tuple[str, int]]:
    """Every module named in an import, relative ones made whole, with its line."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                # `module` still ends in __init__ for a package, so one level is always its folder.
                here = module.split(".")[: -node.level]
                base = ".".join([*here, *([base] if base else [])])
            yield base, node.lineno
            for alias in node.names:
                yield f"{base}.{alias.name}", node.lineno


def at_import_time(tree: ast.Module) -> Iterator[ast.stmt]:
    """Statements that run when the module is imported, typing-only blocks aside."""
    waiting: list[ast.stmt] = list(tree.body)
    while waiting:
        node = waiting.pop()
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            continue
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            waiting += node.orelse
            continue
        yield node
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.stmt):
                waiting.append(child)
            elif isinstance(child, ast.ExceptHandler | ast.match_case):
                waiting += child.body


def violations(source: str, module: str) -> list[str]:
    """What a module's source does that its layer may not; empty when it keeps to it."""
    tree = ast.parse(source)
    layer = layer_of(module)
    found = []
    for name, line in imports(tree, module):
        root = name.partition(".")[0]
        if root not in STDLIB and root not in layer.allowed:
            found.append(f"{line}: {layer.name} imports {name}")
        if layer is CORE and root in IO_MODULES:
            found.append(f"{line}: core does I/O with {name}")
        if is_under(name, *closed_edges(layer)) and module != "leapwright.__main__":
            found.append(f"{line}: {layer.name} imports {name}")
    if layer is CORE:
        found += core_calls(tree)
    if layer is EDGE:
        found += eager_host(tree, module)
    if layer is BLENDER:
        found += interface_classes(tree)
    if module != "leapwright_blender.host":
        found += version_tests(tree)
    return found


def closed_edges(layer: Layer) -> tuple[str, ...]:
    """The edges that a layer may not import; the Blender layer asks for pictures, writes files."""
    if layer is EDGE:
        return ()
    return tuple(edge for edge in EDGES if layer is not BLENDER or edge not in FOR_BLENDER)


def core_calls(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and ast.unparse(node.func) in IO_CALLS:
            yield f"{node.lineno}: core calls {ast.unparse(node.func)}()"


def eager_host(tree: ast.Module, module: str) -> Iterator[str]:
    """`plan` and `chart` work without Blender, so the layer over it is imported late."""
    for statement in at_import_time(tree):
        if isinstance(statement, ast.Import | ast.ImportFrom):
            for name, line in imports(statement, module):
                if is_under(name, "leapwright_blender", "bpy"):
                    yield f"{line}: edge imports {name} before it is needed"


def interface_classes(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef):
            for base in node.bases:
                if ast.unparse(base).rpartition(".")[2] in UI_CLASSES:
                    yield f"{node.lineno}: the Blender layer has the UI class {node.name}"


def version_tests(tree: ast.AST) -> Iterator[str]:
    """`bpy.app.version` and its likes, however the module was imported or named."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and node.attr.startswith("version"):
            owner = ast.unparse(node.value)
            if owner == "app" or owner.endswith(".app"):
                yield f"{node.lineno}: tests the host's version outside host.py"
        elif isinstance(node, ast.ImportFrom) and node.module == "bpy.app":
            names = [alias.name for alias in node.names if alias.name.startswith("version")]
            yield from (f"{node.lineno}: takes {name} outside host.py" for name in names)


def test_all_three_layers_are_read():
    read = [module.partition(".")[0] for module, _ in modules()]
    assert set(read) == set(SOURCES)


@pytest.mark.parametrize(("module", "path"), modules(), ids=[name for name, _ in modules()])
def test_layer(module, path):
    assert violations(path.read_text(encoding="utf-8"), module) == []


def test_source_roots_are_no_packages():
    assert not (ROOT / "core" / "__init__.py").exists()
    assert not (ROOT / "addon" / "__init__.py").exists()


BAD = [
    ("leapwright.frames", "import bpy"),
    ("leapwright.frames", "def late():\n    from bpy import data"),
    ("leapwright.frames", "import rich.table"),
    ("leapwright.frames", "import scipy"),
    ("leapwright.frames", "from pathlib import Path"),
    ("leapwright.frames", "import leapwright_blender"),
    ("leapwright.frames", "from leapwright.cli import main"),
    ("leapwright.frames", "from leapwright import cli"),
    ("leapwright.frames", "from . import cli"),
    ("leapwright.__init__", "from .cli import main"),
    ("leapwright.deep.room", "from ..cli import main"),
    ("leapwright.frames", "print('talk')"),
    ("leapwright.frames", "text = open('shot').read()"),
    ("leapwright.cli.app", "import leapwright_blender"),
    (
        "leapwright.cli.app",
        "try:\n    from leapwright_blender import open_shot\nexcept E:\n    pass",
    ),
    ("leapwright.cli.app", "import bpy"),
    ("leapwright.cli.app", "def late():\n    import mathutils"),
    ("leapwright.cli.app", "import leapwright_ext"),
    ("leapwright_blender.rig", "import leapwright_ext"),
    ("leapwright_blender.rig", "from leapwright.cli import main"),
    ("leapwright_blender.rig", "import typer"),
    ("leapwright_blender.rig", "import PIL.Image"),
    ("leapwright.frames", "from leapwright.report import strip"),
    ("leapwright.frames", "from leapwright.disk import write_whole"),
    ("leapwright_ext.tab", "from leapwright.disk import write_whole"),
    ("leapwright_ext.tab", "from leapwright.report import strip"),
    ("leapwright_blender.rig", "import bpy\nclass Tab(bpy.types.Panel):\n    pass"),
    ("leapwright_blender.rig", "import bpy\nnew = bpy.app.version >= (5, 0)"),
    ("leapwright_blender.rig", "from bpy import app\nnew = app.version_string"),
    ("leapwright_blender.rig", "from bpy.app import version"),
    ("leapwright_ext.tab", "import bpy\nold = bpy.app.version < (4, 5)"),
    ("leapwright_ext.tab", "from leapwright.cli import main"),
    ("leapwright_ext.tab", "import pint"),
]


@pytest.mark.parametrize(("module", "source"), BAD)
def test_what_is_not_allowed_is_seen(module, source):
    assert violations(source, module) != []


GOOD = [
    ("leapwright.frames", "import math\nimport numpy as np\nfrom .path import Path"),
    ("leapwright.__main__", "from leapwright.cli import main"),
    (
        "leapwright.cli.app",
        "import typer\ndef late():\n    from leapwright_blender import open_shot",
    ),
    ("leapwright_blender.host", "import bpy\nnew = bpy.app.version >= (5, 0)"),
    ("leapwright_blender.rig", "import bpy, mathutils, numpy\nfrom leapwright.naming import find"),
    ("leapwright_blender.strip", "from leapwright.report import strip"),
    ("leapwright_ext.tab", "import bpy, gpu\nfrom leapwright_blender import block"),
]


@pytest.mark.parametrize(("module", "source"), GOOD)
def test_what_is_allowed_passes(module, source):
    assert violations(source, module) == []
