# SPDX-License-Identifier: GPL-3.0-or-later
"""Per-foot offsets as one line of text, with the words of the command line."""

from __future__ import annotations

import re
from collections.abc import Mapping

from leapwright.errors import InputError

__all__ = ["foot_offsets", "foot_text"]

_OFFSET = re.compile(r"\s*(release|plant)\s*([+-]\d+|0)\s*")


def foot_offsets(text: str) -> dict[str, dict[str, int]]:
    """Read a line like ``paw.L=release-4,plant+0; paw.R=plant+2``.

    Raises
    ------
    InputError
        It reads otherwise, or names a foot twice.
    """
    feet: dict[str, dict[str, int]] = {}
    for part in filter(str.strip, text.split(";")):
        # A control's own name may have an equals sign; the offsets have none.
        name, _, offsets = part.rpartition("=")
        name = name.strip()
        found = [_OFFSET.fullmatch(offset) for offset in offsets.split(",")]
        if not name or not all(found):
            raise InputError(
                f"foot must be NAME=release-4,plant+0; NAME=..., got {part.strip()!r}", "foot"
            )
        if name in feet:
            raise InputError(f"foot {name} is given twice, got {part.strip()!r}", "foot")
        feet[name] = {match[1]: int(match[2]) for match in found if match}
    return feet


def foot_text(feet: Mapping[str, Mapping[str, int]]) -> str:
    """Write offsets as `foot_offsets` reads them."""
    return "; ".join(
        f"{name}={','.join(f'{word}{frames:+d}' for word, frames in offsets.items())}"
        for name, offsets in feet.items()
    )
