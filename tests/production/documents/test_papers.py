"""The papers: size, words, no name where none belongs, the same bytes twice."""

import pytest
from django.urls import reverse

from clinic.models import AuditEntry, Office, Visit
from production.documents import (
    bag_label,
    care_card,
    day_sheet,
    device_record,
    fonts,
    pickup_slip,
    traveler,
)
from production.documents.care_card import rules
from production.documents.paper import make_paper
from production.documents.pieces import load_piece
from production.models import Acceptance, Scan, StageEvent, StoredFile
from production.selectors.desk.order import load_order, order_page
from production.selectors.desk.today import today
from tests.production.documents.conftest import order, sizes_mm, text_of

pytestmark = pytest.mark.django_db

A4, A5, A6, LABEL = (210, 297), (148, 210), (105, 148), (62, 100)


def slip_of(piece):
    found = load_order(piece.appliance.order.uuid)
    return pickup_slip.build(order_page(found, piece.office), piece.office)


PAPERS = {
    "traveler": (traveler.build, A5),
    "label": (bag_label.build, LABEL),
    "care": (care_card.build, A4),
    "record": (device_record.build, A4),
    "slip": (slip_of, A6),
}


@pytest.mark.parametrize("name", PAPERS)
def test_size_title_and_file_name(piece, name):
    build, (width, height) = PAPERS[name]
    paper = build(piece)
    for got in sizes_mm(paper.pdf):
        assert got == pytest.approx((width, height), abs=0.2)
    assert "Brandt" not in paper.name
    assert "T-1001" not in paper.name
    assert paper.name.endswith(".pdf")


@pytest.mark.parametrize("name", PAPERS)
def test_same_records_same_bytes(piece, name):
    build = PAPERS[name][0]
    assert build(piece).pdf == build(load_piece(piece.appliance.code)).pdf


@pytest.mark.parametrize("name", ["traveler", "label", "slip"])
def test_one_page_each(piece, name):
    assert len(sizes_mm(PAPERS[name][0](piece).pdf)) == 1


def test_traveler(piece):
    text = text_of(traveler.build(piece).pdf)
    assert "LOWER" in text
    assert piece.appliance.code in text
    assert "Clear sheet, 1 mm" in text
    assert "By hand, these places and no more" in text
    assert "lower left front, lingual; 14.2 mm³, up to 0.6 mm deep" in text
    assert "21.4 mm from base" in text
    for stage in ("Scan", "Print", "Wash", "Cure", "Block-out", "Trim", "Disinfect and bag"):
        assert stage in text
    # Cautions stand where the hand is.
    assert "Alcohol is flammable" in text
    assert "nitrile gloves" in text
    assert "manufacturer's instructions and local rules" in text


def test_what_the_model_has_filled_is_not_asked_for_again(made):
    report = made.model.report
    report["block_out"]["depth_mm"] = 0.25
    report["block_out"]["regions"] *= 11
    made.model.save()
    text = text_of(traveler.build(load_piece(made.code)).pdf)
    assert "Filled in the model, 0.25 mm of undercut left" in text
    assert "and 5 smaller" in text
    report["block_out"]["regions"] = []
    made.model.save()
    assert "none needed" in text_of(traveler.build(load_piece(made.code)).pdf)


def test_allergies_stand_out(office, person, patient):
    patient.allergies = "acrylates"
    patient.save()
    piece = load_piece(order(office, person, patient, "upper").code)
    for build in (traveler.build, bag_label.build, device_record.build):
        assert "acrylates" in text_of(build(piece).pdf)


def test_long_names_and_texts_still_fit_the_label(office, person, patient):
    patient.given_name, patient.family_name = "Maximiliana Theodora", "Featherstonehaugh-Oyelaran"
    patient.allergies = "nickel, latex, acrylates, " * 12
    patient.save()
    office.address = "Third floor, rear building, 4 Mill Lane\n12345 Ostbury by the River"
    office.save()
    piece = load_piece(order(office, person, patient, "upper").code)
    pdf = bag_label.build(piece).pdf
    assert len(sizes_mm(pdf)) == 1
    text = text_of(pdf)
    assert "Featherstonehaugh-Oyelaran" in text.replace("- ", "-")
    assert "for this patient only" in text
    assert piece.appliance.code in text


def test_a_long_prescription_is_never_cut_off(office, person, patient):
    words = " ".join(f"word{i}" for i in range(260))
    piece = load_piece(order(office, person, patient, "upper", characteristics=words).code)
    text = text_of(traveler.build(piece).pdf)
    assert "word259" in text
    assert "Disinfect and bag" in text


