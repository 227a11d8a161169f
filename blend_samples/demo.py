# SPDX-License-Identifier: GPL-3.0-or-later
"""The main job on a sample: the hare courier jumps onto a stack of crates, from posed frames.

    python blend_samples/demo.py --out build/demo

Prints the plan beside what was measured in the scene, and writes the shot and a strip of its key
poses with the path of the COG drawn in.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path

from leapwright.bpy_missing import explain
from leapwright_blender.stdout import quiet_stdout

HERE = Path(__file__).resolve().parent
POSES = {"start": 1, "crouch": 2, "takeoff": 3, "apex": 4, "land": 5, "low": 6, "end": 7}
JUMP_HEIGHT = 0.85
WORDS = {"takeoff": "take-off"}


def main() -> int:
    """Run the demo; exit status."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, default=Path("build/demo"), help="folder to write to")
    folder = parser.parse_args().out.resolve()
    folder.mkdir(parents=True, exist_ok=True)
    talk = quiet_stdout()
    try:
        import bpy
    except ImportError as error:
        print(explain(error), file=sys.stderr)
        return 1
    from leapwright_blender import open_shot

    shot = open_shot(HERE / "hare_market.blend")
    rig = shot.rig("Hare")
    blocked = rig.block(poses=POSES, jump_height=JUMP_HEIGHT)
    print(report(blocked), file=talk, flush=True)
    blend = shot.save(folder / "hare_on_the_crates.blend").path
    print("rendering the strip ...", file=talk, flush=True)
    strip = picture(bpy.context.scene, blocked, folder / "hare_on_the_crates.png")
    print(f"\nthe shot:  {blend}\nthe strip: {strip}", file=talk, flush=True)
    return 0


def report(blocked) -> str:  # type: ignore[no-untyped-def]
    """The plan beside what the evaluated scene shows."""
    jump, measured = blocked.jump, blocked.measured
    frames, exact = jump.frames, jump.subframes
    lines = ["", "the hare jumps onto the crates, from posed frames 1 to 7 at 24 fps", ""]
    lines.append(f"  {'phase':<14}{'frames':>7}   {'exactly':>8}")
    lines += [
        f"  {name:<14}{getattr(frames, name):>7}   {getattr(exact, name):>8.2f}"
        for name in ("anticipation", "push", "rise", "fall", "absorb", "recover")
    ]
    moments = ", ".join(f"{WORDS.get(m, m)} {f:g}" for m, f in blocked.moments.items())
    lines += ["", f"  {moments}", ""]
    lines.append(f"  {'':<14}{'asked':>9}{'plan':>9}{'measured':>10}")
    rows = (
        ("jump height", JUMP_HEIGHT, jump.jump_height, measured.jump_height_m),
        ("push height", blocked.poses.push_height_m, jump.push_height, measured.push_height_m),
    )
    for name, asked, plan, got in rows:
        lines.append(f"  {name:<14}{asked:>7.3f} m{plan:>7.3f} m{got:>8.3f} m")
    lines += [
        (
            f"  magnification {jump.magnification:.2f}, push {jump.push_force:.1f} and absorb "
            f"{jump.absorb_force:.1f} body weights on average"
        ),
        "",
        (
            f"  farthest of the COG from the plan, any frame: "
            f"{measured.largest_distance_m * 1000:.4f} mm"
        ),
        f"  posed values changed: {len(measured.posed_values_changed)}"
        + " (the root in the air, at the apex)" * bool(measured.posed_values_changed),
    ]
    lines += [f"  note: {text}" for text in blocked.warnings]
    return "\n".join(lines)


def picture(scene, blocked, out: Path) -> Path:  # type: ignore[no-untyped-def]
    """The strip of the key poses."""
    import numpy as np

    from leapwright_blender.sample import sample
    from leapwright_blender.strip import render_strip

    shown = {WORDS.get(m, m): int(f) for m, f in blocked.moments.items() if m != "end"}
    first, last = int(min(blocked.moments.values())), int(max(blocked.moments.values()))
    cog = blocked.controls.cog
    import bpy

    path = sample(bpy.data.objects[cog.object], np.arange(first, last + 1), [cog], scene=scene)
    frames = blocked.jump.frames
    return render_strip(
        scene,
        shown,
        cog=path.positions[0],
        cog_start=first,
        out=out,
        title=f"Hare: push {frames.push}, rise {frames.rise}, fall {frames.fall}, "
        f"absorb {frames.absorb}",
    )


if __name__ == "__main__":
    status = main()
    sys.stdout.flush()
    sys.stderr.flush()
    # The host may crash while the interpreter winds down; everything is written by now.
    os._exit(status)
