# SPDX-License-Identifier: GPL-3.0-or-later
"""A verb's options in JOBS.toml: those of the command line, under the same names.

They are read off the command line's own functions, so that there is one list of them.
"""

from __future__ import annotations

import functools
import inspect
import re
import types
import typing
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    StrictBool,
    StrictFloat,
    StrictInt,
    StrictStr,
    create_model,
)

from leapwright.batch.door import impossible
from leapwright.cli.block import block, block_ask
from leapwright.cli.check import check, check_ask
from leapwright.cli.fix import fix, fix_ask
from leapwright.cli.resize import resize, resize_ask
from leapwright.cli.retime import retime, retime_ask
from leapwright.cli.spline import spline, spline_ask
from leapwright.errors import InputError
from leapwright.style import Style

__all__ = ["VERBS", "Option", "ask_of", "mistakes_of", "model_of", "options_of"]

Ask = Callable[[Mapping[str, Any]], dict[str, Any]]

VERBS: Mapping[str, tuple[Callable[..., None], Ask]] = {
    "block": (block, block_ask),
    "spline": (spline, spline_ask),
    "retime": (retime, retime_ask),
    "resize": (resize, resize_ask),
    "check": (check, check_ask),
    "fix": (fix, fix_ask),
}
"""The verbs that a batch can do: the command line's function, and what it makes of its options."""

# What the batch itself says: files, the rig, how to tell.
OURS = frozenset(
    (
        *("file", "rig", "rig_file", "root", "cog", "feet", "out", "in_place", "dry_run"),
        *("as_json", "unit", "fps", "fail_on", "plot", "scale"),
    )
)
MEASURES = frozenset(("FRAMES", "FRAME", "NUMBER", "DEGREES", "LENGTH", "SPEED", "G"))


@dataclass(frozen=True, slots=True)
class Option:
    """An option of a verb: its name in Python and in the file, what it may be, what it does."""

    name: str
    key: str
    type: Any
    default: Any
    words: str
    choices: type[Enum] | None = None
    many: bool = False


@functools.cache
def options_of(verb: str) -> tuple[Option, ...]:
    """The options of a verb, in the command line's order."""
    function = VERBS[verb][0]
    hints = typing.get_type_hints(function, include_extras=True)
    parameters = inspect.signature(function).parameters.values()
    return tuple(_option(p, hints[p.name]) for p in parameters if p.name not in OURS)


def _option(parameter: inspect.Parameter, hint: Any) -> Option:
    kind, info = typing.get_args(hint)[:2]
    kinds = [k for k in (typing.get_args(kind) or (kind,)) if k is not types.NoneType]
    if typing.get_origin(kind) is list:
        kinds = [kind]
    first, metavar = kinds[0], info.metavar
    many = typing.get_origin(first) is list
    pairs = many and "=" in str(metavar)
    number = StrictInt | StrictFloat
    allowed: Any
    choices: type[Enum] | None = None
    if first is bool:
        allowed = StrictBool
    elif first is int:
        allowed = StrictInt
    elif isinstance(first, type) and issubclass(first, Enum):
        choices = first
        allowed = Literal[tuple(str(item.value) for item in first)]
    elif pairs:
        allowed = dict[str, number | StrictStr] | list[StrictStr] | StrictStr
    elif many or metavar == "PHASE,PHASE":
        allowed = list[StrictStr] | StrictStr
    else:
        allowed = number | StrictStr if metavar in MEASURES else StrictStr
    key = parameter.name.replace("_", "-")
    return Option(parameter.name, key, allowed, parameter.default, info.help or "", choices, many)


@functools.cache
def model_of(verb: str) -> type[BaseModel]:
    """What the table of a verb may hold."""
    fields: dict[str, Any] = {
        option.name: (option.type, Field(None, alias=option.key, description=option.words))
        for option in options_of(verb)
    }
    return create_model(
        f"{verb.capitalize()}Options",
        __config__=ConfigDict(extra="forbid", populate_by_name=False),
        __doc__=f"Options of `leapwright {verb}`, named as on the command line.",
        **fields,
    )


def ask_of(verb: str, given: Mapping[str, Any]) -> dict[str, Any]:
    """The keyword arguments of a rig's verb.

    Parameters
    ----------
    verb : str
        A key of `VERBS`.
    given : mapping of str to value
        What the file says, by the names of the file.

    Raises
    ------
    InputError
        A value cannot be read; names the argument.
    """
    typed: dict[str, Any] = dict.fromkeys(OURS)
    typed |= {"in_place": False, "dry_run": False, "as_json": False}
    for option in options_of(verb):
        value = given.get(option.key)
        typed[option.name] = option.default if value is None else _typed(option, value)
    ask = {name: value for name, value in VERBS[verb][1](typed).items() if name not in OURS}
    if isinstance(ask.get("style"), Style):
        ask["style"] = ask["style"].to_json()
    # On the command line these choose the method; here the host process does.
    ask |= {name: True for name in ("again", "keep_on_arc") if typed.get(name)}
    return ask


def _typed(option: Option, value: Any) -> Any:
    """A value as it would have been typed."""
    if option.choices is not None:
        return option.choices(value)
    if isinstance(value, bool):
        return value
    if isinstance(value, Mapping):
        return [f"{name}={said}" for name, said in value.items()]
    if isinstance(value, Sequence) and not isinstance(value, str):
        return list(value) if option.many else ",".join(value)
    if option.many:
        return [value]
    return (
        repr(value) if isinstance(value, (int, float)) and option.type is not StrictInt else value
    )


def mistakes_of(verb: str, given: Mapping[str, Any]) -> list[tuple[str, str]]:
    """All that cannot be read: the option, and what is wrong.

    The guilty are taken out one by one until the rest can be read.
    """
    left, found = dict(given), []
    while True:
        try:
            errors = impossible(verb, ask_of(verb, left))
        except InputError as error:
            named = [_key(name) for name in error.argument.split(", ")]
            blamed = [key for key in named if key in left] or _guilty(verb, left)
            found.append((blamed[0] if blamed else "", _as_keys(verb, str(error))))
            if not blamed:
                return found
            for key in blamed:
                del left[key]
        else:
            keys = [_key(wrong.argument) for wrong in errors]
            said = [_as_keys(verb, str(wrong)) for wrong in errors]
            return [*found, *zip(keys, said, strict=True)]


_KEYS = {
    "pins": "pin",
    "poses": "pose",
    "moments": "moment",
    "limits": "limit",
    "props": "no-props",
}


def _key(argument: str) -> str:
    """What an argument of the rig's verb is called in the file."""
    return _KEYS.get(argument, argument.replace("_", "-"))


def _as_keys(verb: str, message: str) -> str:
    """A message with the names that stand in the file."""
    # A plural is also a word of ours: it is the option only where the message begins with it.
    message = re.sub(r"^\w+", lambda first: _KEYS.get(first[0], first[0]), message)
    for option in options_of(verb):
        if "-" in option.key:
            message = re.sub(rf"\b{option.name}\b", option.key, message)
    return message


def _guilty(verb: str, given: Mapping[str, Any]) -> list[str]:
    """An option without which the rest can be read."""
    for key in given:
        try:
            ask_of(verb, {k: v for k, v in given.items() if k != key})
        except InputError:
            continue
        return [key]
    return []
