"""A quick look at a model with other settings; nothing is stored."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from geometry.mesh import Mesh
from geometry.model import ModelSettings, preview
from geometry.reading import read_mesh
from production.models import PreparedModel, StoredFile
from production.preparing import model_glb

KEPT = 4


@lru_cache(maxsize=KEPT)
def _mesh(sha256: str, units: str) -> Mesh:
    """Read a scan once for a row of nudges."""
    file = StoredFile.objects.get(sha256=sha256)
    return read_mesh(file.read(), "model file", units or None).mesh


def preview_model(model: PreparedModel, changes: dict[str, Any]) -> tuple[bytes, dict[str, Any]]:
    """Return the solid as GLB and its report, with ``changes`` on the model's settings.

    Raises
    ------
    geometry.errors.GeometryError
        The settings are out of range, or no solid can be made with them.
    """
    file = model.scan.file if model.scan else model.source
    assert file is not None
    units = model.scan.units if model.scan else ""
    made = preview(_mesh(file.sha256, units), ModelSettings(**(model.settings | changes)))
    return model_glb(made), made.report
