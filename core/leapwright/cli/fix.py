# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright fix``: what a check finds off, fixed as little as it takes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

import typer

from leapwright.cli import change, lengths, shots
from leapwright.cli import plan as flags
from leapwright.cli.check import JUDGING, READING, CogFrom, check_ask
from leapwright.cli.fix_table import show_fixed, show_on_arc
from leapwright.cli.shots import option, switch
from leapwright.errors import ClashError

__all__ = ["fix", "fix_ask"]

FIXING = "What is fixed"
_JUDGED = ("gravity", "ground", "style", "twos", "intended", "limit", "only", "no_props")


def fix(
    file: shots.Shot,
    rig: shots.RigName,
    rig_file: shots.RigFile = None,
    root: shots.Root = None,
    cog: shots.Cog = None,
    feet: shots.Feet = None,
    jump: Annotated[
        int | None,
        typer.Option(
            "--jump",
            metavar="N",
            rich_help_panel=FIXING,
            show_default=False,
            help="Only this jump of the check, from 1.",
        ),
    ] = None,
    only: Annotated[
        list[str] | None,
        option("--only", "FINDING", FIXING, "Only this finding, or this fix. Repeatable."),
    ] = None,
    keep_on_arc: Annotated[
        bool,
        switch(
            "--keep-on-arc",
            FIXING,
            "Instead: let the COG control make up for arms and legs, so that the measured COG "
            "keeps to the arc of its take-off and land.",
        ),
    ] = False,
    within: Annotated[
        str | None,
        option(
            "--within",
            "LENGTH",
            FIXING,
            "How near the COG is held to its arc, and turned legs' feet to their places. "
            "Default 5mm.",
        ),
    ] = None,
    cog_from: Annotated[
        CogFrom | None,
        typer.Option(
            "--cog-from",
            rich_help_panel=READING,
            show_default=False,
            help="What the COG is measured with: that goes on the arc. Default: as it was blocked; "
            "else segments for people, mesh, control.",
        ),
    ] = None,
    ground: Annotated[
        str | None,
        option(
            "--ground",
            "OBJECT",
            READING,
            "The object that is the floor. Default: where soles rest.",
        ),
    ] = None,
    gravity: Annotated[
        str | None,
        option("--gravity", "G", JUDGING, "What is true: m/s², a body like moon, or scene."),
    ] = None,
    style: Annotated[
        str | None,
        option("--style", "fall=N,push=N,hang=N", JUDGING, "The show's style; as for check."),
    ] = None,
    twos: Annotated[bool, switch("--twos", JUDGING, "Judge counts to two frames.")] = False,
    intended: Annotated[
        list[str] | None,
        option(
            "--intended",
            "FINDING=REASON",
            JUDGING,
            "A finding that is meant, so it is not fixed. FINDING@2 is the second jump's alone. "
            "Repeatable.",
        ),
    ] = None,
    limit: Annotated[
        list[str] | None,
        option("--limit", "NAME=NUMBER", JUDGING, "Another threshold for a finding. Repeatable."),
    ] = None,
    no_props: shots.NoProps = False,
    no_markers: change.NoMarkers = False,
    out: shots.Out = None,
    in_place: shots.InPlace = False,
    dry_run: shots.DryRun = False,
    as_json: flags.Json = False,
) -> None:
    """Fix what a check finds off in the jumps of a rig, and check again.

    Contact keys are added, the COG goes on one arc, push and absorb meet it, feet stand. Keys may
    move in time, poses keep their values. A fix that is not good is not written and says why.
    """
    typed = dict(locals())
    ask = fix_ask(typed)
    if keep_on_arc:
        shots.do(typed, "keep_on_arc", ask, show_on_arc)
        return
    result = shots.do(typed, "fix", ask, show_fixed, changed=lambda result: bool(result.keys))
    if any(not one.written for one in result.done):
        raise typer.Exit(1)


def fix_ask(typed: Mapping[str, Any]) -> dict[str, Any]:
    """Keyword arguments of a rig's ``fix`` or ``keep_on_arc``; what was not typed is absent.

    Parameters
    ----------
    typed : mapping of str to object
        Flags by argument name, texts as they were typed.
    """
    more = {n: typed[n] for n in ("jump", "only") if typed[n]}
    if typed["within"] is not None:
        more["within"] = lengths.length(typed["within"], "within")
    if typed["dry_run"]:
        more["dry_run"] = True
    if typed["keep_on_arc"]:
        said = [name for name in _JUDGED if typed[name]]
        if said:
            raise ClashError(
                f"{said[0]} is for fixes of findings: keep_on_arc looks at none", (said[0],)
            )
        named = {n: typed[n] for n in ("rig_file", "root", "cog", "feet") if typed[n]}
        if typed["cog_from"] is not None:
            named["cog_from"] = typed["cog_from"].value
        return {**named, **more}
    ask = {**check_ask({**typed, "action": None}), **more}
    for flag, name in (("no_props", "props"), ("no_markers", "markers")):
        if typed[flag]:
            ask[name] = False
    return ask
