"""A quick look at a model while somebody nudges its settings."""

from __future__ import annotations

from collections import OrderedDict

import fast_simplification
import numpy as np

from geometry.axes import ArchAxes
from geometry.dentition import Dentition
from geometry.mesh import Mesh
from geometry.model.base.healing import heal
from geometry.model.making import Known, build, look
from geometry.model.prepared import PreparedModel
from geometry.model.settings import ModelSettings
from geometry.topology import analyse

LIGHT_FACES = 60_000
COARSE = 0.3
KEPT = 4

# The last scans looked at: a nudge comes for the same mesh object again and again.
_seen: OrderedDict[tuple[int, str | None], tuple[Mesh, Known]] = OrderedDict()


def preview(
    mesh: Mesh,
    settings: ModelSettings,
    *,
    frame: ArchAxes | None = None,
    dentition: Dentition | None = None,
) -> PreparedModel:
    """Make a lighter model of a scan, quickly.

    Same steps as :func:`geometry.model.prepare` on a decimated surface and a coarser
    block-out lattice, but the block-out only lies in the solid, not united with it: it is
    for looking at, not for printing. What a scan is (frame, teeth, light and mended
    surface) is kept for the next nudge of the same ``mesh``.

    Raises
    ------
    GeometryError
        As for :func:`geometry.model.prepare`.
    """
    key = (id(mesh), settings.arch)
    if key in _seen and _seen[key][0] is mesh:
        _seen.move_to_end(key)
        known = _seen[key][1]
    else:
        known = _lighter(look(mesh, settings.arch, frame, dentition))
        _seen[key] = (mesh, known)
        while len(_seen) > KEPT:
            _seen.popitem(last=False)
    return build(known, settings, COARSE, quick=True)


def _lighter(known: Known) -> Known:
    main = known.topology.main
    if len(main.faces) <= LIGHT_FACES:
        return known
    centre = main.vertices.mean(axis=0)
    points, faces = fast_simplification.simplify(
        (main.vertices - centre).astype(np.float32), main.faces, target_count=LIGHT_FACES
    )
    light = Mesh(points.astype(np.float64) + centre, np.ascontiguousarray(faces, dtype=np.int32))
    topology = analyse(light, self_intersections=False)
    return Known(topology, known.frame, known.dentition, heal(topology))
