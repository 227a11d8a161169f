# SPDX-License-Identifier: GPL-3.0-or-later
"""What lasts on the disk: files that are there whole or not at all, dated copies, flushed folders.

The reports, the batch and the Blender layer stand on it; the solver does not.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from datetime import datetime
from pathlib import Path

from leapwright.errors import FileError

__all__ = ["backup", "backup_name", "flush", "flush_folder", "part_name", "write_whole"]


def part_name(target: Path, pid: int | str) -> Path:
    """The hidden file beside a target that process `pid` writes before it is renamed."""
    return target.with_name(f".{target.stem}.{pid}.part.blend")


def backup_name(path: str | Path) -> Path:
    """A dated name beside a file that is free, ``hop.backup-20260131-235959.blend``."""
    source = Path(path).resolve()
    stamp = f"{datetime.now():%Y%m%d-%H%M%S}"
    copy = source.with_name(f"{source.stem}.backup-{stamp}{source.suffix}")
    number = 1
    while copy.exists():
        number += 1
        copy = source.with_name(f"{source.stem}.backup-{stamp}-{number}{source.suffix}")
    return copy


def backup(path: str | Path, copy: Path | None = None) -> Path:
    """Copy a file to a dated one beside it.

    Parameters
    ----------
    path : path
        What to copy.
    copy : path, optional
        Where to; default: `backup_name`.

    Raises
    ------
    FileError
        It cannot be copied; no part of a copy is left.
    """
    source = Path(path).resolve()
    copy = backup_name(source) if copy is None else copy
    try:
        shutil.copyfile(source, copy)
        flush(copy)
        shutil.copystat(source, copy)
    except OSError as error:
        copy.unlink(missing_ok=True)
        raise FileError(f"cannot back up {source}: {error.strerror or error}") from error
    return copy


def flush(path: Path) -> None:
    """Make what was written to a file last."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def flush_folder(folder: Path) -> None:
    """Make a renaming last too, where a folder can be flushed."""
    with contextlib.suppress(OSError, PermissionError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def write_whole(path: Path, data: bytes) -> None:
    """Write a file that is there whole or not at all, and lasts.

    Parameters
    ----------
    path : Path
        A file that is there is replaced.
    data : bytes

    Raises
    ------
    FileError
        It cannot be written; what was there is as it was.
    """
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with part.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise FileError(f"cannot write {path}: {error.strerror or error}") from error
