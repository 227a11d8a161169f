# SPDX-License-Identifier: GPL-3.0-or-later
"""Which files a pattern covers, and which paths are refused."""

from __future__ import annotations

import glob
import os
import random
import time
from pathlib import Path

import pytest

from leapwright.batch.places import expand, fits, refuse_source, refuse_target, root_of

posix = pytest.mark.skipif(os.name == "nt", reason="links, pipes and devices as POSIX has them")


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    for name in (
        "a.blend", "b.blend", "c.txt", ".hidden.blend", "x[1].blend", "deep/a.blend",
        "deep/deeper/a.blend", "deep/deeper/b 2.blend", "deep/.dot/a.blend", "shot_01/x.blend",
        "shot_02/x.blend",
    ):  # fmt: skip
        path = tmp_path / "show" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    return tmp_path / "show"


@pytest.mark.parametrize(
    "pattern",
    [
        "*.blend", "?.blend", "[ab].blend", "[!a].blend", "*", "deep/*.blend", "**/*.blend",
        "deep/**/*.blend", "*/x.blend", "shot_*/x.blend", "shot_0[2-9]/*", "**/deeper/*.blend",
        "none*.blend", "**/*", "a.*",
    ],
)  # fmt: skip
def test_patterns_are_those_of_the_standard_library(tree, pattern):
    wanted = glob.glob(pattern, root_dir=tree, recursive=True)  # noqa: PTH207
    files = {(tree / name) for name in wanted if (tree / name).is_file()}
    found = list(expand(pattern, tree))
    assert set(found) == files
    assert found == sorted(found)
    everything = [p for p in tree.rglob("*") if p.is_file()]
    assert {p for p in everything if fits(pattern, tree, p)} == files


def test_odd_patterns_cover_nothing_and_stop_nobody(tree):
    for pattern in ("[z-a]*", "[!", "~nobody_at_all/*.blend", "a\\*.blend", "**/**/**/none"):
        assert list(expand(pattern, tree)) == []
        assert not fits(pattern, tree, tree / "a.blend")
    assert list(expand("~nobody_at_all/a.blend", tree)) == [tree / "~nobody_at_all/a.blend"]
    assert refuse_source(tree / ("x" * 300), [tree]) == "there is no such file"
    assert refuse_target(tree / ("x" * 300) / "a.blend", [tree]) == ""


def test_many_stars_take_no_longer_than_few(tree):
    name = "a" * 120
    begun = time.process_time()
    assert not fits("*a" * 30 + "b", tree, tree / name)
    assert not fits("**/" * 30 + "b", tree, tree.joinpath(*name))
    assert fits("**/" * 30 + "a", tree, tree.joinpath(*name))
    assert fits("*a" * 30, tree, tree / name)
    assert time.process_time() - begun < 1


def test_a_name_is_a_name_even_with_brackets(tree):
    assert list(expand("x[1].blend", tree)) == [tree / "x[1].blend"]
    assert list(expand("none.blend", tree)) == [tree / "none.blend"]
    assert list(expand(str(tree / "a.blend"), tree / "deep")) == [tree / "a.blend"]


def test_backups_are_no_shots(tree):
    for name in ("a.backup-20260131-235959.blend", "a.backup-20260131-235959-2.blend"):
        (tree / name).touch()
        assert not fits("*.blend", tree, tree / name)
        assert list(expand(name, tree)) == [tree / name]
    assert not any("backup" in path.name for path in expand("*.blend", tree))


@posix
def test_a_circle_of_links_ends(tree):
    (tree / "deep" / "round").symlink_to(tree)
    assert len(list(expand("**/*.blend", tree))) == 9 - 1


def test_inside_of_the_roots(tree):
    assert refuse_source(tree / "a.blend", [tree]) == ""
    assert refuse_target(tree / "new" / "folder" / "a.blend", [tree]) == ""
    assert root_of(tree / "deep" / "a.blend", [tree, tree / "deep"]) == tree / "deep"


def test_outside_of_the_roots(tree):
    roots = [tree / "deep"]
    for path in (tree / "a.blend", tree / "deep" / ".." / "a.blend", Path(tree.anchor) / "a.blend"):
        assert f"outside of the allowed folders (roots: {roots[0]}" in refuse_target(path, roots)
    assert "outside of the allowed folders" in refuse_source(
        tree / "deep" / ".." / "a.blend", roots
    )
    # A folder whose name only begins like a root's is none.
    (tree / "deep_too").mkdir()
    assert "outside" in refuse_target(tree / "deep_too" / "a.blend", roots)


def test_what_is_no_file(tree):
    assert refuse_source(tree / "deep", [tree]) == "is a folder, not a file"
    assert "no such file" in refuse_source(tree / "none.blend", [tree])
    assert "is not a folder" in refuse_target(tree / "a.blend" / "b.blend", [tree])
    assert "is a folder" in refuse_target(tree / "deep", [tree])


@posix
def test_links_pipes_and_devices(tree, tmp_path):
    outside = tmp_path / "outside.blend"
    outside.touch()
    (tree / "link.blend").symlink_to(outside)
    (tree / "good.blend").symlink_to(tree / "a.blend")
    (tree / "chain.blend").symlink_to(tree / "link.blend")
    (tree / "folder").symlink_to(tmp_path)
    (tree / "loop.blend").symlink_to(tree / "loop.blend")
    (tree / "nowhere.blend").symlink_to(tmp_path / "not there.blend")
    os.mkfifo(tree / "pipe.blend")
    assert refuse_source(tree / "good.blend", [tree]) == ""
    for name in ("link.blend", "chain.blend", "folder/outside.blend"):
        said = refuse_source(tree / name, [tree])
        assert str(outside) in said, name
        assert "outside of the allowed folders" in said
        assert "outside" in refuse_target(tree / name, [tree])
    assert "outside" in refuse_target(tree / "folder" / "new.blend", [tree])
    # A link to what is not there yet would make it there.
    assert "outside" in refuse_target(tree / "nowhere.blend", [tree])
    assert refuse_source(tree / "pipe.blend", [tree]) == "is a pipe, not a file"
    assert "a pipe" in refuse_target(tree / "pipe.blend", [tree])
    assert refuse_source(tree / "loop.blend", [tree])
    assert refuse_source(Path("/dev/null"), [Path("/dev")]) == "is a device, not a file"


def test_a_target_that_is_protected(tree):
    (tree / "a.blend").chmod(0o444)
    assert refuse_target(tree / "a.blend", [tree]) == "the target is read-only"
    if os.name != "nt":
        (tree / "deep").chmod(0o555)
        said = refuse_target(tree / "deep" / "new.blend", [tree])
        (tree / "deep").chmod(0o755)
        assert said.endswith("deep is read-only")


def test_random_names_are_found_by_themselves(tmp_path):
    chance = random.Random(7)
    letters = "ab.-_ '()+,;=@[]{}é跳" + ('"*?\n' if os.name != "nt" else "")
    for _ in range(100):
        name = "".join(chance.choice(letters) for _ in range(8)).strip(". ") + "z.blend"
        (tmp_path / name).touch()
        assert list(expand(name, tmp_path)) == [tmp_path / name]
        # As a pattern: every letter in brackets, but those that have a meaning there.
        escaped = glob.escape(name)
        assert fits(escaped, tmp_path, tmp_path / name)
