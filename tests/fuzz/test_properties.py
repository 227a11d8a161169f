# SPDX-License-Identifier: GPL-3.0-or-later
"""A short piece of the hard use, the same on every run; ``make fuzz`` goes on for as long as one
likes."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, settings

from .kept import kept
from .properties import PROPERTIES

SHORT = settings(
    max_examples=40,
    derandomize=True,
    database=None,
    deadline=None,
    suppress_health_check=list(HealthCheck),
)
FEW = {"command_lines": 12}
"""Where one of them takes longer."""


@pytest.mark.parametrize("name", PROPERTIES)
def test_holds(name: str) -> None:
    examples = FEW.get(name, SHORT.max_examples)
    settings(SHORT, max_examples=examples)(PROPERTIES[name])()


@pytest.mark.parametrize("name", PROPERTIES)
def test_holds_for_all_that_proved_useful_once(name: str) -> None:
    tried = PROPERTIES[name].hypothesis.fuzz_one_input
    for text in kept(name):
        tried(text)
