# SPDX-License-Identifier: GPL-3.0-or-later
"""A made-up night of shots at the market, as a batch would leave its result rows.

Tracks are planned or spoilt by ``tools/faults.py``, found and checked by our own code: what the
rows hold is what real ones hold.
"""

from __future__ import annotations

import functools
import importlib.util
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np

from leapwright.checked import Meant, check_track
from leapwright.track import Track

ROOT = Path(__file__).resolve().parents[2]

PLACES = (
    "awning", "crate", "lantern row", "tea stall", "rooftop", "fish cart", "noodle bar", "clock",
    "drying line", "spice sacks", "rain gutter", "paper kites", "back stairs", "umbrella maker",
)  # fmt: skip
ACTS = ("leap", "hop", "drop", "bound", "dash and leap", "double hop", "skid and leap")
ODD = (
    "sh_0{n}_<script>alert(1)<!--.blend",
    "sh_0{n}_夜市_兎の跳躍.blend",
    "sh_0{n}_<img src=x onerror=alert(1)> & $x^2$.blend",
    'sh 0{n} "quick" hare\'s leap.blend',
    "sh_0{n}_two\nlines.blend",
    "sh_0{n}_قفزة_الأرنب.blend",
)
FAILED = (
    ("cannot be read: the file ends early", "Read of file\nEOF at byte 40961\n"),
    ("needs a newer Blender: the file is of 5.3, the host is 5.2", ""),
    (
        "the host ended (signal 11)",
        "frame 41\nWriting crash record\nSegmentation fault\n",
    ),
    ("took longer than 300 s and was stopped", "Evaluating drivers...\n" * 60),
    ("used more memory than 4 GB and was stopped", "Subdivision: 6 levels\n"),
    ("no rig named Hare; rigs here are Courier, Goat", ""),
    ("two rig files match: hare.toml, hare_old.toml", ""),
)


@functools.cache
def faults() -> ModuleType:
    """``tools/faults.py`` as a module."""
    there = ROOT / "tools" / "faults.py"
    spec = importlib.util.spec_from_file_location("seeded_faults", there)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    # Dataclasses look their own module up.
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def sound(seed: int) -> Any:
    """A sound jump at 24 frames a second."""
    random = np.random.default_rng(seed)
    while True:
        parts = faults().sound(random)
        if parts.fps == 24:
            return parts


def spoilt(kind: str, seed: int) -> Any:
    """A jump with one fault."""
    return faults().SEEDS[kind](np.random.default_rng(seed))


def series(made: list[Any], *, fps: float | None = None) -> Track:
    """One clip of several jumps with a wait between them."""
    cogs, soles, stretch, keys, frames = [], [], [], [], 0.0
    end = np.zeros(3)
    for one in made:
        shift = end - one.cog[0] * np.array([1, 1, 1])
        shift = np.where([True, True, bool(cogs)], shift, 0.0)
        cogs.append(one.cog + shift)
        soles.append(one.soles + shift)
        stretch.append(one.stretch)
        keys.append(one.keys - one.t[0] + 1 + frames)
        frames += len(one.t)
        end = cogs[-1][-1]
    return Track.of(
        np.concatenate(cogs),
        frame_rate=fps or float(made[0].parts.fps),
        soles=np.concatenate(soles, axis=1),
        names=("left sole", "right sole"),
        stretch=np.concatenate(stretch, axis=1),
        keys=np.unique(np.concatenate(keys)),
    )


def chain(hops: int, *, seed: int = 0) -> Track:
    """Hops without a wait: the low of one is the crouch of the next."""
    parts = replace(sound(seed), hold=0, level=0.0, push_height=0.25, depth=0.25, travel=1.2)
    parts = replace(parts, push=4, absorb=4, air=12, rise=6.0)
    parts = replace(parts, speed=0.125, gravity=0.125 / 6 * 24**2)
    one = faults().shot(parts)
    t = one.t
    crouch, low = parts.takeoff - parts.push, parts.low
    pieces = []
    for n in range(hops):
        first = -np.inf if n == 0 else crouch + 0.5
        last = np.inf if n == hops - 1 else low + 0.5
        pieces.append((t >= first) & (t < last))
    cogs, soles, at = [], [], 0.0
    for n, rows in enumerate(pieces):
        step = at - (0.0 if n == 0 else float(one.cog[t == crouch, 0][0]))
        shift = np.array([step, 0.0, 0.0])
        cogs.append(one.cog[rows] + shift)
        soles.append(one.soles[:, rows] + shift)
        at = step + float(one.cog[t == low, 0][0])
    return Track.of(
        np.concatenate(cogs),
        frame_rate=24,
        soles=np.concatenate(soles, axis=1),
        names=("left sole", "right sole"),
    )


