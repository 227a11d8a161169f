# SPDX-License-Identifier: GPL-3.0-or-later
"""The host process of a batch: one job a line comes in, one answer a line goes out.

    python -m leapwright_blender.server

Run by the `bpy` of the environment or by an installed Blender. Lines are JSON. A job's shot is
opened, the verb is done, and the result is saved beside its target under a name of its own: putting
it in the target's place is for the one who asked. When the lines end, the process ends at once,
whatever it is doing.
"""

from __future__ import annotations

import contextlib
import faulthandler
import hashlib
import json
import math
import os
import queue
import sys
import threading
import time
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, TextIO

from leapwright.bpy_missing import explain
from leapwright.errors import ClashError, HostError, LeapwrightError, NotFoundError
from leapwright.naming import matching, strip_copy_number
from leapwright.style import Style
from leapwright_blender.stdout import quiet_stdout

__all__ = ["answer", "main", "serve"]

Job = Mapping[str, Any]
CONTROLS = ("root", "cog", "feet", "rig_file")


def main() -> None:
    """Serve until the lines end; never returns."""
    data = quiet_stdout()
    faulthandler.enable(sys.stderr, all_threads=False)
    jobs: queue.SimpleQueue[str] = queue.SimpleQueue()
    threading.Thread(target=_read, args=(jobs,), daemon=True).start()
    try:
        from leapwright_blender import host
    except ImportError as error:
        _say(data, {"ready": False, "reason": " ".join(explain(error).split())})
        os._exit(1)
    _say(data, {"ready": True, "pid": os.getpid(), "blender": host.version_text(host.version())})
    serve(jobs.get, lambda said: _say(data, said))


def serve(take: Callable[[], str], say: Callable[[dict[str, Any]], None]) -> None:
    """Answer one line after another.

    Parameters
    ----------
    take : function without arguments
        Gives the next line.
    say : function of a dictionary
        Sends an answer.
    """
    while True:
        say(answer(json.loads(take())))


def answer(job: Job) -> dict[str, Any]:
    """Do one job; whatever goes wrong is the answer.

    Parameters
    ----------
    job : mapping
        ``id``, ``file``, ``staged`` (the file to write, or null), ``verb``, ``ask`` (the verb's
        keyword arguments), ``rig``, ``rig_files``, ``controls``, ``plots``, ``drivers``,
        ``in_place``; ``root``, ``cog`` and ``feet`` where they were named.

    Returns
    -------
    dict
        ``id``, ``status`` ("done" or "failed"), ``reason``, ``error`` (its class), ``rig``,
        ``result``, ``before``, ``after``, ``warnings``, ``sha256`` of the file written or null.
    """
    said: dict[str, Any] = {"id": job["id"], "status": "done", "reason": None, "error": None}
    said |= {"rig": None, "result": None, "before": None, "after": None, "warnings": []}
    said["sha256"] = None
    try:
        _do(job, said)
    except LeapwrightError as error:
        said |= {"status": "failed", "reason": str(error), "error": type(error).__name__}
    except Exception as error:
        traceback.print_exc()
        reason = " ".join(f"{type(error).__name__}: {error}".split())
        said |= {"status": "failed", "reason": reason, "error": type(error).__name__}
    return said


