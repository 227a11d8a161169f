# SPDX-License-Identifier: GPL-3.0-or-later
"""Open and save shots so that nothing is lost: for batch work, not for a window with a user.

A file that cannot be opened never leaves the shot before it in its place, and a file that cannot
be saved never leaves half a file, or less of the one that was there.
"""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import bpy

from leapwright.disk import backup, flush, flush_folder, part_name
from leapwright.errors import FileError
from leapwright_blender import host

__all__ = ["Opened", "Saved", "open_file", "save_file"]


# How a compressed file ends.
SEEK_TABLE_END = b"\xb1\xea\x92\x8f"


@dataclass(frozen=True, slots=True)
class Opened:
    """A file that was opened: where, who saved it, whether packed, and what to tell the user."""

    path: Path
    version: tuple[int, int]
    compressed: bool
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Saved:
    """A file that was saved: where, how large in bytes, and the backup of what was there."""

    path: Path
    size: int
    backup: Path | None


def open_file(path: str | Path) -> Opened:
    """Open a shot; scripts in it do not run.

    Parameters
    ----------
    path : path
        A `.blend` file of this version of Blender or an older one.

    Returns
    -------
    Opened
        With a warning for a driver that was not run and for each linked file that is missing.

    Raises
    ------
    FileError
        The file is not there, is no Blender file, is damaged, or was saved by a newer Blender.
        Found before opening, the scene in memory is as it was; later, an empty one is loaded, so
        that the shot before is not taken for this one.
    """
    source = Path(path).expanduser()
    if not source.exists():
        raise FileError(f"there is no file {source}")
    if not source.is_file():
        raise FileError(f"{source} is not a file")
    source = source.resolve()
    header = host.read_header(source)
    if header.version is not None:
        _refuse_newer(source, header.version)
    bpy.context.preferences.filepaths.save_version = 0
    bpy.context.preferences.edit.use_global_undo = False
    try:
        bpy.ops.wm.open_mainfile(filepath=str(source), use_scripts=False, load_ui=False)
        _demand_open(source)
    except RuntimeError as error:
        _forget()
        raise FileError(f"cannot open {source}: {_one_line(error)}") from error
    major, minor = bpy.data.version[:2]
    try:
        _refuse_newer(source, (major, minor))
    except FileError:
        _forget()
        raise
    return Opened(source, (major, minor), header.compressed, tuple(_warnings()))


def save_file(path: str | Path, *, like: str | Path | None = None, in_place: bool = False) -> Saved:
    """Save the shot: to a temporary file beside the target, flushed, then renamed.

    Parameters
    ----------
    path : path
        Where to. Paths in the shot that are relative stay right there.
    like : path, optional
        The input: packed or not as this one is, and never overwritten unless told. The file that
        is open, unless given.
    in_place : bool
        Overwrite the input, after a dated copy of it was made beside it.

    Returns
    -------
    Saved

    Raises
    ------
    FileError
        It cannot be written. No file is left behind, and one that was there is as it was.
    """
    target = Path(path).expanduser().resolve()
    source = _input(like)
    overwrites = source is not None and target.exists() and target.samefile(source)
    if overwrites and not in_place:
        raise FileError(f"{target} is the input: give another name, or ask for it in place")
    if target.is_dir():
        raise FileError(f"cannot save {target}: it is a folder")
    if not target.parent.is_dir():
        raise FileError(f"cannot save {target}: there is no folder {target.parent}")
    compress = source is not None and host.read_header(source).compressed
    part = part_name(target, os.getpid())
    with _removed_on_failure(target, part) as made:
        size = _write(part, compress)
        if target.exists():
            shutil.copymode(target, part)
        kept = None
        if overwrites:
            kept = backup(target)
            made.append(kept)
        part.replace(target)
    flush_folder(target.parent)
    return Saved(target, size, kept)


def _input(like: str | Path | None) -> Path | None:
    """Find the file that is being worked on, if it is there."""
    name = str(like) if like is not None else bpy.data.filepath
    if not name:
        return None
    source = Path(name).expanduser().resolve()
    if source.is_file():
        return source
    if like is not None:
        raise FileError(f"there is no file {source}")
    return None


def _write(part: Path, compress: bool) -> int:
    """Write the shot to `part`, flushed to the disk and looked at, and give its size."""
    bpy.context.preferences.filepaths.save_version = 0
    bpy.ops.wm.save_as_mainfile(
        filepath=str(part),
        check_existing=False,
        compress=compress,
        relative_remap=True,
        copy=True,
    )
    flush(part)
    _demand_whole(part, compress)
    header = host.read_header(part)
    if header.version not in (None, host.version()[:2]) or header.compressed != compress:
        raise RuntimeError("what was written is not what was asked for")
    return part.stat().st_size


def _demand_whole(part: Path, compress: bool) -> None:
    """Raise when a compressed file was cut off: on a full disk the host says it has saved it.

    It writes zstd frames with a seek table at the end, whose last four bytes are fixed (zstd
    seekable format).
    """
    if not compress:
        return
    with part.open("rb") as file:
        file.seek(max(part.stat().st_size - 4, 0))
        if file.read() != SEEK_TABLE_END:
            raise OSError(errno.ENOSPC, "the file was cut off")


@contextlib.contextmanager
def _removed_on_failure(target: Path, part: Path) -> Iterator[list[Path]]:
    """Remove what was made so far when the saving fails, and say why in one line."""
    # The host writes to a name with "@" first.
    made = [part, part.with_name(part.name + "@")]
    try:
        yield made
    except BaseException as error:
        for path in made:
            with contextlib.suppress(OSError):
                path.unlink()
        if isinstance(error, FileError):
            raise FileError(f"cannot save {target}: {error}") from error
        if isinstance(error, (RuntimeError, OSError)):
            raise FileError(f"cannot save {target}: {_why(target, error)}") from error
        raise


def _why(target: Path, error: Exception) -> str:
    """Say what went wrong; a full disk makes the host say that there is no such file."""
    if isinstance(error, OSError) and error.errno == errno.ENOSPC:
        return "the disk is full"
    with contextlib.suppress(OSError):
        if shutil.disk_usage(target.parent).free < 1 << 20:
            return "the disk is full"
    if not os.access(target.parent, os.W_OK):
        return f"folder {target.parent} is read-only"
    return _one_line(error)


def _refuse_newer(source: Path, saved_by: tuple[int, int]) -> None:
    ours = host.version()[:2]
    if saved_by > ours:
        raise FileError(
            f"{source} was saved by Blender {host.version_text(saved_by)}, newer than this "
            f"{host.version_text(ours)}: open it with {host.version_text(saved_by)} or later"
        )


def _demand_open(source: Path) -> None:
    opened = bpy.data.filepath
    if not opened or not Path(opened).samefile(source):
        raise RuntimeError(f"Blender has {opened or 'no file'} open instead")


def _forget() -> None:
    """Load an empty scene: after a failure the host still holds the file before."""
    bpy.ops.wm.read_homefile(use_empty=True, load_ui=False)


def _warnings() -> Iterator[str]:
    if bpy.app.autoexec_fail:
        yield (
            f"a driver or script was not run ({bpy.app.autoexec_fail_message}): "
            "the rig may pose wrongly"
        )
    for library in bpy.data.libraries:
        if library.packed_file is None and not Path(bpy.path.abspath(library.filepath)).is_file():
            yield f"linked file is missing: {library.filepath}"


def _one_line(error: Exception) -> str:
    text = " ".join(str(error).split())
    return text.removeprefix("Error: ").removesuffix(".")
