# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures of the real window for the documents: BLENDER=path names the program.

The program has to take a picture of the screen as NAME.png whenever a file NAME.want appears in
the folder that the environment variable SHOTS names.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

from PIL import Image

REPOSITORY = Path(__file__).resolve().parent.parent
TARGET = REPOSITORY / "docs" / "pictures"
SIDEBAR = (1020, 70, 1320, 815)
CROPS = {
    "overlay": (430, 150, 1010, 450),
    "tab": SIDEBAR,
    "check": SIDEBAR,
    "retime": SIDEBAR,
}
"""What of a screen of 1600 by 900 pixels is shown: left, top, right, bottom."""

MOST_BYTES = 200_000


def main() -> int:
    """Drive the window, crop what it showed, and write it small."""
    if "BLENDER" not in os.environ:
        print("BLENDER must name a Blender program with a window", file=sys.stderr)
        return 2
    sys.path.insert(0, str(REPOSITORY / "tests" / "window"))
    from test_window import drive

    with tempfile.TemporaryDirectory(prefix="leapwright-") as made:
        shots = Path(made) / "shots"
        shots.mkdir()
        os.environ["SHOTS"] = str(shots)
        drive(Path(made), "pictures")
        TARGET.mkdir(parents=True, exist_ok=True)
        for name, box in CROPS.items():
            with Image.open(shots / f"{name}.png") as screen:
                small = screen.convert("RGB").crop(box).quantize(colors=256, dither=Image.NONE)
                small.save(TARGET / f"{name}.png", optimize=True)
            size = (TARGET / f"{name}.png").stat().st_size
            print(f"{TARGET / name}.png: {size / 1000:.0f} kB")
            if size > MOST_BYTES:
                print(f"{name}.png is larger than {MOST_BYTES / 1000:.0f} kB", file=sys.stderr)
                return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