def checked(track: Track, *, file: str = "", rig: str = "Hare", **meant: Any) -> dict[str, Any]:
    """What a check of it says, as a batch keeps it."""
    said = check_track(track, file=file, rig=rig, cog_from="mesh", meant=Meant(**meant))
    return said.to_json(track=True)


def rows(count: int = 300, *, distinct: int = 40, logs: Path | None = None) -> list[dict[str, Any]]:
    """Result rows of a night that fixed what it could; of `distinct` tracks, for the time it takes.

    Parameters
    ----------
    count, distinct : int
    logs : Path, optional
        A folder for the logs of failed shots.
    """
    return [_row(i, i % distinct, logs) for i in range(count)]


@functools.cache
def _told(i: int, place: int, meant: bool) -> dict[str, Any]:
    """What a check says before (0) or after (1)."""
    reasons = {"hangs": "the show's style", "falls_faster": "asked for by the director"}
    return checked(_pair(i)[place], intended=reasons if meant else {})


@functools.cache
def _pair(i: int) -> tuple[Track, Track]:
    """A shot before and after: spoilt and mended, or sound and left."""
    kinds = list(faults().SEEDS)
    good = faults().shot(sound(i))
    if i % 7 == 3:
        made = [good, spoilt(kinds[i % len(kinds)], i), faults().shot(sound(i + 500))]
        return series(made, fps=24), series([good, good, made[2]], fps=24)
    if i % 11 == 5:
        return chain(3 + i % 3, seed=i), chain(3 + i % 3, seed=i)
    if i % 13 == 6:
        still = Track.of(np.full(90, 0.93), keys=[1, 90])
        return still, still
    if i % 10 == 4:
        style = series([spoilt(("hangs", "falls_faster")[i // 10 % 2], i)])
        return style, style
    if i % 2:
        return series([spoilt(kinds[i % len(kinds)], i)]), good.track()
    return good.track(), good.track()


def _row(i: int, track: int, logs: Path | None) -> dict[str, Any]:
    name = f"sh{10 * (i + 1):04d}_{PLACES[i % len(PLACES)]}_{ACTS[i % len(ACTS)]}.blend"
    name = name.replace(" ", "_")
    if i % 12 == 7:
        name = ODD[i // 12 % len(ODD)].format(n=i)
    file = f"/show/night market/seq_{i // 40 + 1:02d}/{name}"
    row: dict[str, Any] = {
        "file": file, "output": None, "rig": None, "verb": "fix", "status": "failed",
        "reason": None, "log": None, "seconds": round(1.2 + (i * 37 % 100) / 9, 2), "attempts": 1,
        "result": None, "before": None, "after": None, "warnings": [],
    }  # fmt: skip
    if i % 15 == 9:
        reason, log = FAILED[i // 15 % len(FAILED)]
        row |= {"reason": reason, "attempts": 2 if "host" in reason else 1}
        if logs is not None and log:
            there = logs / f"{i}.log"
            there.write_text(log, encoding="utf-8")
            row["log"] = str(there)
        return row
    if i % 41 == 17:
        return row | {"status": "skipped", "reason": "done in an earlier run", "seconds": 0.0}
    here = {"file": file, "rig": "Hare"}
    before = _told(track, 0, i % 3 == 0) | here
    after = _told(track, int(i % 5 > 0), True) | here
    left = [
        f["text"] for jump in after["jumps"] for f in jump["findings"]
        if f["severity"] != "note"
    ]  # fmt: skip
    return row | {
        "output": file.replace("seq_", "fixed/seq_"),
        "rig": "Hare",
        "status": "findings" if left else "done",
        "reason": ", ".join(left) or None,
        "before": before,
        "after": after,
        "warnings": ["the COG control strays 0.08 m from the measured COG"] if i % 6 == 2 else [],
    }
