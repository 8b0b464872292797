"""Reads about scans: what the chairside page and the scan page show."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import count, zip_longest
from typing import Any

from django.db.models import Prefetch, QuerySet
from django.utils import timezone

from clinic.models import Patient
from geometry.inspection import rounded_down
from production.models import Acceptance, Appliance, Scan, Work

SEVERITY = {"stop": ("bad", "stop"), "check": ("warn", "warn"), "note": ("", "info")}
UNCERTAIN = "margin_uncertain"
NOTES_SHOWN = 4
LONG = dt.timedelta(seconds=20)
"""An inspection begins within a second where the worker runs."""
MARK_REACH_MM = 10.0
"""How far from an uncertain place a mark still speaks of it: about a tooth (common practice)."""
DECIDED = ("acceptances", "acceptances__taken_back_at")
FROM_THE_RECORD = {"file_elsewhere", "mouth_unsure", "other_mouth"}
VERDICTS = {
    "pass": ("good", "ok", "Pass"),
    "check": ("warn", "question", "Check"),
    "rescan": ("bad", "stop", "Rescan"),
}


@dataclass(frozen=True)
class ScanView:
    """A scan with what a page needs to say about it."""

    scan: Scan
    work: Work | None
    findings: list[dict[str, Any]]
    acceptance: Acceptance | None

    @property
    def verdict(self) -> tuple[str, str, str]:
        """Class, icon and word of the verdict."""
        return VERDICTS.get(self.scan.verdict, ("", "clock", "Waiting"))

    @property
    def taken_back(self) -> Acceptance | None:
        """The acceptance that was taken back last, where none stands since."""
        gone = [a for a in self.scan.acceptances.all() if a.taken_back_at]
        if self.acceptance or not gone:
            return None
        return max(gone, key=lambda a: a.taken_back_at or a.at)

    @property
    def blocks(self) -> bool:
        """Whether production waits because of this scan."""
        return (
            self.scan.verdict == "rescan"
            and self.acceptance is None
            and self.scan.set_aside_at is None
        )

    @property
    def to_rescan(self) -> list[dict[str, Any]]:
        """Findings for the person with the scanner in hand."""
        return [f for f in self.findings if f["severity"] != "note"]

    @property
    def notes(self) -> list[dict[str, Any]]:
        """Findings that only the lab needs."""
        return [f for f in self.findings if f["severity"] == "note"]

    @property
    def folded(self) -> list[dict[str, Any]]:
        """Notes that are folded away where they are many: what is to be decided stands below."""
        return self.notes if len(self.notes) > NOTES_SHOWN else []

    @property
    def shown(self) -> list[dict[str, Any]]:
        """The findings that are in sight at once."""
        return self.to_rescan if self.folded else self.findings

    @property
    def margin_uncertain(self) -> bool:
        """Whether a person at the chair is asked about the gum line."""
        return any(f["code"] == UNCERTAIN for f in self.findings)

    @property
    def margin_unsettled(self) -> list[dict[str, Any]]:
        """The uncertain places of which nobody has said anything yet."""
        return [f for f in self.findings if f["code"] == UNCERTAIN and not f["settled"]]

    @property
    def margin_words(self) -> str:
        """What a person said of it."""
        return margin_words(self.scan)

    @property
    def marks(self) -> str:
        """Where a person marked the gum edge, as JSON for the 3D view."""
        return json.dumps((self.scan.margin_confirmed or {}).get("points", []))

    @property
    def compared_with(self) -> dt.datetime | None:
        """When the earlier scan was taken that this one is compared with."""
        same = (self.scan.report or {}).get("same_mouth")
        return dt.datetime.fromisoformat(same["taken"]) if same else None

    @property
    def waits_long(self) -> bool:
        """Whether the person at the chair should know that the inspection has not begun."""
        return self.working and waits_long(self.work)

    @property
    def working(self) -> bool:
        """Whether an answer is still to come."""
        return self.scan.status == Scan.Status.WAITING


def waits_long(work: Work | None) -> bool:
    """Whether nobody is at an inspection that should have begun long ago."""
    if work is None:
        return False
    now = timezone.now()
    lapsed = work.status == Work.Status.RUNNING and work.lease_until and work.lease_until < now
    if work.status != Work.Status.PENDING and not lapsed:
        return False
    return now - (work.started_at or work.created_at) > LONG


def with_decisions(scans: QuerySet[Scan]) -> QuerySet[Scan]:
    """Prefetch what ``view`` reads."""
    return scans.select_related(
        "file", "view", "picture", "uploaded_by", "set_aside_by"
    ).prefetch_related(
        Prefetch("acceptances", Acceptance.objects.select_related("doctor", "taken_back_by"))
    )


def views(scans: QuerySet[Scan]) -> list[ScanView]:
    """Return the scans with findings and work, in four queries."""
    rows = list(with_decisions(scans))
    works = {
        w.subject_id: w
        for w in Work.objects.filter(kind="inspect", subject_id__in=[s.pk for s in rows]).order_by(
            "pk"
        )
    }
    return [
        ScanView(
            scan,
            works.get(scan.pk),
            number_findings(scan),
            scan.acceptance,
        )
        for scan in rows
    ]


def number_findings(scan: Scan) -> list[dict[str, Any]]:
    """Return the report's findings with their number on the picture, class and icon."""
    order = {"stop": 0, "check": 1, "note": 2}
    found = (scan.report or {}).get("findings", [])
    answer = scan.margin_confirmed or {}
    numbers = count(1)
    rows = []
    for finding in sorted(found, key=lambda f: order.get(f["severity"], 3)):
        css, icon = SEVERITY.get(finding["severity"], SEVERITY["note"])
        # What the record adds has no mark on the picture, which is counted without it.
        added = finding["code"] in FROM_THE_RECORD or finding in answer.get("added", [])
        answered = margin_words(scan, finding.get("at")) if finding["code"] == UNCERTAIN else ""
        rows.append(
            {
                **finding,
                "number": None if added else next(numbers),
                "css": "good" if answered else css,
                "icon": "ok" if answered else icon,
                "settled": answered,
            }
        )
    return rows


