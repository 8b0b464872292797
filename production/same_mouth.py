"""Whether a scan shows the mouth that is on record for its patient."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.utils import timezone

from geometry.compare import compare
from geometry.errors import GeometryError
from geometry.inspection import Finding, with_more
from geometry.reading import read_mesh
from production import work
from production.models import Scan

LONG_AGO_DAYS = 60
"""Treatment may have moved the teeth since (common practice, no source); said, not forgiven."""
LOOKED_AT = 5


def begin(scan: Scan) -> None:
    """Add to the report what the record says of the file; ask for the comparison if one is due.

    Call inside the transaction that stores the report; the caller saves the scan.
    """
    assert scan.report is not None
    more = []
    elsewhere = Scan.objects.filter(file=scan.file, set_aside_at=None).exclude(
        patient=scan.patient, arch=scan.arch
    )
    if twin := elsewhere.select_related("patient").first():
        whose = (
            f"as the {twin.arch} arch of this patient"
            if twin.patient_id == scan.patient_id
            else f"for another patient (chart {twin.patient.chart_number})"
        )
        more.append(
            Finding(
                "file_elsewhere",
                "stop",
                f"This very file is on record {whose}. Find out whose scan it is, set the wrong "
                "one aside and upload the right file.",
            )
        )
    scan.report = with_more(scan.report, more)
    earlier = earlier_scan(scan)
    if earlier is not None and scan.report["frame"] is not None:
        scan.report["same_mouth"] = {
            "status": "comparing",
            "scan": earlier.pk,
            "taken": earlier.uploaded_at.isoformat(),
        }
        work.ask("mouth", scan.pk)


def earlier_scan(scan: Scan) -> Scan | None:
    """Return the newest earlier scan of the patient's arch that is known to be theirs."""
    candidates = (
        Scan.objects.filter(
            patient=scan.patient,
            arch=scan.arch,
            status=Scan.Status.INSPECTED,
            set_aside_at=None,
            uploaded_at__lt=scan.uploaded_at,
        )
        .exclude(file=scan.file)
        .select_related("file")
        .prefetch_related("acceptances")
        .order_by("-uploaded_at")[:LOOKED_AT]
    )
    for candidate in candidates:
        report = candidate.report or {}
        codes = {finding["code"] for finding in report.get("findings", [])}
        doubted = codes & {"other_mouth", "file_elsewhere"} and candidate.acceptance is None
        if report.get("frame") is not None and not doubted:
            return candidate
    return None


def compare_with_earlier(scan: Scan, earlier: Scan) -> dict[str, Any]:
    """Compare the two files; return the answer for the report, outside any transaction."""
    meshes = [
        read_mesh(s.file.read(), f"{s.get_arch_display().lower()} scan", s.units or None).mesh
        for s in (earlier, scan)
    ]
    try:
        found = compare(*meshes)
    except GeometryError as error:
        return {"same_mouth": "unsure", "probability": None, "reason": str(error)}
    return {key: found[key] for key in ("same_mouth", "probability", "reason", "crown_shift_mm")}


def conclude(scan: Scan, answer: dict[str, Any] | None) -> None:
    """Put the answer on record; None when the comparison did not finish. The caller saves."""
    assert scan.report is not None
    same = scan.report["same_mouth"]
    scan.report["same_mouth"] = {
        **same,
        "status": "compared" if answer else "failed",
        **(answer or {}),
    }
    finding = _finding(scan, answer)
    if finding:
        scan.report = with_more(scan.report, [finding])
    scan.verdict = scan.report["verdict"]


def _finding(scan: Scan, answer: dict[str, Any] | None) -> Finding | None:
    assert scan.report is not None
    taken = dt.datetime.fromisoformat(scan.report["same_mouth"]["taken"])
    days = (scan.uploaded_at - taken).days
    before = f"{scan.arch} scan of {timezone.localtime(taken):%-d %B %Y, %H:%M}"
    aged = (
        f" It is {days} days old: treatment may have moved the teeth."
        if (days > LONG_AGO_DAYS)
        else ""
    )
    if answer is None:
        return Finding(
            "mouth_unsure",
            "check",
            f"The comparison with the {before} did not finish. Confirm name and date of birth "
            "with the patient and look at both scans.",
        )
    if answer["same_mouth"] == "no":
        return Finding(
            "other_mouth",
            "stop",
            f"Not the mouth of the {before}: {answer['reason']}. Check the name on the scanner. "
            f"Set the wrong scan aside and rescan, or a doctor accepts this one.{aged}",
            measured=answer["probability"],
        )
    if answer["same_mouth"] == "unsure":
        return Finding(
            "mouth_unsure",
            "check",
            f"Not certain that this is the mouth of the {before}: {answer['reason']}. Confirm "
            f"name and date of birth with the patient.{aged}",
            measured=answer["probability"],
        )
    return None
