# SPDX-License-Identifier: GPL-3.0-or-later
"""What stands in the way of a release is said before anything is built; what a release needs is
bounded and explained."""

from __future__ import annotations

import datetime as dt
import importlib.util
import io
import re
import tarfile
import tomllib
import zipfile
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[2]
TODAY = dt.date(2026, 5, 4)
GOOD = "# Changes\n\n## 1.2.3 (2026-05-04)\n\n- New.\n\n## 1.2.2 (2026-01-01)\n"


@pytest.fixture
def release(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    monkeypatch.syspath_prepend(str(ROOT / "tools"))
    spec = importlib.util.spec_from_file_location("release", ROOT / "tools" / "release.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def found(release: ModuleType, version: str = "1.2.3", **other: object) -> list[str]:
    state = {"changelog": GOOD, "changed": [], "tags": ["v1.2.2"], "today": TODAY}
    return release.problems(version, **{**state, **other})


def test_nothing_stands_in_the_way(release):
    assert found(release) == []


@pytest.mark.parametrize(
    ("other", "line"),
    [
        ({"changed": [" M core/a.py", "?? b"]}, "not committed:  M core/a.py"),
        ({"tags": ["v1.2.3"]}, "version 1.2.3 has a tag already: set a new one"),
        ({"tags": ["1.2.3"]}, "version 1.2.3 has a tag already: set a new one"),
        ({"version": "1.2.4"}, "CHANGELOG.md begins with 1.2.3, the version is 1.2.4"),
        ({"version": "soon"}, "version soon is no version like 1.2.3"),
        (
            {"changelog": GOOD.replace("2026-05-04", "unreleased")},
            "CHANGELOG.md: 1.2.3 has no date like 2026-01-31, but (unreleased)",
        ),
        (
            {"changelog": GOOD.replace("2026-05-04", "2026-05-05")},
            "CHANGELOG.md: 1.2.3 is of 2026-05-05, which is to come",
        ),
        ({"changelog": "# Changes\n"}, "CHANGELOG.md has no heading like ## 1.2.3 (2026-01-31)"),
    ],
)
def test_what_stands_in_the_way_is_said(release, other, line):
    assert line in found(release, **other)


def test_the_changelog_of_this_checkout_can_be_read(release):
    heading = release.HEADING.search((ROOT / "CHANGELOG.md").read_text(encoding="utf-8"))
    assert heading is not None
    assert heading[1] == release.read_version()


def wheel(path: Path, **files: str) -> Path:
    with zipfile.ZipFile(path, "w") as packed:
        for name, text in files.items():
            packed.writestr(name.replace("__", "/"), text)
    return path


def test_another_wheel_in_the_zip_is_seen(release, tmp_path):
    ours = wheel(tmp_path / "a.whl", leapwright__plan="1", RECORD="x", only="")
    same = wheel(tmp_path / "b.whl", leapwright__plan="1", RECORD="y", only="")
    other = wheel(tmp_path / "c.whl", leapwright__plan="2", RECORD="x")
    with zipfile.ZipFile(same) as carried:
        assert release.wheel_differs(ours, carried) == []
    with zipfile.ZipFile(other) as carried:
        assert release.wheel_differs(ours, carried) == ["leapwright/plan", "only"]


def test_what_the_source_archive_lacks_is_named(release, tmp_path):
    path = tmp_path / "leapwright-1.0.0.tar.gz"
    with tarfile.open(path, "w:gz") as packed:
        for name in release.IN_SDIST[1:]:
            info = tarfile.TarInfo(f"leapwright-1.0.0/{name}")
            packed.addfile(info, io.BytesIO(b""))
    assert release.missing_from(path, "1.0.0") == [release.IN_SDIST[0]]


def test_checksums_are_as_sha256sum_reads_them(release, tmp_path):
    path = tmp_path / "a.txt"
    path.write_bytes(b"abc")
    # FIPS 180-2, appendix B.1.
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert release.sums([path]) == [f"{digest}  a.txt"]


# --- Dependencies --------------------------------------------------------------------------------

REQUIREMENT = re.compile(r"([A-Za-z0-9._-]+)(\[[^\]]*\])?\s*([^;]*)")


def requirements() -> dict[str, list[str]]:
    """Bounds by package, of all that pyproject.toml asks for."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    extras = project["project"]["optional-dependencies"].values()
    lines = [*project["build-system"]["requires"], *project["project"]["dependencies"]]
    every: dict[str, list[str]] = {}
    for line in [*lines, *(line for extra in extras for line in extra)]:
        match = REQUIREMENT.match(line)
        assert match is not None, line
        if match[1] != "leapwright":
            every.setdefault(match[1].lower(), []).append(match[3].strip())
    return every


def explained() -> set[str]:
    """Packages of the table in DEVELOPERS.md."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.partition("## Why these dependencies")[2].partition("\n## ")[0]
    cells = [line.split("|")[1] for line in table.splitlines() if line.startswith("|")][2:]
    names = [re.sub(r"\(.*?\)", "", cell).split(",") for cell in cells]
    return {name.strip().lower() for cell in names for name in cell if name.strip()}


@pytest.mark.parametrize("package", requirements())
def test_every_dependency_is_bounded(package):
    for bounds in requirements()[package]:
        assert re.search(r">=", bounds), bounds
        assert re.search(r"<(?!=)", bounds), bounds


def test_every_dependency_is_explained_and_nothing_else():
    assert explained() == set(requirements())