def margin_words(scan: Scan, place: Sequence[float] | None = None) -> str:
    """Return what a person said of an uncertain gum line, in words; empty when nobody did.

    With ``place`` (file coordinates, mm) only marks beside it count.
    """
    answer = scan.margin_confirmed
    if not answer:
        return ""
    marked = list(zip_longest(answer["points"], answer.get("captured_mm", [])))
    if place is not None:
        marked = [m for m in marked if math.dist(m[0], place) <= MARK_REACH_MM]
    if not marked and not answer["correct"]:
        return ""
    when = f"{timezone.localtime(dt.datetime.fromisoformat(answer['at'])):%H:%M}"
    by = f"{answer['who']}, {when}" if answer.get("who") else when
    if answer["correct"]:
        return f"The line is right: {by}."
    known = [gum for _, gum in marked if gum is not None]
    least = f", {rounded_down(min(known)):.1f} mm of gum below at the least" if known else ""
    number = len(marked)
    return f"Corrected at {number} place{'' if number == 1 else 's'}{least}: {by}."


def of_patient(patient: Patient, *, current: bool = True) -> list[ScanView]:
    """Return the patient's scans, upper before lower and newest first; ``current`` leaves out
    replaced ones.
    """
    scans = Scan.objects.filter(patient=patient)
    if current:
        scans = scans.filter(replaced_by=None)
    return views(scans.order_by("-arch", "-uploaded_at"))


def made_from(scan: Scan) -> list[Appliance]:
    """Return what is or was made from the scan, but for what was cancelled."""
    return list(
        scan.appliances.exclude(status=Appliance.Status.CANCELLED)
        .select_related("kind", "stage")
        .order_by("-pk")
    )


def version(patient: Patient) -> str:
    """Return a digest that changes whenever the patient's scans or appliances look different."""
    rows = list(
        Scan.objects.filter(patient=patient)
        .order_by("pk")
        .values_list("pk", "status", "verdict", "replaced_by", "set_aside_at", *DECIDED)
    )
    works = [
        (w.pk, w.status, w.attempts, waits_long(w))
        for w in Work.objects.filter(
            kind__in=("inspect", "mouth"), subject_id__in=[r[0] for r in rows]
        ).order_by("pk")
    ]
    made = list(Appliance.objects.filter(order__patient=patient).values_list("pk", "seq"))
    return hashlib.sha256(repr((rows, works, made)).encode()).hexdigest()[:16]
