"""Add, correct and find patients in the browser's pages."""

import datetime as dt

import pytest
from django.urls import reverse

from clinic.models import AuditEntry, Patient

pytestmark = pytest.mark.django_db

GOOD = {
    "chart_number": "T-2001",
    "family_name": "Haddad",
    "given_name": "Noor",
    "date_of_birth": "13 Jun 2010",
    "phone": "0555 33",
    "allergies": "nickel",
    "note": "",
}


def test_add_a_patient(office, signed_in):
    reply = signed_in("front_desk").post(reverse("patient-new"), GOOD)
    noor = Patient.objects.get(chart_number="T-2001")
    assert reply.status_code == 302
    assert reply.url == reverse("patient", args=[noor.uuid])
    assert noor.date_of_birth == dt.date(2010, 6, 13)
    entry = AuditEntry.objects.get(action="patient.added")
    assert "Haddad" not in str(entry.detail)


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("date_of_birth", "13/13/2010", "Write it as 17 Apr 2009"),
        ("date_of_birth", "2999-01-01", "in the future"),
        ("date_of_birth", "1850-01-01", "more than 120 years"),
        ("family_name", "", "This field is required"),
        ("chart_number", "t-1001", "Another patient has this chart number"),
    ],
)
def test_mistakes_are_explained(office, signed_in, patient, field, value, words):
    reply = signed_in("front_desk").post(reverse("patient-new"), GOOD | {field: value})
    assert reply.status_code == 422
    assert words in reply.content.decode()
    assert Patient.objects.count() == 1


def test_a_possible_double_is_shown_before_it_is_saved(office, signed_in, patient):
    client = signed_in("front_desk")
    twin = GOOD | {
        "family_name": "brandt",
        "given_name": "Ida",
        "date_of_birth": "2009-04-17",
    }
    reply = client.post(reverse("patient-new"), twin)
    assert reply.status_code == 422
    assert "is already here with chart number T-1001" in reply.content.decode()
    assert Patient.objects.count() == 1
    client.post(reverse("patient-new"), twin | {"not_a_double": str(patient.uuid)})
    assert Patient.objects.count() == 2


def test_correct_a_patient(office, signed_in, patient):
    page = reverse("patient-edit", args=[patient.uuid])
    reply = signed_in("front_desk").post(page, GOOD | {"chart_number": "T-1001"})
    assert reply.status_code == 302
    patient.refresh_from_db()
    assert patient.family_name == "Haddad"


def test_live_search_answers_with_the_list_only(office, signed_in, patient):
    reply = signed_in("front_desk").get(
        reverse("patients"), {"q": "brandt"}, headers={"HX-Request": "true"}
    )
    text = reply.content.decode()
    assert text.lstrip().startswith("<section")
    assert "Brandt, Ida" in text


def test_near_names_are_pointed_out(office, signed_in, patient):
    Patient.objects.create(
        chart_number="T-1002",
        given_name="Jonas",
        family_name="Brandt",
        date_of_birth=dt.date(2011, 1, 1),
    )
    text = signed_in("front_desk").get(reverse("patients"), {"q": "brandt"}).content.decode()
    assert text.count("Same surname in this list") == 2


def test_nobody_found_says_what_to_try(office, signed_in):
    text = signed_in("front_desk").get(reverse("patients"), {"q": "zzz"}).content.decode()
    assert "Nobody fits" in text
    assert "date of birth" in text


def test_a_technician_looks_but_does_not_edit(office, signed_in, patient):
    client = signed_in("technician")
    assert client.get(reverse("patients")).status_code == 200
    assert client.get(reverse("patient", args=[patient.uuid])).status_code == 200
    assert client.get(reverse("patient-new")).status_code == 403
    assert client.get(reverse("patient-edit", args=[patient.uuid])).status_code == 403


def test_no_address_holds_a_name_or_chart_number(office, signed_in, patient):
    page = signed_in("front_desk").get(reverse("patients"), {"q": "brandt"}).content.decode()
    links = [part.split('"')[0] for part in page.split('href="')[1:]]
    assert not any("Brandt" in link or "T-1001" in link for link in links)
