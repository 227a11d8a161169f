# SPDX-License-Identifier: GPL-3.0-or-later
"""Channels that are closed to a writer: locked, muted, baked or changed by modifiers."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from leapwright.curves import Channel
from leapwright.errors import HostError
from leapwright.naming import some

__all__ = ["refuse_channels"]


def refuse_channels(
    channels: Sequence[Channel], meant: Collection[Channel], what: str, remedy: str
) -> None:
    """Raise HostError, naming the first few, where some of the channels are those meant.

    Parameters
    ----------
    what : str
        What is wrong: "locked channels would be written".
    remedy : str
        What to do with them, one word: "unlock".
    """
    bad = [channel.label for channel in channels if channel in meant]
    if bad:
        raise HostError(f"{what}: {some(bad)}; {remedy} them first")
