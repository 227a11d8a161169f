# SPDX-License-Identifier: GPL-3.0-or-later
"""Keep the host's talk out of the data: call this before `bpy` is imported."""

from __future__ import annotations

import os
import sys
from typing import TextIO

__all__ = ["quiet_stdout"]


def quiet_stdout() -> TextIO:
    """Send everything that is written to file descriptor 1 to standard error from now on.

    The host prints "Read blend", "Info: Saved" and the errors of its operators to standard
    output, from C, where Python cannot catch them.

    Returns
    -------
    text stream
        The real standard output, UTF-8, for data alone.
    """
    sys.stdout.flush()
    real = os.fdopen(os.dup(1), "w", encoding="utf-8", newline="\n")
    os.dup2(2, 1)
    return real
