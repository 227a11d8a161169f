# SPDX-License-Identifier: GPL-3.0-or-later
"""TOML of any kind is read, or refused with a line that is there."""

from __future__ import annotations

import pytest

from leapwright.toml import DEEPEST, TomlError, read_toml


def nested(levels: int) -> str:
    return "a = 1\nb = " + "[" * levels + "]" * levels + "\n"


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ('a = 1\nb = "\n', 2, "is not TOML"),
        ("a = 1\na = 2\n", 2, "is not TOML"),
        ("a = [\n", 2, "is not TOML"),
        ("a = 1\nb = " + "9" * 5000, 2, "thousands of digits"),
        ("a = 1\nb = 0x" + "f" * 5000, 2, "thousands of digits"),
        (nested(DEEPEST + 1), 2, "deep in each other"),
        (nested(300), 2, "deep in each other"),
        (nested(100_000), 2, "deep in each other"),
        ("a = 1\nb = " + "{c=" * 60 + "1" + "}" * 60, 2, "deep in each other"),
        (".".join("a" * 2000) + " = 1", 1, "deep in each other"),
    ],
    ids=range(10),
)
def test_what_cannot_be_read_has_a_line(text: str, line: int, said: str) -> None:
    with pytest.raises(TomlError, match=said) as caught:
        read_toml(text)
    assert caught.value.line == line
    assert "\n" not in str(caught.value)


def test_what_people_write_is_read() -> None:
    assert read_toml(nested(DEEPEST - 1))["a"] == 1
    assert read_toml("a = 9223372036854775807\nb = 1e400")["a"] == 2**63 - 1
