# SPDX-License-Identifier: GPL-3.0-or-later
"""Leapwright plans, blocks, checks, fixes and retimes character jumps.

This package is the solver: numpy only, no 3D program. `plan` answers a jump in whole frames,
`chart` is the table of rise frames against height, `retime` changes a jump's time and keeps its
magnification, `resize` makes it higher or farther and keeps its gravity. `find` finds the jumps of
a measured `Track`, `check` says what is off in them.
"""

from leapwright.changes import Alternative, Change
from leapwright.chart import Chart, chart
from leapwright.check import check
from leapwright.checked import Checked
from leapwright.errors import (
    ClashError,
    FileError,
    HostError,
    InputError,
    KeysInTheWayError,
    LeapwrightError,
    NotFoundError,
    ReachError,
)
from leapwright.find import find
from leapwright.findings import Finding
from leapwright.found import FoundJump
from leapwright.jump import Frames, Jump, Moments
from leapwright.path import Motion, Path
from leapwright.resize import Resized, resize
from leapwright.retime import Heights, Retimed, Retiming, retime
from leapwright.solve import plan
from leapwright.style import Style
from leapwright.timemap import TimeMap
from leapwright.track import Track

__version__ = "0.1.0"

__all__ = [
    "Alternative",
    "Change",
    "Chart",
    "Checked",
    "ClashError",
    "FileError",
    "Finding",
    "FoundJump",
    "Frames",
    "Heights",
    "HostError",
    "InputError",
    "Jump",
    "KeysInTheWayError",
    "LeapwrightError",
    "Moments",
    "Motion",
    "NotFoundError",
    "Path",
    "ReachError",
    "Resized",
    "Retimed",
    "Retiming",
    "Style",
    "TimeMap",
    "Track",
    "chart",
    "check",
    "find",
    "plan",
    "resize",
    "retime",
]
