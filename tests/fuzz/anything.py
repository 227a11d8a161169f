# SPDX-License-Identifier: GPL-3.0-or-later
"""What hard use puts in: mostly what a person means, now and then anything at all; and what must
hold of whatever comes out."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import strategies as st

from leapwright.errors import LeapwrightError

__all__ = [
    "LONGEST",
    "ODD",
    "finite",
    "mostly",
    "names",
    "numbers",
    "rates",
    "rows",
    "scratch",
    "tried",
]

LONGEST = 5.0
"""Seconds of this process's own time after which something hangs."""

EDGES = (
    0.0, -0.0, 1.0, -1.0, 0.5, 2.0, 1e-9, 1e-12, 5e-324, 1e-300, 1e-30, 1e30, 1e300, 1.7e308,
    -1e300, float("inf"), float("-inf"), float("nan"), 1e5, 1e6, 2**31, 2**53, 2**63, 1e16,
)  # fmt: skip

ODD: st.SearchStrategy[Any] = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**70), 2**70),
    st.floats(),
    st.sampled_from(EDGES),
    st.sampled_from(
        ["", "nan", "12", "Erde", "١٢", b"12", 3 + 4j, Fraction(1, 3), Decimal("0.3"), Ellipsis]
    ),
    st.sampled_from([[], [[]], [1, [2, 3]], (), {}, {"a": 1}, {1}, range(3), object, [None]]),
    st.lists(st.floats(), max_size=3),
    st.sampled_from([np.float32(2), np.int8(3), np.array("a"), np.array([]), np.zeros((2, 0))]),
)
"""Anything a caller might hand over."""


def mostly(
    meant: st.SearchStrategy[Any], odd: st.SearchStrategy[Any] = ODD, *, of: int = 20
) -> st.SearchStrategy[Any]:
    """What is meant; one time in `of` something odd."""
    return st.integers(0, of - 1).flatmap(lambda n: odd if n == of - 1 else meant)


def numbers(low: float, high: float, **odd: Any) -> st.SearchStrategy[Any]:
    """A number of a sensible size, as a rule; else one at the edge of floating point."""
    return mostly(st.floats(low, high), st.one_of(st.sampled_from(EDGES), ODD), **odd)


def rows(low: float, high: float, size: int) -> st.SearchStrategy[Any]:
    """Numbers for several jumps at once."""
    return st.lists(st.floats(low, high), min_size=size, max_size=size).map(np.array)


def rates() -> st.SearchStrategy[Any]:
    """Frame rates, as numbers and as text."""
    meant = st.sampled_from([24, 25, 30, 23.976, "30000/1001", "24", 12, 60, 120.0, "1/3", 1000])
    texts = st.text("0123456789/.-+eE _ ", max_size=8)
    return mostly(meant, st.one_of(ODD, texts), of=8)


def names() -> st.SearchStrategy[str]:
    """Names in any script, with namespaces, sides, numbers and what patterns are made of."""
    parts = st.sampled_from(
        ["root", "COG", "foot", "Hüfte", "足", "قدم", "ступня", "पैर", "🐇", "é", ".L", "_r", ":",
         "::", ".001", "*", "?", "[", "]", "[!", "-", "|", "\\", "\"", "'", "\n", "\x00", " ", "/"]
    )  # fmt: skip
    return st.lists(st.one_of(parts, st.text(max_size=3)), max_size=6).map("".join)


def tried(call: Callable[[], Any], *, wrong_call: bool = False) -> Any:
    """Give what a call gives, or None where it refuses in words.

    Parameters
    ----------
    call : callable
    wrong_call : bool
        The call itself may be wrong for Python: a TypeError is right then.

    Raises
    ------
    Exception
        Anything that is raised and is not Leapwright's own.
    AssertionError
        It took too long, or what it said is not one clear line.
    """
    begun = time.process_time()
    try:
        return call()
    except LeapwrightError as error:
        said = str(error)
        assert said.strip(), "refused without a word"
        return None
    except TypeError:
        if not wrong_call:
            raise
        return None
    finally:
        took = time.process_time() - begun
        assert took < LONGEST, f"took {took:.1f} s"


def scratch() -> tempfile.TemporaryDirectory[str]:
    """A folder for one try, in memory where there is such a place: files are flushed to it."""
    memory = Path("/dev/shm")
    return tempfile.TemporaryDirectory(
        prefix="leapwright-fuzz-", dir=memory if os.access(memory, os.W_OK) else None
    )


def finite(value: Any) -> bool:
    """Whether everything in it is finite."""
    return bool(np.all(np.isfinite(np.asarray(value, dtype=float))))
