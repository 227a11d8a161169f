# SPDX-License-Identifier: GPL-3.0-or-later
"""Long work in a real window goes on in steps, and leaves no trace when it is stopped."""

from __future__ import annotations

from typing import Any

import pytest

from window.driven import drive


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    return drive(tmp_path_factory.mktemp("long"), "long")


def test_what_is_stopped_leaves_no_trace(seen: dict[str, Any]) -> None:
    assert [one["said"] for one in seen["stopped"]] == [["RUNNING_MODAL"]] * 4
    for one in seen["stopped"]:
        assert all(one["same"].values()), one["same"]
        shares = one["shares"]
        assert shares == sorted(shares)
        assert 0 <= shares[0] <= shares[-1] <= 1


def test_a_save_meanwhile_holds_what_was(seen: dict[str, Any]) -> None:
    saved = seen["meanwhile"]
    assert saved["keys"] == saved["were"]
    assert saved["actions"] == saved["actions_were"]


def test_to_its_end_it_is_what_the_api_gives(seen: dict[str, Any]) -> None:
    assert seen["long"]["said"] == ["RUNNING_MODAL"]
    assert seen["long"]["keys"] == seen["long"]["api"]
    assert seen["long"]["undone"]
    assert seen["checked"]["said"] == ["RUNNING_MODAL"]
    assert seen["checked"]["same"]
    print(f"longest pause of the window: {seen['long']['pause']:.2f} s in block, "
          f"{seen['checked']['pause']:.2f} s in check")  # fmt: skip


def test_one_that_begins_meanwhile_takes_over(seen: dict[str, Any]) -> None:
    assert seen["second"] == {"said": ["RUNNING_MODAL"], "same": True}


def test_a_rig_that_goes_away_ends_it(seen: dict[str, Any]) -> None:
    assert seen["gone"] == {"said": ["RUNNING_MODAL"], "scenes": ["Scene"]}


def test_a_load_meanwhile_ends_it(seen: dict[str, Any]) -> None:
    assert seen["loaded"] == {"said": ["RUNNING_MODAL"], "working": False}
