# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright sheet``: one shot's jumps on a page, with its exposure sheet."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import Annotated

import typer

from leapwright.cli import check as checking
from leapwright.cli import plan as flags
from leapwright.cli import shots, tables
from leapwright.cli.shots import option
from leapwright.errors import FileError, InputError

__all__ = ["sheet"]


def sheet(
    file: checking.File,
    out: Annotated[
        Path, typer.Option("-o", metavar="OUT", help="The .html file to write.", show_default=False)
    ],
    rig: checking.RigName = None,
    rig_file: shots.RigFile = None,
    root: shots.Root = None,
    cog: shots.Cog = None,
    feet: shots.Feet = None,
    action: Annotated[
        str | None,
        option("--action", "NAME", checking.READING, "Of this action, played alone. .blend only."),
    ] = None,
    scale: Annotated[
        str | None,
        option(
            "--scale",
            "METRES",
            checking.READING,
            "Metres in one unit of a .bvh file. Default: guessed from the skeleton's height.",
        ),
    ] = None,
    cog_from: Annotated[
        checking.CogFrom | None,
        typer.Option(
            "--cog-from",
            rich_help_panel=checking.READING,
            show_default=False,
            help="What the COG is measured with. Default: as for check.",
        ),
    ] = None,
    title: Annotated[
        str | None,
        typer.Option("--title", metavar="TEXT", show_default=False, help="Heads the page."),
    ] = None,
    as_json: flags.Json = False,
) -> None:
    """Write a page of one shot: heights with arc and moments, findings, exposure sheet.

    One file that opens in a browser without a network, for the screen and for print. Findings are
    as those of check with its defaults.
    """
    typed = dict(locals()) | {"ground": None, "gravity": None, "style": None, "twos": False}
    typed |= {"intended": None, "limit": None}
    if out.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"-o must be an .html file, got {str(out)!r}", "out")
    if not out.absolute().parent.is_dir():
        raise FileError(f"{out}: there is no folder {out.parent}")
    begun = time.perf_counter()
    data, told = checking.check_file(file, typed)
    from leapwright.report.page import write_page

    row = {
        "file": str(file),
        "rig": told.rig,
        "verb": "check",
        "status": "findings" if checking.failing(told, checking.FailOn.warning) else "done",
        "seconds": round(time.perf_counter() - begun, 2),
        "before": told.to_json(track=True),
        "warnings": list(told.warnings),
    }
    write_page([row], out, title=title or f"{file.stem}: jumps and exposure sheet")
    if as_json:
        print(json.dumps({"file": str(file), "output": str(out), "rig": told.rig}), file=data)
        data.flush()
    tables.warn(told.warnings)
    print(f"Wrote {out}", file=sys.stderr)
