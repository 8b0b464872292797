"""What the analysis of a surface yields."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from geometry.mesh import Mesh
from geometry.topology.adjacency import Neighbours, neighbours, vertex_normals


@dataclass(frozen=True, slots=True)
class Loop:
    """A closed chain of border edges of the main piece.

    Attributes
    ----------
    vertices : (k,) int32
        Vertices of the main piece in order; the surface lies on the left.
    perimeter_mm : float
    area_mm2 : float
        Length of the loop's vector area: the area of its shadow along the
        direction that shows most of it.
    centre : (3,) float64
        Mean of the edge middles, weighted by edge length.
    """

    vertices: NDArray[np.int32]
    perimeter_mm: float
    area_mm2: float
    centre: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Island:
    """A piece that is not the main one.

    Attributes
    ----------
    triangles : int
    area_mm2 : float
    centre : (3,) float64
        Mean of the corners of its triangles.
    """

    triangles: int
    area_mm2: float
    centre: NDArray[np.float64]


@dataclass(frozen=True)
class Topology:
    """Pieces, borders and faults of a surface.

    Counts of shells and faults are over the whole file. Borders and holes are
    those of the main piece, after three steps that define them: triangles with
    equal corners and repeated triangles are left out; the surface is cut along
    edges of more than two triangles, except where just two of them belong to the
    main piece, which stay joined, and where just four do, as where a surface
    touches itself, which stay joined two and two; and each fan of triangles around
    a point gets a vertex of its own, so two fans that touch in a point (a bow-tie)
    are apart. Of four triangles neighbours around the edge are joined, wound
    alike, in the way that folds them less; where both ways fold them as much (to
    0.02 rad), or the four would still share both ends, the edge is cut, and joined
    are those that then share both ends alone.

    Attributes
    ----------
    main : Mesh
        The piece of largest area, wound alike; each edge has one or two triangles
        and each vertex one fan.
    vertex_map : (n,) int32
        Vertex of the file's mesh for each vertex of ``main``.
    face_map : (m,) int32
        Triangle of the file's mesh for each triangle of ``main``.
    opposite : (3 m,) int32
        For half-edge ``3 t + k`` of ``main`` the one on the other side, or -1.
    area_mm2 : float
        Of ``main``.
    shells : int
        Pieces connected through shared edges, whatever their number of triangles.
    islands : tuple of Island
        Pieces beside the main one, largest first.
    border : Loop or None
        The longest loop; None when the main piece is closed.
    holes : tuple of Loop
        The other loops, longest first.
    border_edges, nonmanifold_edges : int
        Edges of one, and of more than two triangles.
    inconsistent_winding : int
        Edges whose two triangles are wound against each other.
    degenerate_triangles, duplicate_triangles : int
    self_intersections : int or None
        Pairs of triangles without a common vertex that pass through each other: each
        has corners strictly on either side of the other's plane. None when it was not
        asked for, or the file is so tangled that counting was given up.
    intersecting : (k, 2) int32
        The first of those pairs, as triangles of the file's mesh.
    """

    main: Mesh
    vertex_map: NDArray[np.int32]
    face_map: NDArray[np.int32]
    opposite: NDArray[np.int32]
    area_mm2: float
    shells: int
    islands: tuple[Island, ...]
    border: Loop | None
    holes: tuple[Loop, ...]
    border_edges: int
    nonmanifold_edges: int
    inconsistent_winding: int
    degenerate_triangles: int
    duplicate_triangles: int
    self_intersections: int | None
    intersecting: NDArray[np.int32]

    @property
    def boundary_loops(self) -> int:
        """Loops of the main piece, the outer border included."""
        return len(self.holes) + (self.border is not None)

    @property
    def watertight(self) -> bool:
        """Whether every edge of the file has exactly two triangles."""
        return self.border_edges == 0 and self.nonmanifold_edges == 0

    @cached_property
    def vertex_normals(self) -> NDArray[np.float64]:
        """Area-weighted unit normals of ``main``, shape (n, 3)."""
        return vertex_normals(self.main)

    @cached_property
    def neighbours(self) -> Neighbours:
        """Edge neighbours of each vertex of ``main``."""
        return neighbours(self.main, self.opposite)
