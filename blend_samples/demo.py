# SPDX-License-Identifier: GPL-3.0-or-later
"""The main job on a sample: the hare courier jumps onto a stack of crates, from posed frames.

    python blend_samples/demo.py --out build/demo

Prints the plan beside what was measured in the scene, and writes the shot and a strip of its key
poses with the path of the COG drawn in. Then the same jump snappier, with the spacing of both side
by side.
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
SNAPPINESS = 1.5
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
    as_blocked = spacing(bpy.context.scene, blocked, blocked.moments, "as blocked")
    print(f"\nthe shot:  {blend}\nthe strip: {strip}", file=talk, flush=True)
    retimed = rig.retime(snappiness=SNAPPINESS)
    print(report_retimed(retimed), file=talk, flush=True)
    snappier = shot.save(folder / "hare_snappier.blend").path
    print("rendering the second strip ...", file=talk, flush=True)
    moments = {m: f for m, f in retimed.solved.moments_after if f is not None}
    words = f"snappiness {retimed.solved.answer.snappiness:.3g} (asked {SNAPPINESS})"
    both = [as_blocked, spacing(bpy.context.scene, blocked, moments, words)]
    strip = side_by_side(both, folder / "hare_snappier.png")
    print(f"\nthe shot:  {snappier}\nthe strip: {strip}", file=talk, flush=True)
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


def report_retimed(retimed) -> str:  # type: ignore[no-untyped-def]
    """The jump before and after, in numbers."""
    solved, answer = retimed.solved, retimed.solved.answer
    lines = ["", f"the same jump, snappier (snappiness {SNAPPINESS} asked)", ""]
    lines.append(f"  {'phase':<16}{'before':>10}{'after':>10}")
    for name in ("push", "rise", "fall", "absorb"):
        was, now = (getattr(f, name) for f in (solved.frames_before, solved.frames_after))
        lines.append(f"  {name:<16}{was:>10g}{now:>10g}")
    lines += ["", f"  {'':<16}{'before':>10}{'after':>10}"]
    heights = retimed.before.heights, retimed.after.heights
    physics = solved.physics_before, answer.physics
    for name, (was, now), unit in (
        ("jump height", [h.jump for h in heights], "m"),
        ("push height", [h.push for h in heights], "m"),
        ("gravity", [p.rise_gravity for p in physics], "m/s²"),
    ):
        lines.append(f"  {name:<16}{was:>10.3f}{now:>10.3f} {unit}")
    lines += [
        "",
        f"  snappiness {answer.snappiness:.3g}, magnification {solved.magnification:.2f} stays",
        f"  it reads as a hare of {answer.reads_as_size:.2f} times the size",
    ]
    keys = retimed.keys
    lines.append(f"  keys: {keys.moved} moved, {keys.split} added, {len(keys.merged)} merged")
    lines += [f"  note: {text}" for text in retimed.warnings]
    return "\n".join(lines)


def spacing(scene, blocked, moments, words):  # type: ignore[no-untyped-def]
    """The apex with the COG of the whole jump, one dot per frame."""
    import bpy
    import numpy as np

    from leapwright.report.strip import Panel
    from leapwright_blender.sample import sample
    from leapwright_blender.strip import render_pictures

    frames = np.arange(int(moments["crouch"]), int(moments["low"]) + 1)
    cog = blocked.controls.cog
    path = sample(bpy.data.objects[cog.object], frames, [cog], scene=scene).positions[0]
    (shot,) = render_pictures(scene, [int(moments["apex"])], width=640)
    marks = {WORDS.get(m, m): int(moments[m] - frames[0]) for m in ("takeoff", "apex", "land")}
    counts = {
        name: moments[last] - moments[first]
        for name, first, last in (
            ("push", "crouch", "takeoff"),
            ("rise", "takeoff", "apex"),
            ("fall", "apex", "land"),
            ("absorb", "land", "low"),
        )
    }
    return Panel(
        picture=shot.pixels,
        moment=words,
        frame=shot.frame,
        path=shot.project(path),
        current=marks["apex"],
        marks=marks,
        note=", ".join(f"{name} {count:g}" for name, count in counts.items()),
    )


def side_by_side(panels, out: Path) -> Path:  # type: ignore[no-untyped-def]
    """Both spacings from the same camera, before on the left."""
    from leapwright.report.strip import compose_strip, png

    out.write_bytes(png(compose_strip(panels, title="Hare: the same jump, snappier")))
    return out


if __name__ == "__main__":
    status = main()
    sys.stdout.flush()
    sys.stderr.flush()
    # The host may crash while the interpreter winds down; everything is written by now.
    os._exit(status)