def _do(job: Job, said: dict[str, Any]) -> None:
    from leapwright_blender.shot import open_shot

    shot = open_shot(job["file"])
    said["warnings"] += shot.warnings
    _fault(job["file"])
    _refuse_blocked_drivers(job)
    rig = shot.rig(_rig_name(shot, job["rig"]))
    said["rig"] = rig.name
    chosen = _controls(rig, job)
    verb, ask = job["verb"], dict(job["ask"])
    if "style" in ask:
        ask["style"] = Style.from_json(ask["style"])
    if verb == "check":
        checked = rig.check(**chosen, **ask)
        said["result"] = checked.to_json()
        said["before"] = checked.to_json(track=True)
        said["warnings"] += checked.warnings
        if checked.reason:
            raise NotFoundError(f"no jump: {checked.reason}")
        return
    fixes = verb == "fix" and not ask.get("keep_on_arc")
    if job["plots"] and not fixes:
        said["before"] = _checked(rig, chosen, said)
    result = _verb(rig, verb)(**chosen, **ask)
    said["result"] = result.to_json()
    said["warnings"] += result.warnings
    if fixes:
        said["before"] = result.before.to_json(track=True)
        said["after"] = result.after.to_json(track=True)
        if job["in_place"] and not result.keys:
            said["warnings"].append("nothing was changed, so nothing was written")
            return
    elif job["plots"]:
        said["after"] = _checked(rig, chosen, said)
    staged = Path(job["staged"])
    shot.save(staged)
    said["sha256"] = _digest(staged)


def _verb(rig: Any, verb: str) -> Callable[..., Any]:
    """The method of a rig; two verbs have another that an option asks for."""

    def block(*, again: bool = False, **ask: Any) -> Any:
        return rig.block_again(**ask) if again else rig.block(**ask)

    def fix(*, keep_on_arc: bool = False, **ask: Any) -> Any:
        return rig.keep_on_arc(**ask) if keep_on_arc else rig.fix(**ask)

    by_option: dict[str, Callable[..., Any]] = {"block": block, "fix": fix}
    return by_option.get(verb) or getattr(rig, verb)


def _checked(rig: Any, chosen: Mapping[str, Any], said: dict[str, Any]) -> dict[str, Any] | None:
    """What a check says; one that cannot be made is a warning, since nobody asked for it."""
    try:
        told: dict[str, Any] = rig.check(**chosen).to_json(track=True)
    except LeapwrightError as error:
        said["warnings"].append(f"not measured: {error}")
        return None
    return told


# --- Which rig, which controls -------------------------------------------------------------------


def _rig_name(shot: Any, asked: str | None) -> str:
    """The one rig that a name or pattern covers, an armature before any object that is animated;
    without a name the one that `Shot.the_rig` takes."""
    rigs = shot.rigs()
    if asked is None:
        return str(shot.the_rig().name)
    found = (
        matching(asked, rigs)
        or matching(asked, shot.animated())
        or tuple(r for r in rigs if strip_copy_number(r) == asked)
    )
    if len(found) > 1:
        listed = ", ".join(found)
        raise ClashError(f"`rig`: {asked!r} covers several rigs: {listed}; name one", found)
    if not found and any(letter in asked for letter in "*?["):
        known = rigs or shot.animated()
        there = f"rigs: {', '.join(known)}" if known else "nothing in it is animated"
        raise NotFoundError(f"`rig`: {asked!r} covers no rig of {shot.path.name}; {there}")
    # Not an armature: an object by its name, or what is there is told.
    return str(found[0]) if found else asked


def _controls(rig: Any, job: Job) -> dict[str, Any]:
    """Root, COG control, feet and rig file for this rig: what the job names wins."""
    chosen = {name: job[name] for name in ("root", "cog", "feet") if job.get(name)}
    said = [choice for choice in job["controls"] if matching(choice["rig"], _names(rig))]
    different = {
        json.dumps({k: v for k, v in c.items() if k != "rig"}, sort_keys=True) for c in said
    }
    if len(different) > 1:
        patterns = [choice["rig"] for choice in said]
        listed = ", ".join(patterns)
        raise ClashError(f"{rig.name!r} matches several [[controls]]: {listed}", patterns)
    for choice in said[:1]:
        chosen = {n: choice[n] for n in ("root", "cog", "feet") if choice.get(n)} | chosen
    files: list[str] = job["rig_files"] or next(
        (c["rig_files"] for c in said if c.get("rig_files")), []
    )
    if files:
        chosen["rig_file"] = _rig_file(rig, files)
    return chosen


def _names(rig: Any) -> list[str]:
    return list(dict.fromkeys((rig.name, strip_copy_number(rig.name))))


