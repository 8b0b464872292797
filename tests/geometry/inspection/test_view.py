"""What the 3D view and the still picture are given."""

import io
import json
import struct

import numpy as np
from PIL import Image

from geometry.inspection import Inspection
from geometry.inspection.pictures.raster import fit_camera, render
from geometry.inspection.pictures.view import glb, lighten
from geometry.inspection.warm import rough_arch
from geometry.mesh import Mesh


def parse(data: bytes) -> tuple[dict, dict[str, np.ndarray]]:  # type: ignore[type-arg]
    magic, version, length = struct.unpack_from("<4sII", data)
    assert (magic, version, length) == (b"glTF", 2, len(data))
    size, kind = struct.unpack_from("<I4s", data, 12)
    assert kind == b"JSON"
    head = json.loads(data[20 : 20 + size])
    body_size, body_kind = struct.unpack_from("<I4s", data, 20 + size)
    assert body_kind == b"BIN\0"
    body = data[28 + size : 28 + size + body_size]
    arrays = {}
    for name, number in (("points", 0), ("depth", 1), ("indices", 2)):
        accessor = head["accessors"][number]
        view = head["bufferViews"][accessor["bufferView"]]
        kind = {5126: "<f4", 5123: "<u2", 5125: "<u4"}[accessor["componentType"]]
        arrays[name] = np.frombuffer(body[view["byteOffset"] :][: view["byteLength"]], kind)
    return head, arrays


def test_the_view_mesh_is_small_and_carries_the_undercut(lower_found: Inspection) -> None:
    data = lower_found.view_glb()
    assert len(data) <= 1.5e6
    head, arrays = parse(data)
    assert set(head["meshes"][0]["primitives"][0]["attributes"]) == {"POSITION", "_UNDERCUT"}
    points = arrays["points"].reshape(-1, 3)
    assert len(arrays["depth"]) == len(points)
    assert arrays["indices"].max() < len(points)
    low, high = lower_found.mesh.vertices.min(axis=0), lower_found.mesh.vertices.max(axis=0)
    assert np.abs(points.min(axis=0) - low).max() < 0.5
    assert np.abs(points.max(axis=0) - high).max() < 0.5
    assert arrays["depth"].max() > 0.1


def test_a_large_mesh_is_lightened_below_the_limit() -> None:
    n = 420
    x, y = np.meshgrid(np.linspace(0, 60, n), np.linspace(0, 60, n), indexing="ij")
    points = np.column_stack([x.ravel(), y.ravel(), np.sin(x.ravel()) * np.cos(y.ravel())])
    i, j = (v.ravel() for v in np.meshgrid(range(n - 1), range(n - 1), indexing="ij"))
    a = i * n + j
    faces = np.column_stack([a, a + n, a + n + 1, a, a + n + 1, a + 1]).reshape(-1, 3)
    mesh = Mesh(points, faces.astype(np.int32))
    assert len(lighten(mesh).faces) < 90_000
    assert len(glb(mesh, points[:, 2])) <= 1.5e6


def test_overlays_are_plain_data_in_file_coordinates(lower_found: Inspection) -> None:
    overlays = lower_found.overlays()
    json.dumps(overlays, allow_nan=False)
    layers = {line["layer"] for line in overlays["lines"]}
    assert {"border", "margin"} <= layers
    low = lower_found.mesh.vertices.min(axis=0) - 1.0
    high = lower_found.mesh.vertices.max(axis=0) + 1.0
    for line in overlays["lines"]:
        points = np.array(line["points"])
        assert (points >= low).all()
        assert (points <= high).all()
        assert len(line["normals"]) == len(points)


def test_the_picture_shows_the_arch_with_marks(lower_found: Inspection) -> None:
    data = lower_found.picture(640, 480)
    assert data == lower_found.picture(640, 480)
    image = np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)
    assert image.shape == (480, 640, 3)
    background = image[60, 5]
    assert 0.1 < (np.abs(image - background).sum(axis=2) > 60).mean() < 0.9
    assert Image.open(io.BytesIO(lower_found.picture(10, 10))).size == (240, 180)


def test_the_renderer_hides_what_lies_behind_and_never_mirrors() -> None:
    corners = np.array([[0, 0, 0], [10, 0, 0], [0, 10, 0], [0, 0, 5], [4, 0, 5], [0, 4, 5]], float)
    mesh = Mesh(corners, np.array([[0, 1, 2], [3, 4, 5]], np.int32))
    normals = np.tile([0.0, 0.0, 1.0], (6, 1))
    colours = np.array([[255.0, 0, 0]] * 3 + [[0, 0, 255.0]] * 3)
    up, forward = np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])
    camera = fit_camera(corners, forward, up, 100, 100, 5)
    picture, nearest = render(mesh, normals, colours, 1, camera, (255, 255, 255))
    x, y, _ = camera.project(np.array([1.0, 1.0, 5.0]))[0]
    red_x, red_y, _ = camera.project(np.array([6.0, 2.0, 0.0]))[0]
    assert picture[int(y), int(x), 2] > 100 > picture[int(y), int(x), 0]
    assert picture[int(red_y), int(red_x), 0] > 100 > picture[int(red_y), int(red_x), 2]
    assert nearest[int(y), int(x)] > nearest[int(red_y), int(red_x)]
    assert red_x > x
    assert y > camera.project(np.array([1.0, 6.0, 0.0]))[0][1]


def test_the_warm_up_arch_is_about_an_arch() -> None:
    mesh = rough_arch()
    assert 40 < np.ptp(mesh.vertices[:, 0]) < 80
    assert len(mesh.faces) > 10_000
