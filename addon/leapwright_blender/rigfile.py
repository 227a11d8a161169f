# SPDX-License-Identifier: GPL-3.0-or-later
"""Rig files: one TOML that says what a rig's controls are, by patterns.

    match = ["Hare*", "body"]      # each must be the rig's name or one of its bones
    root = "root"                  # "" says: there is none
    cog = "body"
    pelvis = "pelvis"
    feet = ["foot.L", "foot.R"]
    soles = ["heel.L", "heel.R"]
    never = ["root/scale"]         # "control" or "control/channel"

Namespaces are stripped, ``*``, ``?`` and ``[…]`` work as in file names. A key that is left out is
found on the rig itself.
"""

from __future__ import annotations

import os
import reprlib
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import bpy

from leapwright.disk import write_whole
from leapwright.errors import ClashError, FileError, InputError, NotFoundError
from leapwright.naming import (
    close_names,
    matches,
    matching,
    some,
    strip_copy_number,
    strip_namespace,
)
from leapwright.toml import TomlError, read_toml

from .figure import members
from .space import Control, Point, label

if TYPE_CHECKING:
    from .rig import Controls

__all__ = [
    "SUFFIX",
    "RigFile",
    "bones_named",
    "default_folders",
    "find_rig_files",
    "is_of",
    "load_rig_file",
    "rig_file_for",
    "save_rig_file",
    "to_toml",
]

SUFFIX = ".rig.toml"
_TEXT = ("root", "cog", "pelvis")
_LISTS = ("match", "feet", "soles", "never")
_KEYS = ("match", "root", "cog", "pelvis", "feet", "soles", "never")


@dataclass(frozen=True, slots=True)
class RigFile:
    """What a rig file says. ``None`` means the key is left out, ``""`` that there is none.

    Parameters
    ----------
    match : tuple of str
        Patterns; each must cover the rig's name, its armature's name or one of its bones (for a
        figure without bones: one of its objects).
    root, cog, pelvis : str or None
        Patterns of one control each.
    feet, soles : tuple of str or None
        Patterns; each may cover several controls.
    never : tuple of str or None
        Channels that are never keyed.
    path : Path, optional
        Where it was read from; takes no part in comparisons.
    """

    match: tuple[str, ...] = ()
    root: str | None = None
    cog: str | None = None
    pelvis: str | None = None
    feet: tuple[str, ...] | None = None
    soles: tuple[str, ...] | None = None
    never: tuple[str, ...] | None = None
    path: Path | None = None

    def says(self) -> dict[str, str | tuple[str, ...]]:
        """The keys that are given, in the file's order."""
        given = {key: getattr(self, key) for key in _KEYS}
        return {key: value for key, value in given.items() if value is not None}


def load_rig_file(path: str | os.PathLike[str]) -> RigFile:
    """Read a rig file.

    Raises
    ------
    FileError
        It is not there or cannot be read.
    InputError
        It is not TOML, or a key is unknown or of the wrong kind; names file, key and what is
        allowed.
    """
    where = Path(path)
    try:
        raw = read_toml(where.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise FileError(f"cannot read the rig file {where}: {error.strerror or error}") from error
    except TomlError as error:
        raise InputError(f"{where} {error}", "rig_file") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{where} is not TOML: {error}", "rig_file") from error
    except ValueError as error:
        raise FileError(f"there is no file of such a name: {str(where)!r}") from error
    _check_all(where, raw)
    data: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in raw.items()}
    return RigFile(**data, path=where)


def _check_all(where: Path, said: Mapping[str, object]) -> None:
    """Refuse what a rig file cannot say."""
    for key, value in said.items():
        if wrong := _wrong(key, value):
            raise InputError(f"{where}: {wrong}", "rig_file")
    if not said.get("match"):
        wrong = "`match` must list at least one name of the rig or its bones"
        raise InputError(f"{where}: {wrong}", "rig_file")


def _wrong(key: str, value: object) -> str:
    if key not in _KEYS:
        near = close_names(key, _KEYS, most=1)
        hint = f" (did you mean `{near[0]}`?)" if near else ""
        shown = key if key.isprintable() else repr(key)[1:-1]
        return f"unknown key `{shown}`{hint}; allowed: {', '.join(_KEYS)}"
    if key in _TEXT and not _is_name(value):
        return f"`{key}` must be one name in quotes, got {reprlib.repr(value)}"
    if key in _LISTS and not (
        isinstance(value, list | tuple) and all(v and _is_name(v) for v in value)
    ):
        return f"`{key}` must be a list of names in quotes, got {reprlib.repr(value)}"
    if key == "cog" and not value:
        return f"`cog` must name a control, got {value!r}"
    return ""


def _is_name(value: object) -> bool:
    """Text that a file can hold: no half of a letter, which a cut name may end in."""
    return isinstance(value, str) and value == value.encode(errors="ignore").decode()


def to_toml(rig_file: RigFile) -> str:
    """A rig file as text; `load_rig_file` gives back the same."""
    lines = ["# Leapwright rig file: patterns, namespaces stripped."]
    for key, value in rig_file.says().items():
        if isinstance(value, str):
            lines.append(f"{key} = {_quote(value)}")
        else:
            lines.append(f"{key} = [{', '.join(_quote(v) for v in value)}]")
    return "\n".join(lines) + "\n"


def _quote(text: str) -> str:
    """A TOML basic string: backslash, quote and control characters escaped."""
    plain = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in plain) + '"'


