# SPDX-License-Identifier: GPL-3.0-or-later
"""A shot and its rigs, for scripts: open, take a rig by name, block, save."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import bpy

from leapwright.errors import NotFoundError
from leapwright.naming import close_names
from leapwright.units import STANDARD_GRAVITY
from leapwright_blender import files, sample
from leapwright_blender.block import block, read_body
from leapwright_blender.blocked import Blocked
from leapwright_blender.ground import ground_of
from leapwright_blender.posed import Measures, measure
from leapwright_blender.poses import read_poses
from leapwright_blender.rig import Controls, find_controls
from leapwright_blender.rigfile import RigFile, save_rig_file

__all__ = ["Rig", "Shot", "open_shot", "rig_of"]


@dataclass(frozen=True, slots=True)
class Rig:
    """A rig of the open file, by name: nothing of the host is held on to.

    Parameters
    ----------
    name : str
        Name of the object.
    scene : str
        Name of the scene it is in.
    """

    name: str
    scene: str

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
    ) -> Measures:
        """What the posed frames say of the jump: push height, landing level, travel and more."""
        controls = self.find(root=root, cog=cog, feet=feet)
        scene = self._scene()
        body = read_body(self._object(), scene, ground_of(scene), controls, read_poses(poses))
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
            Let keys in the span give way.
        markers : bool
            Set timeline markers for the moments.
        dry_run : bool
            Work everything out and write nothing.
        **ask
            Everything else of `leapwright.plan`.

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
            The action cannot be edited.
        """
        return block(
            self._object(),
            self._scene(),
            self.find(root=root, cog=cog, feet=feet, rig_file=rig_file),
            poses=poses,
            gravity=gravity,
            keep=keep,
            shot_start=shot_start,
            stepped=stepped,
            air=air,
            after=after,
            replace=replace,
            markers=markers,
            dry_run=dry_run,
            **ask,
        )


@dataclass(frozen=True, slots=True)
class Shot:
    """An open file.

    Parameters
    ----------
    path : Path
        Where it was opened from.
    warnings : tuple of str
        What opening it had to say.
    """

    path: Path
    warnings: tuple[str, ...]

    @property
    def frame_rate(self) -> Fraction:
        """Frames a second of the scene."""
        return sample.frame_rate(bpy.context.scene)

    def rigs(self) -> list[str]:
        """Names of the armatures in the scene."""
        return [o.name for o in bpy.context.scene.objects if o.type == "ARMATURE"]

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
        return Rig(name, scene.name)

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


def open_shot(path: str | Path) -> Shot:
    """Open a .blend file. Scripts in it do not run.

    Parameters
    ----------
    path : path
        A file of this version of Blender or an older one.

    Returns
    -------
    Shot

    Raises
    ------
    FileError
        Not there, not a Blender file, damaged, or from a newer Blender.
    """
    opened = files.open_file(path)
    return Shot(opened.path, opened.warnings)


def rig_of(obj: Any, scene: Any) -> Rig:
    """The rig of a live object, for use inside Blender.

    Parameters
    ----------
    obj : bpy.types.Object
        An armature, or an object without bones.
    scene : bpy.types.Scene
        The scene whose time, units and gravity hold.
    """
    return Rig(obj.name, scene.name)
