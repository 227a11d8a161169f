# SPDX-License-Identifier: GPL-3.0-or-later
"""What a write will touch: the sums, and each channel in a line."""

from __future__ import annotations

from typing import Any

from .layout import write

__all__ = ["draw_preview", "preview_of"]

MOST = 40


def preview_of(result: Any) -> dict[str, Any]:
    """Give the account of a dry run of block as JSON values."""
    keyed = result.keyed
    counts = {
        word: sum(getattr(k, word) for k in keyed)
        for word in ("moved", "replaced", "added", "left")
    }
    said = ", ".join(f"{n} {word}" for word, n in counts.items() if n)
    return {
        **counts,
        "channels": [[k.channel, k.became] for k in keyed],
        "sum": f"{len(keyed)} channels: keys {said}" if said else "no key is touched",
        "props": list(result.props),
        "warnings": list(result.warnings),
    }


def draw_preview(layout: Any, said: dict[str, Any], *, region: Any) -> None:
    """Draw the sums, and folded away every channel."""
    write(layout, said["sum"], region=region, icon="HIDE_OFF")
    if said["props"]:
        write(layout, f"along: {', '.join(said['props'])}", region=region)
    header, body = layout.panel("LEAPWRIGHT_preview", default_closed=True)
    header.label(text="Channels")
    if body is None:
        return
    column = body.column(align=True)
    column.scale_y = 0.75
    for channel, became in said["channels"][:MOST]:
        column.label(text=f"{_short(channel)}: {became}")
    if len(said["channels"]) > MOST:
        column.label(text=f"and {len(said['channels']) - MOST} more")


def _short(channel: str) -> str:
    """A channel without what is the same for all bones."""
    return channel.replace('pose.bones["', "").replace('"].', " ")
