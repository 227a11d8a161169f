# SPDX-License-Identifier: GPL-3.0-or-later
"""Names of controls: namespaces, sides, the words riggers use, and patterns over them.

Pure text work. What a name says is only a hint: the Blender layer looks at how a rig is built
first, and asks here which of several equal answers is called what.
"""

from __future__ import annotations

import difflib
import fnmatch
import functools
import re
from collections.abc import Iterable, Iterator, Sequence

__all__ = [
    "ROLES",
    "close_names",
    "is_mechanism",
    "is_never",
    "matches",
    "matching",
    "rank",
    "role_words",
    "side",
    "some",
    "strip_copy_number",
    "strip_namespace",
    "words",
]

# Joined words, best first. A name ranks by the place of its best entry.
ROLES: dict[str, tuple[str, ...]] = {
    "root": (
        "root",
        "master",
        "main",
        "global",
        "traj",
        "trajectory",
        "world",
        "walk",
        "all",
        "mover",
        "placement",
        "position",
        "reference",
        "origin",
    ),
    "cog": (
        "cog",
        "centreofgravity",
        "centerofgravity",
        "centreofmass",
        "centerofmass",
        "com",
        "torso",
        "body",
        "mainbody",
        "bodymain",
        "hips",
        "hip",
        "pelvis",
        "waist",
        "centre",
        "center",
        "upperbody",
        "spine",
    ),
    "pelvis": ("pelvis", "hips", "hip", "spine", "waist"),
    "foot": (
        "foot",
        "feet",
        "ankle",
        "paw",
        "hoof",
        "heel",
        "toe",
        "toes",
        "ball",
        "leg",
        "footik",
        "legik",
        "sole",
        "forefoot",
        "forepaw",
        "forehoof",
        "hindfoot",
    ),
    "hand": (
        "hand",
        "wrist",
        "arm",
        "forearm",
        "upperarm",
        "lowerarm",
        "elbow",
        "finger",
        "wing",
        "ear",
        "tail",
        "tentacle",
        "tongue",
        "head",
        "neck",
    ),
    "thigh": ("thigh", "upleg", "upperleg", "legupper", "femur", "hipjoint", "leg"),
    "shin": ("shin", "calf", "lowleg", "lowerleg", "leglower", "tibia", "knee", "leg"),
}

# Words that say "this is a control" or "which side", not what it controls.
_DECORATION = frozenset(
    [
        "ctrl",
        "ctl",
        "control",
        "controller",
        "con",
        "cc",
        "ctr",
        "c",
        "anim",
        "ac",
        "ik",
        "fk",
        "l",
        "r",
        "left",
        "right",
        "lf",
        "rt",
        "x",
        "m",
        "mid",
    ]
)
_MECHANISM_START = ("mch", "org", "def", "jnt", "bind", "tgt", "helper", "hlp")
_MECHANISM_WORDS = frozenset(
    (
        *_MECHANISM_START,
        "offset",
        "null",
        "grp",
        "group",
        "zero",
        "space",
        "parent",
        "pole",
        "socket",
    )
)
_CAMEL = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|\d+")
_LEFT = frozenset(("l", "left", "lf", "lft"))
_RIGHT = frozenset(("r", "right", "rt", "rgt"))


def strip_namespace(name: str) -> str:
    """Take namespaces and group paths off a name.

    Examples
    --------
    >>> [strip_namespace(n) for n in ("Hare01:body_CTRL", "a:b:foot.L", "foot.L")]
    ['body_CTRL', 'foot.L', 'foot.L']
    >>> strip_namespace("odd:")
    'odd:'
    """
    last = re.split(r"[:|]", name)[-1]
    return last or name


def strip_copy_number(name: str) -> str:
    """Take off the ``.001`` that a copy gets.

    Examples
    --------
    >>> strip_copy_number("Hare.012"), strip_copy_number("Hare.L")
    ('Hare', 'Hare.L')
    """
    return re.sub(r"\.\d{3,}$", "", name)


# Rigs have hundreds of bones, and every role asks for their words.
@functools.lru_cache(maxsize=4096)
def words(name: str) -> tuple[str, ...]:
    """Split a name into lower-case words; numbers are left out.

    Examples
    --------
    >>> words("Hare01:LeftUpLeg_CTRL.001"), words("CenterOfGravity")
    (('left', 'up', 'leg', 'ctrl'), ('center', 'of', 'gravity'))
    """
    return tuple(w.lower() for w in _CAMEL.findall(strip_namespace(name)) if not w.isdigit())


def side(name: str) -> str:
    """``"L"``, ``"R"`` or ``""`` (neither).

    Examples
    --------
    >>> side("foot_ik.L"), side("RightFoot"), side("Hare:l_foot"), side("root")
    ('L', 'R', 'L', '')
    """
    found = words(name)
    left, right = _LEFT.intersection(found), _RIGHT.intersection(found)
    if bool(left) == bool(right):
        return ""
    return "L" if left else "R"


