"""Make a print-ready model from a stored scan or step file, and keep how it was made."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from clinic.models import Office
from geometry.drawing import draw_solid, mesh_glb
from geometry.model import ENGINE, ModelSettings, prepare
from geometry.model import PreparedModel as Solid
from geometry.reading import read_mesh
from production import storage
from production.models import PreparedModel, StoredFile

PICTURE_SIZE = (960, 720)


@dataclass(frozen=True)
class Prepared:
    """A made model, computed but not yet on record."""

    report: dict[str, Any]
    file: StoredFile
    view: StoredFile
    picture: StoredFile

    def fill(self, model: PreparedModel) -> None:
        """Set the result on ``model`` without saving it."""
        model.report = self.report
        model.file = self.file
        model.view = self.view
        model.picture = self.picture
        model.engine = ENGINE
        model.status = PreparedModel.Status.MADE
        model.problem = ""

    def save(self, model: PreparedModel) -> None:
        """Put the result on record; call inside the finishing transaction."""
        self.fill(model)
        model.save(
            update_fields=["report", "file", "view", "picture", "engine", "status", "problem"]
        )


def default_settings(code: str, arch: str, sheet_mm: float | None = None) -> dict[str, Any]:
    """Return the office's usual settings for a model, ready to be stored."""
    office = Office.get()
    settings = ModelSettings(
        arch=arch,
        height=office.cut_height_mm,
        block_out=office.block_out_depth_mm,
        text=code,
        sheet=sheet_mm or 1.0,
    )
    return asdict(settings)


def model_glb(made: Solid) -> bytes:
    """Return a solid for the 3D view, with ``_FILLED`` 1 at the vertices of its block-out."""
    filled = np.zeros(len(made.solid.vertices), dtype=np.float32)
    filled[made.solid.faces[made.filled]] = 1.0
    return mesh_glb(made.solid, {"filled": filled})


def prepare_stored(model: PreparedModel) -> Prepared:
    """Make the solid of a stored model request, outside any transaction.

    Raises
    ------
    geometry.errors.GeometryError
        It cannot be made safely; the message says why and what to do.
    """
    source = model.scan.file if model.scan else model.source
    assert source is not None
    units = model.scan.units if model.scan else ""
    mesh = read_mesh(source.read(), "model file", units or None).mesh
    result = prepare(mesh, ModelSettings(**model.settings))
    size = np.ptp(result.solid.vertices, axis=0)
    return Prepared(
        report=result.report | {"size_mm": [round(float(x), 1) for x in size]},
        file=storage.store_bytes(result.stl(), "model/stl"),
        view=storage.store_bytes(model_glb(result), "model/gltf-binary"),
        picture=storage.store_bytes(draw_solid(result.solid, *PICTURE_SIZE), "image/png"),
    )
