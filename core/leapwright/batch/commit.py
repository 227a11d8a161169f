# SPDX-License-Identifier: GPL-3.0-or-later
"""Putting a result in its target's place, and taking it back: each step can be taken up again.

The journal says what is about to be done before it is done, with the digest of the result. After a
kill the target's own digest tells on which side of the renaming it fell.
"""

from __future__ import annotations

import contextlib
import hashlib
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from leapwright.batch.journal import Journal
from leapwright.batch.work import Task
from leapwright.disk import backup, backup_name, flush_folder
from leapwright.errors import FileError

__all__ = ["digest", "put", "settle", "take_back"]


def digest(path: Path) -> str:
    """SHA-256 of a file; "" where there is none."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return ""


def put(task: Task, said: Mapping[str, Any], journal: Journal) -> Path | None:
    """Put a result that lies ready in its target's place.

    Parameters
    ----------
    task : Task
    said : mapping
        The host's answer.
    journal : Journal

    Returns
    -------
    Path or None
        The backup, of a shot that was written in place.

    Raises
    ------
    FileError
        It cannot be put there, or the shot was changed meanwhile; nothing is left behind.
    """
    target, staged = Path(str(task.target)), Path(said["staged"])
    if _stamp(Path(task.file)) != said["stamp"]:
        staged.unlink(missing_ok=True)
        raise FileError("the shot was changed by somebody else meanwhile: nothing was written")
    copy = backup_name(target) if task.in_place else None
    entry = {
        "task": task.number,
        "target": str(target),
        "staged": str(staged),
        "sha256": said["sha256"],
        "before": digest(target) if task.in_place else None,
        "backup": str(copy) if copy else None,
        "row": {k: v for k, v in said.items() if k not in ("stamp", "log_text")},
    }
    journal.write("ready", **entry)
    _rename(entry)
    return copy


def settle(entry: Mapping[str, Any]) -> bool:
    """After a kill: finish what the journal says was about to be done.

    Parameters
    ----------
    entry : mapping
        The journal's word.

    Returns
    -------
    bool
        Whether the result is in place. Where it is not, nothing of it is left and the target is as
        it was, or as somebody has saved it since.
    """
    target, staged = Path(entry["target"]), Path(entry["staged"])
    if not staged.exists() and digest(target) == entry["sha256"]:
        return True
    # Somebody may have saved the shot since: that is not overwritten, and its backup is kept.
    same = not entry["backup"] or digest(target) == entry["before"]
    if entry["backup"] and (same or digest(Path(entry["backup"])) != entry["before"]):
        # Cut off, or of a target that was not touched yet.
        Path(entry["backup"]).unlink(missing_ok=True)
    if same and digest(staged) == entry["sha256"]:
        with contextlib.suppress(OSError, FileError):
            _rename(entry)
            return True
    staged.unlink(missing_ok=True)
    return False


def _rename(entry: Mapping[str, Any]) -> None:
    target, staged = Path(entry["target"]), Path(entry["staged"])
    kept = Path(entry["backup"]) if entry["backup"] else None
    try:
        if target.exists():
            shutil.copymode(target, staged)
        if kept is not None:
            backup(target, kept)
        staged.replace(target)
    except BaseException as error:
        for path in (staged, kept):
            if path is not None:
                with contextlib.suppress(OSError):
                    path.unlink(missing_ok=True)
        if isinstance(error, OSError) and not isinstance(error, FileError):
            raise FileError(f"cannot write {target}: {error.strerror or error}") from error
        raise
    flush_folder(target.parent)


def take_back(entry: Mapping[str, Any]) -> str:
    """Undo one shot that was written in place: its backup takes its place.

    Parameters
    ----------
    entry : mapping
        The journal's word.

    Returns
    -------
    str
        Why it is not undone; "" where it is.
    """
    target, kept = Path(entry["target"]), Path(entry["backup"])
    now = digest(target)
    if now == entry["before"]:
        kept.unlink(missing_ok=True)
        return ""
    if now != entry["sha256"]:
        return "it was changed since" if now else "it is not there any more"
    if digest(kept) != entry["before"]:
        return f"its backup {kept.name} is gone or was changed"
    try:
        kept.replace(target)
    except OSError as error:
        return f"cannot be written: {error.strerror or error}"
    flush_folder(target.parent)
    return ""


def _stamp(path: Path) -> list[int] | None:
    with contextlib.suppress(OSError):
        now = path.stat()
        return [now.st_size, now.st_mtime_ns]
    return None