def test_label_says_custom_made(piece):
    text = text_of(bag_label.build(piece).pdf)
    assert "Custom-made device" in text
    assert "for this patient only" in text
    assert "lot S-778" in text


def test_slip(piece):
    text = text_of(slip_of(piece).pdf)
    assert "15:40" in text
    assert "Wednesday 25 November 2099" in text
    assert "0555 010 203" in text


def test_care_card(piece):
    text = text_of(care_card.build(piece).pdf)
    for head in ("Wear", "Clean", "Heat", "Keep", "Call us"):
        assert head in text
    assert "0555 010 203" in text
    assert "Brandt" not in text


def test_care_rules_are_the_offices_wording():
    assert rules("Heat: no hot water: ever.\n\nJust this.\n") == [
        ("Heat", "no hot water: ever."),
        ("", "Just this."),
    ]


def test_day_sheet(made, office):
    page = today(office.today(), office)
    paper = day_sheet.build(page, office)
    assert paper.name == f"day-{office.today():%Y-%m-%d}.pdf"
    assert "No visits are booked" in text_of(paper.pdf)
    Visit.objects.create(patient=made.order.patient, starts_at=page.now, note="first visit")
    text = text_of(day_sheet.build(today(office.today(), office), office).pdf)
    assert "Brandt, Ida" in text
    assert "first visit" in text
    assert sizes_mm(paper.pdf)[0] == pytest.approx(A4, abs=0.2)


def test_record_names_hands_machines_checks_and_deviations(made, person):
    doctor = person("doctor")
    scan = Scan.objects.create(
        patient=made.order.patient,
        arch="lower",
        file=StoredFile.objects.create(sha256="ab" * 32, size=84),
        uploaded_by=person("technician"),
        upload_key="r",
        status="inspected",
        verdict="rescan",
        report={"findings": [{"code": "hole", "severity": "stop"}]},
    )
    Acceptance.objects.create(scan=scan, doctor=doctor, reason="outside the cut", findings=["hole"])
    made.scan = scan
    made.save()
    card = made.stage.cards.first()
    StageEvent.objects.create(
        appliance=made, seq=made.seq + 2, action="start", stage=made.stage, at=made.created_at,
        by=person("technician"), key="begun",
    )  # fmt: skip
    StageEvent.objects.create(
        appliance=made,
        seq=made.seq + 1,
        action="finish",
        stage=made.stage,
        to_stage=made.stage,
        at=made.created_at,
        by=person("technician"),
        card=card,
        ticks=[card.items[0]["id"]],
        key="x",
    )
    text = text_of(device_record.build(load_piece(made.code)).pdf)
    assert "outside the cut" in text
    assert "ab" * 32 in text.replace(" ", "")
    assert f"Checked: {card.items[0]['text']}" in text
    assert f"not ticked: {card.items[1]['text']}" in text
    assert "S-778" in text
    assert "31 Jan 2098" in text
    assert "check your local rules" in text.lower()


def test_each_item_of_the_statement_has_its_place_on_the_record(made, office):
    """Annex XIII, section 1, of Regulation (EU) 2017/745, item by item.

    The list is from memory. Items 3 to 7 agree with the text of Directive 93/42/EEC, Annex
    VIII, 2.1, which the Annex took over; sites of manufacture, and “name, acronym or
    numerical code”, with article R5211-51 of the French public health code.
    """
    office.name, office.address = "Made Here Ltd", "1 Bench Street"
    office.other_sites, office.representative = "2 Second Site", "Rep of ours, 3 Far Road"
    office.statement = "Words of our own law."
    office.save()
    material = load_piece(made.code).lots[0].lot.material
    material.substances = "bovine gelatine"
    material.save()
    piece = load_piece(made.code)
    text = text_of(device_record.build(piece).pdf)
    order, patient = made.order, made.order.patient
    items = {
        "1 Manufacturer and place of manufacture": ["Made Here Ltd", "1 Bench", "2 Second Site"],
        "2 Authorised representative": ["Rep of ours, 3 Far Road"],
        "3 The device": [made.code, piece.what, "lower arch"],
        "4 For exclusive use by one patient": [
            "exclusive use by the patient named here",
            f"{patient.family_name}, {patient.given_name}",
            patient.chart_number,
        ],
        "5 Prescription": [str(order.prescriber), "Made Here Ltd"],
        "6 Characteristics prescribed": [piece.sheet],
        "7 Statement": [
            "Words of our own law.",
            "conforms to the general safety and performance requirements set out in Annex I",
            "Requirements not fully met, with grounds",
        ],
        "8 Medicinal substance, blood or plasma derivative": ["bovine gelatine"],
    }
    heads = [text.index(head) for head in items]
    assert heads == sorted(heads)
    parts = [text[a:b] for a, b in zip(heads, [*heads[1:], None], strict=True)]
    for part, wanted in zip(parts, items.values(), strict=True):
        for words in wanted:
            assert words in part, words
    material.substances = ""
    material.save()
    text = text_of(device_record.build(load_piece(made.code)).pdf)
    assert "None is declared for the materials used" in text


