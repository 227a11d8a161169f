# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright block``: what the flags hand on, and whole runs on the samples."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

import leapwright
from leapwright.answer import plan_answer
from leapwright.cli import shots
from leapwright.errors import InputError, KeysInTheWayError, NotFoundError

SAMPLES = Path(__file__).parents[2] / "blend_samples"


@dataclass
class Host:
    """Stands in for the Blender layer where only the command line is looked at."""

    data: io.StringIO = field(default_factory=io.StringIO)
    asked: dict[str, Any] = field(default_factory=dict)
    saved: list[tuple[Path, bool]] = field(default_factory=list)
    error: Exception | None = None

    def open_shot(self, path: Path, *, runner: Any = None) -> Any:
        rate = Fraction(24000, 1001)
        return SimpleNamespace(
            warnings=("old file",), frame_rate=rate, rig=self.rig, save=self.save
        )

    def rig(self, name: str) -> Any:
        if name != "Hare":
            raise NotFoundError(f"there is no rig {name!r}; rigs: Hare")
        return SimpleNamespace(
            block=self.block, block_again=lambda **asked: self.block(again=True, **asked)
        )

    def block(self, **asked: Any) -> Any:
        self.asked = asked
        if self.error:
            raise self.error
        jump = leapwright.plan(jump_height=1, push_height=0.25, frame_rate="24000/1001")
        keyed = [
            SimpleNamespace(
                channel=f'pose.bones["{bone}"].location[{i}]',
                frames=(1, 11, 14.5),
                became="3 added",
                moved=0,
                replaced=0,
                added=3,
                left=1,
            )
            for bone in ("body", "paw.L")
            for i in range(3)
        ]
        return SimpleNamespace(
            jump=jump,
            keyed=tuple(keyed),
            measured=None,
            warnings=("a warning",),
            controls_text=("'body' is the COG control",),
            props=("satchel (parented to the rig)",),
            to_json=lambda: {**plan_answer(jump), "keyed": []},
        )

    def save(self, path: Path, *, in_place: bool = False) -> None:
        self.saved.append((path, in_place))


@pytest.fixture
def host(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Host:
    host = Host()
    monkeypatch.setattr(shots, "load_blender", lambda: (host.data, host))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "shot.blend").write_bytes(b"x")
    return host


def block(*more: str) -> list[str]:
    return ["block", "shot.blend", "--rig", "Hare", *more]


def test_only_what_was_typed_is_asked(here, host):
    told = here(*block("--jump-height", "4ft", "-o", "out.blend"))
    assert told.code == 0
    assert host.asked == {
        "jump_height": 4 * 0.3048,
    }
    assert host.saved == [(Path("out.blend"), False)]


def test_every_flag_arrives(here, host):
    flags = (
        "--rise-frames 12 --push-frames 4 --landing-level 0.3 --foot-travel 6ft --heading 90 "
        "--running 4m/s --stop --absorb-frames 3 --anticipation-frames 8 --recover-frames 9 "
        "--crouch-hold-frames 2 --gravity moon --keep heights --twos --shot-start 1001 "
        "--pin take-off=1025 --pose crouch=1 --pose takeoff=2 --rig-file rig.toml --root r --cog c "
        "--feet a --feet b --stepped --air feet --after shift --replace --no-markers --in-place "
        "--key all --foot paw.L=release-4,plant+0 --foot hind*=plant+2 --chain --ground Crate "
        "--within 2mm --no-props --cog-from mesh"
    )
    assert here(*block(*flags.split())).code == 0
    assert host.asked == {
        "rise_frames": 12,
        "push_frames": 4,
        "landing_level": 0.3,
        "foot_travel": 6 * 0.3048,
        "heading": 90.0,
        "running": 4.0,
        "carry_on": False,
        "absorb_frames": 3,
        "anticipation_frames": 8,
        "recover_frames": 9,
        "crouch_hold_frames": 2,
        "gravity": "moon",
        "keep": "heights",
        "twos": True,
        "shot_start": 1001,
        "pins": {"takeoff": 1025},
        "poses": {"crouch": 1, "takeoff": 2},
        "rig_file": Path("rig.toml"),
        "root": "r",
        "cog": "c",
        "feet": ["a", "b"],
        "stepped": True,
        "air": "feet",
        "after": "shift",
        "replace": True,
        "markers": False,
        "key": "all",
        "foot": {"paw.L": {"release": -4, "plant": 0}, "hind*": {"plant": 2}},
        "chain": True,
        "ground": "Crate",
        "within": 0.002,
        "props": False,
        "cog_from": "mesh",
    }
    assert host.saved == [(Path("shot.blend"), True)]


