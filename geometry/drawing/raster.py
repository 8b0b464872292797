"""A small z-buffer renderer: orthographic, smooth shading, no graphics card."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.mesh import Mesh

BACKGROUND = np.array([233, 229, 220], dtype=np.float32)
BODY = np.array([232, 221, 200], dtype=np.float32)


@dataclass(frozen=True)
class View:
    """An orthographic view.

    Attributes
    ----------
    axes : (3, 3) float64
        Rows: image right, image up, towards the eye; unit vectors.
    centre : (3,) float64, mm
    scale : float
        Pixels per mm.
    size : (width, height)
    """

    axes: NDArray[np.float64]
    centre: NDArray[np.float64]
    scale: float
    size: tuple[int, int]


def view_from(
    points: NDArray[np.float64],
    towards_eye: NDArray[np.float64],
    up: NDArray[np.float64],
    size: tuple[int, int],
    margin: float = 0.06,
) -> View:
    """Return the view from a direction that shows all ``points`` (n, 3)."""
    out = np.asarray(towards_eye, dtype=np.float64)
    out = out / np.linalg.norm(out)
    right = np.cross(up, out)
    right /= np.linalg.norm(right)
    axes = np.stack([right, np.cross(out, right), out])
    flat = points @ axes.T
    low, high = flat.min(axis=0), flat.max(axis=0)
    span = np.maximum(high - low, 1e-6)
    scale = min(size[0] / span[0], size[1] / span[1]) * (1.0 - 2.0 * margin)
    return View(axes, axes.T @ ((low + high) / 2.0), float(scale), size)


def project(view: View, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return (n, 3): pixel x, pixel y (down), and depth towards the eye in mm."""
    flat = (np.atleast_2d(points) - view.centre) @ view.axes.T
    width, height = view.size
    return np.column_stack(
        [
            width / 2.0 + flat[:, 0] * view.scale,
            height / 2.0 - flat[:, 1] * view.scale,
            flat[:, 2],
        ]
    )


def render(
    mesh: Mesh, view: View, colours: NDArray[np.floating] | None = None
) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
    """Shade ``mesh``; both sides of a triangle are lit alike.

    Parameters
    ----------
    colours : (n, 3), optional
        Vertex colours, 0–255; one plain colour when left out.

    Returns
    -------
    image : (height, width, 3) uint8
    depth : (height, width) float32
        Towards the eye in mm, −inf where nothing is.
    """
    width, height = view.size
    flat = project(view, mesh.vertices)
    normals = _normals(mesh.vertices, mesh.faces) @ view.axes.T
    light = np.array([-0.35, 0.55, 0.76])
    shade = np.abs(normals @ (light / np.linalg.norm(light)))
    tint = np.abs(normals[:, 2])
    strength = (0.28 + 0.55 * shade + 0.22 * tint).astype(np.float32)
    body = BODY[None, :] if colours is None else np.asarray(colours, dtype=np.float32)
    lit = np.clip(np.broadcast_to(body, (len(strength), 3)) * strength[:, None], 0, 255)
    image = np.empty((height, width, 3), dtype=np.float32)
    image[:] = BACKGROUND
    depth = np.full((height, width), -np.inf, dtype=np.float32)
    _fill(
        flat.astype(np.float32),
        np.ascontiguousarray(mesh.faces, dtype=np.int32),
        np.ascontiguousarray(lit, dtype=np.float32),
        image,
        depth,
    )
    return image.astype(np.uint8), depth


@njit(cache=True, nogil=True)
def _normals(points: NDArray[np.float64], faces: NDArray[np.int32]) -> NDArray[np.float64]:
    """Area-weighted vertex normals; inconsistent winding only dims them."""
    out = np.zeros(points.shape, dtype=np.float64)
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ux, uy, uz = (
            points[b, 0] - points[a, 0],
            points[b, 1] - points[a, 1],
            points[b, 2] - points[a, 2],
        )
        vx, vy, vz = (
            points[c, 0] - points[a, 0],
            points[c, 1] - points[a, 1],
            points[c, 2] - points[a, 2],
        )
        nx, ny, nz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        for v in (a, b, c):
            out[v, 0] += nx
            out[v, 1] += ny
            out[v, 2] += nz
    for v in range(out.shape[0]):  # type: ignore[misc]
        length = (out[v, 0] ** 2 + out[v, 1] ** 2 + out[v, 2] ** 2) ** 0.5
        if length > 0:
            out[v] /= length
    return out


@njit(cache=True, nogil=True)
def _fill(
    flat: NDArray[np.float32],
    faces: NDArray[np.int32],
    lit: NDArray[np.float32],
    image: NDArray[np.float32],
    depth: NDArray[np.float32],
) -> None:
    height, width = depth.shape
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ax, ay, bx, by, cx, cy = (
            flat[a, 0], flat[a, 1], flat[b, 0], flat[b, 1], flat[c, 0], flat[c, 1],
        )  # fmt: skip
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if abs(area) < 1e-9:
            continue
        left = max(int(np.floor(min(ax, bx, cx))), 0)
        right = min(int(np.ceil(max(ax, bx, cx))), width - 1)
        top = max(int(np.floor(min(ay, by, cy))), 0)
        bottom = min(int(np.ceil(max(ay, by, cy))), height - 1)
        for y in range(top, bottom + 1):
            py = y + 0.5
            for x in range(left, right + 1):
                px = x + 0.5
                u = ((bx - px) * (cy - py) - (by - py) * (cx - px)) / area
                v = ((cx - px) * (ay - py) - (cy - py) * (ax - px)) / area
                w = 1.0 - u - v
                if u < 0 or v < 0 or w < 0:
                    continue
                z = u * flat[a, 2] + v * flat[b, 2] + w * flat[c, 2]
                if z > depth[y, x]:
                    depth[y, x] = z
                    for k in range(3):
                        image[y, x, k] = u * lit[a, k] + v * lit[b, k] + w * lit[c, k]
