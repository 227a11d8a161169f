# SPDX-License-Identifier: GPL-3.0-or-later
"""Texts that are nearly TOML: what a person types, with slips, and what nobody types."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from .anything import mostly, names

__all__ = ["ODD_KEYS", "ODD_VALUES", "keys", "pairs", "quoted", "slipped"]

ODD_VALUES = (
    '""', "''", '"x"', "0", "-1", "1e400", "inf", "-inf", "nan", "true", "[]", "{}", '[""]', "[[]]",
    "[1, 'a']", "{ a = { b = [1] } }", "1979-05-27", "07:32:00", "1979-13-99", "0.1e-999",
    "0x" + "f" * 5000, "9" * 5000, "9" * 400, '"' + "9" * 400 + 'GB"', "0b1", '"\\u0000"',
    '"a\\nb"', '"""a\n"b""\\""""', "'''\n[a]\n'''", '"قدم/*.blend"', '"\U0001f407"',
    '"\\\\\\\\srv\\\\x.blend"', "'C:\\shots\\a.blend'", '"\\ud800"', '"~nobody_at_all/a.blend"',
    '"[z-a]*"', '"[!"', '"**/**/**"', '"*a*a*a*a*a*a*a*a*a*b"', '"{name:99999999999}.blend"',
    '"{path!r}"', '"{name.__class__}"', '"{"', '"{}/"', '"../../up/"', '"/"',
    "[" * 40 + "]" * 40, "[" * 3000 + "]" * 3000, "{a=" * 300 + "1" + "}" * 300, "", "=", "]",
    '"' + "x" * 300 + '.blend"',
)  # fmt: skip
ODD_KEYS = (
    "hop", "str", "int", "float", "bool", '"a[1]"', '"list[str]"', '"(x)"', '""', '"a\\nb"',
    "'Fuß'", "a.b.c", '"\\u0000"', "٣", "-", "_", "name.name", '" "', "true", "1", "0", "[x]", "",
)  # fmt: skip


def quoted(text: str) -> str:
    """A text as a basic string of TOML."""
    said = "".join(c if c.isprintable() and c not in '"\\' else f"\\U{ord(c):08x}" for c in text)
    return f'"{said}"'


def keys(meant: Any) -> Any:
    """Keys that there are, as a rule."""
    return mostly(st.sampled_from(meant), st.one_of(st.sampled_from(ODD_KEYS), names().map(quoted)))


def pairs(known: Any, values: Any, *, most: int = 4) -> Any:
    """Lines ``key = value``; known gives the keys, values what each may hold."""
    odd = st.one_of(st.sampled_from(ODD_VALUES), names().map(quoted))
    one = st.tuples(keys(known), mostly(values, odd, of=8)).map(" = ".join)
    return st.lists(one, max_size=most, unique_by=lambda line: line.partition("=")[0])


@st.composite
def slipped(draw: Any, texts: Any) -> str:
    """A text as it is meant, or with pieces taken out, put in or doubled; or anything at all."""
    how = draw(st.integers(0, 11))
    if how == 0:
        return draw(st.text(max_size=40))
    text = draw(texts)
    for _ in range(draw(st.integers(1, 3)) if how <= 3 else 0):
        at = draw(st.integers(0, len(text)))
        until = min(at + draw(st.integers(0, 12)), len(text))
        put = draw(
            st.one_of(
                st.sampled_from(
                    ["", "\n", "\r", "\r\n", '"', "'", '"""', "[", "]", "[[", "{", "}", "=", ".",
                     ",", "#", "\x00", "\ufeff", "\\", text[at:until] * 2, "\n[[jobs]]\n", "é"]
                ),
                st.text(max_size=3),
            )
        )  # fmt: skip
        text = text[:at] + put + text[until:]
    return text.replace("\n", "\r\n") if draw(st.integers(0, 9)) == 0 else text
