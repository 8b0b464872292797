"""The part of a scan that the frame is found on, as points with their border marked.

Everything here ignores the winding: scans arrive inside out or with mixed
winding, and the frame must not depend on it. A border vertex is recognised by
its neighbours: around an inner vertex every neighbour is met twice, so the
exclusive-or of the neighbours' hashed numbers over the faces is zero; at the
end of a surface it is not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from geometry.errors import GeometryError
from geometry.mesh import Mesh

FILL_EDGE_MM = 0.45
"""Faces with a longer edge get sample points inside, so that no relief cell is missed."""

FILL_STEP_MM = 0.8

SEPARATE_PART = 0.25
"""A component with less than this share of the largest one's area is an island."""

FLAT_SHARE = 0.06
"""Share of a closed solid's area in one plane from which that plane counts as its base."""

FLAT_TOLERANCE_MM = 0.25

ROUGH_MM, ROUGH_LEAN_DEG, ROUGH_SHARE = 0.6, 25.0, 0.12
"""A rough base: thickness, how far its faces lean, and its least share of the area."""

MAX_FILL_POINTS = 2_000_000

SMALL_HOLE_MM = 1.5
"""A hole or crack this small is no end of the scan: a torn export has them all over."""

PATCH_MM, PATCH_TIMES, PATCH_SHARE = 8.0, 20.0, 0.03
"""Faces so long, and so much longer than most, were not scanned; so large a share of the area
closes the inside of a horseshoe, and no hole."""

LOT_MM = 0.02
"""Points so near each other share a lot: well over what a file's numbers are rounded to."""

LARGEST_EXTENT_MM = 500.0
SMALLEST_EXTENT_MM = 5.0


@dataclass(frozen=True, slots=True)
class Surface:
    """Sample points of the scanned surface.

    Attributes
    ----------
    points : (n, 3) float64, mm
        Vertices of the main parts, then points inside large faces; relative to
        ``centre``.
    border : (n,) bool
        True where the surface ends (or meets the flat base of a closed model).
    centre : (3,) float64, mm
        What was subtracted from the file's coordinates.
    """

    points: NDArray[np.float64]
    border: NDArray[np.bool_]
    centre: NDArray[np.float64]

    def subset(self, count: int) -> Surface:
        """Return about ``count`` of the points, more of the border than of the rest.

        The same surface gives the same points whatever order they come in.
        """
        n = self.points.shape[0]
        if n <= count:
            return self
        lot = _lots(self.points)
        edge = int(self.border.sum())
        of_edge = min(1.0, 0.25 * count / max(edge, 1))
        of_rest = (count - of_edge * edge) / max(n - edge, 1)
        chosen = np.flatnonzero(lot < np.where(self.border, of_edge, of_rest))
        return Surface(self.points[chosen], self.border[chosen], self.centre)


@njit(cache=True, nogil=True)
def _lots(points):  # type: ignore[no-untyped-def]
    """Draw a number in [0, 1) for each point, by where it lies alone."""
    lots = np.empty(points.shape[0])
    for v in range(points.shape[0]):
        h = np.uint64(0)
        for i in range(3):
            cell = np.int64(np.floor(points[v, i] / LOT_MM)) + (np.int64(1) << 20)
            h = (h ^ np.uint64(cell)) * np.uint64(0x9E3779B97F4A7C15)
            h ^= h >> np.uint64(29)
        lots[v] = np.float64(h >> np.uint64(11)) / 9007199254740992.0
    return lots


@njit(cache=True, nogil=True)
def _border_vertices(faces, n_vertices):  # type: ignore[no-untyped-def]
    mark = np.zeros(n_vertices, dtype=np.uint64)
    factor = np.uint64(0x9E3779B97F4A7C15)
    shift = np.uint64(29)
    one = np.uint64(1)
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        if a in (b, c) or b == c:
            continue
        ha = (np.uint64(a) + one) * factor
        hb = (np.uint64(b) + one) * factor
        hc = (np.uint64(c) + one) * factor
        ha ^= ha >> shift
        hb ^= hb >> shift
        hc ^= hc >> shift
        mark[a] ^= hb ^ hc
        mark[b] ^= ha ^ hc
        mark[c] ^= ha ^ hb
    return mark != np.uint64(0)


