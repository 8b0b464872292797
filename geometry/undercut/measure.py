"""Undercut of a surface along one direction of removal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geometry.axes import along_basis, basis_along, own_axes
from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.topology.adjacency import extent
from geometry.undercut.crossings import shadow
from geometry.undercut.depth import band_areas, calm, vertex_depths
from geometry.undercut.lattice import (
    MOST_CROSSINGS,
    Lattice,
    bearable_pitch,
    cast,
    refuse_too_large,
)

# The undercut gauges of a dental surveyor: 0.010, 0.020 and 0.030 in.
GAUGES_MM = (0.25, 0.50, 0.75)
_DEEPEST_MM = 6.0


@dataclass(frozen=True, slots=True)
class Undercut:
    """Undercut along a direction, above a base plane.

    Attributes
    ----------
    direction : (3,) float64
        Unit vector; the way the appliance is drawn off.
    base_normal : (3,) float64
    base_z : float
        The base plane holds the points p with p · base_normal = base_z.
    volume_mm3 : float
        Void under overhangs along the direction, down to the next surface or the
        base plane: what block-out would fill.
    depth_mm : (n,) float64
        Horizontal depth at each vertex: distance, perpendicular to the direction,
        to where a straight pull is free. 0 where there is no undercut.
    max_depth_mm : float
        Largest depth that a neighbouring vertex confirms.
    lattice : Lattice
    """

    direction: NDArray[np.float64]
    base_normal: NDArray[np.float64]
    base_z: float
    volume_mm3: float
    depth_mm: NDArray[np.float64]
    max_depth_mm: float
    lattice: Lattice

    def void_places(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return where void lies: points (k, 3) in file coordinates and volumes (k,) in mm³."""
        columns, rows = np.nonzero(self.lattice.void > 0.0)
        volumes = self.lattice.void[columns, rows] * self.lattice.pitch_mm**2
        return self.lattice.cell_points(columns, rows), volumes

    def areas_by_gauge(
        self, mesh: Mesh, label: NDArray[np.int64], labels: int
    ) -> NDArray[np.float64]:
        """Return the surface at least as deep as each gauge, shape (labels, gauges), mm².

        ``label`` (n,) gives each vertex a number in ``range(labels)``.
        """
        areas = np.zeros((labels, len(GAUGES_MM)))
        band_areas(mesh.vertices, mesh.faces, self.depth_mm, np.array(GAUGES_MM), label, areas)
        return areas


def base_plane(
    direction: NDArray[np.float64],
    base_z: float | None,
    base_normal: NDArray[np.float64] | None,
    vertices: NDArray[np.float64],
) -> tuple[NDArray[np.float64], float]:
    """Return the base plane's unit normal and offset; below the surface when not given."""
    normal = np.asarray(direction if base_normal is None else base_normal, dtype=np.float64)
    normal = normal / np.linalg.norm(normal)
    if float(normal @ direction) <= 0.2 * float(np.linalg.norm(direction)):
        raise GeometryError(
            "the base plane stands nearly along the removal direction; give a plane across it"
        )
    offset = float((vertices @ normal).min()) if base_z is None else float(base_z)
    return normal, offset


def usual_pitch(points: NDArray[np.float64]) -> float:
    """Return the lattice pitch for a body: some 400,000 lines, between 0.04 and 0.1 mm."""
    wide, deep = np.diff(extent(points), axis=0)[0, :2]
    return float(np.clip(np.sqrt(wide * deep / 4e5), 0.04, 0.1))


def measure(
    mesh: Mesh,
    direction: NDArray[np.float64],
    base_z: float | None = None,
    *,
    base_normal: NDArray[np.float64] | None = None,
    pitch_mm: float | None = None,
    depths: bool = True,
) -> Undercut:
    """Measure the undercut of a surface.

    Parameters
    ----------
    mesh : Mesh
        One piece, wound alike (either way round); open or closed.
    direction : (3,) float64
        The way the appliance is drawn off; on an arch, ``frame.occlusal``.
    base_z : float, optional
        Offset of the base plane along its normal; the lowest point when not given.
    base_normal : (3,) float64, optional
        Normal of the base plane; the direction when not given.
    pitch_mm : float, optional
        Distance of the lattice lines; 0.1 on an arch, down to 0.04 on small bodies,
        more where the surface lies over itself many times, when not given.
    depths : bool
        Whether to find the depth at each vertex; zeros when not.

    Returns
    -------
    Undercut

    Raises
    ------
    GeometryError
        The direction has no length, or lies in the base plane.
    """
    basis = basis_along(direction, own_axes(mesh.vertices))
    along = basis[2]
    normal, offset = base_plane(along, base_z, base_normal, mesh.vertices)
    points = along_basis(mesh.vertices, basis)
    turned = basis @ normal
    if pitch_mm is None:
        refuse_too_large(np.diff(extent(points), axis=0)[0], usual_pitch(points))
        least = bearable_pitch(shadow(points, mesh.faces, 0.0), MOST_CROSSINGS)
        pitch_mm = max(usual_pitch(points), least)
    lattice = cast(points, mesh.faces, basis, pitch_mm, (turned, offset))
    depth = np.zeros(len(points))
    if depths:
        under = (offset - points[:, 0] * turned[0] - points[:, 1] * turned[1]) / turned[2]
        reach = int(np.ceil(_DEEPEST_MM / pitch_mm))
        found = np.empty(len(points))
        vertex_depths(
            points, under, lattice.top, lattice.first[0], lattice.first[1], pitch_mm, reach, found
        )  # fmt: skip
        calm(found, mesh.faces, depth)
    return Undercut(
        direction=along,
        base_normal=normal,
        base_z=offset,
        volume_mm3=float(lattice.void.sum() * pitch_mm**2),
        depth_mm=depth,
        max_depth_mm=float(depth.max(initial=0.0)),
        lattice=lattice,
    )
