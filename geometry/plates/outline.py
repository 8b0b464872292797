"""The true footprint of a solid: its shadow on the plate."""

from __future__ import annotations

import manifold3d
import numpy as np
import shapely

from geometry.errors import GeometryError
from geometry.mesh import Mesh

ALLOWANCE_MM = 0.02
"""How far an outline may run outside the exact shadow, so that it has few corners."""


def footprint(solid: Mesh) -> tuple[shapely.Polygon, bool]:
    """Project a solid on its plate.

    Parameters
    ----------
    solid : Mesh
        Standing on the plate, mm; projected along z.

    Returns
    -------
    outline : shapely.Polygon
        Contains the whole shadow and lies within 0.04 mm of it. Holes are closed:
        nothing is nested where it would have to be lifted over another model. When the
        solid has several separate parts they are joined by their convex hull.
    closed : bool
        Whether the mesh is a closed, consistently wound surface.

    Raises
    ------
    GeometryError
        When nothing with an area is left.
    """
    shadow, closed = _shadow(solid)
    outline = shadow if shadow.geom_type == "Polygon" else shadow.convex_hull
    if outline.geom_type != "Polygon" or outline.area <= 0.0:
        raise GeometryError("the model has no footprint; stand it on the plate and save it again")
    outer = shapely.Polygon(outline.exterior)
    # Grown, then simplified by no more than it grew: the shadow stays inside.
    grown = outer.buffer(ALLOWANCE_MM, join_style="mitre", mitre_limit=2.0)
    small = grown.simplify(0.9 * ALLOWANCE_MM)
    return shapely.Polygon(small.exterior), closed


def _shadow(solid: Mesh) -> tuple[shapely.Geometry, bool]:
    body = manifold3d.Manifold(
        manifold3d.Mesh(
            vert_properties=np.ascontiguousarray(solid.vertices, dtype=np.float32),
            tri_verts=np.ascontiguousarray(solid.faces, dtype=np.uint32),
        )
    )
    if body.status() == manifold3d.Error.NoError and not body.is_empty():
        rings = [shapely.Polygon(ring) for ring in body.project().to_polygons() if len(ring) > 2]
        # Rings of holes fill up here, which is what an outline wants.
        return shapely.union_all([ring.buffer(0) for ring in rings]), True
    flat = solid.vertices[solid.faces][:, :, :2]
    edge_a, edge_b = flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]
    area = edge_a[:, 0] * edge_b[:, 1] - edge_a[:, 1] * edge_b[:, 0]
    return shapely.union_all(shapely.polygons(flat[np.abs(area) > 1e-9]), grid_size=1e-6), False