@njit(cache=True, nogil=True)
def _vertex_components(faces, n_vertices):  # type: ignore[no-untyped-def]
    parent = np.arange(n_vertices).astype(np.int32)
    for f in range(faces.shape[0]):
        a = faces[f, 0]
        while parent[a] != a:
            parent[a] = parent[parent[a]]
            a = parent[a]
        for k in range(1, 3):
            b = faces[f, k]
            while parent[b] != b:
                parent[b] = parent[parent[b]]
                b = parent[b]
            if a < b:
                parent[b] = a
            elif b < a:
                parent[a] = b
                a = b
    for v in range(n_vertices):
        r = v
        while parent[r] != r:
            parent[r] = parent[parent[r]]
            r = parent[r]
        parent[v] = r
    return parent


@njit(cache=True, nogil=True)
def _face_areas_and_edges(vertices, faces):  # type: ignore[no-untyped-def]
    m = faces.shape[0]
    area = np.empty(m, dtype=np.float64)
    longest = np.empty(m, dtype=np.float64)
    for f in range(m):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        ux = vertices[b, 0] - vertices[a, 0]
        uy = vertices[b, 1] - vertices[a, 1]
        uz = vertices[b, 2] - vertices[a, 2]
        wx = vertices[c, 0] - vertices[a, 0]
        wy = vertices[c, 1] - vertices[a, 1]
        wz = vertices[c, 2] - vertices[a, 2]
        nx = uy * wz - uz * wy
        ny = uz * wx - ux * wz
        nz = ux * wy - uy * wx
        area[f] = 0.5 * np.sqrt(nx * nx + ny * ny + nz * nz)
        ex, ey, ez = ux - wx, uy - wy, uz - wz
        longest[f] = np.sqrt(
            max(
                ux * ux + uy * uy + uz * uz,
                wx * wx + wy * wy + wz * wz,
                ex * ex + ey * ey + ez * ez,
            )
        )
    return area, longest


@njit(cache=True, nogil=True)
def _fill_points(vertices, faces, longest, limit, step, room):  # type: ignore[no-untyped-def]
    out = np.empty((room, 3), dtype=np.float64)
    n = 0
    for f in range(faces.shape[0]):
        if longest[f] <= limit:
            continue
        k = int(np.ceil(longest[f] / step))
        # The centroids of k² equal small triangles: upright ones, then turned ones.
        for i in range(k):
            for j in range(k - i):
                for turned in range(2):
                    if turned == 1 and j == k - i - 1:
                        continue
                    third = (1.0 + turned) / 3.0
                    u = (i + third) / k
                    v = (j + third) / k
                    if n >= room:
                        return out
                    for d in range(3):
                        out[n, d] = (
                            vertices[faces[f, 0], d] * (1.0 - u - v)
                            + vertices[faces[f, 1], d] * u
                            + vertices[faces[f, 2], d] * v
                        )
                    n += 1
    return out[:n]


def _weld(mesh: Mesh) -> Mesh:
    vertices, inverse = np.unique(mesh.vertices + 0.0, axis=0, return_inverse=True)
    return Mesh(vertices, inverse.reshape(-1)[mesh.faces].astype(np.int32))


