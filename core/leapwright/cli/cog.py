# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright cog``: what weighs what in a character, and where its COG is at rest."""

from __future__ import annotations

import json
from enum import StrEnum
from typing import Annotated, Any, TextIO

import typer
from rich.text import Text

from leapwright.cli import plan as flags
from leapwright.cli import shots, tables
from leapwright.cli.check import CogFrom, RigName
from leapwright.cli.progress import with_progress

__all__ = ["Sex", "cog"]


class Sex(StrEnum):
    """Which mass table."""

    mean = "mean"
    male = "male"
    female = "female"


def cog(
    file: shots.Shot,
    rig: RigName = None,
    cog_from: Annotated[
        CogFrom | None,
        typer.Option(
            "--cog-from",
            show_default=False,
            help="What the COG is measured with. Default: segments for people, mesh, control.",
        ),
    ] = None,
    sex: Annotated[
        Sex, typer.Option("--sex", help="The mass table of a person's segments.")
    ] = Sex.mean,
    as_json: flags.Json = False,
) -> None:
    """Show the masses of a character's parts and where its COG is at rest."""
    data, blender = shots.load_blender()
    shot = blender.open_shot(file, runner=with_progress)
    chosen = shot.the_rig(rig)
    source = chosen.cog_source(cog_from and cog_from.value, sex=sex.value)
    if as_json:
        said = {"file": str(file), "rig": chosen.name, **source.to_json()}
        print(json.dumps(said, indent=2), file=data)
    else:
        _show(chosen.name, source, data)
    data.flush()
    tables.warn(shot.warnings)


def _show(rig: str, source: Any, out: TextIO) -> None:
    console = tables.console_on(out)
    first, *rest = (line for line in source.text if not line.startswith("masses: "))
    console.print(Text(f"{rig}: {first}", style="bold"), soft_wrap=True)
    if source.parts:
        table = tables.simple_table("Part", "% of the body", numbers=(1,))
        for part, share in source.parts.items():
            table.add_row(part, f"{100 * share:.1f}")
        console.print(table)
    for line in rest:
        console.print(Text(f"{line[0].upper()}{line[1:]}."), soft_wrap=True)
