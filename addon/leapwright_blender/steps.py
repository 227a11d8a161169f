# SPDX-License-Identifier: GPL-3.0-or-later
"""Long work in steps: between them a window lives, progress is shown, and the user may stop it.

A verb is a generator. It yields while it reads, rehearses and compares, and returns its result;
from its first write on it does not yield. To stop it, close it: what it rehearsed is put away, and
everything is as it was before. Whatever else wants the file (undo, save, load) comes after that.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from contextlib import closing
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar

__all__ = ["Runner", "Step", "Steps", "creeping", "held", "part", "run"]

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Step:
    """Where work is.

    Attributes
    ----------
    share : float
        How much of it is done, 0 to 1: a guess where nobody knows how much is left.
    words : str
        What it is at.
    """

    share: float
    words: str


Steps = Generator[Step, None, T]
"""Work that yields where it is and returns its result."""


class Runner(Protocol):
    """What a verb's steps are given to."""

    def __call__(self, steps: Steps[T], /) -> T:
        """Give the result of the steps."""


def run(steps: Steps[T], /, *, told: Callable[[Step], object] | None = None) -> T:
    """Go through all steps at once, and give their result.

    Parameters
    ----------
    steps : Steps
    told : callable, optional
        Is told every step.

    Examples
    --------
    >>> def counted():
    ...     yield Step(0.5, "halfway")
    ...     return 3
    >>> run(counted())
    3
    """
    while True:
        try:
            step = next(steps)
        except StopIteration as done:
            result: T = done.value
            return result
        if told is not None:
            told(step)


def held(steps: Steps[T], /) -> Any:
    """Give the steps themselves as the result, for who goes through them by and by.

    Parameters
    ----------
    steps : Steps
    """
    return steps


def part(steps: Steps[T], first: float, last: float, words: str = "") -> Steps[T]:
    """Go through steps as a part of longer work; the share never goes back.

    Parameters
    ----------
    steps : Steps
    first, last : float
        The share of the whole that is done before and after them.
    words : str
        What the whole is at, instead of what they say.

    Examples
    --------
    >>> def counted():
    ...     yield Step(0.5, "halfway")
    ...     return 3
    >>> next(part(counted(), 0.0, 0.5)).share
    0.25
    """
    farthest = first
    with closing(steps):
        while True:
            try:
                step = next(steps)
            except StopIteration as done:
                result: T = done.value
                return result
            farthest = max(farthest, first + (last - first) * step.share)
            yield Step(farthest, words or step.words)


def creeping(rounds: int) -> float:
    """A share for work that goes on until it is good enough: ever nearer to 1.

    Parameters
    ----------
    rounds : int
        How many are done.

    Examples
    --------
    >>> creeping(0), creeping(2)
    (0.0, 0.4375)
    """
    return 1.0 - 0.75**rounds
