"""Boolean operations on the part of a solid that they touch.

Most of a model lies beside or above what is added to it or cut out of it. Those parts are
set aside and the openings closed by upright shafts with lids far above; afterwards they are
joined to the result again, vertex for vertex. Nothing changes where the bodies are: what is
set aside, its shafts and its lids make a closed surface, and a line straight down from a
point of a body meets none of it.
"""

from __future__ import annotations

import manifold3d
import numpy as np
from numba import njit
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.model.bodies.solids import largest_piece, odd_vertices, to_manifold, without_folded
from geometry.model.surface.halfedges import Faces, compact
from geometry.model.surface.patches import fill_loop
from geometry.model.surface.skin import Skin, loops_of, tails
from geometry.reading.weld import weld_indexed
from geometry.topology.edges import pair_half_edges

Array = NDArray[np.float64]

CELL = 0.5
CLEAR = 0.3
LID = 5.0
LEAN = (0.11, 0.16)
"""How far aside, mm, a shaft from the base to the lids leans; far less than a cell."""
LONGEST_SLIVER = 6
WORTH_WHILE = 0.2


@njit(cache=True, nogil=True)
def _stamp(vertices: Array, faces: Faces, x0: float, y0: float, top: Array) -> None:
    """Note over each cell of a grid how high a body reaches there, or in one beside."""
    nx, ny = top.shape
    for f in range(len(faces)):
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        high = max(a[2], b[2], c[2])
        i0 = max(int(np.floor((min(a[0], b[0], c[0]) - x0) / CELL)) - 1, 0)
        i1 = min(int(np.floor((max(a[0], b[0], c[0]) - x0) / CELL)) + 1, nx - 1)
        j0 = max(int(np.floor((min(a[1], b[1], c[1]) - y0) / CELL)) - 1, 0)
        j1 = min(int(np.floor((max(a[1], b[1], c[1]) - y0) / CELL)) + 1, ny - 1)
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                top[i, j] = max(top[i, j], high)


@njit(cache=True, nogil=True)
def _clear(vertices: Array, faces: Faces, x0: float, y0: float, top: Array) -> NDArray[np.bool_]:
    """Mark the faces that have nothing of what was stamped over or beside them."""
    nx, ny = top.shape
    out = np.zeros(len(faces), dtype=np.bool_)
    for f in range(len(faces)):
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        i0 = int(np.floor((min(a[0], b[0], c[0]) - x0) / CELL))
        i1 = int(np.floor((max(a[0], b[0], c[0]) - x0) / CELL))
        j0 = int(np.floor((min(a[1], b[1], c[1]) - y0) / CELL))
        j1 = int(np.floor((max(a[1], b[1], c[1]) - y0) / CELL))
        high = -np.inf
        for i in range(max(i0, 0), min(i1 + 1, nx)):
            for j in range(max(j0, 0), min(j1 + 1, ny)):
                high = max(high, top[i, j])
        out[f] = min(a[2], b[2], c[2]) > high + CLEAR
    return out


class Excerpt:
    """The part of a solid that some bodies can touch, closed by shafts in place of the rest.

    Attributes
    ----------
    vertices, faces
        A closed surface, of one piece or several; the solid itself where leaving some of it
        aside is not worth while.
    lid : float
        Faces with a corner above this height are shafts.

    Parameters
    ----------
    vertices, faces
        Closed solid; no two vertices in one place.
    bodies : list of Manifold, optional
        What will be added or cut; half a millimetre aside in plan will do too. Without any,
        nothing is left aside.
    """

    def __init__(
        self, vertices: Array, faces: Faces, bodies: list[manifold3d.Manifold] | None = None
    ) -> None:
        self._whole = vertices
        self.vertices, self.faces, self.lid = vertices, faces, np.inf
        self._kept = faces[:0]
        if bodies is None:
            return
        aside = _set_aside(vertices, faces, bodies)
        lines = rims(vertices, faces[aside])
        while lines:
            # Where two shafts would meet in a point, their sides could not be told apart.
            meeting = np.bincount(np.concatenate(lines), minlength=len(vertices)) > 1
            if not meeting.any():
                break
            aside &= ~meeting[faces].any(axis=1)
            lines = rims(vertices, faces[aside])
        if lines and aside.mean() > WORTH_WHILE:
            self._kept = faces[aside]
            self.vertices, self.faces, height = _closed_by_shafts(vertices, faces, aside, lines)
            self.lid = height - 0.5 * LID

    @property
    def partial(self) -> bool:
        """Whether anything of the solid was left aside."""
        return len(self._kept) > 0

    def shafts(self, vertices: Array, faces: Faces) -> NDArray[np.bool_]:
        """Mark the faces that only stand for what was left aside."""
        return np.asarray((vertices[:, 2] > self.lid)[faces].any(axis=1))

    def back(self, vertices: Array, faces: Faces) -> tuple[Array, Faces] | None:
        """Put what was made of the part into its place in the solid; None where that leaves gaps.

        Returns
        -------
        vertices, faces of the largest piece
        """
        if self.partial:
            made = faces[~self.shafts(vertices, faces)]
            return _joined(self._whole, self._kept, vertices, made)
        v, f, _ = compact(vertices, largest_piece(faces, len(vertices)))
        return v, f