def test_again_and_a_measured_run(here, host):
    assert here(*block("--again", "--jump-height", "2m", "--dry-run")).code == 0
    assert host.asked == {"again": True, "jump_height": 2.0, "dry_run": True}
    assert here(*block("--rise-frames", "6", "--running", "measured", "--dry-run")).code == 0
    assert host.asked["running"] == "measured"


@pytest.mark.parametrize(
    "text", ["paw.L", "paw.L=", "=release-4", "paw.L=release 4", "paw.L=lift-4", "paw.L=release-x"]
)
def test_foot_offsets_that_cannot_be_read(here, host, text):
    said = here(*block("--foot", text, "--dry-run")).refusal(2)
    assert "--foot must be NAME=release-4,plant+0" in said
    assert repr(text) in said


def test_dry_run_saves_nothing_and_says_so(here, host):
    told = here(*block("--jump-height", "1", "--dry-run"))
    assert host.saved == []
    assert told.err.splitlines() == [
        "leapwright: note: old file",
        "leapwright: note: a warning",
        "Nothing was written (dry run).",
    ]
    table = " ".join(host.data.getvalue().split())
    assert "body, paw.L location 1, 11, 14.5 18 added, 6 left" in table
    assert "Keys: 0 moved, 0 replaced, 18 added, 6 left. 'body' is the COG control" in table


def test_the_scenes_frame_rate_may_be_said(here, host):
    flags = block("--jump-height", "1", "-o", "out.blend", "--fps")
    assert here(*flags, "23.976").code == 0
    assert len(host.saved) == 1
    told = here(*flags, "24")
    assert told.code == 2
    assert told.err.splitlines()[-1] == (
        "leapwright: --fps must be the scene's, 23.976 frames a second, got '24'"
    )
    assert len(host.saved) == 1


@pytest.mark.parametrize(
    ("error", "code", "message"),
    [
        (
            KeysInTheWayError(
                "4 keys stand where the jump would go",
                [
                    ('pose.bones["body"].location[2]', 4.0),
                    ('pose.bones["paw.L"].location[0]', 4.0),
                    ('pose.bones["body"].location[1]', 4.0),
                    ("location[0]", 5.0),
                ],
            ),
            1,
            (
                "leapwright: 4 keys stand where the jump would go (--replace, or --after shift)\n"
                "  frames 4: body, paw.L\n  frames 5: object\n"
            ),
        ),
        (
            InputError("push_height must be above 0 m, got -0.3048", "push_height"),
            2,
            "leapwright: --push-height must be above 0 m, got -0.3048 (typed '-1ft')\n",
        ),
    ],
)
def test_refusals_of_the_rig(here, host, error, code, message):
    host.error = error
    told = here(*block("--jump-height", "1", "--push-height", "-1ft", "-o", "out.blend"))
    assert (told.code, told.out, host.saved, host.data.getvalue()) == (code, "", [], "")
    assert told.err == "leapwright: note: old file\n" + message


def test_without_bpy_one_line_says_what_to_install(tmp_path):
    """In a child whose bpy is hidden: the host's layer must not be needed to say so."""
    (tmp_path / "shot.blend").write_bytes(b"x")
    script = (
        "import sys; sys.modules['bpy'] = None\n"
        "from leapwright.cli import main\n"
        "sys.exit(main(['block', 'shot.blend', '--rig', 'Hare', '--jump-height', '1', '-o', "
        "'out.blend']))"
    )
    root = SAMPLES.parent
    done = subprocess.run(
        [sys.executable, "-c", f"import sys; sys.path[:0] = {paths(root)!r}\n{script}"],
        cwd=tmp_path,
        capture_output=True,
        encoding="utf-8",
        timeout=120,
    )
    assert (done.returncode, done.stdout) == (1, "")
    (line,) = done.stderr.splitlines()
    assert line.startswith("leapwright: Blender's module bpy")
    assert [p.name for p in tmp_path.iterdir()] == ["shot.blend"]


