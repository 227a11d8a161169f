# SPDX-License-Identifier: GPL-3.0-or-later
"""When each foot leaves and plants, as text: ``paw.L=release-4,plant+0``."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from leapwright.errors import InputError

__all__ = ["foot_offsets", "foot_text"]

_OFFSET = re.compile(r"\s*(release|plant)\s*([+-]\d+|0)\s*")


def foot_offsets(texts: Iterable[str] | str) -> dict[str, dict[str, int]]:
    """Read offsets in frames, of feet by name or pattern.

    Parameters
    ----------
    texts : iterable of str, or str
        One foot each; a single text may hold several, separated by ``;``.

    Raises
    ------
    InputError
        It reads otherwise, or names a foot twice.

    Examples
    --------
    >>> foot_offsets(["paw.L=release-4", "paw.R=plant+2,release-1"])
    {'paw.L': {'release': -4}, 'paw.R': {'plant': 2, 'release': -1}}
    >>> foot_offsets("front*=release-4; hind*=plant+4")
    {'front*': {'release': -4}, 'hind*': {'plant': 4}}
    """
    parts = filter(str.strip, texts.split(";")) if isinstance(texts, str) else texts
    feet: dict[str, dict[str, int]] = {}
    for part in parts:
        # A control's own name may have an equals sign; the offsets have none.
        name, _, offsets = part.rpartition("=")
        name = name.strip()
        found = [_OFFSET.fullmatch(offset) for offset in offsets.split(",")]
        if not name or not all(found):
            raise InputError(f"foot must be NAME=release-4,plant+0, got {part.strip()!r}", "foot")
        if name in feet:
            raise InputError(f"foot {name} is given twice, got {part.strip()!r}", "foot")
        feet[name] = {match[1]: int(match[2]) for match in found if match}
    return feet


def foot_text(feet: Mapping[str, Mapping[str, int]]) -> str:
    """Write offsets as one text that `foot_offsets` reads.

    Examples
    --------
    >>> foot_text({"paw.L": {"release": -4, "plant": 0}})
    'paw.L=release-4,plant+0'
    """
    return "; ".join(
        f"{name}={','.join(f'{word}{frames:+d}' for word, frames in offsets.items())}"
        for name, offsets in feet.items()
    )
