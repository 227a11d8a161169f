# SPDX-License-Identifier: GPL-3.0-or-later
"""Hard use of rig files: any text, any values, patterns over names in any script. Needs bpy."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from leapwright.naming import is_never, matches
from leapwright_blender import rigfile as rf

from .anything import ODD, mostly, names, scratch, tried
from .toml import pairs, quoted, slipped

__all__ = ["never_channels", "rig_files", "rig_files_saved"]

NAMES = st.one_of(st.sampled_from(["Hare*", "root", "foot.?", "[fp]aw.L", "a:b"]), names())
KEYS = ("match", "root", "cog", "pelvis", "feet", "soles", "never")
VALUES = st.one_of(
    NAMES.map(quoted), st.lists(NAMES.map(quoted), max_size=3).map(lambda n: f"[{', '.join(n)}]")
)


@st.composite
def meant(draw: Any) -> str:
    """A rig file as a person writes it."""
    lines = ["# ears: 2", f"match = [{draw(NAMES.map(quoted))}]", *draw(pairs(KEYS, VALUES))]
    return "\n".join(draw(st.permutations(lines)))


def loaded(path: Path) -> rf.RigFile | None:
    read: rf.RigFile | None = tried(lambda: rf.load_rig_file(path))
    return read


@given(text=slipped(meant()))
def rig_files(text: str) -> None:
    """Any text is a rig file or refused in one line; what is read is the same once saved."""
    with scratch() as folder:
        path = Path(folder) / "a.rig.toml"
        path.write_bytes(text.encode(errors="surrogatepass"))
        try:
            read = loaded(path)
        except Exception as error:
            raise AssertionError(text) from error
        if read is None:
            return
        again = rf.save_rig_file(Path(folder) / "b.rig.toml", read)
        assert replace(again, path=None) == replace(read, path=None)
        assert sorted(p.name for p in path.parent.iterdir()) == ["a.rig.toml", "b.rig.toml"]


SURE = st.lists(NAMES.filter(bool), max_size=3).map(tuple)
HALVES = st.sampled_from(["\ud800", "a\udce4", 3, None, ("a",), b"a", ""])
LISTS = mostly(st.one_of(st.none(), SURE), st.one_of(ODD, NAMES, st.tuples(HALVES)), of=8)
ONE = mostly(st.one_of(st.none(), NAMES), st.one_of(ODD, HALVES), of=8)


@given(
    match=mostly(SURE, LISTS, of=6), root=ONE, cog=ONE, pelvis=ONE, feet=LISTS, soles=LISTS,
    never=LISTS,
)  # fmt: skip
def rig_files_saved(**said: Any) -> None:
    """Any values are saved so that they are read again, or refused and the old file stays."""
    with scratch() as folder:
        path = Path(folder) / "a.rig.toml"
        path.write_bytes(b'match = ["old"]\n')
        saved = tried(lambda: rf.save_rig_file(path, rf.RigFile(**said)))
        if saved is None:
            assert path.read_bytes() == b'match = ["old"]\n'
        else:
            given_ = {k: tuple(v) if isinstance(v, list) else v for k, v in said.items()}
            assert saved.says() == {k: v for k, v in given_.items() if v is not None}
            assert loaded(path) == saved
        assert [p.name for p in path.parent.iterdir()] == ["a.rig.toml"]


@given(control=names(), channel=names(), others=st.lists(names(), max_size=3))
def never_channels(control: str, channel: str, others: list[str]) -> None:
    """A channel that is named letter by letter is never keyed, whatever it is called."""
    assert is_never([*others, f"{control}/{channel}"], control, channel)
    assert is_never([control], control, channel)
    assert matches(control, control)
    assert not is_never([], control, channel)
