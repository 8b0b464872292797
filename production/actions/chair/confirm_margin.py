"""A person at the chair confirms the gum line where the inspection was not certain, or marks it."""

from __future__ import annotations

from typing import Any

import numpy as np
from django.db import transaction
from django.utils import timezone
from numpy.typing import NDArray

from clinic.models import Office, User, record
from clinic.permissions import require
from geometry.inspection import Finding, rounded_down, with_more
from production import work
from production.actions.errors import Refused
from production.inspecting import limits
from production.models import Scan

MOST_MARKS = 200
BESIDE_MM = 15.0
"""A scan's border farther to the side than this belongs to another wall (common practice)."""


def gum_below(overlays: dict[str, Any], marks: NDArray[np.float64]) -> list[float | None]:
    """Return the gum that was captured below marks on its edge.

    Parameters
    ----------
    overlays : dict
        ``frame`` and the ``border`` lines of an inspection.
    marks : (n, 3) array
        Places on the gum edge, file coordinates, mm.

    Returns
    -------
    list of float or None
        Height along the occlusal axis from each mark to the border beside it, mm; None where
        the frame is not known or no border is near.
    """
    axis = (overlays.get("frame") or {}).get("occlusal")
    lines = [x["points"] for x in overlays.get("lines", []) if x["layer"] == "border"]
    if axis is None or not lines:
        return [None] * len(marks)
    up = np.asarray(axis, dtype=float)
    border = np.concatenate([np.asarray(line, dtype=float) for line in lines])
    way = marks[:, None, :] - border[None, :, :]
    height = way @ up
    aside = np.linalg.norm(way - height[..., None] * up, axis=2)
    aside[height < 0] = np.inf  # what lies above the mark is not where its gum ends
    nearest = aside.argmin(axis=1)
    rows = np.arange(len(marks))
    return [
        round(float(h), 2) if a <= BESIDE_MM else None
        for h, a in zip(height[rows, nearest], aside[rows, nearest], strict=True)
    ]


def confirm_margin(user: User, scan: Scan, points: list[list[float]]) -> None:
    """Record that the gum line is right (no ``points``) or where it really runs.

    A mark with less gum below it than the least the office asks for is a stopping finding, as
    if the inspection had measured it. A later answer takes the place of an earlier one.

    Raises
    ------
    Refused
        The marks are no places, or the scan was not inspected.
    """
    require(user, "upload_scans")
    marks = np.asarray(points, dtype=float).reshape(-1, 3) if points else np.empty((0, 3))
    if len(marks) > MOST_MARKS or not np.isfinite(marks).all():
        raise Refused("The marks could not be read; load the page and mark again.")
    with transaction.atomic():
        row = Scan.objects.select_for_update().get(pk=scan.pk)
        if row.report is None:
            raise Refused("The scan is not inspected yet.")
        captured = gum_below(row.overlays or {}, marks)
        added = (row.margin_confirmed or {}).get("added", [])
        bare = row.report | {"findings": [f for f in row.report["findings"] if f not in added]}
        short = _short(marks, captured, limits(Office.get()).tissue_least_mm)
        row.report = with_more(bare, short)
        row.verdict = row.report["verdict"]
        row.margin_confirmed = {
            "by": user.pk,
            "who": str(user),
            "at": timezone.now().isoformat(),
            "points": marks.round(3).tolist(),
            "captured_mm": captured,
            "correct": not len(marks),
            "added": [finding.as_dict() for finding in short],
        }
        row.save(update_fields=["report", "verdict", "margin_confirmed"])
        record(user, "margin confirmed", row, points=len(marks), verdict=row.verdict)
        work.ask("plan", coalesce=True)


def _short(marks: NDArray[np.float64], captured: list[float | None], least: float) -> list[Finding]:
    """Return a stopping finding for the mark with the least gum, if it is too little."""
    known = [(gum, k) for k, gum in enumerate(captured) if gum is not None]
    if not known or min(known)[0] >= least:
        return []
    gum, k = min(known)
    return [
        Finding(
            "short_tissue",
            "stop",
            f"{rounded_down(gum):.1f} mm of gum below the gum edge as it was marked, "
            f"{least:g} mm is the least. Dry, hold the cheek or tongue away and rescan 2–3 s.",
            gum,
            least,
            "mm",
            at=(float(marks[k, 0]), float(marks[k, 1]), float(marks[k, 2])),
        )
    ]
