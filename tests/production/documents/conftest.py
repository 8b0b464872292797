"""An appliance with a history, for the papers."""

from __future__ import annotations

import datetime as dt
import io

import pypdfium2
import pytest
from django.utils import timezone
from pypdf import PdfReader

from clinic.models import Patient
from production.actions.desk.booking import book_pickup
from production.documents.pieces import load_piece
from production.models import Appliance, ApplianceKind, Lot, LotUse, Material, PreparedModel

DUE = dt.datetime(2099, 11, 25, 15, 40, tzinfo=dt.UTC)


@pytest.fixture
def made(office, person, patient) -> Appliance:
    """A lower retainer on order, with sheet, model and block-out list."""
    office.name = "Lindenhof Orthodontics"
    office.address = "4 Mill Lane\nOstbury"
    office.phone = "0555 010 203"
    office.save()
    return order(office, person, patient, "lower")


def order(office, person, patient: Patient, arch: str, **more) -> Appliance:
    """Order one retainer through the desk's own action."""
    sheet, _ = Material.objects.get_or_create(
        name="Clear sheet", defaults={"kind": "sheet", "thickness_mm": 1.0}
    )
    promise = book_pickup(
        person("front_desk"),
        patient=patient,
        kind=ApplianceKind.objects.get(code="retainer"),
        arches=[arch],
        sheet=sheet,
        prescriber=person("doctor"),
        characteristics=more.pop("characteristics", "Straight cut beyond the gum line"),
        due_at=DUE,
        p_kept=0.97,
        key=f"paper-{patient.pk}-{arch}",
    )
    piece = promise.order.appliances.get()
    piece.model = PreparedModel.objects.create(
        status="made",
        engine="geometry 1",
        made_by=person("technician"),
        made_at=timezone.now(),
        report={
            "height_mm": 21.4,
            "block_out": {
                "depth_mm": None,
                "regions": [
                    {"words": "gum: lower left front, lingual; 14.2 mm³, up to 0.6 mm deep"}
                ],
            },
        },
    )
    piece.save()
    lot, _ = Lot.objects.get_or_create(
        material=sheet, number="S-778", defaults={"expires_on": dt.date(2098, 1, 31)}
    )
    LotUse.objects.create(event=piece.events.first(), appliance=piece, lot=lot)
    return piece


@pytest.fixture
def piece(made):
    """The same, as the papers read it."""
    return load_piece(made.code)


def text_of(pdf: bytes) -> str:
    """All words of a PDF, single-spaced."""
    reader = PdfReader(io.BytesIO(pdf))
    return " ".join(" ".join(page.extract_text() for page in reader.pages).split())


def sizes_mm(pdf: bytes) -> list[tuple[float, float]]:
    """Width and height of each page."""
    return [
        (float(p.mediabox.width) / 72 * 25.4, float(p.mediabox.height) / 72 * 25.4)
        for p in PdfReader(io.BytesIO(pdf)).pages
    ]


def picture(pdf: bytes, dpi: float, page: int = 0):
    """The page as a printer of that resolution would put it down."""
    document = pypdfium2.PdfDocument(pdf)
    return document[page].render(scale=dpi / 72).to_pil().convert("L")
