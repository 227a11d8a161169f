# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures of a shot's frames, and a strip of them with the path of the COG drawn in.

Works without a display: Cycles on the CPU. A copy of the scene is rendered and thrown away, so
the user's frame, unkeyed poses and render settings stay as they are.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from numpy.typing import ArrayLike, NDArray

from leapwright.disk import write_whole
from leapwright.errors import HostError, InputError
from leapwright.report.strip import Panel, compose_strip, png

__all__ = ["Picture", "render_pictures", "render_strip"]


@dataclass(frozen=True, slots=True)
class Picture:
    """One rendered frame and how the world came onto it.

    Parameters
    ----------
    frame : int
    pixels : array of uint8, shape [height, width, 3]
        Rows from the top down.
    projection : array, shape [4, 4]
        World (Blender units) to the camera's clip space.
    """

    frame: int
    pixels: NDArray[np.uint8]
    projection: NDArray[np.float64]

    def project(self, points: ArrayLike) -> NDArray[np.float64]:
        """Where world points are on the picture.

        Parameters
        ----------
        points : array, shape [points, 3]
            World places in Blender units.

        Returns
        -------
        array, shape [points, 2]
            Pixels right and down from the centre of the top left pixel; NaN behind the camera.
        """
        places = np.asarray(points, dtype=np.float64)
        clip = np.c_[places, np.ones(len(places))] @ self.projection.T
        depth = np.where(clip[:, 3:] > 1e-9, clip[:, 3:], np.nan)
        size = np.array(self.pixels.shape[1::-1])
        return (0.5 + np.array([0.5, -0.5]) * clip[:, :2] / depth) * size - 0.5


def render_pictures(
    scene: Any, frames: Sequence[int], *, width: int = 420, samples: int = 6
) -> list[Picture]:
    """Render frames of a scene from its camera, small and quick.

    Parameters
    ----------
    scene : bpy.types.Scene
    frames : sequence of int
    width : int
        Pixels; the height follows from the scene's own proportions.
    samples : int
        Cycles samples per pixel.

    Returns
    -------
    list of Picture

    Raises
    ------
    InputError
        `width` or `samples` below 1, a frame that is not whole, or a scene without a camera.
    HostError
        This Blender has no Cycles.
    """
    frames = _checked(scene, frames, width, samples)
    with _stage(scene, width, samples) as stage, tempfile.TemporaryDirectory() as folder:
        return [_render(stage, frame, Path(folder)) for frame in frames]


def render_strip(
    scene: Any,
    frames: Mapping[str, int],
    *,
    cog: ArrayLike,
    cog_start: int,
    out: str | Path,
    title: str = "",
    width: int = 420,
    samples: int = 6,
) -> Path:
    """Render the moments of a jump as one strip with the path of the COG, and write it as PNG.

    Parameters
    ----------
    scene : bpy.types.Scene
    frames : mapping of str to int
        Moment to frame, in the order they are shown: ``{"crouch": 97, "take-off": 101}``. The
        same moments mark the path where they are take-off, apex or land.
    cog : array, shape [frames, 3]
        World places of the COG in Blender units, one per frame.
    cog_start : int
        The frame of the first of them.
    out : path
        A file that is there is replaced, once the new one is whole.
    title : str
    width, samples : int
        Of each picture, see `render_pictures`.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    InputError
        As `render_pictures`, and for no frames or a `cog` of another shape.
    HostError
        This Blender has no Cycles, or Pillow is missing.
    FileError
        The file cannot be written.
    """
    path = np.asarray(cog, dtype=np.float64)
    if path.ndim != 2 or path.shape[1] != 3:
        raise InputError(f"`cog` must have the shape [frames, 3], got {path.shape}", "cog")
    if not frames:
        raise InputError("`frames` must name at least one moment, got none", "frames")
    points = {name: frame - cog_start for name, frame in frames.items()}
    on_path = {name: at for name, at in points.items() if 0 <= at < len(path)}
    pictures = render_pictures(scene, list(frames.values()), width=width, samples=samples)
    panels = [
        Panel(
            picture=shot.pixels,
            moment=name,
            frame=shot.frame,
            path=shot.project(path),
            current=on_path.get(name, -1),
            marks=on_path,
            note=_height(scene, path, on_path, name),
        )
        for name, shot in zip(frames, pictures, strict=True)
    ]
    file = Path(out)
    write_whole(file, png(compose_strip(panels, title=title)))
    return file


