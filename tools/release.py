# SPDX-License-Identifier: GPL-3.0-or-later
"""Make a release: ``make release``. Checks, builds into ``dist``, tries what it built, and prints
checksums.

It goes on only from a clean checkout whose version has a date in CHANGELOG.md and no tag yet.
``--check`` looks and builds nothing; ``--anyway`` builds in spite of what it finds, to try it out.
"""

from __future__ import annotations

import argparse
import datetime as dt
import hashlib
import re
import subprocess
import sys
import tarfile
import tempfile
import venv
import zipfile
from collections.abc import Iterable
from pathlib import Path

from build_extension import REPOSITORY, BuildError, build, read_version

DIST = Path("dist")
HEADING = re.compile(r"^## (\S+) \((.*)\)$", re.MULTILINE)
VERSION = re.compile(r"\d+\.\d+\.\d+((a|b|rc)\d+)?")
IN_SDIST = (
    "pyproject.toml",
    "Makefile",
    "README.md",
    "CHANGELOG.md",
    "LICENSE",
    "tests/conftest.py",
)
SUMS = "SHA256SUMS"
MOST = 10
"""Files that are named; more are counted."""


# --- Checks --------------------------------------------------------------------------------------


def problems(
    version: str,
    *,
    changelog: str,
    changed: Iterable[str],
    tags: Iterable[str],
    today: dt.date,
) -> list[str]:
    """What stands in the way of a release, one line each.

    Parameters
    ----------
    version : str
        As in the core.
    changelog : str
        The text of CHANGELOG.md; its newest version comes first.
    changed : iterable of str
        Lines of ``git status --porcelain``.
    tags : iterable of str
        Of the repository.
    today : date
    """
    found = []
    if not VERSION.fullmatch(version):
        found.append(f"version {version} is no version like 1.2.3")
    lines = list(changed)
    found += [f"not committed: {line}" for line in lines[:MOST]]
    if len(lines) > MOST:
        found.append(f"not committed: {len(lines) - MOST} more")
    if version in tags or f"v{version}" in tags:
        found.append(f"version {version} has a tag already: set a new one")
    heading = HEADING.search(changelog)
    if heading is None:
        return [*found, "CHANGELOG.md has no heading like ## 1.2.3 (2026-01-31)"]
    listed, date = heading.groups()
    if listed != version:
        found.append(f"CHANGELOG.md begins with {listed}, the version is {version}")
    try:
        day = dt.date.fromisoformat(date)
    except ValueError:
        found.append(f"CHANGELOG.md: {listed} has no date like 2026-01-31, but ({date})")
    else:
        if day > today:
            found.append(f"CHANGELOG.md: {listed} is of {day}, which is to come")
    return found


def wheel_differs(ours: Path, carried: zipfile.ZipFile) -> list[str]:
    """Files that the wheel and the one that the extension carries do not share."""
    with zipfile.ZipFile(ours) as wheel:
        one, two = _contents(wheel), _contents(carried)
    return sorted(name for name in one.keys() | two.keys() if one.get(name) != two.get(name))


def _contents(wheel: zipfile.ZipFile) -> dict[str, str]:
    return {
        info.filename: hashlib.sha256(wheel.read(info)).hexdigest()
        for info in wheel.infolist()
        if not info.filename.endswith("RECORD")
    }


def missing_from(sdist: Path, version: str) -> list[str]:
    """Files that the source archive should hold and does not."""
    with tarfile.open(sdist) as packed:
        names = set(packed.getnames())
    return [name for name in IN_SDIST if f"leapwright-{version}/{name}" not in names]


# --- Building ------------------------------------------------------------------------------------


def _git(*arguments: str) -> list[str]:
    done = subprocess.run(
        ["git", *arguments], cwd=REPOSITORY, capture_output=True, encoding="utf-8", check=True
    )
    return done.stdout.splitlines()


def _run(command: list[str | Path]) -> str:
    done = subprocess.run(command, capture_output=True, encoding="utf-8", check=False)
    if done.returncode:
        words = " ".join(str(part) for part in command[:5])
        raise BuildError(f"{words} ... failed:\n{done.stderr or done.stdout}")
    return done.stdout


