# SPDX-License-Identifier: GPL-3.0-or-later
"""Write each verb's ``--help`` into docs/command-line.md.

A block goes from ``<!-- help: VERB -->`` to ``<!-- end -->``.

``python tools/command_help.py [PAGE.md]``; with ``--check`` nothing is written and the exit code
is 1 where the text differs.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
WIDTH = 100
_BLOCK = re.compile(r"(<!-- help: (\w+) -->\n).*?(<!-- end -->)", re.DOTALL)


def help_text(verb: str) -> str:
    """What ``leapwright VERB --help`` prints, 100 columns wide, without colour or padding."""
    sources = [str(ROOT / "core"), str(ROOT / "addon")]
    environment = {
        **os.environ,
        "COLUMNS": str(WIDTH),
        "LINES": "50",
        "NO_COLOR": "1",
        "TERM": "dumb",
        "PYTHONIOENCODING": "utf-8",
        "PYTHONPATH": os.pathsep.join([*sources, os.environ.get("PYTHONPATH", "")]),
    }
    # A log of continuous integration counts as a terminal for some; the page does not.
    for name in ("FORCE_COLOR", "GITHUB_ACTIONS", "PY_COLORS", "TERMINAL_WIDTH", "TTY_COMPATIBLE"):
        environment.pop(name, None)
    done = subprocess.run(
        [sys.executable, "-m", "leapwright", verb, "--help"],
        env=environment,
        capture_output=True,
        check=True,
        encoding="utf-8",
    )
    return "\n".join(line.rstrip() for line in done.stdout.splitlines()).strip("\n")


def with_help(page: str) -> str:
    """The page's text with every marked block renewed."""

    def renewed(block: re.Match[str]) -> str:
        return f"{block[1]}```text\n{help_text(block[2])}\n```\n{block[3]}"

    return _BLOCK.sub(renewed, page)


def verbs_in(page: str) -> list[str]:
    """Verbs whose help is marked in the page."""
    return [block[2] for block in _BLOCK.finditer(page)]


def main(arguments: list[str]) -> int:
    """Renew the blocks of a page, or check them."""
    paths = [Path(a) for a in arguments if a != "--check"] or [ROOT / "docs" / "command-line.md"]
    stale = 0
    for path in paths:
        old = path.read_text(encoding="utf-8")
        new = with_help(old)
        if new == old:
            continue
        stale = 1
        if "--check" in arguments:
            print(f"{path}: the help is not that of the program; run tools/command_help.py")
        else:
            path.write_text(new, encoding="utf-8", newline="\n")
            print(f"{path}: help renewed for {', '.join(verbs_in(new))}")
    return stale if "--check" in arguments else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
