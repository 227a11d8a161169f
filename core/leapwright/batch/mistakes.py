# SPDX-License-Identifier: GPL-3.0-or-later
"""What is wrong in a file of jobs, in our words, each with its line."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from difflib import get_close_matches
from typing import Any, Self

from pydantic import ValidationError

from leapwright.batch.lines import Place
from leapwright.errors import InputError

__all__ = ["JobsError", "Mistake", "mistakes_of_kind", "place_of", "plain"]

Allowed = Callable[[Place], list[str]]


class Mistake(str):
    """One thing that is wrong in a file: its text, and the line it stands on."""

    line: int

    def __new__(cls, text: str, line: int) -> Self:
        """A text with its line."""
        made = super().__new__(cls, text)
        made.line = line
        return made

    def __reduce__(self) -> tuple[type[Mistake], tuple[str, int]]:
        return (type(self), (str(self), self.line))


class JobsError(InputError):
    """A file of jobs cannot be used; the message lists every mistake with its line.

    Parameters
    ----------
    name : str
        The file.
    mistakes : sequence of Mistake
    """

    def __init__(self, name: str, mistakes: tuple[Mistake, ...]) -> None:
        listed = "".join(f"\n  line {m.line}: {m}" for m in mistakes)
        count = f"{len(mistakes)} mistakes" if len(mistakes) > 1 else "one mistake"
        super().__init__(f"{name} has {count}:{listed}")
        self.name = name
        self.mistakes = tuple(mistakes)

    def __reduce__(self) -> tuple[type[JobsError], tuple[str, tuple[Mistake, ...]]]:
        return (type(self), (self.name, self.mistakes))


def mistakes_of_kind(
    error: ValidationError, allowed: Allowed, data: Any
) -> list[tuple[Place, str]]:
    """What the tables could not take, in our words; of several kinds for a value only one is told.

    Parameters
    ----------
    error : ValidationError
    allowed : function of a place
        Gives the keys of the table there.
    data : dict
        What was read.
    """
    told: dict[Place, str] = {}
    kinds: dict[Place, list[str]] = {}
    for one in error.errors(include_url=False):
        place = place_of(one, data)
        words = _words(one, place, allowed)
        # Of a value that is of one of its kinds, only what is wrong with it as such is told.
        if place not in told or (all(kinds[place]) and not _kind_of(one)):
            told[place] = words
        kinds.setdefault(place, []).append(_kind_of(one))
    return [
        (place, f"{_dotted(place)} must be {' or '.join(dict.fromkeys(kinds[place]))}{said}")
        if all(kinds[place])
        else (place, said)
        for place, said in told.items()
    ]


def plain(text: str) -> str:
    r"""A text on one line, and cut where nobody would read on.

    Parameters
    ----------
    text : str

    Examples
    --------
    >>> print(plain("a\nb"))
    a\nb
    """
    shown = "".join(c if c.isprintable() else repr(c)[1:-1] for c in text[:LONGEST])
    return shown + ("…" if len(text) > LONGEST else "")


LONGEST = 800
"""Letters of a mistake; the options of a verb, which are listed where one is misspelt, fit in."""


_KINDS = {
    "string_type": "a text in quotes",
    "int_type": "a whole number",
    "float_type": "a number",
    "bool_type": "true or false",
    "list_type": "a list",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
}


def place_of(one: Mapping[str, Any], data: Any) -> Place:
    """Where in the file one of pydantic's mistakes is.

    Parameters
    ----------
    one : mapping
        Of `ValidationError.errors`.
    data : dict
        What was read.
    """
    place: list[str | int] = []
    at = data
    for part in one["loc"]:
        inside = part in at if isinstance(at, dict) else _is_item(at, part)
        # A key may be called like a kind of value.
        if not inside and _is_kind(part):
            continue
        place.append(part)
        at = at[part] if inside else None
    return tuple(place)


def _is_item(at: Any, part: str | int) -> bool:
    return isinstance(at, list) and isinstance(part, int) and part < len(at)


def _is_kind(part: str | int) -> bool:
    """Whether a step of pydantic's is a kind of value, none of the file."""
    return isinstance(part, str) and bool(
        re.fullmatch(r"(constrained-)?(str|int|float|bool)|.*[\[\](].*", part)
    )


def _kind_of(one: Mapping[str, Any]) -> str:
    return _KINDS.get(str(one["type"]), "")


def _dotted(place: Place) -> str:
    return plain(".".join(p for p in place if isinstance(p, str))) or "the file"


def _words(one: Mapping[str, Any], place: Place, allowed: Allowed) -> str:
    kind, name = one["type"], _dotted(place)
    if kind in _KINDS:
        return f", got {one['input']!r}"
    if kind == "extra_forbidden":
        keys = allowed(place[:-1])
        near = get_close_matches(str(place[-1]), keys, 1)
        hint = f"; did you mean {near[0]}?" if near else f"; allowed: {', '.join(keys)}"
        return f"{name} is unknown{hint}"
    if kind == "missing":
        return f"{name} is missing"
    if kind == "too_short":
        return f"{name} must hold at least one"
    context = one.get("ctx", {})
    if kind == "less_than_equal":
        return f"{name} must be {context['le']:g} at most, got {one['input']!r}"
    if kind == "literal_error":
        return f"{name} must be {context['expected']}, got {one['input']!r}"
    if kind == "greater_than":
        return f"{name} must be above {context['gt']:g}, got {one['input']!r}"
    said = str(context.get("error", one["msg"]))
    return f"{name} {said}"
