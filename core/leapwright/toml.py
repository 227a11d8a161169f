# SPDX-License-Identifier: GPL-3.0-or-later
"""TOML as data, or one error with its line: whatever the text is."""

from __future__ import annotations

import re
import tomllib
from typing import Any

__all__ = ["DEEPEST", "TomlError", "read_toml"]

DEEPEST = 50
"""Lists and tables inside of each other; the standard reader ends at a few hundred, with a crash
that depends on where it is called from."""
_LONG = re.compile(r"[0-9][0-9_]{3999,}")
_NUMBER = "holds a number that no file needs: it has thousands of digits"
_DEEP = f"has lists or tables more than {DEEPEST} deep in each other"


class TomlError(ValueError):
    """A text is not TOML, or beyond what anybody writes.

    Parameters
    ----------
    message : str
        What is wrong, without the name of the file.
    line : int
        From 1.
    """

    def __init__(self, message: str, line: int) -> None:
        super().__init__(message, line)
        self.message = message
        self.line = line

    def __str__(self) -> str:
        return self.message


def read_toml(text: str) -> dict[str, Any]:
    """Read a text.

    Parameters
    ----------
    text : str
        TOML.

    Raises
    ------
    TomlError
        It cannot be read.

    Examples
    --------
    >>> read_toml("a.b = [1, 2]")
    {'a': {'b': [1, 2]}}
    """
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"\(at line (\d+)", str(error))
        line = int(found[1]) if found else text.count("\n") + 1
        raise TomlError(f"is not TOML: {error}", line) from error
    except RecursionError as error:
        raise TomlError(_DEEP, _deepest_line(text)) from error
    except ValueError as error:
        # Python reads no whole number of more than 4300 digits; TOML knows no such limit.
        raise TomlError(_NUMBER, _line_of(_LONG, text)) from error
    if _is_deep(data):
        raise TomlError(_DEEP, _deepest_line(text))
    if _has_giants(data):
        # A hexadecimal one is read and cannot be told.
        raise TomlError(_NUMBER, _line_of(re.compile(r"0[xob][0-9a-fA-F_]{999,}"), text))
    return data


def _line_of(pattern: re.Pattern[str], text: str) -> int:
    found = pattern.search(text)
    return text.count("\n", 0, found.start()) + 1 if found else 1


def _deepest_line(text: str) -> int:
    """Where most is opened: a guess, since the standard reader does not say."""
    lines = text.split("\n")
    return max(range(len(lines)), key=lambda i: lines[i].count("[") + lines[i].count("{")) + 1


def _levels(data: Any) -> Any:
    """The values of each level, from the top; without recursion."""
    level = [data]
    while level:
        yield level
        inside = (v for v in level if isinstance(v, dict | list))
        level = [item for v in inside for item in (v.values() if isinstance(v, dict) else v)]


def _is_deep(data: Any) -> bool:
    return any(depth > DEEPEST for depth, _ in enumerate(_levels(data)))


def _has_giants(data: Any) -> bool:
    return any(
        isinstance(v, int) and v.bit_length() > 3000 for level in _levels(data) for v in level
    )
