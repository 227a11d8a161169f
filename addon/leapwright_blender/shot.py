# SPDX-License-Identifier: GPL-3.0-or-later
"""A shot and its rigs, for scripts: open, take a rig by name, block, save."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeVar

import bpy

from leapwright.checked import Checked
from leapwright.errors import InputError, LeapwrightError, NotFoundError
from leapwright.naming import close_names
from leapwright.style import Style
from leapwright.units import STANDARD_GRAVITY
from leapwright_blender import files, host, sample, store
from leapwright_blender.block import block
from leapwright_blender.blocked import Blocked
from leapwright_blender.check import check
from leapwright_blender.cog import Source, cog_source, source_named
from leapwright_blender.finish import remembered_controls
from leapwright_blender.fix import fix
from leapwright_blender.fixed import Fixed
from leapwright_blender.flat import refusing_flat
from leapwright_blender.ground import ground_of
from leapwright_blender.intended import mark_intended, unmark_intended
from leapwright_blender.on_arc import OnArc, keep_on_arc
from leapwright_blender.posed import Measures, measure
from leapwright_blender.poses import read_body, read_poses
from leapwright_blender.resize import resize
from leapwright_blender.resized import ResizedRig
from leapwright_blender.retime import retime
from leapwright_blender.retimed import RetimedRig
from leapwright_blender.rig import Controls, find_controls
from leapwright_blender.rigfile import RigFile, save_rig_file
from leapwright_blender.spline import Splined, spline
from leapwright_blender.steps import Runner, Steps, part, run
from leapwright_blender.wanted import Wanted, again

__all__ = ["Rig", "Shot", "open_shot", "rig_of"]

T = TypeVar("T")

_REMEMBERED = ("root", "cog", "feet")
"""Controls that a rig remembers with a jump."""


@dataclass(frozen=True, slots=True)
class Rig:
    """A rig of the open file, by name: nothing of the host is held on to.

    Parameters
    ----------
    name : str
        Name of the object.
    scene : str
        Name of the scene it is in.
    runner : Runner
        What goes through the steps of a verb: at once, or with progress shown. With
        `leapwright_blender.steps.held` every verb gives its steps instead of its result.
    """

    name: str
    scene: str
    runner: Runner = field(default=run, repr=False, compare=False)

    def _run(self, steps: Steps[T]) -> T:
        def refusing() -> Steps[T]:
            with refusing_flat(self.name):
                return (yield from part(steps, 0.0, 1.0))

        return self.runner(refusing())

    def _object(self) -> Any:
        obj = bpy.data.objects.get(self.name)
        if obj is None:
            raise NotFoundError(f"there is no rig {self.name!r} in this file any more")
        return obj

    def _scene(self) -> Any:
        scene = bpy.data.scenes.get(self.scene)
        if scene is None:
            raise NotFoundError(f"there is no scene {self.scene!r} in this file any more")
        return scene

    def find(
        self,
        *,
        root: str | None = None,
        cog: str | None = None,
        feet: Sequence[str] | None = None,
        rig_file: str | Path | None = None,
    ) -> Controls:
        """Find root, COG control, pelvis and feet; what is named wins. See `find_controls`."""
        with refusing_flat(self.name):
            return find_controls(
                self._object(),
                root=root or None,
                cog=cog or None,
                feet=list(feet) if feet else None,
                rig_file=rig_file,
                scene=self._scene(),
            )

    def save_rig_file(self, path: str | Path, controls: Controls) -> RigFile:
        """Write the controls of this rig to a rig file, to be found by itself from then on."""
        return save_rig_file(path, controls, self._object())

    def measure_poses(
        self,
        poses: Mapping[str, float],
        *,
        root: str | None = None,
        cog: str | None = None,
        feet: Sequence[str] | None = None,
        rig_file: str | Path | None = None,
        cog_from: str | None = None,
    ) -> Measures:
        """What the posed frames say of the jump: push height, landing level, travel and more.

        Parameters
        ----------
        poses : mapping of moment to frame
        root, cog, feet, rig_file
            The user's own choice of controls.
        cog_from : {"control", "segments", "mesh"}
            What the COG is measured with; default the COG control.
        """
        controls = self.find(root=root, cog=cog, feet=feet, rig_file=rig_file)
        obj, scene = self._object(), self._scene()
        source = run(source_named(obj, scene, controls, cog_from))
        with refusing_flat(self.name):
            body = read_body(obj, scene, ground_of(scene), controls, read_poses(poses), source)
            return measure(body.stands, body.home)

    def block(
        self,
        *,
        poses: Mapping[str, float] | None = None,
        root: str | None = None,
        cog: str | None = None,
        feet: Sequence[str] | None = None,
        rig_file: str | Path | None = None,
        gravity: float | str = STANDARD_GRAVITY,
        keep: str | None = None,
        shot_start: float | None = None,
        stepped: bool = False,
        air: str | None = None,
        after: str = "keep",
        replace: bool = False,
        markers: bool = True,
        foot: Mapping[str, Mapping[str, int]] | None = None,
        key: str | None = None,
        ground: str | None = None,
        within: float = 0.005,
        props: bool = True,
        chain: bool = False,
        again: bool = False,
        cog_from: str | None = None,
        dry_run: bool = False,
        **ask: Any,
    ) -> Blocked:
        """Block a jump on this rig.

        Parameters
        ----------
        poses : mapping of moment to frame
            Frames on which moments are posed now. All their keyed channels go to the computed
            frames, with their key types; push height, landing level and travel are read from
            them. Without a crouch pose the COG control is lowered.
        root, cog, feet, rig_file
            The user's own choice of controls.
        gravity : float or str
            m/s², a body, or "scene" for the strength of the scene's. Its direction always holds.
        keep : {"gravity", "poses", "heights"}
            Default "poses" with a posed crouch and take-off, else "gravity".
        shot_start : int
            Default: the scene's first frame.
        stepped : bool
            Constant keys instead of splines.
        air : {"root", "feet"}
            What takes the feet through the air; default by how the rig is built.
        after : {"keep", "shift"}
            Push keys after the poses back to make room.
        replace : bool
            Let keys in the span give way, also those that were edited since the last block.
        markers : bool
            Set timeline markers for the moments.
        foot : mapping of foot to {"release": int, "plant": int}
            Frames from take-off to the foot's last contact (0 or less) and from land to its first
            (0 or more).
        key : {"touched", "selected", "all"}
            Key every keyed channel, the selected controls or all controls at every moment.
        ground : str
            Name of the object to land on: its top under each foot.
        within : float
            How far soles of FK legs may be off their places between keys, m; the COG control is
            held within a fifth of that where something turns between the poses, and a COG that
            `cog_from` measures over the whole body within all of it.
        props : bool
            Let props of the character go along.
        chain : bool
            Begin in the low of the jump that the rig remembers: that low is the crouch.
        again : bool
            Keys of a jump that was blocked there before give way, as far as nobody edited them;
            see `block_again`.
        cog_from : {"control", "segments", "mesh"}
            What the COG is measured with: it goes on the arc, and push height, landing level and
            travel are read off it. Anything but the control, the default, gets extra keys on the
            COG control between the poses, where arms, legs or a tail move it.
        dry_run : bool
            Work everything out and write nothing.
        **ask
            Everything else of `leapwright.plan`; `running` may also be "measured": the speed and
            heading of the keys before the jump.

        Returns
        -------
        Blocked

        Raises
        ------
        InputError, ClashError, ReachError
            As `leapwright.plan`, and where poses contradict what was asked.
        NotFoundError
            A control is not there.
        KeysInTheWayError
            Keys stand in the span; nothing was written.
        HostError
            The action cannot be edited, or the ground moves.
        """
        steps = block(
            self._object(),
            self._scene(),
            self.find(root=root, cog=cog, feet=feet, rig_file=rig_file),
            Wanted(
                poses=poses or {},
                gravity=gravity,
                keep=keep,
                shot_start=shot_start,
                stepped=stepped,
                air=air,
                after=after,
                replace=replace,
                markers=markers,
                foot=foot or {},
                key=key,
                ground=ground,
                within=within,
                props=props,
                chain=chain,
                again=again,
                cog_from=cog_from,
                dry_run=dry_run,
            ),
            ask,
        )
        return self._run(steps)

    def block_again(self, **changed: Any) -> Blocked:
        """Block the jump that this rig remembers once more, with something changed.

        The poses are taken where they stand now. A new measure takes the place of the old one
        that said the same (a jump height that of the rise frames, say).

        Parameters
        ----------
        **changed
            Arguments of `block`.

        Returns
        -------
        Blocked

        Raises
        ------
        NotFoundError
            The rig remembers no jump.
        LeapwrightError
            As `block`; keys that were edited since are in the way unless `replace`.
        """
        jumps = store.load(self._object())
        return self.block(**again(jumps, {**self._controls_before(changed), **changed}, self.name))

    def _controls_before(self, typed: Mapping[str, Any]) -> dict[str, Any]:
        """Controls of the last jump, as far as none are typed and others would be found now."""
        jumps = store.load(self._object())
        if not jumps:
            return {}
        names = ("root", "cog", "feet")
        try:
            found = remembered_controls(
                self.find(**{name: typed.get(name) for name in (*names, "rig_file")})
            )
        except LeapwrightError:
            found = {}
        last = jumps[-1].controls
        return {
            name: last[name]
            for name in names
            if not typed.get(name) and last.get(name) and last[name] != found.get(name)
        }

    def spline(
        self,
        *,
        moments: Mapping[str, float] | None = None,
        root: str | None = None,
        cog: str | None = None,
        feet: Sequence[str] | None = None,
        rig_file: str | Path | None = None,
        gravity: float | str | None = None,
        handle: str | None = None,
        legs: bool = False,
        within: float = 0.005,
        props: bool = True,
        dry_run: bool = False,
    ) -> Splined:
        """Turn the stepped jumps of this rig into splines.

        The COG's air goes on the exact arc, contacts are broken, holds are flat. On all other
        channels the stepped keys become splines with the user's handles: no key is added and no
        value changes. Channels that switch (whole numbers, choices, influences of constraints)
        stay stepped.

        Parameters
        ----------
        moments : mapping of moment to frame
            Where the moments are; default: the jumps that the rig remembers, if any are stepped
            those.
        root, cog, feet, rig_file
            The user's own choice of controls; default: those of the last jump.
        gravity : float or str
            Default: that of the block, or 9.80665 m/s².
        handle : {"free", "auto", "vector", "aligned", "auto-clamped"}
            For the keys of the other channels; default: as in the user's preferences.
        legs : bool
            Add keys to FK legs that hold their planted feet.
        within : float
            How far soles may then be off their places, m.
        props : bool
            Let props of the character go along.
        dry_run : bool
            Work everything out and write nothing.

        Returns
        -------
        Splined

        Raises
        ------
        NotFoundError
            The rig remembers no jump and no moments are given.
        LeapwrightError
            As `block`.
        """
        named: dict[str, Any] = {"root": root, "cog": cog, "feet": feet, "rig_file": rig_file}
        if not moments:
            named |= self._controls_before(named)
        steps = spline(
            self._object(),
            self._scene(),
            self.find(**named),
            moments=moments,
            gravity=gravity,
            handle=handle,
            legs=legs,
            within=within,
            props=props,
            dry_run=dry_run,
        )
        return self._run(steps)

    def retime(
        self,
        *,
        moments: Mapping[str, float] | None = None,
        jump: int | None = None,
        root: str | None = None,
        cog: str | None = None,
        feet: Sequence[str] | None = None,
        rig_file: str | Path | None = None,
        to_gravity: bool | float | str = False,
        exact_shape: bool = False,
        subframes: bool = False,
        selected: bool = False,
        props: bool = True,
        markers: bool = True,
        shot_start: float | None = None,
        dry_run: bool = False,
        **ask: Any,
    ) -> RetimedRig:
        """Retime a jump of this rig: push and air change together, poses stay as they are.

        Parameters
        ----------
        moments : mapping of moment to frame
            Where the moments are now, take-off and land at least. Default: the jump that the rig
            remembers; else it is found as by `check`.
        jump : int
            Which of several jumps, from 1.
        root, cog, feet, rig_file
            The user's own choice of controls.
        to_gravity : bool, float or str
            Give the air this gravity; True is 9.80665 m/s², "scene" the scene's.
        exact_shape : bool
            Split curves at the bends of time, so that no shape changes.
        subframes : bool
            Leave keys where the map of time puts them.
        selected : bool
            Only the selected controls.
        props : bool
            Let props of the character go along.
        markers : bool
            Move our markers along.
        shot_start : int
            Twos count from it; default: the scene's first frame.
        dry_run : bool
            Work everything out and write nothing.
        **ask
            Everything else of `leapwright.retime`: snappiness, frames of a phase, pins, phases,
            before, after, twos.

        Returns
        -------
        RetimedRig

        Raises
        ------
        InputError, ClashError
            As `leapwright.retime`.
        NotFoundError
            There is no jump, or nothing is selected.
        HostError
            An action cannot be edited.
        """
        steps = retime(
            self._object(),
            self._scene(),
            self.find(root=root, cog=cog, feet=feet, rig_file=rig_file),
            moments=moments,
            jump=jump,
            to_gravity=to_gravity,
            exact_shape=exact_shape,
            subframes=subframes,
            selected=selected,
            props=props,
            markers=markers,
            shot_start=shot_start,
            dry_run=dry_run,
            **ask,
        )
        return self._run(steps)

    def resize(
        self,
        *,
        moments: Mapping[str, float] | None = None,
        jump: int | None = None,
        root: str | None = None,
        cog: str | None = None,
        feet: Sequence[str] | None = None,
        rig_file: str | Path | None = None,
        heading: float | None = None,
        exact_shape: bool = False,
        subframes: bool = False,
        props: bool = True,
        markers: bool = True,
        shot_start: float | None = None,
        dry_run: bool = False,
        **ask: Any,
    ) -> ResizedRig:
        """Make a jump of this rig higher or farther; its gravity stays.

        The COG's push, air and absorb are laid anew through the poses. Posed values stay on all
        other channels; in the air everything is carried higher. Where the jump lands elsewhere,
        all later keys of what carries it are moved by as much.

        Parameters
        ----------
        moments : mapping of moment to frame
            Where the moments are now: crouch, take-off and land at least. Default: the jump that
            the rig remembers; else it is found as by `check`.
        jump : int
            Which of several jumps, from 1.
        root, cog, feet, rig_file
            The user's own choice of controls.
        heading : float
            Where the travel goes, degrees: 0 is +X, 90 is +Y. Default: as before.
        exact_shape : bool
            Split curves at the bends of time, so that no other shape changes.
        subframes : bool
            Exactly the height that was asked, keys between frames.
        props : bool
            Let props of the character go along.
        markers : bool
            Move our markers along.
        shot_start : int
            Twos count from it; default: the scene's first frame.
        dry_run : bool
            Work everything out and write nothing.
        **ask
            Everything else of `leapwright.resize`: jump_height or times_height, travel, pins,
            before, after, twos.

        Returns
        -------
        ResizedRig

        Raises
        ------
        InputError, ClashError, ReachError
            As `leapwright.resize`.
        NotFoundError
            There is no jump.
        HostError
            An action cannot be edited, or a location that would have to move is not keyed.
        """
        steps = resize(
            self._object(),
            self._scene(),
            self.find(root=root, cog=cog, feet=feet, rig_file=rig_file),
            moments=moments,
            jump=jump,
            heading=heading,
            exact_shape=exact_shape,
            subframes=subframes,
            props=props,
            markers=markers,
            shot_start=shot_start,
            dry_run=dry_run,
            **ask,
        )
        return self._run(steps)

    def check(
        self,
        *,
        root: str | None = None,
        cog: str | None = None,
        feet: Sequence[str] | None = None,
        rig_file: str | Path | None = None,
        cog_from: str | None = None,
        gravity: float | str | None = None,
        ground: str | None = None,
        style: Style | None = None,
        intended: Mapping[str, str] | None = None,
        limits: Mapping[str, float] | None = None,
        twos: bool | None = None,
        action: str | None = None,
    ) -> Checked:
        """Find the jumps of this rig and say what is off in them; nothing is changed.

        What is not said is as the rig remembers it: a jump that was blocked is checked with the
        COG source, gravity and style that it was made with.

        Parameters
        ----------
        root, cog, feet, rig_file
            The user's own choice of controls; default: those of the last jump, else as found. A
            rig may have none.
        cog_from : {"control", "segments", "mesh"}
            What the COG is measured with; default by how the rig is built.
        gravity : float or str
            m/s², a body, or "scene". Default 9.80665.
        ground : str
            Name of the object that is the floor; default: where the soles rest.
        style : Style
            What the show is meant to look like.
        intended : mapping of finding to reason
            ``falls_faster``, or ``falls_faster@2`` for the second jump alone; beside what is kept
            with the shot.
        limits : mapping of name to float
            Other values for `leapwright.thresholds.THRESHOLDS`.
        twos : bool
            Default: as it was blocked, else as held poses are keyed.
        action : str
            Check this action, played alone.

        Returns
        -------
        Checked

        Raises
        ------
        InputError
            A value is not allowed.
        NotFoundError
            A control, action, object or source is not there.
        HostError
            The rig cannot be evaluated.
        """
        steps = check(
            self._object(),
            self._scene(),
            controls=self._controls(root=root, cog=cog, feet=feet, rig_file=rig_file),
            cog_from=cog_from,
            gravity=gravity,
            ground=ground,
            style=style,
            intended=intended,
            limits=limits,
            twos=twos,
            action=action,
        )
        return self._run(steps)

    def _controls(self, **named: Any) -> Controls | None:
        """Controls as named, as remembered, or as found; None where there are none."""
        if any(named.values()):
            return self.find(**named)
        # Controls that are known need not be looked for, which takes as long as many frames.
        for jump in store.load(self._object())[-1:]:
            with suppress(NotFoundError):
                return self.find(**{name: jump.controls.get(name) for name in _REMEMBERED})
        with suppress(NotFoundError):
            return self.find()
        return None

    def cog_source(self, which: str | None = None, *, sex: str = "mean") -> Source:
        """What the COG of this rig is measured with: masses by part, and where that is at rest.

        Parameters
        ----------
        which : {"control", "segments", "mesh"}
            Default by how the rig is built.
        sex : {"mean", "male", "female"}
            The mass table of ``"segments"``.

        Returns
        -------
        Source

        Raises
        ------
        NotFoundError
            The source that was asked for is not to be had: says what is missing.
        """
        obj, scene = self._object(), self._scene()
        controls = self._controls() if which != "segments" else None
        return self._run(cog_source(obj, scene, which, controls=controls, sex=sex))

    def mark_intended(self, finding: str, reason: str) -> None:
        """Keep with the shot that a finding is meant: it stays a note from then on.

        Parameters
        ----------
        finding : str
            ``falls_faster``, or ``falls_faster@2`` for the second jump alone.
        reason : str
            Why.

        Raises
        ------
        InputError
            The finding is unknown, or no reason is given.
        NotFoundError
            There is no such jump.
        HostError
            The rig cannot remember: it is linked.
        """
        return self._run(mark_intended(self._object(), self._scene(), finding, reason))

    def unmark_intended(self, finding: str) -> None:
        """Forget that a finding is meant.

        Parameters
        ----------
        finding : str
            As it was marked.

        Raises
        ------
        NotFoundError
            It is not marked; lists what is.
        """
        return self._run(unmark_intended(self._object(), self._scene(), finding))

    def fix(
        self,
        *,
        jump: int | None = None,
        only: Sequence[str] = (),
        root: str | None = None,
        cog: str | None = None,
        feet: Sequence[str] | None = None,
        rig_file: str | Path | None = None,
        cog_from: str | None = None,
        gravity: float | str | None = None,
        ground: str | None = None,
        style: Style | None = None,
        intended: Mapping[str, str] | None = None,
        limits: Mapping[str, float] | None = None,
        twos: bool | None = None,
        within: float = 0.005,
        props: bool = True,
        markers: bool = True,
        dry_run: bool = False,
    ) -> Fixed:
        """Fix what a check finds off in the jumps of this rig, as little as it takes.

        A key may move in time; its pose does not change, but for foot controls that slide or are
        below the floor, and for keys of the COG in the air that are on none of the moments.
        Everything is rehearsed and checked first: a fix that does not make its finding go away, or
        that makes another, is not written and says why.

        Parameters
        ----------
        jump : int
            Only the jump of this number in the check.
        only : sequence of str
            Only these findings or fixes.
        root, cog, feet, rig_file
            The user's own choice of controls; default: those of the last jump, else as found.
        cog_from : {"control", "segments", "mesh"}
            What the COG is measured with: that goes on the arc. Default as for `check`.
        gravity, ground, style, intended, limits, twos
            As for `check`. What is intended is never fixed.
        within : float
            How near the COG is held to its arc, and FK feet to their places, between keys, m.
        props : bool
            Let props of the character go along where keys move in time.
        markers : bool
            Move our markers along.
        dry_run : bool
            Work everything out and write nothing.

        Returns
        -------
        Fixed

        Raises
        ------
        InputError
            A value is not allowed, or there is no such jump.
        NotFoundError
            A control or source is not there.
        HostError
            The action cannot be edited.
        """
        controls = self._controls(root=root, cog=cog, feet=feet, rig_file=rig_file)
        steps = fix(
            self._object(),
            self._scene(),
            self.find() if controls is None else controls,
            jump=jump,
            only=only,
            cog_from=cog_from,
            gravity=gravity,
            ground=ground,
            style=style,
            intended=intended,
            limits=limits,
            twos=twos,
            within=within,
            props=props,
            markers=markers,
            dry_run=dry_run,
        )
        return self._run(steps)

    def keep_on_arc(
        self,
        *,
        jump: int | None = None,
        moments: Mapping[str, float] | None = None,
        cog_from: str | None = None,
        within: float = 0.005,
        root: str | None = None,
        cog: str | None = None,
        feet: Sequence[str] | None = None,
        rig_file: str | Path | None = None,
        dry_run: bool = False,
    ) -> OnArc:
        """Keep the measured COG of a jump on its arc, on final poses.

        When arms rise or legs tuck the COG moves in the body. Between take-off and land the COG
        control gets the correction that keeps the COG on the parabola through its take-off and
        land, with as few keys as hold it. Keys of the COG control that are there keep their
        frames; in the air their values may change, on take-off and land never. No other channel
        is written.

        Parameters
        ----------
        jump : int
            Which of several jumps, from 1.
        moments : mapping of moment to frame
            Where the moments are: take-off and land at least. Default: the jump that the rig
            remembers; else it is found as by `check`.
        cog_from : {"control", "segments", "mesh"}
            What the COG is measured with. Default: as the jump was blocked, if not by its
            control; else segments for people, else the mesh.
        within : float
            How near the COG is held to the arc on every frame of the air, m.
        root, cog, feet, rig_file
            The user's own choice of controls.
        dry_run : bool
            Work everything out and write nothing.

        Returns
        -------
        OnArc

        Raises
        ------
        InputError, ClashError
            Moments that make no jump, stepped keys in the air, an unknown source.
        NotFoundError
            There is no jump, or the source is not to be had.
        HostError
            The COG control cannot be keyed.

        Notes
        -----
        The arc has the gravity and the style that the rig remembers of the jump; of a jump that it
        does not remember, the gravity that changes least.
        """
        steps = keep_on_arc(
            self._object(),
            self._scene(),
            self.find(root=root, cog=cog, feet=feet, rig_file=rig_file),
            jump=jump,
            moments=moments,
            cog_from=cog_from,
            within=within,
            dry_run=dry_run,
        )
        return self._run(steps)

    def remembered(self) -> tuple[store.Remembered, ...]:
        """The jumps that this rig remembers, in time order."""
        return store.load(self._object())


@dataclass(frozen=True, slots=True)
class Shot:
    """An open file.

    Parameters
    ----------
    path : Path
        Where it was opened from.
    warnings : tuple of str
        What opening it had to say.
    runner : Runner
        What goes through the steps of its rigs' verbs.
    """

    path: Path
    warnings: tuple[str, ...]
    runner: Runner = field(default=run, repr=False, compare=False)

    @property
    def frame_rate(self) -> Fraction:
        """Frames a second of the scene."""
        return sample.frame_rate(bpy.context.scene)

    def rigs(self) -> list[str]:
        """Names of the armatures in the scene."""
        return [o.name for o in bpy.context.scene.objects if o.type == "ARMATURE"]

    def animated(self) -> list[str]:
        """Names of the objects without bones that are animated; cameras and lights do not jump."""
        still = ("ARMATURE", "CAMERA", "LIGHT")
        objects = bpy.context.scene.objects
        return [o.name for o in objects if o.type not in still and host.animated(o)]

    def rig(self, name: str) -> Rig:
        """Take an object by name: an armature, or one without bones.

        Raises
        ------
        NotFoundError
            Says what is there.
        """
        scene = bpy.context.scene
        if name not in scene.objects:
            names = [o.name for o in scene.objects]
            near = close_names(name, names)
            there = self.rigs() or names
            hint = f"; close to it: {', '.join(near)}" if near else ""
            raise NotFoundError(
                f"there is no rig {name!r} in {self.path.name}{hint}; rigs: {', '.join(there)}"
            )
        return Rig(name, scene.name, self.runner)

    def the_rig(self, name: str | None = None) -> Rig:
        """The rig of that name; without one the only rig that remembers a jump, else the only one.

        Parameters
        ----------
        name : str, optional

        Raises
        ------
        NotFoundError
            There is no rig, or none of that name.
        InputError
            There are several: lists them.
        """
        if name is not None:
            return self.rig(name)
        objects = bpy.context.scene.objects
        armatures = [o for o in objects if o.type == "ARMATURE"]
        choices = (
            [o for o in objects if store.load(o)],
            [o for o in armatures if host.animated(o)],
            armatures,
            [objects[name] for name in self.animated()],
        )
        rigs = next((some for some in choices if some), [])
        if not rigs:
            raise NotFoundError(f"{self.path.name} has no rig and nothing that is animated")
        if len(rigs) > 1:
            names = ", ".join(repr(o.name) for o in rigs)
            raise InputError(f"rig must say which of these in {self.path.name}: {names}", "rig")
        return self.rig(rigs[0].name)

    def save(self, path: str | Path, *, in_place: bool = False) -> files.Saved:
        """Save the shot: to a temporary file beside the target, then renamed.

        Parameters
        ----------
        path : path
            Where to.
        in_place : bool
            Overwrite the input; a dated copy of it is made beside it.

        Raises
        ------
        FileError
            It cannot be written; nothing is left behind.
        """
        return files.save_file(path, like=self.path, in_place=in_place)


def open_shot(path: str | Path, *, runner: Runner = run) -> Shot:
    """Open a .blend file. Scripts in it do not run.

    Parameters
    ----------
    path : path
        A file of this version of Blender or an older one.
    runner : Runner
        What goes through the steps of the verbs: at once, or with progress shown.

    Returns
    -------
    Shot

    Raises
    ------
    FileError
        Not there, not a Blender file, damaged, or from a newer Blender.
    """
    opened = files.open_file(path)
    return Shot(opened.path, opened.warnings, runner)


def rig_of(obj: Any, scene: Any, *, runner: Runner = run) -> Rig:
    """The rig of a live object, for use inside Blender.

    Parameters
    ----------
    obj : bpy.types.Object
        An armature, or an object without bones.
    scene : bpy.types.Scene
        The scene whose time, units and gravity hold.
    runner : Runner
        What goes through the steps of the verbs.
    """
    return Rig(obj.name, scene.name, runner)
