# SPDX-License-Identifier: GPL-3.0-or-later
"""What a shot remembers of its jump: one JSON string in a custom property of the rig object."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

__all__ = ["PROPERTY", "load", "save"]

PROPERTY = "leapwright"
FORMAT = 1


def save(
    obj: Any,
    *,
    asked: Mapping[str, Any],
    poses: Mapping[str, float],
    moments: Mapping[str, float],
    cog: str,
    air: str,
) -> None:
    """Store what was asked and where the moments went; what it held before is replaced."""
    obj[PROPERTY] = json.dumps(
        {
            "format": FORMAT,
            "asked": {k: v for k, v in asked.items() if v is not None},
            "poses": dict(poses),
            "moments": dict(moments),
            "cog_from": "control",
            "cog": cog,
            "air": air,
            "style": {},
            "intended": [],
        },
        sort_keys=True,
        default=str,
    )


def load(obj: Any) -> dict[str, Any] | None:
    """What the rig's object remembers; None where nothing, or nothing readable, is there."""
    text = obj.get(PROPERTY)
    if not isinstance(text, str):
        return None
    try:
        data = json.loads(text)
    except json.JSONDecodeError:
        return None
    return data if isinstance(data, dict) and data.get("format") == FORMAT else None
