# SPDX-License-Identifier: GPL-3.0-or-later
"""Rig files: written, read, matched, and refused with the file, the key and what is allowed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import bpy
import pytest

from blender.rigs import KINDS, build, object_hare, simple_hare
from leapwright.errors import ClashError, FileError, InputError
from leapwright_blender import rigfile as rf
from leapwright_blender.rig import Control, find_controls


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


ODD = 'a "quoted" \\ back\tslash\x7f\x01 # ä [1] \U0001f407'


def write(path: Path, text: str) -> Path:
    path.write_text(text, encoding="utf-8")
    return path


def test_any_names_round_trip(tmp_path: Path) -> None:
    said = rf.RigFile((ODD, "b"), ODD, ODD, "", (ODD, "x,y"), (), ("*/scale",))
    got = rf.save_rig_file(tmp_path / "new" / "odd.rig.toml", said)
    assert replace(got, path=None) == said
    assert rf.load_rig_file(got.path) == got
    assert [p.name for p in got.path.parent.iterdir()] == ["odd.rig.toml"]


def test_a_rig_file_may_be_read_by_whom_any_new_file_may(tmp_path: Path) -> None:
    beside = write(tmp_path / "notes.txt", "")
    saved = rf.save_rig_file(tmp_path / "h.rig.toml", rf.RigFile(("b",), "b", "cog"))
    assert saved.path is not None
    assert saved.path.stat().st_mode == beside.stat().st_mode


def test_found_controls_round_trip_under_another_namespace(tmp_path: Path) -> None:
    first = simple_hare(namespace="Hare01")
    controls = find_controls(first, folders=())
    saved = rf.save_rig_file(tmp_path / "hare.rig.toml", controls, first)
    assert (saved.root, saved.cog, saved.feet) == ("root", "body", ("paw.L", "paw.R"))
    second = simple_hare(namespace="Other")
    assert second.name == "Hare.001"
    again = find_controls(second, folders=[tmp_path])
    assert again.cog == Control("Hare.001", "Other:body")
    assert [f.bone for f in again.feet] == ["Other:paw.L", "Other:paw.R"]
    assert (again.soles, again.never) == (
        tuple(replace(p, object="Hare.001", bone=p.bone.replace("Hare01", "Other"))
              for p in controls.soles),
        controls.never,
    )  # fmt: skip
    assert again.sure["cog"][1] == "'Other:body' is the COG control: the rig file says so"


@pytest.mark.parametrize("name", KINDS)
def test_every_kind_of_rig_round_trips(tmp_path: Path, name: str) -> None:
    rig = build(name)
    rig["visible"] = 1
    controls = find_controls(rig, folders=())
    saved = rf.save_rig_file(tmp_path / "a.rig.toml", controls, rig)
    assert not any(":" in text for value in saved.says().values() for text in value)
    assert f"{rig.name}/visible" in saved.never
    again = find_controls(rig, folders=[tmp_path])
    assert replace(again, sure={}) == replace(controls, sure={})
    assert {how for how, _ in again.sure.values()} <= {"sure", "likely", "guess"}
    rf.save_rig_file(tmp_path / "b.rig.toml", replace(controls, never=()), rig)
    with pytest.raises(ClashError, match="matches several rig files"):
        find_controls(rig, folders=[tmp_path])


def test_a_copied_figure_is_found_by_its_rig_file(tmp_path: Path) -> None:
    first = object_hare()
    controls = find_controls(first, folders=())
    saved = rf.save_rig_file(tmp_path / "hare.rig.toml", controls, first)
    assert saved.match == ("Hare", "HareBody", "HareFoot.L", "HareFoot.R")
    second = object_hare()
    again = find_controls(second, folders=[tmp_path])
    assert (again.root, again.cog) == (Control("Hare.001"), Control("HareBody.001"))
    assert again.feet == (Control("HareFoot.L.001"), Control("HareFoot.R.001"))
    assert again.sure["cog"][1].endswith("the rig file says so")


def test_an_armature_object_can_be_the_root_in_a_file(tmp_path: Path) -> None:
    rig = build("BVH import")
    rig.keyframe_insert("location", frame=1)
    controls = find_controls(rig, folders=())
    saved = rf.save_rig_file(tmp_path / "hop.rig.toml", controls, rig)
    assert saved.root == rig.name
    again = find_controls(rig, folders=[tmp_path])
    assert (again.root, again.carries) == (Control(rig.name), "root")


def test_the_file_beats_what_is_found_and_the_user_beats_the_file(tmp_path: Path) -> None:
    rig = simple_hare()
    path = write(
        tmp_path / "h.rig.toml",
        'match = ["body"]\nroot = ""\ncog = "pelv*"\nsoles = ["sole.*"]\nnever = ["ear.?"]\n',
    )
    got = find_controls(rig, rig_file=path)
    assert (got.root, got.cog.bone, got.never) == (None, "pelvis", ("ear.?",))
    assert [p.bone for p in got.soles] == ["sole.L", "sole.R"]
    assert got.carries == "feet"
    assert find_controls(rig, rig_file=path, cog="body").cog.bone == "body"


def test_every_pattern_must_match(tmp_path: Path) -> None:
    rig = simple_hare()
    write(tmp_path / "a.rig.toml", 'match = ["Hare", "antler*"]\n')
    write(tmp_path / "b.rig.toml", 'match = ["Har?", "paw.[LR]"]\ncog = "body"\n')
    write(tmp_path / "c.toml", 'match = ["Hare"]\n')
    found = rf.find_rig_files([tmp_path, tmp_path, tmp_path / "not there"], rig)
    assert [r.path.name for r in found if r.path] == ["b.rig.toml"]


def test_two_matches_are_reported_with_both_paths(tmp_path: Path) -> None:
    rig = simple_hare()
    one = write(tmp_path / "1.rig.toml", 'match = ["Hare"]\ncog = "body"\n')
    two = write(tmp_path / "2.rig.toml", 'match = ["Hare"]\ncog = "pelvis"\n')
    with pytest.raises(ClashError) as caught:
        find_controls(rig, folders=[tmp_path])
    assert str(one) in str(caught.value)
    assert str(two) in str(caught.value)
    assert find_controls(rig, folders=[tmp_path], rig_file=two).cog.bone == "pelvis"


def test_copies_that_say_the_same_are_no_clash(tmp_path: Path) -> None:
    rig = simple_hare()
    for name in "12":
        write(tmp_path / f"{name}.rig.toml", 'match = ["Hare"]\ncog = "body"\n')
    chosen = rf.rig_file_for(rig, folders=[tmp_path])
    assert chosen is not None
    assert chosen.cog == "body"


def test_found_beside_the_blend_and_in_the_users_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own, shot = tmp_path / "own", tmp_path / "shot"
    own.mkdir()
    shot.mkdir()
    monkeypatch.setenv("LEAPWRIGHT_RIGS", str(own))
    rig = simple_hare()
    write(own / "h.rig.toml", 'match = ["Hare"]\ncog = "pelvis"\n')
    assert find_controls(rig).cog.bone == "pelvis"
    (own / "h.rig.toml").rename(shot / "h.rig.toml")
    assert find_controls(rig).cog.bone == "body"
    bpy.ops.wm.save_as_mainfile(filepath=str(shot / "s.blend"))
    assert find_controls(bpy.data.objects["Hare"]).cog.bone == "pelvis"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('match = ["Hare"]\nfoot = "x"\n', "unknown key `foot`.*allowed: match, root, cog"),
        ('match = ["Hare"]\nfeets = []\n', "did you mean `feet`"),
        ('match = ["Hare"]\ncog = 3\n', "`cog` must be one name in quotes, got 3"),
        ('match = ["Hare"]\ncog = ""\n', "`cog` must name a control"),
        ('match = ["Hare"]\nfeet = "paw.L"\n', "`feet` must be a list of names.*got 'paw.L'"),
        ('match = ["Hare"]\nfeet = [1]\n', "`feet` must be a list"),
        ('cog = "body"\n', "`match` must list at least one"),
        ("match = []\n", "`match` must list at least one"),
        ("match = [\n", "is not TOML"),
    ],
)
def test_bad_files_name_the_file_and_the_key(tmp_path: Path, text: str, said: str) -> None:
    path = write(tmp_path / "bad.rig.toml", text)
    with pytest.raises(InputError, match=said) as caught:
        rf.load_rig_file(path)
    assert str(path) in str(caught.value)
    assert caught.value.argument == "rig_file"
    assert "\n" not in str(caught.value)


def test_files_that_are_not_there_or_not_text(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot read the rig file"):
        rf.load_rig_file(tmp_path / "none.rig.toml")
    (tmp_path / "b.rig.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="is not TOML"):
        rf.load_rig_file(tmp_path / "b.rig.toml")


@pytest.mark.parametrize(
    ("said", "wrong"),
    [
        (rf.RigFile(), "`match` must list"),
        (rf.RigFile(("Hare",), feet="paw.L"), "`feet` must be a list"),  # type: ignore[arg-type]
        (rf.RigFile(("Hare",), cog=""), "`cog` must name a control"),
        (rf.RigFile(("Hare",), root="half\ud800"), "`root` must be one name"),
    ],
)
def test_what_could_not_be_read_again_is_not_written(
    tmp_path: Path, said: rf.RigFile, wrong: str
) -> None:
    path = write(tmp_path / "h.rig.toml", 'match = ["Hare"]\n')
    with pytest.raises(InputError, match=wrong):
        rf.save_rig_file(path, said)
    assert path.read_text(encoding="utf-8") == 'match = ["Hare"]\n'
    assert [p.name for p in tmp_path.iterdir()] == ["h.rig.toml"]


def test_a_name_that_is_another_ones_without_its_namespace_is_saved_whole(tmp_path: Path) -> None:
    rig = simple_hare(names={"body": "show:body", "head": "body"})
    controls = find_controls(rig, cog="show:body", folders=())
    saved = rf.save_rig_file(tmp_path / "h.rig.toml", controls, rig)
    assert saved.cog == "show:body"
    assert find_controls(rig, folders=[tmp_path]).cog == controls.cog


def test_a_rig_file_that_is_nested_or_has_giants_is_refused(tmp_path: Path) -> None:
    for odd in ("[" * 5000 + "]" * 5000, "9" * 5000):
        path = write(tmp_path / "h.rig.toml", f'match = ["a"]\nfeet = {odd}')
        with pytest.raises(InputError, match=r"h.rig.toml has|h.rig.toml holds"):
            rf.load_rig_file(path)
    with pytest.raises(FileError, match="no file of such a name"):
        rf.load_rig_file("a\0.rig.toml")


def test_a_write_that_fails_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path / "h.rig.toml", 'match = ["Hare"]\n')

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(rf.os, "fsync", full)
    with pytest.raises(FileError, match="No space left on device"):
        rf.save_rig_file(path, rf.RigFile(("x",)))
    assert [p.name for p in tmp_path.iterdir()] == ["h.rig.toml"]
    assert path.read_text() == 'match = ["Hare"]\n'
