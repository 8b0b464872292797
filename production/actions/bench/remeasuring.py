"""Measure a stored model before it is used again."""

from __future__ import annotations

import math

import numpy as np
from django.db import transaction
from django.utils import timezone

from clinic.models import User, record
from clinic.permissions import require
from geometry.reading import read_mesh
from production.actions.errors import Refused
from production.actions.recording import locked
from production.bench.stored import TOLERANCE_MM, stored_print
from production.models import Appliance

PLAUSIBLE_MM = (5.0, 150.0)


def size_wanted(appliance: Appliance) -> tuple[float, float] | None:
    """Return the width and the depth of the model's file, mm, or None without a model."""
    model = appliance.model
    if model is None or model.file is None:
        return None
    size = (model.report or {}).get("size_mm")
    if size is None:  # made before sizes were kept
        mesh = read_mesh(model.file.read(), f"model {appliance.code}").mesh
        size = np.ptp(mesh.vertices, axis=0).tolist()
    return round(size[0], 1), round(size[1], 1)


def remeasure(user: User, appliance: Appliance, width: float, depth: float) -> Appliance:
    """Record what a stored model measures; it fits within ``TOLERANCE_MM`` of its file.

    Parameters
    ----------
    width, depth : float
        Of the printed model: where it is widest, and from front to back, mm.

    Raises
    ------
    Refused
        It is not a stored model, or a length is no length of an arch.
    """
    require(user, "bench")
    low, high = PLAUSIBLE_MM
    measured = (width, depth)
    if not all(math.isfinite(x) and low <= x <= high for x in measured):
        raise Refused(f"A model measures between {low:g} and {high:g} mm; measure again.")
    wanted = size_wanted(appliance)  # may read a large file: not while others wait to write
    with transaction.atomic():
        row = locked(appliance, "remake_of")
        if wanted is None or stored_print(row) is None:
            raise Refused(f"{row.code} is not made on a stored model; nothing is to be measured.")
        off = max(abs(a - b) for a, b in zip(measured, wanted, strict=True))
        found = {
            "at": timezone.now().isoformat(),
            "by": user.pk,
            "who": str(user),
            "measured_mm": list(measured),
            "wanted_mm": list(wanted),
            "off_mm": round(off, 3),
            "fits": off <= TOLERANCE_MM + 1e-9,
        }
        Appliance.objects.filter(pk=row.pk).update(remeasured=found)
        record(user, "stored model measured", row, off_mm=found["off_mm"], fits=found["fits"])
        appliance.remeasured = found
        return appliance
