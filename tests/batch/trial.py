# SPDX-License-Identifier: GPL-3.0-or-later
"""A night's work with bad shots in it, made of copies: what is to be reported of each is known."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
ODD_NAME = "häre 'leaps' \"high\"\nпрыжок 跳躍.blend"
FLIPPED = "flipped"
"""Counts as right or as reported, as the host takes it."""
FAULTS = {"crashes.blend": "crash", "hangs.blend": "hang", "eats.blend": "memory"}


def make_base(folder: Path) -> Path:
    """The shots that all are copies of, built in a process of its own."""
    script = Path(__file__).with_name("make_base.py")
    sources = os.pathsep.join(map(str, (ROOT / "core", ROOT / "addon")))
    done = subprocess.run(
        [sys.executable, str(script), str(folder)],
        env={**os.environ, "PYTHONPATH": sources},
        capture_output=True,
        encoding="utf-8",
        errors="replace",
        timeout=300,
    )
    assert (folder / "no_rig.blend").exists(), done.stderr[-2000:]
    return folder


@dataclass
class Trial:
    """A folder of shots with a JOBS.toml."""

    folder: Path
    good: list[str] = field(default_factory=list)
    bad: dict[str, str] = field(default_factory=dict)
    odd: list[str] = field(default_factory=list)

    @property
    def jobs(self) -> Path:
        return self.folder / "JOBS.toml"

    @property
    def total(self) -> int:
        return len(self.good) + len(self.bad) + len(self.odd)

    def output(self, name: str) -> Path:
        return self.folder / "retimed" / name

    def files(self) -> set[str]:
        """Everything in the folder but the runs, as relative paths."""
        found = (p.relative_to(self.folder) for p in self.folder.rglob("*"))
        return {
            p.as_posix()
            for p in found
            if p.parts[0] != ".leapwright" and (self.folder / p).is_file()
        }

    def faults(self) -> dict[str, str]:
        """What to set in the environment."""
        return {"LEAPWRIGHT_TEST_FAULTS": json.dumps(FAULTS)}


def make_trial(folder: Path, base: Path, *, good: int, plots: bool = False) -> Trial:
    """Make `good` sound shots and 20 bad ones among them.

    Parameters
    ----------
    folder : Path
        Empty, or not there.
    base : Path
        Of `make_base`.
    """
    trial = Trial(folder)
    shots = folder / "shots"
    shots.mkdir(parents=True)
    names = [f"hop_{n:03d}.blend" for n in range(1, good)] + [ODD_NAME]
    for name in names:
        shutil.copyfile(base / "hop.blend", shots / name)
        trial.good.append(name)
    whole = (base / "hop.blend").read_bytes()

    def bad(name: str, words: str, data: bytes | str | None = None) -> Path:
        trial.bad[name] = words
        path = shots / name
        path.parent.mkdir(exist_ok=True)
        if isinstance(data, str):
            shutil.copyfile(base / data, path)
        elif data is not None:
            path.write_bytes(data)
        return path

    bad("a_truncated.blend", "cannot open", whole[: len(whole) // 2])
    bad("hop_040_truncated.blend", "cannot open", whole[:-20_000])
    bad("empty.blend", "is not a Blender file", b"")
    bad("zeros.blend", "is not a Blender file", bytes(len(whole)))
    bad("hop_100_letter.blend", "is not a Blender file", b"Dear hare, hop! " * 99)
    bad("newer.blend", "saved by Blender 99.1", b"BLENDER17-01v9901" + bytes(999))
    bad("no_rig.blend", "covers no rig", "no_rig.blend")
    bad("twins.blend", "covers several rigs: Hare, Hare_twin", "twins.blend")
    bad("still.blend", "there is no jump in it", "still.blend")
    bad("driver.blend", "a driver wants to run a script", "driver.blend")
    bad("crashes.blend", "the host process crashed", whole)
    bad("hangs.blend", "took longer than", whole)
    bad("eats.blend", "of memory, more than", whole)
    bad("two_rig_files/hop.blend", "matches several rig files", whole)
    rigs = shots / "two_rig_files"
    for name, feet in (("one", '["paw.L"]'), ("two", '["paw.L", "paw.R"]')):
        text = f'match = ["Hare"]\ncog = "body"\nfeet = {feet}\n'
        (rigs / f"{name}.rig.toml").write_text(text, encoding="utf-8")
    path = bad("kept.blend", "the target is read-only", whole)
    kept = trial.output(f"shots/{path.name}")
    kept.parent.mkdir(parents=True)
    kept.write_bytes(b"an approved shot")
    kept.chmod(0o444)
    if hasattr(os, "mkfifo"):
        os.mkfifo(bad("pipe.blend", "is a pipe, not a file"))
        outside = folder.parent / f"{folder.name}_outside"
        outside.mkdir(exist_ok=True)
        shutil.copyfile(base / "hop.blend", outside / "hop.blend")
        bad("leads_out.blend", "is outside of the allowed folders").symlink_to(
            outside / "hop.blend"
        )
        bad("leads_nowhere.blend", "cannot be read").symlink_to(shots / "no such shot")
        bad("device.blend", "is outside of the allowed folders").symlink_to("/dev/zero")
    flipped = bytearray(whole)
    for at in range(5000, len(flipped), len(flipped) // 9):
        flipped[at] ^= 0x10
    (shots / f"{FLIPPED}.blend").write_bytes(bytes(flipped))
    trial.odd.append(f"{FLIPPED}.blend")
    trial.jobs.write_text(
        f"""\
[defaults]
rig = "Hare*"
output = "retimed/{{path}}"
plots = false

[[jobs]]
files = "shots/**/*.blend"
retime = {{ snappiness = 1.5 }}

[[jobs.shots]]
files = "shots/hop_*.blend"
plots = {str(plots).lower()}

[[jobs.shots]]
files = "shots/hangs.blend"
timeout = 3

[[jobs.shots]]
files = "shots/eats.blend"
memory = "900MB"
""",
        encoding="utf-8",
        newline="\n",
    )
    return trial
