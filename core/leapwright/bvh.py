# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads motion-capture text (.bvh): skeleton, channels, and where every joint is."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leapwright.errors import InputError

__all__ = ["Bvh", "Joint", "read_bvh"]

Floats = NDArray[np.float64]

_AXES = "XYZ"
_MOST_CHANNELS = 6


@dataclass(frozen=True, slots=True)
class Joint:
    """One joint, or the end of a chain.

    Attributes
    ----------
    name : str
        An end is called after its parent, with " end" behind.
    parent : int
        Index of the parent; -1 for a root.
    offset : tuple of 3 floats
        From the parent, in the file's unit.
    channels : tuple of str
        As in the file: ``Xposition``, ``Zrotation`` ...
    """

    name: str
    parent: int
    offset: tuple[float, float, float]
    channels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Bvh:
    """A motion-capture clip.

    Attributes
    ----------
    joints : tuple of Joint
        Parents before their children.
    frame_time : float
        Seconds a frame.
    motion : ndarray, shape (F, C)
        The channels' values, in the file's order.
    """

    joints: tuple[Joint, ...]
    frame_time: float
    motion: Floats

    @property
    def names(self) -> tuple[str, ...]:
        """Of the joints."""
        return tuple(joint.name for joint in self.joints)

    def positions(self, *, scale: float = 1.0) -> Floats:
        """Where every joint is on every frame, z up.

        Parameters
        ----------
        scale : float
            Metres in one unit of the file.

        Returns
        -------
        ndarray, shape (J, F, 3)
            The file's y is z here and its z is -y.
        """
        if not (math.isfinite(scale) and scale > 0):
            raise InputError(f"scale must be above 0 metres a unit, got {scale!r}", "scale")
        count = len(self.motion)
        place = np.empty((len(self.joints), count, 3))
        turn = np.empty((len(self.joints), count, 3, 3))
        column = 0
        for index, joint in enumerate(self.joints):
            values = self.motion[:, column : column + len(joint.channels)]
            column += len(joint.channels)
            shift, own = _local(joint, values)
            if joint.parent < 0:
                place[index], turn[index] = shift, own
            else:
                over = turn[joint.parent]
                place[index] = place[joint.parent] + np.einsum("fij,fj->fi", over, shift)
                turn[index] = over @ own
        x, y, z = np.moveaxis(place, -1, 0)
        return np.stack([x, -z, y], axis=-1) * scale


def _local(joint: Joint, values: Floats) -> tuple[Floats, Floats]:
    """Place (F, 3) and turn (F, 3, 3) of a joint in its parent."""
    count = len(values)
    shift = np.tile(np.asarray(joint.offset), (count, 1))
    turn = np.tile(np.eye(3), (count, 1, 1))
    moved = [c for c in joint.channels if c.endswith("position")]
    # A joint with three position channels stands where they say: its offset is the rest pose.
    if len(moved) == 3:
        shift[:] = 0
    for number, channel in enumerate(joint.channels):
        axis = _AXES.index(channel[0])
        if channel.endswith("position"):
            shift[:, axis] += values[:, number]
        else:
            turn = turn @ _turn(axis, np.deg2rad(values[:, number]))
    return shift, turn


def _turn(axis: int, angle: Floats) -> Floats:
    turn = np.zeros((len(angle), 3, 3))
    j, k = (axis + 1) % 3, (axis + 2) % 3
    turn[:, axis, axis] = 1
    turn[:, j, j] = turn[:, k, k] = np.cos(angle)
    turn[:, k, j] = np.sin(angle)
    turn[:, j, k] = -turn[:, k, j]
    return turn


class _Words:
    """The words of the skeleton, one after the other, with the line each stands on."""

    def __init__(self, text: str) -> None:
        apart = text.replace("{", " { ").replace("}", " } ")
        self.words = [
            (word, line) for line, row in enumerate(apart.splitlines(), 1) for word in row.split()
        ]
        self.at = 0

    def peek(self) -> str:
        return self.words[self.at][0] if self.at < len(self.words) else ""

    def next(self, what: str) -> str:
        if self.at >= len(self.words):
            raise InputError(f"text ends where {what} must stand", "text")
        self.at += 1
        return self.words[self.at - 1][0]

    def must(self, word: str) -> None:
        got = self.next(word)
        if got.upper() != word:
            raise self.error(f"{word} must stand here, got {got!r:.40}")

    def number(self, what: str) -> float:
        word = self.next(what)
        try:
            value = float(word)
        except ValueError:
            raise self.error(f"{what} must be a number, got {word!r:.40}") from None
        if not math.isfinite(value):
            raise self.error(f"{what} must be finite, got {word!r:.40}")
        return value

    def until_brace(self) -> str:
        """The words before the next opening brace, which is taken too."""
        got = []
        while (word := self.next("{")) != "{":
            if word == "}" or word.upper() == "OFFSET":
                raise self.error(f"{{ must stand before {word}")
            got.append(word)
        return " ".join(got)

    def error(self, message: str) -> InputError:
        line = self.words[min(self.at, len(self.words)) - 1][1]
        return InputError(f"text, line {line}: {message}", "text")


