# SPDX-License-Identifier: GPL-3.0-or-later
"""``leapwright spline``: turn a stepped block into splines."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Annotated, Any

import typer

from leapwright.cli import lengths, shots, tables
from leapwright.cli import plan as flags
from leapwright.cli.shots import option, switch

__all__ = ["spline", "spline_ask"]

KEYS = "Keys"


class HandleType(StrEnum):
    """Handle types of Blender's keys."""

    free = "free"
    auto = "auto"
    vector = "vector"
    aligned = "aligned"
    auto_clamped = "auto-clamped"


def spline(
    file: shots.Shot,
    rig: shots.RigName,
    rig_file: shots.RigFile = None,
    root: shots.Root = None,
    cog: shots.Cog = None,
    feet: shots.Feet = None,
    no_props: shots.NoProps = False,
    moment: Annotated[
        list[str] | None,
        option(
            "--moment",
            "MOMENT=FRAME",
            KEYS,
            "Where a moment is, on a rig that remembers no jump. Repeatable.",
        ),
    ] = None,
    handle: Annotated[
        HandleType | None,
        typer.Option(
            "--handle",
            rich_help_panel=KEYS,
            show_default=False,
            help="Handles of the keys on all other channels. Default: as in the preferences.",
        ),
    ] = None,
    legs: Annotated[
        bool, switch("--legs", KEYS, "Add keys to FK legs that hold their planted feet.")
    ] = False,
    within: Annotated[
        str | None,
        option(
            "--within",
            "LENGTH",
            KEYS,
            "How far soles may then be off their places between keys. Default 5 mm.",
        ),
    ] = None,
    gravity: Annotated[
        str | None,
        option("--gravity", "G", KEYS, "In m/s², or a body like moon. Default: as blocked."),
    ] = None,
    out: shots.Out = None,
    in_place: shots.InPlace = False,
    dry_run: shots.DryRun = False,
    as_json: flags.Json = False,
) -> None:
    """Turn a stepped block into splines: no key is added, no pose changes.

    The COG's air goes on the exact arc, contacts are broken and holds are flat. Moments are those
    that the rig remembers, with the poses as they are now.
    """
    typed = dict(locals())
    shots.do(typed, "spline", spline_ask(typed), tables.show_splined)


def spline_ask(typed: Mapping[str, Any]) -> dict[str, Any]:
    """Keyword arguments of a rig's ``spline``.

    Parameters
    ----------
    typed : mapping of str to object
        Flags by argument name, texts as they were typed.
    """
    ask: dict[str, Any] = {name: typed[name] for name in ("legs", "dry_run")}
    ask["props"] = not typed["no_props"]
    ask |= {name: typed[name] for name in ("rig_file", "root", "cog", "feet")}
    if typed["moment"]:
        ask["moments"] = lengths.moment_frames(typed["moment"], "moments")
    if typed["handle"] is not None:
        ask["handle"] = typed["handle"].value
    if typed["within"] is not None:
        ask["within"] = lengths.length(typed["within"], "within")
    if typed["gravity"] is not None:
        ask["gravity"] = lengths.gravity(typed["gravity"])
    return ask
