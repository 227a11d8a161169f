# SPDX-License-Identifier: GPL-3.0-or-later
"""Pictures of frames and the strip: right frame, right place, and the scene left as it was."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import pytest
from bpy_extras.object_utils import world_to_camera_view
from mathutils import Vector

from leapwright.errors import FileError, HostError, InputError
from leapwright.report.strip import Panel, compose_strip
from leapwright_blender.strip import Picture, render_pictures, render_strip

WIDTH, HEIGHT = 120, 90
PLACES = {1: (-1.0, 0.0, 0.5), 2: (0.25, 0.4, 1.5), 3: (1.2, -0.3, 0.75)}


@pytest.fixture(autouse=True)
def _empty_file() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True)


@pytest.fixture
def scene() -> Any:
    """A shining lump at PLACES on frames 1 to 3, seen from the side by a turned camera."""
    made = bpy.context.scene
    made.render.resolution_x, made.render.resolution_y = 4 * WIDTH, 4 * HEIGHT
    made.view_settings.view_transform = "Standard"
    mesh = bpy.data.meshes.new("Lump")
    corners = [(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]
    faces = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    mesh.from_pydata([tuple(0.06 * c for c in corner) for corner in corners], [], faces)
    mesh.materials.append(shining())
    lump = add("Lump", mesh)
    for frame, place in PLACES.items():
        lump.location = place
        lump.keyframe_insert("location", frame=frame)
    made.camera = new_camera("Side", (0.3, -7.0, 2.0))
    made.frame_set(1)
    return made


def add(name: str, data: Any) -> Any:
    made = bpy.data.objects.new(name, data)
    bpy.context.scene.collection.objects.link(made)
    return made


def shining() -> Any:
    material = bpy.data.materials.new("Shining")
    material.use_nodes = True
    tree = material.node_tree
    tree.nodes.clear()
    glow = tree.nodes.new("ShaderNodeEmission")
    out = tree.nodes.new("ShaderNodeOutputMaterial")
    tree.links.new(glow.outputs[0], out.inputs["Surface"])
    return material


def new_camera(name: str, place: tuple[float, float, float]) -> Any:
    camera = add(name, bpy.data.cameras.new(name))
    camera.location = place
    turn = (Vector((0.1, 0.0, 1.0)) - camera.location).to_track_quat("-Z", "Y")
    camera.rotation_euler = turn.to_euler()
    return camera


def bright_centre(picture: Picture) -> np.ndarray:
    """Where the light of a picture is, by its pixels alone."""
    light = picture.pixels.astype(float).mean(axis=2)
    light[light < 60] = 0.0
    rows, columns = np.mgrid[: light.shape[0], : light.shape[1]]
    return np.array([(columns * light).sum(), (rows * light).sum()]) / light.sum()


@pytest.mark.parametrize("lens", ["ORTHO", "PERSP"])
def test_each_frame_is_rendered_and_projected_where_its_light_is(scene: Any, lens: str) -> None:
    scene.camera.data.type = lens
    scene.camera.data.ortho_scale = 4.0
    scene.camera.data.shift_x = 0.05
    scene.camera.scale = (2.0, 2.0, 2.0)
    pictures = render_pictures(scene, [2, 3, 1], width=WIDTH, samples=4)
    assert [p.frame for p in pictures] == [2, 3, 1]
    for picture in pictures:
        assert picture.pixels.shape == (HEIGHT, WIDTH, 3)
        there = picture.project([PLACES[picture.frame]])[0]
        np.testing.assert_allclose(bright_centre(picture), there, atol=0.6)
        host = world_to_camera_view(scene, scene.camera, Vector(PLACES[picture.frame]))
        expected = np.array([host.x * WIDTH, (1 - host.y) * HEIGHT]) - 0.5
        np.testing.assert_allclose(there, expected, atol=1e-3)


def test_the_scene_is_left_as_it_was(scene: Any) -> None:
    posed = bpy.data.objects["Lump"]
    scene.frame_set(2, subframe=0.25)
    posed.location.x = 9.0  # a change that is not keyed
    scene.render.filepath = "//mine_"
    scene.render.use_border = True
    before = everything(scene)
    render_pictures(scene, [1, 3], width=16, samples=1)
    assert everything(scene) == before
    assert posed.location.x == 9.0


def everything(scene: Any) -> dict[str, Any]:
    """All plain settings of the scene, its frame, and every data-block of the file by name."""
    found: dict[str, Any] = {"frame": (scene.frame_current, scene.frame_subframe)}
    groups = (scene, scene.render, scene.render.image_settings, scene.view_settings, scene.cycles)
    for i, group in enumerate(groups):
        for prop in group.bl_rna.properties:
            plain = prop.type in {"BOOLEAN", "INT", "FLOAT", "STRING", "ENUM"}
            if plain and not getattr(prop, "is_array", False) and prop.identifier != "use_nodes":
                found[f"{i}.{prop.identifier}"] = getattr(group, prop.identifier)
    for prop in bpy.data.bl_rna.properties:
        if prop.type == "COLLECTION":
            found[prop.identifier] = sorted(getattr(bpy.data, prop.identifier).keys())
    return found


def test_cameras_bound_to_markers_change_with_the_frames(scene: Any) -> None:
    high = new_camera("High", (0.3, -5.0, 6.0))
    bpy.context.view_layer.update()
    side = scene.camera
    for name, frame, camera in (("b", 3, high), ("a", 2, side)):
        scene.timeline_markers.new(name, frame=frame).camera = camera
    for picture in render_pictures(scene, [1, 2, 3], width=WIDTH, samples=4):
        camera = high if picture.frame == 3 else side
        host = world_to_camera_view(scene, camera, Vector(PLACES[picture.frame]))
        there = np.array([host.x * WIDTH, (1 - host.y) * HEIGHT]) - 0.5
        np.testing.assert_allclose(bright_centre(picture), there, atol=0.6)
    assert scene.camera == side


def test_a_place_behind_the_camera_is_not_on_the_picture(scene: Any) -> None:
    picture = render_pictures(scene, [1], width=16, samples=1)[0]
    assert np.isnan(picture.project([(0.0, -20.0, 1.0)])).all()


def test_the_strip_rings_the_cog_of_each_picture(scene: Any, tmp_path: Path) -> None:
    image = pytest.importorskip("PIL.Image")
    out = tmp_path / "strip.png"
    frames = {"take-off": 1, "apex": 2, "land": 3}
    written = render_strip(
        scene, frames, cog=list(PLACES.values()), cog_start=1, out=out, width=WIDTH, samples=1
    )
    assert written == out
    assert list(tmp_path.iterdir()) == [out]
    sheet = np.asarray(image.open(out)).astype(int)
    places = render_pictures(scene, [1], width=WIDTH, samples=1)[0].project(list(PLACES.values()))
    pink = (np.abs(sheet - (255, 86, 160)) < 40).all(axis=2)
    for i, place in enumerate(places):
        # 24 of margin, 52 of header above, 12 between pictures.
        left, top = 24 + i * (WIDTH + 12), 24 + 52
        rows, columns = np.nonzero(pink[top : top + HEIGHT, left : left + WIDTH])
        ring = np.array([columns, rows]).T
        radii = np.hypot(*(ring - place).T)
        assert radii.min() > 8
        assert radii.max() < 14
        assert len(ring) > 100


@pytest.mark.parametrize(
    ("change", "argument"),
    [
        ({"width": 0}, "width"),
        ({"samples": 0}, "samples"),
        ({"frames": {"apex": 1.5}}, "frames"),
        ({"frames": {}}, "frames"),
        ({"cog": [(0.0, 1.0)]}, "cog"),
    ],
)
def test_bad_input_is_named(
    scene: Any, tmp_path: Path, change: dict[str, Any], argument: str
) -> None:
    asked = {"frames": {"apex": 1}, "cog": [(0, 0, 0)], "cog_start": 1, **change}
    with pytest.raises(InputError, match=f"`{argument}`") as caught:
        render_strip(scene, asked.pop("frames"), out=tmp_path / "no.png", **asked)
    assert caught.value.argument == argument
    assert not list(tmp_path.iterdir())


def test_a_scene_without_a_camera_is_refused(scene: Any) -> None:
    scene.camera = None
    with pytest.raises(InputError, match="must have a camera"):
        render_pictures(scene, [1])


def test_a_folder_that_is_not_there_is_one_clear_error(scene: Any, tmp_path: Path) -> None:
    pytest.importorskip("PIL.Image")
    with pytest.raises(FileError, match="cannot write"):
        render_strip(
            scene,
            {"apex": 1},
            cog=[(0, 0, 0)],
            cog_start=1,
            out=tmp_path / "none" / "a.png",
            width=16,
            samples=1,
        )


def test_without_pillow_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "PIL", None)
    panel = Panel(np.zeros((8, 8, 3), np.uint8), "apex", 1, np.zeros((0, 2)))
    with pytest.raises(HostError, match=r"pip install leapwright\[batch\]"):
        compose_strip([panel])


def test_panels_that_do_not_fit_are_refused() -> None:
    night = np.zeros((8, 8, 3), np.uint8)
    path = np.zeros((3, 2))
    with pytest.raises(InputError, match="`panels`"):
        compose_strip([])
    with pytest.raises(InputError, match="one size"):
        compose_strip([Panel(night, "a", 1, path), Panel(night[:4], "b", 2, path)])
    with pytest.raises(InputError, match="from 0 to 2, got 3"):
        compose_strip([Panel(night, "a", 1, path, 3)])
