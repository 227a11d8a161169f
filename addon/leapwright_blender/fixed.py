# SPDX-License-Identifier: GPL-3.0-or-later
"""What a fix did to a rig: the jumps before and after, which fixes, and what became of the keys."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.checked import Checked
from leapwright.curves import MERGE_FRAMES, Curves, channel
from leapwright.findings import Finding, finding_answer

__all__ = ["ChannelKeys", "Done", "Fixed", "keys_of_channels"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ChannelKeys:
    """What became of one channel's keys.

    Attributes
    ----------
    channel : str
        Data path and index; before it, for what is not on the rig itself, whose it is.
    moved : tuple of (float, float)
        Keys that went to another frame: from where to where.
    added : tuple of float
        Frames of keys that are new.
    changed : tuple of float
        Frames, after, of keys whose value is another.
    left : int
        Keys on their frame with their value.
    reshaped : bool
        Only the way between the keys is another.
    """

    channel: str
    moved: tuple[tuple[float, float], ...]
    added: tuple[float, ...]
    changed: tuple[float, ...]
    left: int
    reshaped: bool

    @property
    def became(self) -> str:
        """The same in words."""
        counts = (
            (len(self.moved), "moved"),
            (len(self.added), "added"),
            (len(self.changed), "changed"),
            (self.left, "left"),
        )
        said = [f"{count} {word}" for count, word in counts if count]
        return ", ".join(said) + (", way between them changed" if self.reshaped else "")

    def to_json(self) -> dict[str, Any]:
        """The same as JSON values."""
        return {
            "channel": self.channel,
            "moved": [list(pair) for pair in self.moved],
            "added": list(self.added),
            "changed": list(self.changed),
            "left": self.left,
            "reshaped": self.reshaped,
        }


@dataclass(frozen=True, slots=True)
class Done:
    """One fix of one jump.

    Attributes
    ----------
    jump : int
    fix : str
        Of `leapwright.findings.FIXES`.
    findings : tuple of str
        What it was for.
    text : str
        One sentence.
    written : bool
        Otherwise the text says why not.
    """

    jump: int
    fix: str
    findings: tuple[str, ...]
    text: str
    written: bool = True

    def to_json(self) -> dict[str, Any]:
        """The same as JSON values."""
        return {
            "jump": self.jump,
            "fix": self.fix,
            "findings": list(self.findings),
            "text": self.text,
            "written": self.written,
        }


@dataclass(frozen=True, slots=True, eq=False)
class Fixed:
    """What a fix did.

    Attributes
    ----------
    before, after : Checked
        On a dry run `after` is what would be.
    done : tuple of Done
        Fixes that were written, and those that were not and why.
    left : tuple of Finding
        Findings (warnings and errors) that are still there.
    keys : tuple of ChannelKeys
        Of the channels of which anything changed.
    props : tuple of str
        What belongs to the character beside the rig.
    warnings : tuple of str
    """

    before: Checked
    after: Checked
    done: tuple[Done, ...]
    left: tuple[Finding, ...]
    keys: tuple[ChannelKeys, ...]
    props: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def written(self) -> bool:
        """Whether any fix was good enough to be written."""
        return any(one.written for one in self.done)

    def to_json(self) -> dict[str, Any]:
        """Everything as JSON values; units are in the names."""
        return {
            "before": self.before.to_json(),
            "after": self.after.to_json(),
            "fixes": [one.to_json() for one in self.done],
            "left": [{"jump": f.jump, **finding_answer(f)} for f in self.left],
            "keys": [one.to_json() for one in self.keys],
            "props": list(self.props),
            "warnings": list(self.warnings),
        }


def keys_of_channels(
    before: Curves, went: Floats, after: Curves, labels: Sequence[str]
) -> tuple[ChannelKeys, ...]:
    """Tell what became of the keys of the channels that differ.

    Parameters
    ----------
    before, after : Curves
        The same channels.
    went : ndarray, shape (K,)
        Frame that each key of `before` is on now.
    labels : sequence of str
        Of the channels.
    """
    told = []
    for i, name in enumerate(labels):
        old, new = channel(before, i), channel(after, i)
        there = went[before.starts[i] : before.starts[i + 1]]
        frames = new.frame.astype(np.float64)
        near = np.abs(frames[None, :] - there[:, None])
        at = near.argmin(axis=1) if len(frames) else np.zeros(0, dtype=np.int64)
        was = old.frame.astype(np.float64)
        moved = np.abs(there - was) > MERGE_FRAMES
        changed = new.value[at] != old.value
        added = np.ones(len(frames), dtype=bool)
        added[at] = False
        same = not (moved.any() or changed.any() or added.any())
        reshaped = same and any(
            not np.array_equal(getattr(new, part), getattr(old, part))
            for part in ("left", "right", "interpolation")
        )
        if same and not reshaped:
            continue
        told.append(
            ChannelKeys(
                channel=name,
                moved=tuple(zip(was[moved].tolist(), there[moved].tolist(), strict=True)),
                added=tuple(frames[added].tolist()),
                changed=tuple(there[changed].tolist()),
                left=int(np.count_nonzero(~moved & ~changed)),
                reshaped=reshaped,
            )
        )
    return tuple(told)