class Joint:
    """A solid made ready to be joined with bodies, or cut, in one go or in several trials.

    Parameters
    ----------
    part : Excerpt
        Of the solid.
    """

    def __init__(self, part: Excerpt) -> None:
        self._body = to_manifold(part.vertices, part.faces)

    def made(
        self, added: list[manifold3d.Manifold], cut: list[manifold3d.Manifold]
    ) -> tuple[Array, Faces]:
        """Add bodies to the part of the solid and cut others out of it.

        Raises
        ------
        GeometryError
            The solid is not closed, or nothing is left of it.
        """
        body = self._body
        if added:
            body = manifold3d.Manifold.batch_boolean([body, *added], manifold3d.OpType.Add)
        if cut:
            body = manifold3d.Manifold.batch_boolean([body, *cut], manifold3d.OpType.Subtract)
        mesh = body.to_mesh64()
        points = np.array(mesh.vert_properties[:, :3], order="C")
        if not len(mesh.tri_verts):
            raise GeometryError("nothing of the model is left; change the height or the block-out")
        return points, np.array(mesh.tri_verts, dtype=np.int32, order="C")


def combine(
    vertices: Array,
    faces: Faces,
    added: list[manifold3d.Manifold],
    cut: list[manifold3d.Manifold],
) -> tuple[Array, Faces]:
    """Add bodies to a solid and cut others out of it; return the largest piece.

    Raises
    ------
    GeometryError
        The solid is not closed, or nothing is left of it.
    """
    part = Excerpt(vertices, faces, [*added, *cut])
    found = part.back(*Joint(part).made(added, cut))
    if found is None:
        # Nothing is joined to the whole, so places where it touches itself are left to the
        # rounding.
        whole = Excerpt(vertices, faces)
        found = whole.back(*Joint(whole).made(added, cut))
    assert found is not None
    return found


def _set_aside(
    vertices: Array, faces: Faces, bodies: list[manifold3d.Manifold]
) -> NDArray[np.bool_]:
    low, high = vertices[:, :2].min(axis=0), vertices[:, :2].max(axis=0)
    nx, ny = (np.ceil((high - low) / CELL).astype(int) + 1).tolist()
    top = np.full((nx, ny), -np.inf)
    for body in bodies:
        mesh = body.to_mesh64()
        points = np.ascontiguousarray(mesh.vert_properties[:, :3])
        corners = np.array(mesh.tri_verts, dtype=np.int32, order="C")
        _stamp(points, corners, low[0], low[1], top)
    return _clear(vertices, faces, low[0], low[1], top)


def _closed_by_shafts(
    vertices: Array, faces: Faces, aside: NDArray[np.bool_], lines: list[NDArray[np.int64]]
) -> tuple[Array, Faces, float]:
    """Close the faces not set aside by upright shafts; also return the height of their lids.

    ``lines`` are the border lines of what is set aside.
    """
    height = float(vertices[:, 2].max()) + LID
    sizes = np.array([len(line) for line in lines])
    begin = np.concatenate(([0], np.cumsum(sizes)))
    line = np.concatenate(lines)
    after = np.arange(1, len(line) + 1)
    after[begin[1:] - 1] = begin[:-1]
    rim = len(vertices) + np.arange(len(line))
    middle = len(vertices) + len(line) + np.repeat(np.arange(len(lines)), sizes)
    rims = vertices[line]
    # Leaning a little, or the shaft over an upright edge would be a line, not a face.
    rims[:, :2] += (rims[:, 2:] / height) * LEAN
    rims[:, 2] = height
    middles = np.add.reduceat(rims, begin[:-1], axis=0) / sizes[:, None]
    # The part set aside has its rim on its left; the shaft takes its place.
    parts: list[NDArray[np.integer]] = [
        faces[~aside],
        np.column_stack((line, line[after], rim[after])),
        np.column_stack((line, rim[after], rim)),
        np.column_stack((rim, rim[after], middle)),
    ]
    v, f, _ = compact(np.vstack((vertices, rims, middles)), np.concatenate(parts).astype(np.int32))
    return v, f, height


def rims(vertices: Array, faces: Faces) -> list[NDArray[np.int64]]:
    """Return the border lines of a part of a surface, the part on their left."""
    opposite = np.empty(3 * len(faces), dtype=np.int32)
    aside = np.zeros(len(faces), dtype=np.uint8)
    pair_half_edges(faces, len(vertices), aside, opposite, np.empty_like(aside))
    opposite[opposite < 0] = -1
    skin = Skin(vertices, faces, np.zeros(len(faces), dtype=np.int8), opposite)
    return [tails(skin, half) for half in loops_of(skin)]


def _joined(
    vertices: Array, kept: Faces, made_v: Array, made_f: Faces
) -> tuple[Array, Faces] | None:
    """Join what was made to what was set aside; None where that leaves gaps."""
    count = len(vertices)
    both = np.vstack((vertices, made_v))
    number = weld_indexed(both, np.resize(np.arange(len(both)), (-(-len(both) // 3), 3)))
    place = number.faces.ravel()[: len(both)]
    faces = place[np.concatenate((kept, made_f + np.int32(count)))]
    points = number.vertices
    odd, doubled = odd_vertices(faces, len(points))
    if doubled:
        faces = without_folded(faces)
        odd, _ = odd_vertices(faces, len(points))
    if odd.any():
        # Where a shaft began at a sliver, the library may have turned the two around: such a
        # sliver is missing and is put back.
        lines = rims(points, faces)
        if any(len(line) > LONGEST_SLIVER for line in lines):
            return None
        slivers = [line[::-1][fill_loop(points[line[::-1]])] for line in lines]
        faces = np.concatenate((faces, *slivers)).astype(np.int32)
        if odd_vertices(faces, len(points))[0].any():
            return None
    v, f, _ = compact(points, largest_piece(faces, len(points)))
    return v, f
