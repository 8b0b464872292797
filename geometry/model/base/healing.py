"""Make a scan's surface fit for a solid, once: no crossings, no tunnels, no bridges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geometry.model.surface.halfedges import compact
from geometry.model.surface.kinds import FILL, SCAN
from geometry.model.surface.mending import Spot, joined_spots, mend_crossings, mend_handles
from geometry.model.surface.ordering import ordered
from geometry.model.surface.skin import Skin, zipped
from geometry.topology import Topology


@dataclass(frozen=True, slots=True)
class Healed:
    """A scan's surface after mending.

    Attributes
    ----------
    skin : Skin
        Faces are tagged ``SCAN`` or, where they were patched, ``FILL``.
    spots : list of Spot
        What was mended, file coordinates.
    """

    skin: Skin
    spots: list[Spot]


def heal(topology: Topology) -> Healed:
    """Mend the main piece of a scan; it depends on nothing that a person may choose.

    Raises
    ------
    GeometryError
        The scan passes through itself almost everywhere.
    """
    main = topology.main
    kind = np.full(len(main.faces), SCAN, dtype=np.int8)
    whole = ordered(zipped(Skin(main.vertices, main.faces, kind, topology.opposite)))
    # With more pairs that cross than triangles it would be refused in the end all the same.
    crossings = mend_crossings(whole, FILL, most=len(main.faces))
    handles = mend_handles(crossings.skin, FILL, SCAN)
    spots = crossings.spots + handles.spots
    skin = handles.skin
    if handles.spots:
        again = mend_crossings(skin, FILL, whole=False)
        skin, spots = again.skin, joined_spots(spots + again.spots)
    vertices, faces, _ = compact(skin.vertices, skin.faces)
    return Healed(Skin(vertices, faces, skin.kind, skin.opposite), spots)
