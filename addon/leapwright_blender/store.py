# SPDX-License-Identifier: GPL-3.0-or-later
"""What a rig remembers of its jumps: one JSON string in a custom property of the rig object.

A library override loses custom properties of its own at the next load; the action that it was
given keeps them, so there the string is on the action.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, fields
from fractions import Fraction
from pathlib import PurePath
from typing import Any

import numpy as np

from leapwright.errors import HostError, InputError
from leapwright_blender import host

__all__ = [
    "PROPERTY",
    "Remembered",
    "clear",
    "intended_of",
    "load",
    "load_intended",
    "put_back_unless_done",
    "read_text",
    "save",
    "save_intended",
    "text_of",
]

PROPERTY = "leapwright"
FORMAT = 2


@dataclass(frozen=True, slots=True)
class Remembered:
    """One jump as it was asked for and blocked.

    Attributes
    ----------
    asked : dict
        Arguments of `block`, as they were given.
    keep : str
        What was kept when frames became whole.
    gravity_m_s2 : float
    stepped : bool
    poses : dict of str to frame
        Where posed moments stand after blocking.
    moments : dict of str to frame
        All moments, and ``hold`` where a crouch hold begins.
    controls : dict
        ``root`` (or None), ``cog`` and ``feet``, as labels.
    air : str
        What takes the feet through the air.
    cog_from : str
        Where the COG is measured.
    feet : dict
        Foot → ``release`` and ``plant``, in frames from take-off and land.
    style : dict
    intended : list
        Findings that are meant: dictionaries of ``finding`` and ``reason``.
    written : dict
        Keys as written: `leapwright.fingerprint.written_keys`.
    """

    asked: dict[str, Any]
    keep: str
    gravity_m_s2: float
    stepped: bool
    poses: dict[str, float]
    moments: dict[str, float]
    controls: dict[str, Any]
    air: str
    cog_from: str = "control"
    feet: dict[str, dict[str, int]] = field(default_factory=dict)
    style: dict[str, Any] = field(default_factory=dict)
    intended: list[Any] = field(default_factory=list)
    written: dict[str, list[list[Any]]] = field(default_factory=dict)


def save(obj: Any, jumps: Sequence[Remembered]) -> None:
    """Remember a rig's jumps, in time order, instead of those that it remembered.

    Findings that are meant of other jumps stay.

    Raises
    ------
    HostError
        The object is linked, or an override with no action of its own: it would forget.
    InputError
        A value that JSON cannot hold. What was remembered before stays.
    """
    _write(obj, jumps, load_intended(obj))


def save_intended(obj: Any, intended: Mapping[str, str]) -> None:
    """Remember which findings are meant of jumps that nobody blocked; the jumps stay.

    Parameters
    ----------
    obj : bpy.types.Object
    intended : mapping of finding to reason
        ``falls_faster``, or ``falls_faster@2`` for the second jump alone.

    Raises
    ------
    HostError, InputError
        As in `save`.
    """
    _write(obj, load(obj), intended)


def _write(obj: Any, jumps: Sequence[Remembered], intended: Mapping[str, str]) -> None:
    holder, name = _holder(obj)
    content: dict[str, Any] = {"format": FORMAT, "jumps": [_as_json(jump) for jump in jumps]}
    if intended:
        content["intended"] = _plain(intended, "intended")
    holder[name] = json.dumps(content, sort_keys=True)


def load_intended(obj: Any) -> dict[str, str]:
    """Findings that are meant of all jumps, or of some that nobody blocked, and why.

    Parameters
    ----------
    obj : bpy.types.Object
    """
    meant = _content(obj).get("intended", {})
    if not isinstance(meant, dict):
        return {}
    return {k: v for k, v in meant.items() if isinstance(v, str)}


def intended_of(jump: Remembered) -> dict[str, str]:
    """Findings that are meant of a remembered jump, and why.

    Parameters
    ----------
    jump : Remembered
    """
    return {
        entry["finding"]: entry["reason"]
        for entry in jump.intended
        if isinstance(entry, Mapping)
        and isinstance(entry.get("finding"), str)
        and isinstance(entry.get("reason"), str)
    }


def load(obj: Any) -> tuple[Remembered, ...]:
    """What a rig remembers, in time order; nothing where there is nothing readable."""
    return read_text(text_of(obj))


def text_of(obj: Any) -> str:
    """What a rig remembers, as the text that `read_text` reads; cheap enough to be asked often."""
    text = next((h[name] for h, name in _holders(obj) if name in h), None)
    return text if isinstance(text, str) else ""


def read_text(text: str) -> tuple[Remembered, ...]:
    """The jumps of a text of `text_of`, in time order; nothing where it is not readable.

    Parameters
    ----------
    text : str
    """
    jumps = _parsed(text).get("jumps")
    if not isinstance(jumps, list) or not all(map(_is_jump, jumps)):
        return ()
    known = {f.name for f in fields(Remembered)}
    return tuple(
        Remembered(**{k: _ordered(k, v) for k, v in jump.items() if k in known}) for jump in jumps
    )


def _content(obj: Any) -> dict[str, Any]:
    """The dictionary that is remembered; an empty one where there is nothing readable."""
    return _parsed(text_of(obj))


def _parsed(text: str) -> dict[str, Any]:
    try:
        content = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        return {}
    return content


def _ordered(name: str, value: Any) -> Any:
    """Frames by time: JSON has them by name."""
    if name not in ("moments", "poses"):
        return value
    return dict(sorted(value.items(), key=lambda pair: pair[1]))


def clear(obj: Any) -> None:
    """Forget a rig's jumps.

    Raises
    ------
    HostError
        As in `save`, where there is something to forget.
    """
    if not any(name in h for h, name in _holders(obj)):
        return
    holder, name = _holder(obj)
    if len(_holders(obj)) > 1:
        # What the linked rig remembers would show again.
        holder[name] = ""
    else:
        del holder[name]


@contextmanager
def put_back_unless_done(obj: Any) -> Iterator[None]:
    """Put back what a rig remembers, to the letter, where the work inside fails or is stopped.

    Parameters
    ----------
    obj : bpy.types.Object
    """
    was = [(holder, name, holder.get(name)) for holder, name in _holders(obj)]
    try:
        yield
    except BaseException:
        for holder, name, text in was:
            if text is not None:
                holder[name] = text
            elif name in holder:
                del holder[name]
        raise


def _holder(obj: Any) -> tuple[Any, str]:
    """What can hold the string so that it is still there after a load, and under which name."""
    if obj.library is not None:
        raise HostError(
            f"{obj.name!r} is linked from {obj.library.filepath}: nothing can be remembered on it; "
            "make an override"
        )
    if not obj.is_editable:
        raise HostError(f"{obj.name!r} cannot be edited: make the override editable")
    holder, name = _holders(obj)[0]
    if obj.override_library is not None and holder == obj:
        raise HostError(
            f"{obj.name!r} is an override without an action of its own: it would forget; "
            "give it an action"
        )
    return holder, name


def _holders(obj: Any) -> list[tuple[Any, str]]:
    """Where the string may be, the first that has it counts."""
    if obj.override_library is None:
        return [(obj, PROPERTY)]
    data = obj.animation_data
    action = None if data is None else data.action
    if action is None or action.library is not None:
        return [(obj, PROPERTY)]
    # One action may hold curves of several objects; files of hosts without slots have no number.
    slot = host.slot_number(obj)
    own = [] if slot is None else [(action, f"{PROPERTY}.{slot}")]
    return [*own, (action, PROPERTY), (obj, PROPERTY)]


def _as_json(jump: Remembered) -> dict[str, Any]:
    return {f.name: _plain(getattr(jump, f.name), f.name) for f in fields(jump)}


def _is_jump(jump: Any) -> bool:
    if not isinstance(jump, dict):
        return False
    wanted = {
        "asked": _is_dict, "keep": _is_text, "gravity_m_s2": _is_number, "stepped": _is_bool,
        "poses": _is_frames, "moments": _is_frames, "controls": _is_controls, "air": _is_text,
    }  # fmt: skip
    more = {
        "cog_from": _is_text, "feet": _is_feet, "style": _is_dict,
        "intended": lambda v: isinstance(v, list), "written": _is_written,
    }  # fmt: skip
    return all(name in jump and check(jump[name]) for name, check in wanted.items()) and all(
        check(jump[name]) for name, check in more.items() if name in jump
    )


def _is_dict(value: Any) -> bool:
    return isinstance(value, dict)


def _is_text(value: Any) -> bool:
    return isinstance(value, str)


def _is_bool(value: Any) -> bool:
    return isinstance(value, bool)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _is_frames(value: Any) -> bool:
    return isinstance(value, dict) and all(map(_is_number, value.values()))


def _is_controls(value: Any) -> bool:
    return (
        isinstance(value, dict)
        and (value.get("root") is None or isinstance(value["root"], str))
        and isinstance(value.get("cog"), str)
        and isinstance(value.get("feet"), list)
        and all(map(_is_text, value["feet"]))
    )


def _is_feet(value: Any) -> bool:
    return isinstance(value, dict) and all(
        isinstance(foot, dict) and {"release", "plant"} <= set(foot) and _is_frames(foot)
        for foot in value.values()
    )


def _is_written(value: Any) -> bool:
    return isinstance(value, dict) and all(
        isinstance(keys, list)
        and all(
            isinstance(key, list) and len(key) == 2 and _is_number(key[0]) and _is_text(key[1])
            for key in keys
        )
        for keys in value.values()
    )


def _plain(value: Any, argument: str) -> Any:
    """Give a JSON value; numbers keep every digit."""
    if isinstance(value, np.generic | np.ndarray):
        value = value.tolist()
    if value is None or isinstance(value, str | bool | int | float):
        return value
    if isinstance(value, Fraction):
        return _number(value)
    if isinstance(value, PurePath):
        return str(value)
    if isinstance(value, Mapping):
        return {str(k): _plain(v, str(k)) for k, v in value.items()}
    if isinstance(value, set | frozenset):
        value = sorted(value)
    if isinstance(value, Sequence) and not isinstance(value, bytes | bytearray):
        return [_plain(v, argument) for v in value]
    raise InputError(
        f"`{argument}` must be text, numbers or lists of them to be remembered, got {value!r}",
        argument,
    )


def _number(value: Fraction) -> int | float | str:
    """A number where that is exact, else as rates are written: ``30000/1001``."""
    if value.denominator == 1:
        return value.numerator
    return float(value) if Fraction(float(value)) == value else str(value)
