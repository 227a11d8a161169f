# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright retime``: what the flags hand on, and whole runs on files."""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

import leapwright
from leapwright.answer import retime_answer
from leapwright.cli import shots, tables
from leapwright.errors import ClashError, InputError, NotFoundError

SAMPLES = Path(__file__).parents[2] / "blend_samples"
BEAT = {"crouch": 38, "takeoff": 41, "apex": 53, "land": 65}
KEYS = {
    "asked", "got", "moments_before", "moments_after", "frames_before", "frames_after",
    "magnification", "gravity_m_s2", "reads_as_size", "map", "keys", "alternatives", "warnings",
}  # fmt: skip
PHASES = {"anticipation", "crouch_hold", "push", "rise", "fall", "air", "absorb", "recover"}
MOMENTS = {"start", "crouch", "takeoff", "apex", "land", "low", "end"}


# --- Flags ---------------------------------------------------------------------------------------


@dataclass
class Host:
    """Stands in for the Blender layer where only the command line is looked at."""

    data: io.StringIO = field(default_factory=io.StringIO)
    asked: dict[str, Any] = field(default_factory=dict)
    saved: list[tuple[Path, bool]] = field(default_factory=list)
    error: Exception | None = None
    notes: tuple[str, ...] = ()

    def open_shot(self, path: Path, *, runner: Any = None) -> Any:
        return SimpleNamespace(warnings=self.notes, rig=self.rig, save=self.save)

    def rig(self, name: str) -> Any:
        if name != "Hare":
            raise NotFoundError(f"there is no rig {name!r}; rigs: Hare")
        return SimpleNamespace(retime=self.retime)

    def retime(self, **asked: Any) -> Any:
        self.asked = asked
        if self.error:
            raise self.error
        solved = leapwright.retime(BEAT, snappiness=1.5)
        return SimpleNamespace(
            solved=solved, warnings=("a warning",), to_json=lambda: retime_answer(solved)
        )

    def save(self, path: Path, *, in_place: bool = False) -> None:
        self.saved.append((path, in_place))


