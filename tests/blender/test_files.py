# SPDX-License-Identifier: GPL-3.0-or-later
"""Files: opened or said why not, saved whole or not at all."""

from __future__ import annotations

import gzip
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest

from leapwright import errors
from leapwright.disk import backup
from leapwright.errors import FileError
from leapwright_blender import host
from leapwright_blender.files import open_file, save_file


@pytest.fixture(autouse=True)
def _empty_file() -> None:
    bpy.ops.wm.read_homefile(use_empty=True)


@pytest.fixture
def shot(tmp_path: Path) -> Path:
    """Make a shot with one object, not packed, that is not open."""
    path = tmp_path / "shot.blend"
    make(path, compress=False)
    return path


def make(path: Path, *, compress: bool, name: str = "Hare") -> None:
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.context.scene.collection.objects.link(bpy.data.objects.new(name, None))
    bpy.context.preferences.filepaths.save_version = 0
    bpy.ops.wm.save_as_mainfile(filepath=str(path), check_existing=False, compress=compress)
    bpy.ops.wm.read_homefile(use_empty=True)


def objects() -> list[str]:
    return sorted(o.name for o in bpy.data.objects)


def one_line(error: pytest.ExceptionInfo[FileError], *words: str) -> None:
    text = str(error.value)
    assert "\n" not in text
    assert all(word in text for word in words), text


# The header


@pytest.mark.parametrize("compress", [False, True])
def test_the_header_tells_version_and_packing(tmp_path: Path, compress: bool) -> None:
    path = tmp_path / "häre shot.blend"
    make(path, compress=compress)
    header = host.read_header(path)
    assert header == host.BlendHeader(host.version()[:2], "zstd" if compress else "none")
    assert host.read_header(path).version == host.version()[:2]
    packed = tmp_path / "old.blend"
    raw = path.read_bytes()
    packed.write_bytes(gzip.compress(raw))
    if not compress:
        assert host.read_header(packed) == host.BlendHeader(host.version()[:2], "gzip")


@pytest.mark.parametrize(
    ("start", "version"),
    [
        (b"BLENDER-v279REND", (2, 79)),
        (b"BLENDER_v402REND", (4, 2)),
        (b"BLENDER-v405REND", (4, 5)),
        (b"BLENDER17-01v0500", (5, 0)),
        (b"BLENDER17-01v0502", (5, 2)),
        (b"BLENDER17-01v1012", (10, 12)),
    ],
)
def test_old_and_new_headers(tmp_path: Path, start: bytes, version: tuple[int, int]) -> None:
    path = tmp_path / "a.blend"
    path.write_bytes(start + bytes(100))
    assert host.read_header(path).version == version


def test_a_packed_file_without_zstd_at_hand(tmp_path: Path, monkeypatch: Any) -> None:
    path = tmp_path / "a.blend"
    make(path, compress=True)
    monkeypatch.setitem(sys.modules, "zstandard", None)
    assert host.read_header(path) == host.BlendHeader(None, "zstd")
    assert open_file(path).version == host.version()[:2]
    assert save_file(tmp_path / "b.blend").size > 0


# Opening


def test_open_gives_the_shot(shot: Path) -> None:
    got = open_file(shot)
    assert objects() == ["Hare"]
    assert (got.path, got.version, got.compressed) == (shot.resolve(), host.version()[:2], False)
    assert got.warnings == ()


def test_what_is_no_shot_is_said_before_anything_is_lost(tmp_path: Path, shot: Path) -> None:
    open_file(shot)
    cases: dict[str, tuple[bytes | None, str]] = {
        "none.blend": (None, "there is no file"),
        "text.blend": (b"hop hop hop", "is not a Blender file"),
        "empty.blend": (b"", "is not a Blender file"),
        "zstd.blend": (b"\x28\xb5\x2f\xfd" + b"junk" * 9, "cannot read"),
        "gzip.blend": (b"\x1f\x8b" + b"junk" * 9, "cannot read"),
        "newer.blend": (b"BLENDER17-01v9901" + bytes(99), "saved by Blender 99.1, newer than"),
    }
    for name, (data, words) in cases.items():
        path = tmp_path / name
        if data is not None:
            path.write_bytes(data)
        with pytest.raises(FileError) as error:
            open_file(path)
        one_line(error, str(path), words)
        assert objects() == ["Hare"]
    with pytest.raises(FileError, match="is not a file"):
        open_file(tmp_path)


def test_a_newer_file_names_both_versions(tmp_path: Path) -> None:
    path = tmp_path / "newer.blend"
    major, minor = host.version()[:2]
    path.write_bytes(b"BLENDER17-01v%02d%02d" % (major, minor + 1) + bytes(99))
    with pytest.raises(FileError) as error:
        open_file(path)
    one_line(error, f"Blender {major}.{minor + 1}", f"this {major}.{minor}:")


