"""Papers as PDF. An address holds a code or a day; a file name never a patient's name."""

from __future__ import annotations

import uuid
from collections.abc import Callable

from django.http import Http404, HttpRequest, HttpResponse

from clinic.middleware import office_of
from clinic.models import record
from clinic.permissions import needs
from production.bench.codes import clean
from production.documents import (
    bag_label as bag_label_paper,
)
from production.documents import (
    care_card as care_card_paper,
)
from production.documents import (
    day_sheet as day_sheet_paper,
)
from production.documents import (
    device_record as device_record_paper,
)
from production.documents import (
    pickup_slip as pickup_slip_paper,
)
from production.documents import (
    traveler as traveler_paper,
)
from production.documents.paper import Paper
from production.documents.pieces import Piece, load_piece
from production.selectors.desk.order import load_order, order_page
from production.selectors.desk.today import today
from production.views.desk.today import day_of


def _send(paper: Paper) -> HttpResponse:
    response = HttpResponse(paper.pdf, content_type="application/pdf")
    response.headers["Content-Disposition"] = f'inline; filename="{paper.name}"'
    return response


def _of_piece(code: str, build: Callable[[Piece], Paper]) -> HttpResponse:
    piece = load_piece(clean(code))
    if piece is None:
        raise Http404
    return _send(build(piece))


@needs("see_bench")
def traveler(request: HttpRequest, code: str) -> HttpResponse:
    """The paper that goes with the appliance along the bench."""
    return _of_piece(code, traveler_paper.build)


@needs("see_bench")
def bag_label(request: HttpRequest, code: str) -> HttpResponse:
    """The label of the bag."""
    return _of_piece(code, bag_label_paper.build)


@needs("see_patients")
def care_card(request: HttpRequest, code: str) -> HttpResponse:
    """What the patient takes home to read."""
    return _of_piece(code, care_card_paper.build)


@needs("device_record")
def device_record(request: HttpRequest, code: str) -> HttpResponse:
    """The record of a custom-made device; printing it is noted in the audit trail."""
    piece = load_piece(clean(code))
    if piece is None:
        raise Http404
    record(request.user, "device_record.read", piece.appliance)  # type: ignore[arg-type]
    return _send(device_record_paper.build(piece))


@needs("see_patients")
def slip(request: HttpRequest, uuid: uuid.UUID) -> HttpResponse:
    """The pickup slip of an order with an agreed time."""
    order = load_order(uuid)
    if order is None:
        raise Http404
    office = office_of(request)
    page = order_page(order, office)
    if page.standing is None:
        raise Http404("No pickup time is agreed for this order yet.")
    return _send(pickup_slip_paper.build(page, office))


@needs("see_patients")
def day_sheet(request: HttpRequest) -> HttpResponse:
    """Visits and promises of a day, for the wall."""
    office = office_of(request)
    return _send(day_sheet_paper.build(today(day_of(request, office), office), office))
