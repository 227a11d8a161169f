# SPDX-License-Identifier: GPL-3.0-or-later
"""What follows when a control is moved a little: tried in a side scene, and put back.

One evaluation of a big rig costs as much as two frames, so nothing is evaluated twice here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leapwright.errors import HostError

from .sample import side_scene
from .space import Control, bone_matrices, pose_bone, the_object, to_channel_matrix

__all__ = ["Follow", "Probe", "probing"]

# A bone follows a control when it does 98 % of the way, and stays when it does 2 %.
_FOLLOWS = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class Follow:
    """How much of a small move of one control everything else does: 1 follows, 0 stays.

    Parameters
    ----------
    rows : dict of Control to int
        Where in the arrays each control is.
    share, off : ndarray, shape (controls,)
        The part of the move that each does, and how far it is from doing just that move.
    """

    rows: dict[Control, int]
    share: NDArray[np.float64]
    off: NDArray[np.float64]

    def carries(self, controls: Sequence[Control]) -> bool:
        """Whether all of these go all the way along."""
        return bool(np.all(self._of(self.off, controls) < _FOLLOWS))

    def leaves(self, controls: Sequence[Control]) -> bool:
        """Whether all of these stay where they are."""
        return bool(np.all(np.abs(self._of(self.share, controls)) < _FOLLOWS))

    def moves(self, controls: Sequence[Control], part: float) -> bool:
        """Whether any of these does more than this part of the way."""
        return bool(np.any(np.abs(self._of(self.share, controls)) > part))

    def part(self, controls: Sequence[Control]) -> float:
        """Which part of these goes all the way along, 0 to 1."""
        along = np.count_nonzero(self._of(self.off, controls) < _FOLLOWS)
        return int(along) / max(len(controls), 1)

    def _of(self, values: NDArray[np.float64], controls: Sequence[Control]) -> NDArray[np.float64]:
        return values[[self.rows[c] for c in controls]]


class Probe:
    """Moves a control, measures what follows, and puts it back; from `probing`.

    Parameters
    ----------
    objects : sequence of bpy.types.Object
        The rig and the others that are watched.
    layer : bpy.types.ViewLayer
        Of the side scene.
    """

    def __init__(self, objects: Sequence[Any], layer: Any) -> None:
        self._objects, self._layer = tuple(objects), layer
        self._seen: dict[Control, Follow | None] = {}
        watched = [
            Control(o.name, name)
            for o in objects
            for name in (*(o.pose.bones.keys() if o.pose else ()), "")
        ]
        self._rows = {control: row for row, control in enumerate(watched)}
        # Tagged once unchanged: poses that are not keyed then count, as the user sees them.
        for obj in objects:
            obj.update_tag(refresh={"OBJECT", "DATA"} if obj.pose else {"OBJECT"})
        self._still = self._heads()
        rig = self._still[: len(objects[0].pose.bones)]
        size = float(np.max(np.ptp(rig, axis=0), initial=0.0)) or 1.0
        # Down, so that legs bend, and aslant, so that a copy of one axis alone shows.
        self._move = np.array([0.4, 0.5, -0.77]) * 0.01 * size

    @property
    def evaluated(self) -> Any:
        """The rig as it is evaluated; good until the next control is tried."""
        return self._objects[0].evaluated_get(self._layer.depsgraph)

    def __call__(self, control: Control) -> Follow | None:
        """What follows a control; None for one that moves nothing.

        Parameters
        ----------
        control : Control
        """
        if control not in self._seen:
            self._seen[control] = self._tried(control)
        return self._seen[control]

    def _heads(self) -> NDArray[np.float64]:
        self._layer.update()
        heads = []
        for obj in self._objects:
            evaluated = obj.evaluated_get(self._layer.depsgraph)
            if obj.pose:
                heads.append(bone_matrices(evaluated)[:, :3, 3])
            heads.append(np.array(evaluated.matrix_world.translation, dtype=np.float64)[None])
        return np.concatenate(heads)

    def _tried(self, control: Control) -> Follow | None:
        holder = pose_bone(control) if control.bone else the_object(control)
        was = tuple(holder.location)
        graph = self._layer.depsgraph
        try:
            way = to_channel_matrix(self._objects[0], control, depsgraph=graph, check=False)
        except HostError:
            return None
        try:
            holder.location = np.array(was) + way @ self._move
            shift = self._heads() - self._still
        finally:
            holder.location = was
        length = float(np.linalg.norm(self._move))
        return Follow(
            self._rows,
            share=shift @ self._move / length**2,
            off=np.linalg.norm(shift - self._move, axis=1) / length,
        )


@contextmanager
def probing(obj: Any, others: Sequence[Any], scene: Any) -> Iterator[Probe]:
    """Give what moves a control a little, measures what follows, and puts it back.

    Only the ``location`` of the control is written, and written back to the bit. The user's scene
    is not stepped, and unkeyed poses stay.

    Parameters
    ----------
    obj : bpy.types.Object
        The rig.
    others : sequence of bpy.types.Object
        What else is watched: objects that are feet, or that legs reach for.
    scene : bpy.types.Scene
        The user's scene.

    Yields
    ------
    Probe
    """
    objects = list({o.name: o for o in (obj, *others)}.values())
    with side_scene(scene, objects) as side:
        side.frame_set(scene.frame_current, subframe=scene.frame_subframe)
        yield Probe(objects, side.view_layers[0])
