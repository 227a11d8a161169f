# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures for the documents, from the samples: of the real window, and of a report in a browser.

``python tools/pictures.py`` makes those that it can: BLENDER=path names a Blender program with a
window, which has to take a picture of the screen as NAME.png whenever a file NAME.want appears in
the folder that the environment variable SHOTS names; the report needs Chromium.
"""

from __future__ import annotations

import io
import os
import shutil
import sys
import tempfile
from pathlib import Path

from PIL import Image

REPOSITORY = Path(__file__).resolve().parent.parent
SAMPLES = REPOSITORY / "blend_samples"
TARGET = REPOSITORY / "docs" / "pictures"
SIDEBAR = (1020, 70, 1320, 815)
CROPS = {
    "overlay": ("overlay", (430, 150, 1010, 450)),
    "tab": ("tab", SIDEBAR),
    "check": ("check", SIDEBAR),
    "retime": ("retime", SIDEBAR),
    "window": ("tab", (0, 0, 1320, 900)),
}
"""Picture: of which screen of 1600 by 900 pixels, and what of it: left, top, right, bottom."""

MOST_BYTES = 260_000
POSES = {"start": 1, "crouch": 2, "takeoff": 3, "apex": 4, "land": 5, "low": 6, "end": 7}
NIGHT = """
[defaults]
rig = "Hare"
output = "out/{job}/{name}"

[[jobs]]
name = "snappier"
files = "shots/crates_*.blend"
retime = { snappiness = 1.5 }

[[jobs]]
name = "first hops, checked"
files = "shots/first_hops.blend"
check = {}

[[jobs]]
name = "first hops, fixed"
files = "shots/first_hops.blend"
fix = {}

[[jobs]]
name = "higher"
files = "shots/awning_*.blend"
resize = { times-height = 1.3 }
"""


def window_pictures(folder: Path) -> None:
    """Drive the window, crop what it showed, and write it small."""
    sys.path.insert(0, str(REPOSITORY / "tests"))
    from window.driven import drive

    shots = folder / "shots"
    shots.mkdir()
    os.environ["SHOTS"] = str(shots)
    drive(folder, "pictures")
    for name, (shot, box) in CROPS.items():
        with Image.open(shots / f"{shot}.png") as screen:
            write(name, screen.convert("RGB").crop(box))


def report_picture(folder: Path) -> None:
    """Do a small night with the samples, and look at its report."""
    sys.path.insert(0, str(REPOSITORY / "tests"))
    import leapwright.batch as batches
    from browser.program import started
    from leapwright_blender import open_shot

    shots = folder / "night" / "shots"
    shots.mkdir(parents=True)
    shutil.copyfile(SAMPLES / "hare_first_hops.blend", shots / "first_hops.blend")
    for name, height in (("crates_010", 0.85), ("crates_020", 1.1), ("awning_030", 0.7)):
        shot = open_shot(SAMPLES / "hare_market.blend")
        shot.rig("Hare").block(poses=POSES, jump_height=height)
        shot.save(shots / f"{name}.blend")
    (folder / "night" / "night.toml").write_text(NIGHT, encoding="utf-8")
    done = batches.run(batches.load_jobs(folder / "night" / "night.toml"))
    with started() as browser:
        page = browser.new_page(viewport={"width": 1240, "height": 1180})
        page.goto(Path(done.report).resolve().as_uri())
        page.get_by_text("first_hops.blend").last.click()
        page.wait_for_timeout(1500)
        picture = page.screenshot()
    with Image.open(io.BytesIO(picture)) as screen:
        write("report", screen.convert("RGB"))


def write(name: str, picture: Image.Image) -> None:
    """Write a picture small enough for a repository."""
    path = TARGET / f"{name}.png"
    TARGET.mkdir(parents=True, exist_ok=True)
    picture.quantize(colors=256, dither=Image.Dither.NONE).save(path, optimize=True)
    size = path.stat().st_size
    print(f"{path}: {size / 1000:.0f} kB")
    if size > MOST_BYTES:
        raise SystemExit(f"{path.name} is larger than {MOST_BYTES / 1000:.0f} kB")


def main() -> int:
    """Make the pictures; those asked for by name, or all."""
    wanted = sys.argv[1:] or ["window", "report"]
    with tempfile.TemporaryDirectory(prefix="leapwright-") as made:
        if "report" in wanted:
            report_picture(Path(made))
        if "window" in wanted and "BLENDER" in os.environ:
            window_pictures(Path(made))
        elif "window" in wanted:
            print("no pictures of the window: BLENDER must name a program", file=sys.stderr)
    return 0


if __name__ == "__main__":
    code = main()
    sys.stdout.flush()
    # bpy's own way out may crash or hang.
    os._exit(code)
