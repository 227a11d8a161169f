# SPDX-License-Identifier: GPL-3.0-or-later
"""Print which controls are found on every kind of rig, and whether they are the right ones.

``python tools/detection.py [WORD...]``: all kinds and samples, or those whose names hold a word.
Right: right and said with "sure". Not sure: said with "likely" or "guess", with a tick where it
is right all the same. Wrong: wrong and said with "sure"; ends with 1 when there is one.
"""

from __future__ import annotations

import os
import sys
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / part) for part in ("core", "addon", "tests")]

from leapwright_blender.stdout import quiet_stdout  # noqa: E402

if TYPE_CHECKING:
    from rich.table import Table

    from blender.rigs import Verdict

ROLES = {"root": "root", "cog": "COG control", "pelvis": "pelvis", "feet": "feet and legs"}
STYLES = {"right": "green", "not sure": "yellow", "wrong": "bold red"}


def cell(verdict: Verdict) -> str:
    """The verdict, and below it what was found."""
    text = verdict.text
    if text == "not sure":
        text += f" ({verdict.how}) {'✓' if verdict.right else '✗'}"
    return f"[{STYLES[verdict.text]}]{text}[/]\n{verdict.found}"


def detect(words: list[str]) -> tuple[Table, Counter[str]]:
    """Build the rigs, find their controls, and judge them."""
    # First: the host's own modules are found once it is loaded.
    import bpy  # noqa: F401
    from rich.table import Table

    from blender.rigs import KINDS, SAMPLES, build, judge
    from leapwright_blender.rig import find_controls

    table = Table("rig", *ROLES.values(), title="Controls found", show_lines=True)
    count: Counter[str] = Counter()
    for name, kind in {**KINDS, **SAMPLES}.items():
        if words and not any(word.lower() in name.lower() for word in words):
            continue
        verdicts = judge(kind, find_controls(build(name), folders=()))
        count.update(v.text for v in verdicts.values())
        count.update(
            "not sure, yet right" for v in verdicts.values() if v.how != "sure" and v.right
        )
        table.add_row(name, *(cell(verdicts[role]) for role in ROLES))
    return table, count


def main(words: list[str]) -> int:
    """Print the table and its sums; 1 when anything wrong is said with confidence."""
    real = quiet_stdout()
    from rich.console import Console

    table, count = detect(words)
    console = Console(file=real, width=None if real.isatty() else 140)
    console.print(table)
    console.print(
        f"right {count['right']}, not sure {count['not sure']} "
        f"(right all the same: {count['not sure, yet right']}), wrong {count['wrong']}"
    )
    real.flush()
    return 1 if count["wrong"] else 0


if __name__ == "__main__":
    status = main(sys.argv[1:])
    sys.stderr.flush()
    # Some releases of bpy crash or hang in their own shutdown.
    os._exit(status)
