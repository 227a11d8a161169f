# SPDX-License-Identifier: GPL-3.0-or-later
"""Everything Leapwright raises on purpose: one root, children that are also builtins.

Every error can be pickled (work is done in other processes) and every message is one line that
names the argument, says what is allowed and quotes what came.
"""

from __future__ import annotations

from collections.abc import Sequence

__all__ = [
    "ClashError",
    "FileError",
    "HostError",
    "InputError",
    "KeysInTheWayError",
    "LeapwrightError",
    "NotFoundError",
    "ReachError",
]


class LeapwrightError(Exception):
    """Root of all errors that Leapwright raises on purpose."""


class InputError(LeapwrightError, ValueError):
    """An argument has a value that is not allowed.

    Parameters
    ----------
    message : str
        One line: the argument, what is allowed, what came.
    argument : str
        Name of the argument, as in Python (``push_height``).
    """

    def __init__(self, message: str, argument: str = "") -> None:
        super().__init__(message, argument)
        self.message = message
        self.argument = argument

    def __str__(self) -> str:
        return self.message


class ClashError(InputError):
    """Arguments that are each fine contradict each other, or say too much or too little.

    Parameters
    ----------
    message : str
        One line that says what clashes and what to do.
    arguments : sequence of str
        The pieces that clash.
    """

    def __init__(self, message: str, arguments: Sequence[str] = ()) -> None:
        super().__init__(message, ", ".join(arguments))
        self.arguments = tuple(arguments)

    def __reduce__(self) -> tuple[type[ClashError], tuple[str, tuple[str, ...]]]:
        return (type(self), (self.message, self.arguments))


class ReachError(InputError):
    """The jump asked for cannot reach the landing level."""


class NotFoundError(LeapwrightError, LookupError):
    """A rig, control, pose or other named thing is not there; the message lists what is."""


class FileError(LeapwrightError, OSError):
    """A file cannot be read or written; nothing was left half written."""


class HostError(LeapwrightError, RuntimeError):
    """The host program is missing, of the wrong version, or refuses (linked data, edit mode)."""


class KeysInTheWayError(LeapwrightError):
    """Keys stand where the jump would be written, and nothing was said about them.

    Parameters
    ----------
    message : str
        One line.
    keys : sequence of (str, float)
        Channel and frame of each key in the way.
    """

    def __init__(self, message: str, keys: Sequence[tuple[str, float]] = ()) -> None:
        super().__init__(message, tuple(keys))
        self.message = message
        self.keys = tuple(keys)

    def __str__(self) -> str:
        return self.message
