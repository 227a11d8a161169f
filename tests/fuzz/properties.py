# SPDX-License-Identifier: GPL-3.0-or-later
"""Every property of hard use by its name."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any

from . import keys, measured, solver, typed

__all__ = ["PROPERTIES"]

PROPERTIES: Mapping[str, Callable[[], Any]] = MappingProxyType(
    {
        name: getattr(module, name)
        for module in (solver, keys, measured, typed)
        for name in module.__all__
    }
)
"""Each is a test by itself: it takes nothing, and hypothesis finds what goes in."""