def _checked(scene: Any, frames: Sequence[int], width: int, samples: int) -> list[int]:
    for name, value in (("width", width), ("samples", samples)):
        if value < 1:
            raise InputError(f"`{name}` must be at least 1, got {value}", name)
    odd = [frame for frame in frames if int(frame) != frame]
    if odd:
        raise InputError(f"`frames` must be whole frames, got {odd[0]}", "frames")
    if scene.camera is None and not any(marker.camera for marker in scene.timeline_markers):
        raise InputError(f'`scene` must have a camera, "{scene.name}" has none', "scene")
    return [int(frame) for frame in frames]


def _height(scene: Any, path: NDArray[np.float64], on_path: Mapping[str, int], name: str) -> str:
    if name not in on_path:
        return ""
    return f"COG {path[on_path[name], 2] * scene.unit_settings.scale_length:.2f} m"


@contextmanager
def _stage(scene: Any, width: int, samples: int) -> Iterator[Any]:
    """A copy of the scene, set up for small quick pictures; gone afterwards."""
    seen = {data: set(getattr(bpy.data, data).keys()) for data in ("images", "actions")}
    stage = scene.copy()
    try:
        _set_up(stage, width, samples)
        yield stage
    finally:
        bpy.data.scenes.remove(stage)
        for data, names in seen.items():
            store = getattr(bpy.data, data)
            for name in set(store.keys()) - names:
                store.remove(store[name])


def _set_up(stage: Any, width: int, samples: int) -> None:
    render = stage.render
    try:
        render.engine = "CYCLES"
        cycles = stage.cycles
    except (TypeError, AttributeError) as error:
        raise HostError("pictures need Cycles, which this Blender does not have") from error
    cycles.device, cycles.samples, cycles.use_denoising = "CPU", samples, True
    cycles.denoising_input_passes = "RGB"  # nearly as good, and several times quicker
    cycles.use_adaptive_sampling = False
    high = width * render.resolution_y * render.pixel_aspect_y
    across = render.resolution_x * render.pixel_aspect_x
    render.resolution_x, render.resolution_y = width, max(1, round(high / across))
    render.resolution_percentage, render.pixel_aspect_x, render.pixel_aspect_y = 100, 1.0, 1.0
    render.use_border = render.use_multiview = render.use_motion_blur = False
    render.use_compositing = render.use_sequencer = render.use_stamp = False
    render.film_transparent, render.use_file_extension, render.use_overwrite = False, True, True
    settings = render.image_settings
    if hasattr(settings, "media_type"):
        settings.media_type = "IMAGE"  # or a movie's settings refuse PNG
    settings.file_format, settings.color_mode, settings.color_depth = "PNG", "RGB", "8"


def _render(stage: Any, frame: int, folder: Path) -> Picture:
    stage.frame_start = stage.frame_end = frame
    stage.render.filepath = str(folder / "frame_")
    # A still would show the controls as the user's scene has them now; an animation of one frame
    # evaluates that frame.
    # It ends by evaluating the context's scene anew, and would undo unkeyed poses: let that be an
    # empty one.
    empty = bpy.data.scenes.new("leapwright empty scene")
    try:
        override: Any = bpy.context.temp_override(scene=empty, view_layer=empty.view_layers[0])
        with override:
            bpy.ops.render.render(animation=True, scene=stage.name)
    finally:
        bpy.data.scenes.remove(empty)
    file = Path(stage.render.frame_path(frame=frame))
    stage.frame_set(frame)
    stage.camera = _camera(stage, frame)
    return Picture(frame=frame, pixels=_pixels(file), projection=_projection(stage))


def _camera(stage: Any, frame: int) -> Any:
    """The camera of a frame: bound by the last marker up to it, else the first one after."""
    bound = sorted((m.frame, m.camera) for m in stage.timeline_markers if m.camera)
    if not bound:
        return stage.camera
    before = [camera for at, camera in bound if at <= frame]
    return before[-1] if before else bound[0][1]


def _projection(stage: Any) -> NDArray[np.float64]:
    depsgraph = stage.view_layers[0].depsgraph
    camera = stage.camera.evaluated_get(depsgraph)
    size = stage.render
    lens = camera.calc_matrix_camera(depsgraph, x=size.resolution_x, y=size.resolution_y)
    # The camera's own scale does not reach the picture.
    view = camera.matrix_world.normalized().inverted()
    return np.array(lens, dtype=np.float64) @ np.array(view, dtype=np.float64)


def _pixels(file: Path) -> NDArray[np.uint8]:
    image: Any = bpy.data.images.load(str(file))
    try:
        width, height = image.size
        flat = np.empty(width * height * image.channels, dtype=np.float32)
        image.pixels.foreach_get(flat)
        rows = flat.reshape(height, width, image.channels)[::-1, :, :3]
        return np.round(np.clip(rows, 0.0, 1.0) * 255).astype(np.uint8)
    finally:
        bpy.data.images.remove(image)