@pytest.mark.parametrize("compress", [False, True])
def test_a_cut_file_leaves_no_other_shot_in_its_place(
    tmp_path: Path, shot: Path, compress: bool
) -> None:
    cut = tmp_path / "cut.blend"
    make(cut, compress=compress)
    cut.write_bytes(cut.read_bytes()[: cut.stat().st_size // 3])
    open_file(shot)
    with pytest.raises(FileError) as error:
        open_file(cut)
    one_line(error, str(cut))
    assert objects() == []
    assert bpy.data.filepath == ""
    assert open_file(shot).path == shot.resolve()


def test_refused_drivers_and_lost_libraries_are_told(tmp_path: Path, shot: Path) -> None:
    open_file(shot)
    hare = bpy.data.objects["Hare"]
    driver = hare.driver_add("location", 2).driver
    driver.expression = "__import__('os').getpid()"
    with bpy.data.libraries.load(str(make_lib(tmp_path)), link=True) as (_, wanted):
        wanted.objects = ["Crate"]
    bpy.context.scene.collection.objects.link(bpy.data.objects["Crate"])
    path = save_file(tmp_path / "b.blend").path
    (tmp_path / "lib.blend").unlink()
    warnings = open_file(path).warnings
    assert len(warnings) == 2
    assert "was not run" in warnings[0]
    assert "linked file is missing" in warnings[1]
    assert "lib.blend" in warnings[1]
    assert open_file(shot).warnings == ()


def make_lib(folder: Path) -> Path:
    path = folder / "lib.blend"
    data = bpy.data.objects.new("Crate", None)
    bpy.data.libraries.write(str(path), {data})
    bpy.data.objects.remove(data)
    return path


# Saving


@pytest.mark.parametrize("compress", [False, True])
def test_save_keeps_the_packing_of_the_input(tmp_path: Path, compress: bool) -> None:
    source = tmp_path / "in.blend"
    make(source, compress=compress)
    open_file(source)
    bpy.data.objects["Hare"].name = "Hare B"
    saved = save_file(tmp_path / "out.blend")
    assert host.read_header(saved.path).compressed is compress
    assert saved.size == saved.path.stat().st_size
    assert Path(bpy.data.filepath).samefile(source)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["in.blend", "out.blend"]
    open_file(source)
    assert objects() == ["Hare"]
    open_file(saved.path)
    assert objects() == ["Hare B"]


def test_like_another_file(tmp_path: Path, shot: Path) -> None:
    packed = tmp_path / "packed.blend"
    make(packed, compress=True)
    open_file(shot)
    assert host.read_header(save_file(tmp_path / "o.blend", like=packed).path).compressed
    with pytest.raises(FileError, match="there is no file"):
        save_file(tmp_path / "p.blend", like=tmp_path / "nowhere.blend")


def test_the_input_is_not_overwritten_unless_told(tmp_path: Path, shot: Path) -> None:
    before = shot.read_bytes()
    open_file(shot)
    bpy.data.objects["Hare"].name = "Hare B"
    for spelled in (shot, tmp_path / "." / "shot.blend", str(shot)):
        with pytest.raises(FileError, match="is the input"):
            save_file(spelled)
    other = tmp_path / "other.blend"
    other.write_bytes(before)
    with pytest.raises(FileError, match="is the input"):
        save_file(other, like=other)
    assert shot.read_bytes() == before
    saved = save_file(shot, in_place=True)
    assert saved.backup is not None
    assert saved.backup.read_bytes() == before
    assert saved.backup.parent == tmp_path
    assert saved.backup.name.startswith("shot.backup-")
    names = {"shot.blend", "other.blend", saved.backup.name}
    assert {p.name for p in tmp_path.iterdir()} == names
    open_file(shot)
    assert objects() == ["Hare B"]


def test_an_earlier_output_is_replaced_whole(tmp_path: Path, shot: Path) -> None:
    out = tmp_path / "out.blend"
    out.write_bytes(b"earlier")
    if os.name == "posix":
        out.chmod(0o640)
    open_file(shot)
    assert save_file(out).backup is None
    if os.name == "posix":
        assert out.stat().st_mode & 0o777 == 0o640
    open_file(out)
    assert objects() == ["Hare"]


def test_backups_do_not_overwrite_each_other(shot: Path) -> None:
    copies = {backup(shot) for _ in range(3)}
    assert len(copies) == 3
    assert {c.read_bytes() for c in copies} == {shot.read_bytes()}


def test_relative_paths_stay_right(tmp_path: Path, shot: Path) -> None:
    open_file(shot)
    image = bpy.data.images.new("Awning", 1, 1)
    image.source = "FILE"
    image.filepath = "//awning.png"
    image.use_fake_user = True
    (tmp_path / "deep").mkdir()
    beside = save_file(tmp_path / "beside.blend").path
    deep = save_file(tmp_path / "deep" / "out.blend").path
    assert image.filepath == "//awning.png"
    for path in (beside, deep):
        open_file(path)
        found = Path(bpy.path.abspath(bpy.data.images["Awning"].filepath)).resolve()
        assert found == (tmp_path / "awning.png").resolve()


def test_a_folder_that_is_missing_or_no_folder(tmp_path: Path, shot: Path) -> None:
    open_file(shot)
    with pytest.raises(FileError) as error:
        save_file(tmp_path / "no" / "out.blend")
    one_line(error, "there is no folder")
    with pytest.raises(FileError, match="it is a folder"):
        save_file(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["shot.blend"]


def test_a_failed_rename_leaves_all_as_it_was(tmp_path: Path, shot: Path, monkeypatch: Any) -> None:
    before = shot.read_bytes()
    open_file(shot)

    def refuse(*_: Any) -> None:
        raise PermissionError(13, "held open by another program")

    monkeypatch.setattr(Path, "replace", refuse)
    with pytest.raises(FileError) as error:
        save_file(shot, in_place=True)
    one_line(error, "cannot save", "held open by another program")
    assert [p.name for p in tmp_path.iterdir()] == ["shot.blend"]
    assert shot.read_bytes() == before


@pytest.fixture
def read_only(tmp_path: Path) -> Iterator[Path]:
    """Make a folder that takes no file; root may write anywhere but into a read-only mount."""
    folder = tmp_path / "read only"
    folder.mkdir()
    folder.chmod(0o555)
    if os.access(folder, os.W_OK):
        mount(folder, "ro")
        yield folder
        subprocess.run(["umount", str(folder)], check=True)
    else:
        yield folder
    folder.chmod(0o755)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "small"
    folder.mkdir()
    mount(folder, "size=64k")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def mount(folder: Path, options: str) -> None:
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("needs a mount of its own: run as root on Linux")
    command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
    if subprocess.run(command, check=False, capture_output=True).returncode:
        pytest.skip("mounts are not allowed here")


def test_a_read_only_folder(read_only: Path, shot: Path) -> None:
    open_file(shot)
    with pytest.raises(FileError) as error:
        save_file(read_only / "out.blend")
    one_line(error, "cannot save", "read-only")
    assert list(read_only.iterdir()) == []


def test_a_full_disk(small_disk: Path, shot: Path) -> None:
    open_file(shot)
    earlier = small_disk / "out.blend"
    earlier.write_bytes(b"earlier")
    with pytest.raises(FileError) as error:
        save_file(earlier)
    one_line(error, "cannot save", "the disk is full")
    assert [p.name for p in small_disk.iterdir()] == ["out.blend"]
    assert earlier.read_bytes() == b"earlier"


def test_a_full_disk_under_a_compressed_shot(small_disk: Path, tmp_path: Path) -> None:
    """The host says it has saved, and has cut the file off."""
    noise = np.random.default_rng(0).random(60_000).astype(np.float32)
    mesh = bpy.data.meshes.new("noise")
    mesh.vertices.add(20_000)
    mesh.vertices.foreach_set("co", noise)
    bpy.data.objects.new("noise", mesh).use_fake_user = True
    packed = tmp_path / "packed.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(packed), compress=True)
    assert packed.stat().st_size > 100_000
    open_file(packed)
    with pytest.raises(FileError) as error:
        save_file(small_disk / "out.blend")
    one_line(error, "cannot save", "the disk is full")
    assert list(small_disk.iterdir()) == []
    assert save_file(tmp_path / "whole.blend").size > 100_000


# Standard output


def test_nothing_but_data_is_on_stdout(shot: Path, tmp_path: Path) -> None:
    script = (
        "import os, sys\n"
        "from leapwright_blender.stdout import quiet_stdout\n"
        "assert 'bpy' not in sys.modules\n"
        "real = quiet_stdout()\n"
        "from leapwright_blender.files import open_file, save_file\n"
        "open_file(sys.argv[1]); save_file(sys.argv[2]); print('talk')\n"
        "real.write('daten: Häre\\n'); real.flush(); sys.stdout.flush(); os._exit(0)\n"
    )
    roots = {str(Path(str(m.__file__)).parents[1]) for m in (errors, host)}
    done = subprocess.run(
        [sys.executable, "-c", script, str(shot), str(tmp_path / "o.blend")],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(roots)},
        capture_output=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr.decode()
    assert done.stdout.decode() == "daten: Häre\n"
    assert b"talk" in done.stderr
