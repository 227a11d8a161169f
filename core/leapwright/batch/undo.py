# SPDX-License-Identifier: GPL-3.0-or-later
"""Undoing a run: shots that were written in place get their backups back."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from leapwright.batch.commit import take_back
from leapwright.batch.folder import RunFolder
from leapwright.batch.journal import Journal, read_lines
from leapwright.batch.locks import Locks

__all__ = ["Undone", "undo"]


@dataclass(frozen=True, slots=True)
class Undone:
    """What became of the shots of a run that was undone.

    Attributes
    ----------
    back : tuple of str
        Shots that are as they were before the run.
    kept : tuple of (str, str)
        Shots that were left as they are, and why.
    """

    back: tuple[str, ...]
    kept: tuple[tuple[str, str], ...]


def undo(folder: str | Path) -> Undone:
    """Give the shots that a run wrote in place their backups back.

    A shot that was changed since is left alone. Files that were written elsewhere stay.

    Parameters
    ----------
    folder : path
        The run's folder.

    Returns
    -------
    Undone

    Raises
    ------
    FileError
        There is no run in the folder, or a batch is at work on it or on the shots.
    """
    place = RunFolder(Path(folder))
    work, _ = place.read()
    files = [str(task.target) for task in work.tasks if task.in_place and task.target]
    with Locks(place.path, (), files):
        journal = Journal(place.path)
        try:
            return _undo(journal)
        finally:
            journal.close()


def _undo(journal: Journal) -> Undone:
    entries = {
        entry["task"]: entry
        for entry in read_lines(journal.path)
        if entry["event"] == "ready" and entry["backup"]
    }
    back, kept = [], []
    for number, entry in entries.items():
        if number in journal.undone:
            continue
        if reason := take_back(entry):
            kept.append((entry["target"], reason))
        else:
            journal.write("undone", task=number)
            back.append(entry["target"])
    return Undone(tuple(back), tuple(kept))
