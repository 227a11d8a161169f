# SPDX-License-Identifier: GPL-3.0-or-later
"""Shots for a batch, built once."""

from __future__ import annotations

from pathlib import Path

import pytest

from batch.trial import make_base


@pytest.fixture(scope="session")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The few shots that all others are copies of."""
    return make_base(tmp_path_factory.mktemp("base"))


@pytest.fixture(autouse=True)
def _no_rigs_of_the_user(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Nothing of the user's own set-up is read."""
    monkeypatch.setenv("LEAPWRIGHT_RIGS", str(tmp_path / "no rigs"))
