"""A small software renderer: parallel projection, depth buffer, shaded triangles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.mesh import Mesh


@dataclass(frozen=True, slots=True)
class Camera:
    """A parallel projection on a picture.

    Attributes
    ----------
    axes : (3, 3) float64
        Rows: picture right, picture up, towards the viewer.
    centre : (3,) float64
        The point in the middle of the picture, mm.
    pixels_per_mm : float
    width, height : int
    """

    axes: NDArray[np.float64]
    centre: NDArray[np.float64]
    pixels_per_mm: float
    width: int
    height: int

    def project(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return picture x, y (downwards) in pixels and height towards the viewer in mm."""
        seen = (np.atleast_2d(points) - self.centre) @ self.axes.T
        seen[:, 0] = self.width / 2.0 + seen[:, 0] * self.pixels_per_mm
        seen[:, 1] = self.height / 2.0 - seen[:, 1] * self.pixels_per_mm
        return np.asarray(seen)


def fit_camera(
    points: NDArray[np.float64],
    towards: NDArray[np.float64],
    up: NDArray[np.float64],
    width: int,
    height: int,
    margin: int,
) -> Camera:
    """Return the camera that shows all points with a margin in pixels."""
    back = towards / np.linalg.norm(towards)
    right = np.cross(up, back)
    right /= np.linalg.norm(right)
    axes = np.stack([right, np.cross(back, right), back])
    seen = points @ axes.T
    low, high = seen.min(axis=0), seen.max(axis=0)
    span = np.maximum(high - low, 1e-6)
    scale = min((width - 2 * margin) / span[0], (height - 2 * margin) / span[1])
    return Camera(axes, ((low + high) / 2.0) @ axes, float(scale), width, height)


@njit(cache=True, nogil=True)
def _fill(points, normals, faces, colours, outward, nearest, picture):  # type: ignore[no-untyped-def]
    """Draw shaded triangles; ``points`` are pixels and height, ``normals`` camera axes."""
    height, width = nearest.shape
    # One light over the viewer's left shoulder, a faint one from the right.
    lx, ly, lz = -0.42, 0.52, 0.74
    mx, my, mz = 0.75, -0.15, 0.64
    for t in range(faces.shape[0]):
        i, j, k = faces[t, 0], faces[t, 1], faces[t, 2]
        ax, ay = points[i, 0], points[i, 1]
        bx, by = points[j, 0], points[j, 1]
        cx, cy = points[k, 0], points[k, 1]
        double = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if double == 0.0:
            continue
        left = max(0, int(np.ceil(min(ax, bx, cx) - 0.5)))
        right = min(width - 1, int(np.floor(max(ax, bx, cx) - 0.5)))
        top = max(0, int(np.ceil(min(ay, by, cy) - 0.5)))
        bottom = min(height - 1, int(np.floor(max(ay, by, cy) - 0.5)))
        inverse = 1.0 / double
        for y in range(top, bottom + 1):
            py = y + 0.5
            for x in range(left, right + 1):
                px = x + 0.5
                a = ((bx - px) * (cy - py) - (by - py) * (cx - px)) * inverse
                b = ((cx - px) * (ay - py) - (cy - py) * (ax - px)) * inverse
                c = 1.0 - a - b
                if a < -1e-9 or b < -1e-9 or c < -1e-9:
                    continue
                z = a * points[i, 2] + b * points[j, 2] + c * points[k, 2]
                if z <= nearest[y, x]:
                    continue
                nearest[y, x] = z
                nx = (a * normals[i, 0] + b * normals[j, 0] + c * normals[k, 0]) * outward
                ny = (a * normals[i, 1] + b * normals[j, 1] + c * normals[k, 1]) * outward
                nz = (a * normals[i, 2] + b * normals[j, 2] + c * normals[k, 2]) * outward
                size = np.sqrt(nx * nx + ny * ny + nz * nz)
                if size > 0.0:
                    nx, ny, nz = nx / size, ny / size, nz / size
                if nz < -0.15:
                    # The inside of the sheet, seen through a hole or past the border.
                    shade = 0.35 + 0.25 * abs(nx * lx + ny * ly + nz * lz)
                    picture[y, x, 0] = 120.0 * shade
                    picture[y, x, 1] = 128.0 * shade
                    picture[y, x, 2] = 140.0 * shade
                    continue
                main = max(0.0, nx * lx + ny * ly + nz * lz)
                side = max(0.0, nx * mx + ny * my + nz * mz)
                shade = 0.34 + 0.60 * main + 0.16 * side
                gloss = 45.0 * main**24
                for channel in range(3):
                    colour = (
                        a * colours[i, channel] + b * colours[j, channel] + c * colours[k, channel]
                    )
                    picture[y, x, channel] = min(255.0, colour * shade + gloss)


def render(
    mesh: Mesh,
    normals: NDArray[np.float64],
    colours: NDArray[np.float64],
    outward: int,
    camera: Camera,
    background: tuple[int, int, int],
) -> tuple[NDArray[np.uint8], NDArray[np.float64]]:
    """Render a mesh.

    Parameters
    ----------
    mesh : Mesh
    normals : (n, 3) float64
        Unit vertex normals.
    colours : (n, 3) float64
        0 to 255 by vertex.
    outward : int
        +1 when the normals point outward, else -1.
    camera : Camera
    background : red, green, blue

    Returns
    -------
    picture : (height, width, 3) uint8
    nearest : (height, width) float64
        Height towards the viewer of what is seen, mm; -inf on the background.
    """
    fine = Camera(
        camera.axes, camera.centre, camera.pixels_per_mm * 2, camera.width * 2, camera.height * 2
    )
    picture = np.empty((fine.height, fine.width, 3))
    picture[:] = background
    nearest = np.full((fine.height, fine.width), -np.inf)
    _fill(
        fine.project(mesh.vertices), normals @ camera.axes.T, mesh.faces, colours,
        float(outward), nearest, picture,
    )  # fmt: skip
    blocks = picture.reshape(camera.height, 2, camera.width, 2, 3).mean(axis=(1, 3))
    front = nearest.reshape(camera.height, 2, camera.width, 2).max(axis=(1, 3))
    return np.round(blocks).astype(np.uint8), front
