# SPDX-License-Identifier: GPL-3.0-or-later
"""Which paths a batch may touch: plain files and folders inside its roots, links followed."""

from __future__ import annotations

import fnmatch
import functools
import os
import re
import stat
from collections.abc import Iterator, Sequence
from pathlib import Path

__all__ = [
    "BACKUP",
    "expand",
    "fits",
    "home",
    "refuse_source",
    "refuse_target",
    "root_of",
    "same_file_key",
]

BACKUP = re.compile(r"\.backup-\d{8}-\d{6}(-\d+)?\.blend$")
"""How the dated copies end that writing in place makes."""

_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISBLK, "a device"),
    (stat.S_ISCHR, "a device"),
)


def expand(pattern: str, folder: Path) -> Iterator[Path]:
    """Files that a name or pattern covers, sorted; a name without a file is given back as it is.

    Hidden files and the dated copies of earlier runs are no shots: a pattern leaves them out.

    Parameters
    ----------
    pattern : str
        ``*``, ``?``, ``[...]`` and ``**`` as in file names.
    folder : Path
        Where a relative one starts from.
    """
    whole = folder / home(pattern)
    if os.path.lexists(whole) or not re.search(r"[*?\[]", pattern):
        yield whole
        return
    base, rest = _split(whole)
    for path in _walk(base, deep="**" in rest, depth=len(rest)):
        names = path.relative_to(base).parts
        if _covers(rest, names) and not BACKUP.search(path.name):
            yield path


def home(path: str) -> Path:
    """A path with the home folder in the place of ``~``; as it is where there is no such user.

    Parameters
    ----------
    path : str
    """
    try:
        return Path(path).expanduser()
    except RuntimeError:
        return Path(path)


def fits(pattern: str, folder: Path, path: Path) -> bool:
    """Whether a pattern would cover a path, there or not."""
    whole = folder / home(pattern)
    base, rest = _split(whole)
    if not rest:
        return path == whole
    if not path.is_relative_to(base):
        return False
    relative = path.relative_to(base)
    if any(part.startswith(".") for part in relative.parts) or BACKUP.search(path.name):
        return False
    return _covers(rest, relative.parts)


def _split(whole: Path) -> tuple[Path, tuple[str, ...]]:
    """The folder before the first part with a wildcard, and the rest."""
    parts = whole.parts
    first = next((i for i, part in enumerate(parts) if re.search(r"[*?\[]", part)), len(parts))
    return Path(*parts[:first]), parts[first:]


def _covers(pattern: Sequence[str], names: Sequence[str]) -> bool:
    """Whether a pattern covers a path, step by step; ``**`` is any number of folders.

    All places in the pattern are followed at once: however many stars, no name takes long.
    """
    end, at = len(pattern), {0}
    for name in names:
        after: set[int] = set()
        for place in _with_none(pattern, at):
            if pattern[place] == "**":
                after |= {place, end} if place == end - 1 else {place}
            elif _one(pattern[place]).match(name):
                after.add(place + 1)
        at = after
    return end in at


def _with_none(pattern: Sequence[str], places: set[int]) -> set[int]:
    """Places in a pattern, and those behind them where ``**`` is no folder at all."""
    whole = set(places)
    for place in sorted(places):
        while place < len(pattern) - 1 and pattern[place] == "**":
            place += 1
            whole.add(place)
    return whole - {len(pattern)}


@functools.lru_cache(maxsize=256)
def _one(part: str) -> re.Pattern[str]:
    """One step of a pattern."""
    return re.compile(fnmatch.translate(part), re.IGNORECASE if os.name == "nt" else 0)


def _walk(base: Path, *, deep: bool, depth: int, level: int = 1) -> Iterator[Path]:
    """Files below a folder in the order of their names; links to folders are not gone into."""
    try:
        entries = sorted(os.scandir(base), key=lambda entry: entry.name)
    except OSError:
        return
    for entry in entries:
        if entry.name.startswith("."):
            continue
        # A link to a folder may lead into a circle where the depth is not bounded.
        if entry.is_dir(follow_symlinks=not deep):
            if deep or level < depth:
                yield from _walk(Path(entry.path), deep=deep, depth=depth, level=level + 1)
        elif not entry.is_dir():
            yield Path(entry.path)


def root_of(path: Path, roots: Sequence[Path]) -> Path | None:
    """The innermost root that a path without links lies in."""
    inside = [root for root in roots if path.is_relative_to(root)]
    return max(inside, key=lambda root: len(root.parts), default=None)


def refuse_source(path: Path, roots: Sequence[Path]) -> str:
    """Why a file may not be read as a shot; "" where it may.

    Parameters
    ----------
    path : Path
    roots : sequence of Path
        Without links.
    """
    if not os.path.lexists(path):
        return "there is no such file"
    real = Path(os.path.realpath(path))
    if root_of(real, roots) is None:
        leads = f" leads to {real}, which" if real != path.absolute() else ""
        return f"the path{leads} is outside of the allowed folders (roots: {_listed(roots)})"
    try:
        mode = real.stat().st_mode
    except OSError as error:
        return f"cannot be read: {error.strerror or error}"
    if not stat.S_ISREG(mode):
        return f"is {_kind(mode)}, not a file"
    return ""


def refuse_target(path: Path, roots: Sequence[Path]) -> str:
    """Why a file may not be written; "" where it may. Missing folders are fine.

    Parameters
    ----------
    path : Path
    roots : sequence of Path
        Without links.
    """
    # Everything up to the first part that is missing is followed, so is a link that leads nowhere.
    real = Path(os.path.realpath(path))
    if root_of(real, roots) is None:
        leads = f" leads to {real}, which" if real != path.absolute() else ""
        return f"the target{leads} is outside of the allowed folders (roots: {_listed(roots)})"
    folder = real.parent
    # Names that are too long for the system are asked about, too: `Path.exists` may raise.
    while not os.path.exists(folder) and folder != folder.parent:  # noqa: PTH110
        folder = folder.parent
    if not os.path.isdir(folder):  # noqa: PTH112
        return f"the target's folder {folder} is not a folder"
    if not _writable(folder):
        return f"the target's folder {folder} is read-only"
    if os.path.exists(real):  # noqa: PTH110
        mode = real.stat().st_mode
        if not stat.S_ISREG(mode):
            return f"the target is {_kind(mode)}, not a file"
        if not _writable(real):
            return "the target is read-only"
    return ""


def _writable(path: Path) -> bool:
    """By its own bits as well: who may do everything would rename over a file that is protected."""
    bits = stat.S_IWUSR | stat.S_IWGRP | stat.S_IWOTH
    return bool(path.stat().st_mode & bits) and os.access(path, os.W_OK)


def _kind(mode: int) -> str:
    return next((word for test, word in _KINDS if test(mode)), "no plain file")


def _listed(roots: Sequence[Path]) -> str:
    return ", ".join(map(str, roots))


def same_file_key(path: Path) -> str:
    """The same for two names of one file, as far as links and upper case tell."""
    return os.path.normcase(os.path.realpath(path))
