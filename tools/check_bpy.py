# SPDX-License-Identifier: GPL-3.0-or-later
"""Load Blender's module bpy once, and say which it is or what it lacks.

``--host`` prints the release alone (``5.2``), for scripts. Ends with 1 where bpy does not load.
"""

from __future__ import annotations

import os
import sys

from leapwright.bpy_missing import explain


def main() -> int:
    """Import bpy; print what came of it."""
    try:
        import bpy
    except ImportError as error:
        print(explain(error), file=sys.stderr)
        return 1
    if "--host" in sys.argv[1:]:
        print("{}.{}".format(*bpy.app.version[:2]))
    else:
        print(f"bpy {bpy.app.version_string} loads on Python {sys.version.split()[0]}")
    return 0


if __name__ == "__main__":
    status = main()
    sys.stdout.flush()
    sys.stderr.flush()
    # Some releases of bpy crash or hang in their own shutdown.
    os._exit(status)
