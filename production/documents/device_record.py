"""The record of a custom-made device. Contents follow Annex XIII of Regulation (EU) 2017/745."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

from production.bench.routes import route_of
from production.documents.paper import Paper, make_paper
from production.documents.pieces import Piece, events_of
from production.models import Acceptance, Handover, StageEvent
from production.selectors.bench.appliance import history, made_with

__all__ = ["RecordLine", "build"]


@dataclass(frozen=True)
class RecordLine:
    """One event of the record, with the wording of the card that was shown."""

    event: StageEvent
    taken_back: bool
    ticked: list[str]
    left_open: list[str]


def build(piece: Piece) -> Paper:
    """Return the record of one appliance."""
    events = events_of(piece.appliance)
    undone = {e.undoes_id for e in events if e.undoes_id}
    lines = [_line(e, e.pk in undone) for e in events]
    scan = piece.appliance.scan
    acceptances = list(
        Acceptance.objects.filter(scan=scan)
        .select_related("doctor", "taken_back_by")
        .order_by("at")
    )
    for accepted in acceptances:
        accepted.named = ", ".join(sorted({c.replace("_", " ") for c in accepted.findings}))  # type: ignore[attr-defined]
    skipped = [
        line.event
        for line in lines
        if line.event.action == StageEvent.Action.SKIP and not line.taken_back
    ]
    handovers = list(
        Handover.objects.filter(appliance=piece.appliance).select_related("by").order_by("at")
    )
    route = route_of(piece.appliance.kind_id)
    standing = made_with(route, history(piece.appliance))
    inside = {use.pk for use in standing}
    context = piece.context(
        redone=[use.pk for use in piece.lots if use.pk not in inside],
        declared=[use for use in standing if use.lot.material.substances],
        lines=lines,
        acceptances=acceptances,
        skipped=skipped,
        handovers=handovers,
        findings=found_in_words((scan.report or {}) if scan else {}),
        remakes=list(piece.appliance.remakes.select_related("remake_cause")),
    )
    name = f"record-{piece.appliance.code}.pdf"
    return make_paper(name, "documents/device_record.html", context)


def found_in_words(report: dict[str, Any]) -> str:
    """Name what an inspection found: “short tissue (check), twice; undercut (note)”."""
    times = Counter((f["code"], f["severity"]) for f in report.get("findings", []))
    said = {1: "", 2: ", twice"}
    return "; ".join(
        f"{code.replace('_', ' ')} ({severity}){said.get(n, f', {n} times')}"
        for (code, severity), n in times.items()
    )


def _line(event: StageEvent, taken_back: bool) -> RecordLine:
    items = event.card.items if event.card else []
    ticks = set(event.ticks or [])
    return RecordLine(
        event,
        taken_back,
        [i["text"] for i in items if i.get("id") in ticks],
        [i["text"] for i in items if i.get("id") not in ticks],
    )