@pytest.fixture
def host(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Host:
    host = Host()
    monkeypatch.setattr(shots, "load_blender", lambda: (host.data, host))
    monkeypatch.setattr(tables, "show_retimed", lambda result, out: None)
    monkeypatch.chdir(tmp_path)
    (tmp_path / "shot.blend").write_bytes(b"x")
    return host


def retime(*more: str) -> list[str]:
    return ["retime", "shot.blend", "--rig", "Hare", *more]


def test_only_what_was_typed_is_asked(here, host):
    host.notes = ("old file",)
    told = here(*retime("--snappiness", "1.5", "-o", "out.blend"))
    assert told.code == 0
    assert host.asked == {"snappiness": 1.5}
    assert host.saved == [(Path("out.blend"), False)]
    assert told.err.splitlines() == [
        "leapwright: note: old file", "leapwright: note: a warning", "Wrote out.blend",
    ]  # fmt: skip


def test_every_flag_arrives(here, host):
    flags = (
        "--snappiness 1.25 --rise-frames 8 --air-frames 16 --push-frames 2 --fall-frames 7 "
        "--absorb-frames 3 --hang-frames 4 --to-gravity --gravity moon --moment takeoff=41 "
        "--moment land=65 --jump 2 --pin land=58 --pin take-off=42 --phases push,air --before "
        "stretch --after stretch --twos --shot-start 1001 --subframes --exact-shape --selected "
        "--no-props --no-markers --rig-file rig.toml --root r --cog c --feet a --feet b --in-place"
    )
    assert here(*retime(*flags.split())).code == 0
    assert host.asked == {
        "snappiness": 1.25,
        "rise_frames": 8,
        "air_frames": 16,
        "push_frames": 2,
        "fall_frames": 7,
        "absorb_frames": 3,
        "hang_frames": 4,
        "to_gravity": "moon",
        "moments": {"takeoff": 41, "land": 65},
        "jump": 2,
        "pins": {"land": 58, "takeoff": 42},
        "phases": ["push", "air"],
        "before": "stretch",
        "after": "stretch",
        "twos": True,
        "shot_start": 1001,
        "subframes": True,
        "exact_shape": True,
        "selected": True,
        "props": False,
        "markers": False,
        "rig_file": Path("rig.toml"),
        "root": "r",
        "cog": "c",
        "feet": ["a", "b"],
    }
    assert host.saved == [(Path("shot.blend"), True)]


def test_to_gravity_alone_is_true_gravity(here, host):
    assert here(*retime("--to-gravity", "--dry-run")).code == 0
    assert host.asked == {"to_gravity": True, "dry_run": True}
    assert host.saved == []
    assert here(*retime("--to-gravity", "--gravity", "3.7", "--dry-run")).code == 0
    assert host.asked["to_gravity"] == 3.7


@pytest.mark.parametrize(
    ("flags", "said"),
    [
        (["--snappiness", "fast"], "--snappiness must be a number, got 'fast'"),
        (["--rise-frames", "many"], "--rise-frames must be"),
        (["--pin", "land"], "--pin must be"),
        (["--pin", "landing=58"], "landing"),
        (["--gravity", "moon"], "--to-gravity"),
    ],
)
def test_what_cannot_be_read_is_one_line(here, host, flags, said):
    assert said in here(*retime(*flags, "-o", "out.blend")).refusal(2)
    assert host.saved == []


@pytest.mark.parametrize(
    "error",
    [
        InputError("snappiness must be above 0, got -1", "snappiness"),
        ClashError("give one of snappiness and rise_frames, got 2", ("snappiness", "rise_frames")),
        NotFoundError("'Hare' has no keys, so there is no jump in it"),
    ],
)
def test_what_retime_refuses_is_one_line(here, host, error):
    host.error = error
    here(*retime("--snappiness", "1", "--rise-frames", "1", "-o", "o.blend")).refusal(2)
    assert host.saved == []


def test_nowhere_to_write_is_refused_first(here, host):
    here(*retime("--snappiness", "1.5")).refusal(2)
    assert host.asked == {}


# --- Whole runs ----------------------------------------------------------------------------------

needs_bpy = pytest.mark.needs_bpy


@pytest.fixture(scope="module")
def blocked(tmp_path_factory) -> Path:
    """The hare with the jump of the drum beat, and a marker that is none of ours."""
    bpy = pytest.importorskip("bpy")
    from leapwright_blender import open_shot

    path = tmp_path_factory.mktemp("retime") / "beat.blend"
    shot = open_shot(SAMPLES / "hare.blend")
    shot.rig("Hare").block(
        rise_frames=12, push_frames=3, pins={"takeoff": 41}, travel=1.2, heading=-90
    )
    bpy.context.scene.timeline_markers.new("drum", frame=58)
    shot.save(path)
    return path


@needs_bpy
def test_a_drum_beat_through_files(child, blocked, tmp_path):
    out = tmp_path / "out.blend"
    ask = ("retime", str(blocked), "--rig", "Hare", "--snappiness", "1.5", "--pin", "land=58")
    before = blocked.read_bytes()
    dry = child(*ask, "--dry-run", "--json")
    assert not out.exists()
    answer = child(*ask, "-o", str(out), "--json").data
    assert blocked.read_bytes() == before
    assert not KEYS - answer.keys()
    assert [answer["moments_before"][m] for m in BEAT] == [38, 41, 53, 65]
    assert [answer["moments_after"][m] for m in BEAT] == [40, 42, 50, 58]
    assert answer["moments_before"].keys() == answer["moments_after"].keys() == MOMENTS
    assert answer["frames_before"].keys() == answer["frames_after"].keys() == PHASES
    assert answer["asked"] == {"snappiness": 1.5, "pins": {"land": 58}}
    assert answer["got"] == {"snappiness": pytest.approx(1.5)}
    gravity = answer["gravity_m_s2"]
    assert gravity["before"] == pytest.approx(9.807, abs=1e-3)
    assert gravity["after"] == pytest.approx(22.065, abs=1e-3)
    assert answer["reads_as_size"] == pytest.approx(1 / 2.25)
    magnification = answer["magnification"]
    assert magnification["heights"] == pytest.approx(4, rel=1e-3)
    assert (magnification["timing_before"], magnification["timing_after"]) == (4, 4)
    assert [knot for knot in answer["map"] if knot[0] in (38, 41, 65)] == [
        [38, 40], [41, 42], [65, 58],
    ]  # fmt: skip
    assert answer["keys"].keys() >= {"moved", "split", "merged", "largest_miss"}
    assert answer["keys"]["moved"] > 0
    assert answer["alternatives"]
    assert all(other["words"] for other in answer["alternatives"])
    # The dry run had said the same, but what only a write can measure.
    told = dry.data
    assert told["measured"]["after"] is None
    same = KEYS - {"keys"}
    assert {k: told[k] for k in same} == {k: answer[k] for k in same}
    assert told["keys"]["moved"] == answer["keys"]["moved"]
    assert "Nothing was written" in dry.err

    import bpy

    from leapwright_blender import open_shot

    shot = open_shot(out)
    (jump,) = shot.rig("Hare").remembered()
    assert [jump.moments[m] for m in BEAT] == [40, 42, 50, 58]
    assert {m.name: m.frame for m in bpy.context.scene.timeline_markers}["drum"] == 58


@needs_bpy
def test_the_table_says_asked_and_got_side_by_side(child, blocked):
    told = child("retime", str(blocked), "--rig", "Hare", "--snappiness", "1.4", "--dry-run")
    assert told.code == 0
    text = " ".join(told.out.split())
    for word in ("push", "rise", "fall", "absorb", "take-off", "land"):
        assert word in text
    assert "1.4" in text


@needs_bpy
def test_in_place_keeps_a_backup(child, blocked, tmp_path):
    shot = tmp_path / "shot.blend"
    shot.write_bytes(blocked.read_bytes())
    done = child("retime", str(shot), "--rig", "Hare", "--air-frames", "20", "--in-place")
    assert done.code == 0, done.err
    assert shot.read_bytes() != blocked.read_bytes()
    others = [p for p in tmp_path.iterdir() if p.is_file() and p != shot]
    assert [p.read_bytes() for p in others] == [blocked.read_bytes()]


@needs_bpy
def test_refusals_are_one_line_and_write_nothing(child, blocked, tmp_path):
    out = str(tmp_path / "out.blend")
    hare = ("retime", str(SAMPLES / "hare.blend"), "--rig", "Hare", "-o", out)
    assert "jump" in child(*hare, "--snappiness", "1.5").refusal(2)
    beat = ("retime", str(blocked), "--rig", "Hare", "-o", out)
    off = child(*beat, "--snappiness", "1.2", "--twos", "--pin", "land=58").refusal(2)
    assert "57" in off
    assert "59" in off
    both = child(*beat, "--snappiness", "1.2", "--rise-frames", "9").refusal(2)
    assert "--snappiness" in both
    assert "--rise-frames" in both
    assert "--snappiness" in child(*beat, "--snappiness", "-1").refusal(2)
    assert "Nobody" in child("retime", str(blocked), "--rig", "Nobody", "--snappiness", "2",
                             "-o", out).refusal(2)  # fmt: skip
    assert not Path(out).exists()


@needs_bpy
def test_which_of_several_jumps_must_be_said(child, blocked, tmp_path):
    two, out = tmp_path / "two.blend", tmp_path / "out.blend"
    hopped = child(
        *("block", str(blocked), "--rig", "Hare", "--rise-frames", "6", "--push-frames", "3"),
        *("--chain", "--after", "shift", "--replace", "-o", str(two)),
    )
    assert hopped.code == 0, hopped.err
    ask = ("retime", str(two), "--rig", "Hare", "--snappiness", "1.5", "-o", str(out), "--json")
    said = child(*ask).refusal(2)
    assert "--jump" in said
    assert "1 (take-off 41), 2 (take-off" in said
    second = child(*ask, "--jump", "2").data
    assert second["moments_before"]["takeoff"] > 65