def paths(root: Path) -> list[str]:
    return [str(root / "core"), str(root / "addon")]


@pytest.mark.needs_bpy
def test_a_crate_is_blocked_and_measured(child, tmp_path):
    sample, out = SAMPLES / "crate.blend", tmp_path / "out.blend"
    before = sample.read_bytes()
    told = child(
        *("block", str(sample), "--rig", "Crate", "--jump-height", "0.85", "--push-height", "0.34"),
        *("--landing-level", "0.545", "--pin", "takeoff=101", "-o", str(out), "--json"),
    )
    answer = told.data
    moments = answer["moments"]
    assert [moments[k] for k in ("crouch", "takeoff", "apex", "land")] == [97, 101, 111, 117]
    measured = answer["measured"]
    assert list(measured) == [
        *("largest_distance_m", "at_frame", "push_height_m", "jump_height_m"),
        "posed_values_changed",
    ]
    assert measured["largest_distance_m"] < 2e-5
    assert measured["jump_height_m"] == pytest.approx(answer["heights_m"]["jump"], abs=2e-5)
    assert {"channel", "frames", "became"} <= set(answer["keyed"][0])
    assert told.err == f"Wrote {out}\n"
    assert sample.read_bytes() == before
    assert out.is_file()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["out.blend", "run"]
    # What was written stands in the way of a second jump at the same place.
    again = child(
        *("block", str(out), "--rig", "Crate", "--jump-height", "0.85", "--push-height", "0.34"),
        *("--pin", "takeoff=101", "-o", str(tmp_path / "twice.blend")),
    )
    assert (again.code, again.out) == (1, "")
    assert not (tmp_path / "twice.blend").exists()


@pytest.mark.needs_bpy
def test_a_dry_run_prints_the_plan_and_writes_nothing(child, tmp_path):
    told = child(
        *("block", str(SAMPLES / "hare.blend"), "--rig", "Hare", "--jump-height", "4ft"),
        *("--push-height", "1ft", "--dry-run", "--json"),
    )
    answer = json.loads(told.out)
    assert (answer["frames"]["rise"], answer["frames"]["push"]) == (12, 3)
    assert answer["measured"] is None
    assert [p.name for p in tmp_path.rglob("*")] == ["run"]


@pytest.mark.needs_bpy
def test_the_cog_of_the_mesh_goes_on_the_arc(child, tmp_path):
    told = child(
        *("block", str(SAMPLES / "hare.blend"), "--rig", "Hare", "--jump-height", "4ft"),
        *("--push-height", "1ft", "--cog-from", "mesh", "--json"),
        *("-o", str(tmp_path / "out.blend")),
    )
    assert told.data["cog_from"] == "mesh"
    assert told.data["measured"]["largest_distance_m"] <= 0.005
    assert "stray" not in told.data["measured"]


@pytest.mark.needs_bpy
@pytest.mark.parametrize(
    ("code", "flags", "message"),
    [
        (2, ["crate.blend", "--rig", "Hare"], "there is no rig 'Hare' in crate.blend"),
        (2, ["hare.blend", "--rig", "Hare", "--cog", "nope"], "has no control 'nope'"),
        (2, ["crate.blend", "--rig", "Crate", "--fps", "30"], "--fps must be the scene's, 24 "),
        (2, ["crate.blend", "--rig", "Crate", "--gravity", "vulcan"], "--gravity must be a number"),
        (2, ["crate.blend", "--rig", "Crate", "--landing-level", "9"], "rises 0.85 m"),
        (2, ["crate.blend", "--rig", "Crate", "--cog-from", "guess"], "'guess' is not one of"),
        (2, ["crate.blend", "--rig", "Crate", "--cog-from", "segments"], "has no bones"),
        (1, ["build.py", "--rig", "Crate"], "is not a Blender file"),
    ],
)
def test_refusals_leave_no_file(child, tmp_path, code, flags, message):
    file, *more = flags
    out = tmp_path / "out.blend"
    ask = ["--jump-height", "0.85", "--push-height", "0.34", "-o", str(out)]
    told = child("block", str(SAMPLES / file), *more, *ask)
    assert message in told.refusal(code)
    assert [p.name for p in tmp_path.rglob("*")] == ["run"]
