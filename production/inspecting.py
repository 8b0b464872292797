"""Run the inspection on a stored scan and keep what it found."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

from django.utils import timezone

from clinic.models import Office
from geometry.inspection import Limits, inspect_scan
from production import same_mouth, storage, work
from production.actions.chair.prepare_model import prepare_moved
from production.actions.chair.scanning import scan_became_usable
from production.models import Scan, StoredFile

PICTURE_SIZE = (960, 720)


@dataclass(frozen=True)
class Inspected:
    """The result of one inspection, computed but not yet on record."""

    report: dict[str, Any]
    overlays: dict[str, Any]
    view: StoredFile
    picture: StoredFile

    def save(self, scan: Scan) -> None:
        """Put the result on record; call inside the finishing transaction."""
        scan.report = self.report
        scan.overlays = self.overlays
        scan.view = self.view
        scan.picture = self.picture
        same_mouth.begin(scan)
        scan.verdict = scan.report["verdict"]
        scan.status = Scan.Status.INSPECTED
        scan.problem = ""
        scan.inspected_at = timezone.now()
        scan.save(
            update_fields=[
                "report", "overlays", "view", "picture", "verdict", "status", "problem",
                "inspected_at",
            ]
        )  # fmt: skip
        moved = scan_became_usable(scan.uploaded_by, scan)
        prepare_moved(scan.uploaded_by, moved)
        work.ask("plan", coalesce=True)


def limits(office: Office) -> Limits:
    """Return the office's limits for the inspection."""
    return Limits(tissue_mm=office.tissue_limit_mm)


def inspect_stored(scan: Scan) -> Inspected:
    """Compute the inspection of a stored scan, outside any transaction.

    Raises
    ------
    geometry.errors.ScanFileError
        The file is not a scan that can be read.
    """
    office = Office.get()
    result = inspect_scan(
        scan.file.read(),
        f"{scan.get_arch_display().lower()} scan",
        arch=scan.arch,
        units=scan.units or None,
        limits=limits(office),
    )
    # The patient waits for both: they are drawn side by side.
    with ThreadPoolExecutor(max_workers=1) as beside:
        drawing = beside.submit(result.picture, *PICTURE_SIZE)
        view = result.view_glb()
        picture = drawing.result()
    return Inspected(
        report=result.report,
        overlays=result.overlays() | {"cut_mm": office.cut_height_mm},
        view=storage.store_bytes(view, "model/gltf-binary"),
        picture=storage.store_bytes(picture, "image/png"),
    )
