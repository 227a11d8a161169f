# SPDX-License-Identifier: GPL-3.0-or-later
"""On which line of a TOML file each key stands: the standard reader does not say."""

from __future__ import annotations

import bisect
import re
import tomllib

__all__ = ["Place", "line_numbers", "nearest_line"]

Place = tuple[str | int, ...]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_VALUE = re.compile(r"[^,\]}\n#]*")
_BLANK = re.compile(r"(?:[ \t\r\n]+|#[^\n]*)*")
_QUOTES = ('"""', "'''", '"', "'")


def line_numbers(text: str) -> dict[Place, int]:
    r"""The line, from 1, of every key and every item of a list.

    Parameters
    ----------
    text : str
        TOML that the standard reader takes.

    Examples
    --------
    >>> line_numbers("a = 1\n[[b]]\nc.d = [1,\n2]")[("b", 0, "c", "d", 1)]
    4
    """
    return _Reader(text).read()


def nearest_line(lines: dict[Place, int], place: Place) -> int:
    """The line of a key, or of what it would stand in; 1 where nothing of it is there."""
    while place and place not in lines:
        place = place[:-1]
    return lines.get(place, 1)


class _Reader:
    """Walks the text once; what is not looked for is stepped over."""

    def __init__(self, text: str) -> None:
        self.text = text.replace("\r\n", "\n")
        self.at = 0
        self.ends = [found.start() for found in re.finditer("\n", self.text)]
        self.lines: dict[Place, int] = {}
        self.lists: dict[Place, int] = {}

    def read(self) -> dict[Place, int]:
        table: Place = ()
        self._skip()
        while self.at < len(self.text):
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)
            self._skip()
        return self.lines

    def _line(self) -> int:
        return bisect.bisect_left(self.ends, self.at) + 1

    def _skip(self) -> None:
        found = _BLANK.match(self.text, self.at)
        self.at = found.end() if found else self.at

    def _header(self) -> Place:
        line, double = self._line(), self.text.startswith("[[", self.at)
        self.at += 2 if double else 1
        parts = self._key()
        self.at = self.text.index("]", self.at) + (2 if double else 1)
        place: Place = ()
        for i, part in enumerate(parts):
            place = (*place, part)
            if double and i == len(parts) - 1:
                self.lists[place] = self.lists.get(place, -1) + 1
            self.lines.setdefault(place, line)
            if place in self.lists:
                place = (*place, self.lists[place])
        self.lines.setdefault(place, line)
        return place

    def _pair(self, table: Place) -> None:
        line = self._line()
        parts = self._key()
        place: Place = table
        for part in parts:
            place = (*place, part)
            self.lines.setdefault(place, line)
        self.at = self.text.index("=", self.at) + 1
        self._value(place)

    def _key(self) -> list[str]:
        parts = []
        while True:
            self._skip()
            if self.text[self.at] in "\"'":
                begun = self.at
                self._string()
                parts.append(str(tomllib.loads(f"k = {self.text[begun : self.at]}")["k"]))
            else:
                found = _BARE.match(self.text, self.at)
                if found is None:
                    return parts
                parts.append(found[0])
                self.at = found.end()
            self._skip()
            if self.text[self.at : self.at + 1] != ".":
                return parts
            self.at += 1

    def _value(self, place: Place) -> None:
        self._skip()
        first = self.text[self.at : self.at + 1]
        if first in ("'", '"'):
            self._string()
        elif first == "[":
            self._items(place, "]")
        elif first == "{":
            self._items(place, "}")
        else:
            found = _VALUE.match(self.text, self.at)
            self.at = found.end() if found else self.at + 1

    def _items(self, place: Place, end: str) -> None:
        self.at += 1
        number = 0
        while True:
            self._skip()
            first = self.text[self.at]
            if first == end:
                self.at += 1
                return
            if first == ",":
                self.at += 1
            elif end == "}":
                self._pair(place)
            else:
                self.lines.setdefault((*place, number), self._line())
                self._value((*place, number))
                number += 1

    def _string(self) -> None:
        quote = next(q for q in _QUOTES if self.text.startswith(q, self.at))
        at = self.at + len(quote)
        while not self.text.startswith(quote, at):
            at += 2 if quote[0] == '"' and self.text[at] == "\\" else 1
        at += len(quote)
        # Up to two more quotes may belong to the end of a long string.
        while len(quote) == 3 and self.text[at : at + 1] == quote[0]:
            at += 1
        self.at = at