def make(version: str, out: Path) -> list[Path]:
    """Build source archive, the wheel from it, and the extension's zip."""
    out.mkdir(exist_ok=True)
    for old in (*out.glob("leapwright-*"), out / SUMS):
        old.unlink(missing_ok=True)
    _run([sys.executable, "-m", "build", "--outdir", out, REPOSITORY])
    packed, how = build(out, release=True)
    if not how.startswith("validated"):
        raise BuildError(f"{packed.name}: {how}")
    made = [
        out / f"leapwright-{version}.tar.gz",
        out / f"leapwright-{version}-py3-none-any.whl",
        packed,
    ]
    if lost := [path.name for path in made if not path.is_file()]:
        raise BuildError(f"not built: {', '.join(lost)}")
    return made


def try_out(version: str, sdist: Path, wheel: Path, packed: Path) -> list[str]:
    """Try everything that was built; what was tried, one line each.

    Raises
    ------
    BuildError
        Something is not as it should be.
    """
    if lost := missing_from(sdist, version):
        raise BuildError(f"{sdist.name} lacks {', '.join(lost)}")
    with zipfile.ZipFile(packed) as extension:
        with extension.open(f"wheels/{wheel.name}") as inside, zipfile.ZipFile(inside) as carried:
            differs = wheel_differs(wheel, carried)
        manifest = extension.read("blender_manifest.toml").decode()
    if differs:
        raise BuildError(f"{packed.name} carries another wheel: {', '.join(differs[:5])}")
    if f'\nversion = "{version}"\n' not in manifest:
        raise BuildError(f"{packed.name} has another version than {version}")
    with tempfile.TemporaryDirectory(prefix="leapwright-release-") as folder:
        venv.create(folder, with_pip=True)
        scripts = Path(folder) / ("Scripts" if sys.platform == "win32" else "bin")
        _run([scripts / "python", "-m", "pip", "install", "--quiet", wheel.resolve()])
        said = _run([scripts / "leapwright", "--version"]).strip()
        if version not in said.split():
            raise BuildError(f"the wheel says {said!r}, not {version}")
        _run([scripts / "leapwright", "plan", "--jump-height", "4ft", "--push-height", "1ft"])
    return [
        f"{sdist.name}: whole, and the wheel was built from it",
        f"{wheel.name}: installed into a new environment, says {said}, plans a jump",
        f"{packed.name}: validated by the host's own tool, carries that wheel",
    ]


def sums(made: Iterable[Path]) -> list[str]:
    """Checksums, as ``sha256sum -c`` reads them."""
    return [f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.name}" for path in made]


def main() -> int:
    """Check, build, try, print checksums."""
    parser = argparse.ArgumentParser(description="Make a release.")
    parser.add_argument("--check", action="store_true", help="look, and build nothing")
    parser.add_argument("--anyway", action="store_true", help="build in spite of what is found")
    parser.add_argument("--out", type=Path, default=DIST)
    asked = parser.parse_args()
    version = read_version()
    found = problems(
        version,
        changelog=(REPOSITORY / "CHANGELOG.md").read_text(encoding="utf-8"),
        changed=_git("status", "--porcelain"),
        tags=_git("tag"),
        today=dt.datetime.now(tz=dt.UTC).date(),
    )
    for line in found:
        print(line, file=sys.stderr)
    if asked.check or (found and not asked.anyway):
        print(f"version {version} is {'not ' if found else ''}ready to be released")
        return 1 if found else 0
    try:
        made = make(version, asked.out)
        for line in try_out(version, *made):
            print(line)
    except (BuildError, OSError, KeyError, zipfile.BadZipFile) as error:
        print(error, file=sys.stderr)
        return 1
    (asked.out / SUMS).write_text("\n".join(sums(made)) + "\n", encoding="utf-8", newline="\n")
    print(*sums(made), sep="\n")
    if found:
        print("this is no release: see above", file=sys.stderr)
        return 1
    print(f"now: git tag v{version}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