def rank(name: str, role: str) -> int | None:
    """How well a name fits a role: 0 is best, None is not at all.

    A name that *is* an entry of the role's table (once words such as "ctrl" and sides are off)
    ranks by its place there; a name that only holds such a word ranks after all of those.

    Parameters
    ----------
    name : str
        Name of a bone or object; namespaces are taken off.
    role : str
        A key of `ROLES`.

    Examples
    --------
    >>> rank("Hare01:body_CTRL", "cog") < rank("spine", "cog")
    True
    >>> rank("Root_CTRL", "root"), rank("chest", "root")
    (0, None)
    >>> rank("body_squash", "cog") > rank("center", "cog")
    True
    """
    table = ROLES[role]
    said = [w for w in words(name) if w not in _DECORATION] or list(words(name))
    whole = "".join(said)
    if whole in table:
        return table.index(whole)
    pairs = ["".join(said[i : i + n]) for n in (1, 2, 3) for i in range(len(said) - n + 1)]
    places = [table.index(p) for p in pairs if p in table]
    return len(table) + min(places) if places else None


def role_words(role: str) -> str:
    """The commonest names of a role, for a message.

    Examples
    --------
    >>> role_words("pelvis")
    'pelvis, hips, hip, spine'
    """
    return ", ".join(ROLES[role][:4])


def is_mechanism(name: str) -> bool:
    """Whether a name says that the bone is machinery or a deform bone, not for animators.

    Examples
    --------
    >>> [is_mechanism(n) for n in ("MCH-foot_ik.parent.L", "DEF-spine", "foot_mch.L", "ORG-foot.L")]
    [True, True, True, True]
    >>> [is_mechanism(n) for n in ("foot_ik.L", "Default", "Hare:root_CTRL")]
    [False, False, False]
    """
    said = words(name)
    if not said:
        return False
    return said[0] in _MECHANISM_START or bool(_MECHANISM_WORDS.intersection(said))


def matches(pattern: str, name: str) -> bool:
    """Whether a rig-file pattern covers a name.

    ``*``, ``?`` and ``[…]`` as in file names, case counts. Namespaces of the name are taken off,
    unless the pattern has one itself. A name equal to the pattern letter by letter always matches.

    Examples
    --------
    >>> matches("foot_ik.?", "Hare01:foot_ik.L"), matches("Hare*:root", "Hare01:root")
    (True, True)
    >>> matches("odd[1]", "odd[1]"), matches("root", "Root")
    (True, False)
    """
    bare = strip_namespace(name)
    if pattern in (name, bare):
        return True
    return fnmatch.fnmatchcase(name if ":" in pattern else bare, pattern)


def matching(pattern: str, names: Iterable[str]) -> tuple[str, ...]:
    """Names that a pattern covers, in their order: the equal one alone if there is one.

    Examples
    --------
    >>> matching("foot*", ["foot.L", "hand.L", "foot.R"]), matching("a*", ["ab", "a*"])
    (('foot.L', 'foot.R'), ('a*',))
    """
    pool = list(names)
    if pattern in pool:
        return (pattern,)
    bare = tuple(n for n in pool if strip_namespace(n) == pattern)
    return bare or tuple(n for n in pool if matches(pattern, n))


def is_never(patterns: Sequence[str], control: str, channel: str) -> bool:
    """Whether a channel is one that is never keyed.

    Parameters
    ----------
    patterns : sequence of str
        ``"control"`` (all its channels) or ``"control/channel"``; both halves are patterns.
    control : str
        Name of the bone or object.
    channel : str
        ``location``, ``rotation_euler``, ``scale``, or the name of a custom property. Upper and
        lower case are the same here.

    Examples
    --------
    >>> is_never(["root/scale"], "Hare:root", "scale"), is_never(["root/scale"], "root", "location")
    (True, False)
    >>> is_never(["props"], "props", "IK_FK"), is_never(["*/*scale*"], "root", "Master Scale")
    (True, True)
    """
    return any(
        matches(who, control) and _covers_channel(what, channel)
        for pattern in patterns
        for who, what in _halves(pattern)
    )


def _halves(pattern: str) -> Iterator[tuple[str, str]]:
    """All ways to read it: names of controls and of properties may hold slashes themselves."""
    yield pattern, "*"
    for slash in re.finditer("/", pattern):
        yield pattern[: slash.start()], pattern[slash.end() :]


def _covers_channel(pattern: str, channel: str) -> bool:
    asked, name = pattern.lower(), channel.lower()
    return asked == name or fnmatch.fnmatchcase(name, asked)


def some(texts: Sequence[str], *, most: int = 4) -> str:
    """The first few of a list, and how many more there are.

    Examples
    --------
    >>> some(["paw.L", "paw.R", "tail"], most=2)
    'paw.L, paw.R and 1 more'
    """
    rest = len(texts) - most
    return ", ".join(texts[:most]) + (f" and {rest} more" if rest > 0 else "")


def close_names(name: str, names: Iterable[str], *, most: int = 5) -> tuple[str, ...]:
    """Names that look like the one asked for, closest first (case and namespaces ignored).

    Examples
    --------
    >>> close_names("Foot_L", ["foot_ik.L", "Hare:foot.L", "chest"], most=1)
    ('Hare:foot.L',)
    """
    pool: dict[str, str] = {}
    for n in names:
        pool.setdefault(strip_namespace(n).lower(), n)
    asked = strip_namespace(name).lower()
    found = difflib.get_close_matches(asked, pool, n=most, cutoff=0.5)
    inside = [k for k in pool if len(asked) > 2 and asked in k and k not in found]
    return tuple(pool[k] for k in [*found, *inside][:most])