def _rig_file(rig: Any, files: Sequence[str]) -> str:
    """The one rig file of several that is of this rig; one named alone is taken as it is."""
    import bpy

    from leapwright_blender.rigfile import is_of, load_rig_file

    if len(files) == 1:
        return files[0]
    obj = bpy.data.objects[rig.name]
    found = [r for r in map(load_rig_file, files) if is_of(r, obj)]
    different = {str(sorted(r.says().items())): r for r in found}
    if len(different) > 1:
        paths = [str(r.path) for r in found]
        raise ClashError(f"{rig.name!r} matches several rig files: {', '.join(paths)}", paths)
    if not found:
        raise NotFoundError(f"none of {len(files)} rig files is of {rig.name!r}")
    return str(found[0].path)


# --- Scripts -------------------------------------------------------------------------------------


def _refuse_blocked_drivers(job: Job) -> None:
    """A driver that was not run leaves 0 on its channel: saved, the shot would be spoilt.

    A text block that was not run changes nothing that is saved; the host names it only where it
    stopped no driver.
    """
    import bpy

    said = bpy.app.autoexec_fail_message if bpy.app.autoexec_fail else ""
    if job["drivers"] != "refuse" or not said.startswith("Driver"):
        return
    where = "; ".join(list(dict.fromkeys(_blocked_drivers()))[:3]) or said
    raise HostError(f"a driver wants to run a script, and scripts do not run: {where}")


def _blocked_drivers() -> Iterator[str]:
    """Scripted drivers of the file that do not work: where, and their expressions."""
    import bpy

    for collection in _collections(bpy.data):
        for block in collection:
            data = getattr(block, "animation_data", None)
            for curve in data.drivers if data else ():
                driver = curve.driver
                if driver.type == "SCRIPTED" and not driver.is_valid:
                    yield f"{block.name!r}, {curve.data_path}: {driver.expression}"


def _collections(data: Any) -> Iterator[Any]:
    for prop in data.bl_rna.properties:
        if prop.type == "COLLECTION":
            yield getattr(data, prop.identifier)


# --- Lines ---------------------------------------------------------------------------------------


def _read(jobs: queue.SimpleQueue[str]) -> None:
    """Take lines while the main thread works; when they end nobody waits for an answer."""
    # The raw file: Blender's own sys.stdin may have another encoding.
    lines = os.fdopen(0, encoding="utf-8", closefd=False)
    with contextlib.suppress(OSError, ValueError), lines:
        for line in lines:
            jobs.put(line)
    os._exit(0)


def _say(data: TextIO, said: Mapping[str, Any]) -> None:
    try:
        text = json.dumps(said, allow_nan=False)
    except ValueError:
        text = json.dumps(_finite(said))
    try:
        data.write(text + "\n")
        data.flush()
    except OSError:
        os._exit(0)


def _finite(value: Any) -> Any:
    """The same with null for what is not a number: JSON has no word for it."""
    if isinstance(value, Mapping):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


# --- Faults, for tests ---------------------------------------------------------------------------


def _fault(file: str) -> None:
    """What the tests want to go wrong: LEAPWRIGHT_TEST_FAULTS is JSON, file name → fault."""
    faults = os.environ.get("LEAPWRIGHT_TEST_FAULTS")
    fault = json.loads(faults).get(Path(file).name) if faults else None
    if fault is None:
        return
    import ctypes

    print(f"fault for a test: {fault}", file=sys.stderr, flush=True)
    if fault == "crash":
        ctypes.string_at(0)
    elif fault == "exit":
        os._exit(0)
    elif fault == "hang":
        # Holds on to the interpreter, as a host that hangs does: no thread of ours gets a turn.
        ctypes.PyDLL(None).sleep(3600)
    elif fault == "sleep":
        time.sleep(3600)
    elif fault == "memory":
        eaten = []
        while True:
            eaten.append(bytearray(b"x" * (16 << 20)))
            time.sleep(0.01)


if __name__ == "__main__":
    main()
