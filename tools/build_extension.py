# SPDX-License-Identifier: GPL-3.0-or-later
"""Build the zip that Blender installs: manifest, leapwright_ext and the wheel with the rest.

The zip is made and checked by the host's own tool where bpy is installed, else packed plainly.
The host does not unpack a wheel again whose version it has seen, so every build counts up: the
wheel's version gets the time of the build behind it. ``--release`` leaves it as it is.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import zipfile
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parent.parent
EXTENSION = REPOSITORY / "addon" / "leapwright_ext"
# What the wheel is built from, copied aside so that the build leaves nothing in the checkout.
WHEEL_SOURCES = (
    "pyproject.toml",
    "README.md",
    "LICENSE",
    "core/leapwright",
    "addon/leapwright_blender",
)
VERSION_FILE = "core/leapwright/__init__.py"
VERSION = re.compile(r'^__version__ = "([^"]+)"', re.MULTILINE)
ID = "leapwright"


class BuildError(RuntimeError):
    """A step failed; the message is what its tool said."""


def read_version() -> str:
    """Give the version that stands in the core."""
    found = VERSION.search((REPOSITORY / VERSION_FILE).read_text(encoding="utf-8"))
    if found is None:
        raise BuildError(f"no __version__ in {VERSION_FILE}")
    return found.group(1)


def build_wheel(folder: Path, *, version: str) -> Path:
    """Build the wheel with `version` into `folder`."""
    sources = folder / "sources"
    skip = shutil.ignore_patterns("__pycache__", "*.pyc")
    for name in WHEEL_SOURCES:
        source, target = REPOSITORY / name, sources / name
        target.parent.mkdir(parents=True, exist_ok=True)
        if source.is_dir():
            shutil.copytree(source, target, ignore=skip)
        else:
            shutil.copyfile(source, target)
    init = sources / VERSION_FILE
    text = VERSION.sub(f'__version__ = "{version}"', init.read_text(encoding="utf-8"))
    init.write_text(text, encoding="utf-8")
    _run([*_wheel_command(folder), str(sources)])
    wheels = list(folder.glob("*.whl"))
    if len(wheels) != 1 or not wheels[0].name.endswith("-py3-none-any.whl"):
        raise BuildError(f"expected one py3-none-any wheel, got {[w.name for w in wheels]}")
    return wheels[0]


def _wheel_command(folder: Path) -> list[str]:
    if importlib.util.find_spec("pip"):
        options = ["--quiet", "--disable-pip-version-check", "--no-deps"]
        return [sys.executable, "-m", "pip", "wheel", *options, "--wheel-dir", str(folder)]
    if importlib.util.find_spec("build"):
        return [sys.executable, "-m", "build", "--wheel", "--outdir", str(folder)]
    if uv := shutil.which("uv"):
        return [uv, "build", "--quiet", "--wheel", "--out-dir", str(folder)]
    raise BuildError("pip, build or uv is needed to build the wheel: python -m ensurepip")


def stage(folder: Path, wheel: Path, *, version: str) -> None:
    """Lay out in `folder` what the zip holds."""
    skip = shutil.ignore_patterns("__pycache__", "*.pyc")
    shutil.copytree(EXTENSION, folder, ignore=skip)
    (folder / "wheels").mkdir()
    shutil.copyfile(wheel, folder / "wheels" / wheel.name)
    shutil.copyfile(REPOSITORY / "LICENSE", folder / "LICENSE")
    manifest = folder / "blender_manifest.toml"
    text = manifest.read_text(encoding="utf-8")
    for old, new in (
        ('\nversion = "0.0.0"\n', f'\nversion = "{version}"\n'),
        ("\nwheels = []\n", f'\nwheels = ["./wheels/{wheel.name}"]\n'),
    ):
        if text.count(old) != 1:
            raise BuildError(f"the manifest lacks the line {old.strip()}")
        text = text.replace(old, new)
    manifest.write_text(text, encoding="utf-8")


def host_tool() -> Path | None:
    """Find the host's tool that builds and validates extensions, without loading the host."""
    spec = importlib.util.find_spec("bpy")
    for place in (spec.submodule_search_locations or ()) if spec else ():
        found = sorted(Path(place).glob("*/scripts/addons_core/bl_pkg/cli/blender_ext.py"))
        if found:
            return found[-1]
    return None


def pack(staged: Path, target: Path) -> str:
    """Make the zip from the staged folder and validate it; say who did it."""
    tool = host_tool()
    if tool is None:
        names = sorted(path for path in staged.rglob("*") if path.is_file())
        with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as packed:
            for path in names:
                packed.write(path, path.relative_to(staged).as_posix())
        return "not validated: bpy is not installed for this Python"
    call = [sys.executable, str(tool)]
    _run([*call, "build", "--source-dir", str(staged), "--output-filepath", str(target)])
    _run([*call, "validate", str(target)])
    return "validated by the host's own tool"


def _run(command: list[str]) -> None:
    environment = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "PYTHONHOME")}
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    if done.returncode:
        said = (done.stderr.strip() or done.stdout.strip()).splitlines()[-20:]
        raise BuildError("\n".join([f"{' '.join(command[:4])} ... failed:", *said]))


def build(out: Path, *, release: bool = False) -> tuple[Path, str]:
    """Build the zip into the folder `out`.

    Returns
    -------
    (Path, str)
        The zip, and one line on how it was checked.
    """
    version = read_version()
    wheel_version = (
        version if release else f"{version}+{time.strftime('%Y%m%d%H%M%S', time.gmtime())}"
    )
    out.mkdir(parents=True, exist_ok=True)
    target = out / f"{ID}-{version}.zip"
    with tempfile.TemporaryDirectory(prefix="leapwright-", dir=out) as made:
        folder = Path(made)
        wheel = build_wheel(folder / "wheel", version=wheel_version)
        stage(folder / ID, wheel, version=version)
        finished = folder / target.name
        how = pack(folder / ID, finished)
        finished.replace(target)
    return target, how


def main() -> int:
    """Build the zip; print where it is."""
    parser = argparse.ArgumentParser(description="Build the zip that Blender installs.")
    parser.add_argument(
        "--out", type=Path, default=Path("build/extension"), help="folder for the zip"
    )
    parser.add_argument("--release", action="store_true", help="leave the wheel's version as it is")
    asked = parser.parse_args()
    try:
        target, how = build(asked.out, release=asked.release)
    except (BuildError, OSError) as error:
        print(error, file=sys.stderr)
        return 1
    print(f"{target} ({target.stat().st_size / 1024:.0f} KiB), {how}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
