"""Read an appliance with everything its papers show. A fixed number of queries."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from django.db.models import Prefetch

from clinic.models import Office
from production.bench.block_out import BlockOutList, block_out_of
from production.documents.qr import qr_image, qr_size_mm
from production.models import (
    Appliance,
    InstructionCard,
    LotUse,
    Promise,
    RouteStage,
    StageEvent,
)
from production.seed import FOLLOW

__all__ = ["Piece", "events_of", "load_piece"]


@dataclass(frozen=True)
class RouteLine:
    """A stage of the route with its caution, for the traveler."""

    number: int
    name: str
    minutes: float
    optional: bool
    caution: str


@dataclass(frozen=True)
class Piece:
    """An appliance and what belongs to it."""

    appliance: Appliance
    office: Office
    promise: Promise | None
    route: list[RouteLine] = field(default_factory=list)
    lots: list[LotUse] = field(default_factory=list)

    @property
    def qr(self) -> str:
        """The code, and nothing else: no name travels in a picture anybody can read."""
        return qr_image(self.appliance.code)

    @property
    def qr_mm(self) -> float:
        """Side of the QR picture."""
        return qr_size_mm(self.appliance.code)

    @property
    def what(self) -> str:
        """“Aligner step 5”."""
        step = self.appliance.step
        return (
            f"{self.appliance.kind.name} step {step.number}" if step else self.appliance.kind.name
        )

    @property
    def block_out(self) -> BlockOutList | None:
        """Where undercuts are blocked out; None until a model is prepared."""
        return block_out_of(self.appliance)

    @property
    def sheet(self) -> str:
        """The sheet prescribed, with its thickness where the name does not say it."""
        sheet = self.appliance.order.sheet
        if sheet is None or sheet.thickness_mm is None:
            return str(sheet or "")
        size = f"{sheet.thickness_mm:g}"
        return sheet.name if size in sheet.name else f"{sheet.name}, {size} mm"

    @property
    def sheet_lots(self) -> list[LotUse]:
        """The sheet it was formed from."""
        return [u for u in self.lots if u.lot.material.kind == "sheet"]

    def context(self, **more: Any) -> dict[str, Any]:
        """Return what every paper's template gets."""
        return {
            "piece": self,
            "appliance": self.appliance,
            "order": self.appliance.order,
            "patient": self.appliance.order.patient,
            "office": self.office,
            "promise": self.promise,
            **more,
        }


def load_piece(code: str) -> Piece | None:
    """Return the appliance of that code with order, patient, route, cautions, lots."""
    appliance = (
        Appliance.objects.filter(code=code)
        .select_related(
            "order__patient",
            "order__sheet",
            "order__prescriber",
            "order__series",
            "kind",
            "step",
            "scan__file",
            "model__file",
            "model__made_by",
            "model__approved_by",
            "remake_of",
            "remake_cause",
            "stage",
        )
        .prefetch_related(
            Prefetch(
                "lot_uses",
                queryset=LotUse.objects.select_related("lot__material", "event__stage").order_by(
                    "pk"
                ),
            )
        )
        .first()
    )
    if appliance is None:
        return None
    promise = Promise.objects.filter(order=appliance.order_id, superseded_at=None).first()
    return Piece(
        appliance=appliance,
        office=Office.get(),
        promise=promise,
        route=_route(appliance.kind_id),
        lots=list(appliance.lot_uses.all()),
    )


def _route(kind_id: int) -> list[RouteLine]:
    stages = list(
        RouteStage.objects.filter(kind=kind_id).select_related("stage").order_by("position")
    )
    newest: dict[int, str] = {}
    for card in InstructionCard.objects.filter(stage__in=[s.stage_id for s in stages]).order_by(
        "stage", "version"
    ):
        newest[card.stage_id] = card.caution
    return [
        RouteLine(
            number,
            entry.stage.name,
            entry.minutes,
            entry.optional,
            # The sentence that every caution ends with stands once, at the foot.
            newest.get(entry.stage_id, "").replace(FOLLOW, "").strip(),
        )
        for number, entry in enumerate(stages, start=1)
    ]


def events_of(appliance: Appliance) -> list[StageEvent]:
    """Return the appliance's events in order, with all they name."""
    return list(
        appliance.events.select_related(
            "stage", "to_stage", "by", "machine", "load", "program", "card", "cause", "undoes"
        )
        .prefetch_related("lot_uses__lot__material")
        .order_by("seq")
    )
