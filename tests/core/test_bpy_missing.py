# SPDX-License-Identifier: GPL-3.0-or-later
"""What is said when bpy does not load."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from leapwright.bpy_missing import explain

LIBRARIES = {
    "libXrender.so.1": "libxrender1",
    "libXi.so.6": "libxi6",
    "libXxf86vm.so.1": "libxxf86vm1",
    "libXfixes.so.3": "libxfixes3",
    "libSM.so.6": "libsm6",
    "libICE.so.6": "libice6",
    "libGL.so.1": "libgl1",
    "libEGL.so.1": "libegl1",
    "libxkbcommon.so.0": "libxkbcommon0",
    "libX11.so.6": "libx11-6",
    "libXext.so.6": "libxext6",
    "libgomp.so.1": "libgomp1",
}


@pytest.mark.parametrize(("library", "package"), LIBRARIES.items())
def test_a_missing_library_is_named_with_its_package(library, package):
    text = f"{library}: cannot open shared object file: No such file or directory"
    lines = explain(ImportError(text)).splitlines()
    assert f"the system library {library} is missing" in lines[0]
    assert lines[1].split() == ["Debian,", "Ubuntu", "apt-get", "install", package]
    assert package in lines[-1].split()


def test_a_library_out_of_the_table_is_named_too():
    text = "libfoo-2.1.so.7: cannot open shared object file: No such file or directory"
    assert "libfoo-2.1.so.7" in explain(ImportError(text))
    assert "apt-get" not in explain(ImportError(text))


@pytest.mark.parametrize("python", [(3, 11), (3, 13)])
def test_not_installed_where_there_is_one(monkeypatch, python):
    monkeypatch.setattr(sys, "version_info", (*python, 0))
    assert 'pip install "leapwright[blender]"' in explain(ModuleNotFoundError(name="bpy"))


def test_not_installed_where_there_is_none(monkeypatch):
    monkeypatch.setattr(sys, "version_info", (3, 12, 4))
    said = explain(ModuleNotFoundError(name="bpy"))
    assert "there is none for Python 3.12" in said
    assert "pip install" not in said


def test_a_module_that_bpy_itself_lacks_is_not_taken_for_bpy():
    said = explain(ModuleNotFoundError("No module named 'numpy'", name="numpy"))
    assert said.endswith("No module named 'numpy'")


def test_an_old_system_and_windows():
    old = "/lib/libc.so.6: version `GLIBC_2.34' not found (required by bpy/__init__.so)"
    assert "GLIBC_2.34" in explain(ImportError(old))
    windows = "DLL load failed while importing bpy: The specified module could not be found."
    assert "Visual C++" in explain(ImportError(windows))


def test_the_module_stays_free_of_bpy():
    root = Path(__file__).parents[2]
    code = "import sys, leapwright.bpy_missing; sys.exit('bpy' in sys.modules)"
    environment = {**os.environ, "PYTHONPATH": str(root / "core")}
    run = subprocess.run([sys.executable, "-c", code], env=environment, check=False)
    assert run.returncode == 0
