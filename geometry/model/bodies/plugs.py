"""Plugs for shafts that run through a model down to its base.

What fills an undercut can wall in a narrow shaft between itself and the surface. Where it is open
above and below, it makes a ring of the model that no cut away from the base would open.
"""

from __future__ import annotations

import manifold3d
import numpy as np
import shapely
from numpy.typing import NDArray

from geometry.model.bodies.combining import rims
from geometry.model.surface.halfedges import Faces
from geometry.model.surface.mending import TUNNEL, Spot

Array = NDArray[np.float64]

LEAST, LARGEST = 0.01, 20.0
"""Openings in the base of so much, mm², are plugged: less is a sliver, more no shaft."""
HEIGHT = 1.0
OVER = 0.1
"""A plug reaches so far, mm, into the walls of its shaft."""


def plugs(vertices: Array, faces: Faces) -> tuple[list[manifold3d.Manifold], list[Spot]]:
    """Return what closes the small openings in a solid's base, and where they are.

    Parameters
    ----------
    vertices, faces
        Closed solid standing on z = 0.
    """
    base = faces[(vertices[faces, 2] == 0.0).all(axis=1)]
    areas = []
    if len(base):
        areas = [shapely.Polygon(vertices[line, :2]) for line in rims(vertices, base)]
    if len(areas) < 2:
        return [], []
    outline = max(areas, key=lambda area: area.area)
    bodies, spots = [], []
    for area in areas:
        if area is outline or not (area.is_valid and LEAST < area.area < LARGEST):
            continue
        plug = area.buffer(OVER).intersection(outline)
        if not isinstance(plug, shapely.Polygon):
            continue
        rings = [np.asarray(ring.coords)[:-1] for ring in (plug.exterior, *plug.interiors)]
        section = manifold3d.CrossSection(rings, manifold3d.FillRule.EvenOdd)
        bodies.append(manifold3d.Manifold.extrude(section, HEIGHT))
        low, high = np.reshape(plug.bounds, (2, 2))
        at = np.append((low + high) / 2.0, HEIGHT / 2.0)
        spots.append(Spot(TUNNEL, at, float(np.linalg.norm(np.append(high - low, HEIGHT)))))
    return bodies, spots
