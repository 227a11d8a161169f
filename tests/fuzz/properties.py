# SPDX-License-Identifier: GPL-3.0-or-later
"""Every property of hard use by its name."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from importlib.util import find_spec
from types import MappingProxyType, ModuleType
from typing import Any

from . import keys, measured, solver, typed

__all__ = ["PROPERTIES"]


def _where_there_is(name: str, needed: str) -> tuple[ModuleType, ...]:
    """A module of properties, where what it needs is installed."""
    return (import_module(f".{name}", __package__),) if find_spec(needed) else ()


MODULES = (
    solver,
    keys,
    measured,
    typed,
    *_where_there_is("jobs", "distributed"),
    *_where_there_is("rigfiles", "bpy"),
)

PROPERTIES: Mapping[str, Callable[[], Any]] = MappingProxyType(
    {name: getattr(module, name) for module in MODULES for name in module.__all__}
)
"""Each is a test by itself: it takes nothing, and hypothesis finds what goes in."""