def _flat_base(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], area: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Return which faces lie in the largest flat part of a closed solid (maybe none)."""
    none = np.zeros(faces.shape[0], dtype=np.bool_)
    corners = vertices[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    length = np.linalg.norm(normals, axis=1)
    good = length > 0
    normals[good] /= length[good, None]
    # Opposite windings are one plane, so directions are made to agree up to sign.
    keys = np.round(normals * 20.0).astype(np.int64)
    sign = np.where(
        keys[:, 0] != 0,
        np.sign(keys[:, 0]),
        np.where(keys[:, 1] != 0, np.sign(keys[:, 1]), np.sign(keys[:, 2])),
    )
    keys *= sign[:, None]
    code = (keys[:, 0] + 32) * 10_000 + (keys[:, 1] + 32) * 100 + keys[:, 2] + 32
    _, inverse = np.unique(code, return_inverse=True)
    weight = np.bincount(inverse, weights=np.where(good, area, 0.0))
    best_share, best = 0.0, none
    middle = corners.mean(axis=1)
    for index in np.argsort(weight)[::-1][:8]:
        member = (inverse == index) & good
        pick = int(np.flatnonzero(member)[np.argmax(area[member])])
        direction = normals[pick]
        along = np.abs(normals @ direction) > np.cos(np.radians(3.0))
        height = middle @ direction
        order = np.argsort(height[along])
        sorted_height = height[along][order]
        sorted_area = np.concatenate([[0.0], np.cumsum(area[along][order])])
        upto = np.searchsorted(sorted_height, sorted_height + 2 * FLAT_TOLERANCE_MM, side="right")
        gain = sorted_area[upto] - sorted_area[:-1]
        start = int(np.argmax(gain))
        share = float(gain[start] / area.sum())
        low = sorted_height[start]
        if share > best_share:
            best_share = share
            best = along & (height >= low) & (height <= low + 2 * FLAT_TOLERANCE_MM)
    if best_share >= FLAT_SHARE:
        return best
    # A scanned or noisy base: its faces lean all ways, only together they are flat.
    for index in np.argsort(weight)[::-1][:3]:
        member = (inverse == index) & good
        towards = normals[int(np.flatnonzero(member)[0])]
        sign_of = np.sign(normals[member] @ towards)
        direction = (normals[member] * (sign_of * area[member])[:, None]).sum(axis=0)
        direction /= np.linalg.norm(direction)
        slab = none
        for width in (3.0, 1.0, ROUGH_MM):
            along = good & (np.abs(normals @ direction) > np.cos(np.radians(ROUGH_LEAN_DEG)))
            height = middle @ direction
            counts, edges = np.histogram(
                height[along], np.arange(height.min(), height.max() + width, 0.5 * width),
                weights=area[along],
            )  # fmt: skip
            if counts.size < 2:
                break
            start = int(np.argmax(counts[:-1] + counts[1:]))
            slab = along & (height >= edges[start]) & (height <= edges[start + 2])
            around = middle[slab] - np.average(middle[slab], axis=0, weights=area[slab])
            direction = np.linalg.eigh((around * area[slab, None]).T @ around)[1][:, 0]
        share = float(area[slab].sum() / area.sum())
        if share > best_share:
            best_share, best = share, slab
    return best if best_share >= ROUGH_SHARE else none


def _beside_small_holes(
    vertices: NDArray[np.float64], faces: NDArray[np.int32], border: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Border vertices of holes and cracks smaller than a cusp: a scan does not end there."""
    small = np.zeros(len(border), dtype=np.bool_)
    at = np.flatnonzero(border)
    number = np.full(len(border), -1, dtype=np.int64)
    number[at] = np.arange(len(at))
    a, b, c = border[faces].T
    near = number[faces[(a & b) | (b & c) | (c & a)]]
    ends = np.concatenate([near[:, [0, 1]], near[:, [1, 2]], near[:, [2, 0]]])
    ends = ends[(ends >= 0).all(axis=1)]
    joined = coo_matrix((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(len(at),) * 2)
    count, loop = connected_components(joined, directed=False)
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    np.minimum.at(low, loop, vertices[at])
    np.maximum.at(high, loop, vertices[at])
    small[at] = (np.linalg.norm(high - low, axis=1) < SMALL_HOLE_MM)[loop]
    # A surface all of whose borders are small is closed but for them, or torn to pieces.
    return small if (border & ~small).any() else np.zeros_like(small)


def _patches(area: NDArray[np.float64], longest: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Faces with which software closed an open scan: huge ones, and many of them."""
    patch = longest > PATCH_MM
    if patch.any():
        patch &= longest > PATCH_TIMES * np.median(longest)
        patch &= area[patch].sum() > PATCH_SHARE * area.sum()
    return patch


def main_faces(
    mesh: Mesh,
) -> tuple[NDArray[np.float64], NDArray[np.int32], NDArray[np.bool_], NDArray[np.float64]]:
    """Return vertices, faces of the main parts, border vertices, longest edges of the faces.

    Islands and the flat base of a closed model are set aside; the edge of such a
    base counts as border.

    Raises
    ------
    GeometryError
        When nothing with an area is left or the coordinates are not finite.
    """
    if mesh.faces.shape[0] == 0:
        raise GeometryError("the mesh has no triangles; export the scan again")
    if not np.isfinite(mesh.vertices).all():
        raise GeometryError("the mesh has coordinates that are not finite; export the scan again")
    border = _border_vertices(mesh.faces, mesh.vertices.shape[0])
    if border[mesh.faces.ravel()].mean() > 0.5:
        mesh = _weld(mesh)
        border = _border_vertices(mesh.faces, mesh.vertices.shape[0])
    vertices = mesh.vertices
    faces = np.ascontiguousarray(mesh.faces, dtype=np.int32)
    border &= ~_beside_small_holes(vertices, faces, border)
    area, longest = _face_areas_and_edges(vertices, faces)
    part = _vertex_components(faces, vertices.shape[0])
    part_area = np.bincount(part[faces[:, 0]], weights=area, minlength=vertices.shape[0])
    if not part_area.max() > 0:
        raise GeometryError("the mesh has no area; export the scan again")
    keep_part = part_area >= SEPARATE_PART * part_area.max()
    keep_face = keep_part[part[faces[:, 0]]]
    if not border[faces[keep_face].ravel()].any():
        base = _flat_base(vertices, faces, np.where(keep_face, area, 0.0))
        if base.any():
            border[faces[base].ravel()] = True
            keep_face &= ~base
    elif (patch := _patches(area, longest)).any():
        border[faces[patch].ravel()] = True
        keep_face &= ~patch
    if not keep_face.all():
        faces, longest = faces[keep_face], longest[keep_face]
    return vertices, faces, border, longest


def take_surface(mesh: Mesh) -> Surface:
    """Sample the main parts of a scan as points.

    Parameters
    ----------
    mesh : Mesh
        In mm, any pose, any winding.

    Raises
    ------
    GeometryError
        As :func:`main_faces` does, and when the size is not a mouth's.
    """
    vertices, faces, border, longest = main_faces(mesh)
    used = np.zeros(vertices.shape[0], dtype=np.bool_)
    used[faces.ravel()] = True
    centre = vertices[used].mean(axis=0)
    vertices = vertices - centre
    points, edge = vertices[used], border[used]
    extent = float(np.ptp(points, axis=0).max())
    if not SMALLEST_EXTENT_MM <= extent <= LARGEST_EXTENT_MM:
        raise GeometryError(
            f"the scan is {extent:.3g} mm long, not the size of an arch; check its units"
        )
    large = longest > FILL_EDGE_MM
    if large.any():
        k = np.ceil(longest[large] / FILL_STEP_MM)
        room = int(min(MAX_FILL_POINTS, k.dot(k)))
        inside = _fill_points(vertices, faces, longest, FILL_EDGE_MM, FILL_STEP_MM, room)
        points = np.concatenate([points, inside])
        edge = np.concatenate([edge, np.zeros(inside.shape[0], dtype=np.bool_)])
    return Surface(np.ascontiguousarray(points), edge, centre)