def read_bvh(text: str) -> Bvh:
    """Read the text of a .bvh file.

    Parameters
    ----------
    text : str

    Returns
    -------
    Bvh

    Raises
    ------
    InputError
        The text is not of this kind; the message names the line.

    Examples
    --------
    >>> clip = read_bvh('''HIERARCHY
    ... ROOT Hips { OFFSET 0 0 0 CHANNELS 3 Xposition Yposition Zposition
    ...   End Site { OFFSET 0 2 0 } }
    ... MOTION
    ... Frames: 1
    ... Frame Time: 0.04
    ... 1 5 0''')
    >>> clip.positions()[:, 0].tolist()
    [[1.0, 0.0, 5.0], [1.0, 0.0, 7.0]]
    """
    if not isinstance(text, str):
        raise InputError(f"text must be text, got {type(text).__name__}", "text")
    head, _, tail = text.lstrip("\ufeff").partition("MOTION")
    words = _Words(head)
    if words.peek().upper() != "HIERARCHY":
        raise InputError(f"text must begin with HIERARCHY, got {words.peek()!r:.40}", "text")
    words.must("HIERARCHY")
    joints: list[Joint] = []
    while words.peek().upper() == "ROOT":
        _read_tree(words, joints)
    if not joints:
        raise InputError("text must hold a ROOT after HIERARCHY", "text")
    if words.peek():
        words.next("MOTION")
        raise words.error("after the skeleton MOTION must stand")
    frame_time, motion = _read_motion(tail, sum(len(j.channels) for j in joints))
    return Bvh(tuple(joints), frame_time, motion)


def _read_tree(words: _Words, joints: list[Joint]) -> None:
    """One root and all below it. A stack, not a recursion: a file may be thousands deep."""
    open_joints: list[int] = []
    while True:
        kind = words.next("JOINT, End Site or }").upper()
        if kind == "}" and open_joints:
            open_joints.pop()
            if not open_joints:
                return
            continue
        parent = open_joints[-1] if open_joints else -1
        if kind == "END" and parent >= 0:
            words.until_brace()
            name = f"{joints[parent].name} end"
        elif kind == ("JOINT" if parent >= 0 else "ROOT"):
            name = words.until_brace() or "joint"
        else:
            raise words.error(f"JOINT, End Site or }} must stand here, got {kind!r:.40}")
        words.must("OFFSET")
        x, y, z = (words.number("an offset") for _ in range(3))
        channels = () if kind == "END" else _channels(words)
        joints.append(Joint(name, parent, (x, y, z), channels))
        open_joints.append(len(joints) - 1)


def _channels(words: _Words) -> tuple[str, ...]:
    if words.peek().upper() != "CHANNELS":
        return ()
    words.next("CHANNELS")
    count = words.number("the number of channels")
    if count != int(count) or not 0 <= count <= _MOST_CHANNELS:
        raise words.error(f"a joint has 0 to {_MOST_CHANNELS} channels, got {count:g}")
    names = []
    for _ in range(int(count)):
        word = words.next("a channel")
        name = word[:1].upper() + word[1:].lower()
        if name[:1] not in _AXES or name[1:] not in ("position", "rotation"):
            raise words.error(f"a channel is Xposition ... Zrotation, got {word!r:.40}")
        names.append(name)
    return tuple(names)


def _read_motion(tail: str, width: int) -> tuple[float, Floats]:
    lines = [line.strip() for line in tail.splitlines() if line.strip()]
    if len(lines) < 2:
        raise InputError(
            "text must hold MOTION, Frames: and Frame Time: after the skeleton", "text"
        )
    count = _after(lines[0], "Frames:")
    if count != int(count) or count < 0:
        raise InputError(f"Frames: must be a whole number, got {count:g}", "text")
    frame_time = _after(lines[1], "Frame Time:")
    if not frame_time > 0:
        raise InputError(f"Frame Time: must be above 0 s, got {frame_time:g}", "text")
    words = " ".join(lines[2:]).split()
    try:
        values = np.array(words, dtype=np.float64)
    except ValueError:
        raise InputError("the motion must be numbers only", "text") from None
    if not np.all(np.isfinite(values)):
        raise InputError("the motion must be finite", "text")
    if width == 0 or count == 0:
        raise InputError("text holds no motion: no channels or no frames", "text")
    if values.size != int(count) * width:
        raise InputError(
            f"the motion must hold {int(count)} frames of {width} numbers, "
            f"got {values.size} numbers",
            "text",
        )
    return frame_time, values.reshape(int(count), width)


def _after(line: str, label: str) -> float:
    if not line.upper().startswith(label.upper()):
        raise InputError(f"{label} must stand after MOTION, got {line!r:.60}", "text")
    try:
        value = float(line[len(label) :])
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(
            f"{label} must be a number, got {line[len(label) :].strip()!r:.40}", "text"
        )
    return value
