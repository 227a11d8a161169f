# SPDX-License-Identifier: GPL-3.0-or-later
"""The script that finds a Python, with a PATH of made-up programs."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "tools" / "find-python"
SH = shutil.which("sh")

pytestmark = pytest.mark.skipif(SH is None, reason="the script is for make, which comes with sh")

BROKEN_SHIM = 'echo "command not found in this version" >&2; exit 127'
UV = 'echo "uv 1.0"'


def python(version: str, path: str) -> str:
    """Body of a program that answers like a Python with venv and pip."""
    return f'echo "{version} {path}"'


def without_venv(version: str) -> str:
    """Body of a program that runs, but fails when asked for venv."""
    return f'case "$2" in *ensurepip*) exit 1;; esac; echo "{version}"'


@pytest.fixture
def find(tmp_path: Path):
    """Run the script where only the given programs exist."""

    def run(programs: dict[str, str], *versions: str, **environment: str):
        folder = tmp_path / "bin"
        for name, body in programs.items():
            program = (folder / name) if "/" not in name else (tmp_path / name)
            program.parent.mkdir(parents=True, exist_ok=True)
            program.write_text(f"#!{SH}\n{body}\n", encoding="utf-8", newline="\n")
            program.chmod(0o755)
        environment = {"PATH": str(folder), "HOME": str(tmp_path / "home"), **environment}
        return subprocess.run(
            [SH, str(SCRIPT), *versions],
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )

    return run


def test_the_first_version_wins(find):
    programs = {"python3.11": python("3.11", "/a/3.11"), "python3.13": python("3.13", "/a/3.13")}
    assert find(programs, "3.13", "3.11").stdout == "/a/3.13\n"
    assert find(programs, "3.11", "3.13").stdout == "/a/3.11\n"


def test_a_shim_that_does_not_run_is_passed_over(find):
    programs = {"python3.13": BROKEN_SHIM, "python3.11": python("3.11", "/a/3.11")}
    answer = find(programs, "3.13", "3.11")
    assert (answer.returncode, answer.stdout) == (0, "/a/3.11\n")


def test_an_interpreter_behind_the_broken_shim_is_found(find):
    real = "/".join(("home", ".pyenv", "versions", "3.13.9", "bin", "python3.13"))
    programs = {"python3.13": BROKEN_SHIM, real: python("3.13", "/a/real 3.13")}
    assert find(programs, "3.13").stdout == "/a/real 3.13\n"


def test_the_root_of_versions_may_be_elsewhere_and_hold_spaces(find, tmp_path):
    programs = {"my pythons/versions/3.11.7/bin/python3.11": python("3.11", "/a/3.11")}
    answer = find(programs, "3.13", "3.11", PYENV_ROOT=str(tmp_path / "my pythons"))
    assert answer.stdout == "/a/3.11\n"


@pytest.mark.parametrize("name", ["python3", "python"])
def test_a_plain_name_counts_only_with_the_right_version(find, name):
    programs = {name: python("3.12", "/a/3.12")}
    assert find(programs, "3.13", "3.11").returncode == 2
    assert find(programs, "3.12").stdout == "/a/3.12\n"


def test_the_launcher_of_windows_is_asked(find):
    launcher = f'[ "$1" = -3.11 ] || exit 103\n{python("3.11", "C:/Python311/python.exe")}'
    assert find({"py": launcher}, "3.13", "3.11").stdout == "C:/Python311/python.exe\n"


def test_the_one_named_comes_first(find, tmp_path):
    programs = {
        "python3.13": python("3.13", "/a/3.13"),
        "other dir/python": python("3.11", "/other/3.11"),
    }
    named = str(tmp_path / "other dir" / "python")
    assert find(programs, "3.13", "3.11", PYTHON=named).stdout == "/other/3.11\n"


def test_one_named_that_does_not_fit_is_said(find):
    programs = {"python3.13": python("3.13", "/a/3.13"), "old": python("3.9", "/a/3.9")}
    answer = find(programs, "3.13", PYTHON="old")
    assert answer.stdout == "/a/3.13\n"
    assert "PYTHON=old is not a Python 3.13 that runs" in answer.stderr


def test_uv_is_the_last_resort(find):
    assert find({"uv": UV, "python3.13": BROKEN_SHIM}, "3.13", "3.11").stdout == "uv:3.13\n"
    programs = {"uv": UV, "python3.11": python("3.11", "/a/3.11")}
    assert find(programs, "3.13", "3.11").stdout == "/a/3.11\n"


def test_a_uv_that_does_not_run_is_no_help(find):
    answer = find({"uv": BROKEN_SHIM}, "3.13")
    assert answer.returncode == 2
    assert "uv: is there, but does not run" in answer.stderr


def test_none_says_what_to_install(find):
    answer = find({}, "3.13", "3.11")
    assert answer.returncode == 2
    assert answer.stdout == ""
    assert answer.stderr.startswith("No Python 3.13 or 3.11 that runs was found")
    for line in ("apt-get install python3.13", "brew install python@3.13", "PYTHON=/path/to/"):
        assert line in answer.stderr


def test_none_says_what_was_tried(find):
    programs = {"python3.13": BROKEN_SHIM, "python3.11": without_venv("3.11")}
    answer = find(programs, "3.13", "3.11")
    assert answer.returncode == 2
    assert "python3.13: is there, but does not run" in answer.stderr
    assert "apt-get install python3.11-venv" in answer.stderr


def test_a_real_python_answers():
    version = "{}.{}".format(*sys.version_info[:2])
    environment = {**os.environ, "PYTHON": sys.executable}
    answer = subprocess.run(
        [SH, str(SCRIPT), version], env=environment, capture_output=True, text=True, check=True
    )
    found = answer.stdout.strip()
    assert Path(found).resolve() == Path(sys._base_executable).resolve()


def test_make_venv_leaves_nothing_behind_without_a_python(tmp_path):
    folder = tmp_path / "venv"
    tools = {name: shutil.which(name) for name in ("dirname", "sh", "rm")}
    (tmp_path / "bin").mkdir()
    for name, program in tools.items():
        (tmp_path / "bin" / name).symlink_to(program)
    answer = subprocess.run(
        [SH, str(SCRIPT.with_name("make-venv")), str(folder), "3.13 3.11"],
        env={"PATH": str(tmp_path / "bin"), "HOME": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert answer.returncode == 2
    assert "No Python 3.13 or 3.11" in answer.stderr
    assert not folder.exists()


def test_make_venv_never_empties_a_folder_of_somebody_else(tmp_path):
    folder = tmp_path / "work"
    folder.mkdir()
    (folder / "shot.blend").write_bytes(b"mine")
    answer = subprocess.run(
        [SH, str(SCRIPT.with_name("make-venv")), str(folder), "3.13"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert answer.returncode == 2
    assert "is no virtual environment" in answer.stderr
    assert (folder / "shot.blend").read_bytes() == b"mine"