def test_a_template_reaches_nothing_outside(tmp_path, settings):
    """Neither a file nor an address is read, even when a template asks for it."""
    secret = tmp_path / "secret.txt"
    secret.write_text("do not read")
    folder = tmp_path / "templates"
    folder.mkdir()
    (folder / "leak.html").write_text(
        f'<html lang="en"><title>t</title><link rel="attachment" href="file://{secret}">'
        '<img alt="x" src="http://127.0.0.1:9/x.png"><p>shown</p></html>'
    )
    settings.TEMPLATES = [settings.TEMPLATES[0] | {"DIRS": [folder]}]
    pdf = make_paper("x.pdf", "leak.html", {}).pdf
    assert text_of(pdf) in {"shown", "shown x"}  # the picture is at most its own words
    assert b"secret.txt" not in pdf
    assert b"EmbeddedFile" not in pdf


ADDRESSES = [
    ("traveler", "code", {"front_desk", "technician", "doctor", "manager"}),
    ("bag-label", "code", {"front_desk", "technician", "doctor", "manager"}),
    ("care-card-pdf", "code", {"front_desk", "technician", "doctor", "manager"}),
    ("device-record", "code", {"doctor", "manager"}),
    ("slip", "order", {"front_desk", "technician", "doctor", "manager"}),
]


@pytest.mark.parametrize(("name", "by", "allowed"), ADDRESSES)
def test_addresses_and_who_may_read(made, signed_in, name, by, allowed):
    address = reverse(name, args=[made.code if by == "code" else made.order.uuid])
    for role in ("front_desk", "technician", "doctor", "manager"):
        reply = signed_in(role).get(address)
        assert reply.status_code == (200 if role in allowed else 403)
        if role in allowed:
            assert reply.headers["Content-Type"] == "application/pdf"
            assert reply.content.startswith(b"%PDF")
            assert "Brandt" not in reply.headers["Content-Disposition"]


def test_reading_a_record_is_noted(made, signed_in):
    signed_in("doctor").get(reverse("device-record", args=[made.code]))
    assert AuditEntry.objects.filter(action="device_record.read").count() == 1


def test_unknown_codes(office, signed_in):
    for name in ("traveler", "bag-label", "care-card-pdf", "device-record"):
        assert signed_in("doctor").get(reverse(name, args=["NOSUCH1"])).status_code == 404


def test_the_days_sheet_by_its_address(made, signed_in):
    assert Office.objects.count() == 1
    reply = signed_in("front_desk").get(reverse("day-sheet"), {"day": "2099-11-25"})
    assert "Brandt, Ida" in text_of(reply.content)


def test_reading_takes_a_fixed_number_of_queries(made, django_assert_max_num_queries):
    with django_assert_max_num_queries(6):
        load_piece(made.code)


def test_the_record_names_findings_in_words():
    found = [
        {"code": "short_tissue", "severity": "check"},
        {"code": "undercut", "severity": "note"},
        {"code": "short_tissue", "severity": "check"},
    ]
    words = device_record.found_in_words({"findings": found})
    assert words == "short tissue (check), twice; undercut (note)"
    assert device_record.found_in_words({}) == ""


@pytest.mark.parametrize("name", ["traveler", "label", "record", "slip"])
def test_a_name_without_a_font_is_told_by_the_chart_and_never_by_empty_boxes(
    piece, name, monkeypatch
):
    patient = piece.appliance.order.patient
    patient.family_name, patient.given_name = "田中", "美咲"
    patient.save()
    monkeypatch.setattr(fonts, "_in_a_font", lambda character: True)
    assert "Chart" not in text_of(bag_label.build(load_piece(piece.appliance.code)).pdf)
    monkeypatch.setattr(fonts, "_in_a_font", lambda character: not "一" <= character <= "鿿")
    paper = PAPERS[name][0](load_piece(piece.appliance.code))
    text = " ".join(text_of(paper.pdf).split())
    assert f"Chart {patient.chart_number}" in text
    assert "no font for their script" in text
    if name != "record":
        assert len(sizes_mm(paper.pdf)) == 1


def test_latin_greek_and_cyrillic_need_no_asking():
    assert fonts.unprintable("Świętosława Ünal Ελένη Иван, 12 °") == ""
