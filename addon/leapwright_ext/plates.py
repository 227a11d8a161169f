# SPDX-License-Identifier: GPL-3.0-or-later
"""Names on plates, written into a picture once: drawing them all is one call from then on."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import blf
import gpu
import numpy as np
from gpu_extras.batch import batch_for_shader
from mathutils import Matrix

from .labels import Label

__all__ = ["Colour", "Plates", "draw", "forget", "laid", "plates_of"]

Colour = tuple[float, float, float]

MOST = 40
"""Names in a picture; with more it is begun again."""

OPAQUE = 0.65
"""Of a plate: letters are read over anything, and what is below is guessed."""

_WRITTEN: dict[tuple[float, Colour], Plates] = {}


@dataclass(frozen=True, slots=True, eq=False)
class Plates:
    """Names in rows, the first one lowest.

    Attributes
    ----------
    picture : gpu.types.GPUTexture
    sizes : mapping of text to (width, height)
        Of the plates, pixels.
    """

    picture: Any
    sizes: Mapping[str, tuple[int, int]]


def plates_of(texts: Iterable[str], *, size: float, plate: Colour) -> Plates:
    """Give a picture that has these names; of old ones no name is written again.

    Parameters
    ----------
    texts : iterable of str
    size : float
        Of the letters, pixels.
    plate : Colour
        Black or white; the letters are the other one.
    """
    wanted = dict.fromkeys(texts)
    there = _WRITTEN.get((size, plate))
    if there is not None and wanted.keys() <= there.sizes.keys():
        return there
    every = {**dict.fromkeys(there.sizes), **wanted} if there is not None else wanted
    every = every if len(every) <= MOST else wanted
    while len(_WRITTEN) >= 4:
        # Of looks that are not chosen any more.
        _WRITTEN.pop(next(iter(_WRITTEN)))
    _WRITTEN[size, plate] = _written(list(every), size, plate)
    return _WRITTEN[size, plate]


def forget() -> None:
    """Let go of all pictures."""
    _WRITTEN.clear()


def laid(labels: Iterable[Label], plates: Plates) -> Any:
    """Give a batch of labels where they are in the view, or nothing."""
    rows = {text: row for row, text in enumerate(plates.sizes)}
    full = np.array([plates.picture.width, plates.picture.height], np.float32)
    unit = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], np.float32)
    places, parts = [], []
    for label in labels:
        width, height = plates.sizes[label.text]
        corners = unit * np.array([width, height], np.float32)
        places.append(corners + np.array([label.x, label.y], np.float32))
        parts.append((corners + np.array([0, rows[label.text] * height], np.float32)) / full)
    if not places:
        return None
    flat = np.concatenate(places)
    pixels = np.column_stack([flat, np.zeros(len(flat), np.float32)]).astype(np.float32)
    first = 4 * np.arange(len(places), dtype=np.int32)[:, None, None]
    triangles: Any = (np.array([[0, 1, 2], [0, 2, 3]], np.int32) + first).reshape(-1, 3)
    content: Any = {"pos": pixels, "texCoord": np.concatenate(parts)}
    return batch_for_shader(_shader(), "TRIS", content, indices=triangles)


def draw(batch: Any, plates: Plates) -> None:
    """Draw a batch of labels."""
    shader = _shader()
    shader.uniform_sampler("image", plates.picture)
    gpu.state.blend_set("ALPHA_PREMULT")
    batch.draw(shader)


def _shader() -> Any:
    return gpu.shader.from_builtin("IMAGE")


def _written(texts: list[str], size: float, plate: Colour) -> Plates:
    """Write the names, one above the other."""
    blf.size(0, size)
    tall = blf.dimensions(0, "T")[1]
    # Of letters and commas that reach below the line.
    below = blf.dimensions(0, "Tp,")[1] - tall
    margin = max(3, round(0.3 * size))
    height = math.ceil(tall + 2 * max(below, 0.2 * size)) + 2
    widths = [math.ceil(blf.dimensions(0, text)[0]) + 2 * margin for text in texts]
    # No off-screen object: making one while the view is drawn leaves the view's buffer unbound.
    picture = gpu.types.GPUTexture((max(widths), height * len(texts)), format="RGBA8")
    buffer: Any = gpu.types.GPUFrameBuffer(color_slots=picture)
    stack: Any = gpu.matrix
    with buffer.bind(), stack.push_pop(), stack.push_pop_projection():
        buffer.clear(color=(*(OPAQUE * c for c in plate), OPAQUE))
        stack.load_matrix(Matrix.Identity(4))
        stack.load_projection_matrix(_flat(picture.width, picture.height))
        gpu.state.blend_set("ALPHA")
        red, green, blue = (1.0 - c for c in plate)
        blf.color(0, red, green, blue, 1.0)
        for row, text in enumerate(texts):
            blf.position(0, margin, row * height + round((height - tall) / 2), 0)
            blf.draw(0, text)
    sizes = {text: (width, height) for text, width in zip(texts, widths, strict=True)}
    return Plates(picture, sizes)


def _flat(width: int, height: int) -> Matrix:
    """Pixels of a picture as the host draws them."""
    return Matrix((
        (2 / width, 0, 0, -1), (0, 2 / height, 0, -1), (0, 0, -1, 0), (0, 0, 0, 1),
    ))  # fmt: skip