def save_rig_file(
    path: str | os.PathLike[str], controls: Controls | RigFile, obj: Any = None
) -> RigFile:
    """Write a rig file for a rig (or an edited `RigFile`) and give back what was written.

    It is written beside the target and then renamed: a full disk leaves the old file whole.

    Raises
    ------
    FileError
        The folder cannot be written to.
    InputError
        What it says cannot be read again; nothing is written.
    """
    where = Path(path)
    said = controls if isinstance(controls, RigFile) else _from_controls(controls, obj)
    _check_all(where, said.says())
    try:
        where.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(f"cannot write {where}: {error.strerror or error}") from error
    write_whole(where, to_toml(said).encode("utf-8"))
    return load_rig_file(where)


def _from_controls(controls: Controls, obj: Any) -> RigFile:
    cog = _bare(obj, "cog", controls.cog)
    root = _bare(obj, "root", controls.root) if controls.root else ""
    feet = tuple(_bare(obj, "feet", c) for c in controls.feet)
    named = strip_namespace(strip_copy_number(obj.name))
    # Points are saved only where they are bones: an offset that was worked out is worked out again.
    soles = tuple(_bare(obj, "soles", p) for p in controls.soles if not any(p.offset))
    return RigFile(
        match=tuple(dict.fromkeys((named, *((root,) if root else ()), cog, *feet))),
        root=root,
        cog=cog,
        pelvis=_bare(obj, "pelvis", controls.pelvis) if controls.pelvis else "",
        feet=feet,
        soles=soles or None,
        never=controls.never,
    )


def _bare(obj: Any, role: str, control: Control | Point) -> str:
    """A control's name without its namespace and, of an object, its copy's number; as it is where
    that would be another one's."""
    whole = label(control)
    bare = strip_namespace(whole if control.bone else strip_copy_number(whole))
    try:
        found = bones_named(obj, role, bare)
    except NotFoundError:
        return whole
    return bare if found == (Control(control.object, control.bone),) else whole


def default_folders() -> tuple[Path, ...]:
    """Where rig files are looked for: next to the .blend, then the user's folder."""
    beside = (Path(bpy.data.filepath).parent,) if bpy.data.filepath else ()
    return (*beside, _user_folder())


def _user_folder() -> Path:
    if own := os.environ.get("LEAPWRIGHT_RIGS"):
        return Path(own)
    if sys.platform == "win32":
        base = os.environ.get("APPDATA") or str(Path.home() / "AppData" / "Roaming")
    elif sys.platform == "darwin":
        base = str(Path.home() / "Library" / "Application Support")
    else:
        base = os.environ.get("XDG_CONFIG_HOME") or str(Path.home() / ".config")
    return Path(base) / "leapwright" / "rigs"


def is_of(rig_file: RigFile, obj: Any) -> bool:
    """Whether a rig file is of this rig: every ``match`` pattern covers a name on it."""
    names = [obj.name, strip_copy_number(obj.name)]
    if obj.data is not None:
        names += [obj.data.name, strip_copy_number(obj.data.name)]
    if obj.pose is not None:
        names += obj.pose.bones.keys()
    else:
        parts = [o.name for o in members(obj)]
        names += [*parts, *map(strip_copy_number, parts)]
    bare = [strip_namespace(n) for n in names]
    return all(p in bare or any(matches(p, n) for n in names) for p in rig_file.match)


def find_rig_files(folders: Sequence[str | os.PathLike[str]], obj: Any) -> tuple[RigFile, ...]:
    """All rig files (``*.rig.toml``) of some folders that are of this rig, folder by folder."""
    paths = [p for f in dict.fromkeys(map(Path, folders)) for p in sorted(f.glob("*" + SUFFIX))]
    return tuple(r for p in paths if is_of(r := load_rig_file(p), obj))


def rig_file_for(
    obj: Any, *, folders: Sequence[str | os.PathLike[str]] | None = None
) -> RigFile | None:
    """The rig file of a rig, or None.

    Raises
    ------
    ClashError
        Two rig files are of this rig and do not say the same.
    """
    found = find_rig_files(default_folders() if folders is None else folders, obj)
    different = {str(sorted(r.says().items())): r for r in found}
    if len(different) > 1:
        paths = ", ".join(str(r.path) for r in found)
        message = f"{obj.name!r} matches several rig files: {paths}; give one as `rig_file`"
        raise ClashError(message, [str(r.path) for r in found])
    return found[0] if found else None


def bones_named(obj: Any, role: str, pattern: str) -> tuple[Control, ...]:
    """Controls that a name or pattern covers; NotFoundError lists what is close or there."""
    if not isinstance(pattern, str) or not pattern:
        raise InputError(f"`{role}` must be a name, got {pattern!r}", role)
    names = obj.pose.bones.keys() if obj.pose else [o.name for o in members(obj)]
    if found := matching(pattern, names):
        return tuple(Control(obj.name, n) if obj.pose else Control(n) for n in found)
    # Objects of a copied figure got numbers; an armature object may be the root itself.
    objects = {strip_copy_number(n): n for n in ([obj.name] if obj.pose else reversed(names))}
    if found := matching(pattern, objects):
        return tuple(Control(objects[n]) for n in found)
    if role == "feet" and pattern in bpy.data.objects:
        return (Control(pattern),)
    near = close_names(pattern, names)
    there = f"close to it: {', '.join(near)}" if near else f"it has {some(names, most=12)}"
    raise NotFoundError(f"`{role}`: {obj.name!r} has no control {pattern!r}; {there}")
