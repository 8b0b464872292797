"""What is added to a finished solid on request: bar, code, cavity."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import manifold3d
import numpy as np
from numpy.typing import NDArray

from geometry.errors import GeometryError
from geometry.mesh import Mesh
from geometry.model.additions.bar import bar_between_ends, is_horseshoe
from geometry.model.additions.baseplan import outline
from geometry.model.additions.hollow import hollow_out
from geometry.model.additions.identity import BACK, HEEL, Identity, write_code
from geometry.model.bodies.combining import combine
from geometry.model.bodies.solids import as_written, new_faces
from geometry.model.changes import BAR, CODE, Cover
from geometry.model.settings import ModelSettings
from geometry.model.surface.halfedges import Faces, genus
from geometry.model.surface.mending import crossings_near, mend_crossings
from geometry.model.surface.skin import skin_of
from geometry.model.undercuts.heights import Grid, top_heights

Array = NDArray[np.float64]

HEIGHT_PITCH = 0.2


def add_extras(
    vertices: Array,
    faces: Faces,
    settings: ModelSettings,
    warnings: list[str],
    remarks: list[str],
) -> tuple[Array, Faces, dict[str, Any], list[Cover]]:
    """Add a bar, a code and a cavity as the settings ask.

    Parameters
    ----------
    vertices, faces
        Closed solid standing on z = 0.
    settings : ModelSettings
    warnings : list of str
        Grows by what could not be done.
    remarks : list of str
        Grows by what is good to know and asks for no decision.

    Returns
    -------
    vertices, faces
    record : dict
        Keys ``bar``, ``identity`` and ``hollow`` of the report.
    covers : list of Cover
        Where bar and pads lie, which may hide some of the scan.

    Raises
    ------
    GeometryError
        The result would cross itself.
    """
    plan = outline(vertices, faces)
    record: dict[str, Any] = {"bar": False, "identity": None, "hollow": None}
    added: list[manifold3d.Manifold] = []
    cut: list[manifold3d.Manifold] = []
    covers: list[Cover] = []
    back = None
    if settings.bar:
        found = bar_between_ends(plan)
        if found is None:
            warnings.append("the base has no two ends to join with a bar")
        else:
            added.append(found[0])
            covers.append(_cover(BAR, found[0]))
            back = found[1]
            record["bar"] = True
    elif is_horseshoe(plan):
        remarks.append(
            "a plain horseshoe base can change its width after printing; a bar between its ends"
            " prevents that"
        )
    identity = Identity()
    if settings.text:
        heights = _heights(vertices, faces)
        identity = write_code(plan, settings.text, settings.lettering, back, heights)
    if settings.hollow is not None:
        cavity = hollow_out(vertices, faces, settings.hollow, identity.sunk)
        if cavity is None:
            warnings.append("the model is too thin to hollow out; it stays solid")
        else:
            cut.append(cavity.body)
            record["hollow"] = {
                "wall_mm": settings.hollow,
                "saved_mm3": round(cavity.volume, 1),
                "drains": [[round(x, 2), round(y, 2)] for x, y in cavity.drains],
            }
    if not added and not cut and not settings.text:
        return vertices, faces, record, covers
    before = vertices
    if settings.text:
        again = partial(write_code, plan, settings.text, settings.lettering, back, heights)
        identity, vertices, faces = _with_code(
            vertices, faces, identity, again, settings, added, cut
        )
        covers += [_cover(CODE, pad) for pad in identity.pads]
        (remarks if identity.places else warnings).extend(identity.notes)
        record["identity"] = {"text": settings.text, "places": identity.places}
    else:
        vertices, faces = as_written(*combine(vertices, faces, added, cut))
    fresh = new_faces(vertices, faces, before)
    crossings, _ = crossings_near(Mesh(vertices, faces), fresh, fresh)
    if crossings:
        kind = np.zeros(len(faces), dtype=np.int8)
        mended = mend_crossings(skin_of(Mesh(vertices, faces), kind), patch=1)
        vertices, faces = as_written(mended.skin.vertices, mended.skin.faces)
        fresh = new_faces(vertices, faces, before)
        crossings, _ = crossings_near(Mesh(vertices, faces), fresh, fresh)
    if crossings:
        raise GeometryError(
            "the code, bar or cavity could not be joined to the model cleanly; leave it out or"
            " change the height"
        )
    return vertices, faces, record, covers


def _with_code(
    vertices: Array,
    faces: Faces,
    identity: Identity,
    again: Callable[[Sequence[str]], Identity],
    settings: ModelSettings,
    added: list[manifold3d.Manifold],
    cut: list[manifold3d.Manifold],
) -> tuple[Identity, Array, Faces]:
    """Add a code and other bodies to a solid, and cut others out of it.

    A pad that would close a loop with what hangs over it is left out: ``again`` lays the code
    out without the pads on some faces.
    """
    handles = genus(faces) + int(settings.bar)
    for without in (), (BACK,), (HEEL,), (BACK, HEEL):
        identity = again(without) if without else identity
        made_v, made_f = vertices, faces
        if added or cut or identity.added or identity.cut:
            made_v, made_f = as_written(
                *combine(vertices, faces, added + identity.added, cut + identity.cut)
            )
        # The drains of a hollow model make loops of their own.
        if settings.hollow is not None or not identity.pads or genus(made_f) <= handles:
            break
    return identity, made_v, made_f


def _cover(what: str, body: manifold3d.Manifold) -> Cover:
    box = np.array(body.bounding_box(), dtype=np.float64)
    return Cover(what, box[:3], box[3:])


def _heights(vertices: Array, faces: Faces) -> Callable[[Array], Array]:
    """Return the height of a solid over points in plan, on a grid."""
    grid = Grid.over(vertices, HEIGHT_PITCH, 1.0)
    field = top_heights(vertices, faces, grid, empty=0.0)

    def at(points: Array) -> Array:
        i = np.clip(np.round((points[:, 0] - grid.x0) / grid.pitch).astype(int), 0, grid.nx - 1)
        j = np.clip(np.round((points[:, 1] - grid.y0) / grid.pitch).astype(int), 0, grid.ny - 1)
        return field[i, j].astype(np.float64)

    return at
